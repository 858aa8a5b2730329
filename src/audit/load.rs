//! What the load lets us expect of its own power factor: a probability over the lag angle.
//!
//! A uniform shift of all channels by a multiple of 60 degrees can be told only by the load's own behaviour, so this is
//! evidence in its own right. Must never look at the channels' powers.

use super::context::{CircuitContext, LoadBehaviour};
use crate::electrical::motor;

/// Points of the lag grid.
pub const GRID: usize = 34;
const GRID_FIRST_DEG: f64 = -44.0;
const GRID_STEP_DEG: f64 = 4.0;

/// Lag of grid point `g`, degrees.
pub fn lag_at_deg(g: usize) -> f64 {
    GRID_FIRST_DEG + GRID_STEP_DEG * g as f64
}

/// Share kept for a load that does not follow its nameplate at this moment (worn impeller, air, transient).
const OFF_NAMEPLATE: f64 = 0.01;

/// A load of unknown kind that leads or is odd in another way: possible with capacitors, but rare enough that a uniform
/// wiring shift is the better story.
const UNKNOWN_LEADING: f64 = 0.002;

/// Capacitor currents considered where the rating is not known, as shares of the motor's no-load current. Practice is up to
/// 90 % of no-load kvar, for beyond it the motor excites itself (NEMA MG 1 part 14); a tenth more for what is oversized.
const CAPACITOR_SHARES: [f64; 4] = [0.1, 0.4, 0.7, 1.0];
/// Spread of the lag about each of these, degrees: half the step between them at light load, and the motor's own.
const CAPACITOR_SPREAD_DEG: f64 = 14.0;
/// As [`OFF_NAMEPLATE`], for a motor whose capacitor is not known: it may be blown, or sized for two motors.
const OFF_CAPACITOR: f64 = 0.05;

/// Lowest, low shoulder, high shoulder, highest lag while a motor starts. Standstill is at 66 to 84 degrees (starting power
/// factors 0.1 to 0.4), and the lag falls to the running one as the motor comes up. A ramping soft starter chops the
/// current's front, which adds lag, and its harmonics blur what a meter calls an angle; bypassed it is the motor.
const START_WINDOW: (f64, f64, f64, f64) = (5.0, 60.0, 84.0, 100.0);
/// A start that shows none of this: caught already at speed, or a capacitor on the motor side.
const OFF_START: f64 = 0.02;

/// How far off the plate's current may be, one standard deviation: supply away from rated voltage, a sizing value (NFPA 70
/// table 430.250) in place of the plate's, which is 10 to 15 % higher (standards table, from memory).
const PLATE_ERROR: f64 = 0.12;
/// Spread of the lag of machines with the same plate at full load, degrees; twice this at no load. With it the errors
/// against the tests' independent motor model, with plates and supplies as they are, stay below one sigma (rms).
const MACHINE_SPREAD_DEG: f64 = 6.0;

/// Where the lag of this circuit's load lies when it draws `mean_current_a`: probabilities over the grid, summing to 1.
pub fn lag_prior(context: &CircuitContext, mean_current_a: f64) -> [f64; GRID] {
    let wide = wide_window(context.load);
    let wide_density = |lag| trapezoid(lag, wide) / (wide.3 - wide.0);
    if let Some((centre, sigma)) = expected(context, mean_current_a) {
        return normalised(|lag| (1.0 - OFF_NAMEPLATE) * bell(lag, centre, sigma) + OFF_NAMEPLATE * wide_density(lag));
    }
    if context.load == LoadBehaviour::MotorWithCapacitor
        && let Some(centres) = capacitor_lags_deg(context, mean_current_a)
    {
        return normalised(|lag| {
            let near: f64 = centres.iter().map(|centre| bell(lag, *centre, CAPACITOR_SPREAD_DEG)).sum();
            (1.0 - OFF_CAPACITOR) * near / centres.len() as f64 + OFF_CAPACITOR * wide_density(lag)
        });
    }
    let leading = if context.load == LoadBehaviour::Unknown { UNKNOWN_LEADING } else { 0.0 };
    normalised(|lag| trapezoid(lag, wide) + leading)
}

