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

/// Where the lag of this circuit's load lies when it draws `mean_current_a`: probabilities over the grid, summing to 1.
pub fn lag_prior(context: &CircuitContext, mean_current_a: f64) -> [f64; GRID] {
    let wide = wide_window(context.load);
    let narrow = expected(context, mean_current_a);
    let leading = if context.load == LoadBehaviour::Unknown { UNKNOWN_LEADING } else { 0.0 };
    normalised(|lag| {
        let wide_density = trapezoid(lag, wide) + leading;
        match narrow {
            Some((centre, sigma)) => {
                let z = (lag - centre) / sigma;
                (1.0 - OFF_NAMEPLATE) * (-0.5 * z * z).exp() / sigma + OFF_NAMEPLATE * wide_density / (wide.3 - wide.0)
            }
            None => wide_density,
        }
    })
}

/// Prior for a motor that has lost a phase: its nameplate no longer applies.
pub fn lost_phase_prior() -> [f64; GRID] {
    normalised(|lag| trapezoid(lag, (5.0, 20.0, 75.0, 88.0)))
}

/// How usual it is for a load with this nameplate to draw this current while it runs: 1 within usual service, falling to a
/// floor for what pumps rarely do. 1 without a nameplate.
pub fn current_weight(context: &CircuitContext, mean_current_a: f64) -> f64 {
    const RARELY: f64 = 0.02;
    let per_unit = context.full_load_current_a.map_or(1.0, |full| mean_current_a / full);
    trapezoid(per_unit, (0.08, 0.25, 1.12, 1.35)).max(RARELY)
}

/// Prior while a motor runs up: near its locked-rotor lag.
pub fn start_prior(_context: &CircuitContext) -> [f64; GRID] {
    normalised(|lag| trapezoid(lag, (35.0, 50.0, 80.0, 88.0)))
}

/// Expected lag and its standard deviation, degrees, when the nameplate tells.
pub fn expected(context: &CircuitContext, mean_current_a: f64) -> Option<(f64, f64)> {
    match context.load {
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter => {
            let per_unit = mean_current_a / context.full_load_current_a?;
            let lag = motor::expected_lag_deg(per_unit, context.full_load_power_factor?)?;
            // Nameplates differ most in their magnetising current, which rules at light load.
            Some((lag, 7.0 + 6.0 * (1.0 - per_unit.clamp(0.0, 1.0))))
        }
        LoadBehaviour::Drive => Some((10.0, 9.0)),
        LoadBehaviour::Resistive => Some((0.0, 5.0)),
        LoadBehaviour::MotorWithCapacitor | LoadBehaviour::Unknown => None,
    }
}

/// Lowest, low shoulder, high shoulder, highest lag in degrees that the kind of load shows at all.
pub fn wide_window(load: LoadBehaviour) -> (f64, f64, f64, f64) {
    match load {
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter => (8.0, 20.0, 55.0, 86.0),
        LoadBehaviour::Drive => (-30.0, -5.0, 25.0, 50.0),
        LoadBehaviour::MotorWithCapacitor => (-44.0, -5.0, 35.0, 80.0),
        LoadBehaviour::Resistive => (-15.0, -5.0, 5.0, 15.0),
        LoadBehaviour::Unknown => (-12.0, -3.0, 50.0, 86.0),
    }
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
    use super::*;
    use crate::audit::context::test_context;

    #[test]
    fn priors_are_probabilities_for_every_load_and_current() {
        for load in [
            LoadBehaviour::InductionMotor,
            LoadBehaviour::Drive,
            LoadBehaviour::MotorWithCapacitor,
            LoadBehaviour::Resistive,
            LoadBehaviour::Unknown,
        ] {
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
}
