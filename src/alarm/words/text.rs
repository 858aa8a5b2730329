//! One alarm as a person reads it: headline, one line, state, cautions, story, what to do. Must never decide.

use std::fmt;

use super::state_text::state_text;
use super::{Story, capital, title};
use crate::alarm::id::AlarmKind;
use crate::alarm::rationale::Class;
use crate::alarm::set::Entry;
use crate::alarm::settings::Priority;
use crate::reading::UnixMs;

/// Longest line of a message, characters: what one text message takes with room for its sender.
pub const LINE_MAX: usize = 140;
/// Longest part of it that a story gives, characters, so that priority and place have room.
pub const STORY_LINE_MAX: usize = 102;

/// One alarm as a person reads it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlarmText {
    /// "Supply phase lost: pump running on two phases".
    pub title: String,
    /// "Critical: Larkmoor North, Pump 1: Supply phase lost: pump running on two phases".
    pub headline: String,
    /// At most [`LINE_MAX`] characters, complete in itself: "CRIT Larkmoor North, Pump 1: phase B lost, ...".
    pub line: String,
    /// State, and since when.
    pub state: String,
    /// The story as it is to be told now; `None` when its cause was never told.
    pub story: Option<Story>,
    /// What is to be read before what to do; empty when nothing of it is at a panel.
    pub cautions: Vec<String>,
}

impl AlarmText {
    /// The text of an alarm; `time` writes a time as the reader wants it.
    pub fn of(entry: &Entry, time: &dyn Fn(UnixMs) -> String) -> AlarmText {
        let alarm = &entry.alarm;
        let (kind, priority) = (alarm.id().kind, alarm.settings().priority);
        let story = entry.story.as_ref().map(|story| story.now().into_owned());
        let title = story.as_ref().and_then(|s| s.title.as_deref()).unwrap_or_else(|| title(kind));
        let place = alarm.id().place.to_string();
        let rest = story.as_ref().map_or_else(|| title.to_owned(), |story| story.line.clone());
        AlarmText {
            title: title.to_owned(),
            headline: format!("{}: {place}: {title}", head(kind, priority)),
            line: line(kind, priority, &place, &rest),
            state: state_text(entry, time),
            cautions: story.as_ref().map(|story| story.cautions.clone()).unwrap_or_default(),
            story,
        }
    }
}

/// How urgent, in full: "Critical", "Work order (low)", "Event".
fn head(kind: AlarmKind, priority: Priority) -> String {
    match kind.class() {
        Class::Alarm => capital(priority.key()),
        Class::WorkOrder => format!("Work order ({})", priority.key()),
        Class::Event => Class::Event.words().to_owned(),
    }
}

/// One line of at most [`LINE_MAX`] characters. A long place is cut, never what to do.
fn line(kind: AlarmKind, priority: Priority, place: &str, rest: &str) -> String {
    let urgency = match (kind.class(), priority) {
        (Class::Event, _) => "EVENT",
        (_, Priority::Critical) => "CRIT",
        (_, Priority::High) => "HIGH",
        (_, Priority::Medium) => "MED",
        (_, Priority::Low) => "LOW",
    };
    let taken = urgency.chars().count() + rest.chars().count() + 3;
    format!("{urgency} {}: {rest}", cut(place, LINE_MAX.saturating_sub(taken)))
}

/// At most so many characters, with a sign where some are left out.
pub(super) fn cut(text: &str, max: usize) -> String {
    if text.chars().count() <= max {
        return text.to_owned();
    }
    text.chars().take(max.saturating_sub(1)).chain(['…']).collect()
}

impl fmt::Display for AlarmText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.headline)?;
        writeln!(f, "{}", self.line)?;
        writeln!(f, "{}", self.state)?;
        if !self.cautions.is_empty() {
            writeln!(f, "Before any work at a panel:")?;
            for caution in &self.cautions {
                writeln!(f, "  - {caution}")?;
            }
        }
        let Some(story) = &self.story else { return Ok(()) };
        writeln!(f, "{} {}", story.what, story.means)?;
        if !story.attached.is_empty() {
            writeln!(f, "Seen with it: {}.", story.attached.join("; "))?;
        }
        if story.steps.is_empty() {
            return Ok(());
        }
        writeln!(f, "What to do:")?;
        story.steps.iter().enumerate().try_for_each(|(n, step)| writeln!(f, "  {}. {step}", n + 1))
    }
}