/// Prior for a load that is starting. Motors only differ from running; for the others, and where the kind is not known,
/// it is as wide as anything the kind shows.
pub fn start_prior(context: &CircuitContext) -> [f64; GRID] {
    let wide = wide_window(context.load);
    match context.load {
        LoadBehaviour::InductionMotor => {
            normalised(|lag| (1.0 - OFF_START) * trapezoid(lag, START_WINDOW) + OFF_START * trapezoid(lag, wide))
        }
        // A capacitor's part of a current several times full load is small, but it can be switched late.
        LoadBehaviour::MotorWithCapacitor => {
            normalised(|lag| 0.8 * trapezoid(lag, START_WINDOW) + 0.2 * trapezoid(lag, wide))
        }
        LoadBehaviour::Drive | LoadBehaviour::Resistive => normalised(|lag| trapezoid(lag, wide)),
        LoadBehaviour::Unknown => normalised(|lag| trapezoid(lag, (wide.0, wide.1, 84.0, 100.0)) + UNKNOWN_LEADING),
    }
}

/// Prior for a motor that has lost a phase: its nameplate no longer applies.
pub fn lost_phase_prior() -> [f64; GRID] {
    normalised(|lag| trapezoid(lag, (5.0, 20.0, 75.0, 88.0)))
}

/// Expected lag and its standard deviation, degrees, when the nameplate tells.
pub fn expected(context: &CircuitContext, mean_current_a: f64) -> Option<(f64, f64)> {
    match context.load {
        LoadBehaviour::InductionMotor => {
            let per_unit = mean_current_a / context.full_load_current_a?;
            let motor = motor::Locus::of(context.full_load_power_factor?, motor::USUAL_LOCKED_ROTOR_MULTIPLE)?;
            // Near no load a small change of current is a large one of angle.
            let at = |share: f64| motor.lag_deg(share * per_unit);
            let (low, here, high) = (at(1.0 - PLATE_ERROR)?, at(1.0)?, at(1.0 + PLATE_ERROR)?);
            let (lag, swing) = (0.25 * (low + 2.0 * here + high), low - high);
            // Machines differ most in their magnetising current, which rules at light load.
            let own = MACHINE_SPREAD_DEG * (2.0 - per_unit.clamp(0.0, 1.0));
            Some((lag, own.hypot(0.5 * swing)))
        }
        LoadBehaviour::Drive => Some((10.0, 9.0)),
        LoadBehaviour::Resistive => Some((0.0, 5.0)),
        LoadBehaviour::MotorWithCapacitor | LoadBehaviour::Unknown => None,
    }
}

/// Lags of motor and capacitor together at this current, for each capacitor considered. The nameplate is the motor's own.
fn capacitor_lags_deg(context: &CircuitContext, mean_current_a: f64) -> Option<[f64; CAPACITOR_SHARES.len()]> {
    let per_unit = mean_current_a / context.full_load_current_a?;
    let motor = motor::Locus::of(context.full_load_power_factor?, motor::USUAL_LOCKED_ROTOR_MULTIPLE)?;
    let mut lags = [0.0; CAPACITOR_SHARES.len()];
    for (lag, share) in lags.iter_mut().zip(CAPACITOR_SHARES) {
        *lag = motor.with_capacitor(share * motor.no_load_current()).lag_deg(per_unit)?;
    }
    Some(lags)
}

/// Lowest, low shoulder, high shoulder, highest lag in degrees that the kind of load shows at all.
pub fn wide_window(load: LoadBehaviour) -> (f64, f64, f64, f64) {
    match load {
        LoadBehaviour::InductionMotor => (8.0, 20.0, 55.0, 86.0),
        LoadBehaviour::Drive => (-30.0, -5.0, 25.0, 50.0),
        LoadBehaviour::MotorWithCapacitor => (-44.0, -5.0, 35.0, 80.0),
        LoadBehaviour::Resistive => (-15.0, -5.0, 5.0, 15.0),
        LoadBehaviour::Unknown => (-12.0, -3.0, 50.0, 86.0),
    }
}

/// Normal density without its constant factor.
fn bell(x: f64, centre: f64, sigma: f64) -> f64 {
    let z = (x - centre) / sigma;
    (-0.5 * z * z).exp() / sigma
}

fn trapezoid(x: f64, (lowest, low, high, highest): (f64, f64, f64, f64)) -> f64 {
    if x <= lowest || x >= highest {
        0.0
    } else if x < low {
        (x - lowest) / (low - lowest)
    } else if x > high {
        (highest - x) / (highest - high)
    } else {
        1.0
    }
}

fn normalised(density: impl Fn(f64) -> f64) -> [f64; GRID] {
    let mut prior = [0.0; GRID];
    for (g, p) in prior.iter_mut().enumerate() {
        *p = density(lag_at_deg(g));
    }
    let sum: f64 = prior.iter().sum();
    prior.map(|p| p / sum)
}

#[cfg(test)]
mod tests {
    use num_complex::Complex64;
    use wattassay_simulators::{MotorModel, Nameplate};

