//! Voltage phasors of a monitor's three channels from whatever subset of magnitudes and angles it reports.
//!
//! Channel 1 is the angle reference. Without measured angles the geometry of the magnitudes gives the angles but not
//! which way round they go, so the expected rotation is taken and marked as assumed.

use std::sync::LazyLock;

use num_complex::Complex64;

use super::angle::{arg_deg, polar_deg, wrap_deg};
use crate::reading::{Measured, MonitorReading, Rotation};

/// Where the angles came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AngleBasis {
    /// The monitor reports them.
    Measured,
    /// From line-to-neutral and line-to-line magnitudes together; rotation assumed.
    Triangles,
    /// 120 degrees apart in the expected rotation.
    Nominal,
}

/// Reconstructed voltages, V to neutral or (three-wire) to the centre of the line-voltage triangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Voltages {
    /// Phasor per channel; `None` when the channel reads nothing usable.
    pub phasor_v: [Option<Complex64>; 3],
    /// Angle of each phasor, -180 to 180 degrees, which is known before the phasor is.
    pub angle_deg: [f64; 3],
    /// Source of the angles.
    pub basis: AngleBasis,
    /// Rotation of channels 1, 2, 3 when it was measured: 1-2-3 counts as ABC.
    pub measured_rotation: Option<Rotation>,
}

impl Voltages {
    /// False when all three channels are alive and their measured angles are far from those of a three-phase set.
    pub fn is_three_phase_set(&self) -> bool {
        let measured = self.basis == AngleBasis::Measured && self.phasor_v.iter().all(Option::is_some);
        !measured || self.measured_rotation.is_some()
    }
}

/// A channel below this share of nominal carries no voltage worth an angle.
pub const DEAD_VOLTAGE_SHARE: f64 = 0.3;

/// Rebuilds the voltage phasors of a reading. `nominal_ln_v` is the nominal voltage to neutral.
pub fn reconstruct(reading: &MonitorReading, nominal_ln_v: f64, expected: Rotation) -> Voltages {
    let dead_v = DEAD_VOLTAGE_SHARE * nominal_ln_v;
    let ln = reading.voltage_ln_v.map(|v| v.good().filter(|v| *v >= dead_v));
    let ll = reading.voltage_ll_v.map(Measured::good);
    let angle = reading.voltage_angle_deg.map(Measured::good);

    if let [Some(a1), Some(a2), Some(a3)] = angle {
        let deg = [a1, a2, a3];
        let angle_deg = deg.map(|of_channel| wrap_deg(of_channel - a1));
        let phasor_v = [0, 1, 2].map(|k| ln[k].map(|v| polar_deg(v, angle_deg[k])));
        let all_alive = phasor_v.iter().all(Option::is_some);
        return Voltages {
            phasor_v,
            angle_deg,
            basis: AngleBasis::Measured,
            // A dead channel's angle is noise; two live channels still tell the direction.
            measured_rotation: if all_alive { rotation_of(deg) } else { None },
        };
    }
    if let ([Some(v1), Some(v2), Some(v3)], [Some(v12), Some(v23), Some(v31)]) = (ln, ll)
        && let Some(angle_deg) = angles_of_triangles_deg([v1, v2, v3], [v12, v23, v31], expected)
    {
        let phasor_v = [0, 1, 2].map(|k| Some(polar_deg([v1, v2, v3][k], angle_deg[k])));
        return Voltages { phasor_v, angle_deg, basis: AngleBasis::Triangles, measured_rotation: None };
    }
    if ln == [None; 3]
        && !reading.voltage_ln_v.iter().any(|v| v.good().is_some())
        && let [Some(v12), Some(v23), Some(v31)] = ll
        && let Some(phasor_v) = from_line_voltages([v12, v23, v31], expected)
    {
        return Voltages {
            phasor_v: phasor_v.map(Some),
            angle_deg: phasor_v.map(arg_deg),
            basis: AngleBasis::Triangles,
            measured_rotation: None,
        };
    }
    let [unit_1, unit_2, unit_3] = &*NOMINAL_UNITS;
    let unit = match expected {
        Rotation::Abc => [unit_1, unit_2, unit_3],
        Rotation::Acb => [unit_1, unit_3, unit_2],
    };
    Voltages {
        phasor_v: [0, 1, 2].map(|k| ln[k].map(|v| unit[k].scale(v))),
        angle_deg: nominal_angles_deg(expected),
        basis: AngleBasis::Nominal,
        measured_rotation: None,
    }
}

