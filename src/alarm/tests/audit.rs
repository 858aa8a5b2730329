//! From the audit to conditions: one root cause, one alarm.

use std::sync::Arc;

use super::super::from_audit::{self, Audit, CircuitNow, MonitorNow, Polling, Room, Told, Up};
use super::super::id::{AlarmId, AlarmKind, Place};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, FloodSettings};
use super::super::state::Condition;
use super::{PUMP, at_s};
use crate::audit::assessment::{
    Assessment, Check, Diagnosis, EvidenceLevel, Finding, Outcome, RankedWiring, RunState, Verdict, WiringGroup,
};
use crate::audit::context::ServiceKind;
use crate::audit::detail::Detail;
use crate::audit::register_fault::RegisterFault;
use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};
use crate::audit::voltage_lead::{VoltageMeans, VoltageService, weigh};
use crate::audit::wiring::Wiring;
use crate::reading::Phase;
use num_complex::Complex64;

const POWER_CHECKS: [Check; 3] = [Check::VoltageMissing, Check::PlausibleValues, Check::ActivePowerSign];

fn finding(check: Check, outcome: Outcome) -> Finding {
    Finding { check, channel: None, outcome, detail: Detail::None, since: at_s(0) }
}

/// A running circuit whose checks pass but for these, with this diagnosis.
fn assessment(verdict: Verdict, wiring: Wiring, sound: f64, unexplained: f64, failed: &[Check]) -> Assessment {
    let mut findings: Vec<Finding> = POWER_CHECKS
        .iter()
        .chain([&Check::ValuesMoving])
        .filter(|c| !failed.contains(c))
        .map(|c| finding(*c, Outcome::Passed))
        .collect();
    let currents = (0..3).map(|k| Finding { channel: Some(k), ..finding(Check::CurrentMissing, Outcome::Passed) });
    findings.extend(currents.filter(|_| !failed.contains(&Check::CurrentMissing)));
    findings.extend(failed.iter().map(|c| finding(*c, Outcome::Failed)));
    let probability = 1.0 - unexplained;
    let group = WiringGroup {
        probability,
        members: vec![RankedWiring::of(wiring, probability, ServiceKind::Wye4)],
        power_right: wiring == Wiring::INTENDED || wiring.lost_phase.is_some(),
    };
    let diagnosis = Diagnosis {
        level: EvidenceLevel::PerChannelPq,
        verdict,
        groups: Arc::from([group]),
        sound_probability: sound,
        unexplained_probability: unexplained,
        readings_used: 10,
        load_levels: 1,
        ..Diagnosis::none()
    };
    Assessment {
        at: at_s(1),
        run_state: RunState::Running,
        findings,
        diagnosis,
        corrected: None,
        uncorrected: None,
        steady: true,
        voltage_leads: None,
        joint: None,
        proof: None,
        one_moment: None,
        outdated: false,
    }
}

fn sound() -> Assessment {
    assessment(Verdict::Sound, Wiring::INTENDED, 0.999, 0.0, &[])
}

fn miswired(failed: &[Check]) -> Assessment {
    let mut wiring = Wiring::INTENDED;
    wiring.current.swap(0, 1);
    assessment(Verdict::Fault, wiring, 0.001, 0.0, failed)
}

fn of_pump<'a>(name: &'a str, audit: Audit<'a>) -> CircuitNow<'a> {
    CircuitNow { name, audit, installation: &PUMP }
}

