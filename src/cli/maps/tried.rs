//! What one poll with a map brought: every value with its quality, and what would fit better.
//!
//! Must never show a value without its quality, nor one that the map does not give.

use std::fmt::Write;

use crate::audit::register_fault::expected::Expected;
use crate::faces::json::quality_key;
use crate::faces::text::plural;
use crate::modbus::decode::Block;
use crate::modbus::map::{Conventions, MapSource, PowerFactorSign};
use crate::modbus::poll::PollEvent;
use crate::reading::{CircuitReading, Measured, MonitorReading, RunStatus};
use crate::station::register_watch::of_one_reading;
use crate::station::snapshot::answered;

pub(super) fn tried_text(event: &PollEvent, map: &MapSource) -> String {
    let mut out = format!(
        "{} transaction{} in {:.0} ms, {} failed\n",
        event.transactions,
        plural(event.transactions),
        event.took_ms,
        event.errors.len()
    );
    for failure in &event.reading.failures {
        let _ = writeln!(out, "failed: {failure}");
    }
    if !answered(&event.reading) {
        return out;
    }
    out.push_str(sign_note(&event.reading, conventions(map)));
    monitor_values(&mut out, &event.reading);
    for (slot, circuit) in event.reading.circuits.iter().enumerate() {
        let mut values = String::new();
        circuit_values(&mut values, circuit);
        if !values.is_empty() {
            let _ = writeln!(out, "circuit slot {}", slot + 1);
            out.push_str(&values);
        }
    }
    out
}

/// What one poll tells of the device and the map, after its values.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Judged {
    /// Values that can be measured ones.
    Usable,
    /// Something is wrong with the map, or with some of the values.
    Wrong(Vec<String>),
    /// The device answers, and nothing in it is a measured value.
    Nothing(String),
    /// Nothing was read.
    NoAnswer,
}

impl Judged {
    /// As lines below the values; empty where there is nothing to say.
    pub(super) fn text(&self) -> String {
        match self {
            Judged::Usable | Judged::NoAnswer => String::new(),
            Judged::Wrong(lines) => lines.iter().fold(String::new(), |text, line| text + "\n" + line + "\n"),
            Judged::Nothing(line) => format!("\n{line}\n"),
        }
    }
}

/// Judges one poll.
pub(super) fn judge(event: &PollEvent, map: &MapSource, nominal_voltage_v: Option<f64>) -> Judged {
    let reading = &event.reading;
    if !answered(reading) {
        return Judged::NoAnswer;
    }
    if let Some(nothing) = no_values(event) {
        return Judged::Nothing(nothing);
    }
    let mut wrong = Vec::new();
    if let Some(raw) = &event.raw {
        let expected = Expected::unknown(nominal_voltage_v, reading.circuits.len());
        let fault = of_one_reading(reading, raw, &expected);
        wrong.extend(fault.map(|fault| format!("Would fit better: {}", fault.text())));
    }
    wrong.extend(signed_factor(reading, conventions(map)));
    let (mut impossible, mut failed) = (0_usize, usize::from(!event.errors.is_empty()));
    each_value(reading, &mut |value| match value {
        Measured::OutOfRange(_) => impossible += 1,
        Measured::Failed => failed += 1,
        _ => {}
    });
    if impossible > 0 {
        wrong.push(format!(
            "{impossible} value{} impossible (out_of_range): type, scale, byte order, address or sign convention of the map \
             is not the device's there",
            are(impossible)
        ));
    }
    if failed > 0 && wrong.is_empty() {
        wrong.push("Some values could not be read: the device has no such registers, or refuses them".to_owned());
    }
    if wrong.is_empty() { Judged::Usable } else { Judged::Wrong(wrong) }
}

fn are(count: usize) -> &'static str {
    if count == 1 { " is" } else { "s are" }
}

const WHERE_TO_LOOK: &str = "Check that this is the right device and unit id (a gateway may answer for a device that is not \
    there), that function codes (3 holding, 4 input registers) and addresses of the map are the device's, and that its voltage \
    inputs are connected. A test server that holds no data answers like this too";

