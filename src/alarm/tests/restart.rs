//! A set put away and taken up again goes on as if it had only lost sight of its conditions.

use proptest::prelude::*;

use super::super::id::{AlarmId, AlarmKind};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, ChatterSettings, FloodSettings};
use super::super::snapshot::SetImage;
use super::super::state::{AlarmState, Cause, Condition, Event};
use super::super::words::clock_stepped;
use super::model::{Move, walk};
use super::{at_s, operator, prompt, pump_alarm};
use crate::reading::{Instant2, MonoMs};

const FLOOD: FloodSettings = FloodSettings { begins_above: 3, ends_below: 2, within_ms: 25_000 };

fn alarms() -> Vec<(AlarmId, AlarmSettings)> {
    let chatter = ChatterSettings { raises: 3, within_ms: 30_000, quiet_ms: 20_000 };
    let settings = AlarmSettings { on_delay_ms: 3000, off_delay_ms: 2000, chatter, ..prompt() };
    [AlarmKind::MonitorSilent, AlarmKind::ValuesFrozen, AlarmKind::SupplyPhaseLost, AlarmKind::AuditFailed]
        .into_iter()
        .map(|kind| {
            let latching = kind == AlarmKind::SupplyPhaseLost;
            (AlarmId::circuit("Larkmoor North", "Pump 1", kind), AlarmSettings { latching, ..settings })
        })
        .collect()
}

fn new_set() -> AlarmSet {
    let mut set = AlarmSet::new(FLOOD);
    set.configure(at_s(0), alarms(), FLOOD, &mut Step::default());
    set
}

/// The clock of the process after the restart: the same wall time, its own monotonic time.
fn after_restart(at: Instant2, restarted: Instant2) -> Instant2 {
    Instant2 { wall: at.wall, mono: MonoMs(at.mono.since(restarted.mono)) }
}

fn through_json(image: &SetImage) -> SetImage {
    serde_json::from_str(&serde_json::to_string(image).unwrap()).unwrap()
}

/// What of a step does not depend on the monotonic clock.
fn told(step: &Step) -> Vec<String> {
    let transitions = step.transitions.iter().map(|t| {
        let (from, to) = (t.from.key(), t.to.key());
        format!("{:?} {} {from}->{to} {:?} {:?} {:?}", t.at.wall, t.alarm, t.cause, t.by, t.announcement)
    });
    let floods = step.floods.iter().map(|news| match news {
        super::super::flood::FloodNews::Began { at } => format!("{:?} flood", at.wall),
        super::super::flood::FloodNews::Ended { at, digest } => format!("{:?} over {digest:?}", at.wall),
    });
    transitions.chain(floods).collect()
}

