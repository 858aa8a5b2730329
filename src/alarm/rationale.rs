//! The rationalization of every kind of alarm: cause, consequence, action, time to respond, priority and why, as one table
//! from which titles, default priorities, the alarm guide, the API's list and the CSV are made. Must never decide when an
//! alarm comes.
//!
//! A kind that asks an operator to act is an alarm; one that waits for a planned visit is a work order; one that asks nobody
//! is an event. The shares of priorities are those of ISA-18.2 / IEC 62682, from memory: the texts were not readable.

pub mod guide;
mod table;

use serde::{Deserialize, Serialize};

use super::id::AlarmKind;
use super::settings::Priority;

/// Longest title, characters.
pub const TITLE_MAX: usize = 60;

/// What a kind asks of people.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// Nothing: it is journaled and listed.
    Event,
    /// A planned visit by a technician or an engineer: it is listed and routed apart, and never wakes anybody.
    WorkOrder,
    /// An action of an operator, now.
    Alarm,
}

impl Class {
    /// All of them, the most urgent first.
    pub const ALL: [Class; 3] = [Class::Alarm, Class::WorkOrder, Class::Event];

    /// Stable word for machines.
    pub fn key(self) -> &'static str {
        match self {
            Class::Alarm => "alarm",
            Class::WorkOrder => "work_order",
            Class::Event => "event",
        }
    }

    /// For people, at the head of a sentence.
    pub fn words(self) -> &'static str {
        match self {
            Class::Alarm => "Alarm",
            Class::WorkOrder => "Work order",
            Class::Event => "Event",
        }
    }
}

/// How long there is to respond before the consequence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Respond {
    /// No response is needed.
    NotNeeded,
    /// Days.
    Days,
    /// The same shift.
    Shift,
    /// One hour.
    Hour,
    /// Until a pump is started next.
    BeforeNextStart,
    /// Minutes.
    Minutes,
}

impl Respond {
    /// Stable word for machines.
    pub fn key(self) -> &'static str {
        match self {
            Respond::NotNeeded => "not_needed",
            Respond::Days => "days",
            Respond::Shift => "shift",
            Respond::Hour => "hour",
            Respond::BeforeNextStart => "before_next_start",
            Respond::Minutes => "minutes",
        }
    }

    /// For people: "Respond within minutes".
    pub fn words(self) -> &'static str {
        match self {
            Respond::NotNeeded => "no response needed",
            Respond::Days => "within days",
            Respond::Shift => "within the shift",
            Respond::Hour => "within the hour",
            Respond::BeforeNextStart => "before the next start of a pump",
            Respond::Minutes => "within minutes",
        }
    }
}

/// Why a kind exists and what it asks for. All texts are whole sentences but the title.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rationale {
    /// Which kind.
    pub kind: AlarmKind,
    /// What it asks of people.
    pub class: Class,
    /// At most [`TITLE_MAX`] characters.
    pub title: &'static str,
    /// What brings it about.
    pub cause: &'static str,
    /// What follows if nobody acts.
    pub consequence: &'static str,
    /// What the operator does.
    pub action: &'static str,
    /// Time to respond.
    pub respond: Respond,
    /// Default priority.
    pub priority: Priority,
    /// Why this priority, and when another.
    pub why: &'static str,
}

/// The rationalization of a kind.
pub fn of(kind: AlarmKind) -> &'static Rationale {
    &table::TABLE[kind as usize]
}

/// All of them, in the order of [`AlarmKind::ALL`].
pub fn all() -> &'static [Rationale] {
    &table::TABLE
}

/// How many kinds of some classes have each priority by default.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Distribution {
    /// Low, medium, high.
    pub kinds: [usize; 3],
    /// Apart from them, as the guidance does.
    pub critical: usize,
}

impl Distribution {
    /// Share of low, medium and high among these three, 0..=1; `None` when there are none.
    pub fn shares(&self) -> Option<[f64; 3]> {
        let all: usize = self.kinds.iter().sum();
        (all > 0).then(|| self.kinds.map(|kinds| kinds as f64 / all as f64))
    }
}

/// The default priorities of the kinds of these classes.
pub fn distribution(classes: &[Class]) -> Distribution {
    let count = |priority| all().iter().filter(|r| classes.contains(&r.class) && r.priority == priority).count();
    Distribution {
        kinds: [Priority::Low, Priority::Medium, Priority::High].map(count),
        critical: count(Priority::Critical),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_every_field_in_its_place() {
        for (kind, row) in AlarmKind::ALL.into_iter().zip(all()) {
            assert_eq!(row.kind, kind);
            assert_eq!(of(kind), row);
            let letters = row.title.chars().count();
            assert!((1..=TITLE_MAX).contains(&letters), "{kind:?}: {letters} characters");
            assert!(!row.title.ends_with('.'), "{kind:?}");
            for text in [row.cause, row.consequence, row.action, row.why] {
                assert!(text.len() >= 20 && text.ends_with('.'), "{kind:?}: {text:?}");
                assert!(text.starts_with(|c: char| c.is_uppercase()), "{kind:?}: {text:?}");
            }
        }
        assert_eq!(all().len(), AlarmKind::ALL.len());
    }

    #[test]
    fn titles_differ() {
        let titles: std::collections::BTreeSet<&str> = all().iter().map(|row| row.title).collect();
        assert_eq!(titles.len(), all().len());
    }

    #[test]
    fn class_time_and_priority_agree() {
        for row in all() {
            let expected = match row.class {
                Class::Event => row.priority == Priority::Low && row.respond == Respond::NotNeeded,
                Class::WorkOrder => row.priority == Priority::Low && row.respond == Respond::Days,
                Class::Alarm => match row.respond {
                    Respond::Minutes => row.priority == Priority::Critical,
                    Respond::BeforeNextStart => row.priority == Priority::High,
                    Respond::Hour | Respond::Shift => matches!(row.priority, Priority::Medium | Priority::High),
                    Respond::NotNeeded | Respond::Days => false,
                },
            };
            assert!(expected, "{row:?}");
        }
    }

    #[test]
    fn the_distribution_is_counted_without_critical() {
        let alarms = distribution(&[Class::Alarm]);
        assert_eq!(alarms.critical, 1, "one kind is critical: a motor that is burning out");
        let of_class = all().iter().filter(|row| row.class == Class::Alarm).count();
        assert_eq!(alarms.kinds.iter().sum::<usize>() + alarms.critical, of_class);
        assert_eq!(distribution(&[]).shares(), None);
        let shares = distribution(&[Class::Alarm, Class::WorkOrder]).shares().unwrap();
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(shares[0] >= 0.4, "what waits for days is the most of what is listed: {shares:?}");
    }
}
