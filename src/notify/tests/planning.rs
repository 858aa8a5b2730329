//! Routing, quiet hours, limits, floods, chattering.

use jiff::civil::{Time, Weekday};
use proptest::prelude::*;

use super::*;
use crate::alarm::operator::Operator;
use crate::notify::quiet::Window;

const NORTH: &str = "Larkmoor North";
const RAISED: &str = "raised Low: Larkmoor North, Pump 1: Meter answers but its values are frozen";

fn ash() -> Operator {
    Operator::new("R. Ash", "on my way").unwrap()
}

/// Quiet from 21:00 to 23:00 UTC on Wednesdays: from 3600 s to 10800 s of [`at_s`].
fn quiet_target() -> Target {
    let window =
        Window { days: vec![Weekday::Wednesday], from: Time::constant(21, 0, 0, 0), to: Time::constant(23, 0, 0, 0) };
    Target { quiet: QuietHours { zone: TimeZone::UTC, windows: vec![window] }, ..target("t") }
}

#[test]
fn an_alarm_is_told_as_it_comes_is_acknowledged_and_goes() {
    let id = pump(NORTH, 1);
    let mut scene = Scene::new(target("t"), &[(id.clone(), Priority::Low)], 100);
    assert_eq!(scene.comes(1, &id), [RAISED]);
    let acknowledged = scene.apply(2, &id, Event::Acknowledge(ash()));
    assert_eq!(acknowledged, [format!("acknowledged{} - acknowledged by R. Ash: on my way", &RAISED[6..])]);
    assert_eq!(scene.goes(3, &id), [format!("returned{} - over", &RAISED[6..])]);
    let texts: Vec<&str> = scene.sent.iter().map(|message| message.text.as_str()).collect();
    let (caution, action) = (texts[0].find("Before any work"), texts[0].find("What to do"));
    assert!(caution.is_some() && caution < action, "{}", texts[0]);
    assert!(texts[1..].iter().all(|text| !text.contains("What to do")), "{texts:?}");
}

#[test]
fn priorities_stations_and_kinds_of_news_route() {
    let (north, south) = (pump(NORTH, 1), pump("Larkmoor South", 1));
    let alarms = [(north.clone(), Priority::Low), (south.clone(), Priority::High)];
    let told = |target: Target| {
        let mut scene = Scene::new(target, &alarms, 100);
        [scene.comes(1, &north), scene.comes(2, &south), scene.goes(3, &north), scene.goes(4, &south)]
            .map(|said| said.len())
    };
    assert_eq!(told(target("t")), [1, 1, 1, 1]);
    assert_eq!(told(Target { priorities: only(Priority::High), ..target("t") }), [0, 1, 0, 1]);
    assert_eq!(told(Target { stations: Some(only(NORTH.to_owned())), ..target("t") }), [1, 0, 1, 0]);
    assert_eq!(told(Target { tell: only(Told::Returned), ..target("t") }), [0, 0, 1, 1]);
}

#[test]
fn alarms_of_wattassay_itself_go_to_every_station_s_target() {
    let disk = AlarmId::daemon(AlarmKind::StorageFull);
    let target = Target { stations: Some(only("Elsewhere".to_owned())), ..target("t") };
    assert_eq!(Scene::new(target, &[(disk.clone(), Priority::High)], 100).comes(1, &disk).len(), 1);
}

#[test]
fn quiet_hours_hold_all_but_critical_and_end_in_one_summary() {
    let (one, two) = (pump(NORTH, 1), pump(NORTH, 2));
    let mut scene =
        Scene::new(quiet_target(), &[(one.clone(), Priority::High), (two.clone(), Priority::Critical)], 100);
    assert_eq!(scene.comes(4000, &one), [""; 0]);
    assert_eq!(scene.goes(4100, &one), [""; 0]);
    assert_eq!(scene.comes(4200, &two).len(), 1);
    // Held over a restart.
    let state = serde_json::from_str(&serde_json::to_string(scene.planner.state()).unwrap()).unwrap();
    scene.planner = Planner::new(quiet_target(), state);
    assert_eq!(scene.planner.due_in_ms(at_s(4200)), Some(6_600_000));
    assert_eq!(scene.tick(10_799), [""; 0]);
    assert_eq!(scene.tick(10_800), ["quiet_ended During the quiet hours: 1 alarm (1 high)"]);
    let text = &scene.sent.last().unwrap().text;
    assert!(
        text.contains("high: Larkmoor North, Pump 1: Meter answers but its values are frozen: came 2026-11-25 21:06:40 +00:00; over 2026-11-25 21:08:20 +00:00"),
        "{text}"
    );
    assert_eq!(scene.tick(10_801), [""; 0]);
}

