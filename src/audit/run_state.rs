//! Whether a pump runs, stands or starts: from its status bit when mapped, else from its current, with hysteresis.
//!
//! Must never look at power: power is what is being judged.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::RunState;
use super::context::CircuitContext;
use crate::reading::{MonoMs, RunStatus};

/// A start is over this long after current first flowed, provided the current has come down.
const START_MS: u64 = 5_000;
/// Above this multiple of full-load current a motor is still starting, but not for ever: a loaded one that has lost a phase
/// draws as much, and so does one that is stuck.
const START_CURRENT: f64 = 1.8;
/// No start takes longer. Direct ones of pumps take seconds, the ramps of soft starters up to half a minute (common practice, no
/// source).
const LONGEST_START_MS: u64 = 30_000;
/// Running above this share of full-load current, stopped below half of it.
const RUN_SHARE: f64 = 0.10;
/// The same shares of the CT's primary rating when no nameplate is given.
const RUN_SHARE_OF_CT: f64 = 0.03;
/// Without either, the same share of the largest current seen.
const RUN_SHARE_OF_LARGEST: f64 = 0.05;
/// Currents closer than this to the last reading count as steady.
const STEADY_SHARE: f64 = 0.06;

/// Follows one circuit's run state.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct RunTracker {
    flowing: bool,
    flowing_since: Option<MonoMs>,
    /// Since when the current has been that of a start.
    #[serde(default)]
    high_since: Option<MonoMs>,
    last_current_a: Option<f64>,
    largest_a: f64,
    seen_stopped: bool,
}

/// Run state of a reading, and whether the load stood still since the last one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// State.
    pub state: RunState,
    /// Current has not moved much since the last reading: fit for steady evidence.
    pub steady: bool,
    /// Current flows, whatever the status says.
    pub flowing: bool,
}

/// Whether a pump runs by most of its channels, and which channels carry current: what tells a channel that is on another
/// pump.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Company {
    /// The pump runs, by its status or by at least two of its three channels.
    pub runs: bool,
    /// Channels that carry a running pump's current.
    pub alive: [bool; 3],
}

impl RunTracker {
    /// Goes on after an absence. A start so long ago that nobody can tell when is over.
    pub fn resume(&mut self, absence: &Absence) {
        for since in [&mut self.flowing_since, &mut self.high_since] {
            *since = since.and_then(|since| absence.mono(since));
        }
        if absence.away_ms().is_none() {
            self.last_current_a = None;
        }
    }

    /// What one reading shows of a circuit with three CTs; `None` for others, or when a current is not known.
    pub fn company(&self, current_a: [Option<f64>; 3], status: RunStatus, context: &CircuitContext) -> Option<Company> {
        let [Some(a), Some(b), Some(c)] = current_a else { return None };
        if context.service.channels().len() != 3 {
            return None;
        }
        let on_a = self.threshold_a(context);
        let alive = [a, b, c].map(|amps| amps > on_a);
        let runs = match status {
            RunStatus::Running if context.run_from_register => true,
            RunStatus::Stopped if context.run_from_register => false,
            _ => alive.iter().filter(|a| **a).count() >= 2,
        };
        Some(Company { runs, alive })
    }

    /// Takes one reading: the largest channel current (A) when any is good, and the status.
    pub fn observe(
        &mut self,
        at: MonoMs,
        largest_current_a: Option<f64>,
        status: RunStatus,
        context: &CircuitContext,
    ) -> Run {
        let Some(current) = largest_current_a else {
            self.last_current_a = None;
            let state = match status {
                RunStatus::Running if context.run_from_register => RunState::Running,
                RunStatus::Stopped if context.run_from_register => RunState::Stopped,
                _ => RunState::Unknown,
            };
            return Run { state, steady: false, flowing: false };
        };
        self.largest_a = self.largest_a.max(current);
        let on_a = self.threshold_a(context);
        let was_flowing = self.flowing;
        self.flowing = if was_flowing { current > 0.5 * on_a } else { current > on_a };
        match (was_flowing, self.flowing) {
            (false, true) => {
                // Current already there at the first look is a pump found running, not a start.
                self.flowing_since = self.seen_stopped.then_some(at);
            }
            (_, false) => {
                self.flowing_since = None;
                self.seen_stopped = true;
            }
            _ => {}
        }
        let steady = self.last_current_a.is_some_and(|last| (current - last).abs() <= STEADY_SHARE * last.max(current));
        self.last_current_a = Some(current);
        let high = context.full_load_current_a.is_some_and(|full| current > START_CURRENT * full);
        self.high_since = high.then(|| self.high_since.unwrap_or(at));
        let lately = |since: Option<MonoMs>, ms: u64| since.is_some_and(|since| at.since(since) < ms);
        let starting = self.flowing
            && (lately(self.flowing_since, START_MS) && !steady || lately(self.high_since, LONGEST_START_MS));
        let running = if context.run_from_register && status != RunStatus::NotMapped && status != RunStatus::Failed {
            status == RunStatus::Running
        } else {
            self.flowing
        };
        let state = if !running {
            RunState::Stopped
        } else if starting {
            RunState::Starting
        } else {
            RunState::Running
        };
        Run { state, steady, flowing: self.flowing }
    }

