//! Hysteresis in time: a check fails only after it was wrong for several readings in a row, and passes again only after
//! several right ones. One stray reading is never said, and never clears anything.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::{Check, Outcome};
use crate::reading::Instant2;

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

    /// Takes what a check found on one reading and returns what may be said. A reading on which it was idle or could not be
    /// made is not told: a stopped pump neither clears nor confirms, and what was known stands on its return.
    pub fn settle(&mut self, right: bool, persistence: Persistence) -> Outcome {
        if right == self.failed {
            // The other way from what is said.
            self.streak += 1;
            let enough = if right { persistence.to_pass } else { persistence.to_fail };
            if self.streak >= enough {
                self.failed = !right;
                self.streak = 0;
            } else if !right {
                return Outcome::Pending;
            }
        } else {
            self.streak = 0;
        }
        if self.failed { Outcome::Failed } else { Outcome::Passed }
    }

    /// What may be said of a reading that only repeats the one before it: it confirms nothing, and clears nothing.
    pub fn stands(&self, right: bool) -> Outcome {
        match (self.failed, right) {
            (true, _) => Outcome::Failed,
            (false, true) => Outcome::Passed,
            (false, false) => Outcome::Pending,
        }
    }

    /// Takes note that `outcome` is said at `at`, and returns since when it has been.
    pub fn since(&mut self, outcome: &Outcome, at: Instant2) -> Instant2 {
        let said = Said::of(outcome);
        if self.last != Some(said) {
            self.last = Some(said);
            self.since = Some(at);
        }
        self.since.unwrap_or(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RIGHT: bool = true;
    const WRONG: bool = false;

    fn run(found: &[bool]) -> Vec<Outcome> {
        let mut memory = Memory::default();
        found.iter().map(|right| memory.settle(*right, Persistence::USUAL)).collect()
    }

    #[test]
    fn takes_three_to_fail_and_three_to_pass() {
        use Outcome::{Failed, Passed, Pending};
        let (w, r) = (WRONG, RIGHT);
        assert_eq!(
            run(&[r, w, w, r, w, w, w, r, w, r, r, r]),
            [Passed, Pending, Pending, Passed, Pending, Pending, Failed, Failed, Failed, Failed, Failed, Passed]
        );
    }

    #[test]
    fn since_moves_only_when_the_outcome_changes() {
        let mut memory = Memory::default();
        let at = |ms: u64| Instant2 { mono: crate::reading::MonoMs(ms), ..Instant2::default() };
        assert_eq!(memory.since(&Outcome::Passed, at(1)), at(1));
        assert_eq!(memory.since(&Outcome::Passed, at(2)), at(1));
        assert_eq!(memory.since(&Outcome::Pending, at(3)), at(3));
        assert_eq!(memory.since(&Outcome::Idle("the pump is stopped"), at(4)), at(4));
        assert_eq!(memory.since(&Outcome::Idle("the pump is starting"), at(5)), at(4));
    }
}
