//! Ticks of station time, and everything drawn from a seed: slow wander, loose contacts, fixed mixing.
//!
//! Must never depend on what was asked before: the same seed and time always give the same number.

use std::f64::consts::TAU;

/// Meters refresh this often: values within one tick are identical, as on a real monitor with a 200 ms window.
pub(crate) const TICK_S: f64 = 0.2;

/// Number of the tick a time falls in; the small addition keeps 0.6 / 0.2 in tick 3 whatever the rounding.
pub(crate) fn tick_of(t_s: f64) -> u64 {
    (t_s.max(0.0) / TICK_S + 1e-6).floor() as u64
}

/// Start of the tick a time falls in, s.
pub(crate) fn tick_start_s(t_s: f64) -> f64 {
    tick_of(t_s) as f64 * TICK_S
}

/// Uniform in -1..1, another number every tick.
fn step(seed: u64, t_s: f64) -> f64 {
    (mix(seed.wrapping_add(tick_of(t_s))) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Slow irregular motion within -1..1: three incommensurable sines, and a small step that changes every tick.
pub(crate) fn drift(seed: u64, t_s: f64) -> f64 {
    let phase = |salt: u64| (mix(seed ^ salt) >> 11) as f64 / (1u64 << 53) as f64 * TAU;
    let slow: f64 = [(1u64, 7.31), (2, 17.93), (3, 61.7)]
        .iter()
        .map(|&(salt, period_s)| (TAU * t_s / period_s + phase(salt)).sin())
        .sum();
    0.3 * slow + 0.1 * step(seed, t_s)
}

/// What a loose contact lets through: between `1 - depth` and 1, half of it drifting and half new every tick. A bad
/// contact only ever loses signal.
pub(crate) fn contact(seed: u64, depth: f64, t_s: f64) -> f64 {
    if depth == 0.0 {
        return 1.0;
    }
    let swing = 0.5 * drift(seed, t_s) + 0.5 * step(seed ^ 0xC0, t_s);
    1.0 - depth * (0.5 + 0.5 * swing.clamp(-1.0, 1.0))
}

/// A fixed 64-bit mixing function (splitmix64), so that draws do not change with a library.
pub(crate) fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loose_contact_loses_up_to_its_depth_and_never_gains() {
        let gains: Vec<f64> = (0..2000).map(|tick| contact(7, 0.3, f64::from(tick) * TICK_S)).collect();
        let least = gains.iter().copied().fold(1.0, f64::min);
        let most = gains.iter().copied().fold(0.0, f64::max);
        assert!((0.7..0.75).contains(&least) && (0.95..=1.0).contains(&most), "{least} to {most}");
        assert!(gains.windows(2).all(|pair| pair[0] != pair[1]), "noisy from tick to tick");
        let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
        let means: Vec<f64> = gains.chunks(10).map(mean).collect();
        let spread = means.iter().copied().fold(0.0, f64::max) - means.iter().copied().fold(1.0, f64::min);
        assert!(0.08 < spread, "drifting over seconds too: {spread}");
        assert_eq!(contact(7, 0.0, 3.0), 1.0);
    }
}
