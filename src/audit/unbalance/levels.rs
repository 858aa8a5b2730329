//! What power in total or by channel says at all load levels together, where most of what errs does so alike at each of them.
//!
//! The angles of the CTs, what the voltmeters hide of the supply, and how a machine stands to its nameplate are the same at
//! every load: two levels that would each do with another error do not fit together. Linear about each stance of the
//! load, so all of it is one normal distribution. Must never use a prior over wirings.

use num_complex::Complex64;

use super::made::{COMMON, Made, OWN};
use super::totals::SHOWN_ERROR;
use crate::audit::evidence::{Features, MAX_WINDOWS};
use crate::audit::load::{FOLLOWING, Stances};
use crate::audit::wiring::Registers;
use crate::electrical::angle::polar_deg;

/// What a monitor shows of the power of a channel, or of all, over V x I.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shown {
    /// P and Q.
    Both(Complex64),
    /// Angle of P + jQ, of a channel: there its size tells nothing.
    Angle(Complex64),
    /// P alone.
    Active(f64),
    /// Q alone, where it is taken for P.
    Reactive(f64),
}

impl Shown {
    /// Of the totals of one level, if the registers mean this; `None` where power is blank or its sign not known.
    pub fn of(features: &Features, registers: Registers) -> Option<Shown> {
        let p = features.total_p.filter(|_| !features.blanked)?;
        Some(Shown::undone(p, features.total_q, registers))
    }

    /// Of a channel, likewise.
    pub fn of_channel(features: &Features, k: usize, registers: Registers) -> Option<Shown> {
        let shown = Shown::undone(features.p[k]?, features.q[k], registers);
        Some(if let Shown::Both(z) = shown { Shown::Angle(z) } else { shown })
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

    /// What is shown of a phasor that moves by `moved` from `mean`, and how many values that are.
    fn parts(self, moved: Complex64, mean: Complex64) -> ([f64; 2], usize) {
        match self {
            Shown::Both(_) => ([moved.re, moved.im], 2),
            Shown::Angle(_) => ([(moved * mean.conj()).im / mean.norm_sqr(), 0.0], 1),
            Shown::Active(_) => ([moved.re, 0.0], 1),
            Shown::Reactive(_) => ([moved.im, 0.0], 1),
        }
    }

    /// How far what is shown is from `mean`.
    fn off(self, mean: Complex64) -> [f64; 2] {
        match self {
            Shown::Both(z) => [z.re - mean.re, z.im - mean.im],
            Shown::Angle(z) => [(z * mean.conj()).arg(), 0.0],
            Shown::Active(x) => [x - mean.re, 0.0],
            Shown::Reactive(x) => [x - mean.im, 0.0],
        }
    }
}

/// One load level under one class and story.
#[derive(Clone, Copy)]
pub struct Told {
    /// What is shown and what should be: of the total, or of each channel.
    pub shown: [Option<(Shown, Made)>; 3],
    /// Where the load stands.
    pub stances: Stances,
}

/// Values there may be: one of each of three channels, or P and Q of the total, at every level.
const MOST: usize = 3 * MAX_WINDOWS;

/// Room for the work, made once for all classes, stories and stances.
pub struct Room {
    rows: [Row; MOST],
    /// Cholesky's factor of the covariance; what is above the diagonal is never read.
    factor: [[f64; MOST]; MOST],
}

/// One value shown, under one stance.
#[derive(Clone, Copy)]
struct Row {
    level: usize,
    /// How far it is from its mean.
    off: f64,
    /// How each source of error of its level moves it: the lag, the lag's arc, and what the supply strays by.
    own: [f64; 2 + OWN],
    /// How each source that all levels share does.
    common: [f64; COMMON],
}

impl Room {
    /// Empty.
    pub fn new() -> Room {
        let row = Row { level: 0, off: 0.0, own: [0.0; 2 + OWN], common: [0.0; COMMON] };
        Room { rows: [row; MOST], factor: [[0.0; MOST]; MOST] }
    }

