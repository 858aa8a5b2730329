//! Hysteresis in time: a check fails only after it was wrong for several readings in a row, and passes again only after
//! several right ones. One stray reading is never said, and never clears anything.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::{Check, Outcome};
use super::detail::Missing;
use crate::reading::Instant2;

/// What a check found on one reading, before persistence.
#[derive(Debug, Clone, PartialEq)]
pub enum Raw {
    /// Right.
    Right,
    /// Wrong.
    Wrong,
    /// Does not apply now, with the reason.
    Idle(&'static str),
    /// Cannot be checked, with what is missing.
    NotCheckable(Missing),
}

/// Readings in a row that it takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Persistence {
    /// Wrong ones before a failure is said.
    pub to_fail: u32,
    /// Right ones before it is taken back.
    pub to_pass: u32,
}

impl Persistence {
    /// For most checks: three readings either way.
    pub const USUAL: Persistence = Persistence { to_fail: 3, to_pass: 3 };
}

/// Which outcome, without its reasons: a change of reason is no new outcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
enum Said {
    Passed,
    Failed,
    Pending,
    Idle,
    NotCheckable,
}

impl Said {
    fn of(outcome: &Outcome) -> Said {
        match outcome {
            Outcome::Passed => Said::Passed,
            Outcome::Failed => Said::Failed,
            Outcome::Pending => Said::Pending,
            Outcome::Idle(_) => Said::Idle,
            Outcome::NotCheckable(_) => Said::NotCheckable,
        }
    }
}

/// Memory of one check on one channel.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Memory {
    failed: bool,
    streak: u32,
    since: Option<Instant2>,
    last: Option<Said>,
}

/// By check, then by channel; the fourth place is the whole circuit's.
pub type Memories = [[Memory; 4]; Check::COUNT];

impl Memory {
    /// Goes on after an absence.
    pub fn resume(&mut self, absence: &Absence) {
        self.since = self.since.map(|since| absence.instant(since));
    }

    /// Takes what was found at `at` and returns what may be said, with the time since when.
    pub fn settle(&mut self, raw: Raw, persistence: Persistence, at: Instant2) -> (Outcome, Instant2) {
        let outcome = match raw {
            Raw::Right if self.failed => {
                self.streak += 1;
                if self.streak >= persistence.to_pass {
                    self.failed = false;
                    self.streak = 0;
                    Outcome::Passed
                } else {
                    Outcome::Failed
                }
            }
            Raw::Right => {
                self.streak = 0;
                Outcome::Passed
            }
            Raw::Wrong if self.failed => {
                self.streak = 0;
                Outcome::Failed
            }
            Raw::Wrong => {
                self.streak += 1;
                if self.streak >= persistence.to_fail {
                    self.failed = true;
                    self.streak = 0;
                    Outcome::Failed
                } else {
                    Outcome::Pending
                }
            }
            // A stopped pump neither clears nor confirms: what was known when it last ran still stands on its return.
            Raw::Idle(why) => Outcome::Idle(why),
            Raw::NotCheckable(missing) => Outcome::NotCheckable(missing),
        };
        let kind = Said::of(&outcome);
        if self.last != Some(kind) {
            self.last = Some(kind);
            self.since = Some(at);
        }
        (outcome, self.since.unwrap_or(at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(raws: &[Raw]) -> Vec<Outcome> {
        let mut memory = Memory::default();
        raws.iter().map(|r| memory.settle(r.clone(), Persistence::USUAL, Instant2::default()).0).collect()
    }

    #[test]
    fn takes_three_to_fail_and_three_to_pass() {
        use Outcome::{Failed, Passed, Pending};
        let (w, r) = (Raw::Wrong, Raw::Right);
        let found = run(&[
            r.clone(),
            w.clone(),
            w.clone(),
            r.clone(),
            w.clone(),
            w.clone(),
            w.clone(),
            r.clone(),
            w,
            r.clone(),
            r.clone(),
            r,
        ]);
        assert_eq!(
            found,
            [Passed, Pending, Pending, Passed, Pending, Pending, Failed, Failed, Failed, Failed, Failed, Passed]
        );
    }

    #[test]
    fn a_stop_neither_clears_nor_confirms() {
        let found = run(&[Raw::Wrong, Raw::Wrong, Raw::Wrong, Raw::Idle("the pump is stopped"), Raw::Right]);
        assert_eq!(found[3], Outcome::Idle("the pump is stopped"));
        assert_eq!(found[4], Outcome::Failed);
    }

    #[test]
    fn since_moves_only_when_the_outcome_changes() {
        let mut memory = Memory::default();
        let at = |ms: u64| Instant2 { mono: crate::reading::MonoMs(ms), ..Instant2::default() };
        assert_eq!(memory.settle(Raw::Right, Persistence::USUAL, at(1)).1, at(1));
        assert_eq!(memory.settle(Raw::Right, Persistence::USUAL, at(2)).1, at(1));
        assert_eq!(memory.settle(Raw::Wrong, Persistence::USUAL, at(3)).1, at(3));
    }
}
