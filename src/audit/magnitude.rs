//! Whose current is of the wrong size: a CT of another ratio than entered, one of several parallel conductors, a loose lead.
//!
//! One load draws nearly the same current in all its conductors, so the channels' shares of it are evidence by themselves.
//! They say nothing about angles, so they multiply with what `likelihood` says. Must never look at a power.

use serde::{Deserialize, Serialize};

use super::bars;
use super::evidence::{Window, counting};
use super::ln_sum::ln_sum;
use super::wiring::Gain;

/// Steady readings in a window before the unrest of its channels counts.
const READINGS_FOR_UNREST: u64 = 12;

/// Spread of a channel's share of one load's current (natural logarithm): metering class and unbalance of supply and load, as
/// usual and at worst. NEMA MG 1: current unbalance reaches 6 to 10 times that of the voltage.
const USUAL_SPREAD: f64 = 0.06;
const WORST_SPREAD: f64 = 0.16;
const WORST_SHARE: f64 = 0.2;

/// Odds of a ratio wrong on one channel. Common practice, no source: a CT of the next size, or one of two cables, is met
/// most.
const RATIOS: [(Gain, f64); 10] = [
    (Gain::Times(1, 2), 0.003),
    (Gain::Times(2, 1), 0.003),
    (Gain::Times(2, 3), 7e-4),
    (Gain::Times(3, 2), 7e-4),
    (Gain::Times(1, 3), 5e-4),
    (Gain::Times(3, 1), 5e-4),
    (Gain::Times(1, 4), 3e-4),
    (Gain::Times(4, 1), 3e-4),
    (Gain::Times(1, 10), 3e-4),
    (Gain::Times(10, 1), 3e-4),
];
/// Odds of a loose connection on one channel.
const UNSTEADY: f64 = 0.003;
/// Odds that the shares are what no mistake considered makes them.
const ODD: f64 = 5e-4;
/// Range of a channel's share under "odd" and "loose": anything within a decade.
const DECADE: f64 = std::f64::consts::LN_10;
/// Mean unrest (standard deviation of a share from reading to reading) of a sound channel, of one whose register is coarse
/// or whose load hunts, and of a loose one.
const UNREST_SOUND: f64 = 0.01;
const UNREST_COARSE: f64 = 0.03;
const UNREST_LOOSE: f64 = 0.2;

/// One story about the sizes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Magnitude {
    /// Ratio per channel.
    pub gain: [Gain; 3],
    /// Posterior probability.
    pub probability: f64,
    /// Logarithm of the likelihood, for telling what the evidence cannot separate.
    pub ln_likelihood: f64,
}

/// The posterior over sizes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Magnitudes {
    /// Stories worth keeping, most probable first; never empty.
    pub ranked: Vec<Magnitude>,
    /// Probability that no story fits.
    pub odd: f64,
}

impl Magnitudes {
    /// Probability that every channel shows its current at the ratio told.
    pub fn as_rated(&self) -> f64 {
        self.ranked.iter().filter(|m| m.gain == [Gain::AsRated; 3]).map(|m| m.probability).sum()
    }

    fn unknown() -> Magnitudes {
        let rated = Magnitude { gain: [Gain::AsRated; 3], probability: 1.0, ln_likelihood: 0.0 };
        Magnitudes { ranked: vec![rated], odd: 0.0 }
    }
}

/// Below this share of full-load current the amps that an uneven supply drives weigh more and more.
const LIGHT_LOAD: f64 = 0.5;

/// Shares of the current as the windows give them, and how much wider than usual they may spread. The heaviest load tells: an
/// uneven supply drives the same amps at every load, which are much of a light load's current and little of a full one's.
fn shares(windows: &[Window], full_load_current_a: Option<f64>) -> Option<([Option<f64>; 3], f64)> {
    let carrying = |w: &Window| w.mean.current_alive.iter().filter(|a| **a).count();
    let counts = counting(windows);
    let heard = || windows.iter().filter(|w| counts(w));
    let most = heard().map(carrying).max().filter(|most| *most >= 2)?;
    let heaviest = heard()
        .filter(|w| !w.mean.starting && carrying(w) == most)
        .max_by(|a, b| a.mean.mean_current_a.total_cmp(&b.mean.mean_current_a))?;
    let per_unit = full_load_current_a.map_or(1.0, |full| heaviest.mean.mean_current_a / full);
    Some((heaviest.mean.ln_share(), (LIGHT_LOAD / per_unit).clamp(1.0, 6.0)))
}

