//! What polling hands on: one event per poll of one monitor, and its health counters.
//!
//! The tasks themselves live in `modbus::poller`.

use tokio::sync::mpsc;

use super::alternatives::RawImage;
use super::error::ModbusError;
use crate::config::model::MonitorConfig;
use crate::reading::MonitorReading;

/// One finished poll.
#[derive(Debug, Clone)]
pub struct PollEvent {
    /// What was read, decoded; failed values carry their cause in `reading.failures`.
    pub reading: MonitorReading,
    /// The words it was decoded from, when a map that somebody wrote was used.
    pub raw: Option<RawImage>,
    /// Every transaction that failed in this poll.
    pub errors: Vec<ModbusError>,
    /// From first request to last answer, milliseconds.
    pub took_ms: f64,
    /// Transactions made.
    pub transactions: u32,
    /// Poll ticks skipped since the last event because this poll ran late.
    pub skipped_ticks: u32,
    /// Connections (re)opened since the last event. A connection that monitors share counts for the one that opened it.
    pub connects: u32,
    /// Events dropped since the last one that was delivered, because their receiver was full.
    pub dropped_events: u32,
}

/// A monitor to poll and where its events go.
#[derive(Debug)]
pub struct MonitorJob {
    /// Station name, for messages.
    pub station: String,
    /// The monitor.
    pub monitor: MonitorConfig,
    /// Receives every event; when full, the oldest news matters least and the event is dropped and counted.
    pub events: mpsc::Sender<PollEvent>,
}
