//! The configuration the program may rely on: checked, typed, in SI units. Here the whole; its parts have a file each.
//!
//! Nothing past this point sees the text of a file. Must never hold a value that was not checked.

use std::path::PathBuf;

pub use super::modbus_server_model::{
    MOST_AUDIT_BLOCKS, ModbusRole, ModbusServerConfig, ModbusTlsConfig, PassThrough, ServedCircuit,
};
use super::problem::Warning;
pub use super::station_model::{
    CircuitConfig, CtRatio, LoadKind, MonitorConfig, RunSource, Service, StationConfig, Tariff, Transport, WaterSource,
};
pub use super::web_model::{AccessConfig, HttpConfig, HttpTlsConfig, MetricsConfig};
use crate::alarm::settings::AlarmsConfig;
use crate::history::keeper::Limits;

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
    /// What the file says and can hardly mean, in order of place.
    pub warnings: Vec<Warning>,
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
            warnings: Vec::new(),
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