/// What is said of a device that answers and gives no measured value.
fn no_values(event: &PollEvent) -> Option<String> {
    let (mut good, mut zero, mut absent) = (0_usize, 0_usize, 0_usize);
    each_value(&event.reading, &mut |value| match value {
        Measured::Good(0.0) => (good, zero) = (good + 1, zero + 1),
        Measured::Good(_) | Measured::OutOfRange(_) | Measured::Stale(_) => good += 1,
        Measured::NotAvailable => absent += 1,
        Measured::NotMapped | Measured::Failed => {}
    });
    let words: Vec<u16> = event.raw.iter().flat_map(|raw| &raw.blocks).flat_map(registers).copied().collect();
    let same = words.first().filter(|first| words.len() >= FEWEST_ALIKE && words.iter().all(|word| word == *first));
    if good > 0 && zero == good || same == Some(&0) {
        let what = if words.is_empty() {
            format!("All {good} values read are 0")
        } else if same == Some(&0) {
            format!("All {} registers read are 0", words.len())
        } else {
            format!("All {good} values that the device gives are 0")
        };
        return Some(format!("{what}: the device answers and gives no measured value. {WHERE_TO_LOOK}."));
    }
    if let Some(word) = same {
        let count = words.len();
        return Some(format!(
            "All {count} registers read are the same, {word:#06x}: the device answers and gives no measured value. {WHERE_TO_LOOK}."
        ));
    }
    (good == 0 && absent > 0).then(|| {
        format!(
            "All {absent} values are marked \"not available\" by the device: it answers and gives no measured value. \
             {WHERE_TO_LOOK}."
        )
    })
}

/// Fewer registers may be alike by chance.
const FEWEST_ALIKE: usize = 4;

fn registers(block: &Block) -> &[u16] {
    match block {
        Block::Registers(words) => words,
        Block::Missing | Block::Bits(_) => &[],
    }
}

fn conventions(map: &MapSource) -> Conventions {
    match map {
        MapSource::Fixed(map) => map.conventions,
        MapSource::SunSpec { conventions, .. } => *conventions,
    }
}

/// A power factor that the device gives with a sign, and the map says has none.
fn signed_factor(reading: &MonitorReading, conventions: Conventions) -> Option<String> {
    let signed = |value: Measured| match value {
        Measured::OutOfRange(v) if (-POWER_FACTOR_LIMIT..0.0).contains(&v) => Some(v),
        _ => None,
    };
    let mut factors = reading.circuits.iter().flat_map(|c| c.power_factor.into_iter().chain([c.total_power_factor]));
    let first = factors.find_map(signed).filter(|_| conventions.power_factor == PowerFactorSign::Unsigned)?;
    Some(format!(
        "The power factor has a sign (one reads {first:.3}), and the map says power_factor = \"unsigned\". Set \
         conventions.power_factor to what the device's manual says of its sign: \"sign-of-power\", \"lag-negative\" or \
         \"lead-negative\""
    ))
}

/// Up to here a power factor is one; beyond it the registers hold something else.
const POWER_FACTOR_LIMIT: f64 = 1.005;

/// What is to be known of how the values are shown.
fn sign_note(reading: &MonitorReading, conventions: Conventions) -> &'static str {
    let has_factor = reading.circuits.iter().any(|circuit| {
        circuit.total_power_factor.is_mapped() || circuit.power_factor.iter().any(|value| value.is_mapped())
    });
    match conventions.power_factor {
        PowerFactorSign::LagNegative if has_factor => {
            "power factor: signed on the device (negative is lagging, by the map); shown without its sign, which tells nothing \
             of the direction of power\n"
        }
        PowerFactorSign::LeadNegative if has_factor => {
            "power factor: signed on the device (negative is leading, by the map); shown without its sign, which tells nothing \
             of the direction of power\n"
        }
        PowerFactorSign::SignOfPower if has_factor => {
            "power factor: signed, its sign is that of active power, by the map\n"
        }
        _ => "",
    }
}