    /// Log density of all levels, by stance.
    pub fn ln_joint(&mut self, levels: &[Told]) -> [f64; FOLLOWING] {
        std::array::from_fn(|stance| {
            let n = self.fill(levels, stance);
            self.ln_normal(n)
        })
    }

    /// Puts what is shown into rows: how many they are.
    fn fill(&mut self, levels: &[Told], stance: usize) -> usize {
        let mut n = 0;
        for (level, Told { shown, stances }) in levels.iter().enumerate() {
            let turn = polar_deg(1.0, stances.lag_deg[stance]);
            let own_rad = stances.own_deg.to_radians();
            // A lag that strays takes the phasor along an arc, which bends away from the straight line.
            let arc = 0.5 * own_rad * own_rad;
            for (shown, made) in shown.iter().flatten() {
                let straight = made.power * turn;
                let parts = |moved: Complex64| shown.parts(moved, straight);
                let off = shown.off(straight * (1.0 - arc));
                let (lag, values) = parts(straight * Complex64::I * own_rad);
                let bent = parts(straight * (arc * std::f64::consts::SQRT_2)).0;
                let own = made.own.map(|moved| parts(moved * turn).0);
                let common = made.common.map(|moved| parts(moved * turn).0);
                for value in 0..values {
                    self.rows[n] = Row {
                        level,
                        off: off[value],
                        own: [lag[value], bent[value], own[0][value], own[1][value]],
                        common: common.map(|moved| moved[value]),
                    };
                    n += 1;
                }
            }
        }
        n
    }

