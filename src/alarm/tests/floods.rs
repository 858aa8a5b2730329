//! Chattering of one alarm, floods of many.

use super::super::flood::FloodNews;
use super::super::id::{AlarmId, AlarmKind};
use super::super::machine::Alarm;
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, ChatterSettings, FloodSettings, Priority};
use super::super::state::{AlarmState, Announcement, Cause, Condition, Event};
use super::{apply, at_s, operator, prompt, pump_alarm, tell};
use crate::reading::MonoMs;

fn chattering() -> Alarm {
    Alarm::new(pump_alarm(), AlarmSettings { chatter: ChatterSettings::default(), ..prompt() })
}

/// Comes and goes once; how its coming is announced.
fn blink(alarm: &mut Alarm, seconds: u64) -> Announcement {
    let announcement = tell(alarm, seconds, Condition::True)[0].announcement;
    tell(alarm, seconds + 1, Condition::False);
    announcement
}

#[test]
fn the_third_time_in_a_minute_is_chattering_and_is_held() {
    let mut alarm = chattering();
    assert_eq!(blink(&mut alarm, 0), Announcement::Now);
    assert_eq!(blink(&mut alarm, 20), Announcement::Now);
    let records = tell(&mut alarm, 40, Condition::True);
    assert_eq!(records.iter().map(|r| &r.cause).collect::<Vec<_>>(), [&Cause::ConditionTrue, &Cause::ChatteringBegan]);
    assert_eq!(records[0].announcement, Announcement::HeldChattering);
    assert!(alarm.chattering());
    assert_eq!(alarm.state(), AlarmState::Unacknowledged, "the alarm itself is not hidden");
}

#[test]
fn three_times_in_more_than_a_minute_are_not() {
    let mut alarm = chattering();
    for seconds in [0, 30, 60, 90, 120] {
        assert_eq!(blink(&mut alarm, seconds), Announcement::Now, "{seconds}");
    }
}

#[test]
fn an_alarm_that_stays_is_announced_once_the_chattering_is_over() {
    let mut alarm = chattering();
    for seconds in [0, 10, 20, 30] {
        blink(&mut alarm, seconds);
    }
    tell(&mut alarm, 40, Condition::True);
    // Quiet means not raised for five minutes after the latest raise.
    assert_eq!(apply(&mut alarm, 339, Event::Tick), []);
    let records = apply(&mut alarm, 340, Event::Tick);
    assert_eq!(records.len(), 1);
    assert_eq!((&records[0].cause, records[0].announcement), (&Cause::ChatteringEnded, Announcement::Now));
    assert!(!alarm.chattering());
    assert_eq!(alarm.next_due(), None);
}

#[test]
fn chattering_that_was_acknowledged_or_shelved_ends_without_a_word() {
    for shelve in [false, true] {
        let mut alarm = chattering();
        for seconds in [0, 10] {
            blink(&mut alarm, seconds);
        }
        tell(&mut alarm, 20, Condition::True);
        let act = Event::Shelve { by: operator(), until: at_s(3600).wall, approved: true };
        apply(&mut alarm, 21, if shelve { act } else { Event::Acknowledge(operator()) });
        let records = apply(&mut alarm, 320, Event::Tick);
        assert_eq!((&records[0].cause, records[0].announcement), (&Cause::ChatteringEnded, Announcement::None));
    }
}

fn pump(n: u32, kind: AlarmKind) -> AlarmId {
    AlarmId::circuit("Larkmoor North", &format!("Pump {n:02}"), kind)
}

/// Twenty pumps, one alarm each; that of pump 20 is critical.
fn station() -> AlarmSet {
    let mut set = AlarmSet::new(FloodSettings::default());
    let alarms = (1..=20).map(|n| {
        let priority = if n == 20 { Priority::Critical } else { [Priority::Low, Priority::Medium][n as usize % 2] };
        (pump(n, AlarmKind::ValuesFrozen), AlarmSettings { priority, ..prompt() })
    });
    set.configure(at_s(0), alarms.collect::<Vec<_>>(), FloodSettings::default(), &mut Step::default());
    set
}

fn raise(set: &mut AlarmSet, seconds: u64, n: u32) -> Step {
    let mut step = Step::default();
    set.tell(at_s(seconds), &pump(n, AlarmKind::ValuesFrozen), Condition::True, None, &mut step).unwrap();
    step
}

