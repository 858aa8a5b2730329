//! The page of whole stations.

use std::sync::Arc;

use super::*;
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::operator::Operator;
use crate::alarm::set::{AlarmSet, Step};
use crate::alarm::settings::{AlarmSettings, FloodSettings};
use crate::alarm::state::{Condition, Event};
use crate::audit::assessment::Verdict;
use crate::audit::wiring::Wiring;
use crate::desk::Desk;
use crate::station::fixtures::{
    exchanged, failed_event, good_event, instant, priced_snapshot_after, reading, snapshot_after, station_config,
};
use crate::station::state::StationState;

/// The page without alarms and records.
fn rendered<S: AsRef<StationSnapshot>>(stations: &[S], now: MonoMs) -> String {
    render(stations, &Desk::still(Vec::new()).list(), now, &Records::default())
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
    let page = rendered(&[snapshot], MonoMs(7200));
    insta::assert_snapshot!(rounded(&page));
}

#[test]
fn energies_and_pump_figures_are_in_base_units_and_absent_while_withheld() {
    let mut station = priced_snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
    let page = rendered(&[Box::new(station.clone())], MonoMs(60_200));
    let own = |name: &str| name.contains("energy") || name.contains("pump") || name.contains("register_");
    let lines: Vec<String> =
        rounded(&page).lines().filter(|l| own(l) && !l.starts_with('#')).map(str::to_owned).collect();
    insta::assert_snapshot!(lines.join("\n"));
    let mut assessment = station.circuits[0].assessment.as_deref().unwrap().clone();
    assessment.diagnosis.verdict = Verdict::Undecided;
    station.circuits[0].assessment = Some(std::sync::Arc::new(assessment));
    let page = rendered(&[Box::new(station)], MonoMs(60_200));
    let withheld = [
        f::TRUE_ENERGY.name,
        f::MISREGISTERED.name,
        f::MISREGISTERED_COST.name,
        f::SPECIFIC_ENERGY.name,
        f::WIRE_TO_WATER.name,
    ];
    for family in withheld {
        assert!(!page.contains(family), "{family}");
    }
    assert!(page.contains(
        "wattassay_energy_misregistered_state{station=\"Alder Creek Lift\",circuit=\"Pump 1\",period=\"start\",state=\"undecided\"} 1"
    ));
}

#[test]
fn a_silent_monitors_values_vanish_and_its_health_stays() {
    let mut state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
    for second in 0..8 {
        state.take(0, good_event(reading(&Wiring::INTENDED, 1000 * second)));
    }
    let live = rendered(&[Box::new(state.snapshot(instant(7000)))], MonoMs(7100));
    state.take(0, failed_event(8000));
    let silent = rendered(&[Box::new(state.snapshot(instant(8000)))], MonoMs(8100));
    for value in ["wattassay_current_amperes{", "wattassay_voltage_line_to_neutral_volts{", "wattassay_corrected_"] {
        assert!(live.contains(value), "{value}");
        assert!(!silent.contains(value), "{value}");
    }
    assert!(silent.contains("wattassay_monitor_answering{station=\"Alder Creek Lift\",monitor=\"PM-1\"} 0"));
    assert!(
        silent
            .contains("wattassay_diagnosis_verdict{station=\"Alder Creek Lift\",circuit=\"Pump 1\",state=\"sound\"} 1"),
        "the verdict rests on what was seen before"
    );
    assert!(
        silent.contains(
            "wattassay_circuit_run_state{station=\"Alder Creek Lift\",circuit=\"Pump 1\",state=\"unknown\"} 1"
        ),
        "{silent}"
    );
}

#[test]
fn a_station_that_is_gone_leaves_nothing_behind() {
    let first = snapshot_after("Alder Creek Lift", &Wiring::INTENDED);
    let second = snapshot_after("Mill Race Pumping", &Wiring::INTENDED);
    let both = rendered(&[first.clone(), second], MonoMs(7200));
    let one = rendered(&[first], MonoMs(7200));
    assert!(both.contains("Mill Race Pumping") && !one.contains("Mill Race Pumping"));
}

#[test]
fn names_and_quotes_in_labels_are_escaped() {
    let mut station = snapshot_after("Alder Creek Lift", &Wiring::INTENDED).as_ref().clone();
    station.station = "Tannery \"Street\"\nLift\\".to_owned();
    let page = rendered(&[Box::new(station)], MonoMs(7200));
    assert!(page.contains(r#"station="Tannery \"Street\"\nLift\\""#));
}

#[test]
fn no_name_trips_the_checker() {
    let page = rendered(&[snapshot_after("Alder Creek Lift", &exchanged())], MonoMs(7200));
    let mut seen = 0;
    for line in page.lines().filter_map(|l| l.strip_prefix("# TYPE ")) {
        let (name, kind) = line.split_once(' ').unwrap();
        assert_eq!(name.ends_with("_total"), kind == "counter", "{name}");
        for token in name.split('_') {
            let bad = ["minutes", "hours", "days", "s", "ms", "b", "m", "h", "d", "gauge", "counter", "count", "sum"];
            assert!(!bad.contains(&token), "{name}: {token}");
        }
        seen += 1;
    }
    assert!(seen > 30, "{seen}");
}

#[test]
fn an_alarm_that_is_not_normal_has_a_series_that_follows_its_state() {
    let id = AlarmId::circuit("Alder Creek Lift", "Pump 1", AlarmKind::SupplyPhaseLost);
    let settings = AlarmSettings { on_delay_ms: 0, ..AlarmSettings::of_kind(id.kind) };
    let mut set = AlarmSet::new(FloodSettings::default());
    set.configure(instant(0), [(id.clone(), settings)], FloodSettings::default(), &mut Step::default());
    let series = |set: &AlarmSet| {
        let list = Desk::still(set.entries().cloned().collect()).list();
        let page = render(&[] as &[Arc<StationSnapshot>], &list, MonoMs(0), &Records::default());
        page.lines().filter(|line| line.starts_with("wattassay_alarm_state")).map(str::to_owned).collect::<Vec<_>>()
    };
    let of_state = |state: &str| {
        vec![format!(
            "wattassay_alarm_state{{station=\"Alder Creek Lift\",part=\"Pump 1\",kind=\"supply_phase_lost\",class=\"alarm\",\
             priority=\"critical\",state=\"{state}\"}} 1"
        )]
    };
    assert_eq!(series(&set), Vec::<String>::new());
    set.tell(instant(1), &id, Condition::True, None, &mut Step::default()).unwrap();
    assert_eq!(series(&set), of_state("unacknowledged"));
    let by = Operator::new("R. Ash", "rebuild").unwrap();
    set.apply(instant(2), &id, Event::Acknowledge(by.clone()), &mut Step::default()).unwrap();
    assert_eq!(series(&set), of_state("acknowledged"));
    let out = Event::TakeOutOfService { by, until: None, approved: true };
    set.apply(instant(3), &id, out, &mut Step::default()).unwrap();
    assert_eq!(series(&set), of_state("out_of_service"));
}
