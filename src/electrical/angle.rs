//! Angles in degrees and the phasors made of them. Counter-clockwise is positive; a lagging current has a negative angle.

use num_complex::Complex64;

/// Brings an angle into (-180, 180] degrees.
pub fn wrap_deg(angle_deg: f64) -> f64 {
    // Nearly every angle is within a turn and a half: a remainder costs many times a comparison.
    if angle_deg > -180.0 && angle_deg <= 180.0 {
        return angle_deg;
    }
    if angle_deg > 180.0 && angle_deg <= 540.0 {
        return angle_deg - 360.0;
    }
    if angle_deg > -540.0 && angle_deg <= -180.0 {
        return angle_deg + 360.0;
    }
    let wrapped = angle_deg.rem_euclid(360.0);
    if wrapped > 180.0 { wrapped - 360.0 } else { wrapped }
}

/// Phasor from magnitude and angle in degrees.
pub fn polar_deg(magnitude: f64, angle_deg: f64) -> Complex64 {
    Complex64::from_polar(magnitude, angle_deg.to_radians())
}

/// Sine of 60 degrees.
pub const HALF_SQRT_3: f64 = 0.866_025_403_784_438_6;

/// Unit phasor at so many steps of 30 degrees, which all shifts of leads are.
pub fn unit_at_step(step: i32) -> Complex64 {
    const QUARTER: [Complex64; 3] =
        [Complex64::ONE, Complex64::new(HALF_SQRT_3, 0.5), Complex64::new(0.5, HALF_SQRT_3)];
    let step = step.rem_euclid(12) as usize;
    let Complex64 { re, im } = QUARTER[step % 3];
    match step / 3 {
        0 => Complex64::new(re, im),
        1 => Complex64::new(-im, re),
        2 => Complex64::new(-re, -im),
        _ => Complex64::new(im, -re),
    }
}

/// Unit phasor in the direction of another; that of angle zero for one without a length, as its angle is taken for zero.
pub fn direction(phasor: Complex64) -> Complex64 {
    let length = magnitude(phasor);
    if length > 0.0 { phasor * (1.0 / length) } else { Complex64::ONE }
}

/// Length of two parts at right angles. `hypot` takes care of overflow, which no voltage, current or power comes near, at
/// several times the cost.
pub fn length(x: f64, y: f64) -> f64 {
    (x * x + y * y).sqrt()
}

/// Magnitude of a phasor, likewise.
pub fn magnitude(phasor: Complex64) -> f64 {
    length(phasor.re, phasor.im)
}

/// Angle of a phasor in (-180, 180] degrees.
pub fn arg_deg(phasor: Complex64) -> f64 {
    wrap_deg(phasor.arg().to_degrees())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn wrap_keeps_the_half_turn_positive() {
        assert_eq!(wrap_deg(180.0), 180.0);
        assert_eq!(wrap_deg(-180.0), 180.0);
        assert_eq!(wrap_deg(540.0), 180.0);
        assert_eq!(wrap_deg(-190.0), 170.0);
        assert_eq!(wrap_deg(0.0), 0.0);
    }

    #[test]
    fn steps_of_thirty_degrees_are_exact_to_the_last_digits() {
        for step in -15..=15 {
            let off = unit_at_step(step) - polar_deg(1.0, 30.0 * f64::from(step));
            assert!(magnitude(off) < 1e-15, "{step}");
        }
    }

    #[test]
    fn a_direction_has_unit_length_and_nothing_points_to_zero() {
        assert!(magnitude(direction(Complex64::new(-3.0, 4.0)) - Complex64::new(-0.6, 0.8)) < 1e-15);
        assert_eq!(direction(Complex64::ZERO), Complex64::ONE);
    }

    proptest! {
        #[test]
        fn wrap_is_the_same_angle_inside_one_turn(angle in -1.0e4..1.0e4f64) {
            let wrapped = wrap_deg(angle);
            prop_assert!(wrapped > -180.0 && wrapped <= 180.0);
            let turns = (angle - wrapped) / 360.0;
            prop_assert!((turns - turns.round()).abs() < 1e-9);
        }

        #[test]
        fn polar_and_back(magnitude in 0.1..1.0e4f64, angle in -179.9..180.0f64) {
            let phasor = polar_deg(magnitude, angle);
            prop_assert!((phasor.norm() - magnitude).abs() < 1e-9 * magnitude.max(1.0));
            prop_assert!(wrap_deg(arg_deg(phasor) - angle).abs() < 1e-9);
        }
    }
}
