//! Densities of one value, per decade of its magnitude, and their sum over a reading.
//!
//! All densities are per decade: there, values of different scales compare without a factor, and the patterns of a float
//! are spread evenly. For integers the smaller raw number is the likelier by itself; that is left out, which errs on the
//! side of saying nothing.

use crate::reading::Measured;

/// Decades that a value of no meaning is spread over.
const GARBAGE_DECADES: f64 = 12.0;
/// Share of values that are wrong for a reason of their own, even under a right map.
const STRAY: f64 = 1e-3;
/// The same for values that are impossible by themselves.
const IMPOSSIBLE: f64 = 1e-4;

/// A value, as far as densities go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Seen {
    NotMapped,
    /// Could not be read, or lies outside the words at hand.
    Failed,
    Blank,
    Zero,
    /// Not zero, possible by itself.
    Number(f64),
    Impossible,
}

impl Seen {
    pub(super) fn of(value: Measured) -> Seen {
        match value {
            Measured::NotMapped => Seen::NotMapped,
            Measured::Failed => Seen::Failed,
            Measured::NotAvailable => Seen::Blank,
            Measured::OutOfRange(_) => Seen::Impossible,
            Measured::Good(v) | Measured::Stale(v) => {
                if v == 0.0 {
                    Seen::Zero
                } else {
                    Seen::Number(v)
                }
            }
        }
    }

    /// The number, zero among them.
    pub(super) fn number(self) -> Option<f64> {
        match self {
            Seen::Zero => Some(0.0),
            Seen::Number(v) => Some(v),
            _ => None,
        }
    }
}

/// Log-likelihood of a reading, in nats, under a map that is right, and under "the values mean nothing".
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Score {
    /// The map is right.
    pub fits: f64,
    /// The values mean nothing.
    pub nothing: f64,
}

/// A cause that several numbers share: its share of the mixture, and its density of the number at a place.
type Cause<'a> = (f64, &'a dyn Fn(usize, f64) -> f64);

impl Score {
    /// Adds one value. `zero` and `blank` are how often it is so; `density` is that of a number, per decade.
    pub(super) fn add(&mut self, seen: Seen, zero: f64, blank: f64, density: impl FnOnce(f64) -> f64) {
        let garbage = 1.0 / GARBAGE_DECADES;
        let (fits, nothing) = match seen {
            Seen::NotMapped => return,
            Seen::Failed => (garbage, garbage),
            Seen::Blank => (blank, blank),
            Seen::Zero => (zero, zero),
            Seen::Number(v) => ((1.0 - STRAY) * density(v) + STRAY * garbage, garbage),
            Seen::Impossible => (IMPOSSIBLE * garbage, garbage),
        };
        self.fits += fits.ln();
        self.nothing += nothing.ln();
    }
}

impl Score {
    /// Adds numbers that share one cause: a mixture over causes, each with its share and its density of the number at a
    /// place, given those before it.
    pub(super) fn add_together(&mut self, numbers: &[f64], causes: &[Cause<'_>]) {
        if numbers.is_empty() {
            return;
        }
        let garbage = 1.0 / GARBAGE_DECADES;
        let under = |(share, density): &Cause<'_>| {
            let of = |(k, v): (usize, &f64)| (1.0 - STRAY) * density(k, *v) + STRAY * garbage;
            share * numbers.iter().enumerate().map(of).product::<f64>()
        };
        self.fits += causes.iter().map(under).sum::<f64>().ln();
        self.nothing += numbers.len() as f64 * garbage.ln();
    }
}

/// Normal density at `x` of a deviation of `sigma` about zero.
pub(super) fn normal(x: f64, sigma: f64) -> f64 {
    (-0.5 * (x / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt())
}

/// Density per decade of a magnitude anywhere from `low` to `high`.
pub(super) fn band(magnitude: f64, low: f64, high: f64) -> f64 {
    if (low..=high).contains(&magnitude) { 1.0 / (high / low).log10() } else { 0.0 }
}

/// Density per decade of a magnitude close to `reference`, `decades` off.
pub(super) fn near(magnitude: f64, reference: f64, decades: f64) -> f64 {
    normal((magnitude / reference).log10(), decades)
}

/// Density per decade of `value` where it differs from `reference` by `sigma`, both in the same unit.
pub(super) fn beside(value: f64, reference: f64, sigma: f64) -> f64 {
    normal(value - reference, sigma) * value.abs() * std::f64::consts::LN_10
}
