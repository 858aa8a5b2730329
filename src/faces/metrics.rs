//! The Prometheus page, text format 0.0.4, built from snapshots at scrape time: what is gone from a snapshot is gone from
//! the page.
//!
//! Values of a monitor that is not live are left out, never repeated: a scrape then shows a gap, as it should.

use std::collections::BTreeMap;

use prometheus::proto::{Counter, Gauge, LabelPair, Metric, MetricFamily, MetricType};
use prometheus::{Encoder, TextEncoder};

use super::families::{self as f, Family, Kind};
use super::process::ProcessFigures;
use crate::alarm::settings::Priority;
use crate::alarm::state::AlarmState;
use crate::audit::assessment::{Assessment, Check, CorrectedPower, Finding, Outcome, RunState, Verdict};
use crate::audit::energy::{Period, Withheld};
use crate::audit::pump::PumpFigures;
use crate::audit::words;
use crate::config::model::Tariff;
use crate::desk::AlarmList;
use crate::history::status::Figures;
use crate::notify::counts::TargetCounts;
use crate::reading::{CircuitReading, Measured, MonitorReading, MonoMs, Phase};
use crate::station::news::verdict_key;
use crate::station::snapshot::{CircuitSnapshot, MonitorSnapshot, StationSnapshot};

/// Content type of the page.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

const CHANNELS: [&str; 3] = ["1", "2", "3"];
const LINE_CHANNELS: [&str; 3] = ["12", "23", "31"];
const PHASES: [&str; 3] = ["a", "b", "c"];
const JOULES_PER_WH: f64 = 3600.0;

/// Renders the page as of `now`.
pub fn render<S: AsRef<StationSnapshot>>(
    stations: &[S],
    alarms: &AlarmList,
    now: MonoMs,
    process: &ProcessFigures,
    records: &Records,
) -> Result<String, prometheus::Error> {
    let mut page = Page::default();
    page.set(&f::BUILD_INFO, &[env!("CARGO_PKG_VERSION")], 1.0)?;
    process_figures(&mut page, process)?;
    notification_figures(&mut page, &records.notifications)?;
    if let Some(figures) = &records.history {
        history_figures(&mut page, figures)?;
    }
    alarm_figures(&mut page, alarms)?;
    for station in stations {
        station_figures(&mut page, station.as_ref(), now)?;
    }
    page.text()
}

/// How what is kept and what is sent fares.
#[derive(Debug, Clone, Default)]
pub struct Records {
    /// The history, where one is kept.
    pub history: Option<Figures>,
    /// Notifications, by target.
    pub notifications: Vec<TargetCounts>,
}

/// Families in use on one page, by name. Filled without the client library's registry, whose look-up of every series by its
/// labels made a page of 1,000 circuits ten times slower; written by its encoder.
#[derive(Default)]
struct Page {
    families: BTreeMap<&'static str, Samples>,
}

/// The samples of one family.
struct Samples {
    family: &'static Family,
    /// Places of the labels in the order of their names, as they are written.
    order: Vec<usize>,
    metrics: Vec<Metric>,
}

impl Page {
    fn set(&mut self, family: &'static Family, labels: &[&str], value: f64) -> Result<(), prometheus::Error> {
        if labels.len() != family.labels.len() {
            return Err(prometheus::Error::InconsistentCardinality { expect: family.labels.len(), got: labels.len() });
        }
        let samples = self.families.entry(family.name).or_insert_with(|| {
            let mut order: Vec<usize> = (0..family.labels.len()).collect();
            order.sort_by_key(|place| family.labels[*place]);
            Samples { family, order, metrics: Vec::new() }
        });
        let pairs = samples.order.iter().map(|place| {
            let mut pair = LabelPair::default();
            pair.set_name(family.labels[*place].to_owned());
            pair.set_value(labels[*place].to_owned());
            pair
        });
        let mut metric = Metric::from_label(pairs.collect());
        match family.kind {
            Kind::Gauge => {
                let mut gauge = Gauge::default();
                gauge.set_value(value);
                metric.set_gauge(gauge);
            }
            // A counter starts at zero; a register that makes no sense as a counter is left out.
            Kind::Counter if value >= 0.0 => {
                let mut counter = Counter::default();
                counter.set_value(value);
                metric.set_counter(counter);
            }
            Kind::Counter => return Ok(()),
        }
        samples.metrics.push(metric);
        Ok(())
    }

