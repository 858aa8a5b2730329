//! What a motor is expected to do against the simulator's own motor model, which shares no code with the circle diagram.

use num_complex::Complex64;
use wattassay_simulators::{MotorModel, Nameplate};

use super::*;
use crate::audit::context::test_context;
use crate::audit::testbench::even_features;

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

/// How a set of errors (degrees, sigmas) is spread, with the whole of it in words for a failure.
struct Spread {
    rms_sigmas: f64,
    worst_sigmas: f64,
    past_two_sigmas: f64,
    words: String,
}

impl Spread {
    fn of(mut errors: Vec<(f64, f64)>) -> Spread {
        errors.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let count = errors.len() as f64;
        let at = |share: f64| errors[((count - 1.0) * share) as usize].0.abs();
        let worst_sigmas = errors.iter().map(|e| e.1.abs()).fold(0.0, f64::max);
        let rms_sigmas = (errors.iter().map(|e| e.1 * e.1).sum::<f64>() / count).sqrt();
        let past_two_sigmas = errors.iter().filter(|e| e.1.abs() > 2.0).count() as f64 / count;
        let words = format!(
            "{count} cases, error median {:.2}, 95 % {:.2}, worst {:.2} deg; rms {rms_sigmas:.2}, worst {worst_sigmas:.2} \
             sigma, {:.1} % past 2 sigma",
            at(0.5),
            at(0.95),
            at(1.0),
            100.0 * past_two_sigmas
        );
        Spread { rms_sigmas, worst_sigmas, past_two_sigmas, words }
    }
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
    let spread = Spread::of(errors);
    assert!(spread.worst_sigmas < 1.0, "{}", spread.words);
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
    let spread = Spread::of(errors);
    // No more past two sigmas than a normal distribution has.
    let fits = spread.rms_sigmas < 1.0 && spread.worst_sigmas < 4.0 && spread.past_two_sigmas < 0.046;
    assert!(fits, "{}", spread.words);
}

/// A machine off its plate is off it alike at every load: from half load up it strays from its nearest stance by about the spread
/// that is left to a level. Plates and supplies as above.
#[test]
fn one_machine_keeps_one_stance() {
    let mut strays = Vec::new();
    for (hp, amps) in MOTORS {
        for (power_factor, said) in [(0.82, 0.80), (0.86, 0.86), (0.86, 0.88)] {
            for (multiple, plate_current, voltage) in [4.5, 6.0, 8.0]
                .into_iter()
                .flat_map(|m| [1.0, 1.15].into_iter().flat_map(move |p| [0.9, 1.0, 1.1].map(|v| (m, p, v))))
            {
                let Some(mut machine) = Machine::of(hp, amps, power_factor, Some(multiple)) else { continue };
                machine.context.full_load_power_factor = Some(said);
                machine.context.full_load_current_a = Some(plate_current * amps);
                let seen = [0.5, 0.75, 1.0].map(|load| {
                    let phase_v = voltage * machine.phase_v;
                    let slip = machine.model.slip(phase_v, 0.0, load).unwrap();
                    let current = phase_v / machine.model.forward_impedance(slip);
                    (-current.arg().to_degrees(), stances(&machine.context, current.norm() / voltage).unwrap())
                });
                let squares = |stance: usize| -> f64 {
                    seen.iter().map(|(lag, at)| ((lag - at.lag_deg[stance]) / at.own_deg).powi(2)).sum()
                };
                strays.push((0..FOLLOWING).map(squares).fold(f64::INFINITY, f64::min) / 3.0);
            }
        }
    }
    assert!(strays.len() > 400, "{} cases", strays.len());
    let rms = (strays.iter().sum::<f64>() / strays.len() as f64).sqrt();
    let worst = strays.iter().copied().fold(0.0, f64::max).sqrt();
    assert!(rms < 1.05 && worst < 2.0, "rms {rms:.2}, worst {worst:.2} of what is left to a level");
}

/// A supply that is low or high draws the whole circle to its scale: told at its nominal voltage, a current says the lag as well
/// on a sagging supply as on the rated one, and told as it is it does not.
#[test]
fn a_current_told_at_nominal_voltage_says_the_lag_on_any_supply() {
    let (mut worst, mut worst_as_it_is) = (0.0f64, 0.0f64);
    for (hp, amps) in MOTORS {
        let machine = Machine::of(hp, amps, 0.86, None).unwrap();
        for load in LOADS.into_iter().filter(|load| *load > 0.25) {
            let at = |voltage: f64| {
                let phase_v = voltage * machine.phase_v;
                let slip = machine.model.slip(phase_v, 0.0, load).unwrap();
                let current = phase_v / machine.model.forward_impedance(slip);
                let off = |amps: f64| expected(&machine.context, amps).unwrap().0 + current.arg().to_degrees();
                let mut features = even_features(current.norm());
                features.voltage_per_unit = voltage;
                (off(features.mean_at_nominal_a()), off(current.norm()))
            };
            let rated = at(1.0).0;
            for voltage in [0.9, 1.05, 1.1] {
                let (told, as_it_is) = at(voltage);
                worst = worst.max((told - rated).abs());
                worst_as_it_is = worst_as_it_is.max((as_it_is - rated).abs());
            }
        }
    }
    assert!(worst < 2.5 && worst_as_it_is > 6.0, "{worst} {worst_as_it_is}");
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
    assert!(lowest > 35.0 && highest < 84.0, "starting lag {lowest:.1} to {highest:.1} deg");
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
