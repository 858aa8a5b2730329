//! Is power there, positive, and its factor plausible for the load?

use super::{FACTOR_NAMES, Input, Observation, POWER_NAMES, not_running, why_missing};
use crate::audit::assessment::Check;
use crate::audit::context::LoadBehaviour;
use crate::electrical::angle::wrap_deg;
use crate::reading::Measured;

/// P / (V I) closer to zero than this has no sign worth judging.
const SIGN_DEADBAND: f64 = 0.05;
/// Phase angles of one load spread no wider than this, degrees, with 3 % voltage unbalance behind a lightly loaded motor.
const SPREAD_DEG: f64 = 35.0;
/// The same for P / (V I) where angles are not known.
const SPREAD_PF: f64 = 0.35;
/// A plain motor never leads by more than this, degrees.
const LEADING_DEG: f64 = -5.0;

/// P and PF are given while the pump runs. A blank is not "nothing wrong": on many monitors it is how wrong looks.
pub fn power_blank_while_running(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::PowerBlankWhileRunning;
    let reading = input.reading;
    let mut all = vec![(reading.total_active_power_w, "total kW"), (reading.total_power_factor, "total PF")];
    for k in 0..3 {
        all.push((reading.active_power_w[k], POWER_NAMES[k]));
        all.push((reading.power_factor[k], FACTOR_NAMES[k]));
    }
    if !all.iter().any(|(value, _)| value.is_mapped()) {
        found.push(Observation::not_checkable(check, None, "the map offers neither kW nor PF"));
    } else if let Some(why) = not_running(input.run) {
        found.push(Observation::idle(check, None, why));
    } else {
        let blank: Vec<&str> =
            all.iter().filter(|(v, _)| *v == Measured::NotAvailable).map(|(_, what)| *what).collect();
        let detail = if blank.is_empty() {
            "kW and PF are given while the pump runs".to_owned()
        } else {
            let rule = if input.context.blanking.when_not_positive {
                "; this monitor blanks them when the power it registers is not positive"
            } else {
                ""
            };
            format!("blank while the pump runs: {}{rule}", blank.join(", "))
        };
        found.push(Observation::judged(check, None, blank.is_empty(), detail));
    }
}

/// Active power per channel is positive while running.
pub fn active_power_sign(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::ActivePowerSign;
    for (k, channel) in input.circuit.channel.iter().enumerate() {
        let Some(p) = channel.p_per_unit() else {
            let missing = why_missing(input.reading.active_power_w[k], POWER_NAMES[k])
                .unwrap_or_else(|| "voltage or current of the channel is missing".to_owned());
            found.push(Observation::not_checkable(check, Some(k), missing));
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.push(Observation::idle(check, Some(k), why));
            continue;
        }
        let kw = channel.active_w.unwrap_or(0.0) / 1000.0;
        let detail = format!("channel {} registers {kw:.2} kW", k + 1);
        found.push(Observation::judged(check, Some(k), p > -SIGN_DEADBAND, detail));
    }
}

/// Total active power is positive while running.
pub fn total_power_sign(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::TotalPowerSign;
    let total = input.circuit.total;
    let Some((watts, apparent)) = total.active_w.zip(total.apparent_va) else {
        let missing = why_missing(input.reading.total_active_power_w, "total kW")
            .unwrap_or_else(|| "the map offers no total kW and not all channels".to_owned());
        found.push(Observation::not_checkable(check, None, missing));
        return;
    };
    if let Some(why) = not_running(input.run) {
        found.push(Observation::idle(check, None, why));
        return;
    }
    let detail = format!("the circuit registers {:.2} kW of {:.2} kVA", watts / 1000.0, apparent / 1000.0);
    found.push(Observation::judged(check, None, watts > SIGN_DEADBAND * apparent, detail));
}

/// Channels agree with each other in angle (or P per VA), and a plain motor does not lead.
pub fn power_factor_plausible(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::PowerFactorPlausible;
    let usable = |k: &usize| {
        let channel = &input.circuit.channel[*k];
        channel.current_a.is_some_and(|a| a > 0.0) && input.voltages.phasor_v[*k].is_some()
    };
    let lags: Vec<f64> = (0..3).filter(usable).filter_map(|k| input.circuit.channel[k].lag_deg()).collect();
    let factors: Vec<f64> = (0..3).filter(usable).filter_map(|k| input.circuit.channel[k].p_per_unit()).collect();
    if lags.len() < 2 && factors.len() < 2 {
        found.push(Observation::not_checkable(check, None, "needs kW or PF per channel"));
        return;
    }
    if let Some(why) = not_running(input.run) {
        found.push(Observation::idle(check, None, why));
        return;
    }
    if lags.len() >= 2 {
        let spread = widest(&lags, |a, b| wrap_deg(a - b).abs());
        let plain_motor = input.context.load == LoadBehaviour::InductionMotor;
        let leading = plain_motor && lags.iter().any(|lag| *lag < LEADING_DEG && *lag > -90.0);
        let listed = lags.iter().map(|lag| format!("{lag:.0}")).collect::<Vec<_>>().join(", ");
        let detail = if leading {
            format!("lag per channel {listed} degrees: a motor without capacitor does not lead")
        } else {
            format!("lag per channel {listed} degrees: spread {spread:.0}, at most {SPREAD_DEG:.0} for one load")
        };
        found.push(Observation::judged(check, None, spread <= SPREAD_DEG && !leading, detail));
    } else {
        let spread = widest(&factors, |a, b| (a - b).abs());
        let listed = factors.iter().map(|pf| format!("{pf:.2}")).collect::<Vec<_>>().join(", ");
        let detail = format!("PF per channel {listed}: spread {spread:.2}, at most {SPREAD_PF} for one load");
        found.push(Observation::judged(check, None, spread <= SPREAD_PF, detail));
    }
}

fn widest(values: &[f64], distance: impl Fn(f64, f64) -> f64) -> f64 {
    let mut widest = 0.0f64;
    for (i, a) in values.iter().enumerate() {
        for b in &values[i + 1..] {
            widest = widest.max(distance(*a, *b));
        }
    }
    widest
}
