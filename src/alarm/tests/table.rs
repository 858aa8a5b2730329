//! Every state with every event: the next state, and what is recorded.

use std::collections::BTreeSet;

use super::super::id::{AlarmId, AlarmKind};
use super::super::machine::Alarm;
use super::super::settings::AlarmSettings;
use super::super::state::{AlarmState, Announcement, Cause, Condition, Event};
use super::{apply, at_s, operator, prompt, pump_alarm, tell};
use crate::reading::UnixMs;

const RULE: &str = "station isolated";

fn until() -> UnixMs {
    at_s(3600).wall
}

fn events() -> Vec<Event> {
    vec![
        Event::Condition(Condition::True),
        Event::Condition(Condition::False),
        Event::Condition(Condition::Unknown),
        Event::Tick,
        Event::Acknowledge(operator()),
        Event::Reset(operator()),
        Event::Shelve { by: operator(), until: until(), approved: true },
        Event::Unshelve(operator()),
        Event::Suppress { rule: RULE.to_owned() },
        Event::Unsuppress { rule: RULE.to_owned() },
        Event::TakeOutOfService { by: operator(), until: None, approved: true },
        Event::ReturnToService(operator()),
        Event::Disable,
        Event::ToldElsewhere { by: leads() },
    ]
}

fn leads() -> AlarmId {
    AlarmId::monitor("Larkmoor North", "PM-1", AlarmKind::VoltageLeadsWrong)
}

/// Column of the table, and the cause that is recorded. Exhaustive: a new event does not compile without its column.
fn column(event: &Event) -> (usize, Option<Cause>) {
    let rule = || RULE.to_owned();
    match event {
        Event::Condition(Condition::True) => (0, Some(Cause::ConditionTrue)),
        Event::Condition(Condition::False) => (1, Some(Cause::ConditionFalse)),
        Event::Condition(Condition::Unknown) => (2, None),
        Event::Tick => (3, None),
        Event::Acknowledge(_) => (4, Some(Cause::Acknowledged)),
        Event::Reset(_) => (5, Some(Cause::Reset)),
        Event::Shelve { .. } => (6, Some(Cause::Shelved { until_ms: until().0 })),
        Event::Unshelve(_) => (7, Some(Cause::Unshelved)),
        Event::Suppress { .. } => (8, Some(Cause::Suppressed { rule: rule() })),
        Event::Unsuppress { .. } => (9, Some(Cause::Unsuppressed { rule: rule() })),
        Event::TakeOutOfService { .. } => (10, Some(Cause::TakenOutOfService)),
        Event::ReturnToService(_) => (11, Some(Cause::ReturnedToService)),
        Event::Disable => (12, Some(Cause::Disabled)),
        Event::ToldElsewhere { .. } => (13, Some(Cause::ToldElsewhere { by: leads() })),
    }
}

fn by_operator(event: &Event) -> bool {
    matches!(column(event).0, 4..=7 | 10..=11)
}

fn letter(state: AlarmState) -> char {
    match state {
        AlarmState::Normal => 'N',
        AlarmState::Unacknowledged => 'U',
        AlarmState::Acknowledged => 'A',
        AlarmState::ReturnedUnacknowledged => 'R',
        AlarmState::LatchedUnacknowledged => 'L',
        AlarmState::LatchedAcknowledged => 'K',
        AlarmState::Shelved => 'S',
        AlarmState::SuppressedByDesign => 'D',
        AlarmState::OutOfService => 'O',
        AlarmState::Disabled => 'X',
    }
}