fn go(set: &mut AlarmSet, at: Instant2, seconds: u64, which: usize, what: Move, step: &mut Step) {
    match what {
        Move::Tick => set.tick(at, step),
        // Acts that do not fit are refused; that is part of the walk.
        _ => drop(set.apply(at, &alarms()[which].0, what.event(seconds), step)),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn a_restart_at_any_moment_changes_nothing_but_the_sight(
        moves in walk(),
        which in proptest::collection::vec(0..4usize, 60),
        cut in 0..60usize,
    ) {
        let cut = cut.min(moves.len());
        let (mut set, mut now_s) = (new_set(), 0);
        for (n, (wait_s, what)) in moves[..cut].iter().enumerate() {
            now_s += wait_s;
            go(&mut set, at_s(now_s), now_s, which[n], *what, &mut Step::default());
        }
        let stop = at_s(now_s);
        set.tick(stop, &mut Step::default());
        let image = set.image(stop);
        let (mut on_a, mut on_b) = (Step::default(), Step::default());
        let start = after_restart(stop, stop);
        let mut again = AlarmSet::restore(through_json(&image), start, alarms(), FLOOD, &mut on_b);
        set.lose_sight(stop, &mut on_a);
        prop_assert_eq!(told(&on_b), Vec::<String>::new(), "a restart raises and clears nothing");
        for (n, (wait_s, what)) in moves[cut..].iter().enumerate() {
            now_s += wait_s;
            go(&mut set, at_s(now_s), now_s, which[cut + n], *what, &mut on_a);
            go(&mut again, after_restart(at_s(now_s), stop), now_s, which[cut + n], *what, &mut on_b);
        }
        prop_assert_eq!(told(&on_a), told(&on_b));
        prop_assert_eq!(set.image(at_s(now_s)), again.image(after_restart(at_s(now_s), stop)));
    }

    #[test]
    fn a_set_of_alarms_chains_its_records_and_keeps_its_size(
        moves in walk(),
        which in proptest::collection::vec(0..4usize, 60),
    ) {
        let (mut set, mut now_s, mut step) = (new_set(), 0, Step::default());
        for (n, (wait_s, what)) in moves.iter().enumerate() {
            now_s += wait_s;
            go(&mut set, at_s(now_s), now_s, which[n], *what, &mut step);
            prop_assert!(set.flood.counts_until().len() <= FLOOD.begins_above as usize + 1);
            prop_assert_eq!(set.entries().len(), 4);
        }
        for (id, _) in alarms() {
            let mut state = AlarmState::Normal;
            for record in step.transitions.iter().filter(|t| t.alarm == id) {
                prop_assert_eq!(record.from, state);
                state = record.to;
            }
            prop_assert_eq!(set.get(&id).unwrap().alarm.state(), state);
        }
    }
}

#[test]
fn a_shelving_that_ran_out_while_the_program_was_away_ends_at_once() {
    let (mut set, id) = (AlarmSet::new(FLOOD), pump_alarm());
    set.configure(at_s(0), [(id.clone(), prompt())], FLOOD, &mut Step::default());
    set.tell(at_s(1), &id, Condition::True, Some(clock_stepped(5)), &mut Step::default()).unwrap();
    let shelve = Event::Shelve { by: operator(), until: at_s(100).wall, approved: true };
    set.apply(at_s(2), &id, shelve, &mut Step::default()).unwrap();
    let image = through_json(&set.image(at_s(10)));

    for (away_s, ended) in [(89, false), (90, true)] {
        let start = Instant2 { wall: at_s(10 + away_s).wall, mono: MonoMs(0) };
        let mut step = Step::default();
        let mut again = AlarmSet::restore(image.clone(), start, [(id.clone(), prompt())], FLOOD, &mut step);
        again.tick(start, &mut step);
        assert_eq!(again.get(&id).unwrap().alarm.shelving().is_none(), ended, "{away_s}");
        assert_eq!(again.get(&id).unwrap().story, Some(clock_stepped(5)));
        assert_eq!(step.transitions.iter().any(|t| t.cause == Cause::ShelvingExpired), ended);
    }
    // A wall clock that went back while the program was away shortens nothing.
    let start = Instant2 { wall: at_s(0).wall, mono: MonoMs(0) };
    let again = AlarmSet::restore(image, start, [(id.clone(), prompt())], FLOOD, &mut Step::default());
    assert_eq!(again.next_due(), Some(MonoMs(90_000)));
}

#[test]
fn an_alarm_that_the_new_configuration_lacks_is_disabled_on_the_record() {
    let mut set = new_set();
    let (id, settings) = alarms()[0].clone();
    set.tell(at_s(1), &id, Condition::True, None, &mut Step::default()).unwrap();
    set.tick(at_s(9), &mut Step::default());
    let mut step = Step::default();
    let kept = alarms()[1].clone();
    let again = AlarmSet::restore(set.image(at_s(10)), at_s(20), [kept], FLOOD, &mut step);
    assert!(again.get(&id).is_none());
    let gone = step.transitions.iter().find(|t| t.alarm == id).unwrap();
    assert_eq!((gone.from, gone.to), (AlarmState::Unacknowledged, AlarmState::Disabled));
    assert_eq!(settings.on_delay_ms, 3000);
}
