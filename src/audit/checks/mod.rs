//! The checks made on every reading. One family a file; each check is a plain function from [`Input`] to observations.
//!
//! A check says what it needs: what is not mapped is not checkable, never passed. None of the load-dependent ones
//! speaks while the pump is stopped or starting. Must never keep state: persistence is applied by the auditor.

pub mod consistency;
pub mod leads;
pub mod power;
pub mod values;

use super::assessment::{Check, RunState};
use super::context::CircuitContext;
use super::persistence::{Persistence, Raw};
use super::run_state::Run;
use crate::electrical::circuit::Circuit;
use crate::electrical::voltage::Voltages;
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading};

/// Everything a check may look at.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// The whole monitor's reading.
    pub monitor: &'a MonitorReading,
    /// This circuit's part of it.
    pub reading: &'a CircuitReading,
    /// The same, reconstructed.
    pub circuit: &'a Circuit,
    /// Reconstructed voltages.
    pub voltages: &'a Voltages,
    /// What is known in advance.
    pub context: &'a CircuitContext,
    /// Run state.
    pub run: Run,
    /// Time of the reading before this one.
    pub previous_at: Option<Instant2>,
}

/// What a check found on one reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Which check.
    pub check: Check,
    /// Channel, or none.
    pub channel: Option<usize>,
    /// What was found.
    pub raw: Raw,
    /// In words, with numbers.
    pub detail: String,
}

impl Observation {
    fn new(check: Check, channel: Option<usize>, raw: Raw, detail: String) -> Observation {
        Observation { check, channel, raw, detail }
    }

    fn judged(check: Check, channel: Option<usize>, right: bool, detail: String) -> Observation {
        Observation::new(check, channel, if right { Raw::Right } else { Raw::Wrong }, detail)
    }

    fn idle(check: Check, channel: Option<usize>, why: &'static str) -> Observation {
        Observation::new(check, channel, Raw::Idle(why), String::new())
    }

    fn not_checkable(check: Check, channel: Option<usize>, missing: impl Into<String>) -> Observation {
        Observation::new(check, channel, Raw::NotCheckable(missing.into()), String::new())
    }
}

const CHANNEL_NAMES: [&str; 3] = ["channel 1", "channel 2", "channel 3"];
const POWER_NAMES: [&str; 3] = ["kW on channel 1", "kW on channel 2", "kW on channel 3"];
const FACTOR_NAMES: [&str; 3] = ["PF on channel 1", "PF on channel 2", "PF on channel 3"];

/// A family of checks.
type Family = fn(&Input, &mut Vec<Observation>);

/// All families, in the order people read them. To add a check, write its function and list it here.
const FAMILIES: [Family; 14] = [
    values::plausible_values,
    values::clock_sound,
    leads::voltage_missing,
    leads::current_missing,
    leads::current_while_stopped,
    leads::voltage_rotation,
    leads::association,
    power::power_blank_while_running,
    power::active_power_sign,
    power::total_power_sign,
    power::power_factor_plausible,
    consistency::apparent_power,
    consistency::power_triangle,
    consistency::sums_and_power_factor,
];

/// Makes every check on one reading.
pub fn all(input: &Input) -> Vec<Observation> {
    let mut found = Vec::with_capacity(32);
    for family in FAMILIES {
        family(input, &mut found);
    }
    found
}

/// How long a check must be wrong before it is said.
pub fn persistence(check: Check) -> Persistence {
    match check {
        // A jump is over in one reading; it stays said for a minute of 1 s polls so that a person sees it.
        Check::ClockSound => Persistence { to_fail: 1, to_pass: 60 },
        _ => Persistence::USUAL,
    }
}

/// Why a load-dependent check is idle now; `None` while the pump runs.
fn not_running(run: Run) -> Option<&'static str> {
    match run.state {
        RunState::Running => None,
        RunState::Stopped => Some("the pump is stopped"),
        RunState::Starting => Some("the pump is starting"),
        RunState::Unknown => Some("it is not known whether the pump runs"),
    }
}

/// Why a value cannot be used, for a not-checkable text; `None` when it is good.
fn why_missing(value: Measured, what: impl std::fmt::Display) -> Option<String> {
    match value {
        Measured::Good(_) => None,
        Measured::NotMapped => Some(format!("the map offers no {what}")),
        Measured::NotAvailable => Some(format!("the monitor says \"not available\" for {what}")),
        Measured::Stale(_) => Some(format!("{what} is stale")),
        Measured::OutOfRange(v) => Some(format!("{what} is impossible ({v})")),
        Measured::Failed => Some(format!("{what} could not be read")),
    }
}

/// The first of several values that is missing, in words.
fn first_missing(values: &[(Measured, &str)]) -> Option<String> {
    values.iter().find_map(|(value, what)| why_missing(*value, what))
}

#[cfg(test)]
mod tests;
