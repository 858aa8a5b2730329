//! The alarms of one operator position: each by its name, with the flood control over them all.
//!
//! Memory is constant per alarm. Must never invent an alarm: only configured ones exist.

use std::collections::{BTreeMap, BTreeSet};

use super::flood::{Digest, DigestAlarm, Flood, FloodNews, counts_for_flood};
use super::id::AlarmId;
use super::machine::Alarm;
use super::operator::Refused;
use super::settings::{AlarmSettings, FloodSettings, Priority};
use super::shelf::ShelfSettings;
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
    pub(super) shelf: ShelfSettings,
}

impl AlarmSet {
    /// None yet.
    pub fn new(flood: FloodSettings) -> AlarmSet {
        AlarmSet { entries: BTreeMap::new(), flood: Flood::new(flood), shelf: ShelfSettings::default() }
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
            let entry = self.entries.entry(id.clone()).or_insert_with(fresh);
            let before = step.transitions.len();
            entry.alarm.take_settings(at, settings, &mut step.transitions);
            // What became critical is announced, and so no longer held.
            entry.held_by_flood &= step.transitions.len() == before;
        }
        let gone: Vec<AlarmId> = self.entries.keys().filter(|id| !kept.contains(*id)).cloned().collect();
        for id in gone {
            // Disabling is never refused.
            let _ = self.apply(at, &id, Event::Disable, step);
            step.gone.extend(self.entries.remove(&id));
        }
        self.flood.settings = flood;
    }

    /// Says how many alarms may be shelved at once. Those that are shelved stay so.
    pub fn limit_shelving(&mut self, shelf: ShelfSettings) {
        self.shelf = shelf;
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
        let full = matches!(event, Event::Shelve { .. }) && self.shelf_is_full(at.mono, id);
        let Some(entry) = self.entries.get_mut(id) else { return Err(Refused::UnknownAlarm(id.to_string())) };
        let before = step.transitions.len();
        let done = if full {
            // Time passes all the same, and an alarm that is disabled says so.
            let shelved = entry.alarm.apply(at, Event::Tick, &mut step.transitions);
            shelved.and(Err(Refused::TooManyShelved { max: self.shelf.at_once }))
        } else {
            entry.alarm.apply(at, event, &mut step.transitions)
        };
        for transition in &mut step.transitions[before..] {
            weigh(&mut self.flood, entry, transition, &mut step.floods);
        }
        done
    }

    /// True when no alarm beside those that are shelved may be. To shelve one of them anew takes no place.
    fn shelf_is_full(&self, now: MonoMs, id: &AlarmId) -> bool {
        let shelved = |entry: &Entry| entry.alarm.shelving().is_some_and(|shelving| shelving.due > now);
        let others = self.entries.values().filter(|entry| entry.alarm.id() != id && shelved(entry));
        others.count() >= self.shelf.at_once as usize && !self.entries.get(id).is_some_and(shelved)
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

    /// When a flood begins and ends.
    pub fn flood_settings(&self) -> FloodSettings {
        self.flood.settings
    }

    /// True while a flood lasts.
    pub fn flooded(&self) -> bool {
        self.flood.active()
    }

    /// What is held back by the flood at present.
    pub fn digest(&self) -> Digest {
        let mut alarms: Vec<DigestAlarm> = self
            .entries
            .values()
            .filter(|e| e.held_by_flood && e.alarm.state().wants_acknowledgement())
            .map(|e| DigestAlarm {
                priority: e.alarm.settings().priority,
                id: e.alarm.id().clone(),
                raised_at: e.alarm.active_since(),
            })
            .collect();
        alarms.sort_by(|a, b| b.priority.cmp(&a.priority).then_with(|| a.id.cmp(&b.id)));
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

/// Counts an alarm that is raised, and holds its announcement in a flood; never that of a critical one.
fn weigh(flood: &mut Flood, entry: &mut Entry, transition: &mut Transition, news: &mut Vec<FloodNews>) {
    if transition.announcement != Announcement::Now {
        return;
    }
    if counts_for_flood(&transition.alarm) && flood.note(transition.at.mono) {
        news.push(FloodNews::Began { at: transition.at });
    }
    entry.held_by_flood = flood.active() && entry.alarm.settings().priority != Priority::Critical;
    if entry.held_by_flood {
        transition.announcement = Announcement::HeldFlood;
    }
}
