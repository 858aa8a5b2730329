//! Random walks of one alarm beside a model that is written another way: second by second, one shown state at a time.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::super::machine::{Alarm, RULES_MAX};
use super::super::settings::{AlarmSettings, ChatterSettings, Priority};
use super::super::state::{AlarmState, Announcement, Cause, Condition, Event, Transition};
use super::{at_s, operator, prompt, pump_alarm};

/// What can happen, without times of its own.
#[derive(Debug, Clone, Copy)]
pub(super) enum Move {
    Look(Condition),
    Tick,
    Acknowledge,
    Reset,
    Shelve(u64),
    Unshelve,
    Suppress(u8),
    Unsuppress(u8),
    Out,
    Return,
}

impl Move {
    pub(super) fn event(self, seconds: u64) -> Event {
        match self {
            Move::Look(condition) => Event::Condition(condition),
            Move::Tick => Event::Tick,
            Move::Acknowledge => Event::Acknowledge(operator()),
            Move::Reset => Event::Reset(operator()),
            Move::Shelve(for_s) => Event::Shelve { by: operator(), until: at_s(seconds + for_s).wall, approved: true },
            Move::Unshelve => Event::Unshelve(operator()),
            Move::Suppress(rule) => Event::Suppress { rule: format!("rule {rule}") },
            Move::Unsuppress(rule) => Event::Unsuppress { rule: format!("rule {rule}") },
            Move::Out => Event::TakeOutOfService { by: operator(), until: None, approved: true },
            Move::Return => Event::ReturnToService(operator()),
        }
    }
}

pub(super) fn any_move() -> impl Strategy<Value = Move> {
    prop_oneof![
        4 => Just(Move::Look(Condition::True)),
        4 => Just(Move::Look(Condition::False)),
        1 => Just(Move::Look(Condition::Unknown)),
        2 => Just(Move::Tick),
        2 => Just(Move::Acknowledge),
        1 => Just(Move::Reset),
        1 => (1..40u64).prop_map(Move::Shelve),
        1 => Just(Move::Unshelve),
        1 => (0..3u8).prop_map(Move::Suppress),
        1 => (0..3u8).prop_map(Move::Unsuppress),
        1 => Just(Move::Out),
        1 => Just(Move::Return),
    ]
}

/// Moves, each with the seconds that pass before it.
pub(super) fn walk() -> impl Strategy<Value = Vec<(u64, Move)>> {
    proptest::collection::vec((0..12u64, any_move()), 1..60)
}

/// The model: what a person would keep on paper.
#[expect(clippy::struct_excessive_bools, reason = "facts that are independent of each other, each read by its name")]
struct Paper {
    on_s: u64,
    off_s: u64,
    latching: bool,
    now_s: u64,
    condition: Condition,
    active: bool,
    /// Seconds for which the condition has been known to contradict `active`.
    against_s: u64,
    /// One of the six states of an alarm that is not set aside.
    beneath: AlarmState,
    shelved_until_s: Option<u64>,
    rules: BTreeSet<u8>,
    out: bool,
    /// It was raised since it was set aside.
    raised_aside: bool,
    changes: Vec<(AlarmState, AlarmState)>,
    /// Every raise (true) and return of the condition, set aside or not.
    log: Vec<bool>,
    /// Announcements: as it is raised or set free, the second time beneath nothing.
    announced: u32,
}

impl Paper {
    fn shown(&self) -> AlarmState {
        match (self.out, self.rules.is_empty(), self.shelved_until_s) {
            (true, ..) => AlarmState::OutOfService,
            (_, false, _) => AlarmState::SuppressedByDesign,
            (_, _, Some(_)) => AlarmState::Shelved,
            _ => self.beneath,
        }
    }

    fn aside(&self) -> bool {
        self.out || !self.rules.is_empty() || self.shelved_until_s.is_some()
    }

    fn change(&mut self, edit: impl FnOnce(&mut Paper)) {
        let (before, aside) = (self.shown(), self.aside());
        edit(self);
        if aside && !self.aside() {
            let raised_aside = std::mem::take(&mut self.raised_aside);
            self.announced += u32::from(self.active || raised_aside && self.latching);
            self.beneath = match (self.active, self.beneath) {
                (true, _) => AlarmState::Unacknowledged,
                (false, _) if raised_aside && self.latching => AlarmState::LatchedUnacknowledged,
                // A latching alarm that was before the operator when it was set aside stays latched.
                (false, AlarmState::Unacknowledged | AlarmState::LatchedUnacknowledged) if self.latching => {
                    AlarmState::LatchedUnacknowledged
                }
                (false, AlarmState::Acknowledged | AlarmState::LatchedAcknowledged) if self.latching => {
                    AlarmState::LatchedAcknowledged
                }
                (false, _) => AlarmState::Normal,
            };
        }
        if self.shown() != before {
            self.changes.push((before, self.shown()));
        }
    }