    fn set_good(&mut self, family: &'static Family, labels: &[&str], value: Measured) -> Result<(), prometheus::Error> {
        value.good().map_or(Ok(()), |value| self.set(family, labels, value))
    }

    fn one_hot(
        &mut self,
        family: &'static Family,
        labels: &[&str],
        states: &[&str],
        present: &str,
    ) -> Result<(), prometheus::Error> {
        for state in states {
            let mut labels = labels.to_vec();
            labels.push(state);
            self.set(family, &labels, f64::from(u8::from(*state == present)))?;
        }
        Ok(())
    }

    fn text(self) -> Result<String, prometheus::Error> {
        let families: Vec<MetricFamily> = self
            .families
            .into_values()
            .filter(|samples| !samples.metrics.is_empty())
            .map(|Samples { family, metrics, .. }| {
                let mut written = MetricFamily::default();
                written.set_name(family.name.to_owned());
                written.set_help(family.help.to_owned());
                written.set_field_type(match family.kind {
                    Kind::Gauge => MetricType::GAUGE,
                    Kind::Counter => MetricType::COUNTER,
                });
                written.set_metric(metrics);
                written
            })
            .collect();
        let mut out = Vec::with_capacity(64 * 1024);
        TextEncoder::new().encode(&families, &mut out)?;
        String::from_utf8(out).map_err(|error| prometheus::Error::Msg(error.to_string()))
    }
}

fn process_figures(page: &mut Page, process: &ProcessFigures) -> Result<(), prometheus::Error> {
    let figures = [
        (&f::CPU, process.cpu_s),
        (&f::RESIDENT, process.resident_bytes),
        (&f::VIRTUAL, process.virtual_bytes),
        (&f::OPEN_FDS, process.open_fds),
        (&f::THREADS, process.threads),
        (&f::START, process.start_s),
    ];
    for (family, value) in figures {
        if let Some(value) = value {
            page.set(family, &[], value)?;
        }
    }
    Ok(())
}

fn notification_figures(page: &mut Page, targets: &[TargetCounts]) -> Result<(), prometheus::Error> {
    for counts in targets {
        let target = [counts.target.as_str(), counts.kind];
        for (outcome, count) in [
            ("delivered", counts.delivered),
            ("retried", counts.retried),
            ("refused", counts.refused),
            ("expired", counts.expired),
            ("dropped", counts.dropped),
            ("not_kept", counts.not_kept),
        ] {
            page.set(&f::NOTIFICATIONS, &[target[0], target[1], outcome], count as f64)?;
        }
        page.set(&f::NOTIFICATIONS_WAITING, &target, counts.waiting as f64)?;
    }
    Ok(())
}

fn history_figures(page: &mut Page, figures: &Figures) -> Result<(), prometheus::Error> {
    let storage = &figures.storage;
    page.set(&f::HISTORY_WRITTEN, &[], figures.written as f64)?;
    page.set(&f::HISTORY_LOST, &["queue full"], figures.dropped as f64)?;
    page.set(&f::HISTORY_LOST, &["refused"], figures.refused as f64)?;
    page.set(&f::HISTORY_QUEUED, &[], figures.queued as f64)?;
    page.set(&f::HISTORY_REMOVED, &[], figures.removed_rows as f64)?;
    page.set(&f::HISTORY_FULL, &[], f64::from(u8::from(storage.full)))?;
    page.set(&f::HISTORY_FAILING, &[], f64::from(u8::from(storage.failing)))?;
    if let Some(size_bytes) = figures.size_bytes {
        page.set(&f::HISTORY_SIZE, &[], size_bytes as f64)?;
    }
    if let Some(free_bytes) = storage.free_bytes {
        page.set(&f::HISTORY_FREE, &[], free_bytes as f64)?;
        page.set(&f::HISTORY_LEAST, &[], storage.least_bytes as f64)?;
    }
    Ok(())
}

/// Every state of every priority, so that a rule need not know which have been seen. An alarm by itself is in the API.
fn alarm_figures(page: &mut Page, alarms: &AlarmList) -> Result<(), prometheus::Error> {
    let mut counts: BTreeMap<(Priority, AlarmState), f64> = BTreeMap::new();
    for (priority, _) in Priority::TARGET_SHARE {
        for state in AlarmState::ALL.into_iter().filter(|state| *state != AlarmState::Disabled) {
            counts.insert((priority, state), 0.0);
        }
    }
    for entry in &alarms.entries {
        *counts.entry((entry.alarm.settings().priority, entry.alarm.state())).or_default() += 1.0;
    }
    for ((priority, state), count) in counts {
        page.set(&f::ALARMS, &[priority.key(), state.key()], count)?;
    }
    page.set(&f::ALARM_FLOOD, &[], f64::from(u8::from(alarms.flooded)))
}