fn monitor<'a>(circuits: &'a [CircuitNow<'a>]) -> MonitorNow<'a> {
    MonitorNow {
        monitor: "PM-1",
        polling: Polling::Answers,
        silent_with: None,
        poor: None,
        register_fault: None,
        up: Up::NONE,
        supply_was_proven: false,
        circuits,
    }
}

fn told_of(polling: Polling, audit: Audit) -> Vec<Told> {
    let told = from_audit::monitor("Larkmoor North", &MonitorNow { polling, ..monitor(&[of_pump("Pump 1", audit)]) });
    for one in &told {
        assert!(one.told_by.is_none() || one.condition == Condition::False, "{one:?}");
        assert_eq!(one.story.is_some(), one.condition == Condition::True, "{one:?}");
    }
    told
}

fn of(assessment: &Assessment) -> Vec<Told> {
    told_of(Polling::Answers, Audit::Of(assessment))
}

fn kinds(told: &[Told], condition: Condition) -> Vec<AlarmKind> {
    told.iter().filter(|t| t.condition == condition).map(|t| t.id.kind).collect()
}

fn story(told: &[Told], kind: AlarmKind) -> super::super::words::Story {
    told.iter().find(|t| t.id.kind == kind).and_then(|t| t.story.clone()).unwrap()
}

#[test]
fn a_sound_circuit_clears_all() {
    let told = of(&sound());
    assert_eq!(kinds(&told, Condition::False).len(), 10);
    assert_eq!(kinds(&told, Condition::Unknown), [AlarmKind::VoltageLeadsWrong], "too few readings to tell of them");
}

#[test]
fn every_condition_told_is_of_an_alarm_that_was_configured() {
    let configured = from_audit::alarms_of_monitor("Larkmoor North", "PM-1", &["Pump 1"]);
    let told: Vec<AlarmId> = of(&sound()).into_iter().map(|t| t.id).collect();
    assert_eq!(told, configured);
}

#[test]
fn a_silent_monitor_is_one_alarm_and_its_circuits_are_unknown() {
    for audit in [Audit::NotYet, Audit::Of(&miswired(&[Check::ActivePowerSign]))] {
        let told = told_of(Polling::Silent { cause: "connection refused" }, audit);
        assert_eq!(kinds(&told, Condition::True), [AlarmKind::MonitorSilent]);
        assert_eq!(kinds(&told, Condition::False), []);
    }
    assert_eq!(kinds(&told_of(Polling::NotYet, Audit::NotYet), Condition::Unknown).len(), 11);
}

#[test]
fn wrong_leads_take_the_findings_they_explain_with_them() {
    let explained = [
        Check::ActivePowerSign,
        Check::TotalPowerSign,
        Check::VoltageCurrentAssociation,
        Check::PowerBlankWhileRunning,
        Check::CurrentBalance,
    ];
    let told = of(&miswired(&explained));
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::MeteringMiswired]);
    assert_eq!(story(&told, AlarmKind::MeteringMiswired).attached.len(), explained.len());
}

#[test]
fn what_leads_cannot_explain_is_a_root_of_its_own() {
    let told = of(&miswired(&[Check::ActivePowerSign, Check::PlausibleValues, Check::VoltageMissing]));
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::MeteringMiswired, AlarmKind::MeteringNumbersWrong]);
    let numbers = story(&told, AlarmKind::MeteringNumbersWrong);
    assert_eq!(numbers.what, "The numbers of this pump cannot be right: voltage present.");
    assert_eq!(numbers.attached, ["values possible and present"]);
}

#[test]
fn wrong_numbers_alone_leave_the_wiring_open() {
    let failed = [Check::VoltageMissing, Check::ActivePowerSign, Check::SumOfChannels];
    let told = of(&assessment(Verdict::Fault, Wiring::INTENDED, 0.9, 0.05, &failed));
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::MeteringNumbersWrong]);
    assert_eq!(story(&told, AlarmKind::MeteringNumbersWrong).attached.len(), 2);
    assert!(kinds(&told, Condition::Unknown).contains(&AlarmKind::MeteringMiswired));
}

#[test]
fn a_lost_phase_is_an_alarm_while_the_pump_runs_and_held_while_it_stands() {
    let lost = Wiring { lost_phase: Some(Phase::B), ..Wiring::INTENDED };
    let mut lost = assessment(Verdict::Sound, lost, 0.99, 0.0, &[Check::CurrentMissing, Check::CurrentBalance]);
    let told = of(&lost);
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::SupplyPhaseLost]);
    assert!(kinds(&told, Condition::False).contains(&AlarmKind::MeteringMiswired));
    let attached = story(&told, AlarmKind::SupplyPhaseLost).attached;
    assert_eq!(attached.len(), 1, "the current that is missing is said already: {attached:?}");
    lost.run_state = RunState::Stopped;
    let told = of(&lost);
    assert_eq!(kinds(&told, Condition::True), []);
    assert!(kinds(&told, Condition::Unknown).contains(&AlarmKind::SupplyPhaseLost));
}

#[test]
fn frozen_values_hide_whatever_they_say() {
    let told = of(&miswired(&[Check::ValuesMoving, Check::VoltageMissing]));
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::ValuesFrozen]);
    assert!(kinds(&told, Condition::Unknown).contains(&AlarmKind::MeteringMiswired));
}

#[test]
fn readings_that_fit_nothing_are_one_alarm() {
    let told = of(&assessment(Verdict::Undecided, Wiring::INTENDED, 0.02, 0.97, &[Check::CurrentBalance]));
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::FitsNoWiring]);
    assert_eq!(story(&told, AlarmKind::FitsNoWiring).attached.len(), 1);
}

