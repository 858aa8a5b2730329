//! The audit of some stations as a text for people: one block a circuit, what is wrong lead by lead, how sure, what else
//! it could be, and the figures behind it.
//!
//! Cautions come first whenever the text names a lead. Must never decide anything.

mod conclusions;

pub use conclusions::{Subject, conclusions};

use std::fmt::Write;

use self::conclusions::{conclusions_text, hazard_text};
use super::cautions::{self, Caution};
use super::energy_text;
use super::json::rfc3339;
use super::text::{cell, line, paragraph};
use crate::audit::assessment::Verdict;
use crate::audit::words;
use crate::reading::{CircuitReading, Instant2, Measured, MonoMs};
use crate::station::snapshot::{CircuitSnapshot, Freshness, MonitorSnapshot, StationSnapshot};

/// Characters of a reported value.
const COLUMN: usize = 12;

/// The report of some stations as of `now`.
pub fn text<S: AsRef<StationSnapshot>>(stations: &[S], now: Instant2) -> String {
    let mut out = String::new();
    let cautions = cautions::of_stations(stations);
    if !cautions.is_empty() {
        out.push_str(&caution_text(&cautions));
        out.push('\n');
    }
    for station in stations.iter().map(AsRef::as_ref) {
        for circuit in &station.circuits {
            circuit_text(&mut out, station, circuit, now);
            out.push('\n');
        }
    }
    out
}

/// Cautions as they stand before a text.
pub fn caution_text(cautions: &[Caution]) -> String {
    let mut out = String::from("CAUTION: read this before touching anything\n");
    for (n, caution) in cautions.iter().enumerate() {
        paragraph(&mut out, &format!("{}. ", n + 1), caution);
    }
    out
}

fn circuit_text(out: &mut String, station: &StationSnapshot, circuit: &CircuitSnapshot, now: Instant2) {
    let assessment = circuit.assessment.as_deref();
    let verdict = assessment.map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict);
    line(out, &format!("{} / {}: {}", station.station, circuit.name, words::verdict_words(verdict).to_uppercase()));
    if let Some(assessment) = assessment {
        hazard_text(out, assessment, &circuit.installation);
        paragraph(out, "  ", &words::headline_with_check(assessment, &circuit.installation, &circuit.done()));
    }
    if let Some(failure) = &circuit.core_failure {
        paragraph(out, "  ", &format!("internal audit error; the audit of this circuit started again: {failure}"));
    }
    if let Some(monitor) = station.monitor_of(circuit) {
        monitor_text(out, monitor, now.mono);
        if let (Some(reading), Some(values)) = (&monitor.reading, station.reported(circuit)) {
            let shown = |value| monitor.shown(value, now.mono);
            row(out, "volts to neutral", reading.voltage_ln_v.map(shown), None, 1.0, 1);
            row(out, "volts 12, 23, 31", reading.voltage_ll_v.map(shown), None, 1.0, 1);
            reported_rows(out, values, &shown);
        }
    }
    if let Some(run) = circuit.last_run_at_standstill() {
        line(out, &format!("  Last steady reading of the running pump, {} (not of now)", rfc3339(run.at)));
        row(out, "volts to neutral", run.voltage_ln_v, None, 1.0, 1);
        row(out, "volts 12, 23, 31", run.voltage_ll_v, None, 1.0, 1);
        reported_rows(out, &run.values, &|value| value);
    }
    let Some(assessment) = assessment else { return };
    if station.monitor_of(circuit).is_some_and(|m| m.reading.is_none()) {
        return; // Without a single value, all that follows would say so once more.
    }
    let live = station.monitor_of(circuit).is_some_and(|m| m.freshness(now.mono).is_live());
    let subject = Subject { station: &station.station, circuit: &circuit.name, installation: &circuit.installation };
    conclusions_text(out, assessment, subject, &circuit.checks, live);
    energy_text::energies(out, circuit, station.tariff.as_ref(), now);
    energy_text::pump(out, station, circuit, now);
}

