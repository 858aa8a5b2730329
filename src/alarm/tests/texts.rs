//! Every text as an operator reads it: title, line, full text.

use super::super::id::{AlarmId, AlarmKind};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, FloodSettings, Priority};
use super::super::state::Condition;
use super::super::words::{
    self, AlarmText, CtReading, LINE_MAX, MissingPhase, MiswiredBlame, PumpsBehind, STORY_LINE_MAX, Silent, Story,
    Supply,
};
use super::{PUMP, at_s, operator};
use crate::alarm::rationale::TITLE_MAX;
use crate::audit::assessment::{Check, Finding, Outcome};
use crate::audit::context::ServiceKind;
use crate::audit::detail::Detail;
use crate::audit::installation::{CtSecondary, Installation, VoltageConnection};
use crate::audit::register_fault::RegisterFault;
use crate::reading::Phase;

/// A pump above 1,000 V, metered through voltage transformers.
const MEDIUM_VOLTAGE: Installation = Installation {
    service: ServiceKind::OpenDelta,
    nominal_voltage_v: 4160.0,
    voltage_connection: VoltageConnection::Transformers,
    ..PUMP
};

fn failed(check: Check, channel: Option<usize>, detail: Detail) -> Finding {
    Finding { check, channel, outcome: Outcome::Failed, detail, since: at_s(0) }
}

fn id(kind: AlarmKind, station: &str, part: &str) -> AlarmId {
    match kind {
        AlarmKind::MonitorSilent
        | AlarmKind::RegisterMapWrong
        | AlarmKind::VoltageLeadsWrong
        | AlarmKind::PhaseMissingStopped => AlarmId::monitor(station, part, kind),
        AlarmKind::ClockJumped | AlarmKind::StorageFull | AlarmKind::MetersSilentTogether => AlarmId::daemon(kind),
        _ => AlarmId::circuit(station, part, kind),
    }
}

/// The text of an active alarm.
fn text_of(id: &AlarmId, priority: Priority, story: Story) -> AlarmText {
    let settings = AlarmSettings { on_delay_ms: 0, priority, ..AlarmSettings::of_kind(id.kind) };
    let mut set = AlarmSet::new(FloodSettings::default());
    set.configure(at_s(0), [(id.clone(), settings)], FloodSettings::default(), &mut Step::default());
    set.tell(at_s(1), id, Condition::True, Some(story), &mut Step::default()).unwrap();
    AlarmText::of(set.get(id).unwrap(), &|_| "14 Nov 2023 22:13".to_owned())
}

fn text(kind: AlarmKind, story: Story) -> AlarmText {
    let part =
        if matches!(id(kind, "", "").place, super::super::id::Place::Monitor { .. }) { "PM-1" } else { "Pump 1" };
    // A CT with a voltage output is no danger: its alarm is configured low.
    let low = kind == AlarmKind::CtNoCurrent && story.title.is_some();
    let priority = if low { Priority::Low } else { AlarmSettings::of_kind(kind).priority };
    text_of(&id(kind, "Larkmoor North", part), priority, story)
}