#[test]
fn beyond_the_limit_alarms_are_told_together_and_critical_ones_at_once() {
    let ids: Vec<AlarmId> = (1..=5).map(|n| pump(NORTH, n)).collect();
    let mut alarms: Vec<(AlarmId, Priority)> = ids.iter().map(|id| (id.clone(), Priority::Medium)).collect();
    alarms[4].1 = Priority::Critical;
    let mut scene = Scene::new(limited(2), &alarms, 100);
    let said: Vec<usize> = ids.iter().enumerate().map(|(n, id)| scene.comes(n as u64, id).len()).collect();
    assert_eq!(said, [1, 1, 0, 0, 1]);
    // Two messages within a minute; the critical one counts as the second.
    assert_eq!(scene.planner.due_in_ms(at_s(5)), Some(56_000));
    assert_eq!(scene.tick(60), [""; 0]);
    assert_eq!(scene.tick(61), ["limit_ended 2 alarms beyond the limit on messages (2 medium)"]);
}

#[test]
fn a_flood_is_one_message_at_its_beginning_and_one_at_its_end() {
    let ids: Vec<AlarmId> = (1..=5).map(|n| pump(NORTH, n)).collect();
    let mut alarms: Vec<(AlarmId, Priority)> = ids.iter().map(|id| (id.clone(), Priority::Low)).collect();
    alarms[4].1 = Priority::Critical;
    let mut scene = Scene::new(target("t"), &alarms, 2);
    let said: Vec<Vec<String>> = ids.iter().map(|id| scene.comes(1, id)).collect();
    assert_eq!(said[2], ["flood_began Many alarms at once"]);
    assert_eq!([said[0].len(), said[1].len(), said[3].len(), said[4].len()], [1, 1, 0, 1]);
    // Held and gone again before its end: no news.
    assert_eq!(scene.goes(2, &ids[3]), [""; 0]);
    assert_eq!(scene.tick(61), ["flood_ended The flood of alarms is over: 2 alarms held back (2 low)"]);
    // What the digest told is known, so that its end is told too.
    assert_eq!(scene.goes(62, &ids[2]).len(), 1);
}

#[test]
fn a_target_that_nothing_of_a_flood_is_for_hears_nothing() {
    let ids: Vec<AlarmId> = (1..=5).map(|n| pump(NORTH, n)).collect();
    let alarms: Vec<(AlarmId, Priority)> = ids.iter().map(|id| (id.clone(), Priority::Low)).collect();
    let mut scene = Scene::new(Target { priorities: only(Priority::Critical), ..target("t") }, &alarms, 2);
    assert!(ids.iter().all(|id| scene.comes(1, id).is_empty()));
    assert_eq!(scene.tick(61), [""; 0]);
}

#[test]
fn chattering_is_told_once_and_its_comings_and_goings_are_not() {
    let id = pump(NORTH, 1);
    let mut scene = Scene::new(target("t"), &[(id.clone(), Priority::Low)], 100);
    let mut events = Vec::new();
    for n in 0..6 {
        let said = [scene.comes(2 * n, &id), scene.goes(2 * n + 1, &id)].concat();
        events.push(said.iter().map(|said| said.split(' ').next().unwrap_or_default().to_owned()).collect::<Vec<_>>());
    }
    assert_eq!(events[..2], [["raised", "returned"], ["raised", "returned"]]);
    let told: Vec<&String> = events[2..].iter().flatten().collect();
    assert_eq!(told, ["chattering"], "{events:?}");
}

/// A phase that is lost every 105 s for an hour, with whatever could hold a message: chattering, a flood, quiet hours, a limit.
#[test]
fn a_recurring_critical_alarm_is_sent_each_time() {
    let lost = AlarmId::circuit(NORTH, "Pump 1", AlarmKind::SupplyPhaseLost);
    let frozen: Vec<AlarmId> = (2..=9).map(|n| pump(NORTH, n)).collect();
    let window = Window { days: vec![Weekday::Wednesday], from: Time::midnight(), to: Time::midnight() };
    let target = Target {
        quiet: QuietHours { zone: TimeZone::UTC, windows: vec![window] },
        rate: Some(Rate { messages: 1, within_ms: 3_600_000 }),
        ..target("t")
    };
    let mut scene = Scene::new(target, &[], 2);
    // As configured by default: 5 s until it is raised, 30 s until it returns, three in an hour are chattering, latching.
    let settings = |kind| (kind, AlarmSettings::of_kind(kind));
    let alarms = std::iter::once(&lost).chain(&frozen).map(|id| (id.clone(), settings(id.kind).1));
    let flood = FloodSettings { begins_above: 2, ends_below: 1, within_ms: 3_600_000 };
    scene.set.configure(at_s(0), alarms.collect::<Vec<_>>(), flood, &mut Step::default());
    for id in &frozen {
        scene.comes(0, id);
    }
    let mut raised = Vec::new();
    for second in 0..3600u64 {
        let is_lost = second % 105 < 60;
        let said = if is_lost { scene.comes(second, &lost) } else { scene.goes(second, &lost) };
        let ticked = scene.tick(second);
        let of_phase = said.iter().chain(&ticked).filter(|said| said.starts_with("raised Critical"));
        raised.extend(of_phase.map(|_| second));
    }
    assert!(scene.set.flooded() && scene.set.get(&lost).unwrap().alarm.chattering(), "all that could hold it is there");
    let expected: Vec<u64> = (0..35).map(|n| 105 * n + 5).collect();
    assert_eq!(raised, expected);
    // Nothing but of the critical alarm was sent.
    assert!(scene.sent.iter().all(|message| message.priority == Priority::Critical), "{:?}", scene.sent.last());
}

