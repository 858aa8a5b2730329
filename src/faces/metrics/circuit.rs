//! A circuit on the page: what is reported of it, what the audit says of it, its energies, its water side.

use super::families as f;
use super::page::Page;
use crate::audit::assessment::{Assessment, Check, CorrectedPower, Finding, Outcome, RunState, Verdict};
use crate::audit::energy::{Period, Withheld};
use crate::audit::pump::PumpFigures;
use crate::audit::words;
use crate::config::model::Tariff;
use crate::reading::{CircuitReading, MonoMs, Phase};
use crate::station::news::verdict_key;
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

const CHANNELS: [&str; 3] = ["1", "2", "3"];
const PHASES: [&str; 3] = ["a", "b", "c"];
const JOULES_PER_WH: f64 = 3600.0;

pub(super) fn circuit_figures(page: &mut Page, station: &StationSnapshot, circuit: &CircuitSnapshot, now: MonoMs) {
    let labels = [station.station.as_str(), circuit.name.as_str()];
    let Some(monitor) = station.monitor_of(circuit) else { return };
    page.set(&f::CIRCUIT_INFO, [labels[0], labels[1], &monitor.name, circuit.load.key()], 1.0);
    let live = monitor.freshness(now).is_live();
    if live && let Some(reading) = station.reported(circuit) {
        reported(page, labels, reading);
    }
    if let Some(assessment) = &circuit.assessment {
        assessed(page, labels, assessment, live);
    }
    energies(page, labels, circuit, station.tariff.as_ref());
    if let Some(figures) = station.pump_figures(circuit, now) {
        pump(page, labels, &figures);
    }
}

fn energies(page: &mut Page, labels: [&str; 2], circuit: &CircuitSnapshot, tariff: Option<&Tariff>) {
    let report = &circuit.energy;
    for (name, period) in [("start", &report.since_start), ("wiring", &report.since_change)] {
        if period.from.is_some() {
            energies_of_period(page, [labels[0], labels[1], name], period, circuit.verdict(), tariff);
        }
    }
    if let Some(advance) = &report.register {
        page.set(&f::REGISTER_ADVANCE, labels, advance.import_wh * JOULES_PER_WH);
        page.set(&f::REGISTER_INTEGRAL, labels, advance.integral_import_wh * JOULES_PER_WH);
    }
}

const ENERGY_GIVEN: &str = "given";

fn energies_of_period(page: &mut Page, labels: [&str; 3], period: &Period, verdict: Verdict, tariff: Option<&Tariff>) {
    let sums = &period.sums;
    page.set(&f::ENERGY_COVERED, labels, sums.covered_ms as f64 / 1000.0);
    page.set(&f::ENERGY_LEFT_OUT, labels, sums.left_out_ms as f64 / 1000.0);
    if period.registered {
        page.set(&f::REGISTERED_ENERGY, labels, sums.registered_wh * JOULES_PER_WH);
    }
    let withheld = period.withheld(verdict);
    let states: Vec<&str> = std::iter::once(ENERGY_GIVEN).chain(Withheld::ALL.map(Withheld::key)).collect();
    page.one_hot(
        &f::ENERGY_STATE,
        |state| [labels[0], labels[1], labels[2], state],
        &states,
        withheld.map_or(ENERGY_GIVEN, Withheld::key),
    );
    if withheld.is_some() {
        return;
    }
    page.set(&f::TRUE_ENERGY, labels, sums.true_wh * JOULES_PER_WH);
    page.set(&f::ENERGY_UNCERTAINTY, labels, sums.uncertainty_wh * JOULES_PER_WH);
    page.set(&f::MISREGISTERED, labels, sums.difference_wh() * JOULES_PER_WH);
    if let Some(tariff) = tariff {
        let labels = [labels[0], labels[1], labels[2], tariff.currency.as_str()];
        page.set(&f::MISREGISTERED_COST, labels, tariff.cost_of_wh(sums.difference_wh()));
    }
}

fn pump(page: &mut Page, labels: [&str; 2], figures: &PumpFigures) {
    page.set_good(&f::FLOW, labels, figures.flow_m3_per_s);
    page.set_good(&f::HEAD, labels, figures.head_m);
    if let Ok(wh) = figures.specific_energy_wh_per_m3 {
        page.set(&f::SPECIFIC_ENERGY, labels, wh * JOULES_PER_WH);
    }
    if let Ok(ratio) = figures.wire_to_water {
        page.set(&f::WIRE_TO_WATER, labels, ratio);
    }
}

