//! The configuration the program may rely on: checked, typed, in SI units.
//!
//! Nothing past this point sees the text of a file. Must never hold a value that was not checked.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use super::address_range::AddressRange;
pub use super::web_model::{AccessConfig, HttpConfig, HttpTlsConfig, MetricsConfig};
use crate::alarm::settings::AlarmsConfig;
use crate::history::keeper::Limits;
use crate::modbus::map::MapSource;
use crate::reading::{Rotation, UnixMs};

/// Everything the daemon needs to know.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The HTTP face.
    pub http: HttpConfig,
    /// Users and sessions; none lets everyone who reaches the HTTP face read, and nobody act.
    pub access: Option<AccessConfig>,
    /// The page for Prometheus.
    pub metrics: MetricsConfig,
    /// The Modbus/TCP server; none when the file asks for none.
    pub modbus_server: Option<ModbusServerConfig>,
    /// How alarms behave.
    pub alarms: AlarmsConfig,
    /// Folder of the journal; none keeps no journal.
    pub journal: Option<PathBuf>,
    /// The history; none keeps none.
    pub history: Option<HistoryConfig>,
    /// Notifications; none sends none.
    pub notifications: Option<crate::notify::settings::Settings>,
    /// All stations, in file order.
    pub stations: Vec<StationConfig>,
}

impl Config {
    /// These stations, and all else as it is when the file says nothing.
    pub fn of(stations: Vec<StationConfig>) -> Config {
        Config {
            http: HttpConfig::default(),
            access: None,
            metrics: MetricsConfig::default(),
            modbus_server: None,
            alarms: AlarmsConfig::default(),
            journal: None,
            history: None,
            notifications: None,
            stations,
        }
    }
}

/// Where and how much history is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistoryConfig {
    /// Where.
    pub place: HistoryPlace,
    /// How much.
    pub limits: Limits,
}

/// Where the history is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HistoryPlace {
    /// In a file of this folder.
    Folder(PathBuf),
    /// In a PostgreSQL server, reached as this text says, which may hold a password.
    Postgres(String),
}

/// Audit blocks one unit id has room for: their addresses are 16 bits wide (`faces::modbus::audit_table`).
pub const MOST_AUDIT_BLOCKS: u16 = 326;

/// The Modbus/TCP server for the RTU and SCADA.
#[derive(Debug, Clone, PartialEq)]
pub struct ModbusServerConfig {
    /// Where it listens; loopback by default.
    pub listen: SocketAddr,
    /// Who may connect.
    pub allow: Vec<AddressRange>,
    /// Connections served at once.
    pub max_connections: usize,
    /// Of these from one address.
    pub max_connections_per_address: usize,
    /// Requests a second from one address.
    pub requests_per_second: u32,
    /// A connection without a request for this long is closed.
    pub idle_timeout: Duration,
    /// Unit id of the audit blocks.
    pub audit_unit: u8,
    /// Circuits that have a block.
    pub circuits: Vec<ServedCircuit>,
    /// Monitors that can be read through.
    pub pass_through: Vec<PassThrough>,
    /// TLS with client certificates; none is plain TCP.
    pub tls: Option<ModbusTlsConfig>,
}

/// Modbus/TCP Security.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModbusTlsConfig {
    /// File of the server's certificate and those between it and its authority (PEM).
    pub certificate: PathBuf,
    /// File of its private key (PEM).
    pub key: PathBuf,
    /// File of the authority that signs the clients' certificates (PEM).
    pub client_authority: PathBuf,
    /// Roles that may read something.
    pub roles: Vec<ModbusRole>,
}

/// What a role may read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModbusRole {
    /// As in the certificate.
    pub name: String,
    /// Unit ids; none for all.
    pub units: Option<Vec<u8>>,
}

/// A circuit that masters can read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ServedCircuit {
    /// Index into [`Config::stations`].
    pub station: usize,
    /// Index into [`StationConfig::circuits`].
    pub circuit: usize,
    /// Number of its audit block, 1 to [`MOST_AUDIT_BLOCKS`].
    pub block: u16,
    /// Unit id under which it is a SunSpec meter.
    pub sunspec_unit: Option<u8>,
}

/// A monitor that masters can read through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PassThrough {
    /// Unit id that masters ask.
    pub unit: u8,
    /// Index into [`Config::stations`].
    pub station: usize,
    /// Index into [`StationConfig::monitors`].
    pub monitor: usize,
    /// An answer not older than this is given again without asking the monitor.
    pub max_age: Duration,
}

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
    /// Rated secondary current, A.
    pub secondary_a: f64,
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
    /// Run state source.
    pub run_source: RunSource,
    /// Where flow and head come from.
    pub water: WaterSource,
    /// Since when a person believes the metering to be wrong: midnight UTC of that day.
    pub fault_since: Option<UnixMs>,
}

/// The slot whose map gives flow, head or pressures of a circuit's pump: its own, or one of another device of the station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WaterSource {
    /// Index into [`StationConfig::monitors`].
    pub monitor: usize,
    /// Slot on it, from 0.
    pub slot: u8,
}
