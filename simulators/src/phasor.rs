//! Complex RMS phasors, symmetrical components and spectra of periodic signals.
//!
//! Convention: a phasor X of harmonic order h is the signal sqrt(2) * Re(X e^(j h w t)), so a lag is a negative angle.
//! Must never know what a signal is measured with.

use std::f64::consts::TAU;

/// A complex number; phasors are RMS.
pub type C64 = num_complex::Complex64;

/// Zero.
pub(crate) const ZERO: C64 = C64::new(0.0, 0.0);

/// A phasor from magnitude and angle in degrees.
pub(crate) fn polar_deg(magnitude: f64, angle_deg: f64) -> C64 {
    C64::from_polar(magnitude, angle_deg.to_radians())
}

/// Angle in degrees brought into (-180, 180].
pub(crate) fn wrap_deg(angle_deg: f64) -> f64 {
    let turned = (angle_deg + 180.0).rem_euclid(360.0) - 180.0;
    if turned <= -180.0 { 180.0 } else { turned }
}

/// Which way the phases turn: with `Abc`, B lags A by 120 degrees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turn {
    /// A, B, C.
    Abc,
    /// A, C, B.
    Acb,
}

impl Turn {
    /// Angle of phase 0, 1 or 2 in a balanced set of this rotation, radians.
    pub(crate) fn angle_rad(self, phase: usize) -> f64 {
        let step = match self {
            Turn::Abc => -TAU / 3.0,
            Turn::Acb => TAU / 3.0,
        };
        step * phase as f64
    }
}

/// Zero, main and opposing sequence of three phasors, where "main" is the rotation of the source. A pump motor is
/// always connected so that it turns the right way, so its positive sequence is the source's own rotation.
pub(crate) fn to_sequences(phases: &[C64; 3], turn: Turn) -> [C64; 3] {
    let unit = |phase: usize, sign: f64| C64::from_polar(1.0, -sign * turn.angle_rad(phase));
    let sum = |sign: f64| (0..3).map(|phase| phases[phase] * unit(phase, sign)).sum::<C64>() / 3.0;
    [sum(0.0), sum(1.0), sum(-1.0)]
}

/// Phases of zero, main and opposing sequence: the inverse of [`to_sequences`].
pub(crate) fn to_phases(sequences: &[C64; 3], turn: Turn) -> [C64; 3] {
    std::array::from_fn(|phase| {
        let turned = C64::from_polar(1.0, turn.angle_rad(phase));
        sequences[0] + sequences[1] * turned + sequences[2] * turned.conj()
    })
}

/// One periodic signal as RMS phasors by harmonic order; the fundamental is first.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Spectrum {
    terms: Vec<(u16, C64)>,
}

impl Spectrum {
    /// A pure sine.
    pub fn sine(fundamental: C64) -> Spectrum {
        Spectrum { terms: vec![(1, fundamental)] }
    }

    /// Harmonic orders with their phasors.
    pub fn terms(&self) -> &[(u16, C64)] {
        &self.terms
    }

    /// The fundamental, zero when there is none.
    pub fn fundamental(&self) -> C64 {
        self.order(1)
    }

    /// The phasor of one order, zero when there is none.
    pub fn order(&self, order: u16) -> C64 {
        self.terms.iter().find(|term| term.0 == order).map_or(ZERO, |term| term.1)
    }

    /// RMS value over all orders.
    pub fn rms(&self) -> f64 {
        self.terms.iter().map(|term| term.1.norm_sqr()).sum::<f64>().sqrt()
    }

    /// Adds a phasor to one order.
    pub fn add(&mut self, order: u16, phasor: C64) {
        match self.terms.iter_mut().find(|term| term.0 == order) {
            Some(term) => term.1 += phasor,
            None => self.terms.push((order, phasor)),
        }
    }

    /// Adds another signal times a real factor (negative: reversed).
    pub fn add_scaled(&mut self, other: &Spectrum, factor: f64) {
        for (order, phasor) in &other.terms {
            self.add(*order, phasor * factor);
        }
    }

    /// The signal minus another.
    #[must_use]
    pub fn less(&self, other: &Spectrum) -> Spectrum {
        let mut difference = self.clone();
        difference.add_scaled(other, -1.0);
        difference
    }

    /// The signal times a real factor.
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Spectrum {
        for term in &mut self.terms {
            term.1 *= factor;
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: C64, magnitude: f64, angle_deg: f64, within: f64) {
        let expected = polar_deg(magnitude, angle_deg);
        assert!((got - expected).norm() < within, "{got} is not {magnitude} at {angle_deg} degrees");
    }

    /// Published set: one line open (Stevenson, Power System Analysis, example 11.1).
    #[test]
    fn sequences_of_one_open_line_are_the_published_ones() {
        let phases = [polar_deg(10.0, 0.0), polar_deg(10.0, 180.0), ZERO];
        let [zero, positive, negative] = to_sequences(&phases, Turn::Abc);
        assert!(zero.norm() < 1e-12);
        close(positive, 5.7735, -30.0, 1e-3);
        close(negative, 5.7735, 30.0, 1e-3);
    }

    /// Published set whose rotation is ACB: seen as ABC, nearly all of it is negative sequence.
    #[test]
    fn sequences_of_the_published_acb_set_depend_on_the_rotation() {
        let phases = [polar_deg(147.0, 13.0), polar_deg(154.0, 129.0), polar_deg(150.0, 237.0)];
        let [zero, positive, negative] = to_sequences(&phases, Turn::Abc);
        close(zero, 14.824, 142.704, 2e-3);
        close(positive, 10.135, 49.004, 2e-3);
        close(negative, 149.285, 6.321, 2e-3);
        let [_, main, opposing] = to_sequences(&phases, Turn::Acb);
        assert!((main - negative).norm() < 1e-9 && (opposing - positive).norm() < 1e-9);
    }

    #[test]
    fn phases_come_back_from_their_sequences() {
        let phases = [C64::new(12.0, 24.0), C64::new(16.0, -2.0), C64::new(-4.0, -6.0)];
        for turn in [Turn::Abc, Turn::Acb] {
            let back = to_phases(&to_sequences(&phases, turn), turn);
            for phase in 0..3 {
                assert!((back[phase] - phases[phase]).norm() < 1e-12);
            }
        }
    }

    #[test]
    fn angles_wrap_into_one_turn() {
        assert_eq!(wrap_deg(540.0), 180.0);
        assert_eq!(wrap_deg(-180.0), 180.0);
        assert_eq!(wrap_deg(-190.0), 170.0);
    }
}
