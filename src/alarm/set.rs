//! The alarms of one operator position: each by its name, with the flood control over them all.
//!
//! Memory is constant per alarm. Must never invent an alarm: only configured ones exist.

use std::collections::{BTreeMap, BTreeSet};

use super::flood::{Digest, Flood, FloodNews};
use super::id::AlarmId;
use super::machine::Alarm;
use super::operator::Refused;
use super::settings::{AlarmSettings, FloodSettings, Priority};
use super::state::{Announcement, Condition, Event, Transition};
use super::words::Story;
use crate::reading::{Instant2, MonoMs};

/// What followed from one call.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Step {
    /// Transitions, in order.
    pub transitions: Vec<Transition>,
    /// Floods that began or ended.
    pub floods: Vec<FloodNews>,
    /// Alarms that the configuration no longer has, as they were last: whoever was told of them is told that they are gone.
    pub gone: Vec<Entry>,
}

impl Step {
    /// The alarm of a transition after the step, also when it is gone with it.
    pub fn entry<'a>(&'a self, set: &'a AlarmSet, id: &AlarmId) -> Option<&'a Entry> {
        set.get(id).or_else(|| self.gone.iter().find(|entry| entry.alarm.id() == id))
    }
}

/// One alarm of a set, with what is told about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The alarm.
    pub alarm: Alarm,
    /// What is wrong, as last told while it was.
    pub story: Option<Story>,
    /// Its announcement waits for the end of the flood.
    pub(super) held_by_flood: bool,
}

/// Alarms by name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlarmSet {
    pub(super) entries: BTreeMap<AlarmId, Entry>,
    pub(super) flood: Flood,
}

impl AlarmSet {
    /// None yet.
    pub fn new(flood: FloodSettings) -> AlarmSet {
        AlarmSet { entries: BTreeMap::new(), flood: Flood::new(flood) }
    }

    /// Takes a configuration: new alarms start normal, known ones get their new settings and keep their state, those left
    /// out are disabled and forgotten.
    pub fn configure(
        &mut self,
        at: Instant2,
        alarms: impl IntoIterator<Item = (AlarmId, AlarmSettings)>,
        flood: FloodSettings,
        step: &mut Step,
    ) {
        let mut kept = BTreeSet::new();
        for (id, settings) in alarms {
            kept.insert(id.clone());
            let fresh = || Entry { alarm: Alarm::new(id.clone(), settings), story: None, held_by_flood: false };
            self.entries.entry(id.clone()).or_insert_with(fresh).alarm.settings = settings;
        }
        let gone: Vec<AlarmId> = self.entries.keys().filter(|id| !kept.contains(*id)).cloned().collect();
        for id in gone {
            // Disabling is never refused.
            let _ = self.apply(at, &id, Event::Disable, step);
            step.gone.extend(self.entries.remove(&id));
        }
        self.flood.settings = flood;
    }

    /// Tells the condition of an alarm, and its story while the condition is true.
    pub fn tell(
        &mut self,
        at: Instant2,
        id: &AlarmId,
        condition: Condition,
        story: Option<Story>,
        step: &mut Step,
    ) -> Result<(), Refused> {
        if let (Some(story), Some(entry)) = (story, self.entries.get_mut(id)) {
            entry.story = Some(story);
        }
        self.apply(at, id, Event::Condition(condition), step)
    }

    /// Lets an event happen to one alarm. An act that does not fit is refused; what time brought is in the step all the same.
    pub fn apply(&mut self, at: Instant2, id: &AlarmId, event: Event, step: &mut Step) -> Result<(), Refused> {
        self.pass_flood(at, step);
        let Some(entry) = self.entries.get_mut(id) else { return Err(Refused::UnknownAlarm(id.to_string())) };
        let before = step.transitions.len();
        let done = entry.alarm.apply(at, event, &mut step.transitions);
        for transition in &mut step.transitions[before..] {
            weigh(&mut self.flood, entry, transition, &mut step.floods);
        }
        done
    }

    /// Lets time pass for all of them.
    pub fn tick(&mut self, at: Instant2, step: &mut Step) {
        self.pass_flood(at, step);
        for entry in self.entries.values_mut() {
            if entry.alarm.next_due().is_none_or(|due| due > at.mono) {
                continue;
            }
            let before = step.transitions.len();
            // Time passing is never refused.
            let _ = entry.alarm.apply(at, Event::Tick, &mut step.transitions);
            for transition in &mut step.transitions[before..] {
                weigh(&mut self.flood, entry, transition, &mut step.floods);
            }
        }
    }

    /// Ends the suppressions of rules that no longer exist.
    pub fn keep_rules(&mut self, at: Instant2, exists: impl Fn(&str) -> bool, step: &mut Step) {
        let gone: Vec<(AlarmId, String)> = self
            .entries
            .iter()
            .flat_map(|(id, entry)| entry.alarm.rules().iter().map(move |rule| (id.clone(), rule.clone())))
            .filter(|(_, rule)| !exists(rule))
            .collect();
        for (id, rule) in gone {
            // Ending a suppression is never refused.
            let _ = self.apply(at, &id, Event::Unsuppress { rule }, step);
        }
    }

    /// When time alone next changes something: the latest time for a [`AlarmSet::tick`].
    pub fn next_due(&self) -> Option<MonoMs> {
        self.entries.values().filter_map(|e| e.alarm.next_due()).chain(self.flood.ends_at()).min()
    }

    /// All alarms, by name.
    pub fn entries(&self) -> impl ExactSizeIterator<Item = &Entry> {
        self.entries.values()
    }

    /// One alarm.
    pub fn get(&self, id: &AlarmId) -> Option<&Entry> {
        self.entries.get(id)
    }

    /// True while a flood lasts.
    pub fn flooded(&self) -> bool {
        self.flood.active()
    }

    /// What is held back by the flood at present.
    pub fn digest(&self) -> Digest {
        let mut alarms: Vec<(Priority, AlarmId)> = self
            .entries
            .values()
            .filter(|e| e.held_by_flood && e.alarm.state().wants_acknowledgement())
            .map(|e| (e.alarm.settings().priority, e.alarm.id().clone()))
            .collect();
        alarms.sort_by(|(p, id), (q, other)| q.cmp(p).then_with(|| id.cmp(other)));
        Digest { alarms }
    }

    fn pass_flood(&mut self, at: Instant2, step: &mut Step) {
        if self.flood.pass_time(at.mono) {
            step.floods.push(FloodNews::Ended { at, digest: self.digest() });
            for entry in self.entries.values_mut() {
                entry.held_by_flood = false;
            }
        }
    }
}

/// Counts an alarm that comes, and holds its announcement in a flood.
fn weigh(flood: &mut Flood, entry: &mut Entry, transition: &mut Transition, news: &mut Vec<FloodNews>) {
    if transition.announcement != Announcement::Now {
        return;
    }
    if flood.note(transition.at.mono) {
        news.push(FloodNews::Began { at: transition.at });
    }
    entry.held_by_flood = flood.active() && entry.alarm.settings().priority != Priority::Critical;
    if entry.held_by_flood {
        transition.announcement = Announcement::HeldFlood;
    }
}