    /// Current above which a standing pump counts as running, A.
    pub fn threshold_a(&self, context: &CircuitContext) -> f64 {
        context
            .full_load_current_a
            .map(|full| RUN_SHARE * full)
            .or(context.ct_primary_a.map(|primary| RUN_SHARE_OF_CT * primary))
            .unwrap_or((RUN_SHARE_OF_LARGEST * self.largest_a).max(0.05))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::test_context;

    fn states(currents: &[f64]) -> Vec<RunState> {
        let mut tracker = RunTracker::default();
        let context = test_context();
        currents
            .iter()
            .enumerate()
            .map(|(i, a)| tracker.observe(MonoMs(1000 * i as u64), Some(*a), RunStatus::NotMapped, &context).state)
            .collect()
    }

    #[test]
    fn a_start_is_not_running() {
        use RunState::{Running, Starting, Stopped};
        assert_eq!(
            states(&[0.0, 440.0, 430.0, 70.0, 70.0, 0.1]),
            [Stopped, Starting, Starting, Starting, Running, Stopped]
        );
    }

    /// A loaded motor that has lost a phase draws twice its current for as long as it lasts.
    #[test]
    fn no_start_lasts_for_ever() {
        let found = states(&[[0.0].as_slice(), &[70.0; 5], &[150.0; 32], &[0.0]].concat());
        let starting = found.iter().filter(|state| **state == RunState::Starting).count();
        assert_eq!(starting, 31, "thirty of the high ones and the first one that flows");
        assert_eq!(found[36..], [RunState::Running, RunState::Running, RunState::Stopped]);
        // The next start has its own half minute.
        let again = states(&[[0.0].as_slice(), &[440.0; 33], &[0.0], &[440.0; 3]].concat());
        assert_eq!(
            again[33..],
            [RunState::Running, RunState::Stopped, RunState::Starting, RunState::Starting, RunState::Starting]
        );
    }

    #[test]
    fn a_pump_found_running_is_running_at_once() {
        assert_eq!(states(&[70.0, 70.0]), [RunState::Running; 2]);
    }

    #[test]
    fn hysteresis_holds_near_the_threshold() {
        use RunState::{Running, Stopped};
        // Threshold is 7.7 A up and 3.85 A down.
        let mut tracker = RunTracker::default();
        let context = test_context();
        let mut state =
            |i: u64, a: f64| tracker.observe(MonoMs(10_000 * i), Some(a), RunStatus::NotMapped, &context).state;
        assert_eq!(state(0, 7.0), Stopped);
        assert_ne!(state(1, 8.0), Stopped);
        assert_eq!(state(2, 7.0), Running);
        assert_eq!(state(3, 3.0), Stopped);
    }

    #[test]
    fn the_register_rules_where_it_is_the_source() {
        let mut context = test_context();
        context.run_from_register = true;
        let mut tracker = RunTracker::default();
        let run = tracker.observe(MonoMs(0), Some(70.0), RunStatus::Stopped, &context);
        assert_eq!((run.state, run.flowing), (RunState::Stopped, true));
        let run = tracker.observe(MonoMs(1000), None, RunStatus::Running, &context);
        assert_eq!(run.state, RunState::Running);
        let run = tracker.observe(MonoMs(2000), None, RunStatus::Failed, &context);
        assert_eq!(run.state, RunState::Unknown);
    }
}
