//! What the circuits of one monitor share, and so tell each other: the order of the voltage leads, the rotation of the
//! supply, the meaning of the registers.
//!
//! Given a state of what is shared the circuits are independent, so the posterior over joint wirings is exact: a sum over
//! [`STATES`] states of a product over circuits. Each circuit sends what it finds of every state; each gets what all others
//! found. Must never look at a reading.

use serde::{Deserialize, Serialize};

use super::hypotheses::{PERMUTATION_IS_ODD, ROTATES_BACK, VOLTAGE_STATES, shared_odds};
use super::wiring::Registers;
use crate::reading::Rotation;

/// Meanings of the registers.
pub const MEANINGS: usize = Registers::ALL.len();
/// States of what is shared.
pub const STATES: usize = VOLTAGE_STATES * MEANINGS;

/// Log-likelihood of a measured rotation that contradicts a wiring: a monitor's own sequence check errs rarely.
const LN_WRONG_ROTATION: f64 = -9.2;
/// Two opinions nearer than this in every state are the same.
const SAME: f64 = 0.02;

/// Natural logarithms, by state of what is shared, of a weight up to a common factor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(into = "Vec<f64>", try_from = "Vec<f64>")]
pub struct Opinion {
    ln: [f64; STATES],
}

impl From<Opinion> for Vec<f64> {
    fn from(opinion: Opinion) -> Vec<f64> {
        opinion.ln.to_vec()
    }
}

impl TryFrom<Vec<f64>> for Opinion {
    type Error = String;

    fn try_from(ln: Vec<f64>) -> Result<Opinion, String> {
        let given = ln.len();
        let ln = ln.try_into().map_err(|_| format!("an opinion of {given} states in place of {STATES}"))?;
        Ok(Opinion { ln })
    }
}

impl Opinion {
    /// No opinion.
    pub const NONE: Opinion = Opinion { ln: [0.0; STATES] };

    /// An opinion from weights by state of the voltage leads and meaning of the registers.
    pub fn from_weights(weight: impl Fn(usize, usize) -> f64) -> Opinion {
        let mut ln = [0.0; STATES];
        for voltage in 0..VOLTAGE_STATES {
            for meaning in 0..MEANINGS {
                ln[voltage * MEANINGS + meaning] = weight(voltage, meaning).max(f64::MIN_POSITIVE).ln();
            }
        }
        Opinion { ln }.normalised()
    }

    /// What a measured rotation says.
    pub fn of_rotation(measured: Option<Rotation>, expected: Rotation) -> Opinion {
        let Some(measured) = measured else { return Opinion::NONE };
        let mut ln = [0.0; STATES];
        for (state, ln) in ln.iter_mut().enumerate() {
            let voltage = state / MEANINGS;
            let reversed = voltage == ROTATES_BACK || PERMUTATION_IS_ODD[voltage];
            if reversed != (measured != expected) {
                *ln = LN_WRONG_ROTATION;
            }
        }
        Opinion { ln }
    }

    /// Logarithm of the weight of a state.
    pub fn ln(&self, voltage: usize, meaning: usize) -> f64 {
        self.ln[voltage * MEANINGS + meaning]
    }

    /// The weights themselves, by state of the voltage leads and meaning of the registers.
    pub fn weights(&self) -> [[f64; MEANINGS]; VOLTAGE_STATES] {
        std::array::from_fn(|voltage| std::array::from_fn(|meaning| self.ln(voltage, meaning).exp()))
    }

    /// Both opinions together.
    #[must_use]
    pub fn and(&self, other: &Opinion) -> Opinion {
        let mut ln = self.ln;
        for (ln, other) in ln.iter_mut().zip(other.ln) {
            *ln += other;
        }
        Opinion { ln }.normalised()
    }

    /// True when nothing worth concluding anew lies between the two.
    pub fn is_near(&self, other: &Opinion) -> bool {
        // Nearly every reading brings the same opinion as the one before; without a branch for each state that is seen at once.
        let changed = self.ln.iter().zip(&other.ln).filter(|(a, b)| a != b).count();
        changed == 0 || self.ln.iter().zip(&other.ln).all(|(a, b)| (a - b).abs() < SAME || a.max(*b) < -40.0)
    }

    fn normalised(mut self) -> Opinion {
        let peak = self.ln.iter().copied().fold(f64::MIN, f64::max);
        for ln in &mut self.ln {
            // A circuit that excludes a state altogether may still be wrong about itself.
            *ln = (*ln - peak).max(-60.0);
        }
        self
    }
}

/// What each circuit is told by all others: `sent[c]` is what circuit `c` found; `common` is known beside them.
pub fn exchange(sent: &[Opinion], common: &Opinion) -> Vec<Opinion> {
    (0..sent.len())
        .map(|own| {
            let others = sent.iter().enumerate().filter(|(c, _)| *c != own).map(|(_, opinion)| opinion);
            others.fold(*common, |sum, opinion| sum.and(opinion))
        })
        .collect()
}

/// The state of the voltage leads and the meaning of the registers behind an index of [`posterior`].
pub fn state(index: usize) -> (usize, Registers) {
    (index / MEANINGS, Registers::ALL[index % MEANINGS])
}

/// Posterior probability of every state, from what all circuits found.
pub fn posterior(sent: &[Opinion], common: &Opinion) -> [f64; STATES] {
    let all = sent.iter().fold(*common, |sum, opinion| sum.and(opinion));
    let mut mass = [0.0; STATES];
    for (state, mass) in mass.iter_mut().enumerate() {
        let (voltage, meaning) = (state / MEANINGS, state % MEANINGS);
        *mass = all.ln[state].exp() * shared_odds(voltage, Registers::ALL[meaning]);
    }
    let total: f64 = mass.iter().sum();
    mass.map(|m| m / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_circuits_that_lean_one_way_settle_what_neither_could_alone() {
        let lean = Opinion::from_weights(|voltage, _| if voltage == 2 { 20.0 } else { 1.0 });
        let alone = posterior(&[lean], &Opinion::NONE);
        let together = posterior(&[lean; 3], &Opinion::NONE);
        let exchanged = |p: &[f64; STATES]| p[2 * MEANINGS..3 * MEANINGS].iter().sum::<f64>();
        assert!(exchanged(&alone) < 0.5 && exchanged(&together) > 0.98);
        assert!((together.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_circuit_is_told_what_the_others_found_and_not_its_own() {
        let lean = Opinion::from_weights(|voltage, _| if voltage == 1 { 8.0 } else { 1.0 });
        let told = exchange(&[lean, Opinion::NONE], &Opinion::NONE);
        assert_eq!(told[0], Opinion::NONE);
        assert_eq!(told[1], lean);
    }

    #[test]
    fn a_measured_rotation_speaks_against_every_exchange() {
        let opinion = Opinion::of_rotation(Some(Rotation::Abc), Rotation::Abc);
        let p = posterior(&[], &opinion);
        let right: f64 = [0, 4, 5].iter().map(|v| p[v * MEANINGS..(v + 1) * MEANINGS].iter().sum::<f64>()).sum();
        assert!(right > 0.999);
    }
}