/// Where an alarm starts, and how it gets there. `latching` in the name: the alarm latches.
fn start(name: &str) -> Alarm {
    let settings = AlarmSettings { latching: name.contains("latch"), ..prompt() };
    let mut alarm = Alarm::new(pump_alarm(), settings);
    let yes = Event::Condition(Condition::True);
    let no = Event::Condition(Condition::False);
    let acknowledge = Event::Acknowledge(operator());
    let shelve = Event::Shelve { by: operator(), until: until(), approved: true };
    let suppress = Event::Suppress { rule: RULE.to_owned() };
    let out = Event::TakeOutOfService { by: operator(), until: None, approved: true };
    let way = match name {
        "normal" => vec![no],
        "unacknowledged" | "unacknowledged-latching" => vec![yes],
        "acknowledged" | "acknowledged-latching" => vec![yes, acknowledge],
        "returned" | "latched-unacknowledged" => vec![yes, no],
        "latched-acknowledged" => vec![yes, acknowledge, no],
        "shelved-active" => vec![yes, shelve],
        "shelved-quiet" => vec![no, shelve],
        "shelved-returned" | "shelved-latched" => vec![yes, no, shelve],
        "shelved-latched-acknowledged" => vec![yes, acknowledge, no, shelve],
        "shelved-passed-latching" => vec![shelve, yes, no],
        "suppressed-passed-latching" => vec![suppress, yes, no],
        "out-passed-latching" => vec![out, yes, no],
        "suppressed-active" => vec![yes, suppress],
        "suppressed-quiet" => vec![no, suppress],
        "suppressed-shelved" => vec![yes, shelve, suppress],
        "out-active" => vec![yes, out],
        "out-quiet" => vec![no, out],
        "out-suppressed" => vec![yes, suppress, out],
        "disabled" => vec![yes, Event::Disable],
        _ => panic!("no way to {name}"),
    };
    for event in way {
        apply(&mut alarm, 1, event);
    }
    alarm
}

/// One row a start, one column an event. `-`: nothing recorded; `!`: refused; a letter: recorded, with that state after;
/// `*`: announced. "passed": raised and returned while set aside. The letters are those of [`letter`].
const TABLE: &str = "
start                        true false unkn tick ack reset shelve unshelve suppr unsuppr out return disable told
normal                       U*   -     -    -    !   !     S      !        D     -       O   !      X       -
unacknowledged               -    R     -    -    A   !     S      !        D     -       O   !      X       R
acknowledged                 -    N     -    -    !   !     S      !        D     -       O   !      X       N
returned                     U*   -     -    -    N   !     S      !        D     -       O   !      X       -
unacknowledged-latching      -    L     -    -    A   !     S      !        D     -       O   !      X       R
acknowledged-latching        -    K     -    -    !   !     S      !        D     -       O   !      X       N
latched-unacknowledged       U*   -     -    -    K   R     S      !        D     -       O   !      X       -
latched-acknowledged         U*   -     -    -    !   N     S      !        D     -       O   !      X       -
shelved-active               -    S     -    -    !   !     S      U*       D     -       O   !      X       S
shelved-quiet                S    -     -    -    !   !     S      N        D     -       O   !      X       -
shelved-returned             S    -     -    -    !   !     S      N        D     -       O   !      X       -
shelved-latched              S    -     -    -    !   !     S      L        D     -       O   !      X       -
shelved-latched-acknowledged S    -     -    -    !   !     S      K        D     -       O   !      X       -
shelved-passed-latching      S    -     -    -    !   !     S      L*       D     -       O   !      X       -
suppressed-active            -    D     -    -    !   !     D      !        -     U*      O   !      X       D
suppressed-quiet             D    -     -    -    !   !     D      !        -     N       O   !      X       -
suppressed-passed-latching   D    -     -    -    !   !     D      !        -     L*      O   !      X       -
suppressed-shelved           -    D     -    -    !   !     D      D        -     S       O   !      X       D
out-active                   -    O     -    -    !   !     O      !        O     -       !   U*     X       O
out-quiet                    O    -     -    -    !   !     O      !        O     -       !   N      X       -
out-passed-latching          O    -     -    -    !   !     O      !        O     -       !   L*     X       -
out-suppressed               -    O     -    -    !   !     O      !        -     O       !   D      X       O
disabled                     -    -     -    -    !   !     !      !        !     -       !   !      -       -
";