fn stories() -> Vec<(AlarmKind, Story)> {
    let current =
        |check, channel, amps, largest| failed(check, Some(channel), Detail::Current { channel, amps, largest });
    let sign = failed(Check::ActivePowerSign, Some(1), Detail::ChannelPower { channel: 1, watts: -8400.0 });
    let volts =
        failed(Check::VoltageMissing, Some(1), Detail::Voltage { place: "channel 2", volts: 0.4, nominal: 277.0 });
    let blank = failed(Check::PowerBlankWhileRunning, None, Detail::Words("kW is blank while the pump runs"));
    let frozen = failed(Check::ValuesMoving, None, Detail::Words("no value has changed for 3 minutes"));
    let share = current(Check::CurrentBalance, 0, 31.2, 62.0);
    let gone = current(Check::CurrentMissing, 1, 0.0, 98.0);
    let apparent = failed(
        Check::ApparentPowerConsistency,
        Some(0),
        Detail::Apparent { channel: 0, reported: 512.0, product: 5120.0 },
    );
    let flows = failed(Check::CurrentWhileStopped, None, Detail::Status { running: false, largest: 61.0 });
    let map = RegisterFault {
        kind: "word_order",
        probability: Some(0.998),
        map_says: "the map says that the high word of current comes first".to_owned(),
        fits: "with the low word first channel 1 reads 61.2 A, and all values fit".to_owned(),
        change: "write word_order = \"low-first\" in generic-full.toml".to_owned(),
    };
    let behind = PumpsBehind {
        wrong: vec!["Pump 1", "Pump 2"],
        unjudged: vec!["Pump 3"],
        own_fault: vec!["Pump 2"],
        corrected: true,
        ..PumpsBehind::default()
    };
    let both = ["Pump 1", "Pump 2"];
    let panels = [&PUMP, &PUMP];
    let zero = CtReading { channel: 1, amps: Some(0.0), largest_a: Some(98.0), jumps: false };
    let jumps = CtReading { amps: None, largest_a: None, jumps: true, ..zero };
    let voltage_output = Installation { ct_secondary: CtSecondary::Voltage { rated_mv: 333 }, ..PUMP };
    let missing = |installations: Vec<&'static Installation>, unproven: Vec<&'static str>| MissingPhase {
        monitor: "PM-1",
        phases: vec![Phase::B],
        held_up: false,
        unproven,
        findings: Vec::new(),
        pumps: both.to_vec(),
        installations,
    };
    let stopped = |story: &Story| story.with_pump_stopped(true).unwrap();
    let lost = words::supply_phase_lost(Phase::B, 0.984, &PUMP, &[&gone]);
    let station_lost = words::supply_phase_lost_at_station(
        &[("Pump 1", Phase::B), ("Pump 2", Phase::B)],
        0.984,
        &panels,
        vec!["Pump 1: channel 2 reads 0.00 A".to_owned()],
    );
    let open = words::ct_no_current(zero, 0.002, &PUMP, &[&gone]);
    let proven = Supply { voltage_missing: true, proven_by: vec!["Pump 1"] };
    let fuse = words::voltage_leads_wrong(
        "PM-1",
        "voltage lead 2 is off, or its fuse is blown",
        0.991,
        &proven,
        &both,
        &panels,
        &[("Pump 1", &volts), ("Pump 2", &volts)],
    );
    let silent =
        |n: usize| Silent { name: format!("Larkmoor North, PM-{n}"), cause: "connection timed out".to_owned() };
    let reversed = MiswiredBlame::Settled { wiring: "CT 2 has reversed polarity", probability: 0.9995 };
    vec![
        (AlarmKind::SupplyPhaseLost, lost.clone()),
        (AlarmKind::SupplyPhaseLost, stopped(&lost)),
        (AlarmKind::SupplyPhaseLost, station_lost.clone()),
        (AlarmKind::SupplyPhaseLost, stopped(&station_lost)),
        (AlarmKind::SupplyPhaseLost, words::supply_phase_lost(Phase::A, 0.97, &MEDIUM_VOLTAGE, &[])),
        (
            AlarmKind::PhaseMissingStopped,
            words::phase_missing(&MissingPhase { findings: vec![&volts], ..missing(vec![&PUMP], Vec::new()) }),
        ),
        (AlarmKind::PhaseMissingStopped, words::phase_missing(&missing(vec![&MEDIUM_VOLTAGE], Vec::new()))),
        (AlarmKind::PhaseMissingStopped, words::phase_missing(&missing(vec![&PUMP], vec!["Pump 1"]))),
        (
            AlarmKind::PhaseMissingStopped,
            words::phase_missing(&MissingPhase { held_up: true, ..missing(vec![&PUMP], vec!["Pump 1"]) }),
        ),
        (
            AlarmKind::PhaseMissingStopped,
            words::phase_missing_at_station(&["PM-1", "PM-2"], 3, words::cautions_of(panels), Vec::new()),
        ),
        (AlarmKind::CtNoCurrent, open.clone()),
        (AlarmKind::CtNoCurrent, stopped(&open)),
        (AlarmKind::CtNoCurrent, words::ct_no_current(jumps, 0.0, &PUMP, &[])),
        (AlarmKind::CtNoCurrent, words::ct_no_current(zero, 0.12, &MEDIUM_VOLTAGE, &[&gone])),
        (AlarmKind::CtNoCurrent, words::ct_no_current(zero, 0.0, &voltage_output, &[&gone])),
        (
            AlarmKind::MonitorSilent,
            words::monitor_silent("PM-1", "connection refused", &["Pump 1", "Pump 2", "Pump 3"], &panels),
        ),
        (AlarmKind::MetersSilentTogether, words::silent_together(&(1..=8).map(silent).collect::<Vec<_>>(), 8, 2)),
        (AlarmKind::ValuesFrozen, words::values_frozen(&frozen, &[])),
        (AlarmKind::StorageFull, words::storage_full(Some(48_000_000), false)),
        (AlarmKind::StorageFull, words::storage_full(None, true)),
        (AlarmKind::VoltageLeadsWrong, fuse.clone()),
        (AlarmKind::VoltageLeadsWrong, stopped(&fuse)),
        (
            AlarmKind::VoltageLeadsWrong,
            words::voltage_leads_swapped(
                "PM-1",
                [Phase::A, Phase::C, Phase::B],
                0.9995,
                &behind,
                &panels,
                &[("Pump 1", &sign)],
            ),
        ),
        (AlarmKind::MeteringMiswired, words::metering_miswired(reversed, true, &PUMP, &[&sign])),
        (
            AlarmKind::MeteringMiswired,
            words::metering_miswired(MiswiredBlame::Open { wirings: 12, wrong: 0.994 }, false, &PUMP, &[&blank]),
        ),
        (AlarmKind::MeteringMiswired, words::metering_miswired_besides(reversed, true, &PUMP, &[&sign])),
        (AlarmKind::MeteringNumbersWrong, words::metering_numbers_wrong(&apparent, &PUMP, &[])),
        (AlarmKind::MeteringNumbersWrong, words::metering_numbers_wrong(&flows, &PUMP, &[])),
        (
            AlarmKind::RegisterMapWrong,
            words::register_map_wrong("PM-1", &map, &["Pump 1", "Pump 2"], &[("Pump 1", &share)]),
        ),
        (AlarmKind::FitsNoWiring, words::fits_no_wiring(0.97, &[&share])),
        (AlarmKind::AuditFailsOften, words::audit_fails_often(3)),
        (AlarmKind::AuditFailed, words::audit_failed("index out of range")),
        (AlarmKind::ClockJumped, words::clock_stepped(-3_600_000)),
    ]
}

