//! A pump that loses a phase of its supply while it runs, on sampled waveforms: a loaded motor then draws as much as in a start.

use super::assessment::{Assessment, RunState, Verdict};
use super::context::ServiceKind;
use super::monitor::MonitorAuditor;
use super::monitor_tests::{ABC, context, from_text, reading};
use super::words;
use crate::reading::Measured::NotMapped;
use crate::reading::MonitorReading;

/// When the phase is lost, s.
const LOST_AT_S: u64 = 60;

/// What is said after each second of a motor at `load` that loses phase B.
fn losing_b(load: f64, as_shown: fn(&mut MonitorReading)) -> Vec<Assessment> {
    let station = from_text(&format!(
        "name = \"Larkmoor Test\"\nseed = 5\n[source]\nline_voltage_v = 480.0\nnoise = 0.001\n\
         [[pumps]]\nname = \"Pump 1\"\nload = \"induction-motor\"\nrated_power_w = 44742.0\nrated_voltage_v = 460.0\n\
         full_load_current_a = 77.0\nfull_load_power_factor = 0.86\nunbalance = [1.02, 0.97, 1.01]\n\
         schedule = [{{ at_s = 0.0, load = {load} }}]\nlost_phase = \"B\"\nlost_from_s = {LOST_AT_S}.0\n\
         [[monitors]]\nname = \"PM-1\"\nlisten = \"127.0.0.1:0\"\nmap = \"generic-full\"\ncircuits = [\"Pump 1\"]\n\
         voltage = [{ABC}]\ncurrents = [[{ABC}]]\naccuracy = 0.5\n"
    ));
    let mut auditor = MonitorAuditor::new(vec![context(ServiceKind::Wye4, 0)]);
    let shown = |second: u64| {
        let mut reading = reading(&station, second as f64);
        as_shown(&mut reading);
        reading
    };
    (8..LOST_AT_S + 45).map(|second| auditor.observe(&shown(second)).remove(0)).collect()
}

fn in_full(_: &mut MonitorReading) {}

fn totals(reading: &mut MonitorReading) {
    let circuit = &mut reading.circuits[0];
    (circuit.active_power_w, circuit.reactive_power_var) = ([NotMapped; 3], [NotMapped; 3]);
}

#[test]
fn a_phase_lost_at_any_load_is_told_within_the_time_of_a_start() {
    for load in [0.4, 0.7, 1.0] {
        for as_shown in [in_full, totals] {
            let said = losing_b(load, as_shown);
            let headlines: Vec<String> = said.iter().map(words::headline).collect();
            let lost = |headline: &String| headline.contains("phase B of the supply to the pump is lost");
            let first = headlines.iter().position(lost).unwrap_or_else(|| panic!("load {load}: {headlines:#?}"));
            let after_s = first as u64 + 8 - LOST_AT_S;
            assert!(after_s <= 36, "load {load}: {after_s} s");
            assert!(headlines[first..].iter().all(lost), "load {load}: {headlines:#?}");
            assert!(said[..first].iter().all(|a| a.diagnosis.verdict != Verdict::Fault), "load {load}: {headlines:#?}");
            assert_eq!(said.last().map(|a| a.run_state), Some(RunState::Running));
        }
    }
}
