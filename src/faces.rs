//! What people and machines see: metrics, JSON, health, the text report. Faces only read snapshots; they never decide
//! anything and never make a station wait.

pub mod alarm_report_text;
pub mod api;
pub mod cautions;
pub mod findings_format;
pub mod guard;
pub mod health;
pub mod http;
pub mod json;
pub mod leads;
pub mod metrics;
pub mod modbus;
pub mod moved_text;
pub mod phasor_svg;
pub mod picture;
pub mod plan_text;
pub mod replay;
pub mod report;
pub mod server;
pub mod sheet;
pub mod sheet_html;
pub mod sheet_text;
pub mod text;
pub mod web;

#[cfg(test)]
mod allowed_tests;
mod deadline;
mod energy_text;
mod json_registers;
mod sentences;
#[cfg(test)]
mod sheet_tests;
#[cfg(test)]
mod standstill_tests;
#[cfg(test)]
mod statements_tests;
