//! What one poll with a map brought: every value with its quality, and what would fit better.
//!
//! Must never show a value without its quality, nor one that the map does not give.

use std::fmt::Write;

use crate::audit::register_fault::expected::Expected;
use crate::faces::json::quality_key;
use crate::faces::text::plural;
use crate::modbus::poll::PollEvent;
use crate::reading::{CircuitReading, Measured, MonitorReading, RunStatus};
use crate::station::register_watch::of_one_reading;
use crate::station::snapshot::answered;

pub(super) fn tried_text(event: &PollEvent) -> String {
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

/// Another reading of the same words that fits better, if there is one.
pub(super) fn better_text(event: &PollEvent, nominal_voltage_v: Option<f64>) -> String {
    let Some(raw) = &event.raw else { return String::new() };
    let expected = Expected::unknown(nominal_voltage_v, event.reading.circuits.len());
    match of_one_reading(&event.reading, raw, &expected) {
        Some(fault) => format!("\nWould fit better: {}\n", fault.text()),
        None => String::new(),
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
    use crate::station::fixtures::{failed_event, good_event, reading};

    #[test]
    fn a_try_shows_every_mapped_value_with_its_quality() {
        let mut event = good_event(reading(&Wiring::INTENDED, 0));
        event.reading.circuits[0].total_power_factor = Measured::OutOfRange(3.2);
        let text = tried_text(&event);
        assert!(text.contains("2 transactions in 12 ms, 0 failed"), "{text}");
        assert!(text.contains("277.128") && text.contains("3.200 (out_of_range)"), "{text}");
        assert!(!text.contains("energy"), "what is not mapped is not shown: {text}");
        let text = tried_text(&failed_event(0));
        assert!(text.contains("1 failed\nfailed: ") && !text.contains("current"), "{text}");
    }
}