fn reported(page: &mut Page, labels: [&str; 2], reading: &CircuitReading) {
    let channels = [
        (&f::CURRENT, &reading.current_a),
        (&f::ACTIVE, &reading.active_power_w),
        (&f::REACTIVE, &reading.reactive_power_var),
        (&f::APPARENT, &reading.apparent_power_va),
        (&f::FACTOR, &reading.power_factor),
    ];
    for (family, values) in channels {
        for (channel, value) in CHANNELS.iter().zip(values) {
            page.set_good(family, [labels[0], labels[1], channel], *value);
        }
    }
    let totals = [
        (&f::TOTAL_ACTIVE, reading.total_active_power_w),
        (&f::TOTAL_REACTIVE, reading.total_reactive_power_var),
        (&f::TOTAL_APPARENT, reading.total_apparent_power_va),
        (&f::TOTAL_FACTOR, reading.total_power_factor),
        (&f::ENERGY_IMPORT, reading.energy_import_wh.map(|wh| wh * JOULES_PER_WH)),
        (&f::ENERGY_EXPORT, reading.energy_export_wh.map(|wh| wh * JOULES_PER_WH)),
    ];
    for (family, value) in totals {
        page.set_good(family, labels, value);
    }
}

/// The diagnosis rests on all evidence so far and stays; what speaks of this moment is told only while live.
fn assessed(page: &mut Page, labels: [&str; 2], assessment: &Assessment, live: bool) {
    let of_state = |state| [labels[0], labels[1], state];
    let diagnosis = &assessment.diagnosis;
    let verdicts = [Verdict::Sound, Verdict::Fault, Verdict::Undecided, Verdict::NoEvidence].map(verdict_key);
    page.one_hot(&f::VERDICT, of_state, &verdicts, verdict_key(diagnosis.verdict));
    if diagnosis.readings_used > 0 {
        page.set(&f::SOUND, labels, diagnosis.sound_probability);
        page.set(&f::UNEXPLAINED, labels, diagnosis.unexplained_probability);
        page.set(&f::WRONG, labels, diagnosis.wrong_probability());
        if let Some(leading) = diagnosis.groups.first() {
            page.set(&f::LEADING, labels, leading.probability);
        }
        if let Some(leader) = diagnosis.leader() {
            page.set(&f::LEADING_WIRING, labels, leader.probability);
        }
    }
    page.set(&f::STEADY_READINGS, labels, diagnosis.readings_used as f64);
    page.set(&f::LOAD_LEVELS, labels, diagnosis.load_levels as f64);
    let run_state = if live { assessment.run_state } else { RunState::Unknown };
    let run_states = [RunState::Running, RunState::Stopped, RunState::Starting, RunState::Unknown];
    page.one_hot(&f::RUN_STATE, of_state, &run_states.map(words::run_state_words), words::run_state_words(run_state));
    if live {
        checks(page, labels, &assessment.findings);
        if let Some(power) = &assessment.corrected {
            corrected(page, labels, power);
        }
    }
}

fn checks(page: &mut Page, labels: [&str; 2], findings: &[Finding]) {
    let worst = worst_by_check(findings);
    for (check, outcome) in &worst {
        let failed = match outcome {
            Outcome::Failed => 1.0,
            Outcome::Passed => 0.0,
            Outcome::Idle(_) | Outcome::NotCheckable(_) | Outcome::Pending => continue,
        };
        page.set(&f::CHECK_FAILED, [labels[0], labels[1], words::check_id(*check)], failed);
    }
    for (place, key) in OUTCOMES.iter().enumerate() {
        let count = worst.iter().filter(|(_, outcome)| rank(outcome) == place).count();
        page.set(&f::CHECKS, [labels[0], labels[1], key], count as f64);
    }
}

fn corrected(page: &mut Page, labels: [&str; 2], power: &CorrectedPower) {
    for phase in Phase::ALL {
        let labels = [labels[0], labels[1], PHASES[phase.index()]];
        page.set(&f::CORRECTED_ACTIVE, labels, power.per_phase_va[phase.index()].re);
        page.set(&f::CORRECTED_REACTIVE, labels, power.per_phase_va[phase.index()].im);
    }
    page.set(&f::CORRECTED_TOTAL_ACTIVE, labels, power.total_w);
    page.set(&f::CORRECTED_UNCERTAINTY, labels, power.uncertainty_w);
    page.set(&f::CORRECTED_TOTAL_REACTIVE, labels, power.total_var);
    page.set(&f::CORRECTED_FACTOR, labels, power.power_factor);
}

/// Outcomes from best to worst: what failed on one channel is not hidden by what passed on another.
const OUTCOMES: [&str; 5] = ["passed", "idle", "not_checkable", "pending", "failed"];

fn rank(outcome: &Outcome) -> usize {
    match outcome {
        Outcome::Passed => 0,
        Outcome::Idle(_) => 1,
        Outcome::NotCheckable(_) => 2,
        Outcome::Pending => 3,
        Outcome::Failed => 4,
    }
}

/// Stable word for an outcome, for metrics and JSON.
pub fn outcome_key(outcome: &Outcome) -> &'static str {
    OUTCOMES[rank(outcome)]
}

fn worst_by_check(findings: &[Finding]) -> Vec<(Check, &Outcome)> {
    let mut worst: Vec<(Check, &Outcome)> = Vec::new();
    for finding in findings {
        match worst.iter_mut().find(|(check, _)| *check == finding.check) {
            Some((_, known)) if rank(known) < rank(&finding.outcome) => *known = &finding.outcome,
            Some(_) => {}
            None => worst.push((finding.check, &finding.outcome)),
        }
    }
    worst
}