    use super::*;
    use crate::audit::context::test_context;

    const ALL_LOADS: [LoadBehaviour; 5] = [
        LoadBehaviour::InductionMotor,
        LoadBehaviour::Drive,
        LoadBehaviour::MotorWithCapacitor,
        LoadBehaviour::Resistive,
        LoadBehaviour::Unknown,
    ];

    #[test]
    fn priors_are_probabilities_for_every_load_and_current() {
        for load in ALL_LOADS {
            for nameplate in [true, false] {
                for current in [0.001, 10.0, 77.0, 1.0e6] {
                    let mut context = CircuitContext { load, ..test_context() };
                    if !nameplate {
                        context.full_load_current_a = None;
                    }
                    let prior = lag_prior(&context, current);
                    assert!((prior.iter().sum::<f64>() - 1.0).abs() < 1e-9);
                    assert!(prior.iter().all(|p| (0.0..=1.0).contains(p)));
                }
            }
        }
    }

    #[test]
    fn a_loaded_motor_is_expected_near_its_nameplate() {
        let prior = lag_prior(&test_context(), 77.0);
        let best = (0..GRID).max_by(|a, b| prior[*a].total_cmp(&prior[*b])).unwrap();
        assert!((lag_at_deg(best) - 0.86f64.acos().to_degrees()).abs() <= 4.0);
    }

