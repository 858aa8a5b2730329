//! Accumulates scores of competing explanations over readings: "the map is right", each alteration, "none of these".
//!
//! Constant memory. Readings of one state share their errors, so they count as one witness: their mean is weighed, not
//! their sum, and what more readings bring is that a stray one counts for little.

use serde::{Deserialize, Serialize};

/// Probability of a map being right before anything is read: most maps are.
const PRIOR_RIGHT: f64 = 0.9;
/// That something else is wrong which no alteration mends.
const PRIOR_NONE: f64 = 0.02;
/// Readings after which old ones begin to be forgotten.
const HORIZON: u32 = 60;
/// Log-likelihoods closer than this come from the same values.
const SAME_NATS: f64 = 1e-9;
/// Readings before anything is concluded.
pub const ENOUGH: u32 = 5;

/// Means of log-likelihoods, in nats.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ledger {
    prior_ln: Vec<f64>,
    mean_ln: Vec<f64>,
    right_ln: f64,
    none_ln: f64,
    readings: u32,
}

/// What a ledger concludes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conclusion {
    /// Probability that the map is right.
    pub right: f64,
    /// Probability of none of these.
    pub none: f64,
    /// The likeliest alteration, by its index, and its probability.
    pub leader: Option<(usize, f64)>,
}

impl Ledger {
    /// For alterations of these relative odds.
    pub fn new(odds: &[f64]) -> Ledger {
        let sum: f64 = odds.iter().sum();
        let prior_ln = odds.iter().map(|odds| ((1.0 - PRIOR_RIGHT - PRIOR_NONE) * odds / sum).ln());
        Ledger {
            prior_ln: prior_ln.collect(),
            mean_ln: vec![0.0; odds.len()],
            right_ln: 0.0,
            none_ln: 0.0,
            readings: 0,
        }
    }

    /// Takes one reading: log-likelihood (nats) as the map says, as nothing that makes sense, and under each alteration.
    pub fn take(&mut self, right_ln: f64, none_ln: f64, alterations_ln: impl IntoIterator<Item = f64>) {
        self.readings = self.readings.saturating_add(1);
        let share = 1.0 / f64::from(self.readings.min(HORIZON));
        let step = |mean: &mut f64, ln: f64| *mean += share * (ln - *mean);
        step(&mut self.right_ln, right_ln);
        step(&mut self.none_ln, none_ln);
        for (mean, ln) in self.mean_ln.iter_mut().zip(alterations_ln) {
            step(mean, ln);
        }
    }

    /// Readings taken.
    pub fn readings(&self) -> u32 {
        self.readings
    }

    /// Alterations that compete.
    pub fn alterations(&self) -> usize {
        self.prior_ln.len().min(self.mean_ln.len())
    }

    /// What is likely now.
    pub fn conclusion(&self) -> Conclusion {
        let (shares, right, none) = self.shares();
        let leader = shares.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map(|(index, _)| index);
        Conclusion { right, none, leader: leader.map(|index| (index, self.together(&shares, index))) }
    }

    /// Probability of each alteration by itself, of the map being right, and of none of these.
    pub fn shares(&self) -> (Vec<f64>, f64, f64) {
        let right = PRIOR_RIGHT.ln() + self.right_ln;
        let none = PRIOR_NONE.ln() + self.none_ln;
        let altered: Vec<f64> = self.prior_ln.iter().zip(&self.mean_ln).map(|(prior, mean)| prior + mean).collect();
        let top = altered.iter().copied().fold(right.max(none), f64::max);
        let total: f64 =
            altered.iter().map(|ln| (ln - top).exp()).sum::<f64>() + (right - top).exp() + (none - top).exp();
        let share = |ln: f64| (ln - top).exp() / total;
        (altered.into_iter().map(share).collect(), share(right), share(none))
    }

    /// Alterations that every reading so far agrees on are one and the same to it; the likeliest speaks for them.
    fn together(&self, shares: &[f64], leader: usize) -> f64 {
        shares.iter().enumerate().filter(|(index, _)| self.same(leader, *index)).map(|(_, share)| share).sum()
    }

    fn same(&self, one: usize, other: usize) -> bool {
        (self.mean_ln[one] - self.mean_ln[other]).abs() < SAME_NATS
    }

    /// By how much an alteration outweighs the map as written, decibans.
    pub fn decibans(&self, alteration: usize) -> f64 {
        self.mean_ln.get(alteration).map_or(0.0, |ln| 10.0 * (ln - self.right_ln) / std::f64::consts::LN_10)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_evidence_the_map_is_taken_as_right() {
        let conclusion = Ledger::new(&[3.0, 1.0]).conclusion();
        assert!((conclusion.right - 0.9).abs() < 1e-12 && (conclusion.none - 0.02).abs() < 1e-12);
        let (leader, probability) = conclusion.leader.unwrap();
        assert_eq!(leader, 0);
        assert!((probability - 0.08).abs() < 1e-12, "nothing tells them apart yet");
    }

    #[test]
    fn many_readings_are_one_witness() {
        let mut ledger = Ledger::new(&[1.0]);
        ledger.take(0.0, -20.0, [3.0]);
        let once = ledger.conclusion();
        for _ in 0..500 {
            ledger.take(0.0, -20.0, [3.0]);
        }
        assert!((ledger.conclusion().right - once.right).abs() < 1e-9);
        assert!((ledger.decibans(0) - 13.03).abs() < 0.01);
    }

    #[test]
    fn a_change_of_the_device_is_not_held_up_for_ever() {
        let mut ledger = Ledger::new(&[1.0]);
        for _ in 0..1000 {
            ledger.take(-50.0, -20.0, [0.0]);
        }
        assert!(ledger.conclusion().leader.unwrap().1 > 0.99);
        for _ in 0..300 {
            ledger.take(0.0, -20.0, [-50.0]);
        }
        assert!(ledger.conclusion().right > 0.99);
    }
}