#[test]
fn the_eleventh_alarm_in_ten_minutes_is_a_flood_told_together_at_its_end() {
    let mut set = station();
    for n in 1..=10 {
        let step = raise(&mut set, u64::from(n), n);
        assert_eq!(step.transitions[0].announcement, Announcement::Now);
        assert_eq!(step.floods, []);
    }
    let step = raise(&mut set, 11, 11);
    assert_eq!(step.floods, [FloodNews::Began { at: at_s(11) }]);
    assert_eq!(step.transitions[0].announcement, Announcement::HeldFlood);
    for n in 12..=14 {
        assert_eq!(raise(&mut set, u64::from(n), n).transitions[0].announcement, Announcement::HeldFlood);
    }
    assert_eq!(raise(&mut set, 15, 20).transitions[0].announcement, Announcement::Now, "a critical one is never held");
    let seen = pump(13, AlarmKind::ValuesFrozen);
    set.apply(at_s(16), &seen, Event::Acknowledge(operator()), &mut Step::default()).unwrap();

    // Fifteen came at 1 to 15 s; at 611 s only those of 12 to 15 s are within ten minutes: fewer than five.
    assert_eq!(set.next_due(), Some(MonoMs(611_000)));
    let mut step = Step::default();
    set.tick(at_s(610), &mut step);
    assert_eq!(step, Step::default());
    set.tick(at_s(611), &mut step);
    let [FloodNews::Ended { digest, .. }] = step.floods.as_slice() else { panic!("{:?}", step.floods) };
    let held: Vec<String> = digest.alarms.iter().map(|held| format!("{} {}", held.priority.key(), held.id)).collect();
    assert_eq!(
        held,
        [
            "medium Larkmoor North, Pump 11: values_frozen",
            "low Larkmoor North, Pump 12: values_frozen",
            "low Larkmoor North, Pump 14: values_frozen"
        ]
    );
    // Each with the time at which it was raised, not that of the flood's end.
    let raised: Vec<_> = digest.alarms.iter().map(|held| held.raised_at).collect();
    assert_eq!(raised, [11, 12, 14].map(|second| Some(at_s(second).wall)));
    assert_eq!(digest.counts(), [(Priority::Medium, 1), (Priority::Low, 2)]);
    assert!(!set.flooded() && set.digest().alarms.is_empty());
    assert_eq!(raise(&mut set, 612, 19).transitions[0].announcement, Announcement::Now);
}

#[test]
fn ten_alarms_in_ten_minutes_are_no_flood_however_long_it_goes_on() {
    let mut set = station();
    for n in 0..200u32 {
        let seconds = u64::from(n) * 60;
        let id = 1 + n % 19;
        assert_eq!(raise(&mut set, seconds, id).floods, []);
        let frozen = pump(id, AlarmKind::ValuesFrozen);
        set.tell(at_s(seconds), &frozen, Condition::False, None, &mut Step::default()).unwrap();
    }
}

#[test]
fn an_alarm_that_is_not_configured_is_refused_and_one_left_out_is_disabled() {
    let mut set = station();
    let unknown = pump(1, AlarmKind::FitsNoWiring);
    let refused = set.tell(at_s(1), &unknown, Condition::True, None, &mut Step::default()).unwrap_err();
    assert_eq!(refused.to_string(), "there is no alarm \"Larkmoor North, Pump 01: fits_no_wiring\"");
    raise(&mut set, 2, 1);
    raise(&mut set, 2, 2);
    let settings = AlarmSettings { latching: true, ..prompt() };
    let mut step = Step::default();
    let kept = pump(1, AlarmKind::ValuesFrozen);
    set.configure(at_s(3), [(kept.clone(), settings)], FloodSettings::default(), &mut step);
    assert_eq!(set.entries().len(), 1);
    assert_eq!(set.get(&kept).unwrap().alarm.state(), AlarmState::Unacknowledged, "a reload keeps what it keeps");
    assert_eq!(step.transitions.len(), 19);
    assert!(step.transitions.iter().all(|t| t.to == AlarmState::Disabled && t.cause == Cause::Disabled));
}