/// Unit phasors of a balanced ABC set: most monitors report no angles, and a sine costs more than all else here.
static NOMINAL_UNITS: LazyLock<[Complex64; 3]> =
    LazyLock::new(|| nominal_angles_deg(Rotation::Abc).map(|deg| polar_deg(1.0, deg)));

/// Angles of channels 1, 2, 3 of a balanced set, degrees.
pub fn nominal_angles_deg(rotation: Rotation) -> [f64; 3] {
    match rotation {
        Rotation::Abc => [0.0, -120.0, 120.0],
        Rotation::Acb => [0.0, 120.0, -120.0],
    }
}

/// Rotation of three angles, degrees; `None` when they are far from a three-phase set.
pub fn rotation_of(angles_deg: [f64; 3]) -> Option<Rotation> {
    let matches = |rotation| {
        let nominal = nominal_angles_deg(rotation);
        (1..3).all(|k| wrap_deg(angles_deg[k] - angles_deg[0] - nominal[k]).abs() < 40.0)
    };
    [Rotation::Abc, Rotation::Acb].into_iter().find(|r| matches(*r))
}

/// Three voltages to neutral and three between lines fix two triangles with the neutral as common corner.
fn angles_of_triangles_deg(ln: [f64; 3], ll: [f64; 3], rotation: Rotation) -> Option<[f64; 3]> {
    let between = |a: f64, b: f64, line: f64| {
        let cosine = (a * a + b * b - line * line) / (2.0 * a * b);
        (-1.02..=1.02).contains(&cosine).then(|| cosine.clamp(-1.0, 1.0).acos().to_degrees())
    };
    let a12 = between(ln[0], ln[1], ll[0])?;
    let a23 = between(ln[1], ln[2], ll[1])?;
    let a31 = between(ln[2], ln[0], ll[2])?;
    // Around the neutral the three angles close the turn; if they do not, a lead is reversed or a register is off.
    if (a12 + a23 + a31 - 360.0).abs() > 15.0 {
        return None;
    }
    let sign = match rotation {
        Rotation::Abc => -1.0,
        Rotation::Acb => 1.0,
    };
    Some([0.0, sign * a12, -sign * a31])
}