#[test]
fn cannot_tell_neither_raises_nor_clears() {
    let told = of(&assessment(Verdict::Undecided, Wiring::INTENDED, 0.6, 0.1, &[]));
    assert_eq!(kinds(&told, Condition::True), []);
    for kind in [AlarmKind::SupplyPhaseLost, AlarmKind::MeteringMiswired, AlarmKind::FitsNoWiring] {
        assert!(kinds(&told, Condition::Unknown).contains(&kind), "{kind:?}");
    }
    let mut standing = assessment(Verdict::Sound, Wiring::INTENDED, 0.99, 0.0, &[]);
    standing.findings.push(finding(Check::PowerBlankWhileRunning, Outcome::Idle("the pump is stopped")));
    let told = of(&standing);
    assert!(
        kinds(&told, Condition::Unknown).contains(&AlarmKind::MeteringNumbersWrong),
        "a check that waits clears nothing"
    );
}

#[test]
fn a_failed_audit_hides_its_circuit_only() {
    let sound = sound();
    let circuits = [of_pump("Pump 1", Audit::Failed { message: "overflow" }), of_pump("Pump 2", Audit::Of(&sound))];
    let told = from_audit::monitor("Larkmoor North", &monitor(&circuits));
    let raised: Vec<&AlarmId> = told.iter().filter(|t| t.condition == Condition::True).map(|t| &t.id).collect();
    assert_eq!(raised, [&AlarmId::circuit("Larkmoor North", "Pump 1", AlarmKind::AuditFailed)]);
    let second = Place::Circuit { station: "Larkmoor North".to_owned(), circuit: "Pump 2".to_owned() };
    assert!(told.iter().filter(|t| t.id.place == second).all(|t| t.condition == Condition::False));
}

#[test]
fn the_daemons_own_conditions() {
    assert_eq!(from_audit::clock(None).condition, Condition::False);
    assert_eq!(from_audit::clock(Some((-5000, 599_999))).condition, Condition::True);
    assert_eq!(from_audit::clock(Some((-5000, 600_000))).condition, Condition::False);
    let storage = |free_bytes, dropping| from_audit::storage(Room { free_bytes, least_bytes: 100, dropping }).condition;
    assert_eq!(storage(None, false), Condition::Unknown);
    assert_eq!(storage(Some(100), false), Condition::False);
    assert_eq!(storage(Some(99), false), Condition::True);
    assert_eq!(storage(Some(100), true), Condition::True, "room is only there because detail is dropped");
    let room = |free_bytes, least_bytes, dropping| Room { free_bytes, least_bytes, dropping };
    let together = Room::together([room(None, 0, true), room(Some(500), 100, false), room(Some(300), 299, false)]);
    assert_eq!(together, room(Some(300), 299, true), "the tightest disk, and what is dropped on any");
    assert_eq!(Room::together([]).free_bytes, None);
}

#[test]
fn the_auditors_own_conclusions_raise_one_alarm_each() {
    let context = context_for(Offer::Full);
    let loads = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
    let judged = |wiring: &Wiring, loads: &[LoadState]| {
        kinds(&of(&audit(&context, wiring, Offer::Full, loads)), Condition::True)
    };
    assert_eq!(judged(&Wiring::INTENDED, &loads), []);
    for wiring in &relative_wirings()[1..] {
        assert_eq!(judged(wiring, &loads), [AlarmKind::MeteringMiswired], "{wiring:?}");
    }
    // Phase B of the supply gone: what A carries comes back through C, driven by the voltage between them.
    let two_phase = loads.map(|load| {
        let across = load.voltage_v[0] - load.voltage_v[2];
        let current = Complex64::from_polar(1.7 * load.current_a[0].norm(), across.arg() - 0.7);
        LoadState { current_a: [current, Complex64::ZERO, -current], ..load }
    });
    assert_eq!(judged(&Wiring::INTENDED, &two_phase), [AlarmKind::SupplyPhaseLost]);
}

#[test]
fn a_monitor_that_falls_silent_holds_the_alarms_of_its_pumps() {
    let ids = from_audit::alarms_of_monitor("Larkmoor North", "PM-1", &["Pump 1"]);
    let mut set = AlarmSet::new(FloodSettings::default());
    let alarms: Vec<_> = ids
        .into_iter()
        .map(|id| {
            let s = AlarmSettings::of_kind(id.kind);
            (id, s)
        })
        .collect();
    set.configure(at_s(0), alarms, FloodSettings::default(), &mut Step::default());
    let miswired = miswired(&[Check::ActivePowerSign]);
    let mut step = Step::default();
    for seconds in 0..600 {
        let polling = if seconds < 100 { Polling::Answers } else { Polling::Silent { cause: "timed out" } };
        for told in told_of(polling, Audit::Of(&miswired)) {
            set.tell(at_s(seconds), &told.id, told.condition, told.story, &mut step).unwrap();
        }
    }
    let came: Vec<AlarmKind> = step.transitions.iter().map(|t| t.alarm.kind).collect();
    assert_eq!(came, [AlarmKind::MeteringMiswired, AlarmKind::MonitorSilent], "one each, and nothing cleared");
}

