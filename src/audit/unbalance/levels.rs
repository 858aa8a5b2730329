//! What the totals at all load levels say together, where most of what errs does so alike at each of them.
//!
//! The angles of the CTs, what the voltmeters hide of the supply, and how a machine stands to its nameplate are the same at
//! every load: two levels that would each do with another error do not fit together. Linear about each stance of the
//! load, so all of it is one normal distribution. Must never use a prior over wirings.

use num_complex::Complex64;

use super::totals::{COMMON, TOTAL_ERROR, Totals};
use crate::audit::evidence::{Features, MAX_WINDOWS};
use crate::audit::load::{FOLLOWING, Stances};
use crate::audit::wiring::Registers;
use crate::electrical::angle::polar_deg;

/// What a monitor shows of a total, over the sum of V x I.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shown {
    /// P and Q.
    Both(Complex64),
    /// P alone.
    Active(f64),
    /// Q alone, where it is taken for P.
    Reactive(f64),
}

impl Shown {
    /// Of one level, if its registers mean this; `None` where power is blank or its sign not known.
    pub fn of(features: &Features, registers: Registers) -> Option<Shown> {
        let p = features.total_p.filter(|_| !features.blanked)?;
        Some(Shown::undone(p, features.total_q, registers))
    }

    /// What registers of this meaning that read so stand for: every meaning undoes itself.
    pub fn undone(p: f64, q: Option<f64>, registers: Registers) -> Shown {
        match q {
            Some(q) => {
                let (p, q) = registers.registered(p, q);
                Shown::Both(Complex64::new(p, q))
            }
            None if registers == Registers::Exchanged => Shown::Reactive(p),
            None => Shown::Active(registers.registered(p, 0.0).0),
        }
    }

    fn parts(self, z: Complex64) -> ([f64; 2], usize) {
        match self {
            Shown::Both(_) => ([z.re, z.im], 2),
            Shown::Active(_) => ([z.re, 0.0], 1),
            Shown::Reactive(_) => ([z.im, 0.0], 1),
        }
    }

    fn value(self) -> [f64; 2] {
        match self {
            Shown::Both(z) => [z.re, z.im],
            Shown::Active(x) | Shown::Reactive(x) => [x, 0.0],
        }
    }
}

/// One load level under one class and story.
#[derive(Clone, Copy)]
pub struct Told {
    /// What is shown.
    pub shown: Shown,
    /// What should be.
    pub made: Totals,
    /// Where the load stands.
    pub stances: Stances,
}

const MOST: usize = 2 * MAX_WINDOWS;

/// Log density of all levels, by stance.
pub fn ln_joint(levels: &[Told]) -> [f64; FOLLOWING] {
    std::array::from_fn(|stance| ln_of_stance(levels, stance))
}

fn ln_of_stance(levels: &[Told], stance: usize) -> f64 {
    let mut off = [0.0; MOST];
    let mut covariance = [[0.0; MOST]; MOST];
    let mut common = [[0.0; COMMON]; MOST];
    let mut n = 0;
    for Told { shown, made, stances } in levels {
        let turn = polar_deg(1.0, stances.lag_deg[stance]);
        let mean = made.sum * turn;
        let (mean_parts, rows) = shown.parts(mean);
        let lag = mean * Complex64::I * stances.own_deg.to_radians();
        let own = [lag, made.own[0] * turn, made.own[1] * turn].map(|moved| shown.parts(moved).0);
        for row in 0..rows {
            off[n + row] = shown.value()[row] - mean_parts[row];
            for other in 0..rows {
                covariance[n + row][n + other] = own.iter().map(|moved| moved[row] * moved[other]).sum();
            }
            covariance[n + row][n + row] += TOTAL_ERROR * TOTAL_ERROR;
        }
        for (source, moved) in made.common.iter().enumerate() {
            let (parts, _) = shown.parts(*moved * turn);
            for row in 0..rows {
                common[n + row][source] = parts[row];
            }
        }
        n += rows;
    }
    for i in 0..n {
        for j in 0..=i {
            covariance[i][j] += common[i].iter().zip(&common[j]).map(|(a, b)| a * b).sum::<f64>();
        }
    }
    ln_normal(&mut covariance, &mut off, n)
}