/// Three line voltages alone: phasors from the triangle's corners to its centroid, channel 1 at angle zero.
fn from_line_voltages(ll: [f64; 3], rotation: Rotation) -> Option<[Complex64; 3]> {
    let [v12, v23, v31] = ll;
    if v12 <= 0.0 || v31 <= 0.0 {
        return None;
    }
    let cosine = (v12 * v12 + v31 * v31 - v23 * v23) / (2.0 * v12 * v31);
    if !(-1.0..=1.0).contains(&cosine) {
        return None;
    }
    // Corner 1 at the origin, corner 2 along the axis, corner 3 on the side the rotation puts it.
    let side = match rotation {
        Rotation::Abc => -1.0,
        Rotation::Acb => 1.0,
    };
    let corners = [Complex64::ZERO, polar_deg(v12, 180.0), -polar_deg(v31, side * cosine.acos().to_degrees())];
    let centre = corners.iter().sum::<Complex64>() / 3.0;
    let raw = corners.map(|corner| corner - centre);
    let turn = Complex64::from_polar(1.0, -raw[0].arg());
    Some(raw.map(|phasor| phasor * turn))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::reading::Measured::Good;

    fn reading_of(set: [Complex64; 3], with_ln: bool, with_ll: bool, with_angles: bool) -> MonitorReading {
        let mut reading = MonitorReading::default();
        for k in 0..3 {
            if with_ln {
                reading.voltage_ln_v[k] = Good(set[k].norm());
            }
            if with_ll {
                reading.voltage_ll_v[k] = Good((set[k] - set[(k + 1) % 3]).norm());
            }
            if with_angles {
                reading.voltage_angle_deg[k] = Good(arg_deg(set[k]));
            }
        }
        reading
    }

    fn set(rotation: Rotation, scale: [f64; 3], shift_deg: [f64; 3]) -> [Complex64; 3] {
        let deg = nominal_angles_deg(rotation);
        [0, 1, 2].map(|k| polar_deg(277.0 * scale[k], deg[k] + if k == 0 { 0.0 } else { shift_deg[k] }))
    }

    proptest! {
        /// Magnitudes to neutral and between lines give back the phasors that made them, in either rotation.
        #[test]
        fn triangles_recover_unbalanced_sets(
            scale in proptest::array::uniform3(0.9..1.1f64),
            shift in proptest::array::uniform3(-6.0..6.0f64),
            acb in any::<bool>(),
        ) {
            let rotation = if acb { Rotation::Acb } else { Rotation::Abc };
            let original = set(rotation, scale, shift);
            for angles in [false, true] {
                let voltages = reconstruct(&reading_of(original, true, true, angles), 277.0, rotation);
                for (k, made) in original.into_iter().enumerate() {
                    let found = voltages.phasor_v[k].unwrap();
                    prop_assert!((found - made).norm() < 1e-3);
                    prop_assert!(wrap_deg(voltages.angle_deg[k] - arg_deg(found)).abs() < 1e-9);
                }
                prop_assert_eq!(voltages.measured_rotation, angles.then_some(rotation));
            }
        }

        /// Line voltages alone give phasors whose differences have those magnitudes and whose sum is zero.
        #[test]
        fn line_voltages_alone(scale in proptest::array::uniform3(0.9..1.1f64), acb in any::<bool>()) {
            let rotation = if acb { Rotation::Acb } else { Rotation::Abc };
            let original = set(rotation, scale, [0.0; 3]);
            let reading = reading_of(original, false, true, false);
            let voltages = reconstruct(&reading, 277.0, rotation);
            let found = voltages.phasor_v.map(Option::unwrap);
            prop_assert!(found.iter().sum::<Complex64>().norm() < 1e-6);
            for k in 0..3 {
                let line = (found[k] - found[(k + 1) % 3]).norm();
                prop_assert!((line - reading.voltage_ll_v[k].good().unwrap()).abs() < 1e-6);
            }
            prop_assert_eq!(rotation_of(voltages.angle_deg), Some(rotation));
            for k in 0..3 {
                prop_assert!(wrap_deg(voltages.angle_deg[k] - arg_deg(found[k])).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_dead_channel_has_no_phasor_and_no_rotation() {
        let mut reading = reading_of(set(Rotation::Abc, [1.0; 3], [0.0; 3]), true, false, true);
        reading.voltage_ln_v[1] = Good(4.0);
        let voltages = reconstruct(&reading, 277.0, Rotation::Abc);
        assert_eq!(voltages.phasor_v[1], None);
        assert_eq!(voltages.measured_rotation, None);
        assert!(voltages.phasor_v[0].is_some() && voltages.phasor_v[2].is_some());
    }

    #[test]
    fn magnitudes_only_take_the_expected_rotation() {
        let reading = reading_of(set(Rotation::Acb, [1.0; 3], [0.0; 3]), true, false, false);
        let voltages = reconstruct(&reading, 277.0, Rotation::Acb);
        assert_eq!(voltages.basis, AngleBasis::Nominal);
        assert!((arg_deg(voltages.phasor_v[1].unwrap()) - 120.0).abs() < 1e-9);
        assert_eq!(voltages.angle_deg, [0.0, 120.0, -120.0]);
        assert_eq!(voltages.measured_rotation, None);
    }

    #[test]
    fn a_reversed_voltage_lead_is_no_three_phase_set() {
        assert_eq!(rotation_of([0.0, 60.0, 120.0]), None);
        assert_eq!(rotation_of([10.0, -110.0, 130.0]), Some(Rotation::Abc));
    }
}