fn station_figures(page: &mut Page, station: &StationSnapshot, now: MonoMs) -> Result<(), prometheus::Error> {
    page.set(&f::CLOCK_JUMPS, &[&station.station], station.clock_jumps as f64)?;
    page.set(&f::CORE_FAILURES, &[&station.station], station.core_failures as f64)?;
    for monitor in &station.monitors {
        monitor_figures(page, &station.station, monitor, now)?;
    }
    for circuit in &station.circuits {
        circuit_figures(page, station, circuit, now)?;
    }
    Ok(())
}

fn monitor_figures(
    page: &mut Page,
    station: &str,
    monitor: &MonitorSnapshot,
    now: MonoMs,
) -> Result<(), prometheus::Error> {
    let labels = [station, monitor.name.as_str()];
    let freshness = monitor.freshness(now);
    let health = &monitor.health;
    page.set(&f::ANSWERING, &labels, f64::from(u8::from(freshness.is_live())))?;
    page.set(&f::POLL_PERIOD, &labels, monitor.poll_period.as_secs_f64())?;
    if let Some(age_ms) = freshness.age_ms() {
        page.set(&f::DATA_AGE, &labels, age_ms as f64 / 1000.0)?;
    }
    if let Some(last_good) = health.last_good {
        page.set(&f::LAST_GOOD, &labels, last_good.wall.0 as f64 / 1000.0)?;
    }
    if health.polls > 0 {
        page.set(&f::POLL_TOOK, &labels, health.last_took_ms / 1000.0)?;
    }
    let counters = [
        (&f::POLLS, health.polls),
        (&f::FAILED_POLLS, health.failed_polls),
        (&f::TRANSACTIONS, health.transactions),
        (&f::FAILED_TRANSACTIONS, health.failed_transactions),
        (&f::SKIPPED_TICKS, health.skipped_ticks),
        (&f::CONNECTS, health.connects),
        (&f::DROPPED, health.dropped_events),
    ];
    for (family, count) in counters {
        page.set(family, &labels, count as f64)?;
    }
    if let Some(fault) = &monitor.register_fault {
        page.set(&f::REGISTER_FAULT, &[station, &monitor.name, fault.kind], fault.probability.unwrap_or(1.0))?;
    }
    match &monitor.reading {
        Some(reading) if freshness.is_live() => voltages(page, labels, reading),
        _ => Ok(()),
    }
}

fn voltages(page: &mut Page, [station, monitor]: [&str; 2], reading: &MonitorReading) -> Result<(), prometheus::Error> {
    for k in 0..3 {
        page.set_good(&f::VOLTAGE_LN, &[station, monitor, CHANNELS[k]], reading.voltage_ln_v[k])?;
        page.set_good(&f::VOLTAGE_LL, &[station, monitor, LINE_CHANNELS[k]], reading.voltage_ll_v[k])?;
    }
    page.set_good(&f::FREQUENCY, &[station, monitor], reading.frequency_hz)
}

fn circuit_figures(
    page: &mut Page,
    station: &StationSnapshot,
    circuit: &CircuitSnapshot,
    now: MonoMs,
) -> Result<(), prometheus::Error> {
    let labels = [station.station.as_str(), circuit.name.as_str()];
    let Some(monitor) = station.monitor_of(circuit) else { return Ok(()) };
    page.set(&f::CIRCUIT_INFO, &[labels[0], labels[1], &monitor.name, circuit.load.key()], 1.0)?;
    let live = monitor.freshness(now).is_live();
    if live && let Some(reading) = station.reported(circuit) {
        reported(page, labels, reading)?;
    }
    if let Some(assessment) = &circuit.assessment {
        assessed(page, labels, assessment, live)?;
    }
    energies(page, labels, circuit, station.tariff.as_ref())?;
    if let Some(figures) = station.pump_figures(circuit, now) {
        pump(page, labels, &figures)?;
    }
    Ok(())
}

