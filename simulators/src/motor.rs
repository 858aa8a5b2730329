//! An induction motor from its nameplate: the per-phase equivalent circuit, its slip, its response to unbalance.
//!
//! The circuit is fitted so that at rated voltage and full load it draws exactly the nameplate current at the nameplate
//! power factor, and at standstill the locked-rotor current. Steady (quasi-static) states only: transients shorter than
//! a cycle are not modelled. Must never know how it is metered.

use crate::error::SimError;
use crate::phasor::C64;

/// Slip at full load assumed for a pump motor of normal design.
const FULL_LOAD_SLIP: f64 = 0.02;
/// Power factor at standstill of a motor of normal design.
const LOCKED_ROTOR_POWER_FACTOR: f64 = 0.2;
/// Part of the standstill resistance that is in the stator.
const STATOR_SHARE_OF_RESISTANCE: f64 = 0.4;
/// Bearing and windage loss as a part of full-load torque.
const FRICTION: f64 = 0.015;

/// Locked-rotor over full-load current by rated power in horsepower (NEC tables 430.250 and 430.251(B), 460 V).
const LOCKED_ROTOR_RATIO: [(f64, f64); 21] = [
    (0.5, 9.1),
    (0.75, 7.8),
    (1.0, 7.1),
    (1.5, 6.7),
    (2.0, 7.4),
    (3.0, 6.7),
    (5.0, 6.1),
    (7.5, 5.77),
    (10.0, 5.79),
    (15.0, 5.52),
    (20.0, 5.37),
    (25.0, 5.38),
    (30.0, 5.45),
    (40.0, 5.58),
    (50.0, 5.58),
    (60.0, 5.65),
    (75.0, 5.66),
    (100.0, 5.85),
    (125.0, 5.82),
    (150.0, 6.03),
    (200.0, 6.04),
];

/// What a motor's plate says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nameplate {
    /// Shaft power, W.
    pub rated_power_w: f64,
    /// Voltage between phases, V.
    pub rated_voltage_v: f64,
    /// Full-load current, A.
    pub full_load_current_a: f64,
    /// Full-load power factor.
    pub full_load_power_factor: f64,
    /// Locked-rotor current at rated voltage, A; from the NEC table by power when absent.
    pub locked_rotor_current_a: Option<f64>,
}

impl Nameplate {
    /// Locked-rotor current, A, as given or from the table.
    pub fn locked_rotor_a(&self) -> f64 {
        self.locked_rotor_current_a
            .unwrap_or_else(|| self.full_load_current_a * table_ratio(self.rated_power_w / 745.7))
    }
}

fn table_ratio(horsepower: f64) -> f64 {
    let last = LOCKED_ROTOR_RATIO.len() - 1;
    if horsepower <= LOCKED_ROTOR_RATIO[0].0 {
        return LOCKED_ROTOR_RATIO[0].1;
    }
    for pair in LOCKED_ROTOR_RATIO.windows(2) {
        let ((low, low_ratio), (high, high_ratio)) = (pair[0], pair[1]);
        if horsepower <= high {
            return low_ratio + (high_ratio - low_ratio) * (horsepower - low) / (high - low);
        }
    }
    LOCKED_ROTOR_RATIO[last].1
}

/// The fitted circuit, ohms per phase (wye equivalent).
#[derive(Debug, Clone, PartialEq)]
pub struct MotorModel {
    stator: C64,
    magnetizing_x: f64,
    rotor_x: f64,
    rotor_r_running: f64,
    rotor_r_standstill: f64,
    full_load_air_gap_w: f64,
}

impl MotorModel {
    /// Fits the circuit to a nameplate.
    pub fn fit(plate: &Nameplate) -> Result<MotorModel, SimError> {
        check(plate)?;
        let phase_v = plate.rated_voltage_v / 3f64.sqrt();
        let wanted = plate.locked_rotor_a();
        // The magnetizing branch shunts a little of the rotor at standstill, so the leakage impedance is corrected
        // until the standstill current is met; three rounds leave an error far below any nameplate's tolerance.
        let mut leakage_ohm = phase_v / wanted;
        let mut model = MotorModel::fit_leakage(plate, phase_v, leakage_ohm)?;
        for _ in 0..3 {
            let current_a = phase_v / model.forward_impedance(1.0).norm();
            leakage_ohm *= current_a / wanted;
            model = MotorModel::fit_leakage(plate, phase_v, leakage_ohm)?;
        }
        Ok(model)
    }