#[test]
fn work_orders_wait_for_the_digest_and_events_are_for_those_who_ask() {
    let work = AlarmId::circuit(NORTH, "Pump 1", AlarmKind::MeteringMiswired);
    let event = AlarmId::station(NORTH, AlarmKind::ClockJumped);
    let alarms = [(work.clone(), Priority::Low), (event.clone(), Priority::Low), (pump(NORTH, 2), Priority::Medium)];
    let mut scene = Scene::new(target("t"), &alarms, 100);
    assert_eq!(scene.comes(1, &work), [""; 0]);
    assert_eq!(scene.comes(2, &event), [""; 0]);
    assert_eq!(scene.comes(3, &pump(NORTH, 2)).len(), 1, "an alarm is sent as it comes");
    // 2026-11-25T20:00:01Z to 7:00 of the next morning, UTC; over a restart.
    let state = serde_json::from_str(&serde_json::to_string(scene.planner.state()).unwrap()).unwrap();
    scene.planner = Planner::new(target("t"), state);
    assert_eq!(scene.planner.due_in_ms(at_s(3)), Some((11 * 3600 - 3) * 1000));
    assert_eq!(scene.tick(11 * 3600 - 1), [""; 0]);
    assert_eq!(scene.tick(11 * 3600), ["digest Daily digest: 1 entry (1 low)"]);
    let text = &scene.sent.last().unwrap().text;
    assert!(text.contains("Larkmoor North, Pump 1") && text.contains("came 2026-11-25 20:00:01 +00:00"), "{text}");
    assert_eq!(scene.planner.due_in_ms(at_s(11 * 3600)), None);

    let everything = Target { at_once: Class::ALL.into(), digest: BTreeSet::new(), ..target("t") };
    let mut scene = Scene::new(everything, &alarms, 100);
    assert_eq!([scene.comes(1, &work).len(), scene.comes(2, &event).len()], [1, 1]);
    let alarms_only = Target { digest: BTreeSet::new(), ..target("t") };
    let mut scene = Scene::new(alarms_only, &alarms, 100);
    assert_eq!([scene.comes(1, &work).len(), scene.tick(100_000).len()], [0, 0]);
}

#[test]
fn a_digest_never_comes_in_quiet_hours_and_a_critical_work_order_never_waits() {
    let work = AlarmId::circuit(NORTH, "Pump 1", AlarmKind::MeteringMiswired);
    let quiet =
        Window { days: vec![Weekday::Thursday], from: Time::constant(6, 0, 0, 0), to: Time::constant(9, 0, 0, 0) };
    let target = Target { quiet: QuietHours { zone: TimeZone::UTC, windows: vec![quiet] }, ..target("t") };
    let mut scene = Scene::new(target.clone(), &[(work.clone(), Priority::Low)], 100);
    scene.comes(1, &work);
    assert_eq!(scene.tick(13 * 3600 - 1), [""; 0]);
    assert_eq!(scene.planner.due_in_ms(at_s(13 * 3600 - 1)), Some(1000));
    assert_eq!(scene.tick(13 * 3600).len(), 1);
    // A wall clock that was set back by a year keeps nothing for a year.
    let mut scene = Scene::new(target.clone(), &[(work.clone(), Priority::Low)], 100);
    scene.comes(1, &work);
    let mut back = at_s(2);
    back.wall.0 -= 366 * 86_400_000;
    assert!(scene.planner.due_in_ms(back).is_some_and(|ms| ms <= 86_400_000));

    let mut scene = Scene::new(target, &[(work.clone(), Priority::Critical)], 100);
    assert_eq!(scene.comes(1, &work).len(), 1);
}

