//! What is told of an alarm, put into the set: its condition, its story, and whether its pump has stopped since. Must never
//! apply what is no news.

use super::from_audit::Told;
use super::set::{AlarmSet, Step};
use super::state::{Condition, Event};
use crate::reading::Instant2;

/// How much of what is shown of an alarm has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Change {
    /// Nothing.
    None,
    /// Figures, and what is seen with it.
    Figures,
    /// What it is or what is to be done.
    Matter,
}

impl AlarmSet {
    /// Tells the alarm what is new about it, and says how much of that is worth showing. One that is not configured hears
    /// nothing.
    pub fn hear(&mut self, now: Instant2, mut told: Told, step: &mut Step) -> Change {
        let Some(entry) = self.get(&told.id) else { return Change::None };
        if let (None, Some(stopped), Some(story)) = (&told.story, told.pump_stopped, &entry.story) {
            told.story = story.with_pump_stopped(stopped).filter(|_| told.condition == Condition::Unknown);
        }
        let change = match (&told.story, &entry.story) {
            _ if told.condition != entry.alarm.condition() => Change::Matter,
            _ if told.told_by.is_some() && entry.alarm.active() => Change::Matter,
            (Some(new), Some(old)) if new == old => Change::None,
            (Some(new), Some(old)) if new.says_to_do_as(old) => Change::Figures,
            (Some(_), _) => Change::Matter,
            (None, _) => Change::None,
        };
        if change != Change::None {
            // Only an act can be refused.
            let _ = match told.told_by {
                Some(by) => self.apply(now, &told.id, Event::ToldElsewhere { by }, step),
                None => self.tell(now, &told.id, told.condition, told.story, step),
            };
        }
        change
    }
}
