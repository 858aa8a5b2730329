//! What a station file says, as plain data: the serde form of the TOML, with its defaults.
//!
//! Meaning is checked where the parts are built ([`crate::Station::new`], the server). Must never hold derived values,
//! so that a test can change any field and build again.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::error::SimError;
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
    /// Voltage between phases, V.
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

/// One monitor and how its leads are really connected.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MonitorFile {
    /// Name, unique in the station.
    pub name: String,
    /// Where it listens; port 0 takes a free one, which the running handle reports.
    pub listen: String,
    /// Unit id; monitors with the same address and different units share a listener.
    #[serde(default = "one")]
    pub unit: u8,
    /// How frames travel.
    #[serde(default)]
    pub transport: Transport,
    /// Built-in map name, path of a map file, or `sunspec-201` .. `-204`, `sunspec-211` .. `-214`.
    pub map: String,
    /// Where the SunSpec marker is.
    #[serde(default = "sunspec_base")]
    pub sunspec_base: u16,
    /// False: the SunSpec points a meter may leave out (per-phase power and PF, VA, var) are "not implemented".
    #[serde(default = "yes")]
    pub sunspec_optional: bool,
    /// Pumps metered, in slot order; `*` is the sum of all pumps (the incomer).
    pub circuits: Vec<String>,
    /// What each voltage channel sees: `A`, `-A`, `blown`, `A*0.5`.
    #[serde(default = "straight")]
    pub voltage: [String; 3],
    /// What each current channel of each slot sees: `A`, `-A`, `open`, `shorted`, `B*0.5`, `Pump 2:A`, `A+B`.
    pub currents: Vec<[String; 3]>,
    /// Later changes of the wiring.
    #[serde(default)]
    pub rewire: Vec<RewireFile>,
    /// Gain error class, percent: each channel's gain error is drawn from the seed within it.
    #[serde(default)]
    pub accuracy: f64,
    /// How the total apparent power is formed.
    #[serde(default)]
    pub apparent: Apparent,
    /// Where the import register of each circuit starts, Wh.
    #[serde(default)]
    pub energy_start_wh: f64,
    /// Sign conventions of this device when they differ from its map file.
    #[serde(default)]
    pub conventions: ConventionsFile,
    /// Blanking of this device when it differs from its map file.
    #[serde(default)]
    pub blanking: BlankingFile,
    /// Misbehaviour of its Modbus side.
    #[serde(default)]
    pub protocol: ProtocolFile,
}

/// A change of a monitor's wiring during the run.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RewireFile {
    /// From when, s.
    pub at_s: f64,
    /// New voltage leads; unchanged when absent.
    #[serde(default)]
    pub voltage: Option<[String; 3]>,
    /// New current leads; unchanged when absent.
    #[serde(default)]
    pub currents: Option<Vec<[String; 3]>>,
}

/// How frames travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Transport {
    /// Modbus/TCP.
    #[default]
    Tcp,
    /// RTU frames with CRC over a TCP connection.
    RtuOverTcp,
}

/// How a monitor forms total apparent power; meters differ, and on wrong wiring the two differ greatly.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Apparent {
    /// Sum of the channels' apparent powers.
    #[default]
    Arithmetic,
    /// Root of the squares of total active and reactive power.
    Vector,
}

/// Sign conventions a device reports in; each is the map file's own word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConventionsFile {
    /// Sign of import.
    #[serde(default)]
    pub active_power: Option<ActiveSign>,
    /// Sign of an inductive load's reactive power.
    #[serde(default)]
    pub reactive_power: Option<ReactiveSign>,
    /// Meaning of a power factor's sign.
    #[serde(default)]
    pub power_factor: Option<FactorSign>,
}

/// Sign of active power into the load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ActiveSign {
    /// Positive.
    #[default]
    LoadPositive,
    /// Negative.
    LoadNegative,
}

/// Sign of reactive power of an inductive load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReactiveSign {
    /// Positive.
    #[default]
    InductivePositive,
    /// Negative.
    InductiveNegative,
    /// A magnitude.
    Unsigned,
}

/// Meaning of a power factor's sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FactorSign {
    /// The sign the device gives active power.
    #[default]
    SignOfPower,
    /// Negative when lagging.
    LagNegative,
    /// Negative when leading.
    LeadNegative,
    /// None.
    Unsigned,
}

/// When a device shows "not available" for active power and power factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlankingFile {
    /// When active power is not positive.
    #[serde(default)]
    pub when_not_positive: Option<bool>,
    /// When no current flows.
    #[serde(default)]
    pub when_stopped: Option<bool>,
}

/// Timing and faults of the Modbus side.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProtocolFile {
    /// Every answer takes this long, ms.
    #[serde(default)]
    pub delay_ms: u64,
    /// Plus up to this much more, drawn from the seed, ms.
    #[serde(default)]
    pub jitter_ms: u64,
    /// Faults; the first that applies to a request wins.
    #[serde(default)]
    pub faults: Vec<FaultFile>,
}

/// One protocol fault. Without `every`, `from_s` and `to_s` it applies to every request.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultFile {
    /// slow, silent, exception, drop, wrong-transaction, wrong-unit, truncated, garbage, short-count, frozen, late.
    pub kind: String,
    /// Applies to every n-th request of the monitor.
    #[serde(default)]
    pub every: Option<u64>,
    /// Applies from this station time, s.
    #[serde(default)]
    pub from_s: Option<f64>,
    /// Applies before this station time, s.
    #[serde(default)]
    pub to_s: Option<f64>,
    /// Exception code, for `exception` (default 4).
    #[serde(default)]
    pub code: Option<u8>,
    /// Delay in ms, for `slow` (default 300) and `late` (default 3000).
    #[serde(default)]
    pub ms: Option<u64>,
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

fn one() -> u8 {
    1
}

fn two() -> f64 {
    2.0
}

fn sunspec_base() -> u16 {
    40_000
}

fn straight() -> [String; 3] {
    ["A", "B", "C"].map(str::to_owned)
}
