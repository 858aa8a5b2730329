//! Sums of likelihoods and the normal distribution, for the optimum. Must never know what is being weighed.

use std::f64::consts::TAU;

/// Logarithm of a sum, built up term by term.
#[derive(Clone, Copy)]
pub struct LnSum {
    peak: f64,
    sum: f64,
}

impl LnSum {
    /// Nothing added.
    pub const EMPTY: LnSum = LnSum { peak: f64::NEG_INFINITY, sum: 0.0 };

    /// Adds a term given by its logarithm.
    pub fn add(&mut self, ln: f64) {
        if ln <= self.peak - 40.0 || ln == f64::NEG_INFINITY {
            return;
        }
        if ln > self.peak {
            self.sum = self.sum * (self.peak - ln).exp() + 1.0;
            self.peak = ln;
        } else {
            self.sum += (ln - self.peak).exp();
        }
    }

    /// Logarithm of the sum; minus infinity when it is empty.
    pub fn ln(self) -> f64 {
        if self.sum == 0.0 { f64::NEG_INFINITY } else { self.peak + self.sum.ln() }
    }
}

/// Normal integral (Abramowitz and Stegun 26.2.17, error below 1e-7; from memory).
pub fn below(z: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let poly =
        t * (0.319_381_53 + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * z * z).exp() / TAU.sqrt() * poly;
    if z > 0.0 { 1.0 - tail } else { tail }
}

/// Log density of a normal deviate of mean zero.
pub fn ln_normal(x: f64, variance: f64) -> f64 {
    -0.5 * (x * x / variance + (TAU * variance).ln())
}

/// Mean over the states, and the log density of the deviations from it.
pub fn mean_and_deviation(values: impl Iterator<Item = f64> + Clone, variance: f64) -> (f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n;
    let square: f64 = values.map(|x| (x - mean).powi(2)).sum();
    (mean, -0.5 * (square / variance + (n - 1.0) * (TAU * variance).ln()))
}

/// Angle brought to within half a turn, radians.
pub fn wrap(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}