#[test]
fn every_text_reads_as_recorded() {
    let texts: Vec<String> = stories().into_iter().map(|(kind, story)| text(kind, story).to_string()).collect();
    insta::assert_snapshot!(texts.join("\n"));
}

#[test]
fn every_kind_has_a_text_and_all_are_short() {
    let told = stories();
    for kind in AlarmKind::ALL {
        assert!(told.iter().any(|(k, _)| *k == kind), "{kind:?}");
    }
    for (kind, story) in told {
        let story = story.now();
        let sentences = format!("{} {}", story.what, story.means).matches(". ").count() + 1;
        assert!(sentences <= 6, "{kind:?} has {sentences} sentences: {story:?}");
        let letters = story.line.chars().count();
        assert!((30..=STORY_LINE_MAX).contains(&letters), "{kind:?}: {letters} characters: {}", story.line);
        let title = story.title.as_deref().unwrap_or_else(|| words::title(kind));
        assert!(title.chars().count() <= TITLE_MAX, "{kind:?}: {title}");
        assert!(!story.steps.is_empty() && story.steps.iter().all(|step| step.ends_with('.')), "{kind:?}");
    }
}

#[test]
fn a_line_takes_one_message_whatever_the_place_is_called() {
    for (kind, story) in stories() {
        for length in [1, 12, 64] {
            let name = "N".repeat(length);
            for priority in [Priority::Low, Priority::Critical] {
                let text = text_of(&id(kind, &name, &name), priority, story.clone());
                assert!(text.line.chars().count() <= LINE_MAX, "{}", text.line);
                assert!(text.line.ends_with(&story.now().line), "what to do is never cut: {}", text.line);
            }
        }
    }
}

#[test]
fn whoever_is_sent_to_a_panel_reads_the_cautions_first() {
    for (kind, story) in stories() {
        let goes = ["Electrician", "electrician", "field sheet", "igh-voltage crew"];
        let goes = goes.iter().any(|word| story.now().action().contains(word));
        assert!(!goes || story.at_panel(), "{kind:?}: {}", story.action());
        let printed = text(kind, story.clone()).to_string();
        let action = printed.find("What to do:").unwrap();
        for caution in &story.cautions {
            assert!(printed.find(caution.as_str()).is_some_and(|place| place < action), "{kind:?} lacks {caution}");
        }
    }
}

/// What no alarm may say, whatever the case: work on a CT circuit without what must go before it, or a fact nobody has seen.
#[test]
fn no_alarm_tells_what_only_a_remedy_may() {
    for (kind, story) in stories() {
        let text = format!("{} {} {} {}", story.now().line, story.now().what, story.now().means, story.now().action());
        for word in ["ighten", "loose connection", "let another take over", "take over, if", "is dead", "exchange"] {
            assert!(!text.contains(word), "{kind:?} says {word:?}: {text}");
        }
    }
}

#[test]
fn state_chattering_and_lost_sight_are_said() {
    let id = AlarmId::circuit("Larkmoor North", "Pump 1", AlarmKind::ValuesFrozen);
    let settings = AlarmSettings { on_delay_ms: 0, off_delay_ms: 0, ..AlarmSettings::of_kind(AlarmKind::ValuesFrozen) };
    let mut set = AlarmSet::new(FloodSettings::default());
    set.configure(at_s(0), [(id.clone(), settings)], FloodSettings::default(), &mut Step::default());
    let state = |set: &AlarmSet| AlarmText::of(set.get(&id).unwrap(), &|_| "22:13".to_owned()).state;
    let mut step = Step::default();
    set.tell(at_s(1), &id, Condition::False, None, &mut step).unwrap();
    assert_eq!(state(&set), "Normal.");
    for n in 1..=3 {
        set.tell(at_s(10 * n), &id, Condition::True, None, &mut step).unwrap();
        set.tell(at_s(10 * n + 5), &id, Condition::False, None, &mut step).unwrap();
    }
    assert_eq!(
        state(&set),
        "Over, not acknowledged, raised 22:13; it comes and goes, so further announcements are held."
    );
    set.tell(at_s(40), &id, Condition::Unknown, None, &mut step).unwrap();
    set.apply(at_s(41), &id, super::super::state::Event::Acknowledge(operator()), &mut step).unwrap();
    assert!(state(&set).starts_with("Normal; at present it cannot be told whether"), "{}", state(&set));
}
