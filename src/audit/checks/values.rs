//! Are the values possible at all, and is time passing as it should?

use super::{CURRENT_NAMES, FACTOR_NAMES, Found, Input, LINE_NAMES, POWER_NAMES, VOLTAGE_NAMES, not_running};
use crate::audit::assessment::{Check, Outcome};
use crate::audit::detail::{Detail, Missing};
use crate::audit::moment::REPEATS_TO_SAY;
use crate::reading::Measured;

/// A wall clock that moves by more than this against the monotonic clock between two readings has jumped, ms; less is
/// slewing and rounding.
pub const CLOCK_JUMP_MS: i64 = 2_000;

/// Every mapped value is possible and present. Blanked power and PF are left to their own check.
pub fn plausible_values(input: &Input, found: &mut Found) {
    let monitor = input.monitor;
    let reading = input.reading;
    let check = Check::PlausibleValues;
    if all_good(input) {
        found.judged(check, None, true, Detail::Words(ALL_POSSIBLE));
        return;
    }
    let mut wrong = Vec::new();
    let mut failed = 0;
    let mut look = |value: Measured, what: &str, unit: &str, may_be_blank: bool| match value {
        Measured::OutOfRange(v) => wrong.push(format!("{what} reads {v:.4}{unit}, which is impossible")),
        Measured::NotAvailable if !may_be_blank => wrong.push(format!("{what} reads \"not available\"")),
        Measured::Stale(v) => wrong.push(format!("{what} is stuck at {v:.4}{unit}")),
        Measured::Failed => failed += 1,
        _ => {}
    };
    for &k in input.context.service.channels() {
        look(monitor.voltage_ln_v[k], VOLTAGE_NAMES[k], " V", false);
        look(reading.current_a[k], CURRENT_NAMES[k], " A", false);
        look(reading.power_factor[k], FACTOR_NAMES[k], "", true);
        look(reading.active_power_w[k], POWER_NAMES[k], " W", true);
        look(reading.apparent_power_va[k], "apparent power", " VA", true);
    }
    for &k in input.context.service.line_voltages() {
        look(monitor.voltage_ll_v[k], LINE_NAMES[k], " V", false);
    }
    look(monitor.frequency_hz, "frequency", " Hz", false);
    look(reading.total_power_factor, "total power factor", "", true);
    look(reading.total_active_power_w, "total active power", " W", true);
    look(reading.total_apparent_power_va, "total apparent power", " VA", true);
    if !wrong.is_empty() {
        found.judged(check, None, false, Detail::Text(wrong.join("; ")));
    } else if failed > 0 {
        let why = monitor.failures.first().map_or("a read failed", String::as_str);
        found.not_checkable(check, None, Missing::Text(format!("{failed} values could not be read: {why}")));
    } else {
        found.judged(check, None, true, Detail::Words(ALL_POSSIBLE));
    }
}

const ALL_POSSIBLE: &str = "every value is present and possible";

/// True where nothing needs a closer look, as on nearly every reading.
fn all_good(input: &Input) -> bool {
    let fine = |value: &Measured| matches!(value, Measured::Good(_) | Measured::NotMapped);
    let (monitor, reading) = (input.monitor, input.reading);
    let by_channel = [
        &monitor.voltage_ln_v,
        &monitor.voltage_ll_v,
        &reading.current_a,
        &reading.power_factor,
        &reading.active_power_w,
        &reading.apparent_power_va,
    ];
    let single = [
        &monitor.frequency_hz,
        &reading.total_power_factor,
        &reading.total_active_power_w,
        &reading.total_apparent_power_va,
    ];
    by_channel.into_iter().flatten().chain(single).all(fine)
}

/// A running pump's values move, each device's at its own pace: identical readings are a freeze once several refreshes of this
/// device have been missed. Before its pace is known, values that have not moved yet are neither right nor wrong.
pub fn values_moving(input: &Input, found: &mut Found) {
    let check = Check::ValuesMoving;
    let unchanged = input.unchanged;
    match not_running(input.run) {
        Some(why) => found.idle(check, None, why),
        None if unchanged.frozen => found.judged(check, None, false, Detail::Unchanged(unchanged)),
        None if unchanged.refresh_ms.is_none() && unchanged.readings >= REPEATS_TO_SAY => {
            found.say(check, None, Outcome::Pending, Detail::Unchanged(unchanged));
        }
        None => found.judged(check, None, true, Detail::Words("values move")),
    }
}

/// The wall clock advanced as much as the monotonic clock since the last reading.
pub fn clock_sound(input: &Input, found: &mut Found) {
    let check = Check::ClockSound;
    let Some(before) = input.previous_at else {
        found.idle(check, None, "there is only one reading yet");
        return;
    };
    let at = input.monitor.at;
    let jump_ms = (at.wall.0.saturating_sub(before.wall.0)).saturating_sub(at.mono.since(before.mono) as i64);
    let even = jump_ms.abs() <= CLOCK_JUMP_MS;
    let detail = if even {
        Detail::Words("the computer's clock runs evenly")
    } else {
        let seconds = jump_ms as f64 / 1000.0;
        Detail::Text(format!("the computer's clock jumped by {seconds:.1} s; times around it are not to be trusted"))
    };
    found.judged(check, None, even, detail);
}
