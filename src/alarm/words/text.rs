//! One alarm as a person reads it: headline, story, state, cautions before what to do. Must never decide.

use std::fmt;

use super::{Story, title};
use crate::alarm::set::Entry;
use crate::alarm::state::{AlarmState, Condition};
use crate::audit::cautions::{self, Caution};

/// One alarm as a person reads it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlarmText {
    /// "critical: Larkmoor North, Pump 1: pump runs on two phases".
    pub headline: String,
    /// State, and since when.
    pub state: String,
    /// The story; `None` when its cause was never told.
    pub story: Option<Story>,
    /// What is to be read before what to do; empty when that is not at a panel.
    pub cautions: Vec<Caution>,
}

impl AlarmText {
    /// The text of an alarm. `since` is the time at which its cause came, as the reader writes times.
    pub fn of(entry: &Entry, since: Option<&str>) -> AlarmText {
        let alarm = &entry.alarm;
        let priority = alarm.settings().priority.key();
        let since = since.filter(|_| alarm.state() != AlarmState::Normal);
        let mut state =
            capital(alarm.state().words()) + &since.map_or_else(String::new, |since| format!(", since {since}"));
        if alarm.condition() == Condition::Unknown {
            state.push_str("; at present it cannot be told whether the cause is still there");
        }
        if alarm.chattering() {
            state.push_str("; it comes and goes, so further announcements are held");
        }
        state.push('.');
        AlarmText {
            headline: format!("{}: {}: {}", capital(priority), alarm.id().place, title(alarm.id().kind)),
            state,
            story: entry.story.clone(),
            cautions: entry.story.as_ref().map_or_else(Vec::new, cautions_of),
        }
    }
}

/// The cautions before what a story says to do; those of an unknown installation where it brings none.
fn cautions_of(story: &Story) -> Vec<Caution> {
    match story {
        Story { at_panel: false, .. } => Vec::new(),
        Story { cautions, .. } if cautions.is_empty() => cautions::general(),
        Story { cautions, .. } => cautions.clone(),
    }
}

impl fmt::Display for AlarmText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.headline)?;
        if let Some(story) = &self.story {
            writeln!(f, "{} {}", story.what, story.means)?;
        }
        writeln!(f, "{}", self.state)?;
        let Some(story) = &self.story else { return Ok(()) };
        writeln!(f, "How sure: {}.", story.sure)?;
        if !story.attached.is_empty() {
            writeln!(f, "Seen with it: {}.", story.attached.join("; "))?;
        }
        if !self.cautions.is_empty() {
            writeln!(f, "Before any work at a panel:")?;
            for (n, caution) in self.cautions.iter().enumerate() {
                writeln!(f, "  {}. {caution}", n + 1)?;
            }
        }
        writeln!(f, "What to do: {}", story.action)
    }
}

/// The text with a capital letter first.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
