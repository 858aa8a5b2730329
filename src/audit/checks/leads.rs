//! Are the leads there, in order, and each current with its own voltage?

use super::{CURRENT_NAMES, Found, Input, first_missing, not_running};
use crate::audit::assessment::Check;
use crate::audit::detail::{Detail, Missing};
use crate::audit::evidence::{DEAD_CURRENT_SHARE, UNEVEN_CURRENT_SHARE};
use crate::audit::load::LagWindow;
use crate::electrical::angle::wrap_deg;
use crate::electrical::voltage::DEAD_VOLTAGE_SHARE;
use crate::reading::{Measured, RunStatus};

const CHANNEL_PLACES: [&str; 3] = ["channel 1", "channel 2", "channel 3"];
const LINE_PLACES: [&str; 3] = ["channels 1 and 2", "channels 2 and 3", "channels 3 and 1"];
/// A line voltage below this share of nominal has lost a lead: with one fuse blown two of three fall to about 58 %.
const LOW_LINE_SHARE: f64 = 0.70;

/// Every voltage channel reads something like nominal; on three-wire monitors, every pair of channels does.
pub fn voltage_missing(input: &Input, found: &mut Found) {
    let (service, between_v) = (input.context.service, input.context.nominal_voltage_v);
    let to_neutral = input.monitor.voltage_ln_v.iter().any(|v| v.is_mapped());
    let (values, places, channels, share) = if to_neutral {
        (input.monitor.voltage_ln_v, CHANNEL_PLACES, service.channels(), DEAD_VOLTAGE_SHARE)
    } else {
        (input.monitor.voltage_ll_v, LINE_PLACES, service.line_voltages(), LOW_LINE_SHARE)
    };
    let check = Check::VoltageMissing;
    for &k in channels {
        let (value, place) = (&values[k], places[k]);
        let nominal_v = if to_neutral { service.nominal_channel_v(k, between_v) } else { between_v };
        let Some(volts) = value.good() else {
            found.not_checkable(check, Some(k), Missing::Value { what: place, quality: *value });
            continue;
        };
        let detail = Detail::Voltage { place, volts, nominal: nominal_v };
        found.judged(check, Some(k), volts >= share * nominal_v, detail);
    }
}

/// No current channel reads nothing while others carry load.
pub fn current_missing(input: &Input, found: &mut Found) {
    let check = Check::CurrentMissing;
    let currents = input.reading.current_a;
    let largest = currents.iter().filter_map(|c| c.good()).fold(0.0, f64::max);
    for &k in input.context.service.channels() {
        let value = &currents[k];
        let Some(amps) = value.good() else {
            let missing = Missing::Value { what: CURRENT_NAMES[k], quality: *value };
            found.not_checkable(check, Some(k), missing);
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.idle(check, Some(k), why);
            continue;
        }
        let detail = Detail::Current { channel: k, amps, largest };
        found.judged(check, Some(k), amps > DEAD_CURRENT_SHARE * largest, detail);
    }
}

/// The channels that carry current carry alike: they meter one load. Which CT is wrong the currents cannot tell.
pub fn current_balance(input: &Input, found: &mut Found) {
    let check = Check::CurrentBalance;
    let currents = input.reading.current_a;
    let used = input.context.service.channels();
    if let Some(missing) = used.iter().find_map(|k| first_missing(&[(currents[*k], CURRENT_NAMES[*k])])) {
        found.not_checkable(check, None, missing);
        return;
    }
    if let Some(why) = not_running(input.run) {
        found.idle(check, None, why);
        return;
    }
    let largest = currents.iter().filter_map(|c| c.good()).fold(0.0, f64::max);
    let carrying = currents.iter().enumerate().filter_map(|(k, c)| Some((k, c.good()?)));
    let smallest = carrying.filter(|(_, a)| *a > DEAD_CURRENT_SHARE * largest).min_by(|a, b| a.1.total_cmp(&b.1));
    // A channel without current is told by its own check.
    let (channel, amps) = smallest.unwrap_or((0, largest));
    let detail = Detail::Current { channel, amps, largest };
    found.judged(check, None, amps >= UNEVEN_CURRENT_SHARE * largest, detail);
}

/// Current and run status agree.
pub fn current_while_stopped(input: &Input, found: &mut Found) {
    let check = Check::CurrentWhileStopped;
    let currents = input.reading.current_a;
    let Some(largest) = currents.iter().filter_map(|c| c.good()).reduce(f64::max) else {
        let missing = Missing::Value { what: CURRENT_NAMES[0], quality: currents[0] };
        found.not_checkable(check, None, missing);
        return;
    };
    let flowing = input.run.flowing;
    match input.reading.run_status {
        RunStatus::NotMapped => found.not_checkable(check, None, "the map offers no run status"),
        RunStatus::Failed => found.not_checkable(check, None, "run status could not be read"),
        RunStatus::Stopped => found.judged(check, None, !flowing, Detail::Status { running: false, largest }),
        RunStatus::Running => found.judged(check, None, flowing, Detail::Status { running: true, largest }),
    }
}

/// Voltage channels rotate as expected.
pub fn voltage_rotation(input: &Input, found: &mut Found) {
    let check = Check::VoltageRotation;
    let expected = input.context.rotation;
    if !input.context.service.symmetrical() {
        let why = "the voltage channels of this service are no set of three phases";
        found.not_checkable(check, None, why);
        return;
    }
    let angles = input.monitor.voltage_angle_deg;
    if let Some(rotation) = input.voltages.measured_rotation {
        let detail = Detail::Rotation { found: rotation, expected };
        found.judged(check, None, rotation == expected, detail);
        return;
    }
    let missing = first_missing(&angles.map(|angle| (angle, "voltage angles")));
    match (missing, angles.map(Measured::good)) {
        (None, [Some(a), Some(b), Some(c)]) if input.voltages.phasor_v.iter().all(Option::is_some) => {
            found.judged(check, None, false, Detail::NoThreePhaseSet([a, b, c]));
        }
        (None, _) => found.not_checkable(check, None, "a voltage channel is dead"),
        (Some(missing), _) => found.not_checkable(check, None, missing),
    }
}

/// Each channel's current lags its own voltage by what the load allows; else the nearest shift of 60 degrees is named.
pub fn association(input: &Input, found: &mut Found) {
    let check = Check::VoltageCurrentAssociation;
    let by_design = super::shifts_by_design(input.context);
    let mean_a = input.circuit.mean_current_a();
    for &k in input.context.service.channels() {
        let channel = &input.circuit.channel[k];
        let Some(lag_deg) = channel.lag_deg() else {
            found.not_checkable(check, Some(k), "needs active and reactive power, or angles, per channel");
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.idle(check, Some(k), why);
            continue;
        }
        if channel.current_a.is_some_and(|a| a <= DEAD_CURRENT_SHARE * mean_a) {
            found.not_checkable(check, Some(k), "the channel carries no current");
            continue;
        }
        // Two elements and a high leg stand 30 degrees off their currents by design.
        let lag_deg = wrap_deg(lag_deg - by_design[k]);
        let LagWindow { expected_deg: expected, lowest_deg, highest_deg } = input.lag_window;
        let right = (lowest_deg..=highest_deg).contains(&lag_deg);
        let detail = if right {
            Detail::Lag(lag_deg)
        } else {
            let shift = 60.0 * (wrap_deg(lag_deg - expected) / 60.0).round();
            Detail::WrongLag { lag: lag_deg, expected, shift }
        };
        found.judged(check, Some(k), right, detail);
    }
}
