//! How uneven the supply is, as a monitor's voltage channels show it.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::electrical::angle::{HALF_SQRT_3, magnitude, unit_at_step};
use crate::electrical::voltage::{AngleBasis, Voltages};
use crate::reading::Rotation;

/// Opposing over main sequence of the voltage channels, for channels that rotate 1-2-3.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SupplyUnbalance {
    /// Real and imaginary part of what the sizes alone tell: opposing sequence plus the conjugate of the zero sequence.
    sizes: [f64; 2],
    /// Real and imaginary part of the opposing sequence itself, where the angles between the channels are known.
    opposing: Option<[f64; 2]>,
}

impl SupplyUnbalance {
    /// Of reconstructed voltages; `None` unless all three channels are alive and evenly spread.
    pub fn of(voltages: &Voltages, expected: Rotation) -> Option<SupplyUnbalance> {
        let [Some(v1), Some(v2), Some(v3)] = voltages.phasor_v else { return None };
        let phasors = match voltages.measured_rotation.unwrap_or(expected) {
            Rotation::Abc => [v1, v2, v3],
            // The mirror image, which rotates 1-2-3.
            Rotation::Acb => [v1.conj(), v2.conj(), v3.conj()],
        };
        let size = phasors.map(magnitude);
        // What is alike in all three cancels out.
        let sizes = uneven_part(size) * (2.0 / size.iter().sum::<f64>());
        let opposing = (voltages.basis != AngleBasis::Nominal).then(|| {
            let main: Complex64 = (0..3).map(|k| turn(k) * phasors[k]).sum();
            let opposing: Complex64 = (0..3).map(|k| turn(k).conj() * phasors[k]).sum();
            // Told against the main sequence's own angle.
            opposing / main
        });
        let pair = |z: Complex64| [z.re, z.im];
        (magnitude(sizes) < 0.2).then(|| SupplyUnbalance { sizes: pair(sizes), opposing: opposing.map(pair) })
    }

    /// Opposing over main sequence if `share` of what the sizes show is the opposing sequence's: all of it without a zero
    /// sequence, half of it where the phases stand 120 degrees apart.
    pub fn opposing(&self, share: f64) -> Complex64 {
        let complex = |[re, im]: [f64; 2]| Complex64::new(re, im);
        self.opposing.map_or(complex(self.sizes) * share, complex)
    }

    /// True where the opposing sequence is known by the angles, and no share of the sizes.
    pub fn opposing_is_measured(&self) -> bool {
        self.opposing.is_some()
    }

    /// Zero over main sequence that goes with [`SupplyUnbalance::opposing`].
    pub fn zero(&self, share: f64) -> Complex64 {
        (Complex64::new(self.sizes[0], self.sizes[1]) - self.opposing(share)).conj()
    }

    /// Moves towards a newer value.
    pub fn blend(&mut self, newer: &SupplyUnbalance, share: f64) {
        let mix = |old: &mut [f64; 2], new: [f64; 2]| {
            old.iter_mut().zip(new).for_each(|(old, new)| *old += share * (new - *old));
        };
        mix(&mut self.sizes, newer.sizes);
        match (self.opposing.as_mut(), newer.opposing) {
            (Some(old), Some(new)) => mix(old, new),
            (_, new) => self.opposing = new,
        }
    }

    /// True when the two differ by less than what matters to a diagnosis.
    pub fn is_near(&self, other: &SupplyUnbalance) -> bool {
        const STEP: f64 = 0.001;
        let gap = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
        let opposing = match (self.opposing, other.opposing) {
            (Some(a), Some(b)) => gap(a, b) < STEP,
            (None, None) => true,
            _ => false,
        };
        opposing && gap(self.sizes, other.sizes) < STEP
    }
}

/// Sum of sizes, each at its place in the rotation: nothing where they are alike.
fn uneven_part([first, second, third]: [f64; 3]) -> Complex64 {
    Complex64::new(first - 0.5 * (second + third), HALF_SQRT_3 * (second - third))
}

/// Angle of position `k` in the rotation, forwards.
pub(super) fn turn(k: usize) -> Complex64 {
    unit_at_step(4 * k as i32)
}
