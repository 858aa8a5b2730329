//! What was not sent one by one, put together alarm by alarm for one summary. Bounded: beyond the limit the least urgent
//! alarms are only counted. Must never lose the count of an alarm.

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::message::time;
use super::told::Told;
use crate::alarm::id::AlarmId;
use crate::alarm::settings::Priority;
use crate::alarm::words::title;

/// Alarms that are named; a longer list is not read.
const NAMED_MAX: usize = 50;

/// Alarms held back.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Held {
    alarms: Vec<HeldAlarm>,
    /// Alarms not named, low first.
    unnamed: [u32; 4],
}

/// One alarm held back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeldAlarm {
    /// Which.
    pub alarm: AlarmId,
    /// Its priority.
    pub priority: Priority,
    /// How often it came.
    pub raised: u32,
    /// When the first thing happened to it.
    pub first_unix_ms: i64,
    /// When the latest did.
    pub last_unix_ms: i64,
    /// What the latest was, in words.
    pub last: String,
    /// The latest was that it came.
    #[serde(default)]
    pub last_is_raise: bool,
}

impl Held {
    /// True when nothing is held.
    pub fn is_empty(&self) -> bool {
        self.total() == 0
    }

    /// Alarms held, named or not.
    pub fn total(&self) -> usize {
        self.alarms.len() + self.unnamed.iter().map(|n| *n as usize).sum::<usize>()
    }

    /// The alarms that are named, in the order in which they were first held.
    pub fn named(&self) -> &[HeldAlarm] {
        &self.alarms
    }

    /// Alarms that are only counted.
    pub fn unnamed(&self) -> u32 {
        self.unnamed.iter().sum()
    }

    /// Takes what happened to an alarm.
    pub fn add(&mut self, alarm: &AlarmId, priority: Priority, told: Told, at_unix_ms: i64, words: &str) {
        let raised = u32::from(told == Told::Raised);
        if let Some(held) = self.alarms.iter_mut().find(|held| held.alarm == *alarm) {
            held.raised = held.raised.saturating_add(raised);
            held.last_unix_ms = at_unix_ms;
            words.clone_into(&mut held.last);
            held.last_is_raise = told == Told::Raised;
            held.priority = priority;
            return;
        }
        let first = HeldAlarm {
            alarm: alarm.clone(),
            priority,
            raised,
            first_unix_ms: at_unix_ms,
            last_unix_ms: at_unix_ms,
            last: words.to_owned(),
            last_is_raise: told == Told::Raised,
        };
        self.alarms.push(first);
        if self.alarms.len() > NAMED_MAX {
            // The newest of the least urgent.
            let least = (0..self.alarms.len()).rev().min_by_key(|index| self.alarms[*index].priority);
            let gone = self.alarms.remove(least.unwrap_or(0));
            self.unnamed[gone.priority as usize] += 1;
        }
    }

    /// Takes everything out.
    #[must_use]
    pub fn take(&mut self) -> Held {
        std::mem::take(self)
    }

    /// Priority of the most urgent alarm.
    pub fn most_urgent(&self) -> Option<Priority> {
        self.counts().last().map(|(priority, _)| *priority)
    }

    /// How many of each priority, low first, those with none left out.
    pub fn counts(&self) -> Vec<(Priority, usize)> {
        let count = |priority: Priority| {
            let named = self.alarms.iter().filter(|held| held.priority == priority).count();
            (priority, named + self.unnamed[priority as usize] as usize)
        };
        Priority::TARGET_SHARE.map(|(priority, _)| count(priority)).into_iter().filter(|(_, n)| *n > 0).collect()
    }

    /// " (2 high, 1 low)", or nothing.
    pub(super) fn counts_in_words(&self) -> String {
        let counts: Vec<String> =
            self.counts().iter().rev().map(|(priority, n)| format!("{n} {}", priority.key())).collect();
        if counts.is_empty() { String::new() } else { format!(" ({})", counts.join(", ")) }
    }

    /// One line an alarm, the most urgent first.
    pub(super) fn lines(&self, zone: &TimeZone) -> Vec<String> {
        let mut alarms: Vec<&HeldAlarm> = self.alarms.iter().collect();
        alarms.sort_by(|a, b| b.priority.cmp(&a.priority).then(a.first_unix_ms.cmp(&b.first_unix_ms)));
        let mut lines: Vec<String> = alarms.into_iter().map(|held| line(held, zone)).collect();
        if self.unnamed() > 0 {
            lines.push(format!("and {} more, none more urgent than these", self.unnamed()));
        }
        lines
    }
}

fn line(held: &HeldAlarm, zone: &TimeZone) -> String {
    let came = match held.raised {
        0 => String::new(),
        1 => format!("came {}", time(held.first_unix_ms, zone)),
        n => format!("came {n} times since {}", time(held.first_unix_ms, zone)),
    };
    let last = if held.raised == 0 || !held.last_is_raise {
        let separator = if held.raised == 0 { "" } else { "; " };
        format!("{separator}{} {}", held.last, time(held.last_unix_ms, zone))
    } else {
        String::new()
    };
    format!("{}: {}: {}: {came}{last}", held.priority.key(), held.alarm.place, title(held.alarm.kind))
}