#[test]
fn a_flood_s_digest_has_the_local_time_of_each_alarm() {
    let ids: Vec<AlarmId> = (1..=4).map(|n| pump(NORTH, n)).collect();
    let alarms: Vec<(AlarmId, Priority)> = ids.iter().map(|id| (id.clone(), Priority::Low)).collect();
    let zone = TimeZone::get("America/Chicago").unwrap();
    let mut scene = Scene::new(Target { zone, ..target("t") }, &alarms, 2);
    for (n, id) in ids.iter().enumerate() {
        scene.comes(10 * n as u64, id);
    }
    assert_eq!(scene.tick(120).len(), 1);
    let text = &scene.sent.last().unwrap().text;
    // 20:00:20 and 20:00:30 UTC.
    for expected in [
        "Pump 3: Meter answers but its values are frozen: came 2026-11-25 14:00:20 -06:00",
        "came 2026-11-25 14:00:30 -06:00",
    ] {
        assert!(text.contains(expected), "{text}");
    }
}

#[test]
fn an_alarm_taken_out_of_the_configuration_while_active_is_not_said_to_have_returned() {
    let id = AlarmId::circuit(NORTH, "Pump 1", AlarmKind::SupplyPhaseLost);
    for tell in [Told::DEFAULT.into(), BTreeSet::from([Told::Raised, Told::Returned])] {
        let target = Target { tell, ..quiet_target() };
        let mut scene = Scene::new(target, &[(id.clone(), Priority::Critical)], 100);
        scene.comes(4000, &id);
        let mut step = Step::default();
        scene.set.configure(at_s(4001), [], scene.set.flood_settings(), &mut step);
        let gone = step.gone[0].clone();
        let notice = Notice::Alarm { transition: Box::new(step.transitions.remove(0)), entry: Box::new(gone) };
        let mut out = Vec::new();
        scene.planner.take(at_s(4001), &notice, &mut out);
        let [message] = out.as_slice() else { panic!("{out:?}") };
        assert_eq!(message.about.key(), "removed");
        assert!(message.subject.contains("removed from the configuration while active"), "{}", message.subject);
    }
}

#[test]
fn what_happens_beneath_a_shelving_is_not_sent_and_what_stays_latched_is() {
    let id = AlarmId::circuit(NORTH, "Pump 1", AlarmKind::SupplyPhaseLost);
    let mut scene = Scene::new(target("t"), &[(id.clone(), Priority::Critical)], 100);
    let latching = AlarmSettings { latching: true, ..*scene.set.get(&id).unwrap().alarm.settings() };
    scene.set.configure(at_s(0), [(id.clone(), latching)], scene.set.flood_settings(), &mut Step::default());
    let shelve = Event::Shelve { by: ash(), until: at_s(100).wall, approved: true };
    assert_eq!(scene.apply(1, &id, shelve).len(), 1);
    assert_eq!([scene.comes(2, &id), scene.goes(3, &id)].concat(), [""; 0]);
    let said = scene.tick(100);
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(
        said[0].starts_with("raised ") && said[0].contains("raised and returned while it was set aside"),
        "{said:?}"
    );
    assert!(!scene.sent.last().unwrap().text.contains("What to do"), "{}", scene.sent.last().unwrap().text);
}

proptest! {
    /// Whatever happens: critical comings are told at once, nothing is told twice, and every held coming is in a summary.
    #[test]
    fn every_announced_coming_is_told_or_summed_up(
        steps in prop::collection::vec((0usize..6, any::<bool>(), 1u64..900), 1..80),
        messages in 1u32..5,
    ) {
        let ids: Vec<AlarmId> = (0..6).map(|n| pump(NORTH, n)).collect();
        let priority = |n: usize| [Priority::Low, Priority::High, Priority::Critical][n % 3];
        let alarms: Vec<_> = ids.iter().enumerate().map(|(n, id)| (id.clone(), priority(n))).collect();
        let target = Target { rate: limited(messages).rate, ..quiet_target() };
        let mut scene = Scene::new(target, &alarms, 1000);
        let (mut now, mut announced) = (0, 0);
        for (n, comes, wait) in steps {
            now += wait;
            scene.tick(now);
            let before = scene.set.get(&ids[n]).unwrap().alarm.active();
            let said = if comes { scene.comes(now, &ids[n]) } else { scene.goes(now, &ids[n]) };
            let raised = comes && !before && !scene.set.get(&ids[n]).unwrap().alarm.chattering();
            announced += u32::from(raised);
            if raised && priority(n) == Priority::Critical {
                prop_assert!(said.iter().any(|said| said.starts_with("raised")), "{:?}", said);
            }
        }
        // Past the quiet hours and the limit everything is out.
        scene.tick(now + 90_000);
        scene.tick(now + 180_000);
        let single = scene.sent.iter().filter(|m| m.about.key() == "raised").count() as u32;
        let held: u32 = scene.sent.iter().filter_map(|m| m.summary.as_ref()).flat_map(super::super::held::Held::named).map(|h| h.raised).sum();
        prop_assert!(single + held >= announced, "{} + {} < {}", single, held, announced);
        prop_assert!(scene.planner.due_in_ms(at_s(now + 180_000)).is_none());
    }
}
