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
pub mod detail;
pub mod diagnosis;
pub mod energy;
pub mod evidence;
pub mod field_check;
pub mod hypotheses;
pub mod likelihood;
pub mod load;
pub mod measured_check;
pub mod misregistration;
pub mod outcome;
pub mod persistence;
pub mod plan;
pub mod pump;
pub mod remedy;
pub mod run_state;
pub mod wiring;
pub mod words;

#[cfg(test)]
pub(crate) mod testbench;
#[cfg(test)]
mod tests;
