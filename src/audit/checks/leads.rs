//! Are the leads there, in order, and each current with its own voltage?

use super::{CHANNEL_NAMES, Input, Observation, first_missing, not_running, why_missing};
use crate::audit::assessment::Check;
use crate::audit::evidence::DEAD_CURRENT_SHARE;
use crate::audit::load;
use crate::electrical::angle::wrap_deg;
use crate::electrical::voltage::DEAD_VOLTAGE_SHARE;
use crate::reading::{Measured, RunStatus};

const LINE_NAMES: [&str; 3] = ["channels 1 and 2", "channels 2 and 3", "channels 3 and 1"];
/// A line voltage below this share of nominal has lost a lead: with one fuse blown two of three fall to about 58 %.
const LOW_LINE_SHARE: f64 = 0.70;

/// Every voltage channel reads something like nominal; on three-wire monitors, every pair of channels does.
pub fn voltage_missing(input: &Input, found: &mut Vec<Observation>) {
    let nominal_v = input.context.nominal_voltage_v;
    let (values, places, nominal_v, share) = if input.monitor.voltage_ln_v.iter().any(|v| v.is_mapped()) {
        (input.monitor.voltage_ln_v, CHANNEL_NAMES, nominal_v / 3f64.sqrt(), DEAD_VOLTAGE_SHARE)
    } else {
        (input.monitor.voltage_ll_v, LINE_NAMES, nominal_v, LOW_LINE_SHARE)
    };
    let check = Check::VoltageMissing;
    for (k, (value, place)) in values.iter().zip(places).enumerate() {
        let observation = if let Some(volts) = value.good() {
            let detail = format!("voltage on {place} reads {volts:.1} V of {nominal_v:.0} V nominal");
            Observation::judged(check, Some(k), volts >= share * nominal_v, detail)
        } else {
            let missing = why_missing(*value, format_args!("voltage on {place}")).unwrap_or_default();
            Observation::not_checkable(check, Some(k), missing)
        };
        found.push(observation);
    }
}

/// No current channel reads nothing while others carry load.
pub fn current_missing(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::CurrentMissing;
    let currents = input.reading.current_a;
    let largest = currents.iter().filter_map(|c| c.good()).fold(0.0, f64::max);
    for (k, value) in currents.iter().enumerate() {
        if let Some(missing) = why_missing(*value, format_args!("current on {}", CHANNEL_NAMES[k])) {
            found.push(Observation::not_checkable(check, Some(k), missing));
        } else if let Some(why) = not_running(input.run) {
            found.push(Observation::idle(check, Some(k), why));
        } else {
            let a = value.good().unwrap_or(0.0);
            let right = a > DEAD_CURRENT_SHARE * largest;
            let detail = format!("{} reads {a:.2} A; the largest channel reads {largest:.2} A", CHANNEL_NAMES[k]);
            found.push(Observation::judged(check, Some(k), right, detail));
        }
    }
}

/// Current and run status agree.
pub fn current_while_stopped(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::CurrentWhileStopped;
    let currents = input.reading.current_a;
    let Some(largest) = currents.iter().filter_map(|c| c.good()).reduce(f64::max) else {
        let missing = first_missing(&[(currents[0], "current on channel 1")]).unwrap_or_default();
        found.push(Observation::not_checkable(check, None, missing));
        return;
    };
    let status = input.reading.run_status;
    let (right, detail) = match status {
        RunStatus::NotMapped => {
            found.push(Observation::not_checkable(check, None, "the map offers no run status"));
            return;
        }
        RunStatus::Failed => {
            found.push(Observation::not_checkable(check, None, "run status could not be read"));
            return;
        }
        RunStatus::Stopped => {
            (!input.run.flowing, format!("status says stopped; the largest current is {largest:.2} A"))
        }
        RunStatus::Running => {
            (input.run.flowing, format!("status says running; the largest current is {largest:.2} A"))
        }
    };
    found.push(Observation::judged(check, None, right, detail));
}

/// Voltage channels rotate as expected.
pub fn voltage_rotation(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::VoltageRotation;
    let expected = input.context.rotation;
    let angles = input.monitor.voltage_angle_deg;
    if let Some(rotation) = input.voltages.measured_rotation {
        let detail = format!("voltage channels rotate {}, expected {}", rotation.label(), expected.label());
        found.push(Observation::judged(check, None, rotation == expected, detail));
    } else if let [Some(a), Some(b), Some(c)] = angles.map(Measured::good) {
        if input.voltages.phasor_v.iter().all(Option::is_some) {
            let detail = format!("voltage angles {a:.0}, {b:.0}, {c:.0} degrees are no three-phase set");
            found.push(Observation::judged(check, None, false, detail));
        } else {
            found.push(Observation::not_checkable(check, None, "a voltage channel is dead"));
        }
    } else {
        let missing = (0..3).find_map(|k| why_missing(angles[k], "voltage angles")).unwrap_or_default();
        found.push(Observation::not_checkable(check, None, missing));
    }
}

/// Each channel's current lags its own voltage by what the load allows; else the nearest shift of 60 degrees is named.
pub fn association(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::VoltageCurrentAssociation;
    let carrying: Vec<f64> = input.circuit.channel.iter().filter_map(|c| c.current_a).collect();
    let mean_a = carrying.iter().sum::<f64>() / carrying.len().max(1) as f64;
    for (k, channel) in input.circuit.channel.iter().enumerate() {
        let Some(lag_deg) = channel.lag_deg() else {
            found.push(Observation::not_checkable(
                check,
                Some(k),
                "needs active and reactive power, or angles, per channel",
            ));
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.push(Observation::idle(check, Some(k), why));
            continue;
        }
        if channel.current_a.is_some_and(|a| a <= DEAD_CURRENT_SHARE * mean_a) {
            found.push(Observation::not_checkable(check, Some(k), "the channel carries no current"));
            continue;
        }
        let (lowest, _, _, highest) = load::wide_window(input.context.load);
        let (expected, lowest, highest) = match load::expected(input.context, mean_a) {
            Some((centre, _)) => (centre, (centre - 40.0).max(lowest), (centre + 40.0).min(highest.max(88.0))),
            None => (f64::midpoint(lowest, highest), lowest, highest.max(88.0)),
        };
        let right = (lowest..=highest).contains(&lag_deg);
        let shift = 60.0 * (wrap_deg(lag_deg - expected) / 60.0).round();
        let detail = if right {
            format!("current lags its voltage by {lag_deg:.0} degrees, as this load may")
        } else {
            format!(
                "current lags its voltage by {lag_deg:.0} degrees, expected about {expected:.0}: nearest wiring shift {shift:+.0}"
            )
        };
        found.push(Observation::judged(check, Some(k), right, detail));
    }
}