#[test]
fn a_fuse_that_feeds_two_pumps_is_one_alarm() {
    let mut first = assessment(Verdict::Fault, Wiring::INTENDED, 0.9, 0.0, &[Check::VoltageMissing]);
    let service = VoltageService { system: ServiceKind::Wye4, nominal_v: 480.0, transformers: false };
    let dead = VoltageMeans {
        ln_v: [277.0, 0.4, 277.0].map(Some),
        ll_v: [277.0, 277.0, 480.0].map(Some),
        ..VoltageMeans::default()
    };
    first.voltage_leads = Some(Arc::new(weigh(service, &dead)));
    let second = first.clone();
    let circuits = [of_pump("Pump 1", Audit::Of(&first)), of_pump("Pump 2", Audit::Of(&second))];
    let told = from_audit::monitor("Larkmoor North", &monitor(&circuits));
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::VoltageLeadsWrong]);
    let story = story(&told, AlarmKind::VoltageLeadsWrong);
    assert!(story.means.contains("Pump 1 and Pump 2") && story.at_panel(), "{story:?}");
    assert!(!story.attached.is_empty(), "{story:?}");
}

#[test]
fn a_map_that_does_not_fit_is_one_alarm_and_its_numbers_say_nothing_more() {
    let miswired = miswired(&[Check::PlausibleValues]);
    let circuits = [of_pump("Pump 1", Audit::Of(&miswired)), of_pump("Pump 2", Audit::Of(&miswired))];
    let fault = RegisterFault {
        kind: "word_order",
        probability: Some(0.999),
        map_says: "the map says high word first".to_owned(),
        fits: "low word first fits".to_owned(),
        change: "write word_order = \"low-first\"".to_owned(),
    };
    let now = MonitorNow { register_fault: Some(&fault), ..monitor(&circuits) };
    let told = from_audit::monitor("Larkmoor North", &now);
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::RegisterMapWrong]);
    assert!(!kinds(&told, Condition::False).contains(&AlarmKind::MeteringMiswired), "nothing clears either");
}

#[test]
fn a_monitor_silent_with_most_others_waits_for_their_alarm_and_then_leaves_its_own_to_it() {
    let teller = AlarmId::daemon(AlarmKind::MetersSilentTogether);
    let circuits = [of_pump("Pump 1", Audit::NotYet)];
    let silent = Polling::Silent { cause: "connection timed out" };
    let now = MonitorNow { polling: silent, silent_with: Some(&teller), ..monitor(&circuits) };
    let of = |now: &MonitorNow| from_audit::monitor("Larkmoor North", now).into_iter().next().unwrap();
    let waits = of(&now);
    assert_eq!((waits.id.kind, waits.condition), (AlarmKind::MonitorSilent, Condition::Unknown));
    let is_up = |id: &AlarmId| *id == teller;
    let left = of(&MonitorNow { up: Up(&is_up), ..now });
    assert_eq!((left.condition, left.told_by), (Condition::False, Some(teller.clone())));
    // The others have returned: it comes by itself.
    let alone = of(&MonitorNow { silent_with: None, up: Up(&is_up), ..now });
    assert_eq!(alone.condition, Condition::True);
}

#[test]
fn a_pump_whose_currents_prove_nothing_is_told_to_stop_where_a_voltage_is_missing() {
    let dead = Detail::Voltage { place: "channel 2", volts: 0.4, nominal: 277.0 };
    let mut unproven = assessment(Verdict::Undecided, Wiring::INTENDED, 0.6, 0.1, &[Check::VoltageMissing]);
    unproven.findings.retain(|f| f.check != Check::VoltageMissing);
    unproven.findings.push(Finding {
        channel: Some(1),
        detail: dead,
        ..finding(Check::VoltageMissing, Outcome::Failed)
    });
    unproven.findings.push(finding(Check::CurrentBalance, Outcome::Failed));
    let told = of(&unproven);
    assert_eq!(kinds(&told, Condition::True), [AlarmKind::PhaseMissingStopped]);
    let story = story(&told, AlarmKind::PhaseMissingStopped);
    assert!(story.steps[0].starts_with("Stop Pump 1"), "{story:?}");
    let balanced = |f: &Finding| f.check != Check::CurrentBalance;
    unproven.findings.retain(balanced);
    let told = of(&unproven);
    assert!(
        !kinds(&told, Condition::True).contains(&AlarmKind::PhaseMissingStopped),
        "a balanced pump proves the supply"
    );
}