fn energies(
    page: &mut Page,
    labels: [&str; 2],
    circuit: &CircuitSnapshot,
    tariff: Option<&Tariff>,
) -> Result<(), prometheus::Error> {
    let report = &circuit.energy;
    for (name, period) in [("start", &report.since_start), ("wiring", &report.since_change)] {
        if period.from.is_some() {
            energies_of_period(page, [labels[0], labels[1], name], period, circuit.verdict(), tariff)?;
        }
    }
    if let Some(advance) = &report.register {
        page.set(&f::REGISTER_ADVANCE, &labels, advance.import_wh * JOULES_PER_WH)?;
        page.set(&f::REGISTER_INTEGRAL, &labels, advance.integral_import_wh * JOULES_PER_WH)?;
    }
    Ok(())
}

const ENERGY_GIVEN: &str = "given";

fn energies_of_period(
    page: &mut Page,
    labels: [&str; 3],
    period: &Period,
    verdict: Verdict,
    tariff: Option<&Tariff>,
) -> Result<(), prometheus::Error> {
    let sums = &period.sums;
    page.set(&f::ENERGY_COVERED, &labels, sums.covered_ms as f64 / 1000.0)?;
    page.set(&f::ENERGY_LEFT_OUT, &labels, sums.left_out_ms as f64 / 1000.0)?;
    if period.registered {
        page.set(&f::REGISTERED_ENERGY, &labels, sums.registered_wh * JOULES_PER_WH)?;
    }
    let withheld = period.withheld(verdict);
    let states: Vec<&str> = std::iter::once(ENERGY_GIVEN).chain(Withheld::ALL.map(Withheld::key)).collect();
    page.one_hot(&f::ENERGY_STATE, &labels, &states, withheld.map_or(ENERGY_GIVEN, Withheld::key))?;
    if withheld.is_some() {
        return Ok(());
    }
    page.set(&f::TRUE_ENERGY, &labels, sums.true_wh * JOULES_PER_WH)?;
    page.set(&f::ENERGY_UNCERTAINTY, &labels, sums.uncertainty_wh * JOULES_PER_WH)?;
    page.set(&f::MISREGISTERED, &labels, sums.difference_wh() * JOULES_PER_WH)?;
    if let Some(tariff) = tariff {
        let labels = [labels[0], labels[1], labels[2], tariff.currency.as_str()];
        page.set(&f::MISREGISTERED_COST, &labels, tariff.cost_of_wh(sums.difference_wh()))?;
    }
    Ok(())
}

fn pump(page: &mut Page, labels: [&str; 2], figures: &PumpFigures) -> Result<(), prometheus::Error> {
    page.set_good(&f::FLOW, &labels, figures.flow_m3_per_s)?;
    page.set_good(&f::HEAD, &labels, figures.head_m)?;
    if let Ok(wh) = figures.specific_energy_wh_per_m3 {
        page.set(&f::SPECIFIC_ENERGY, &labels, wh * JOULES_PER_WH)?;
    }
    if let Ok(ratio) = figures.wire_to_water {
        page.set(&f::WIRE_TO_WATER, &labels, ratio)?;
    }
    Ok(())
}

