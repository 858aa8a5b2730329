//! Delays, shelving times and what operators are refused.

use super::super::id::{AlarmId, AlarmKind};
use super::super::machine::{Alarm, RULES_MAX};
use super::super::operator::{Operator, Refused};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, FloodSettings, Priority};
use super::super::shelf::ShelfSettings;
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
    apply(&mut alarm, 0, Event::Shelve { by: operator(), until: at_s(20).wall, approved: true });
    tell(&mut alarm, 5, Condition::True);
    // Due: the on-delay at 15 s beneath the shelving, its end at 20 s.
    let records = apply(&mut alarm, 500, Event::Tick);
    let [beneath, record] = records.as_slice() else { panic!("{records:?}") };
    assert_eq!((beneath.from, beneath.to), (AlarmState::Shelved, AlarmState::Shelved));
    assert_eq!((&beneath.cause, beneath.announcement), (&Cause::ConditionTrue, Announcement::None));
    assert_eq!((record.from, record.to), (AlarmState::Shelved, AlarmState::Unacknowledged));
    assert_eq!((&record.cause, record.announcement), (&Cause::ShelvingExpired, Announcement::Now));
}

#[test]
fn a_shelving_that_ends_beneath_a_suppression_is_recorded() {
    let mut alarm = delayed();
    apply(&mut alarm, 0, Event::Shelve { by: operator(), until: at_s(20).wall, approved: true });
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
    apply(&mut alarm, 0, Event::Shelve { by: operator(), until: at_s(60).wall, approved: true });
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
    let shelve = |by: &Operator, seconds| Event::Shelve { by: by.clone(), until: at_s(seconds).wall, approved: true };
    assert_eq!(refused(&mut alarm, 1, shelve(&silent, 60)), Refused::RemarkMissing("a shelving"));
    assert_eq!(refused(&mut alarm, 1, shelve(&operator(), 1)), Refused::ShelvedIntoThePast);
    let too_long = refused(&mut alarm, 1, shelve(&operator(), 8 * 3600 + 2));
    assert_eq!(too_long.to_string(), "at most 480 minutes may be shelved at a time");
    assert!(matches!(
        refused(&mut alarm, 1, Event::TakeOutOfService { by: silent, until: None, approved: true }),
        Refused::RemarkMissing(_)
    ));
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
fn an_alarm_is_not_shelved_again_and_again_for_ever() {
    let hour = 3600;
    let mut alarm = delayed();
    let shelve = |from: u64, hours: u64| Event::Shelve {
        by: operator(),
        until: at_s(from + hours * hour).wall,
        approved: false,
    };
    // 24 h in a week, at most 8 h at once.
    for n in 0..3 {
        apply(&mut alarm, n * 8 * hour, shelve(n * 8 * hour, 8));
    }
    let full = refused(&mut alarm, 24 * hour, shelve(24 * hour, 1));
    assert_eq!(
        full.to_string(),
        "this alarm may be shelved for 24 hours in all; 0 minutes of them are left, and all of them again in 144 hours"
    );
    assert_eq!(alarm.state(), AlarmState::Normal);
    apply(&mut alarm, 168 * hour, shelve(168 * hour, 8));
    // What an early end leaves is given back, and so is what a new end takes away.
    apply(&mut alarm, 169 * hour, Event::Unshelve(operator()));
    apply(&mut alarm, 169 * hour, shelve(169 * hour, 8));
    apply(&mut alarm, 170 * hour, shelve(170 * hour, 1));
    assert_eq!(apply(&mut alarm, 171 * hour, Event::Tick)[0].cause, Cause::ShelvingExpired);
    let left = refused(&mut alarm, 171 * hour, Event::Shelve { by: operator(), until: at_s(0).wall, approved: true });
    assert_eq!(left, Refused::ShelvedIntoThePast);
    for n in 0..2 {
        apply(&mut alarm, (171 + 8 * n) * hour, shelve((171 + 8 * n) * hour, 8));
    }
    let left = refused(&mut alarm, 187 * hour, shelve(187 * hour, 8));
    assert!(matches!(left, Refused::ShelvedTooLongInAll { left_minutes: 300, .. }), "{left:?}");
    apply(&mut alarm, 187 * hour, shelve(187 * hour, 5));
}

#[test]
fn a_critical_alarm_is_set_aside_by_a_person_only_with_approval() {
    let mut alarm = Alarm::new(pump_alarm(), AlarmSettings { priority: Priority::Critical, ..prompt() });
    let shelve = |approved| Event::Shelve { by: operator(), until: at_s(60).wall, approved };
    let out = |approved| Event::TakeOutOfService { by: operator(), until: None, approved };
    for act in [shelve(false), out(false)] {
        let refused = refused(&mut alarm, 1, act);
        assert!(
            refused.to_string().contains("critical alarm") && refused.to_string().contains("engineer"),
            "{refused}"
        );
    }
    apply(&mut alarm, 1, shelve(true));
    // Once more, and out of service beneath: as much.
    assert!(matches!(refused(&mut alarm, 2, shelve(false)), Refused::NeedsApproval(_)));
    assert!(matches!(refused(&mut alarm, 2, out(false)), Refused::NeedsApproval(_)));
    apply(&mut alarm, 2, out(true));
    apply(&mut alarm, 3, Event::ReturnToService(operator()));
}

#[test]
fn a_time_out_of_service_ends_by_itself() {
    let mut alarm = delayed();
    let out = |until| Event::TakeOutOfService { by: operator(), until: Some(at_s(until).wall), approved: false };
    assert_eq!(refused(&mut alarm, 5, out(5)), Refused::OutOfServiceIntoThePast);
    let records = apply(&mut alarm, 5, out(3600));
    assert_eq!(records[0].cause, Cause::TakenOutOfServiceUntil { until_ms: at_s(3600).wall.0 });
    assert_eq!((alarm.out_of_service_until(), alarm.next_due()), (Some(at_s(3600).wall), Some(MonoMs(3_600_000))));
    tell(&mut alarm, 10, Condition::True);
    apply(&mut alarm, 20, Event::Tick);
    assert_eq!(apply(&mut alarm, 3599, Event::Tick), []);
    let records = apply(&mut alarm, 3600, Event::Tick);
    let [record] = records.as_slice() else { panic!("{records:?}") };
    assert_eq!((&record.cause, &record.by), (&Cause::OutOfServiceEnded, &None));
    assert_eq!((record.to, record.announcement), (AlarmState::Unacknowledged, Announcement::Now));
    assert_eq!((alarm.out_of_service(), alarm.out_of_service_until()), (None, None));
}

#[test]
fn so_many_alarms_are_shelved_at_once_and_no_more() {
    let ids: Vec<AlarmId> =
        (1..=3).map(|n| AlarmId::circuit("Larkmoor North", &format!("Pump {n}"), AlarmKind::ValuesFrozen)).collect();
    let mut set = AlarmSet::new(FloodSettings::default());
    let alarms = ids.iter().map(|id| (id.clone(), prompt()));
    set.configure(at_s(0), alarms, FloodSettings::default(), &mut Step::default());
    set.limit_shelving(ShelfSettings { at_once: 2 });
    let mut shelve = |seconds, n: usize| {
        let until = at_s(seconds + 60).wall;
        set.apply(
            at_s(seconds),
            &ids[n],
            Event::Shelve { by: operator(), until, approved: false },
            &mut Step::default(),
        )
    };
    assert_eq!([shelve(1, 0), shelve(2, 1)], [Ok(()), Ok(())]);
    assert_eq!(shelve(3, 2), Err(Refused::TooManyShelved { max: 2 }));
    assert_eq!(shelve(4, 1), Ok(()), "to shelve one anew takes no place");
    assert_eq!(shelve(61, 2), Ok(()), "the first has run out");
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
