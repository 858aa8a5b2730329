//! Counts add up whatever the journal holds; each figure on entries whose figure is known.

use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::alarm::id::AlarmKind;
use crate::alarm::state::{AlarmState, Announcement, Cause};
use crate::journal::Kind;

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

fn pump(n: usize) -> AlarmId {
    AlarmId::circuit("Alder Creek Lift", &format!("Pump {n}"), AlarmKind::SupplyPhaseLost)
}

/// As the alarm service records a transition.
fn transition(at_ms: i64, alarm: &AlarmId, from: AlarmState, to: AlarmState, announcement: Announcement) -> Entry {
    Entry::new(at_ms, Kind::Transition, "").with(&json!({
        "alarm": alarm, "from": from, "to": to, "cause": Cause::ConditionTrue, "announcement": announcement,
        "priority": Priority::High,
    }))
}

fn raised(at_ms: i64, alarm: &AlarmId) -> Entry {
    transition(at_ms, alarm, AlarmState::Normal, AlarmState::Unacknowledged, Announcement::Now)
}

fn gone(at_ms: i64, alarm: &AlarmId) -> Entry {
    transition(at_ms, alarm, AlarmState::Unacknowledged, AlarmState::ReturnedUnacknowledged, Announcement::None)
}

fn of(since_ms: i64, until_ms: i64, entries: &[Entry]) -> Report {
    report(Period::new(since_ms, until_ms).unwrap(), entries)
}

#[test]
fn a_period_must_not_be_empty() {
    assert_eq!(Period::new(5, 5), Err(EmptyPeriod));
    assert_eq!(of(0, DAY, &[]).raised.total, 0);
}

#[test]
fn rates_are_per_day_and_per_window_of_the_period() {
    // 12 in the first window, 3 in the second; one before the period and one at its end count nowhere.
    let mut entries = vec![raised(-1, &pump(1))];
    entries.extend((0..12).map(|n| raised(n * 1000, &pump(n as usize))));
    entries.extend((0..3).map(|n| raised(WINDOW_MS + n, &pump(n as usize))));
    entries.push(raised(2 * DAY, &pump(1)));
    let report = of(0, 2 * DAY, &entries);
    assert_eq!((report.raised.total, report.raised.most_in_10_min, report.raised.windows_over_10), (15, 12, 1));
    assert!((report.raised.per_day - 7.5).abs() < 1e-12);
    assert!((report.raised.per_10_min - 15.0 / 288.0).abs() < 1e-12);
    assert!((report.raised.share_of_windows_over_10 - 1.0 / 288.0).abs() < 1e-12);
}

#[test]
fn a_flood_lasts_from_more_than_ten_to_fewer_than_five() {
    let windows = [11u64, 5, 4, 11, 0, 12, 10, 10, 4];
    let mut entries = Vec::new();
    for (window, count) in windows.iter().enumerate() {
        entries.extend((0..*count).map(|n| raised(window as i64 * WINDOW_MS + n as i64, &pump(n as usize))));
    }
    let floods = of(0, windows.len() as i64 * WINDOW_MS, &entries).floods;
    assert_eq!((floods.count, floods.largest), (3, 32));
    // Windows 0, 1, 3, 5, 6 and 7.
    assert!((floods.share_of_time - 6.0 / 9.0).abs() < 1e-12);
}

#[test]
fn what_was_held_back_is_raised_and_not_announced() {
    let mut entries = vec![raised(0, &pump(1))];
    for announcement in [Announcement::HeldFlood, Announcement::HeldFlood, Announcement::HeldChattering] {
        entries.push(transition(5, &pump(2), AlarmState::Normal, AlarmState::Unacknowledged, announcement));
    }
    entries.push(Entry::new(6, Kind::Transition, "").with(&json!({ "flood": "began" })));
    let report = of(0, DAY, &entries);
    assert_eq!((report.raised.total, report.announced.total), (4, 1));
    assert_eq!((report.held_flood, report.held_chattering, report.floods.told), (2, 1, 1));
}

#[test]
fn work_orders_and_events_are_no_alarms() {
    let of_kind = |kind| AlarmId::circuit("Alder Creek Lift", "Pump 1", kind);
    let entries = [
        raised(0, &of_kind(AlarmKind::MeteringMiswired)),
        raised(1, &of_kind(AlarmKind::ClockJumped)),
        raised(2, &of_kind(AlarmKind::SupplyPhaseLost)),
    ];
    let report = of(0, 3 * DAY, &entries);
    assert_eq!((report.raised.total, report.work_orders, report.events), (1, 1, 1));
    assert_eq!(report.standing.len(), 1, "a work order may stand for days");
}

#[test]
fn standing_is_active_for_more_than_a_day_without_a_break() {
    let states = [AlarmState::Unacknowledged, AlarmState::Acknowledged, AlarmState::Normal];
    let acknowledged = |at, alarm: &AlarmId| transition(at, alarm, states[0], states[1], Announcement::None);
    let entries = [
        raised(-DAY, &pump(1)),
        // Active before its first entry: since the journal's beginning at least.
        acknowledged(-HOUR, &pump(2)),
        acknowledged(HOUR, &pump(1)),
        raised(2 * HOUR, &pump(3)),
        gone(3 * HOUR, &pump(3)),
        transition(6 * HOUR, &pump(1), states[1], states[2], Announcement::None),
        raised(7 * HOUR, &pump(4)),
    ];
    let report = of(0, DAY, &entries);
    let told: Vec<_> = report.standing.iter().map(|s| (s.alarm.clone(), s.since_ms, s.until_ms)).collect();
    let name = |n| pump(n).to_string();
    assert_eq!(told, [(name(2), -DAY, None), (name(1), -DAY, Some(6 * HOUR))]);
    assert!((report.standing[0].hours - 48.0).abs() < 1e-9);
}

