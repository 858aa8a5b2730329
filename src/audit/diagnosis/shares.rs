//! What load levels leave to every class, with what was known beforehand and what is known from elsewhere.

use super::sum::Sum;
use crate::audit::hypotheses::{Class, UNEXPLAINED_PRIOR, VOLTAGE_STATES};
use crate::audit::shared::{MEANINGS, Opinion};

/// What angles and blanks leave to every class, before the sizes of the currents are looked at.
#[derive(Debug, Clone)]
pub struct Shares {
    /// Prior by class, given what is known from elsewhere.
    pub prior: Vec<f64>,
    /// Weight by class of what is seen and what is known beforehand.
    pub mass: Vec<f64>,
    /// Their sum, with that of "none of these".
    pub total: f64,
}

impl Shares {
    /// Of what the load levels tell and what the circuit was told.
    pub fn of(sum: &Sum, told: &Opinion, known: &[Class]) -> Shares {
        let told = told.weights();
        let prior: Vec<f64> = known.iter().map(|class| told_prior(class, &told)).collect();
        let ln_posterior: Vec<f64> = sum.ln_class.iter().zip(&prior).map(|(ln, prior)| ln + prior.ln()).collect();
        // None of these keeps its share of what the others say, so that it competes on equal terms.
        let told_mass: f64 = prior.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        let ln_unexplained = sum.ln_unexplained + (UNEXPLAINED_PRIOR * told_mass).ln();
        let peak = ln_posterior.iter().copied().fold(ln_unexplained, f64::max);
        let mass: Vec<f64> = ln_posterior.iter().map(|ln| (ln - peak).exp()).collect();
        let total = mass.iter().sum::<f64>() + (ln_unexplained - peak).exp();
        Shares { prior, mass, total }
    }
}

/// Prior of a class, given what is known from elsewhere as weights of the shared states.
fn told_prior(class: &Class, told: &[[f64; MEANINGS]; VOLTAGE_STATES]) -> f64 {
    let meaning = class.pattern.registers.index();
    let by_voltage = class.prior_by_voltage.iter().zip(told).filter(|(prior, _)| **prior > 0.0);
    by_voltage.map(|(prior, of_state)| prior * of_state[meaning]).sum::<f64>().max(f64::MIN_POSITIVE)
}

/// How strongly what is known from elsewhere speaks for a class, whose prior becomes `told` by it: part of the evidence that
/// tells classes apart.
pub fn told_evidence(class: &Class, told: f64) -> f64 {
    (told / class.prior).max(f64::MIN_POSITIVE).ln()
}

/// A member's share of its class, whose prior becomes `told` by what is known from elsewhere.
pub fn told_share(opinion: &Opinion, voltage: usize, member: f64, class: &Class, told: f64) -> f64 {
    if told <= 0.0 {
        return member / class.prior;
    }
    member * opinion.ln(voltage, class.pattern.registers.index()).exp() / told
}