/// Every value that a reading may hold.
fn each_value(reading: &MonitorReading, take: &mut impl FnMut(Measured)) {
    let monitor = [reading.voltage_ln_v, reading.voltage_ll_v, reading.voltage_angle_deg];
    monitor.into_iter().flatten().chain([reading.frequency_hz]).for_each(&mut *take);
    for circuit in &reading.circuits {
        let channels = [
            circuit.current_a,
            circuit.current_angle_deg,
            circuit.active_power_w,
            circuit.reactive_power_var,
            circuit.apparent_power_va,
            circuit.power_factor,
        ];
        let totals = [
            circuit.total_active_power_w,
            circuit.total_reactive_power_var,
            circuit.total_apparent_power_va,
            circuit.total_power_factor,
            circuit.energy_import_wh,
            circuit.energy_export_wh,
            circuit.water.flow_m3_per_s,
            circuit.water.head_m,
            circuit.water.suction_pressure_pa,
            circuit.water.discharge_pressure_pa,
        ];
        channels.into_iter().flatten().chain(totals).for_each(&mut *take);
    }
}

fn monitor_values(out: &mut String, reading: &MonitorReading) {
    for (name, values) in [
        ("voltage to neutral (V)", &reading.voltage_ln_v),
        ("voltage 12, 23, 31 (V)", &reading.voltage_ll_v),
        ("voltage angle (deg)", &reading.voltage_angle_deg),
    ] {
        channels(out, name, values);
    }
    single(out, "frequency (Hz)", reading.frequency_hz);
}

fn circuit_values(out: &mut String, circuit: &CircuitReading) {
    for (name, values) in [
        ("current (A)", &circuit.current_a),
        ("current angle (deg)", &circuit.current_angle_deg),
        ("active power (W)", &circuit.active_power_w),
        ("reactive power (var)", &circuit.reactive_power_var),
        ("apparent power (VA)", &circuit.apparent_power_va),
        ("power factor", &circuit.power_factor),
    ] {
        channels(out, name, values);
    }
    for (name, value) in [
        ("total active power (W)", circuit.total_active_power_w),
        ("total reactive power (var)", circuit.total_reactive_power_var),
        ("total apparent power (VA)", circuit.total_apparent_power_va),
        ("total power factor", circuit.total_power_factor),
        ("energy import (Wh)", circuit.energy_import_wh),
        ("energy export (Wh)", circuit.energy_export_wh),
    ] {
        single(out, name, value);
    }
    for (name, value) in [
        ("flow (m3/s)", circuit.water.flow_m3_per_s),
        ("head (m)", circuit.water.head_m),
        ("suction pressure (Pa)", circuit.water.suction_pressure_pa),
        ("discharge pressure (Pa)", circuit.water.discharge_pressure_pa),
    ] {
        single(out, name, value);
    }
    match circuit.run_status {
        RunStatus::NotMapped => {}
        RunStatus::Running => out.push_str("  run status                   running\n"),
        RunStatus::Stopped => out.push_str("  run status                   stopped\n"),
        RunStatus::Failed => out.push_str("  run status                   (failed)\n"),
    }
}

fn channels(out: &mut String, name: &str, values: &[Measured; 3]) {
    if values.iter().any(|value| value.is_mapped()) {
        let shown = values.map(tried_value);
        let _ = writeln!(out, "  {name:<28} {:<22} {:<22} {}", shown[0], shown[1], shown[2]);
    }
}

fn single(out: &mut String, name: &str, value: Measured) {
    if value.is_mapped() {
        let _ = writeln!(out, "  {name:<28} {}", tried_value(value));
    }
}

