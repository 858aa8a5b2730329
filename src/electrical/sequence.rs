//! Symmetrical components and unbalance.
//!
//! F0 = (Fa + Fb + Fc) / 3, F1 = (Fa + a Fb + a^2 Fc) / 3, F2 = (Fa + a^2 Fb + a Fc) / 3 with a = 1 at 120 degrees,
//! that is for ABC rotation; with ACB rotation F1 and F2 change places.

use num_complex::Complex64;

use super::angle::polar_deg;
use crate::reading::Rotation;

/// Sequence components of three phasors, in the unit of the phasors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sequence {
    /// Zero sequence.
    pub zero: Complex64,
    /// Positive sequence (rotation ABC).
    pub positive: Complex64,
    /// Negative sequence (rotation ACB).
    pub negative: Complex64,
}

impl Sequence {
    /// Components of three phasors a, b, c.
    pub fn of(phasors: [Complex64; 3]) -> Sequence {
        let a = polar_deg(1.0, 120.0);
        let a2 = polar_deg(1.0, -120.0);
        let [fa, fb, fc] = phasors;
        Sequence {
            zero: (fa + fb + fc) / 3.0,
            positive: (fa + a * fb + a2 * fc) / 3.0,
            negative: (fa + a2 * fb + a * fc) / 3.0,
        }
    }

    /// The phasors a, b, c these components stand for.
    pub fn phasors(&self) -> [Complex64; 3] {
        let a = polar_deg(1.0, 120.0);
        let a2 = polar_deg(1.0, -120.0);
        [
            self.zero + self.positive + self.negative,
            self.zero + a2 * self.positive + a * self.negative,
            self.zero + a * self.positive + a2 * self.negative,
        ]
    }

    /// The rotation the set has; `None` when neither sequence dominates (one is less than twice the other).
    pub fn rotation(&self) -> Option<Rotation> {
        let positive = self.positive.norm();
        let negative = self.negative.norm();
        if positive > 2.0 * negative {
            Some(Rotation::Abc)
        } else if negative > 2.0 * positive {
            Some(Rotation::Acb)
        } else {
            None
        }
    }
}

/// Voltage unbalance as NEMA MG 1 defines it: largest deviation from the mean over the mean, as a ratio.
/// Line-to-line magnitudes, V. `None` when the mean is not positive.
pub fn unbalance_nema(line_voltages_v: [f64; 3]) -> Option<f64> {
    let mean = line_voltages_v.iter().sum::<f64>() / 3.0;
    if !mean.is_finite() || mean <= 0.0 {
        return None;
    }
    Some(line_voltages_v.iter().map(|v| (v - mean).abs()).fold(0.0, f64::max) / mean)
}

