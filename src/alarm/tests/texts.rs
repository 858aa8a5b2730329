//! Every text as an operator reads it.

use super::super::id::{AlarmId, AlarmKind};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, FloodSettings};
use super::super::state::Condition;
use super::super::words::{self, AlarmText, PumpsBehind, Story};
use super::{at_s, operator};
use crate::audit::assessment::{Check, Finding, Outcome};
use crate::audit::cautions::general;
use crate::audit::detail::Detail;
use crate::audit::register_fault::RegisterFault;
use crate::audit::wiring::{CurrentSeen, Wiring};
use crate::audit::words::describe_wiring;
use crate::reading::Phase;

fn failed(check: Check, channel: Option<usize>, detail: Detail) -> Finding {
    Finding { check, channel, outcome: Outcome::Failed, detail, since: at_s(0) }
}

/// The text of an active alarm of this kind.
fn text(kind: AlarmKind, story: Story) -> AlarmText {
    let id = match kind {
        AlarmKind::MonitorSilent | AlarmKind::RegisterMapWrong | AlarmKind::VoltageLeadsWrong => {
            AlarmId::monitor("Larkmoor North", "PM-1", kind)
        }
        AlarmKind::ClockJumped => AlarmId::station("Larkmoor North", kind),
        AlarmKind::StorageFull => AlarmId::daemon(kind),
        _ => AlarmId::circuit("Larkmoor North", "Pump 1", kind),
    };
    let settings = AlarmSettings { on_delay_ms: 0, ..AlarmSettings::of_kind(kind) };
    let mut set = AlarmSet::new(FloodSettings::default());
    set.configure(at_s(0), [(id.clone(), settings)], FloodSettings::default(), &mut Step::default());
    set.tell(at_s(1), &id, Condition::True, Some(story), &mut Step::default()).unwrap();
    AlarmText::of(set.get(&id).unwrap(), Some("14 Nov 2023 22:13"))
}

fn exchanged() -> Wiring {
    let mut wiring = Wiring::INTENDED;
    wiring.current.swap(1, 2);
    wiring
}

fn stories() -> Vec<(AlarmKind, Story)> {
    let sign = failed(Check::ActivePowerSign, Some(1), Detail::ChannelPower { channel: 1, watts: -8400.0 });
    let volts =
        failed(Check::VoltageMissing, Some(2), Detail::Voltage { place: "channel 3", volts: 0.4, nominal: 277.0 });
    let blank = failed(Check::PowerBlankWhileRunning, None, Detail::Words("kW is blank while the pump runs"));
    let stands = failed(Check::ValuesMoving, None, Detail::Words("no value has moved for 10 minutes"));
    let share = failed(Check::CurrentBalance, Some(0), Detail::Current { channel: 0, amps: 31.2, largest: 62.0 });
    let gone = failed(Check::CurrentMissing, Some(1), Detail::Current { channel: 1, amps: 0.0, largest: 98.0 });
    let apparent = failed(
        Check::ApparentPowerConsistency,
        Some(0),
        Detail::Apparent { channel: 0, reported: 512.0, product: 5120.0 },
    );
    let map = RegisterFault {
        kind: "word_order",
        probability: Some(0.998),
        map_says: "the map says that the high word of current comes first".to_owned(),
        fits: "with the low word first channel 1 reads 61.2 A, and all values fit".to_owned(),
        change: "write word_order = \"low-first\" in generic-full.toml".to_owned(),
    };
    let mut reversed = Wiring::INTENDED;
    reversed.current[1] = CurrentSeen::Conductor { phase: Phase::B, reversed: true };
    let behind = PumpsBehind {
        wrong: vec!["Pump 1", "Pump 2"],
        unjudged: vec!["Pump 3"],
        own_fault: vec!["Pump 2"],
        corrected: true,
        ..PumpsBehind::default()
    };
    vec![
        (
            AlarmKind::MonitorSilent,
            words::monitor_silent("PM-1", "connection refused", &["Pump 1", "Pump 2", "Pump 3"]),
        ),
        (AlarmKind::SupplyPhaseLost, words::supply_phase_lost(Phase::B, 0.984, &[&gone])),
        (
            AlarmKind::MeteringMiswired,
            words::metering_miswired(&describe_wiring(&reversed), true, 0.9995, true, &[&sign]),
        ),
        (
            AlarmKind::MeteringMiswired,
            words::metering_miswired(&describe_wiring(&exchanged()), false, 0.993, false, &[&blank]),
        ),
        (
            AlarmKind::RegisterMapWrong,
            words::register_map_wrong("PM-1", &map, &["Pump 1", "Pump 2"], &[("Pump 1", &share)]),
        ),
        (
            AlarmKind::VoltageLeadsWrong,
            words::voltage_leads_wrong(
                "PM-1",
                "voltage lead 2 is off",
                0.991,
                &["Pump 1", "Pump 2"],
                &[("Pump 1", &volts), ("Pump 2", &volts)],
            ),
        ),
        (
            AlarmKind::VoltageLeadsWrong,
            words::voltage_leads_exchanged(
                "PM-1",
                [Phase::A, Phase::C, Phase::B],
                0.9995,
                &behind,
                &[("Pump 1", &sign)],
            ),
        ),
        (
            AlarmKind::MeteringMiswired,
            words::metering_miswired_besides(&describe_wiring(&reversed), true, 0.997, true, &[&sign]),
        ),
        (AlarmKind::MeteringNumbersWrong, words::metering_numbers_wrong(&volts, &[&sign])),
        (AlarmKind::MeteringNumbersWrong, words::metering_numbers_wrong(&apparent, &[])),
        (AlarmKind::ValuesFrozen, words::values_frozen(&stands, &[])),
        (AlarmKind::FitsNoWiring, words::fits_no_wiring(0.97, &[&share])),
        (AlarmKind::ClockJumped, words::clock_jumped(-3_600_000)),
        (AlarmKind::AuditFailed, words::audit_failed("index out of range")),
        (AlarmKind::StorageFull, words::storage_full(Some(48_000_000), false)),
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
        let sentences = format!("{} {}", story.what, story.means).matches(". ").count() + 1;
        assert!(sentences <= 3, "{kind:?} has {sentences} sentences: {story:?}");
    }
}

