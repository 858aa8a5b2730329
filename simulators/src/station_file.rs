//! What a station file says, as plain data: the serde form of the TOML, with its defaults.
//!
//! Meaning is checked where the parts are built ([`crate::Station::new`], the server). Must never hold derived values,
//! so that a test can change any field and build again.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::error::SimError;
use crate::monitor_file::MonitorFile;
use crate::schedule::RunPoint;

/// One station: its supply, its pumps, its monitors.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StationFile {
    /// Name shown to people.
    pub name: String,
    /// Seed of everything drawn at random; the same seed gives the same waveforms.
    #[serde(default)]
    pub seed: u64,
    /// The supply.
    pub source: SourceFile,
    /// Pumps, in the order they are drawn on the panel.
    #[serde(default)]
    pub pumps: Vec<PumpFile>,
    /// Monitors.
    #[serde(default)]
    pub monitors: Vec<MonitorFile>,
    /// The truth, for tests and demonstrations; the simulation itself never reads it.
    #[serde(default)]
    pub expect: Option<Expect>,
    /// Folder that relative map paths start from; set by [`StationFile::read`].
    #[serde(skip)]
    pub folder: Option<PathBuf>,
}

impl StationFile {
    /// Reads a station from TOML text.
    pub fn from_toml(text: &str) -> Result<StationFile, SimError> {
        toml::from_str(text)
            .map_err(|source| SimError::Toml { what: "station file".to_owned(), source: Box::new(source) })
    }

    /// Reads a station from a file.
    pub fn read(path: &Path) -> Result<StationFile, SimError> {
        let text = std::fs::read_to_string(path).map_err(|source| SimError::Read { path: path.to_owned(), source })?;
        let mut station: StationFile = toml::from_str(&text)
            .map_err(|source| SimError::Toml { what: path.display().to_string(), source: Box::new(source) })?;
        station.folder = path.parent().map(Path::to_owned);
        Ok(station)
    }
}

/// The supply of a station: an infinite bus with possible unbalance, distortion and noise.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceFile {
    /// Voltage between phases, V; between the hot legs of a split phase; line to neutral of a single phase.
    pub line_voltage_v: f64,
    /// Frequency, Hz.
    #[serde(default = "sixty")]
    pub frequency_hz: f64,
    /// "ABC" or "ACB".
    #[serde(default)]
    pub rotation: RotationFile,
    /// Magnitude of each phase-to-neutral voltage against nominal.
    #[serde(default = "ones")]
    pub phase_scale: [f64; 3],
    /// The voltage system; when absent, four-wire wye with `neutral` and three-wire without.
    #[serde(default)]
    pub service: Option<ServiceFile>,
    /// True for a four-wire service; false: the monitor's reference is a virtual neutral.
    #[serde(default = "yes")]
    pub neutral: bool,
    /// Harmonics of the supply: order, fraction of the fundamental, angle in degrees.
    #[serde(default)]
    pub harmonics: Vec<(u16, f64, f64)>,
    /// Gaussian noise on every sample of every channel, as a fraction of that channel's RMS.
    #[serde(default)]
    pub noise: f64,
    /// Slow irregular drift of voltage, as a fraction.
    #[serde(default)]
    pub wander: f64,
    /// A supply phase lost for the whole station: motors single-phase and feed back into the open conductor.
    #[serde(default)]
    pub lost_phase: Option<String>,
    /// When the phase is lost, s.
    #[serde(default)]
    pub lost_from_s: f64,
    /// When it is back, s; never when absent.
    #[serde(default)]
    pub lost_to_s: Option<f64>,
}

/// The voltage system of a station, which also says how its monitors meter it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum ServiceFile {
    /// Three-phase four-wire wye: three voltages to neutral, three CTs.
    #[serde(rename = "wye-4-wire")]
    Wye4Wire,
    /// Three-phase three-wire: three voltages to the star point of the monitor's own inputs, three CTs.
    #[serde(rename = "delta-3-wire")]
    Delta3Wire,
    /// Three-phase three-wire, elements on channels 1 (A to B, CT A) and 3 (C to B, CT C); channel 2 is not available.
    #[serde(rename = "two-element", alias = "delta-3-wire-two-element")]
    TwoElement,
    /// The same two elements behind two voltage transformers in open delta.
    #[serde(rename = "open-delta")]
    OpenDelta,
    /// Four-wire delta whose neutral is the middle of the A-C winding: B is the high leg, 1.732 times A and C.
    #[serde(rename = "high-leg-delta")]
    HighLegDelta,
    /// Two hot legs A and B at 180 degrees, neutral between; loads between the legs; channels 1 and 2.
    #[serde(rename = "split-phase")]
    SplitPhase,
    /// One line A and neutral; channel 1.
    #[serde(rename = "single-phase")]
    SinglePhase,
}

impl ServiceFile {
    /// Which of the channels 1, 2, 3 a monitor has on this service.
    pub fn channels(self) -> [bool; 3] {
        match self {
            ServiceFile::Wye4Wire | ServiceFile::Delta3Wire | ServiceFile::HighLegDelta => [true; 3],
            ServiceFile::TwoElement | ServiceFile::OpenDelta => [true, false, true],
            ServiceFile::SplitPhase => [true, true, false],
            ServiceFile::SinglePhase => [true, false, false],
        }
    }

