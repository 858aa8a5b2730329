//! The audit core: checks, wiring hypotheses, diagnosis, correction. Pure: no clock, no socket, no async, no logging.
//!
//! One reading takes this way: `run_state` -> `checks` (settled by `persistence`) -> `evidence` -> `likelihood` of every
//! pattern of `hypotheses`, and `magnitude` and `unbalance` of the currents -> `diagnosis` -> `correction`; `auditor` walks it
//! for one circuit. `monitor` walks it for all circuits of a monitor: `voltage_lead` judges the leads they share, `shared` passes on what each
//! circuit finds of them, `crossing` finds channels on another pump, `joint` ranks the wirings of all together. `words` says the
//! result.

pub mod absence;
pub mod advice;
pub mod assessment;
pub mod auditor;
pub mod bars;
pub mod blame;
pub mod cautions;
pub mod check_words;
pub mod checks;
pub mod context;
pub mod correction;
pub mod crossing;
pub mod detail;
pub mod diagnosis;
pub mod energy;
pub mod evidence;
pub mod field_check;
pub mod hypotheses;
pub mod installation;
pub mod joint;
pub mod likelihood;
mod ln_sum;
pub mod load;
pub mod magnitude;
pub mod measured_check;
pub mod misregistration;
pub mod moment;
pub mod monitor;
pub mod open_ct;
pub mod outcome;
pub mod persistence;
pub mod plan;
pub mod procedure;
pub mod proof;
pub mod pump;
pub mod refresh;
pub mod register_fault;
pub mod remedy;
pub mod run_state;
pub mod service;
pub mod shared;
pub mod statement;
pub mod unbalance;
pub mod uncorrected;
pub mod voltage_lead;
pub mod wiring;
pub mod words;

#[cfg(test)]
mod healthy_tests;
#[cfg(test)]
mod kept_tests;
#[cfg(test)]
mod lost_phase_tests;
#[cfg(test)]
pub(crate) mod monitor_tests;
#[cfg(test)]
mod moved_leads_tests;
#[cfg(test)]
pub(crate) mod testbench;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod together_tests;
