//! The audit core: checks, wiring hypotheses, diagnosis, correction. Pure: no clock, no socket, no async, no logging.

pub mod assessment;
pub mod auditor;
pub mod context;
pub mod wiring;
pub mod words;