    /// Which of the conductors A, B, C exist.
    pub fn conductors(self) -> [bool; 3] {
        match self {
            ServiceFile::SplitPhase => [true, true, false],
            ServiceFile::SinglePhase => [true, false, false],
            _ => [true; 3],
        }
    }

    /// True when two elements meter three wires.
    pub fn is_two_element(self) -> bool {
        matches!(self, ServiceFile::TwoElement | ServiceFile::OpenDelta)
    }

    /// True when loads hang on two wires: between the legs of a split phase, or from line to neutral.
    pub fn is_two_wire_load(self) -> bool {
        matches!(self, ServiceFile::SplitPhase | ServiceFile::SinglePhase)
    }
}

impl SourceFile {
    /// The service in force: as given, else by `neutral`.
    pub fn service(&self) -> ServiceFile {
        self.service.unwrap_or(if self.neutral { ServiceFile::Wye4Wire } else { ServiceFile::Delta3Wire })
    }
}

/// Order of the supply's phases.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
pub enum RotationFile {
    /// A, B, C.
    #[default]
    #[serde(rename = "ABC")]
    Abc,
    /// A, C, B.
    #[serde(rename = "ACB")]
    Acb,
}

/// What a circuit feeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LoadKind {
    /// Induction motor, direct on line.
    InductionMotor,
    /// Variable-frequency drive: diode front end with harmonic current.
    Drive,
    /// Heater.
    Resistive,
    /// Induction motor with a capacitor switched with it, downstream of the CTs.
    MotorWithCapacitor,
    /// Induction motor started through thyristors, bypassed when running.
    SoftStarter,
}

/// One pump.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PumpFile {
    /// Name, unique in the station.
    pub name: String,
    /// What it is.
    pub load: LoadKind,
    /// Shaft power, W.
    pub rated_power_w: f64,
    /// Voltage between phases, V.
    pub rated_voltage_v: f64,
    /// Full-load current, A.
    pub full_load_current_a: f64,
    /// Full-load power factor.
    pub full_load_power_factor: f64,
    /// Locked-rotor current at rated voltage, A; from the NEC table by power when absent.
    #[serde(default)]
    pub locked_rotor_current_a: Option<f64>,
    /// Capacitor rating at rated voltage, var; enough for 0.95 at full load when absent.
    #[serde(default)]
    pub capacitor_var: Option<f64>,
    /// Scale of each phase current (a load that is itself unbalanced).
    #[serde(default = "ones")]
    pub unbalance: [f64; 3],
    /// A conductor lost between the CTs' bus and this load: it single-phases.
    #[serde(default)]
    pub lost_phase: Option<String>,
    /// When the conductor is lost, s.
    #[serde(default)]
    pub lost_from_s: f64,
    /// When it is whole again, s; never when absent.
    #[serde(default)]
    pub lost_to_s: Option<f64>,
    /// What the pump does when; before the first step it is stopped.
    #[serde(default)]
    pub schedule: Vec<StepFile>,
    /// The schedule repeats with this period, s.
    #[serde(default)]
    pub repeat_s: Option<f64>,
    /// How long a start takes, s.
    #[serde(default = "two")]
    pub start_s: f64,
    /// Slow irregular drift of the load, as a fraction.
    #[serde(default)]
    pub wander: f64,
    /// Flow and head; without them its monitor shows "not available".
    #[serde(default)]
    pub water: Option<WaterFile>,
}

/// The water a pump moves, where its station has instruments for it.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WaterFile {
    /// Flow at full load, m3/s. It goes with the load: the head stays, and so does the pump's own efficiency.
    pub full_load_flow_m3_per_s: f64,
    /// Total head while it runs, m.
    pub head_m: f64,
}

impl WaterFile {
    /// Flow and head at a moment; a pump that starts does not lift water yet.
    pub(crate) fn at(self, run: RunPoint) -> (f64, f64) {
        match run {
            RunPoint::Running { load } => (load * self.full_load_flow_m3_per_s, self.head_m),
            RunPoint::Starting { .. } | RunPoint::Stopped => (0.0, 0.0),
        }
    }
}

/// One step of a schedule.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepFile {
    /// From when, s.
    pub at_s: f64,
    /// Load as a fraction of full load.
    #[serde(default)]
    pub load: Option<f64>,
    /// The pump stops.
    #[serde(default)]
    pub stop: bool,
}

/// What a correct audit of the station should conclude.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expect {
    /// Sound or not.
    pub verdict: Verdict,
    /// What is wrong, in words.
    #[serde(default)]
    pub note: String,
}

/// The truth about a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Wired as intended.
    Sound,
    /// At least one lead is wrong.
    Fault,
}

fn sixty() -> f64 {
    60.0
}

fn ones() -> [f64; 3] {
    [1.0; 3]
}

fn yes() -> bool {
    true
}

fn two() -> f64 {
    2.0
}
