//! The audit core: checks, wiring hypotheses, diagnosis, correction. Pure: no clock, no socket, no async, no logging.

pub mod assessment;
pub mod wiring;