    /// Log density of the normal distribution of the first `n` rows, by Cholesky's factor.
    fn ln_normal(&mut self, n: usize) -> f64 {
        let Room { rows, factor } = self;
        let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let mut ln = -0.5 * n as f64 * std::f64::consts::TAU.ln();
        let mut scaled = [0.0; MOST];
        for i in 0..n {
            for j in 0..=i {
                let (a, b) = (&rows[i], &rows[j]);
                let mut rest = product(&a.common, &b.common) - product(&factor[i][..j], &factor[j][..j]);
                if a.level == b.level {
                    rest += product(&a.own, &b.own);
                }
                factor[i][j] = if i == j {
                    (rest + SHOWN_ERROR * SHOWN_ERROR).max(f64::MIN_POSITIVE).sqrt()
                } else {
                    rest / factor[j][j]
                };
            }
            scaled[i] = (rows[i].off - product(&factor[i][..i], &scaled[..i])) / factor[i][i];
            ln -= 0.5 * scaled[i] * scaled[i] + factor[i][i].ln();
        }
        ln
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NONE: [Complex64; COMMON] = [Complex64::ZERO; COMMON];

    fn told(shown: Shown, sum: Complex64, common: [Complex64; COMMON], lag_deg: f64) -> Told {
        Told {
            shown: [Some((shown, Made { power: sum, common, own: [Complex64::ZERO; OWN] })), None, None],
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
        let both = Room::new().ln_joint(&[full, half]);
        let apart = Room::new().ln_joint(&[full])[0] + Room::new().ln_joint(&[half])[0];
        assert!((both[0] - apart).abs() < 1e-9, "{} {apart}", both[0]);
    }

    /// Against the integral over the one error that two levels share and over each level's own lag, in small steps.
    #[test]
    fn a_shared_error_is_summed_out_over_both_levels_at_once() {
        let mut common = NONE;
        common[3] = Complex64::new(0.03, 0.01);
        let lags = [35.0f64, 48.0];
        let sum = Complex64::new(0.31, 0.02);
        let steps = |step: f64| (-200..=200).map(move |n| (f64::from(n) * step, step * bell(f64::from(n) * step, 1.0)));
        // Where a level's own lag hardly strays the distribution is exact; where it does, its arc is followed to second order.
        for (own_deg, within, seen) in [
            (0.001, 1e-3, [[0.25, 0.19], [0.28, 0.16], [0.22, 0.22]]),
            (2.0, 0.1, [[0.25, 0.19], [0.26, 0.2], [0.235, 0.205]]),
        ] {
            for seen in seen {
                let levels = [0, 1].map(|l| {
                    let mut level = told(Shown::Active(seen[l]), sum, common, lags[l]);
                    level.stances.own_deg = own_deg;
                    level
                });
                let of_level = |l: usize, t: f64| -> f64 {
                    let at = |own: f64| ((sum + t * common[3]) * polar_deg(1.0, lags[l] + own_deg * own)).re;
                    steps(0.04).map(|(own, weight)| weight * bell(seen[l] - at(own), SHOWN_ERROR)).sum()
                };
                let density: f64 = steps(0.04).map(|(t, weight)| weight * of_level(0, t) * of_level(1, t)).sum();
                let found = Room::new().ln_joint(&levels)[2];
                let off = (found - density.ln()).abs();
                assert!(off < within, "{own_deg}, {seen:?}: {found} {}", density.ln());
            }
        }
    }

    /// One level off by as much as the shared error allows is likely; the other off the other way is not.
    #[test]
    fn levels_that_need_opposite_errors_do_not_fit_together() {
        let mut common = NONE;
        common[0] = Complex64::new(0.02, 0.0);
        let of = |off: [f64; 2]| {
            let levels = off.map(|off| told(Shown::Active(0.3 + off), Complex64::new(0.3, 0.0), common, 0.0));
            Room::new().ln_joint(&levels)[0]
        };
        assert!(of([0.02, 0.02]) > of([0.02, -0.02]) + 10.0);
    }

    /// What a level's own supply strays by loosens that level: as far off, it is likelier. Where nothing is off it costs.
    #[test]
    fn what_strays_at_one_level_loosens_that_level() {
        let of = |off: f64, own: f64| {
            let mut level = told(Shown::Active(0.3 + off), Complex64::new(0.3, 0.0), NONE, 0.0);
            level.shown[0].as_mut().unwrap().1.own[1] = Complex64::new(own, 0.0);
            Room::new().ln_joint(&[level])[0]
        };
        assert!(of(0.03, 0.02) > of(0.03, 0.0) + 5.0);
        assert!(of(0.0, 0.02) < of(0.0, 0.0) - 0.5);
    }

    /// Channels of one level share its lag: two that stray alike are one lag's, two that stray apart are none's.
    #[test]
    fn channels_of_a_level_share_its_lag() {
        let of = |off_deg: [f64; 2]| {
            let shown = off_deg.map(|off| Shown::Angle(polar_deg(1.1, 30.0 + off)));
            let mut level = told(shown[0], Complex64::ONE, NONE, 30.0);
            level.shown[1] = level.shown[0].map(|(_, made)| (shown[1], made));
            Room::new().ln_joint(&[level])[0]
        };
        assert!(of([2.0, 2.0]) > of([2.0, -2.0]) + 20.0, "{} {}", of([2.0, 2.0]), of([2.0, -2.0]));
        // A lag of its own spread, 2 degrees, costs half a unit of likelihood.
        assert!((of([0.0, 0.0]) - of([2.0, 2.0]) - 0.5).abs() < 0.05);
    }

    /// A lag that strays by one of its own standard deviations costs half a unit of likelihood, though the total leaves the
    /// straight line by several of its own.
    #[test]
    fn a_lag_that_strays_takes_its_total_along_an_arc() {
        let of = |off_deg: f64| {
            let mut level = told(Shown::Both(polar_deg(1.0, 30.0 + off_deg)), Complex64::ONE, NONE, 30.0);
            level.stances.own_deg = 9.0;
            Room::new().ln_joint(&[level])[0]
        };
        let (little, much) = (of(-9.0), of(9.0));
        assert!((little - much).abs() < 1e-6);
        assert!((of(3.0) - much - 0.5 * (1.0 - 1.0 / 9.0)).abs() < 1.0, "{} {much}", of(3.0));
        assert!(of(0.0) - much < 2.0, "{} {much}", of(0.0));
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
