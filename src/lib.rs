//! wattassay: audits the power metering of pump stations from live Modbus data.
//!
//! State flows one way: `modbus` polls and decodes a [`reading::MonitorReading`], `station` feeds it to the pure
//! core (`electrical`, `audit`), and `faces` show the snapshots that come out. The core never does I/O.

pub mod reading;

pub mod access;
pub mod alarm;
pub mod alarm_report;
pub mod audit;
pub mod check_book;
pub mod cli;
pub mod clock;
pub mod config;
pub mod control;
pub mod daemon;
pub mod desk;
pub mod disk;
pub mod electrical;
pub mod faces;
pub mod findings_file;
pub mod history;
pub mod journal;
pub mod modbus;
pub mod notify;
pub mod records;
pub mod reload;
pub mod replay;
mod sqlite;
pub mod station;
pub mod tls;
mod whole_file;
