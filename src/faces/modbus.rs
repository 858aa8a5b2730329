//! The Modbus/TCP server for the RTU and SCADA: audit blocks, corrected meters as SunSpec models, and monitors read through.
//!
//! Answers come from snapshots and say how old they are. Must never write anything anywhere, and never show an old value
//! as a new one.

pub mod audit_table;
pub mod bits;
pub mod circuit_view;
pub mod codes;
pub mod documentation;
pub mod frame;
pub mod identity;
pub mod limits;
pub mod request;
pub mod server;
pub mod server_table;
pub mod sunspec_meter;
pub mod tls;
pub mod units;
pub mod words;