    fn fit_leakage(plate: &Nameplate, phase_v: f64, leakage_ohm: f64) -> Result<MotorModel, SimError> {
        let resistance = leakage_ohm * LOCKED_ROTOR_POWER_FACTOR;
        let reactance = (leakage_ohm.powi(2) - resistance.powi(2)).sqrt();
        let stator = C64::new(resistance * STATOR_SHARE_OF_RESISTANCE, reactance / 2.0);
        let rotor_x = reactance / 2.0;
        let current = C64::from_polar(plate.full_load_current_a, -plate.full_load_power_factor.acos());
        let behind_stator = C64::new(phase_v, 0.0) - current * stator;
        // Behind the stator the circuit is the magnetizing branch beside r + jx of the rotor; the real part of the
        // admittance is the rotor's alone, which gives r, and what is left of the imaginary part is the magnetizing.
        let admittance = current / behind_stator;
        let inside = 1.0 - (2.0 * admittance.re * rotor_x).powi(2);
        if inside < 0.0 || admittance.re <= 0.0 {
            return Err(SimError::Nameplate(
                "locked-rotor current is too small to leave a full-load operating point".to_owned(),
            ));
        }
        let rotor_r_over_slip = (1.0 + inside.sqrt()) / (2.0 * admittance.re);
        let rotor = C64::new(1.0, 0.0) / C64::new(rotor_r_over_slip, rotor_x);
        let magnetizing_b = rotor.im - admittance.im;
        if magnetizing_b <= 0.0 {
            return Err(SimError::Nameplate(format!(
                "full-load power factor {} is too high for an induction motor with a locked-rotor current of {:.0} A",
                plate.full_load_power_factor,
                plate.locked_rotor_a()
            )));
        }
        let rotor_current_a = (behind_stator * rotor).norm();
        Ok(MotorModel {
            stator,
            magnetizing_x: 1.0 / magnetizing_b,
            rotor_x,
            rotor_r_running: rotor_r_over_slip * FULL_LOAD_SLIP,
            rotor_r_standstill: resistance * (1.0 - STATOR_SHARE_OF_RESISTANCE),
            full_load_air_gap_w: 3.0 * rotor_current_a.powi(2) * rotor_r_over_slip,
        })
    }

    /// Rotor resistance at a slip: bars crowd the current out as rotor frequency rises.
    fn rotor_r(&self, slip: f64) -> f64 {
        self.rotor_r_running + (self.rotor_r_standstill - self.rotor_r_running) * slip.max(0.0)
    }

    fn rotor(&self, slip: f64) -> C64 {
        C64::new(self.rotor_r(slip) / slip.max(1e-6), self.rotor_x)
    }

    fn impedance(&self, slip: f64) -> C64 {
        let rotor = self.rotor(slip);
        let magnetizing = C64::new(0.0, self.magnetizing_x);
        self.stator + rotor * magnetizing / (rotor + magnetizing)
    }

    /// Impedance per phase to the sequence that turns with the rotor.
    pub fn forward_impedance(&self, slip: f64) -> C64 {
        self.impedance(slip)
    }

    /// Impedance per phase to the sequence that turns against the rotor.
    pub fn backward_impedance(&self, slip: f64) -> C64 {
        self.impedance(2.0 - slip)
    }

    /// Impedance per phase to a harmonic: leakage only, for the rotor is nearly at standstill against it.
    pub fn harmonic_impedance(&self, order: u16) -> C64 {
        C64::new(self.stator.re + self.rotor_r_standstill, f64::from(order) * (self.stator.im + self.rotor_x))
    }

    /// Air-gap power of one sequence, W, three phases.
    fn air_gap_w(&self, voltage_v: f64, slip: f64) -> f64 {
        let rotor = self.rotor(slip);
        let magnetizing = C64::new(0.0, self.magnetizing_x);
        let current = voltage_v / self.impedance(slip);
        let rotor_current = current * magnetizing / (rotor + magnetizing);
        3.0 * rotor_current.norm_sqr() * rotor.re
    }

    /// Torque at a slip in synchronous watts, with the opposing sequence braking.
    fn torque_w(&self, forward_v: f64, backward_v: f64, slip: f64) -> f64 {
        self.air_gap_w(forward_v, slip) - self.air_gap_w(backward_v, 2.0 - slip)
    }