fn reported(page: &mut Page, labels: [&str; 2], reading: &CircuitReading) -> Result<(), prometheus::Error> {
    let channels = [
        (&f::CURRENT, &reading.current_a),
        (&f::ACTIVE, &reading.active_power_w),
        (&f::REACTIVE, &reading.reactive_power_var),
        (&f::APPARENT, &reading.apparent_power_va),
        (&f::FACTOR, &reading.power_factor),
    ];
    for (family, values) in channels {
        for (channel, value) in CHANNELS.iter().zip(values) {
            page.set_good(family, &[labels[0], labels[1], channel], *value)?;
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
        page.set_good(family, &labels, value)?;
    }
    Ok(())
}

/// The diagnosis rests on all evidence so far and stays; what speaks of this moment is told only while live.
fn assessed(page: &mut Page, labels: [&str; 2], assessment: &Assessment, live: bool) -> Result<(), prometheus::Error> {
    let diagnosis = &assessment.diagnosis;
    let verdicts = [Verdict::Sound, Verdict::Fault, Verdict::Undecided, Verdict::NoEvidence].map(verdict_key);
    page.one_hot(&f::VERDICT, &labels, &verdicts, verdict_key(diagnosis.verdict))?;
    if diagnosis.readings_used > 0 {
        page.set(&f::SOUND, &labels, diagnosis.sound_probability)?;
        page.set(&f::UNEXPLAINED, &labels, diagnosis.unexplained_probability)?;
        if let Some(leading) = diagnosis.groups.first() {
            page.set(&f::LEADING, &labels, leading.probability)?;
        }
    }
    page.set(&f::STEADY_READINGS, &labels, diagnosis.readings_used as f64)?;
    page.set(&f::LOAD_LEVELS, &labels, diagnosis.load_levels as f64)?;
    let run_state = if live { assessment.run_state } else { RunState::Unknown };
    let run_states = [RunState::Running, RunState::Stopped, RunState::Starting, RunState::Unknown];
    page.one_hot(&f::RUN_STATE, &labels, &run_states.map(words::run_state_words), words::run_state_words(run_state))?;
    if live {
        for (check, outcome) in worst_by_check(&assessment.findings) {
            page.one_hot(&f::CHECK_STATE, &[labels[0], labels[1], words::check_id(check)], &OUTCOMES, outcome)?;
        }
        if let Some(power) = &assessment.corrected {
            corrected(page, labels, power)?;
        }
    }
    Ok(())
}

fn corrected(page: &mut Page, labels: [&str; 2], power: &CorrectedPower) -> Result<(), prometheus::Error> {
    for phase in Phase::ALL {
        let labels = [labels[0], labels[1], PHASES[phase.index()]];
        page.set(&f::CORRECTED_ACTIVE, &labels, power.per_phase_va[phase.index()].re)?;
        page.set(&f::CORRECTED_REACTIVE, &labels, power.per_phase_va[phase.index()].im)?;
    }
    page.set(&f::CORRECTED_TOTAL_ACTIVE, &labels, power.total_w)?;
    page.set(&f::CORRECTED_UNCERTAINTY, &labels, power.uncertainty_w)?;
    page.set(&f::CORRECTED_TOTAL_REACTIVE, &labels, power.total_var)?;
    page.set(&f::CORRECTED_FACTOR, &labels, power.power_factor)
}

/// Outcomes from best to worst: what failed on one channel is not hidden by what passed on another.
const OUTCOMES: [&str; 5] = ["passed", "idle", "not_checkable", "pending", "failed"];

/// Stable word for an outcome, for metrics and JSON.
pub fn outcome_key(outcome: &Outcome) -> &'static str {
    match outcome {
        Outcome::Passed => OUTCOMES[0],
        Outcome::Idle(_) => OUTCOMES[1],
        Outcome::NotCheckable(_) => OUTCOMES[2],
        Outcome::Pending => OUTCOMES[3],
        Outcome::Failed => OUTCOMES[4],
    }
}

