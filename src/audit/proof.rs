//! Whether a change of the wiring was a repair: what the readings showed before it, against what they show since.
//!
//! Pure data and one comparison. Must never call a repair proven by the absence of alarms: it takes a verdict from readings of
//! the running pump.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::{CorrectedPower, Diagnosis, Verdict};
use super::evidence::Features;
use super::wiring::Wiring;
use crate::reading::Instant2;

/// Currents further apart than this share are different loads: power factors are not compared across them.
const SAME_LOAD: f64 = 0.15;
/// Power factors of one load agree within this, before and after.
const FACTOR_AGREES: f64 = 0.08;

/// What the readings of one state of the wiring came to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Account {
    /// Most probable wiring.
    pub wiring: Option<Wiring>,
    /// Its group's probability.
    pub probability: f64,
    /// Verdict.
    pub verdict: Verdict,
    /// Mean current of the latest load level, A.
    pub mean_current_a: f64,
    /// Total power factor as registered at that level (P over the sum of V x I).
    pub registered_factor: Option<f64>,
    /// The same, corrected.
    pub corrected_factor: Option<f64>,
}

impl Account {
    /// The account of a moment.
    pub fn of(diagnosis: &Diagnosis, features: &Features, corrected: Option<&CorrectedPower>) -> Account {
        let leader = diagnosis.groups.first();
        Account {
            wiring: leader.and_then(|g| g.members.first()).map(|m| m.wiring),
            probability: leader.map_or(0.0, |g| g.probability),
            verdict: diagnosis.verdict,
            mean_current_a: features.mean_current_a,
            registered_factor: features.total_p,
            corrected_factor: corrected.map(|c| c.power_factor),
        }
    }

    fn same_load(&self, other: &Account) -> bool {
        (self.mean_current_a - other.mean_current_a).abs() <= SAME_LOAD * self.mean_current_a.max(other.mean_current_a)
    }
}

/// What a change of the wiring came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Not enough readings of the running pump since.
    Waiting,
    /// Power is registered right now, and it was not before.
    Repaired,
    /// Power is still registered wrong.
    StillWrong,
    /// Power was registered right before, and is no longer.
    Broken,
    /// Right before and right now.
    StillRight,
    /// The verdict is "right", but the power factor of the same load is not what the readings before had led to expect.
    Disagrees,
}

/// A change of the wiring, with the accounts on both sides.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// When the change was seen.
    pub changed_at: Instant2,
    /// Before the change.
    pub before: Account,
    /// Since the change; `None` before the first reading that counts.
    pub after: Option<Account>,
}

impl Proof {
    /// Goes on after an absence.
    pub fn resume(&mut self, absence: &Absence) {
        self.changed_at = absence.instant(self.changed_at);
    }

    /// What it came to.
    pub fn outcome(&self) -> Outcome {
        let Some(after) = &self.after else { return Outcome::Waiting };
        let was_right = self.before.verdict == Verdict::Sound;
        match after.verdict {
            Verdict::NoEvidence | Verdict::Undecided => Outcome::Waiting,
            Verdict::Fault if was_right => Outcome::Broken,
            Verdict::Fault => Outcome::StillWrong,
            Verdict::Sound if was_right => Outcome::StillRight,
            Verdict::Sound => match (self.before.corrected_factor, after.registered_factor) {
                (Some(expected), Some(found)) if self.before.same_load(after) => {
                    if (expected - found).abs() <= FACTOR_AGREES { Outcome::Repaired } else { Outcome::Disagrees }
                }
                _ => Outcome::Repaired,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn account(verdict: Verdict, current: f64, registered: f64, corrected: f64) -> Account {
        Account {
            wiring: Some(Wiring::INTENDED),
            probability: 0.99,
            verdict,
            mean_current_a: current,
            registered_factor: Some(registered),
            corrected_factor: Some(corrected),
        }
    }

    fn outcome(before: Account, after: Option<Account>) -> Outcome {
        Proof { changed_at: Instant2::default(), before, after }.outcome()
    }

    #[test]
    fn a_repair_is_proven_by_the_power_factor_the_correction_had_foretold() {
        let before = account(Verdict::Fault, 70.0, 0.28, 0.85);
        assert_eq!(outcome(before, None), Outcome::Waiting);
        assert_eq!(outcome(before, Some(account(Verdict::Undecided, 70.0, 0.84, 0.84))), Outcome::Waiting);
        assert_eq!(outcome(before, Some(account(Verdict::Sound, 70.0, 0.84, 0.84))), Outcome::Repaired);
        assert_eq!(outcome(before, Some(account(Verdict::Sound, 70.0, 0.55, 0.55))), Outcome::Disagrees);
        // Another load has another power factor: nothing to compare.
        assert_eq!(outcome(before, Some(account(Verdict::Sound, 35.0, 0.6, 0.6))), Outcome::Repaired);
        assert_eq!(outcome(before, Some(account(Verdict::Fault, 70.0, -0.28, 0.85))), Outcome::StillWrong);
    }

    #[test]
    fn a_sound_circuit_can_be_broken() {
        let before = account(Verdict::Sound, 70.0, 0.85, 0.85);
        assert_eq!(outcome(before, Some(account(Verdict::Fault, 70.0, 0.28, 0.85))), Outcome::Broken);
        assert_eq!(outcome(before, Some(account(Verdict::Sound, 70.0, 0.85, 0.85))), Outcome::StillRight);
    }
}
