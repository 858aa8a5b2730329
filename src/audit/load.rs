//! What the load lets us expect of its own power factor: a probability over the lag angle.
//!
//! A uniform shift of all channels by a multiple of 60 degrees can be told only by the load's own behaviour, so this is
//! evidence in its own right. Must never look at the channels' powers.

use super::context::{CircuitContext, LoadBehaviour};
use crate::electrical::motor;

/// Points of the lag grid.
pub const GRID: usize = 34;
const GRID_FIRST_DEG: f64 = -44.0;
/// Step of the grid, degrees.
pub const GRID_STEP_DEG: f64 = 4.0;

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
/// against the tests' independent motor model, with plates and supplies as they are, have 0.83 sigma rms and 3.5 % past
/// two sigma. With 6 degrees two miswired test fixtures came out just sound where only a total is metered.
const MACHINE_SPREAD_DEG: f64 = 5.0;

/// Ways this machine may stand to its nameplate, the same at every load: five offsets of its lag, and not following it at all.
pub const STANCES: usize = 6;
/// How probable each stance is: a normal distribution in steps of one standard deviation, and the share that does not follow.
pub const STANCE_WEIGHTS: [f64; STANCES] = {
    const FOLLOWS: f64 = 1.0 - OFF_NAMEPLATE;
    [0.0545 * FOLLOWS, 0.2442 * FOLLOWS, 0.4026 * FOLLOWS, 0.2442 * FOLLOWS, 0.0545 * FOLLOWS, OFF_NAMEPLATE]
};
/// Log-likelihood over all stances, of what it is under each.
pub fn ln_over_stances(ln: &[f64; STANCES]) -> f64 {
    let peak = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if peak == f64::NEG_INFINITY {
        return peak;
    }
    peak + ln.iter().zip(STANCE_WEIGHTS).map(|(ln, weight)| weight * (ln - peak).exp()).sum::<f64>().ln()
}

/// Share of the spread of machines about their nameplate that one machine keeps at every load. With it and the spread below, the
/// tests' independent motor model, with plates and supplies as they are, strays from its nearest stance by about what they allow.
const KEPT: f64 = 0.95;
/// What is left from load to load, at least, degrees: half a step of the grid, which resolves no less.
const OWN_SPREAD_DEG: f64 = 2.0;

/// Stances in which a machine follows its nameplate; the last one of [`STANCES`] does not.
pub const FOLLOWING: usize = STANCES - 1;

/// Where a load that follows its nameplate lags at one current, by stance.
#[derive(Debug, Clone, Copy)]
pub struct Stances {
    /// Lag, degrees.
    pub lag_deg: [f64; FOLLOWING],
    /// Standard deviation about each, from load to load, degrees.
    pub own_deg: f64,
}

/// Where the load lags when it draws `mean_current_a`; `None` where no nameplate tells.
pub fn stances(context: &CircuitContext, mean_current_a: f64) -> Option<Stances> {
    let (centre, sigma) = expected(context, mean_current_a)?;
    let wide = wide_window(context.load);
    // No load lags less than its kind does, nor more than a quarter turn.
    let lag_deg = std::array::from_fn(|stance| (centre + KEPT * sigma * (stance as f64 - 2.0)).clamp(wide.0, 86.0));
    Some(Stances { lag_deg, own_deg: OWN_SPREAD_DEG.max(sigma * (1.0 - KEPT * KEPT).sqrt()) })
}

/// As [`stances`], for a load that has lost a phase. A motor then lags by anything: its nameplate no longer applies.
pub fn lost_phase_stances(context: &CircuitContext, mean_current_a: f64) -> Option<Stances> {
    let usual = stances(context, mean_current_a)?;
    let turns = !matches!(context.load, LoadBehaviour::Drive | LoadBehaviour::Resistive);
    Some(if turns { Stances { lag_deg: [16.0, 32.0, 48.0, 64.0, 80.0], own_deg: 10.0 } } else { usual })
}

