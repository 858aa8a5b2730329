//! Is power there, positive, and its factor plausible for the load?

use super::{FACTOR_NAMES, Found, Input, POWER_NAMES, first_missing, not_running};
use crate::audit::assessment::Check;
use crate::audit::context::LoadBehaviour;
use crate::audit::detail::{Detail, Missing};
use crate::audit::evidence::DEAD_CURRENT_SHARE;
use crate::electrical::angle::wrap_deg;
use crate::reading::{CircuitReading, Measured};

/// P / (V I) closer to zero than this has no sign worth judging.
const SIGN_DEADBAND: f64 = 0.05;
/// Phase angles of one load spread no wider than this, degrees, with 3 % voltage unbalance behind a lightly loaded motor.
pub const SPREAD_DEG: f64 = 35.0;
/// The same for P / (V I) where angles are not known.
pub const SPREAD_PF: f64 = 0.35;
/// A plain motor never leads by more than this, degrees.
const LEADING_DEG: f64 = -5.0;

/// The values that monitors blank, with their names: totals first, then kW and PF by channel.
pub fn blankable(reading: &CircuitReading) -> [(Measured, &'static str); 8] {
    let [p1, p2, p3] = [0, 1, 2].map(|k| (reading.active_power_w[k], POWER_NAMES[k]));
    let [f1, f2, f3] = [0, 1, 2].map(|k| (reading.power_factor[k], FACTOR_NAMES[k]));
    [(reading.total_active_power_w, "total kW"), (reading.total_power_factor, "total PF"), p1, p2, p3, f1, f2, f3]
}

/// P and PF are given while the pump runs. A blank is not "nothing wrong": on many monitors it is how wrong looks.
///
/// A value that a standard makes optional may never be given at all: it counts only where the map says it is blanked, or
/// once it has been given. A channel without current has no power factor to give.
pub fn power_blank_while_running(input: &Input, found: &mut Found) {
    const GIVEN: &str = "kW and PF are given while the pump runs";
    let check = Check::PowerBlankWhileRunning;
    let all = blankable(input.reading);
    if !all.iter().any(|(value, _)| value.is_mapped()) {
        found.not_checkable(check, None, "the map offers neither kW nor PF");
        return;
    }
    if let Some(why) = not_running(input.run) {
        found.idle(check, None, why);
        return;
    }
    if !all.iter().any(|(value, _)| *value == Measured::NotAvailable) {
        found.judged(check, None, true, Detail::Words(GIVEN));
        return;
    }
    let largest = input.reading.current_a.iter().filter_map(|c| c.good()).fold(0.0, f64::max);
    let dead = |k: usize| input.reading.current_a[k].good().is_some_and(|a| a <= DEAD_CURRENT_SHARE * largest);
    let expected = |n: usize| {
        let given_before = input.ever_given & (1 << n) != 0;
        // Places 0 and 1 are the totals; the others come by channel.
        if n < 2 {
            n == 0 || given_before || input.context.blanking.when_not_positive
        } else {
            given_before && !dead((n - 2) % 3)
        }
    };
    let is_blank = |(n, (value, _)): &(usize, &(Measured, &str))| *value == Measured::NotAvailable && expected(*n);
    let blank: Vec<&str> = all.iter().enumerate().filter(is_blank).map(|(_, (_, what))| *what).collect();
    if blank.is_empty() {
        found.judged(check, None, true, Detail::Words(GIVEN));
        return;
    }
    let rule = if input.context.blanking.when_not_positive {
        "; this monitor blanks them when the power it registers is not positive"
    } else {
        ""
    };
    let detail = Detail::Text(format!("blank while the pump runs: {}{rule}", blank.join(", ")));
    found.judged(check, None, false, detail);
}

/// Active power per channel is positive while running.
pub fn active_power_sign(input: &Input, found: &mut Found) {
    let check = Check::ActivePowerSign;
    for &k in input.context.service.channels() {
        let channel = &input.circuit.channel[k];
        let Some(p) = channel.p_per_unit() else {
            let missing = first_missing(&[(input.reading.active_power_w[k], POWER_NAMES[k])])
                .unwrap_or(Missing::Words("voltage or current of the channel is missing"));
            found.not_checkable(check, Some(k), missing);
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.idle(check, Some(k), why);
            continue;
        }
        let detail = Detail::ChannelPower { channel: k, watts: channel.active_w.unwrap_or(0.0) };
        found.judged(check, Some(k), p > -SIGN_DEADBAND, detail);
    }
}

/// Total active power is positive while running.
pub fn total_power_sign(input: &Input, found: &mut Found) {
    let check = Check::TotalPowerSign;
    let total = input.circuit.total;
    let Some((watts, apparent)) = total.active_w.zip(total.apparent_va) else {
        let missing = first_missing(&[(input.reading.total_active_power_w, "total kW")])
            .unwrap_or(Missing::Words("the map offers no total kW and not all channels"));
        found.not_checkable(check, None, missing);
        return;
    };
    if let Some(why) = not_running(input.run) {
        found.idle(check, None, why);
        return;
    }
    let detail = Detail::TotalPower { watts, apparent };
    found.judged(check, None, watts > SIGN_DEADBAND * apparent, detail);
}

/// Channels agree with each other in angle (or P per VA), and a plain motor does not lead.
pub fn power_factor_plausible(input: &Input, found: &mut Found) {
    let check = Check::PowerFactorPlausible;
    let usable = |k: &usize| {
        let channel = &input.circuit.channel[*k];
        let service = input.context.service;
        let has_voltage =
            if service.symmetrical() { input.voltages.phasor_v[*k].is_some() } else { channel.voltage_v.is_some() };
        service.channels().contains(k) && channel.current_a.is_some_and(|a| a > 0.0) && has_voltage
    };
    let known = |values: &[Option<f64>; 3]| values.iter().flatten().count();
    let by_design = super::shifts_by_design(input.context);
    let lags = [0, 1, 2].map(|k| {
        let lag_deg = input.circuit.channel[k].lag_deg().filter(|_| usable(&k))?;
        Some(wrap_deg(lag_deg - by_design[k]))
    });
    let by_lag = known(&lags) >= 2;
    // Channels that stand at different angles by design have different factors by design.
    let by_factor = !by_lag && by_design == [0.0; 3];
    let factors = [0, 1, 2].map(|k| input.circuit.channel[k].p_per_unit().filter(|_| by_factor && usable(&k)));
    if !by_lag && known(&factors) < 2 {
        found.not_checkable(check, None, "needs kW or PF per channel");
    } else if let Some(why) = not_running(input.run) {
        found.idle(check, None, why);
    } else if by_lag {
        let plain_motor = input.context.load == LoadBehaviour::InductionMotor;
        let leading = plain_motor && lags.iter().flatten().any(|lag| *lag < LEADING_DEG && *lag > -90.0);
        let detail = if leading { Detail::Leading(lags) } else { Detail::LagSpread(lags) };
        found.judged(check, None, !leading && lag_spread_deg(&lags) <= SPREAD_DEG, detail);
    } else {
        found.judged(check, None, factor_spread(&factors) <= SPREAD_PF, Detail::FactorSpread(factors));
    }
}

/// Widest difference between the lags of two channels, degrees.
pub fn lag_spread_deg(lags_deg: &[Option<f64>; 3]) -> f64 {
    widest(lags_deg, |a, b| wrap_deg(a - b).abs())
}

/// Widest difference between the power factors of two channels.
pub fn factor_spread(factors: &[Option<f64>; 3]) -> f64 {
    widest(factors, |a, b| (a - b).abs())
}

fn widest(values: &[Option<f64>; 3], distance: impl Fn(f64, f64) -> f64) -> f64 {
    let pairs = [(0, 1), (1, 2), (2, 0)];
    let gaps = pairs.iter().filter_map(|(i, j)| Some(distance(values[*i]?, values[*j]?)));
    gaps.fold(0.0, f64::max)
}