fn tried_value(value: Measured) -> String {
    match value {
        Measured::Good(v) => format!("{v:.3}"),
        Measured::Stale(v) | Measured::OutOfRange(v) => format!("{v:.3} ({})", quality_key(value)),
        Measured::NotMapped | Measured::NotAvailable | Measured::Failed => format!("({})", quality_key(value)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{failed_event, good_event, reading, station_config};

    #[test]
    fn a_try_shows_every_mapped_value_with_its_quality() {
        let mut event = good_event(reading(&Wiring::INTENDED, 0));
        event.reading.circuits[0].total_power_factor = Measured::OutOfRange(3.2);
        let map = station_config("Alder Creek Lift").monitors.remove(0).map;
        let text = tried_text(&event, &map);
        assert!(text.contains("2 transactions in 12 ms, 0 failed"), "{text}");
        assert!(text.contains("277.128") && text.contains("3.200 (out_of_range)"), "{text}");
        assert!(!text.contains("energy"), "what is not mapped is not shown: {text}");
        let text = tried_text(&failed_event(0), &map);
        assert!(text.contains("1 failed\nfailed: ") && !text.contains("current"), "{text}");
        assert_eq!(judge(&failed_event(0), &map, None), Judged::NoAnswer);
        let Judged::Wrong(lines) = judge(&event, &map, None) else { panic!("a PF of 3.2") };
        assert!(lines.iter().any(|line| line.starts_with("1 value is impossible")), "{lines:?}");
        assert_eq!(judge(&good_event(reading(&Wiring::INTENDED, 0)), &map, None), Judged::Usable);
    }

    /// The map of the fixtures with another meaning of the sign of PF.
    fn with_factor(sign: PowerFactorSign) -> MapSource {
        let MapSource::Fixed(mut map) = station_config("Alder Creek Lift").monitors.remove(0).map else { panic!() };
        map.conventions.power_factor = sign;
        MapSource::Fixed(map)
    }

    #[test]
    fn a_signed_power_factor_is_never_shown_as_an_unsigned_one() {
        let mut event = good_event(reading(&Wiring::INTENDED, 0));
        event.reading.circuits[0].total_power_factor = Measured::Good(0.86);
        for (sign, words) in [
            (PowerFactorSign::LagNegative, "power factor: signed on the device (negative is lagging, by the map)"),
            (PowerFactorSign::LeadNegative, "power factor: signed on the device (negative is leading, by the map)"),
            (PowerFactorSign::SignOfPower, "power factor: signed, its sign is that of active power, by the map"),
        ] {
            let text = tried_text(&event, &with_factor(sign));
            assert!(text.contains(words) && !text.contains("unsigned"), "{text}");
        }
        let unsigned = with_factor(PowerFactorSign::Unsigned);
        assert!(!tried_text(&event, &unsigned).contains("signed"));
        event.reading.circuits[0].total_power_factor = Measured::OutOfRange(-0.86);
        let text = judge(&event, &unsigned, None).text();
        assert!(text.contains("The power factor has a sign (one reads -0.860)"), "{text}");
    }

    #[test]
    fn a_device_without_values_is_told_as_one() {
        let map = with_factor(PowerFactorSign::SignOfPower);
        let told = |event: &PollEvent| match judge(event, &map, None) {
            Judged::Nothing(text) => text,
            other => panic!("{other:?}"),
        };
        let all = |value: Measured| {
            let mut event = good_event(reading(&Wiring::INTENDED, 0));
            let put = |values: &mut [Measured]| values.iter_mut().filter(|v| v.is_mapped()).for_each(|v| *v = value);
            let at = &mut event.reading;
            put(&mut at.voltage_ln_v);
            put(&mut at.voltage_ll_v);
            put(&mut at.voltage_angle_deg);
            put(std::slice::from_mut(&mut at.frequency_hz));
            for circuit in &mut at.circuits {
                put(&mut circuit.current_a);
                put(&mut circuit.current_angle_deg);
                put(&mut circuit.active_power_w);
                put(&mut circuit.reactive_power_var);
                put(&mut circuit.apparent_power_va);
                put(&mut circuit.power_factor);
                put(std::slice::from_mut(&mut circuit.total_active_power_w));
                put(std::slice::from_mut(&mut circuit.total_reactive_power_var));
                put(std::slice::from_mut(&mut circuit.total_apparent_power_va));
                put(std::slice::from_mut(&mut circuit.total_power_factor));
                put(std::slice::from_mut(&mut circuit.energy_import_wh));
                put(std::slice::from_mut(&mut circuit.energy_export_wh));
            }
            event
        };
        let zero = all(Measured::Good(0.0));
        assert!(told(&zero).contains("values read are 0: the device answers and gives no measured value"));
        let absent = all(Measured::NotAvailable);
        assert!(told(&absent).contains("values are marked \"not available\""), "{}", told(&absent));
        // A stopped pump: currents and powers are 0, voltages are there.
        let mut stopped = zero;
        stopped.reading.voltage_ln_v = [Measured::Good(277.0); 3];
        assert_eq!(judge(&stopped, &map, None), Judged::Usable);
    }
}