#[test]
fn every_state_takes_every_event_as_the_table_says() {
    let rows: Vec<Vec<&str>> = TABLE.trim().lines().skip(1).map(|row| row.split_whitespace().collect()).collect();
    let mut started = BTreeSet::new();
    for row in &rows {
        let before = start(row[0]);
        started.insert(before.state());
        assert_eq!(row.len(), 1 + events().len(), "{}", row[0]);
        for event in events() {
            let (column, cause) = column(&event);
            let expected = row[1 + column];
            let mut alarm = before.clone();
            let mut out = Vec::new();
            let done = alarm.apply(at_s(2), event.clone(), &mut out);
            let case = format!("{} x {event:?}", row[0]);
            assert_eq!(done.is_err(), expected == "!", "{case}: {done:?}");
            if expected == "-" || expected == "!" {
                assert_eq!(out, [], "{case}");
                assert_eq!(alarm.state(), before.state(), "{case}");
                if expected == "!" {
                    assert_eq!(alarm, before, "{case}: a refused act changes nothing");
                }
                continue;
            }
            let [record] = out.as_slice() else { panic!("{case}: {out:?}") };
            assert_eq!(letter(alarm.state()).to_string(), expected.trim_end_matches('*'), "{case}");
            assert_eq!((record.from, record.to), (before.state(), alarm.state()), "{case}");
            assert_eq!((record.at, &record.alarm), (at_s(2), alarm.id()), "{case}");
            assert_eq!(Some(&record.cause), cause.as_ref(), "{case}");
            assert_eq!(record.by, by_operator(&event).then(operator), "{case}");
            let announced = if expected.ends_with('*') { Announcement::Now } else { Announcement::None };
            assert_eq!(record.announcement, announced, "{case}");
        }
    }
    assert_eq!(started, BTreeSet::from(AlarmState::ALL), "every state starts a row");
}

#[test]
fn set_aside_an_alarm_follows_its_condition_and_shows_it_when_released() {
    for (beneath, released) in [(true, AlarmState::Unacknowledged), (false, AlarmState::Normal)] {
        for name in
            ["shelved-active", "shelved-quiet", "suppressed-active", "suppressed-quiet", "out-active", "out-quiet"]
        {
            let mut alarm = start(name);
            let condition = if beneath { Condition::True } else { Condition::False };
            let moved = beneath != alarm.active();
            let records = tell(&mut alarm, 3, condition);
            let state = alarm.state();
            let expected = if beneath { Cause::ConditionTrue } else { Cause::ConditionFalse };
            assert_eq!(
                records.iter().map(|r| (r.from, r.to, r.cause.clone(), r.announcement)).collect::<Vec<_>>(),
                if moved { vec![(state, state, expected, Announcement::None)] } else { vec![] },
                "{name}: what happens beneath is recorded and not announced"
            );
            let release = match alarm.state() {
                AlarmState::Shelved => Event::Unshelve(operator()),
                AlarmState::SuppressedByDesign => Event::Unsuppress { rule: RULE.to_owned() },
                _ => Event::ReturnToService(operator()),
            };
            apply(&mut alarm, 4, release);
            assert_eq!(alarm.state(), released, "{name}");
        }
    }
}

#[test]
fn what_was_raised_and_returned_while_set_aside_stays_latched_and_is_announced_then() {
    for (latching, expected) in [
        (true, (AlarmState::LatchedUnacknowledged, Announcement::Now)),
        (false, (AlarmState::Normal, Announcement::None)),
    ] {
        let mut alarm = Alarm::new(pump_alarm(), AlarmSettings { latching, ..prompt() });
        apply(&mut alarm, 1, Event::TakeOutOfService { by: operator(), until: None, approved: true });
        tell(&mut alarm, 2, Condition::True);
        tell(&mut alarm, 3, Condition::False);
        let records = apply(&mut alarm, 4, Event::ReturnToService(operator()));
        assert_eq!((alarm.state(), records[0].announcement), expected);
    }
}

#[test]
fn what_another_alarm_tells_is_over_without_its_delay() {
    let mut alarm = Alarm::new(pump_alarm(), AlarmSettings { off_delay_ms: 60_000, ..prompt() });
    tell(&mut alarm, 1, Condition::True);
    assert_eq!(tell(&mut alarm, 2, Condition::False), [], "by itself it would wait");
    let told = apply(&mut alarm, 3, Event::ToldElsewhere { by: leads() });
    assert_eq!(told.iter().map(|t| &t.cause).collect::<Vec<_>>(), [&Cause::ToldElsewhere { by: leads() }]);
    assert!(!alarm.active());
    assert_eq!(apply(&mut alarm, 300, Event::Tick), []);
}

#[test]
fn an_event_asks_for_no_acknowledgement() {
    let mut alarm = Alarm::new(AlarmId::daemon(AlarmKind::ClockJumped), prompt());
    let raised = tell(&mut alarm, 1, Condition::True);
    assert_eq!(raised[0].to, AlarmState::Acknowledged);
    assert!(alarm.apply(at_s(2), Event::Acknowledge(operator()), &mut Vec::new()).is_err());
    assert_eq!(tell(&mut alarm, 3, Condition::False)[0].to, AlarmState::Normal);
}
