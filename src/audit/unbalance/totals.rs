//! How probable totals of power are for every lag of the load, under one class: the total is one fixed phasor turned by the lag.
//!
//! Its size tells classes apart that share three shifts in another order, as far as the channels' weights and angles differ.
//! Must never be used where a channel's own power is known.

use num_complex::Complex64;

use super::made::Made;
use crate::audit::load::GRID_STEP_DEG;

/// Error of P or Q over V x I at one load level: rounding of registers, linearity, a load that moves meanwhile.
pub const SHOWN_ERROR: f64 = 0.004;

/// A total over the sum of V x I as one class under one story makes it, but for the load's own lag.
#[derive(Debug, Clone, Copy)]
pub struct Totals {
    /// Unit phasor that turns it to angle zero.
    unit: Complex64,
    size: f64,
    /// Variance along the phasor, across it, and the covariance of the two.
    along: f64,
    across: f64,
    both: f64,
}

impl Totals {
    /// Of the total of a load without lag and what moves it.
    pub fn of(made: &Made) -> Totals {
        let size = made.power.norm();
        let unit = if size > 0.0 { made.power.conj() / size } else { Complex64::ONE };
        let quantised = SHOWN_ERROR * SHOWN_ERROR;
        let (mut along, mut across, mut both) = (quantised, quantised, 0.0);
        for moved in made.common.iter().chain(&made.own) {
            let z = *moved * unit;
            along += z.re * z.re;
            across += z.im * z.im;
            both += z.re * z.im;
        }
        Totals { unit, size, along, across, both }
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
