//! The checks made on every reading. One family a file; each check is a plain function from [`Input`] to what is found.
//!
//! A check says what it needs: what is not mapped is not checkable, never passed. None of the load-dependent ones
//! speaks while the pump is stopped or starting. Must never keep state: what must persist is in the auditor's memories.

pub mod consistency;
pub mod leads;
pub mod power;
pub mod values;

use super::assessment::{Check, Finding, Outcome, RunState};
use super::context::CircuitContext;
use super::detail::{Detail, Missing};
use super::hypotheses;
use super::load::LagWindow;
use super::persistence::{Memories, Memory, Persistence};
use super::refresh::Unchanged;
use super::run_state::Run;
use crate::electrical::angle::wrap_deg;
use crate::electrical::circuit::Circuit;
use crate::electrical::voltage::Voltages;
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, Rotation};

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
    /// Where the circuit's mean current may lag.
    pub lag_window: LagWindow,
    /// Run state.
    pub run: Run,
    /// Time of the reading before this one.
    pub previous_at: Option<Instant2>,
    /// Which of the values in [`power::blankable`] have ever been given, bit by bit.
    pub ever_given: u8,
    /// How long the values have been the same to the last digit.
    pub unchanged: Unchanged,
    /// Current flows and this reading is the one before once more: one moment is one witness, however often it is shown.
    pub repeats: bool,
}

const CHANNEL_NAMES: [&str; 3] = ["channel 1", "channel 2", "channel 3"];
const VOLTAGE_NAMES: [&str; 3] = ["voltage on channel 1", "voltage on channel 2", "voltage on channel 3"];
const LINE_NAMES: [&str; 3] = ["voltage between 1 and 2", "voltage between 2 and 3", "voltage between 3 and 1"];
const CURRENT_NAMES: [&str; 3] = ["current on channel 1", "current on channel 2", "current on channel 3"];
const POWER_NAMES: [&str; 3] = ["kW on channel 1", "kW on channel 2", "kW on channel 3"];
const FACTOR_NAMES: [&str; 3] = ["PF on channel 1", "PF on channel 2", "PF on channel 3"];

/// What the checks find on one reading, each settled at once by what is remembered of it.
#[derive(Debug)]
pub struct Found<'a> {
    memories: &'a mut Memories,
    at: Instant2,
    repeats: bool,
    findings: Vec<Finding>,
}

/// Findings of one reading at most; a circuit with three channels has 29.
const MOST: usize = 32;

impl Found<'_> {
    /// A check that was made. In line, here and below, so that its numbers are written where they stay.
    #[inline]
    fn judged(&mut self, check: Check, channel: Option<usize>, right: bool, detail: Detail) {
        let (at, held) = (self.at, self.repeats && needs_new_values(check));
        let memory = self.memory(check, channel);
        let outcome = if held { memory.stands(right) } else { memory.settle(right, persistence(check)) };
        let since = memory.since(&outcome, at);
        self.put(Finding { check, channel, outcome, detail, since });
    }

    /// A check that does not apply now.
    #[inline]
    fn idle(&mut self, check: Check, channel: Option<usize>, why: &'static str) {
        self.say(check, channel, Outcome::Idle(why), Detail::None);
    }

    /// A check that cannot be made.
    #[inline]
    fn not_checkable(&mut self, check: Check, channel: Option<usize>, missing: impl Into<Missing>) {
        self.say(check, channel, Outcome::NotCheckable(missing.into()), Detail::None);
    }

    #[inline]
    fn say(&mut self, check: Check, channel: Option<usize>, outcome: Outcome, detail: Detail) {
        let at = self.at;
        let since = self.memory(check, channel).since(&outcome, at);
        self.put(Finding { check, channel, outcome, detail, since });
    }

    /// A finding that might find no room would have to be made apart and moved, which costs more than most checks. So room
    /// is made for all of them beforehand; a check too many would lose its finding, and fails every test.
    #[inline]
    fn put(&mut self, finding: Finding) {
        let room = self.findings.len() < self.findings.capacity();
        debug_assert!(room, "more findings than {MOST}");
        if room {
            self.findings.push(finding);
        } else {
            std::mem::forget(finding);
        }
    }

    fn memory(&mut self, check: Check, channel: Option<usize>) -> &mut Memory {
        &mut self.memories[check as usize][channel.unwrap_or(3)]
    }
}

/// A family of checks.
type Family = fn(&Input, &mut Found);

/// All families, in the order people read them. To add a check, write its function and list it here.
const FAMILIES: [Family; 16] = [
    values::plausible_values,
    values::values_moving,
    values::clock_sound,
    leads::voltage_missing,
    leads::current_missing,
    leads::current_balance,
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

/// Makes every check on one reading, and says of each what may be said by what `memories` keep of those before. The findings
/// take the place of those in `room`.
pub fn all(input: &Input, memories: &mut Memories, mut room: Vec<Finding>) -> Vec<Finding> {
    room.clear();
    room.reserve(MOST);
    let mut found = Found { memories, at: input.monitor.at, repeats: input.repeats, findings: room };
    for family in FAMILIES {
        family(input, &mut found);
    }
    found.findings
}

/// How long a check must be wrong before it is said.
pub fn persistence(check: Check) -> Persistence {
    match check {
        // A jump is over in one reading; it stays said for a minute of 1 s polls so that a person sees it.
        Check::ClockSound => Persistence { to_fail: 1, to_pass: 60 },
        // Has a memory of its own, and one change proves the device live.
        Check::ValuesMoving => Persistence { to_fail: 1, to_pass: 1 },
        _ => Persistence::USUAL,
    }
}

/// False of checks that judge the device and not the moment it shows.
fn needs_new_values(check: Check) -> bool {
    !matches!(check, Check::ClockSound | Check::ValuesMoving | Check::PlausibleValues)
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

/// Angle by which each channel's voltage leads the load's own by design of the service, degrees.
fn shifts_by_design(context: &CircuitContext) -> [f64; 3] {
    if context.service.symmetrical() {
        return [0.0; 3];
    }
    let shift = hypotheses::shifts_of(&context.service.intended(), context.service);
    let mirror = if context.rotation == Rotation::Acb { -1.0 } else { 1.0 };
    shift.map(|s| if s == hypotheses::NOTHING { 0.0 } else { wrap_deg(mirror * 30.0 * f64::from(s)) })
}

/// The first of several values that is not good.
fn first_missing(values: &[(Measured, &'static str)]) -> Option<Missing> {
    values
        .iter()
        .find(|(value, _)| value.good().is_none())
        .map(|(quality, what)| Missing::Value { what, quality: *quality })
}

#[cfg(test)]
mod tests;