fn monitor_text(out: &mut String, monitor: &MonitorSnapshot, now: MonoMs) {
    let seconds = |age_ms: u64| age_ms as f64 / 1000.0;
    let state = match monitor.freshness(now) {
        Freshness::Waiting => "not polled yet".to_owned(),
        Freshness::NeverAnswered => "HAS NEVER ANSWERED".to_owned(),
        Freshness::Live { age_ms } => format!("{:.1} s ago", seconds(age_ms)),
        Freshness::Stale { age_ms } => format!("OLD VALUES, {:.1} s ago", seconds(age_ms)),
    };
    line(
        out,
        &format!(
            "  Reported by {} ({}, unit {}, map {}), {state}",
            monitor.name, monitor.address, monitor.unit, monitor.map_name
        ),
    );
    for failure in &monitor.health.failures {
        paragraph(out, "    ", &format!("read failed: {failure}"));
    }
    if let Some(fault) = &monitor.register_fault {
        paragraph(out, "    ", &format!("REGISTER MAP: {}", fault.text()));
    }
}

fn reported_rows(out: &mut String, values: &CircuitReading, shown: &impl Fn(Measured) -> Measured) {
    let total = |value| Some(shown(value));
    row(out, "amps", values.current_a.map(shown), None, 1.0, 1);
    row(out, "kW", values.active_power_w.map(shown), total(values.total_active_power_w), 1000.0, 2);
    row(out, "kvar", values.reactive_power_var.map(shown), total(values.total_reactive_power_var), 1000.0, 2);
    row(out, "kVA", values.apparent_power_va.map(shown), total(values.total_apparent_power_va), 1000.0, 2);
    row(out, "power factor", values.power_factor.map(shown), total(values.total_power_factor), 1.0, 3);
}

/// One row of the table of reported values; nothing when the map offers none of them.
fn row(out: &mut String, name: &str, values: [Measured; 3], total: Option<Measured>, unit: f64, decimals: usize) {
    if !values.iter().chain(&total).any(|v| v.is_mapped()) {
        return;
    }
    let _ = write!(out, "    {name:<18}");
    for value in values {
        let _ = write!(out, "{:>COLUMN$}", cell(value, unit, decimals));
    }
    if let Some(total) = total.filter(|t| t.is_mapped()) {
        let _ = write!(out, "   total{:>COLUMN$}", cell(total, unit, decimals));
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{exchanged, failed_event, instant, snapshot_after, station_config};
    use crate::station::state::StationState;

    fn report(wiring: &Wiring, now_ms: u64) -> String {
        text(&[snapshot_after("Alder Creek Lift", wiring)], instant(now_ms))
    }

    #[test]
    fn the_report_of_a_miswired_pump() {
        insta::assert_snapshot!(report(&exchanged(), 7200));
    }

    #[test]
    fn the_report_of_a_sound_pump() {
        insta::assert_snapshot!(report(&Wiring::INTENDED, 7200));
    }

    #[test]
    fn cautions_come_before_the_first_lead() {
        let text = report(&exchanged(), 7200);
        assert!(text.starts_with("CAUTION"));
        assert!(text.find("Never open a CT secondary").unwrap() < text.find("swapped").unwrap());
        assert!(!report(&Wiring::INTENDED, 7200).contains("CAUTION"));
    }

    #[test]
    fn old_values_are_never_printed_as_if_live() {
        let text = report(&Wiring::INTENDED, 60_000);
        assert!(text.contains("OLD VALUES, 53.0 s ago"), "{text}");
        assert!(text.contains("old 277.1"), "{text}");
        assert!(text.contains("Pump: unknown") && text.contains("Corrected power: none"), "{text}");
    }

    #[test]
    fn a_monitor_that_never_answered_is_named_with_the_reason() {
        let mut state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
        state.take(0, failed_event(0));
        let text = text(&[Box::new(state.snapshot(instant(0)))], instant(100));
        assert!(text.contains("HAS NEVER ANSWERED") && text.contains("read failed: "), "{text}");
        assert!(text.contains("NOT ENOUGH DATA YET"), "{text}");
    }
}
