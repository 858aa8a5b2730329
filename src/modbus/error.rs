//! Every way a Modbus transaction fails, naming device, unit, function, registers and cause.

use super::map::ReadFunction;

/// The transaction that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Transaction {
    /// "station / monitor".
    pub device: String,
    /// Address as configured.
    pub address: String,
    /// Unit id.
    pub unit: u8,
    /// Function; `None` when connecting.
    pub function: Option<ReadFunction>,
    /// First zero-based register.
    pub first: u16,
    /// Count.
    pub count: u16,
}

/// A failed transaction.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{cause}")]
pub struct ModbusError {
    /// What was asked of whom.
    pub transaction: Transaction,
    /// Why it failed.
    pub cause: Cause,
}

/// Why a transaction failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Cause {
    /// Placeholder until the client lands.
    #[error("no answer in time")]
    Timeout,
}