/// Unrest per channel: over all windows that have seen enough.
fn unrest(windows: &[Window]) -> Option<[f64; 3]> {
    let counted = || windows.iter().filter(|w| w.readings >= READINGS_FOR_UNREST && !w.mean.starting);
    let count = counted().count();
    (count > 0).then(|| [0, 1, 2].map(|k| (counted().map(|w| w.share_variance[k]).sum::<f64>() / count as f64).sqrt()))
}

/// Weighs the sizes seen in the windows of one epoch. Channels that see another circuit are left out.
pub fn weigh(windows: &[Window], foreign: [bool; 3], full_load_current_a: Option<f64>) -> Magnitudes {
    let Some((shares, wider)) = shares(windows, full_load_current_a).filter(|_| foreign == [false; 3]) else {
        return Magnitudes::unknown();
    };
    let channels: Vec<usize> = (0..3).filter(|k| shares[*k].is_some()).collect();
    let seen: Vec<f64> = channels.iter().filter_map(|k| shares[*k]).collect();
    let n = seen.len();
    let unrest = unrest(windows);
    let steady = unrest.map_or(0.0, |u| channels.iter().map(|k| ln_unrest_sound(u[*k])).sum());
    let mut stories = vec![([Gain::AsRated; 3], 1.0, ln_shares(&seen, &vec![0.0; n], wider) + steady)];
    for (place, &k) in channels.iter().enumerate() {
        let with = |gain: Gain| {
            let mut gains = [Gain::AsRated; 3];
            gains[k] = gain;
            gains
        };
        for (gain, odds) in RATIOS {
            let ln_gain = gain.factor().unwrap_or(1.0).ln();
            let expected: Vec<f64> =
                (0..n).map(|i| if i == place { ln_gain } else { 0.0 } - ln_gain / n as f64).collect();
            stories.push((with(gain), odds, ln_shares(&seen, &expected, wider) + steady));
        }
        if let Some(unrest) = unrest {
            let others: f64 =
                channels.iter().filter(|c| **c != k).map(|c| ln_exponential(unrest[*c], 0.5 * unrest[k])).sum();
            let ln = -(n as f64 - 1.0) * (2.0 * DECADE).ln() + ln_exponential(unrest[k], UNREST_LOOSE) + others;
            stories.push((with(Gain::Unsteady), UNSTEADY, ln));
        }
    }
    let ln_odd = -(n as f64 - 1.0) * (2.0 * DECADE).ln() + ODD.ln() + steady;
    let ln_posterior = |(_, odds, ln): &([Gain; 3], f64, f64)| odds.ln() + ln;
    let peak = stories.iter().map(ln_posterior).fold(ln_odd, f64::max);
    let mass: f64 = stories.iter().map(|s| (ln_posterior(s) - peak).exp()).sum::<f64>() + (ln_odd - peak).exp();
    let mut ranked: Vec<Magnitude> = stories
        .iter()
        .map(|story| Magnitude {
            gain: story.0,
            probability: (ln_posterior(story) - peak).exp() / mass,
            ln_likelihood: story.2,
        })
        .filter(|m| m.probability > bars::WEIGHED)
        .collect();
    ranked.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    if ranked.is_empty() {
        ranked = Magnitudes::unknown().ranked;
        ranked[0].probability = 0.0;
    }
    Magnitudes { ranked, odd: (ln_odd - peak).exp() / mass }
}

