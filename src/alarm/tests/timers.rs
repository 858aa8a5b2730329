//! Delays, shelving times and what operators are refused.

use super::super::machine::{Alarm, RULES_MAX};
use super::super::operator::{Operator, Refused};
use super::super::settings::AlarmSettings;
use super::super::state::{AlarmState, Announcement, Cause, Condition, Event};
use super::{apply, at_s, operator, prompt, pump_alarm, tell};
use crate::reading::MonoMs;

fn delayed() -> Alarm {
    Alarm::new(pump_alarm(), AlarmSettings { on_delay_ms: 10_000, off_delay_ms: 20_000, ..prompt() })
}

fn refused(alarm: &mut Alarm, seconds: u64, event: Event) -> Refused {
    alarm.apply(at_s(seconds), event, &mut Vec::new()).unwrap_err()
}

#[test]
fn a_condition_must_last_before_the_alarm_comes_or_goes() {
    let mut alarm = delayed();
    assert_eq!(tell(&mut alarm, 0, Condition::True), []);
    assert_eq!(alarm.next_due(), Some(MonoMs(10_000)));
    assert_eq!(apply(&mut alarm, 9, Event::Tick), []);
    assert_eq!(apply(&mut alarm, 10, Event::Tick).len(), 1);
    assert_eq!(alarm.state(), AlarmState::Unacknowledged);
    assert_eq!(alarm.active_since(), Some(at_s(10).wall));
    tell(&mut alarm, 20, Condition::False);
    // Back within the off-delay: as if nothing had been.
    tell(&mut alarm, 39, Condition::True);
    tell(&mut alarm, 40, Condition::False);
    assert_eq!(apply(&mut alarm, 59, Event::Tick), []);
    assert_eq!(apply(&mut alarm, 60, Event::Tick)[0].to, AlarmState::ReturnedUnacknowledged);
}

#[test]
fn bad_quality_neither_raises_nor_clears_and_delays_stand_still() {
    let mut alarm = delayed();
    tell(&mut alarm, 0, Condition::True);
    tell(&mut alarm, 6, Condition::Unknown);
    assert_eq!(alarm.next_due(), None);
    assert_eq!(apply(&mut alarm, 1000, Event::Tick), []);
    tell(&mut alarm, 1000, Condition::True);
    assert_eq!(apply(&mut alarm, 1003, Event::Tick), []);
    assert_eq!(apply(&mut alarm, 1004, Event::Tick).len(), 1, "four of ten seconds were left");
    tell(&mut alarm, 1010, Condition::Unknown);
    assert_eq!(apply(&mut alarm, 9999, Event::Tick), []);
    assert_eq!((alarm.state(), alarm.condition()), (AlarmState::Unacknowledged, Condition::Unknown));
}

#[test]
fn a_late_tick_lets_things_happen_in_the_order_in_which_they_were_due() {
    let mut alarm = delayed();
    apply(&mut alarm, 0, Event::Shelve { by: operator(), until: at_s(20).wall });
    tell(&mut alarm, 5, Condition::True);
    // Due: the on-delay at 15 s beneath the shelving, its end at 20 s.
    let records = apply(&mut alarm, 500, Event::Tick);
    let [record] = records.as_slice() else { panic!("{records:?}") };
    assert_eq!((record.from, record.to), (AlarmState::Shelved, AlarmState::Unacknowledged));
    assert_eq!((&record.cause, record.announcement), (&Cause::ShelvingExpired, Announcement::Now));
}

#[test]
fn a_shelving_that_ends_beneath_a_suppression_is_recorded() {
    let mut alarm = delayed();
    apply(&mut alarm, 0, Event::Shelve { by: operator(), until: at_s(20).wall });
    apply(&mut alarm, 1, Event::Suppress { rule: "isolated".to_owned() });
    let records = apply(&mut alarm, 20, Event::Tick);
    assert_eq!(records.len(), 1);
    assert_eq!((records[0].from, records[0].to), (AlarmState::SuppressedByDesign, AlarmState::SuppressedByDesign));
    assert_eq!(records[0].cause, Cause::ShelvingExpired);
    assert_eq!(alarm.shelving(), None);
}

#[test]
fn the_wall_clock_does_not_lengthen_a_shelving() {
    let mut alarm = delayed();
    apply(&mut alarm, 0, Event::Shelve { by: operator(), until: at_s(60).wall });
    let mut at = at_s(60);
    at.wall.0 -= 3_600_000;
    let mut out = Vec::new();
    alarm.apply(at, Event::Tick, &mut out).unwrap();
    assert_eq!(out[0].cause, Cause::ShelvingExpired);
}

#[test]
fn what_is_refused_says_why() {
    let mut alarm = delayed();
    let silent = Operator::new("R. Ash", "").unwrap();
    let shelve = |by: &Operator, seconds| Event::Shelve { by: by.clone(), until: at_s(seconds).wall };
    assert_eq!(refused(&mut alarm, 1, shelve(&silent, 60)), Refused::RemarkMissing("a shelving"));
    assert_eq!(refused(&mut alarm, 1, shelve(&operator(), 1)), Refused::ShelvedIntoThePast);
    let too_long = refused(&mut alarm, 1, shelve(&operator(), 8 * 3600 + 2));
    assert_eq!(too_long.to_string(), "at most 480 minutes may be shelved at a time");
    assert!(matches!(refused(&mut alarm, 1, Event::TakeOutOfService(silent)), Refused::RemarkMissing(_)));
    assert_eq!(
        refused(&mut alarm, 1, Event::Acknowledge(operator())).to_string(),
        "nothing to acknowledge: the alarm is normal"
    );
    for n in 0..RULES_MAX {
        apply(&mut alarm, 1, Event::Suppress { rule: format!("rule {n}") });
    }
    let one_more = refused(&mut alarm, 1, Event::Suppress { rule: "one more".to_owned() });
    assert_eq!(one_more, Refused::TooManyRules { max: RULES_MAX });
    assert!(matches!(refused(&mut alarm, 1, Event::Suppress { rule: String::new() }), Refused::BadRuleName { .. }));
    let mut latching = Alarm::new(pump_alarm(), AlarmSettings { latching: true, ..prompt() });
    tell(&mut latching, 1, Condition::True);
    assert_eq!(refused(&mut latching, 2, Event::Reset(operator())), Refused::CauseStillThere);
}

#[test]
fn a_refused_act_still_lets_time_pass() {
    let mut alarm = delayed();
    tell(&mut alarm, 0, Condition::True);
    let mut out = Vec::new();
    let done = alarm.apply(at_s(10), Event::Unshelve(operator()), &mut out);
    assert_eq!(done, Err(Refused::NotShelved));
    assert_eq!(out.len(), 1, "the alarm came, and its record is not lost");
}

#[test]
fn operators_have_names_and_short_printable_remarks() {
    assert_eq!(Operator::new("  ", "x"), Err(Refused::WhoMissing));
    assert_eq!(Operator::new(&"n".repeat(65), ""), Err(Refused::TooLong { what: "name", max: 64 }));
    assert_eq!(Operator::new("R. Ash", &"n".repeat(501)), Err(Refused::TooLong { what: "remark", max: 500 }));
    assert_eq!(Operator::new("R. Ash", "a\nb"), Err(Refused::NotPrintable { what: "remark" }));
    assert_eq!(Operator::new(" R. Ash ", " seen ").unwrap().remark(), "seen");
}