    fn settle(&mut self) {
        let needed_s = if self.active { self.off_s } else { self.on_s };
        let against = match self.condition {
            Condition::Unknown => return,
            Condition::True => !self.active,
            Condition::False => self.active,
        };
        if !against {
            self.against_s = 0;
        } else if self.against_s >= needed_s {
            self.against_s = 0;
            self.change(|paper| {
                paper.active = !paper.active;
                paper.log.push(paper.active);
                if paper.aside() {
                    paper.raised_aside |= paper.active;
                    return;
                }
                paper.announced += u32::from(paper.active);
                paper.beneath = match (paper.active, paper.beneath) {
                    (true, _) => AlarmState::Unacknowledged,
                    (false, AlarmState::Acknowledged) if paper.latching => AlarmState::LatchedAcknowledged,
                    (false, AlarmState::Acknowledged) => AlarmState::Normal,
                    (false, _) if paper.latching => AlarmState::LatchedUnacknowledged,
                    (false, _) => AlarmState::ReturnedUnacknowledged,
                };
            });
        }
    }

    fn second(&mut self) {
        self.now_s += 1;
        if self.condition != Condition::Unknown && (self.condition == Condition::True) != self.active {
            self.against_s += 1;
        }
        self.settle();
        if self.shelved_until_s.is_some_and(|until| until <= self.now_s) {
            self.change(|paper| paper.shelved_until_s = None);
        }
    }

    fn happen(&mut self, what: Move) {
        use AlarmState as S;
        let shown = self.shown();
        match what {
            Move::Tick => {}
            Move::Look(condition) => {
                self.condition = condition;
                self.settle();
            }
            Move::Acknowledge => self.change(|paper| {
                paper.beneath = match shown {
                    S::Unacknowledged => S::Acknowledged,
                    S::ReturnedUnacknowledged => S::Normal,
                    S::LatchedUnacknowledged => S::LatchedAcknowledged,
                    _ => return,
                }
            }),
            Move::Reset => self.change(|paper| {
                paper.beneath = match shown {
                    S::LatchedUnacknowledged => S::ReturnedUnacknowledged,
                    S::LatchedAcknowledged => S::Normal,
                    _ => return,
                }
            }),
            Move::Shelve(for_s) => self.change(|paper| paper.shelved_until_s = Some(paper.now_s + for_s)),
            Move::Unshelve => self.change(|paper| paper.shelved_until_s = None),
            Move::Suppress(rule) => self.change(|paper| {
                paper.rules.insert(rule);
            }),
            Move::Unsuppress(rule) => self.change(|paper| {
                paper.rules.remove(&rule);
            }),
            Move::Out => self.change(|paper| paper.out = true),
            Move::Return => self.change(|paper| paper.out = false),
        }
    }
}

