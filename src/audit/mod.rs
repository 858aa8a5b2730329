//! The audit core: checks, wiring hypotheses, diagnosis, correction. Pure: no clock, no socket, no async, no logging.
//!
//! One reading takes this way: `run_state` -> `checks` (settled by `persistence`) -> `evidence` -> `likelihood` of every
//! class of `hypotheses` -> `diagnosis` -> `correction`; `auditor` walks it, `words` says the result.

pub mod advice;
pub mod assessment;
pub mod auditor;
pub mod checks;
pub mod context;
pub mod correction;
pub mod crossing;
pub mod detail;
pub mod diagnosis;
pub mod evidence;
pub mod field_check;
pub mod hypotheses;
pub mod likelihood;
pub mod load;
pub mod magnitude;
pub mod measured_check;
pub mod misregistration;
pub mod monitor;
pub mod outcome;
pub mod persistence;
pub mod plan;
pub mod proof;
pub mod register_fault;
pub mod remedy;
pub mod run_state;
pub mod service;
pub mod shared;
pub mod voltage_lead;
pub mod wiring;
pub mod words;

#[cfg(test)]
mod monitor_tests;
#[cfg(test)]
pub(crate) mod testbench;
#[cfg(test)]
mod tests;
