//! What the totals of power say of which conductor each CT is on, where the angle of each conductor's current is known
//! against the load's own.
//!
//! Under a class the total is one fixed phasor turned by the load's lag; its size tells classes apart that share three
//! shifts in another order, as far as the channels' weights and angles differ. Must never be used where a channel's own
//! power is known.

use num_complex::Complex64;

use super::pattern::{Answer, Seat, closed_rad};
use super::sizes::Fit;
use crate::audit::evidence::Features;
use crate::audit::hypotheses::{NOTHING, Shift};
use crate::audit::load::GRID_STEP_DEG;
use crate::electrical::angle::polar_deg;

/// Spread of a channel's angle beyond what the supply draws, degrees: the phase displacement of a class 1 CT is within 60
/// minutes at rated current and 90 at a fifth of it (IEC 61869-2), and the monitor's own adds to it.
const ANGLE_SPREAD_DEG: f64 = 1.0;
/// Error of a total over the sum of V x I at one load level: rounding of registers, linearity, a load that moves meanwhile.
pub const TOTAL_ERROR: f64 = 0.004;

/// Fundamental over RMS current of a drive's rectifier, and its spread: 30 to 45 % of harmonics behind the usual chokes leave
/// 0.96 to 0.91, 60 to 80 % without them 0.86 to 0.78, an active front end all of it (common practice, from memory).
const DISTORTION: f64 = 0.93;
const DISTORTION_SPREAD: f64 = 0.06;

/// Sources of error that are the same at every load level: the angle of each CT, two parts of the supply's opposing sequence,
/// size and angle of a distorted current.
pub const COMMON: usize = 7;

/// A total over the sum of V x I as one class under one story makes it, but for the load's own lag.
#[derive(Debug, Clone, Copy)]
pub struct Totals {
    /// The total of a load without lag.
    pub sum: Complex64,
    /// How much each source of error moves it at one standard deviation.
    pub common: [Complex64; COMMON],
    /// The same of what errs at this level alone.
    pub own: [Complex64; 2],
    /// Unit phasor that turns it to angle zero.
    unit: Complex64,
    size: f64,
    /// Variance along the phasor, across it, and the covariance of the two.
    along: f64,
    across: f64,
    both: f64,
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

/// The total under a class, with the `fit` of the sizes and by how much the supply `strays` at this load level; `distorted`
/// where the load is a rectifier's.
pub fn totals(answer: &Answer, fit: &Fit, strays: f64, places: Places, features: &Features, distorted: bool) -> Totals {
    let Places { shift, seat, back } = places;
    let answer = &answer.with(fit.more, back);
    let closed = if answer.closed { closed_lead_rad(seat, back, features.ln_share()) } else { None };
    let lead_rad = closed.unwrap_or_else(|| supply_lead_rad(answer, seat, back));
    let mut sum = Complex64::ZERO;
    let mut part = [Complex64::ZERO; 3];
    let seen = || (0..3).filter(|k| shift[*k] != NOTHING);
    for k in seen() {
        let off = answer.voltage_rad(k, back) - lead_rad[k];
        part[k] = polar_deg(features.weight[k], 30.0 * f64::from(shift[k]) + off.to_degrees());
        sum += part[k];
    }
    let turned = ANGLE_SPREAD_DEG.to_radians();
    let (mut common, mut own) = ([Complex64::ZERO; COMMON], [Complex64::ZERO; 2]);
    for k in seen() {
        // A small turn moves a phasor at right angles to itself.
        common[k] = part[k] * Complex64::I * turned;
    }
    if closed.is_none() {
        let [mut of_re, mut of_im] = [Complex64::ZERO; 2];
        for k in seen() {
            let Some(seat) = seat[k] else { continue };
            // How the angle of this conductor's current follows the parts of the opposing sequence.
            let follows = answer.follows(usize::from(seat), back);
            of_re -= part[k] * Complex64::I * follows.im;
            of_im -= part[k] * Complex64::I * follows.re;
        }
        let [first, second, third] = fit.uncertain;
        (common[3], common[4]) = (of_re * first + of_im * second, of_im * third);
        let of_either = strays * 0.5f64.sqrt();
        own = [of_re * of_either, of_im * of_either];
    }
    if distorted {
        (common[5], common[6]) = (sum * DISTORTION_SPREAD, sum * Complex64::I * DISTORTION_SPREAD);
        sum *= DISTORTION;
    }
    Totals::of_parts(sum, common, own)
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

impl Totals {
    /// Of the total of a load without lag and what moves it.
    pub(super) fn of_parts(sum: Complex64, common: [Complex64; COMMON], own: [Complex64; 2]) -> Totals {
        let size = sum.norm();
        let unit = if size > 0.0 { sum.conj() / size } else { Complex64::ONE };
        let quantised = TOTAL_ERROR * TOTAL_ERROR;
        let (mut along, mut across, mut both) = (quantised, quantised, 0.0);
        for moved in common.into_iter().chain(own) {
            let z = moved * unit;
            along += z.re * z.re;
            across += z.im * z.im;
            both += z.re * z.im;
        }
        Totals { sum, common, own, unit, size, along, across, both }
    }

    /// Density of totals seen (P + jQ), for a load that lags by the angle of the unit phasor `lag`.
    pub fn density(&self, seen: Complex64, lag: Complex64) -> f64 {
        let off = seen * self.unit * lag.conj();
        let (x, y) = (off.re - self.size, off.im);
        let across = self.across_step();
        let det = self.along * across - self.both * self.both;
        let square = (x * x * across - 2.0 * x * y * self.both + y * y * self.along) / det;
        if square > 60.0 { 0.0 } else { (-0.5 * square).exp() / (std::f64::consts::TAU * det.sqrt()) }
    }

    /// Active power over the sum of V x I for a load that lags by the angle of `lag`, and its variance.
    pub fn active(&self, lag: Complex64) -> (f64, f64) {
        self.on(self.unit.conj() * lag)
    }

    /// Reactive power, likewise.
    pub fn reactive(&self, lag: Complex64) -> (f64, f64) {
        self.on(self.unit.conj() * lag * -Complex64::I)
    }

    /// The part along the real axis of what stands at the angle of `turned`, and its variance.
    fn on(&self, turned: Complex64) -> (f64, f64) {
        let (sin, cos) = (turned.im, turned.re);
        let variance = self.along * cos * cos + self.across_step() * sin * sin - 2.0 * self.both * sin * cos;
        (self.size * cos, variance)
    }

    /// Variance across the phasor, with that of the lag within a step of its grid: a grid's point stands for its step.
    fn across_step(&self) -> f64 {
        self.across + (self.size * GRID_STEP_DEG.to_radians()).powi(2) / 12.0
    }
}
