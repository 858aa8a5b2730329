//! Are the values possible at all, and is time passing as it should?

use super::{Input, Observation};
use crate::audit::assessment::Check;
use crate::reading::Measured;

/// Difference between wall clock and monotonic clock that counts as a jump, ms.
const CLOCK_JUMP_MS: i64 = 2_000;

/// Every mapped value is possible and present. Blanked power and PF are left to their own check.
pub fn plausible_values(input: &Input, found: &mut Vec<Observation>) {
    let monitor = input.monitor;
    let reading = input.reading;
    let mut wrong = Vec::new();
    let mut failed = 0;
    let mut look = |value: Measured, what: &str, unit: &str, may_be_blank: bool| match value {
        Measured::OutOfRange(v) => wrong.push(format!("{what} reads {v:.4}{unit}, which is impossible")),
        Measured::NotAvailable if !may_be_blank => wrong.push(format!("{what} reads \"not available\"")),
        Measured::Stale(v) => wrong.push(format!("{what} is stuck at {v:.4}{unit}")),
        Measured::Failed => failed += 1,
        _ => {}
    };
    for k in 0..3 {
        const VOLTAGE: [&str; 3] = ["voltage on channel 1", "voltage on channel 2", "voltage on channel 3"];
        const LINE: [&str; 3] = ["voltage between 1 and 2", "voltage between 2 and 3", "voltage between 3 and 1"];
        const CURRENT: [&str; 3] = ["current on channel 1", "current on channel 2", "current on channel 3"];
        const FACTOR: [&str; 3] =
            ["power factor on channel 1", "power factor on channel 2", "power factor on channel 3"];
        const POWER: [&str; 3] =
            ["active power on channel 1", "active power on channel 2", "active power on channel 3"];
        look(monitor.voltage_ln_v[k], VOLTAGE[k], " V", false);
        look(monitor.voltage_ll_v[k], LINE[k], " V", false);
        look(reading.current_a[k], CURRENT[k], " A", false);
        look(reading.power_factor[k], FACTOR[k], "", true);
        look(reading.active_power_w[k], POWER[k], " W", true);
        look(reading.apparent_power_va[k], "apparent power", " VA", true);
    }
    look(monitor.frequency_hz, "frequency", " Hz", false);
    look(reading.total_power_factor, "total power factor", "", true);
    look(reading.total_active_power_w, "total active power", " W", true);
    look(reading.total_apparent_power_va, "total apparent power", " VA", true);
    let check = Check::PlausibleValues;
    if wrong.is_empty() && failed > 0 {
        let why = monitor.failures.first().map_or_else(|| "a read failed".to_owned(), Clone::clone);
        found.push(Observation::not_checkable(check, None, format!("{failed} values could not be read: {why}")));
    } else if wrong.is_empty() {
        found.push(Observation::judged(check, None, true, "every value is present and possible".to_owned()));
    } else {
        found.push(Observation::judged(check, None, false, wrong.join("; ")));
    }
}

/// The wall clock advanced as much as the monotonic clock since the last reading.
pub fn clock_sound(input: &Input, found: &mut Vec<Observation>) {
    let check = Check::ClockSound;
    let Some(before) = input.previous_at else {
        found.push(Observation::idle(check, None, "there is only one reading yet"));
        return;
    };
    let at = input.monitor.at;
    let jump_ms = (at.wall.0.saturating_sub(before.wall.0)).saturating_sub(at.mono.since(before.mono) as i64);
    let detail = if jump_ms.abs() <= CLOCK_JUMP_MS {
        "the computer's clock runs evenly".to_owned()
    } else {
        format!(
            "the computer's clock jumped by {:.1} s; times around it are not to be trusted",
            jump_ms as f64 / 1000.0
        )
    };
    found.push(Observation::judged(check, None, jump_ms.abs() <= CLOCK_JUMP_MS, detail));
}