    #[test]
    fn every_start_is_a_probability_and_keeps_what_a_start_shows() {
        for load in ALL_LOADS {
            let prior = start_prior(&CircuitContext { load, ..test_context() });
            assert!((prior.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        }
        let prior = start_prior(&test_context());
        let mass = |low: f64, high: f64| -> f64 {
            (0..GRID).filter(|g| (low..=high).contains(&lag_at_deg(*g))).map(|g| prior[g]).sum()
        };
        assert!(mass(60.0, 88.0) > 0.5 && mass(60.0, 88.0) < 0.8, "{}", mass(60.0, 88.0));
        assert!(mass(-44.0, 0.0) == 0.0, "a plain motor never leads");
    }

    /// A machine of the simulator (its own model, fitted to the same plate) at rated voltage times `voltage`.
    struct Machine {
        model: MotorModel,
        context: CircuitContext,
        phase_v: f64,
    }

    impl Machine {
        fn of(hp: f64, full_load_current_a: f64, power_factor: f64, locked_multiple: Option<f64>) -> Option<Machine> {
            let plate = Nameplate {
                rated_power_w: 745.7 * hp,
                rated_voltage_v: 460.0,
                full_load_current_a,
                full_load_power_factor: power_factor,
                locked_rotor_current_a: locked_multiple.map(|m| m * full_load_current_a),
            };
            let context = CircuitContext {
                full_load_current_a: Some(full_load_current_a),
                full_load_power_factor: Some(power_factor),
                ..test_context()
            };
            Some(Machine { model: MotorModel::fit(&plate).ok()?, context, phase_v: 460.0 / 3f64.sqrt() })
        }

        /// Error of the expected lag in degrees and in its own standard deviations, at a shaft load.
        fn error(&self, load: f64, voltage: f64) -> (f64, f64) {
            let phase_v = voltage * self.phase_v;
            let slip = self.model.slip(phase_v, 0.0, load).expect("carries its load");
            let current = phase_v / self.model.forward_impedance(slip);
            let (lag, sigma) = expected(&self.context, current.norm()).unwrap();
            let off = lag + current.arg().to_degrees();
            (off, off / sigma)
        }
    }

    /// 460 V motors after NFPA 70 table 430.250, 5 to 500 hp.
    const MOTORS: [(f64, f64); 10] = [
        (5.0, 7.6),
        (10.0, 14.0),
        (25.0, 34.0),
        (40.0, 52.0),
        (60.0, 77.0),
        (100.0, 124.0),
        (150.0, 180.0),
        (200.0, 240.0),
        (300.0, 361.0),
        (500.0, 590.0),
    ];

    fn summary(name: &str, mut errors: Vec<(f64, f64)>) -> (f64, f64) {
        errors.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let at = |share: f64| errors[((errors.len() - 1) as f64 * share) as usize].0.abs();
        let worst_sigmas = errors.iter().map(|e| e.1.abs()).fold(0.0, f64::max);
        let rms_sigmas = (errors.iter().map(|e| e.1 * e.1).sum::<f64>() / errors.len() as f64).sqrt();
        eprintln!(
            "{name}: {} cases, |error| median {:.2}, 95 % {:.2}, worst {:.2} deg; rms {rms_sigmas:.2}, worst {worst_sigmas:.2} sigma, \
             {:.1} % past 2 sigma",
            errors.len(),
            at(0.5),
            at(0.95),
            at(1.0),
            100.0 * errors.iter().filter(|e| e.1.abs() > 2.0).count() as f64 / errors.len() as f64
        );
        (rms_sigmas, worst_sigmas)
    }

    const LOADS: [f64; 11] = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1];

    /// The simulator's equivalent circuit shares no code with the circle diagram: at rated voltage and a true plate the
    /// expected lag stays within its own standard deviation over every size and load.
    #[test]
    fn the_locus_agrees_with_an_independent_motor_model() {
        let mut errors = Vec::new();
        for (hp, amps) in MOTORS {
            for power_factor in [0.80, 0.83, 0.86, 0.89] {
                let Some(machine) = Machine::of(hp, amps, power_factor, None) else { continue };
                errors.extend(LOADS.map(|load| machine.error(load, 1.0)));
            }
        }
        assert!(errors.len() >= 400, "{} cases", errors.len());
        let (_, worst) = summary("true plate, rated voltage", errors);
        assert!(worst < 1.0);
    }

    /// What a station really has: supply 10 % low to 10 % high, locked-rotor current 4.5 to 8 times full load, a plate whose
    /// current is up to 15 % above the machine's (sizing value in place of the plate) and whose power factor is off by 0.02.
    #[test]
    fn the_spread_covers_supplies_and_plates_as_they_are() {
        let mut errors = Vec::new();
        for (hp, amps) in MOTORS {
            for (power_factor, said) in [(0.82, 0.80), (0.86, 0.86), (0.86, 0.88)] {
                for multiple in [4.5, 6.0, 8.0] {
                    for plate_current in [1.0, 1.15] {
                        let Some(mut machine) = Machine::of(hp, amps, power_factor, Some(multiple)) else { continue };
                        machine.context.full_load_power_factor = Some(said);
                        machine.context.full_load_current_a = Some(plate_current * amps);
                        for voltage in [0.9, 1.0, 1.04, 1.1] {
                            errors.extend(LOADS.map(|load| machine.error(load, voltage)));
                        }
                    }
                }
            }
        }
        assert!(errors.len() > 5_000, "{} cases", errors.len());
        let (rms, worst) = summary("plates and supplies as they are", errors);
        assert!(rms < 1.0 && worst < 3.5);
    }

    /// From standstill to speed the simulator's motors stay where the start prior has weight.
    #[test]
    fn a_start_of_an_independent_motor_model_stays_within_the_prior() {
        let (mut lowest, mut highest) = (90.0f64, 0.0f64);
        for (hp, amps) in MOTORS {
            let machine = Machine::of(hp, amps, 0.86, None).unwrap();
            let prior = start_prior(&machine.context);
            for slip in [1.0, 0.8, 0.6, 0.4, 0.2, 0.1] {
                let lag = machine.model.forward_impedance(slip).arg().to_degrees();
                (lowest, highest) = (lowest.min(lag), highest.max(lag));
                let near = prior[(((lag - GRID_FIRST_DEG) / GRID_STEP_DEG).round() as usize).min(GRID - 1)];
                // Flat over the whole grid would be 0.03.
                assert!(near > 0.02, "{hp} hp, slip {slip}: lag {lag} has weight {near}");
            }
        }
        eprintln!("starting lag {lowest:.1} to {highest:.1} deg");
    }

    /// A capacitor that corrects to 0.95 at full load leaves the circuit, at every load, where the prior has at least half the
    /// weight of a flat one.
    #[test]
    fn a_corrected_motor_is_expected_where_it_is() {
        let context = CircuitContext { load: LoadBehaviour::MotorWithCapacitor, ..test_context() };
        let machine = Machine::of(60.0, 77.0, 0.86, None).unwrap();
        let capacitor = Complex64::new(0.0, 77.0 * 0.86 * (0.86f64.acos().tan() - 0.95f64.acos().tan()));
        for load in LOADS {
            let slip = machine.model.slip(machine.phase_v, 0.0, load).unwrap();
            let current = machine.phase_v / machine.model.forward_impedance(slip) + capacitor;
            let prior = lag_prior(&context, current.norm());
            let near = ((-current.arg().to_degrees() - GRID_FIRST_DEG) / GRID_STEP_DEG).round() as usize;
            assert!(prior[near] > 0.5 / GRID as f64, "load {load}: lag {} has {}", lag_at_deg(near), prior[near]);
        }
    }
}