fn walk_alarm(settings: AlarmSettings, moves: &[(u64, Move)]) -> (Alarm, Vec<Transition>) {
    let mut alarm = Alarm::new(pump_alarm(), settings);
    let (mut records, mut now_s) = (Vec::new(), 0);
    for (wait_s, what) in moves {
        now_s += wait_s;
        // Acts that do not fit are refused; that is part of the walk.
        let _ = alarm.apply(at_s(now_s), what.event(now_s), &mut records);
    }
    (alarm, records)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn an_alarm_goes_the_way_of_the_model(
        on_s in 0..15u64,
        off_s in 0..15u64,
        latching: bool,
        moves in walk(),
    ) {
        let settings = AlarmSettings { on_delay_ms: 1000 * on_s, off_delay_ms: 1000 * off_s, latching, ..prompt() };
        let (alarm, records) = walk_alarm(settings, &moves);
        let mut paper = Paper {
            on_s,
            off_s,
            latching,
            now_s: 0,
            condition: Condition::Unknown,
            active: false,
            against_s: 0,
            beneath: AlarmState::Normal,
            shelved_until_s: None,
            rules: BTreeSet::new(),
            out: false,
            raised_aside: false,
            changes: Vec::new(),
            log: Vec::new(),
            announced: 0,
        };
        for (wait_s, what) in &moves {
            for _ in 0..*wait_s {
                paper.second();
            }
            paper.happen(*what);
        }
        let changes: Vec<_> = records.iter().map(|r| (r.from, r.to)).filter(|(from, to)| from != to).collect();
        prop_assert_eq!(changes, paper.changes.clone());
        let logged = records.iter().filter_map(|r| match r.cause {
            Cause::ConditionTrue => Some(true),
            Cause::ConditionFalse => Some(false),
            _ => None,
        });
        prop_assert_eq!(logged.collect::<Vec<_>>(), paper.log.clone(), "every raise and return is on the record");
        let announced = records.iter().filter(|r| r.announcement == Announcement::Now).count() as u32;
        prop_assert_eq!(announced, paper.announced);
        prop_assert_eq!(alarm.state(), paper.shown());
        prop_assert_eq!(alarm.active(), paper.active);
    }

    #[test]
    fn what_must_hold_on_every_walk_holds(latching: bool, moves in walk()) {
        let chatter = ChatterSettings { raises: 3, within_ms: 20_000, quiet_ms: 30_000 };
        let settings = AlarmSettings { latching, chatter, on_delay_ms: 1000, ..prompt() };
        let (mut alarm, records) = walk_alarm(settings, &moves);
        let mut state = AlarmState::Normal;
        let aside = [AlarmState::Shelved, AlarmState::SuppressedByDesign, AlarmState::OutOfService];
        for record in &records {
            prop_assert_eq!(record.from, state, "records chain");
            state = record.to;
            let announces = record.announcement != Announcement::None;
            let latched_now = latching && record.to == AlarmState::LatchedUnacknowledged && aside.contains(&record.from);
            prop_assert!(
                !announces || record.to == AlarmState::Unacknowledged || latched_now,
                "only what is active, or was raised unseen, is announced"
            );
            let raised = record.cause == Cause::ConditionTrue;
            prop_assert!(
                !raised || record.from != record.to || aside.contains(&record.from),
                "never active twice before the operator"
            );
            let gone = record.cause == Cause::ConditionFalse;
            if record.from == AlarmState::Acknowledged && gone {
                let to = if latching { AlarmState::LatchedAcknowledged } else { AlarmState::Normal };
                prop_assert_eq!(record.to, to);
            }
            let latched = [AlarmState::LatchedAcknowledged, AlarmState::LatchedUnacknowledged];
            let clear = [AlarmState::Normal, AlarmState::ReturnedUnacknowledged];
            if latched.contains(&record.from) && clear.contains(&record.to) {
                prop_assert_eq!(&record.cause, &Cause::Reset);
            }
            prop_assert!(latching || !latched.contains(&record.to));
        }
        prop_assert_eq!(alarm.state(), state);
        prop_assert!(alarm.rules().len() <= RULES_MAX && alarm.chatter.counts_until().len() <= 3);

        // Time alone ends every shelving and all chattering. A raise that was still due may have begun one.
        let end_s = moves.iter().map(|(wait_s, _)| wait_s).sum::<u64>() + 100;
        for tick_s in [end_s, end_s + 100] {
            alarm.apply(at_s(tick_s), Event::Tick, &mut Vec::new()).unwrap();
        }
        prop_assert!(alarm.shelving().is_none() && !alarm.chattering());
        prop_assert_eq!(alarm.next_due(), None);
    }

    /// A critical alarm chatters, and is announced all the same; nobody sets it aside without approval.
    #[test]
    fn nothing_holds_back_a_critical_alarm(moves in walk()) {
        let chatter = ChatterSettings { raises: 2, within_ms: 60_000, quiet_ms: 60_000 };
        let settings = AlarmSettings { priority: Priority::Critical, chatter, ..prompt() };
        let (mut alarm, records) = walk_alarm(settings, &moves);
        for record in &records {
            let comes = record.to == AlarmState::Unacknowledged && record.from != record.to;
            prop_assert_eq!(comes, record.announcement == Announcement::Now, "{:?}", record);
            prop_assert!(record.announcement != Announcement::HeldChattering);
        }
        let now = at_s(moves.iter().map(|(wait_s, _)| wait_s).sum());
        let (shelve, out) = (
            Event::Shelve { by: operator(), until: at_s(1_000_000).wall, approved: false },
            Event::TakeOutOfService { by: operator(), until: None, approved: false },
        );
        for act in [shelve, out] {
            prop_assert!(alarm.apply(now, act, &mut Vec::new()).is_err());
        }
    }

    #[test]
    fn it_does_not_matter_when_one_ticks(moves in walk()) {
        let settings = AlarmSettings { on_delay_ms: 4000, off_delay_ms: 7000, latching: true, ..prompt() };
        let every_second: Vec<(u64, Move)> = moves
            .iter()
            .flat_map(|(wait_s, what)| {
                std::iter::repeat_n((1, Move::Tick), *wait_s as usize).chain(std::iter::once((0, *what)))
            })
            .collect();
        let path = |records: &[Transition]| {
            records.iter().map(|r| (r.from, r.to, r.cause.clone(), r.announcement)).collect::<Vec<_>>()
        };
        let (seldom, often) = (walk_alarm(settings, &moves), walk_alarm(settings, &every_second));
        prop_assert_eq!(path(&seldom.1), path(&often.1));
        prop_assert_eq!(seldom.0.state(), often.0.state());
    }
}