/// Logarithm of the density of shares about what is expected of them: usual unbalance, and now and then the worst.
fn ln_shares(seen: &[f64], expected: &[f64], wider: f64) -> f64 {
    let square: f64 = seen.iter().zip(expected).map(|(s, e)| (s - e).powi(2)).sum();
    let dimensions = seen.len() as f64 - 1.0;
    let bell = |spread: f64| {
        -0.5 * square / (spread * spread) - dimensions * (spread * (2.0 * std::f64::consts::PI).sqrt()).ln()
    };
    let usual = bell(USUAL_SPREAD * wider) + (1.0 - WORST_SHARE).ln();
    let worst = bell(WORST_SPREAD * wider) + WORST_SHARE.ln();
    ln_sum(&[usual, worst])
}

fn ln_exponential(value: f64, mean: f64) -> f64 {
    let mean = mean.max(UNREST_SOUND);
    -value / mean - mean.ln()
}

fn ln_unrest_sound(value: f64) -> f64 {
    let (calm, coarse) = (ln_exponential(value, UNREST_SOUND), ln_exponential(value, UNREST_COARSE));
    ln_sum(&[calm + 0.95f64.ln(), coarse + 0.05f64.ln()])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::evidence::Features;
    use crate::audit::testbench::even_features;

    fn window(current_a: [f64; 3], unrest: [f64; 3]) -> Window {
        let mean = Features {
            mean_current_a: current_a.iter().sum::<f64>() / 3.0,
            voltage_per_unit: 1.0,
            current_a,
            current_alive: current_a.map(|a| a > 0.0),
            ..even_features(0.0)
        };
        Window { level: 0, readings: 40, mean, share_variance: unrest.map(|u| u * u) }
    }

    fn leader(windows: &[Window]) -> Magnitude {
        weigh(windows, [false; 3], None).ranked[0]
    }

    #[test]
    fn currents_as_unbalanced_as_loads_get_are_as_rated() {
        for currents in [[70.0, 70.0, 70.0], [70.0, 76.0, 64.0], [77.0, 70.0, 63.0]] {
            let found = weigh(&[window(currents, [0.004; 3])], [false; 3], None);
            assert!(found.as_rated() > 0.97, "{currents:?}: {found:?}");
        }
    }

    #[test]
    fn a_channel_at_half_or_double_is_named() {
        for k in 0..3 {
            for (gain, factor) in [(Gain::Times(1, 2), 0.5), (Gain::Times(2, 1), 2.0), (Gain::Times(3, 1), 3.0)] {
                let mut currents = [70.0, 73.0, 68.0];
                currents[k] *= factor;
                let found = leader(&[window(currents, [0.004; 3])]);
                assert_eq!(found.gain[k], gain);
                assert!(found.probability > 0.9, "{found:?}");
            }
        }
    }

    /// An idling motor on a supply with one phase 3 % low comes to 0.67: no accusation, and cleared by an even load.
    #[test]
    fn an_uneven_light_load_is_cleared_by_an_even_full_one() {
        let light = window([20.0, 30.0, 25.0], [0.004; 3]);
        let alone = weigh(&[light], [false; 3], None);
        assert!(alone.ranked[0].gain == [Gain::AsRated; 3], "{alone:?}");
        assert!(weigh(&[light, window([70.0, 75.0, 72.0], [0.004; 3])], [false; 3], None).as_rated() > 0.97);
    }

    #[test]
    fn a_restless_channel_is_loose() {
        let found = leader(&[window([70.0, 55.0, 70.0], [0.12, 0.25, 0.12])]);
        assert_eq!(found.gain, [Gain::AsRated, Gain::Unsteady, Gain::AsRated]);
        assert!(found.probability > 0.75, "{found:?}");
        // Coarse registers are restless alike.
        assert!(weigh(&[window([10.0, 10.0, 10.0], [0.04; 3])], [false; 3], None).as_rated() > 0.9);
    }

    /// Of two channels nothing says which one is right.
    #[test]
    fn with_two_channels_both_stories_stay() {
        let found = weigh(&[window([70.0, 35.0, 0.0], [0.004; 3])], [false; 3], None);
        assert!((found.ranked[0].probability - found.ranked[1].probability).abs() < 0.05, "{found:?}");
    }
}