/// As [`lag_prior`], for each of the [`STANCES`]: two loads of one motor err alike, and only together do they show that its
/// power factor rises with its load.
pub fn lag_priors(context: &CircuitContext, mean_current_a: f64) -> [[f64; GRID]; STANCES] {
    let Some(follows) = stances(context, mean_current_a) else {
        return [lag_prior(context, mean_current_a); STANCES];
    };
    let wide = wide_window(context.load);
    let mut priors = [[0.0; GRID]; STANCES];
    for (prior, kept) in priors.iter_mut().zip(follows.lag_deg) {
        *prior = normalised(|lag| bell(lag, kept, follows.own_deg));
    }
    priors[FOLLOWING] = normalised(|lag| trapezoid(lag, wide));
    priors
}

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
        // While its thyristors are in, a soft starter shapes the current.
        LoadBehaviour::SoftStarter | LoadBehaviour::Drive | LoadBehaviour::Resistive => {
            normalised(|lag| trapezoid(lag, wide))
        }
        LoadBehaviour::Unknown => normalised(|lag| trapezoid(lag, (wide.0, wide.1, 84.0, 100.0)) + UNKNOWN_LEADING),
    }
}

/// Prior for a load that has lost a phase: a motor's nameplate no longer applies.
pub fn lost_phase_prior(load: LoadBehaviour) -> [f64; GRID] {
    match load {
        // What makes no torque lags on two conductors as it does on three.
        LoadBehaviour::Drive | LoadBehaviour::Resistive => normalised(|lag| trapezoid(lag, wide_window(load))),
        _ => normalised(|lag| trapezoid(lag, (5.0, 20.0, 75.0, 88.0))),
    }
}

/// How usual it is for a load with this nameplate to draw this current while it runs: 1 within usual service, falling to a
/// floor for what pumps rarely do. 1 without a nameplate.
pub fn current_weight(context: &CircuitContext, mean_current_a: f64) -> f64 {
    const RARELY: f64 = 0.02;
    let per_unit = context.full_load_current_a.map_or(1.0, |full| mean_current_a / full);
    trapezoid(per_unit, (0.08, 0.25, 1.12, 1.35)).max(RARELY)
}

/// Expected lag and its standard deviation, degrees, when the nameplate tells.
pub fn expected(context: &CircuitContext, mean_current_a: f64) -> Option<(f64, f64)> {
    match context.load {
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter => {
            let per_unit = mean_current_a / context.full_load_current_a?;
            let motor = motor::Locus::of(context.full_load_power_factor?, motor::USUAL_LOCKED_ROTOR_MULTIPLE)?;
            // Near no load a small change of current is a large one of angle.
            let at = |share: f64| motor.lag_deg(share * per_unit);
            let (low, here, high) = (at(1.0 - PLATE_ERROR)?, at(1.0)?, at(1.0 + PLATE_ERROR)?);
            let (lag, swing) = (0.25 * (low + 2.0 * here + high), low - high);
            // Machines differ most in their magnetising current, which rules at light load.
            let own = MACHINE_SPREAD_DEG * (2.0 - per_unit.clamp(0.0, 1.0));
            Some((lag, (own * own + 0.25 * swing * swing).sqrt()))
        }
        LoadBehaviour::Drive => Some((10.0, 9.0)),
        LoadBehaviour::Resistive => Some((0.0, 5.0)),
        LoadBehaviour::MotorWithCapacitor | LoadBehaviour::Unknown => None,
    }
}