#[test]
fn rules_that_no_longer_exist_suppress_nothing() {
    let mut set = station();
    let id = pump(3, AlarmKind::ValuesFrozen);
    for rule in ["isolated", "storm"] {
        set.apply(at_s(1), &id, Event::Suppress { rule: rule.to_owned() }, &mut Step::default()).unwrap();
    }
    set.keep_rules(at_s(2), |rule| rule == "storm", &mut Step::default());
    assert_eq!(set.get(&id).unwrap().alarm.rules(), ["storm"]);
    let mut step = Step::default();
    set.keep_rules(at_s(3), |_| false, &mut step);
    assert_eq!(step.transitions[0].to, AlarmState::Normal);
}

#[test]
fn work_orders_and_events_never_tip_a_flood_but_are_held_in_one() {
    let mut set = AlarmSet::new(FloodSettings::default());
    let pumps = || (1..=20).map(|n| pump(n, AlarmKind::MeteringMiswired));
    let alarms = pumps().chain((1..=12).map(|n| pump(n, AlarmKind::ValuesFrozen))).map(|id| (id, prompt()));
    set.configure(at_s(0), alarms.collect::<Vec<_>>(), FloodSettings::default(), &mut Step::default());
    let raise_kind = |set: &mut AlarmSet, seconds, n, kind| {
        let mut step = Step::default();
        set.tell(at_s(seconds), &pump(n, kind), Condition::True, None, &mut step).unwrap();
        step
    };
    // What a start finds at nineteen pumps.
    for n in 1..=19 {
        let step = raise_kind(&mut set, 1, n, AlarmKind::MeteringMiswired);
        assert_eq!((step.floods.len(), step.transitions[0].announcement), (0, Announcement::Now), "{n}");
    }
    let began: usize = (1..=11).map(|n| raise_kind(&mut set, 2, n, AlarmKind::ValuesFrozen).floods.len()).sum();
    assert_eq!(began, 1, "eleven alarms are a flood");
    let held = raise_kind(&mut set, 3, 20, AlarmKind::MeteringMiswired);
    assert_eq!(held.transitions[0].announcement, Announcement::HeldFlood);
}

#[test]
fn a_critical_alarm_is_announced_each_time_however_often_it_is_raised() {
    let settings = AlarmSettings { priority: Priority::Critical, ..chattering().settings };
    let mut alarm = Alarm::new(pump_alarm(), settings);
    for seconds in 0..20 {
        assert_eq!(blink(&mut alarm, 10 * seconds), Announcement::Now, "{seconds}");
    }
    assert!(alarm.chattering(), "that it comes and goes is known all the same");
}

#[test]
fn an_alarm_held_back_that_becomes_critical_is_announced() {
    let id = pump(1, AlarmKind::ValuesFrozen);
    let mut set = AlarmSet::new(FloodSettings { begins_above: 1, ends_below: 1, within_ms: 600_000 });
    let other = pump(2, AlarmKind::ValuesFrozen);
    let flood = set.flood.settings;
    let medium = AlarmSettings { priority: Priority::Medium, ..prompt() };
    set.configure(at_s(0), [(id.clone(), medium), (other.clone(), medium)], flood, &mut Step::default());
    set.tell(at_s(1), &other, Condition::True, None, &mut Step::default()).unwrap();
    let mut step = Step::default();
    set.tell(at_s(2), &id, Condition::True, None, &mut step).unwrap();
    assert_eq!(step.transitions[0].announcement, Announcement::HeldFlood);

    let critical = AlarmSettings { priority: Priority::Critical, ..medium };
    let mut step = Step::default();
    let reload = [(id.clone(), critical), (other, medium)];
    set.configure(at_s(3), reload.clone(), flood, &mut step);
    let [raised] = step.transitions.as_slice() else { panic!("{step:?}") };
    assert_eq!((&raised.alarm, &raised.cause, raised.announcement), (&id, &Cause::PriorityRaised, Announcement::Now));
    assert_eq!(set.digest().alarms, [], "and no longer held");
    // Once: neither another reload nor a restart does it again.
    let mut step = Step::default();
    set.configure(at_s(4), reload.clone(), flood, &mut step);
    AlarmSet::restore(set.image(at_s(5)), at_s(6), reload, flood, &mut step);
    assert_eq!(step.transitions, []);
}