/// Negative-sequence unbalance u2 = |V2| / |V1| from three line-to-line magnitudes, as a ratio
/// (IEC 61000-4-30 clause 5.7, from memory). `None` when the magnitudes form no triangle.
pub fn unbalance_from_line_voltages(line_voltages_v: [f64; 3]) -> Option<f64> {
    let squares: f64 = line_voltages_v.iter().map(|v| v * v).sum();
    let fourths: f64 = line_voltages_v.iter().map(|v| v.powi(4)).sum();
    let beta = fourths / (squares * squares);
    let inner = 3.0 - 6.0 * beta;
    // A hair below zero is rounding of a degenerate triangle; more is no triangle at all.
    if !inner.is_finite() || inner < -1e-9 {
        return None;
    }
    let root = inner.max(0.0).sqrt();
    // For a balanced set beta is 1/3, so the root is 1 and rounding may push the numerator below zero.
    Some(((1.0 - root).max(0.0) / (1.0 + root)).sqrt())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::electrical::angle::arg_deg;

    fn close(phasor: Complex64, magnitude: f64, angle_deg: f64, tolerance: f64) {
        let expected = polar_deg(magnitude, angle_deg);
        assert!((phasor - expected).norm() < tolerance, "{phasor} is not {magnitude} at {angle_deg}");
    }

    /// Grainger & Stevenson, Power System Analysis (1994), example 11.1 (from memory, arithmetic re-computed).
    #[test]
    fn one_line_open() {
        let s = Sequence::of([polar_deg(10.0, 0.0), polar_deg(10.0, 180.0), Complex64::ZERO]);
        close(s.zero, 0.0, 0.0, 1e-12);
        close(s.positive, 5.7735, -30.0, 1e-4);
        close(s.negative, 5.7735, 30.0, 1e-4);
    }

    /// Published solution listing of an Indian power-systems textbook, example 3.3.1.
    #[test]
    fn textbook_currents() {
        let s = Sequence::of([Complex64::new(12.0, 24.0), Complex64::new(16.0, -2.0), Complex64::new(-4.0, -6.0)]);
        assert!((s.zero - Complex64::new(8.0, 5.3333)).norm() < 1e-3);
        assert!((s.positive - Complex64::new(0.8453, 15.1068)).norm() < 1e-3);
        assert!((s.negative - Complex64::new(3.1547, 3.5598)).norm() < 1e-3);
    }

    /// Public-domain calculator program note on symmetrical components; the set rotates ACB, which the note's own
    /// labels hide: with abc labels its "positive" is our negative.
    #[test]
    fn set_with_acb_rotation() {
        let s = Sequence::of([polar_deg(147.0, 13.0), polar_deg(154.0, 129.0), polar_deg(150.0, 237.0)]);
        close(s.zero, 14.824, 142.704, 5e-3);
        close(s.positive, 10.135, 49.004, 5e-3);
        close(s.negative, 149.285, 6.321, 5e-3);
        assert_eq!(s.rotation(), Some(Rotation::Acb));
    }

    /// Textbook example 21.1 in a published solution listing, which flags the book's printed answer as wrong.
    #[test]
    fn textbook_voltages() {
        let s = Sequence::of([polar_deg(100.0, 90.0), polar_deg(116.0, 0.0), polar_deg(71.0, 224.8)]);
        close(s.zero, 27.494, 37.29, 5e-3);
        close(s.positive, 93.222, 105.80, 2e-2);
        close(s.negative, 7.260, -61.13, 5e-3);
    }

    /// Identities of faulted balanced sets.
    #[test]
    fn faulted_balanced_sets() {
        let (a, b, c) = (polar_deg(1.0, 0.0), polar_deg(1.0, -120.0), polar_deg(1.0, 120.0));
        let reversed = Sequence::of([a, -b, c]);
        assert!((reversed.positive.norm() - 1.0 / 3.0).abs() < 1e-12);
        assert!((reversed.negative.norm() - 2.0 / 3.0).abs() < 1e-12);
        assert!((reversed.zero.norm() - 2.0 / 3.0).abs() < 1e-12);
        let missing = Sequence::of([a, Complex64::ZERO, c]);
        assert!((missing.positive.norm() - 2.0 / 3.0).abs() < 1e-12);
        assert!((missing.negative.norm() - 1.0 / 3.0).abs() < 1e-12);
        let exchanged = Sequence::of([a, c, b]);
        assert!(exchanged.positive.norm() < 1e-12 && (exchanged.negative.norm() - 1.0).abs() < 1e-12);
        let rolled = Sequence::of([b, c, a]);
        assert!((rolled.positive.norm() - 1.0).abs() < 1e-12);
        assert!((arg_deg(rolled.positive).abs() - 120.0).abs() < 1e-9);
        assert_eq!(reversed.rotation(), None);
    }

    /// DOE motor systems tip sheet on voltage unbalance, as quoted: 462, 463, 455 V give 1.1 %.
    #[test]
    fn published_unbalance() {
        let volts = [462.0, 463.0, 455.0];
        assert!((unbalance_nema(volts).unwrap() - 0.010_870).abs() < 1e-6);
        assert!((unbalance_from_line_voltages(volts).unwrap() - 0.010_91).abs() < 1e-5);
        assert_eq!(unbalance_nema([0.0; 3]), None);
        assert_eq!(unbalance_from_line_voltages([480.0, 480.0, 1000.0]), None);
        assert_eq!(unbalance_from_line_voltages([480.0; 3]), Some(0.0));
    }

    proptest! {
        #[test]
        fn components_and_back(parts in proptest::array::uniform6(-500.0..500.0f64)) {
            let set = [
                Complex64::new(parts[0], parts[1]),
                Complex64::new(parts[2], parts[3]),
                Complex64::new(parts[4], parts[5]),
            ];
            let back = Sequence::of(set).phasors();
            for (before, after) in set.iter().zip(back) {
                prop_assert!((before - after).norm() < 1e-9);
            }
        }

        /// u2 from magnitudes equals |V2| / |V1| of the phasors, for line voltages (which have no zero sequence).
        #[test]
        fn magnitudes_give_the_same_unbalance(u2 in 0.0..0.4f64, angle in -180.0..180.0f64) {
            let set = Sequence { zero: Complex64::ZERO, positive: polar_deg(480.0, 0.0), negative: polar_deg(480.0 * u2, angle) };
            let magnitudes = set.phasors().map(Complex64::norm);
            let found = unbalance_from_line_voltages(magnitudes).unwrap();
            prop_assert!((found - u2).abs() < 1e-6, "{} against {}", found, u2);
        }
    }
}
