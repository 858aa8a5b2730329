//! What a class makes of each channel's power, where the angle of each conductor's current is known against the load's own,
//! and what may be wrong with that.
//!
//! A phasor a channel, for a load without lag; the load's lag turns them all alike. Must never look at a power.

use num_complex::Complex64;

use super::pattern::{Answer, Seat, closed_rad};
use super::sizes::Fit;
use crate::audit::evidence::Features;
use crate::audit::hypotheses::{NOTHING, Shift};
use crate::electrical::angle::polar_deg;

/// Spread of a channel's angle beyond what the supply draws, degrees: the phase displacement of a class 1 CT is within 60
/// minutes at rated current, 90 at a fifth of it and 180 at a twentieth (IEC 61869-2, from memory), and pumps seldom load a CT
/// to its rating.
const ANGLE_SPREAD_DEG: f64 = 1.5;

/// Fundamental over RMS current of a drive's rectifier, and its spread: 30 to 45 % of harmonics behind the usual chokes leave
/// 0.96 to 0.91, 60 to 80 % without them 0.86 to 0.78, an active front end all of it (common practice, from memory).
const DISTORTION: f64 = 0.93;
const DISTORTION_SPREAD: f64 = 0.06;

/// Sources of error that are the same at every load level: the angle of each CT, two parts of the supply's opposing sequence,
/// size and angle of a distorted current.
pub const COMMON: usize = 7;
/// Those of one level alone: two parts of the opposing sequence.
pub const OWN: usize = 2;

/// P + jQ over V x I of one channel, or of the total over their sum, as one class under one story makes it.
#[derive(Debug, Clone, Copy)]
pub struct Made {
    /// Of a load without lag.
    pub power: Complex64,
    /// How much each source of error moves it at one standard deviation.
    pub common: [Complex64; COMMON],
    /// The same of what errs at this level alone.
    pub own: [Complex64; OWN],
}

/// What a class makes of the channels.
#[derive(Debug, Clone, Copy)]
pub struct Places {
    /// Shift per channel, as the supply rotates.
    pub shift: [Shift; 3],
    /// Conductor of each.
    pub seat: Seat,
    /// The channels rotate 1-3-2.
    pub back: bool,
}

/// Each channel under a class, with the `fit` of the sizes and by how much the supply `strays` at this load level; `distorted`
/// where the load is a rectifier's. Nothing for a channel that sees nothing.
pub fn channels(
    answer: &Answer,
    fit: &Fit,
    strays: f64,
    places: Places,
    features: &Features,
    distorted: bool,
) -> [Option<Made>; 3] {
    let Places { shift, seat, back } = places;
    let answer = &answer.with(fit.more, back);
    let closed = if answer.closed { closed_lead_rad(seat, back, features.ln_share()) } else { None };
    let lead_rad = closed.unwrap_or_else(|| supply_lead_rad(answer, seat, back));
    let of_either = strays * 0.5f64.sqrt();
    [0, 1, 2].map(|k| {
        if shift[k] == NOTHING {
            return None;
        }
        let off = answer.voltage_rad(k, back) - lead_rad[k];
        let power = polar_deg(1.0, 30.0 * f64::from(shift[k]) + off.to_degrees());
        // A small turn moves a phasor at right angles to itself.
        let turned = power * Complex64::I;
        let (mut common, mut own) = ([Complex64::ZERO; COMMON], [Complex64::ZERO; OWN]);
        common[k] = turned * ANGLE_SPREAD_DEG.to_radians();
        if let (None, Some(seat)) = (closed, seat[k]) {
            // How the angle of this conductor's current follows the parts of the opposing sequence.
            let follows = answer.follows(usize::from(seat), back);
            let (of_re, of_im) = (-turned * follows.im, -turned * follows.re);
            let [first, second, third] = fit.uncertain;
            (common[3], common[4]) = (of_re * first + of_im * second, of_im * third);
            own = [of_re * of_either, of_im * of_either];
        }
        let mut made = Made { power, common, own };
        if distorted {
            (made.common[5], made.common[6]) = (power * DISTORTION_SPREAD, turned * DISTORTION_SPREAD);
            made.power *= DISTORTION;
        }
        Some(made)
    })
}

impl Made {
    /// The total of channels of these weights.
    pub fn total(channels: &[Option<Made>; 3], weight: [f64; 3]) -> Made {
        let mut total = Made { power: Complex64::ZERO, common: [Complex64::ZERO; COMMON], own: [Complex64::ZERO; OWN] };
        for (made, weight) in channels.iter().zip(weight) {
            let Some(made) = made else { continue };
            total.power += made.power * weight;
            total.common.iter_mut().zip(made.common).for_each(|(sum, moved)| *sum += moved * weight);
            total.own.iter_mut().zip(made.own).for_each(|(sum, moved)| *sum += moved * weight);
        }
        total
    }
}

/// Angle by which the current that each channel sees leads its place in an even set, radians, by what the supply draws.
fn supply_lead_rad(answer: &Answer, seat: Seat, back: bool) -> [f64; 3] {
    seat.map(|seat| seat.map_or(0.0, |s| answer.current(usize::from(s), back).arg()))
}

/// The same by the triangle of the currents; `None` unless all three are seen.
fn closed_lead_rad(seat: Seat, back: bool, ln_share: [Option<f64>; 3]) -> Option<[f64; 3]> {
    let mut size = [None; 3];
    for (seat, share) in seat.iter().zip(ln_share) {
        size[usize::from((*seat)?)] = share;
    }
    let [Some(a), Some(b), Some(c)] = size else { return None };
    let lead = closed_rad([a, b, c], back);
    Some(seat.map(|seat| seat.map_or(0.0, |s| lead[usize::from(s)])))
}
