//! What the sizes of the channels' currents say of which conductor each CT is on.
//!
//! A ratio of likelihoods: with the pattern the supply draws, against without. So it is nothing on an even supply, and
//! whether the sizes are those of one load at all stays with `magnitude`.

use super::pattern::{Answer, STORIES, Seat};

/// Spread of a conductor's share of the current beyond what the supply draws, usual and at worst, as `magnitude` has it but
/// without the supply's part (natural logarithm).
const OWN_SPREAD: f64 = 0.045;
const WORST_SPREAD: f64 = 0.16;
const WORST_SHARE: f64 = 0.1;
/// How far such a share strays from load to load, and the share of what the supply draws that is not known.
const STRAY_SPREAD: f64 = 0.02;
const STRAY_WORST: f64 = 0.08;
const PATTERN_ERROR: f64 = 0.15;

/// One load level: the shares seen by channel ([`crate::audit::evidence::Features::ln_share`]), and what the supply draws.
pub type Level = ([Option<f64>; 3], [Answer; STORIES]);

/// Logarithm of the likelihood of the sizes at all load levels if each channel's CT sits so, over that of the same sizes if
/// the supply drew nothing, by story.
pub fn ln_sizes(levels: &[Level], seat: Seat, back: bool) -> [f64; STORIES] {
    [0, 1, 2].map(|story| {
        let drawn = Deviations::of(levels, |answer, k| {
            seat[k].map_or(0.0, |seat| answer[story].current(usize::from(seat), back).norm().ln())
        });
        let even = Deviations::of(levels, |_, _| 0.0);
        let uncertain = PATTERN_ERROR * PATTERN_ERROR * drawn.drawn_square;
        drawn.ln_density(uncertain) - even.ln_density(uncertain)
    })
}

/// Shares less what is expected of them: the part that stays from level to level, and the part that does not.
struct Deviations {
    levels: f64,
    dimensions: f64,
    mean_square: f64,
    stray_square: f64,
    /// Mean square of what the supply was expected to draw.
    drawn_square: f64,
}

impl Deviations {
    fn of(levels: &[Level], expected: impl Fn(&[Answer; STORIES], usize) -> f64) -> Deviations {
        let (mut sum, mut square, mut drawn_square) = ([0.0; 3], 0.0, 0.0);
        let mut dimensions = 0.0;
        for (shares, answers) in levels {
            let carrying = || (0..3).filter(|k| shares[*k].is_some());
            let count = carrying().count() as f64;
            dimensions = count - 1.0;
            let off = [0, 1, 2].map(|k| expected(answers, k));
            let middle = carrying().map(|k| off[k]).sum::<f64>() / count;
            for k in carrying() {
                let own = shares[k].unwrap_or(0.0) - (off[k] - middle);
                sum[k] += own;
                square += own * own;
                drawn_square += (off[k] - middle).powi(2) / count;
            }
        }
        let n = levels.len() as f64;
        let mean_square = sum.iter().map(|s| (s / n).powi(2)).sum::<f64>();
        let stray_square = (square - n * mean_square).max(0.0);
        Deviations { levels: n, dimensions, mean_square, stray_square, drawn_square: drawn_square / n }
    }

    fn ln_density(&self, uncertain: f64) -> f64 {
        let bell = |square: f64, variance: f64, times: f64| -0.5 * (square / variance + times * variance.ln());
        let mix = |usual: f64, worst: f64| {
            let (usual, worst) = (usual + (1.0 - WORST_SHARE).ln(), worst + WORST_SHARE.ln());
            let peak = usual.max(worst);
            peak + ((usual - peak).exp() + (worst - peak).exp()).ln()
        };
        let stays = |spread: f64| bell(self.mean_square, spread * spread + uncertain, self.dimensions);
        let strays =
            |spread: f64| bell(self.stray_square, spread * spread + uncertain, self.dimensions * (self.levels - 1.0));
        mix(stays(OWN_SPREAD), stays(WORST_SPREAD)) + mix(strays(STRAY_SPREAD), strays(STRAY_WORST))
    }
}