/// Log density of a normal distribution at `off` from its mean: by Cholesky's factor, in place.
fn ln_normal(covariance: &mut [[f64; MOST]; MOST], off: &mut [f64; MOST], n: usize) -> f64 {
    let mut ln = -0.5 * n as f64 * std::f64::consts::TAU.ln();
    for i in 0..n {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| covariance[i][k] * covariance[j][k]).sum();
            let rest = covariance[i][j] - sum;
            covariance[i][j] = if i == j { rest.max(f64::MIN_POSITIVE).sqrt() } else { rest / covariance[j][j] };
        }
        let sum: f64 = (0..i).map(|k| covariance[i][k] * off[k]).sum();
        off[i] = (off[i] - sum) / covariance[i][i];
        ln -= 0.5 * off[i] * off[i] + covariance[i][i].ln();
    }
    ln
}

#[cfg(test)]
mod tests {
    use super::*;

    const NONE: [Complex64; COMMON] = [Complex64::ZERO; COMMON];

    fn told(shown: Shown, sum: Complex64, common: [Complex64; COMMON], lag_deg: f64) -> Told {
        Told {
            shown,
            made: Totals::of_parts(sum, common, [Complex64::ZERO; 2]),
            stances: Stances { lag_deg: [lag_deg; FOLLOWING], own_deg: 2.0 },
        }
    }

    fn bell(x: f64, sigma: f64) -> f64 {
        (-0.5 * (x / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt())
    }

    #[test]
    fn what_errs_alone_makes_each_level_a_witness() {
        let full = told(Shown::Active(0.80), Complex64::new(1.0, 0.0), NONE, 36.0);
        let half = told(Shown::Both(Complex64::new(0.7, 0.71)), Complex64::new(0.98, 0.03), NONE, 43.0);
        let both = ln_joint(&[full, half]);
        let apart = ln_joint(&[full])[0] + ln_joint(&[half])[0];
        assert!((both[0] - apart).abs() < 1e-9, "{} {apart}", both[0]);
    }

    /// Against the integral over the one error that two levels share, taken in small steps.
    #[test]
    fn a_shared_error_is_summed_out_over_both_levels_at_once() {
        let mut common = NONE;
        common[3] = Complex64::new(0.03, 0.01);
        let lags = [35.0f64, 48.0];
        let sum = Complex64::new(0.31, 0.02);
        for seen in [[0.25, 0.19], [0.28, 0.16], [0.22, 0.22]] {
            let levels = [0, 1].map(|l| told(Shown::Active(seen[l]), sum, common, lags[l]));
            let own = 2.0f64.to_radians();
            let mut density = 0.0;
            for step in -8000..8000 {
                let t = f64::from(step) / 1000.0;
                let of_level = |l: usize| {
                    let turn = polar_deg(1.0, lags[l]);
                    let sigma = ((sum * turn * Complex64::I).re * own).hypot(TOTAL_ERROR);
                    bell(seen[l] - (sum * turn).re - t * (common[3] * turn).re, sigma)
                };
                density += 0.001 * bell(t, 1.0) * of_level(0) * of_level(1);
            }
            let found = ln_joint(&levels)[2];
            assert!((found - density.ln()).abs() < 1e-3, "{seen:?}: {found} {}", density.ln());
        }
    }

    /// One level off by as much as the shared error allows is likely; the other off the other way is not.
    #[test]
    fn levels_that_need_opposite_errors_do_not_fit_together() {
        let mut common = NONE;
        common[0] = Complex64::new(0.02, 0.0);
        let of = |off: [f64; 2]| {
            let levels = off.map(|off| told(Shown::Active(0.3 + off), Complex64::new(0.3, 0.0), common, 0.0));
            ln_joint(&levels)[0]
        };
        assert!(of([0.02, 0.02]) > of([0.02, -0.02]) + 10.0);
    }

    #[test]
    fn a_meaning_of_the_registers_is_undone() {
        let mut features = crate::audit::testbench::even_features(50.0);
        features.total_p = Some(0.8);
        assert_eq!(Shown::of(&features, Registers::AsDeclared), Some(Shown::Active(0.8)));
        assert_eq!(Shown::of(&features, Registers::BothSigns), Some(Shown::Active(-0.8)));
        assert_eq!(Shown::of(&features, Registers::Exchanged), Some(Shown::Reactive(0.8)));
        features.total_q = Some(0.6);
        assert_eq!(Shown::of(&features, Registers::Exchanged), Some(Shown::Both(Complex64::new(0.6, 0.8))));
        features.blanked = true;
        assert_eq!(Shown::of(&features, Registers::AsDeclared), None);
    }
}
