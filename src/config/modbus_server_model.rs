//! What the configuration says of the Modbus/TCP server: where it listens, whom it serves, and what they may read.
//!
//! Checked data only. Must never hold a key: only the name of its file.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use super::address_range::AddressRange;

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
    /// Index into [`Config::stations`](super::model::Config::stations).
    pub station: usize,
    /// Index into [`StationConfig::circuits`](super::station_model::StationConfig::circuits).
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
    /// Index into [`Config::stations`](super::model::Config::stations).
    pub station: usize,
    /// Index into [`StationConfig::monitors`](super::station_model::StationConfig::monitors).
    pub monitor: usize,
    /// An answer not older than this is given again without asking the monitor.
    pub max_age: Duration,
}
