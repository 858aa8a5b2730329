//! What the configuration says of stations: voltage system, monitors, circuits, and what energy costs.
//!
//! Checked data only, in SI units. Must never hold anything that was measured.

use std::fmt;
use std::time::Duration;

use crate::alarm::settings::Priority;
use crate::audit::installation::{CtSecondary, VoltageConnection};
use crate::modbus::map::MapSource;
use crate::reading::{Rotation, UnixMs};

/// The voltage system of a station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Service {
    /// Three-phase four-wire wye.
    Wye4,
    /// Three-phase three-wire (delta or ungrounded reference), three CTs.
    Delta3,
    /// Three-phase three-wire metered with two elements.
    Delta3TwoElement,
    /// Three-phase three-wire with open-delta voltage transformers.
    OpenDelta,
    /// High-leg delta, four-wire.
    HighLegDelta,
    /// Split phase, three-wire.
    SplitPhase,
    /// Single phase, two-wire.
    SinglePhase,
}

impl Service {
    /// Every service, in the order of the manual.
    pub const ALL: [Service; 7] = [
        Service::Wye4,
        Service::Delta3,
        Service::Delta3TwoElement,
        Service::OpenDelta,
        Service::HighLegDelta,
        Service::SplitPhase,
        Service::SinglePhase,
    ];

    /// The word used in configuration files.
    pub fn key(self) -> &'static str {
        match self {
            Service::Wye4 => "wye-4-wire",
            Service::Delta3 => "delta-3-wire",
            Service::Delta3TwoElement => "delta-3-wire-two-element",
            Service::OpenDelta => "open-delta",
            Service::HighLegDelta => "high-leg-delta",
            Service::SplitPhase => "split-phase",
            Service::SinglePhase => "single-phase",
        }
    }
}

/// What energy costs.
#[derive(Debug, Clone, PartialEq)]
pub struct Tariff {
    /// Currency, as people write it.
    pub currency: String,
    /// Price of one kWh in it; positive.
    pub price_per_kwh: f64,
}

impl Tariff {
    /// What an amount of energy costs; negative for a negative amount.
    pub fn cost_of_wh(&self, energy_wh: f64) -> f64 {
        self.price_per_kwh * energy_wh / 1000.0
    }
}

/// One site.
#[derive(Debug, Clone, PartialEq)]
pub struct StationConfig {
    /// Name shown to people; unique.
    pub name: String,
    /// Voltage system.
    pub service: Service,
    /// Nominal voltage between phases, V.
    pub nominal_voltage_v: f64,
    /// How the monitors get it.
    pub voltage_connection: VoltageConnection,
    /// Nominal frequency, Hz.
    pub nominal_frequency_hz: f64,
    /// Rotation expected at the monitor's terminals.
    pub rotation: Rotation,
    /// The station's own tariff, else the utility's.
    pub tariff: Option<Tariff>,
    /// Monitors, in file order.
    pub monitors: Vec<MonitorConfig>,
    /// Circuits, in file order.
    pub circuits: Vec<CircuitConfig>,
}

/// How bytes travel to a monitor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Transport {
    /// Modbus/TCP (MBAP header).
    Tcp,
    /// Modbus RTU frames carried over TCP.
    RtuOverTcp,
}

/// One Modbus device.
#[derive(Debug, Clone, PartialEq)]
pub struct MonitorConfig {
    /// Name, unique in its station.
    pub name: String,
    /// Host and port as written (resolved when connecting).
    pub address: String,
    /// Unit id, 0..=255.
    pub unit: u8,
    /// Transport.
    pub transport: Transport,
    /// Register map.
    pub map: MapSource,
    /// Name of the map as configured, for messages.
    pub map_name: String,
    /// Time between polls.
    pub poll_period: Duration,
    /// A reply later than this is not used (soft deadline).
    pub timeout: Duration,
}

/// What kind of load a circuit feeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LoadKind {
    /// Induction motor, direct on line.
    InductionMotor,
    /// Induction motor with a soft starter (bypassed when running).
    SoftStarter,
    /// Variable-frequency drive front end.
    Drive,
    /// Induction motor with a power-factor capacitor on the motor side of the CTs.
    MotorWithCapacitor,
    /// Heater or other resistive load.
    Resistive,
    /// Not known.
    Unknown,
}

impl LoadKind {
    /// Every kind of load, in the order of the manual.
    pub const ALL: [LoadKind; 6] = [
        LoadKind::InductionMotor,
        LoadKind::SoftStarter,
        LoadKind::Drive,
        LoadKind::MotorWithCapacitor,
        LoadKind::Resistive,
        LoadKind::Unknown,
    ];

    /// The word used in configuration files.
    pub fn key(self) -> &'static str {
        match self {
            LoadKind::InductionMotor => "induction-motor",
            LoadKind::SoftStarter => "soft-starter",
            LoadKind::Drive => "drive",
            LoadKind::MotorWithCapacitor => "motor-with-capacitor",
            LoadKind::Resistive => "resistive",
            LoadKind::Unknown => "unknown",
        }
    }
}

/// Current transformer ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CtRatio {
    /// Rated primary current, A.
    pub primary_a: f64,
    /// Rated secondary: a current, or a voltage output.
    pub secondary: CtSecondary,
}

impl CtRatio {
    /// A ratio of currents, as "200:5" is one.
    pub fn of_currents(primary_a: f64, secondary_a: f64) -> CtRatio {
        CtRatio { primary_a, secondary: CtSecondary::Current { rated_ma: (1000.0 * secondary_a).round() as u32 } }
    }
}

impl fmt::Display for CtRatio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.secondary {
            CtSecondary::Current { rated_ma } if rated_ma >= 1000 => {
                write!(f, "{}:{}", self.primary_a, f64::from(rated_ma) / 1000.0)
            }
            other => write!(f, "{} A : {other}", self.primary_a),
        }
    }
}

/// Where the run state comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RunSource {
    /// Inferred from current.
    Current,
    /// From the map's run status register.
    Register,
}

/// One circuit: a pump feeder or the incomer.
#[derive(Debug, Clone, PartialEq)]
pub struct CircuitConfig {
    /// Name, unique in its station ("Pump 1").
    pub name: String,
    /// Index into [`StationConfig::monitors`].
    pub monitor: usize,
    /// Circuit slot on that monitor, from 0.
    pub slot: u8,
    /// Kind of load.
    pub load: LoadKind,
    /// Rated shaft power, W.
    pub rated_power_w: Option<f64>,
    /// Rated voltage between phases, V.
    pub rated_voltage_v: Option<f64>,
    /// Full-load current, A.
    pub full_load_current_a: Option<f64>,
    /// Full-load power factor, 0..1.
    pub full_load_power_factor: Option<f64>,
    /// CT ratio.
    pub ct_ratio: Option<CtRatio>,
    /// What the CTs' secondaries are, as declared.
    pub ct_secondary: CtSecondary,
    /// Run state source.
    pub run_source: RunSource,
    /// Where flow and head come from.
    pub water: WaterSource,
    /// Since when a person believes the metering to be wrong: midnight UTC of that day.
    pub fault_since: Option<UnixMs>,
    /// Its alarms are of this priority at least: the only pump of a station, or one that must not fail.
    pub alarm_priority: Option<Priority>,
}

/// The slot whose map gives flow, head or pressures of a circuit's pump: its own, or one of another device of the station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WaterSource {
    /// Index into [`StationConfig::monitors`].
    pub monitor: usize,
    /// Slot on it, from 0.
    pub slot: u8,
}