#[test]
fn three_raises_in_a_minute_chatter_and_what_goes_by_itself_at_once_is_fleeting() {
    let mut entries = Vec::new();
    for n in 0..3 {
        entries.extend([raised(n * 20_000, &pump(1)), gone(n * 20_000 + 5_000, &pump(1))]);
        entries.extend([raised(n * 31_000, &pump(2)), gone(n * 31_000 + 5_000, &pump(2))]);
        entries.extend([raised(n * HOUR, &pump(3)), gone(n * HOUR + MINUTE, &pump(3))]);
    }
    let report = of(0, DAY, &entries);
    let names = |counts: &[Count]| counts.iter().map(|c| (c.alarm.clone(), c.count)).collect::<Vec<_>>();
    assert_eq!(names(&report.chattering), [(pump(1).to_string(), 3)]);
    assert_eq!(names(&report.fleeting), [(pump(1).to_string(), 3), (pump(2).to_string(), 3)]);
}

#[test]
fn what_is_not_in_the_journal_is_told_and_not_guessed() {
    let mut old = raised(5, &pump(1));
    old.data = old.data.replace("\"priority\":\"high\"", "\"other\":1");
    let mut unknown = raised(6, &pump(1));
    unknown.data = unknown.data.replace("supply_phase_lost", "of_a_later_version");
    let mut broken = raised(7, &pump(1));
    broken.data = "{".to_owned();
    let entries = [
        Entry::new(-DAY, Kind::Started, ""),
        old,
        unknown,
        broken,
        Entry::new(8, Kind::OperatorAction, "J. Alvarez logged in").with(&json!({ "address": "10.0.0.1" })),
        Entry::new(HOUR, Kind::Stopped, ""),
        Entry::new(3 * HOUR, Kind::Started, ""),
        Entry::new(5 * HOUR, Kind::Started, ""),
        Entry::new(23 * HOUR, Kind::Stopped, ""),
    ];
    let report = of(0, DAY, &entries);
    assert_eq!((report.raised.total, report.unreadable), (1, 2));
    assert_eq!(report.priorities.last().map(|of| (of.priority, of.count)), Some((None, 1)));
    assert_eq!((report.not_running_ms, report.starts_without_stop), (3 * HOUR, 1));
    assert_eq!(report.journal_begins_ms, Some(-DAY));
}

fn any_entry() -> impl Strategy<Value = Entry> {
    let state = || prop::sample::select(AlarmState::ALL.to_vec());
    let announcement = prop::sample::select(vec![
        Announcement::None,
        Announcement::Now,
        Announcement::HeldChattering,
        Announcement::HeldFlood,
    ]);
    let kind = prop::sample::select(vec![Kind::Transition, Kind::OperatorAction, Kind::Started, Kind::Stopped]);
    let place = (-3 * DAY..3 * DAY, 0usize..14);
    (place, state(), state(), announcement, kind, any::<bool>()).prop_map(
        |((at, n), from, to, announcement, kind, has)| {
            let mut entry = transition(at, &pump(n), from, to, announcement);
            entry.kind = kind;
            if !has {
                entry.data = entry.data.replace("\"priority\":\"high\"", "\"other\":1");
            }
            entry
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    /// Every way of counting comes to the same sum, shares are shares, and nothing outside the period counts; in whatever order
    /// the entries stand, for a clock that was put back does not keep to one.
    #[test]
    fn counts_add_up(entries in prop::collection::vec(any_entry(), 0..200), until in 1i64..3 * DAY) {
        let report = of(0, until, &entries);
        let is_raise = |entry: &&Entry| {
            (0..until).contains(&entry.at_unix_ms)
                && matches!(entry.kind, Kind::Transition | Kind::OperatorAction)
                && !entry.data.contains("\"announcement\":\"none\"")
        };
        let total = entries.iter().filter(is_raise).count() as u64;
        prop_assert_eq!(report.raised.total, total);
        prop_assert_eq!(report.announced.total + report.held_chattering + report.held_flood, total);
        prop_assert_eq!(report.priorities.iter().map(|of| of.count).sum::<u64>(), total);
        let frequent: u64 = report.most_frequent.iter().map(|of| of.count).sum();
        prop_assert!(frequent <= total && report.most_frequent.len() <= 10);
        prop_assert!(report.most_frequent.len() == 10 || frequent == total);
        prop_assert!((report.raised.per_day * Period::new(0, until).unwrap().days() - total as f64).abs() < 1e-6);
        prop_assert!(report.raised.most_in_10_min <= total && report.floods.largest <= total);
        prop_assert!(report.fleeting.iter().chain(&report.chattering).all(|of| of.count <= total));
        prop_assert!((0..=until).contains(&report.not_running_ms));
        for share in [
            report.raised.share_of_windows_over_10,
            report.announced.share_of_windows_over_10,
            report.floods.share_of_time,
            report.share_of_most_frequent,
        ] {
            prop_assert!((0.0..=1.0).contains(&share), "{}", share);
        }
        let shares: f64 = report.priorities.iter().filter_map(|of| of.share).sum();
        prop_assert!(shares.abs() < 1e-9 || (shares - 1.0).abs() < 1e-9);
        for standing in &report.standing {
            prop_assert!(standing.hours > 24.0, "{:?}", standing);
        }
    }
}
