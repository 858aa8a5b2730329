//! What the sizes of the channels' currents say of which conductor each CT is on, and of the supply itself.
//!
//! A ratio of likelihoods: with the pattern the supply draws, against without. So it is nothing on an even supply, and
//! whether the sizes are those of one load at all stays with `magnitude`.

use num_complex::Complex64;

use super::pattern::{Answer, STORIES, Seat, usual};
use crate::audit::ln_sum::ln_sum;

/// Spread of a conductor's share of the current beyond what the supply draws, usual and at worst, as `magnitude` has it but
/// without the supply's part (natural logarithm).
const OWN_SPREAD: f64 = 0.045;
const WORST_SPREAD: f64 = 0.16;
const WORST_SHARE: f64 = 0.1;
/// How far such a share strays from load to load, where the supply does not.
const STRAY_SPREAD: f64 = 0.015;

/// One load level: the shares seen by channel ([`crate::audit::evidence::Features::ln_share`]), and what the supply draws.
pub type Level = ([Option<f64>; 3], [Answer; STORIES]);

/// What the sizes at all load levels say if each channel's CT sits so, under one story.
#[derive(Debug, Clone, Copy)]
pub struct Fit {
    /// Logarithm of their likelihood over that of the same sizes if the supply drew nothing.
    pub ln: f64,
    /// How much more the opposing sequence of the supply is than its voltages showed, against the main one.
    pub more: Complex64,
    /// What is left uncertain of that: Cholesky factor of the covariance of its parts, by rows.
    pub uncertain: [f64; 3],
}

impl Fit {
    /// Of a load whose currents do not follow the supply.
    pub const NOTHING: Fit = Fit { ln: 0.0, more: Complex64::ZERO, uncertain: [0.0; 3] };
}

/// Weighs the sizes at all load levels, by story.
pub fn fit(levels: &[Level], seat: Seat, back: bool) -> [Fit; STORIES] {
    [0, 1, 2].map(|story| {
        let drawn = Deviations::of(levels, seat, back, story, true);
        let even = Deviations::of(levels, seat, back, story, false);
        // With the prior of either spread.
        let both = |of: &Deviations| {
            let (usual, worst) = (of.posterior(OWN_SPREAD), of.posterior(WORST_SPREAD));
            (Fit { ln: usual.ln + (1.0 - WORST_SHARE).ln(), ..usual }, Fit { ln: worst.ln + WORST_SHARE.ln(), ..worst })
        };
        let mixed = |(usual, worst): (Fit, Fit)| ln_sum(&[usual.ln, worst.ln]);
        let (usual, worst) = both(&drawn);
        let likelier = if usual.ln > worst.ln { usual } else { worst };
        Fit { ln: mixed((usual, worst)) - mixed(both(&even)), ..likelier }
    })
}

/// Channels' shares less what is expected of them, and how they follow the two parts of the supply's opposing sequence: the
/// mean over the levels (whatever a load has of its own stays in it) and what is left at each, against its error.
#[derive(Default)]
struct Deviations {
    /// Precision of the mean: the sum of the levels' own.
    precision: f64,
    dimensions: f64,
    /// Variance of each part of what the voltages do not show.
    variance: f64,
    of_mean: Normal,
    of_rest: Normal,
}

/// Sums of squares and products of values y and what each makes of two parts.
#[derive(Default, Clone, Copy)]
struct Normal {
    yy: f64,
    y: [f64; 2],
    re_re: f64,
    re_im: f64,
    im_im: f64,
}

impl Normal {
    fn add(&mut self, [y, re, im]: [f64; 3], sign: f64) {
        self.yy += sign * y * y;
        self.y[0] += sign * re * y;
        self.y[1] += sign * im * y;
        self.re_re += sign * re * re;
        self.re_im += sign * re * im;
        self.im_im += sign * im * im;
    }
}

impl Deviations {
    /// Under one story, or `drawn` false: under the same uncertainty if the supply drew nothing.
    fn of(levels: &[Level], seat: Seat, back: bool, story: usize, drawn: bool) -> Deviations {
        let mut all = Deviations { variance: 1e-12, ..Deviations::default() };
        let usual = usual(levels.iter().map(|(_, answers)| answers), story);
        let mut sum = [[0.0; 3]; 3];
        for (shares, answers) in levels {
            let mut rows = [[0.0; 3]; 3];
            let mut middle = [0.0; 3];
            let carrying = || (0..3).filter(|k| shares[*k].is_some());
            let count = carrying().count() as f64;
            all.dimensions = count - 1.0;
            let answer = &answers[story];
            let precision = 1.0 / (STRAY_SPREAD * STRAY_SPREAD + answer.share_variance(answer.strays(usual)));
            all.precision += precision;
            for k in carrying() {
                rows[k][0] = shares[k].unwrap_or(0.0);
                if let Some(seat) = seat[k].filter(|_| drawn) {
                    let follows = answer.follows(usize::from(seat), back);
                    rows[k][0] -= answer.current(usize::from(seat), back).norm().ln();
                    (rows[k][1], rows[k][2]) = (follows.re, -follows.im);
                    all.variance = answer.unseen_variance();
                }
                middle.iter_mut().zip(rows[k]).for_each(|(m, x)| *m += x / count);
            }
            for k in carrying() {
                let own = [0, 1, 2].map(|i| rows[k][i] - middle[i]);
                all.of_rest.add(own, precision);
                sum[k].iter_mut().zip(own).for_each(|(sum, x)| *sum += precision * x);
            }
        }
        for mean in sum.map(|sum| sum.map(|x| x / all.precision)) {
            all.of_mean.add(mean, 1.0);
            all.of_rest.add(mean, -all.precision);
        }
        all
    }

    fn posterior(&self, spread: f64) -> Fit {
        let prior = 1.0 / self.variance;
        let mean = spread * spread + 1.0 / self.precision;
        let both = |part: fn(&Normal) -> f64| part(&self.of_mean) / mean + part(&self.of_rest);
        let (a, b, c) = (prior + both(|n| n.re_re), both(|n| n.re_im), prior + both(|n| n.im_im));
        let (x, y) = (both(|n| n.y[0]), both(|n| n.y[1]));
        let det = a * c - b * b;
        let more = Complex64::new((c * x - b * y) / det, (a * y - b * x) / det);
        let square = both(|n| n.yy) - (x * more.re + y * more.im);
        let ln = -0.5 * (square + self.dimensions * mean.ln() + (det * self.variance * self.variance).ln());
        let first = (c / det).sqrt();
        let second = -b / det / first;
        Fit { ln, more, uncertain: [first, second, (a / det - second * second).max(0.0).sqrt()] }
    }
}