#[test]
fn whoever_is_sent_to_a_panel_reads_the_cautions_first() {
    for (kind, story) in stories() {
        let goes = ["panel", "leads", "qualified", "restart the monitor"].iter().any(|w| story.action.contains(w));
        assert!(!goes || story.at_panel, "{kind:?}: {}", story.action);
        let printed = text(kind, story.clone()).to_string();
        let action = printed.find("What to do:").unwrap();
        for caution in general() {
            match printed.find(caution.as_ref()) {
                Some(place) => assert!(story.at_panel && place < action, "{kind:?}"),
                None => assert!(!story.at_panel, "{kind:?} lacks a caution"),
            }
        }
    }
}

#[test]
fn state_chattering_and_lost_sight_are_said() {
    let id = AlarmId::circuit("Larkmoor North", "Pump 1", AlarmKind::ValuesFrozen);
    let settings = AlarmSettings { on_delay_ms: 0, off_delay_ms: 0, ..AlarmSettings::of_kind(AlarmKind::ValuesFrozen) };
    let mut set = AlarmSet::new(FloodSettings::default());
    set.configure(at_s(0), [(id.clone(), settings)], FloodSettings::default(), &mut Step::default());
    let state = |set: &AlarmSet| AlarmText::of(set.get(&id).unwrap(), Some("22:13")).state;
    let mut step = Step::default();
    set.tell(at_s(1), &id, Condition::False, None, &mut step).unwrap();
    assert_eq!(state(&set), "Normal.");
    for n in 1..=3 {
        set.tell(at_s(10 * n), &id, Condition::True, None, &mut step).unwrap();
        set.tell(at_s(10 * n + 5), &id, Condition::False, None, &mut step).unwrap();
    }
    assert_eq!(
        state(&set),
        "Over, not acknowledged, since 22:13; it comes and goes, so further announcements are held."
    );
    set.tell(at_s(40), &id, Condition::Unknown, None, &mut step).unwrap();
    set.apply(at_s(41), &id, super::super::state::Event::Acknowledge(operator()), &mut step).unwrap();
    assert!(state(&set).starts_with("Normal; at present it cannot be told whether"), "{}", state(&set));
}