fn worst_by_check(findings: &[Finding]) -> Vec<(Check, &'static str)> {
    let rank = |key: &str| OUTCOMES.iter().position(|o| *o == key);
    let mut worst: Vec<(Check, &'static str)> = Vec::new();
    for finding in findings {
        let outcome = outcome_key(&finding.outcome);
        match worst.iter_mut().find(|(check, _)| *check == finding.check) {
            Some((_, known)) if rank(known) < rank(outcome) => *known = outcome,
            Some(_) => {}
            None => worst.push((finding.check, outcome)),
        }
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::desk::Desk;
    use crate::station::fixtures::{
        exchanged, failed_event, good_event, instant, priced_snapshot_after, reading, snapshot_after, station_config,
    };
    use crate::station::state::StationState;

    const NO_PROCESS: ProcessFigures = ProcessFigures {
        cpu_s: Some(1.5),
        resident_bytes: Some(1.0e6),
        virtual_bytes: None,
        open_fds: Some(9.0),
        threads: Some(3.0),
        start_s: Some(1.7e9),
    };

    /// The page without alarms and without figures of the process.
    fn rendered<S: AsRef<StationSnapshot>>(stations: &[S], now: MonoMs) -> Result<String, prometheus::Error> {
        render(stations, &Desk::still(Vec::new()).list(), now, &NO_PROCESS, &Records::default())
    }

    /// The page with the figures rounded, so that the last digits of a computation are not part of the promise.
    fn rounded(page: &str) -> String {
        let sample = |line: &str| match line.rsplit_once(' ').map(|(head, value)| (head, value.parse::<f64>())) {
            Some((head, Ok(value))) if !line.starts_with('#') => {
                format!("{head} {:.3}", (value * 1000.0).round() / 1000.0 + 0.0)
            }
            _ => line.to_owned(),
        };
        page.lines().map(sample).collect::<Vec<_>>().join("\n").replace(env!("CARGO_PKG_VERSION"), "VERSION")
    }

    #[test]
    fn the_page_of_a_miswired_pump() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let page = rendered(&[snapshot], MonoMs(7200)).unwrap();
        insta::assert_snapshot!(rounded(&page));
    }

    #[test]
    fn energies_and_pump_figures_are_in_base_units_and_absent_while_withheld() {
        let mut station = priced_snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
        let page = rendered(&[Box::new(station.clone())], MonoMs(60_200)).unwrap();
        let own = |name: &str| name.contains("energy") || name.contains("pump") || name.contains("register_");
        let lines: Vec<String> =
            rounded(&page).lines().filter(|l| own(l) && !l.starts_with('#')).map(str::to_owned).collect();
        insta::assert_snapshot!(lines.join("\n"));
        let mut assessment = station.circuits[0].assessment.as_deref().unwrap().clone();
        assessment.diagnosis.verdict = Verdict::Undecided;
        station.circuits[0].assessment = Some(std::sync::Arc::new(assessment));
        let page = rendered(&[Box::new(station)], MonoMs(60_200)).unwrap();
        for family in
            [&f::TRUE_ENERGY, &f::MISREGISTERED, &f::MISREGISTERED_COST, &f::SPECIFIC_ENERGY, &f::WIRE_TO_WATER]
        {
            assert!(!page.contains(family.name), "{}", family.name);
        }
        assert!(page.contains(
            "wattassay_energy_misregistered_state{circuit=\"Pump 1\",period=\"start\",state=\"undecided\",station=\"Alder Creek Lift\"} 1"
        ));
    }

    #[test]
    fn a_silent_monitors_values_vanish_and_its_health_stays() {
        let mut state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
        for second in 0..8 {
            state.take(0, good_event(reading(&Wiring::INTENDED, 1000 * second)));
        }
        let live = rendered(&[Box::new(state.snapshot(instant(7000)))], MonoMs(7100)).unwrap();
        state.take(0, failed_event(8000));
        let silent = rendered(&[Box::new(state.snapshot(instant(8000)))], MonoMs(8100)).unwrap();
        for value in ["wattassay_current_amperes{", "wattassay_voltage_line_to_neutral_volts{", "wattassay_corrected_"]
        {
            assert!(live.contains(value), "{value}");
            assert!(!silent.contains(value), "{value}");
        }
        assert!(silent.contains("wattassay_monitor_answering{monitor=\"PM-1\",station=\"Alder Creek Lift\"} 0"));
        assert!(
            silent.contains(
                "wattassay_diagnosis_verdict{circuit=\"Pump 1\",state=\"sound\",station=\"Alder Creek Lift\"} 1"
            ),
            "the verdict rests on what was seen before"
        );
        assert!(
            silent.contains(
                "wattassay_circuit_run_state{circuit=\"Pump 1\",state=\"unknown\",station=\"Alder Creek Lift\"} 1"
            ),
            "{silent}"
        );
    }

    #[test]
    fn a_station_that_is_gone_leaves_nothing_behind() {
        let first = snapshot_after("Alder Creek Lift", &Wiring::INTENDED);
        let second = snapshot_after("Mill Race Pumping", &Wiring::INTENDED);
        let both = rendered(&[first.clone(), second], MonoMs(7200)).unwrap();
        let one = rendered(&[first], MonoMs(7200)).unwrap();
        assert!(both.contains("Mill Race Pumping") && !one.contains("Mill Race Pumping"));
    }

    #[test]
    fn names_and_quotes_in_labels_are_escaped() {
        let mut station = snapshot_after("Alder Creek Lift", &Wiring::INTENDED).as_ref().clone();
        station.station = "Tannery \"Street\"\nLift\\".to_owned();
        let page = rendered(&[Box::new(station)], MonoMs(7200)).unwrap();
        assert!(page.contains(r#"station="Tannery \"Street\"\nLift\\""#));
    }

    #[test]
    fn no_name_trips_the_checker() {
        let page = rendered(&[snapshot_after("Alder Creek Lift", &exchanged())], MonoMs(7200)).unwrap();
        let mut seen = 0;
        for line in page.lines().filter_map(|l| l.strip_prefix("# TYPE ")) {
            let (name, kind) = line.split_once(' ').unwrap();
            assert_eq!(name.ends_with("_total"), kind == "counter", "{name}");
            for token in name.split('_') {
                let bad =
                    ["minutes", "hours", "days", "s", "ms", "b", "m", "h", "d", "gauge", "counter", "count", "sum"];
                assert!(!bad.contains(&token), "{name}: {token}");
            }
            seen += 1;
        }
        assert!(seen > 30, "{seen}");
    }
}