    /// Slip at which the motor carries a load (fraction of full load, torque as the square of speed), or `None` when
    /// it cannot carry it and stalls.
    pub fn slip(&self, forward_v: f64, backward_v: f64, load: f64) -> Option<f64> {
        let excess = |slip: f64| {
            let speed = (1.0 - slip) / (1.0 - FULL_LOAD_SLIP);
            let wanted = self.full_load_air_gap_w * (FRICTION + (1.0 - FRICTION) * load) * speed * speed;
            self.torque_w(forward_v, backward_v, slip) - wanted
        };
        // Torque rises with slip up to breakdown: the first sign change seen from synchronous speed is the stable one.
        let mut low = 1e-5;
        let mut high = low;
        while excess(high) < 0.0 {
            low = high;
            high *= 1.35;
            if 1.0 <= high {
                return None;
            }
        }
        for _ in 0..40 {
            let middle = f64::midpoint(low, high);
            if excess(middle) < 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(f64::midpoint(low, high))
    }
}

fn check(plate: &Nameplate) -> Result<(), SimError> {
    let positive = |name: &str, value: f64| {
        if value.is_finite() && 0.0 < value {
            Ok(())
        } else {
            Err(SimError::Nameplate(format!("{name} must be a positive number, not {value}")))
        }
    };
    positive("rated_power_w", plate.rated_power_w)?;
    positive("rated_voltage_v", plate.rated_voltage_v)?;
    positive("full_load_current_a", plate.full_load_current_a)?;
    positive("full_load_power_factor", plate.full_load_power_factor)?;
    if 1.0 <= plate.full_load_power_factor {
        return Err(SimError::Nameplate("full_load_power_factor must be below 1".to_owned()));
    }
    let input_w = 3f64.sqrt() * plate.rated_voltage_v * plate.full_load_current_a * plate.full_load_power_factor;
    if input_w < plate.rated_power_w {
        return Err(SimError::Nameplate(format!(
            "shaft power {:.0} W exceeds the electrical input {input_w:.0} W the plate gives",
            plate.rated_power_w
        )));
    }
    let ratio = plate.locked_rotor_a() / plate.full_load_current_a;
    if !(3.0..=12.0).contains(&ratio) {
        return Err(SimError::Nameplate(format!("locked-rotor current is {ratio:.1} times full load, not 3 to 12")));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) fn sixty_hp() -> Nameplate {
        Nameplate {
            rated_power_w: 44_742.0,
            rated_voltage_v: 460.0,
            full_load_current_a: 77.0,
            full_load_power_factor: 0.86,
            locked_rotor_current_a: None,
        }
    }

    fn current(model: &MotorModel, phase_v: f64, load: f64) -> C64 {
        let slip = model.slip(phase_v, 0.0, load).expect("carries the load");
        phase_v / model.forward_impedance(slip)
    }

    #[test]
    fn full_load_meets_the_nameplate() {
        let model = MotorModel::fit(&sixty_hp()).unwrap();
        let current = current(&model, 460.0 / 3f64.sqrt(), 1.0);
        assert!((current.norm() - 77.0).abs() < 0.05, "{}", current.norm());
        assert!((current.arg().cos() - 0.86).abs() < 0.001, "{}", current.arg().cos());
        assert!(current.im < 0.0, "lagging");
    }

    /// NEC table 430.251(B), 460 V: 25 hp 183 A, 60 hp 435 A, 100 hp 725 A, 200 hp 1450 A.
    #[test]
    fn standstill_draws_the_locked_rotor_current_of_the_table() {
        for (horsepower, full_load_a, locked_a) in
            [(25.0, 34.0, 183.0), (60.0, 77.0, 435.0), (100.0, 124.0, 725.0), (200.0, 240.0, 1450.0)]
        {
            let plate = Nameplate { rated_power_w: horsepower * 745.7, full_load_current_a: full_load_a, ..sixty_hp() };
            let model = MotorModel::fit(&plate).unwrap();
            let drawn = 460.0 / 3f64.sqrt() / model.forward_impedance(1.0).norm();
            assert!((drawn / locked_a - 1.0).abs() < 0.01, "{horsepower} hp draws {drawn} A, table {locked_a} A");
        }
    }

    /// Handbook bands for 10 to 200 hp: power factor falls from the plate's towards 0.1 as the load goes.
    #[test]
    fn power_factor_falls_with_load_as_handbooks_say() {
        let model = MotorModel::fit(&sixty_hp()).unwrap();
        let factor = |load| current(&model, 460.0 / 3f64.sqrt(), load).arg().cos();
        assert!((0.79..0.86).contains(&factor(0.75)), "{}", factor(0.75));
        assert!((0.66..0.78).contains(&factor(0.5)), "{}", factor(0.5));
        assert!((0.40..0.60).contains(&factor(0.25)), "{}", factor(0.25));
        assert!((0.04..0.16).contains(&factor(0.0)), "{}", factor(0.0));
        let idle = current(&model, 460.0 / 3f64.sqrt(), 0.0).norm() / 77.0;
        assert!((0.25..0.5).contains(&idle), "no-load current {idle} of full load");
    }

    #[test]
    fn impossible_plates_are_refused_with_their_reason() {
        for (plate, words) in [
            (Nameplate { full_load_power_factor: 0.99, ..sixty_hp() }, "too high"),
            (Nameplate { rated_power_w: 60_000.0, ..sixty_hp() }, "exceeds"),
            (Nameplate { full_load_current_a: -1.0, ..sixty_hp() }, "positive"),
            (Nameplate { rated_voltage_v: f64::NAN, ..sixty_hp() }, "positive"),
            (Nameplate { locked_rotor_current_a: Some(90.0), ..sixty_hp() }, "not 3 to 12"),
        ] {
            let error = MotorModel::fit(&plate).unwrap_err().to_string();
            assert!(error.contains(words), "{error}");
        }
    }

    /// At 100 V to neutral the breakdown torque is below the load: the pump only crawls, drawing a start's current.
    #[test]
    fn a_motor_that_cannot_carry_its_load_falls_out_of_step() {
        let model = MotorModel::fit(&sixty_hp()).unwrap();
        let slip = model.slip(100.0, 0.0, 1.0).unwrap_or(1.0);
        assert!(0.3 < slip, "slip {slip}");
        assert!(model.slip(230.0, 0.0, 1.0).is_some_and(|slip| slip < 0.05), "at 400 V it still carries it");
    }
}