/// Lags of motor and capacitor together at this current, for each capacitor considered. The nameplate is the motor's own.
pub fn capacitor_lags_deg(context: &CircuitContext, mean_current_a: f64) -> Option<[f64; CAPACITOR_SHARES.len()]> {
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
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter => (8.0, 20.0, 55.0, 86.0),
        LoadBehaviour::Drive => (-30.0, -5.0, 25.0, 50.0),
        LoadBehaviour::MotorWithCapacitor => (-44.0, -5.0, 35.0, 80.0),
        LoadBehaviour::Resistive => (-15.0, -5.0, 5.0, 15.0),
        LoadBehaviour::Unknown => (-12.0, -3.0, 50.0, 86.0),
    }
}

/// Where the current of a load may lag, degrees, and where it is expected to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LagWindow {
    /// Of the nameplate, or the middle of what the kind shows.
    pub expected_deg: f64,
    /// Least.
    pub lowest_deg: f64,
    /// Most.
    pub highest_deg: f64,
}

impl LagWindow {
    /// The window of a load that draws `mean_current_a`.
    fn of(context: &CircuitContext, mean_current_a: f64) -> LagWindow {
        const BESIDE_DEG: f64 = 40.0;
        let (lowest, _, _, widest) = wide_window(context.load);
        let highest = widest.max(88.0);
        match expected(context, mean_current_a) {
            Some((centre, _)) => LagWindow {
                expected_deg: centre,
                lowest_deg: lowest.max(centre - BESIDE_DEG),
                highest_deg: highest.min(centre + BESIDE_DEG),
            },
            None => LagWindow { expected_deg: f64::midpoint(lowest, widest), lowest_deg: lowest, highest_deg: highest },
        }
    }
}

/// The latest window, kept as long as the current is the same to about half a percent: the nameplate's locus costs more than
/// all checks that look at it.
#[derive(Debug, Clone, Default)]
pub struct LagWindows {
    latest: Option<(u64, LagWindow)>,
}

impl LagWindows {
    /// The window of a load that draws `mean_current_a`.
    pub fn at(&mut self, context: &CircuitContext, mean_current_a: f64) -> LagWindow {
        /// Bits of a mantissa that tell steps of 0.4 to 0.8 %.
        const COARSE: u32 = f64::MANTISSA_DIGITS - 1 - 7;
        let step = mean_current_a.to_bits() >> COARSE;
        let kept = self.latest.filter(|(of, _)| *of == step).map(|(_, window)| window);
        let middle_a = || f64::from_bits((step << COARSE) | (1 << (COARSE - 1)));
        let window = kept.unwrap_or_else(|| LagWindow::of(context, middle_a()));
        self.latest = Some((step, window));
        window
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
mod simulated_tests;

#[cfg(test)]
mod tests {
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

    /// A kept window is that of the present current to a fraction of a degree, and a new current has its own.
    #[test]
    fn a_kept_lag_window_is_that_of_the_current() {
        for load in ALL_LOADS {
            let context = CircuitContext { load, ..test_context() };
            let mut windows = LagWindows::default();
            for current in [77.0, 77.2, 76.9, 40.0, 40.0, 0.5, 120.0, 77.0] {
                let (kept, own) = (windows.at(&context, current), LagWindow::of(&context, current));
                assert!((kept.expected_deg - own.expected_deg).abs() < 0.5, "{load:?} {current}: {kept:?} {own:?}");
                assert!((kept.lowest_deg - own.lowest_deg).abs() < 0.5 && kept.highest_deg >= kept.lowest_deg);
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
    fn what_makes_no_torque_lags_on_two_conductors_as_on_three() {
        for load in ALL_LOADS {
            let prior = lost_phase_prior(load);
            assert!((prior.iter().sum::<f64>() - 1.0).abs() < 1e-9);
            let near = |deg: f64| prior[((deg - GRID_FIRST_DEG) / GRID_STEP_DEG) as usize];
            let turns = !matches!(load, LoadBehaviour::Drive | LoadBehaviour::Resistive);
            assert_eq!(near(0.0) > 0.0, !turns, "{load:?}");
            assert_eq!(near(60.0) > 0.0, turns, "{load:?}");
        }
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
}
