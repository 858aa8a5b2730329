//! What a finished poll says of how its monitor answers: its record, and news when that has changed. Must never look at a value.

use std::sync::Arc;

use super::Monitor;
use crate::modbus::poll::PollEvent;
use crate::reading::MonitorReading;
use crate::station::news::{News, TELL_AFTER};
use crate::station::snapshot::{MonitorSnapshot, answered};

/// How a monitor answers, as far as the log is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Link {
    Answers,
    InPart,
    Silent,
}

/// Takes note of a poll.
pub(super) fn note_poll(
    station: &str,
    entry: &mut Monitor,
    event: &PollEvent,
    reading: &Arc<MonitorReading>,
    news: &mut Vec<News>,
) {
    let shown = &mut entry.shown;
    let named = format!("{station} / {} ({}): ", shown.name, place(shown));
    let health = &mut shown.health;
    let first = health.polls == 0;
    health.polls += 1;
    health.transactions += u64::from(event.transactions);
    health.failed_transactions += event.errors.len() as u64;
    health.skipped_ticks += u64::from(event.skipped_ticks);
    health.connects += u64::from(event.connects);
    health.dropped_events += u64::from(event.dropped_events);
    health.last_poll = Some(reading.at);
    health.last_took_ms = event.took_ms;
    health.silent = !answered(reading);
    let cause;
    (health.failures, cause) = failures(&named, event, reading);
    let link = if health.silent {
        health.failed_polls += 1;
        Link::Silent
    } else {
        health.last_good = Some(reading.at);
        shown.reading = Some(Arc::clone(reading));
        if health.failures.is_empty() { Link::Answers } else { Link::InPart }
    };
    // The first poll is news at once, and so is an end of silence; a lost poll now and then is not.
    let needed = match (link, entry.link.told()) {
        (_, None) if first => 1,
        (Link::Answers, Some(Link::Silent | Link::InPart)) | (Link::InPart, Some(Link::Silent)) => 1,
        _ => TELL_AFTER,
    };
    if entry.link.settle(link, needed) {
        let (monitor, place) = (entry.shown.name.clone(), place(&entry.shown));
        news.push(match link {
            Link::Answers => News::MonitorAnswers { monitor, place },
            Link::InPart => News::MonitorAnswersInPart { monitor, place, cause },
            Link::Silent => silent(&entry.shown, cause),
        });
    }
}

/// What went wrong in a poll, and the first cause of it. Whoever shows them has named the monitor already, so that part
/// is taken off.
fn failures(named: &str, event: &PollEvent, reading: &MonitorReading) -> (Vec<String>, String) {
    let short = |text: &str| text.strip_prefix(named).unwrap_or(text).to_owned();
    let mut all: Vec<String> = reading.failures.iter().map(|text| short(text)).collect();
    let errors: Vec<String> = event.errors.iter().map(|error| short(&error.to_string())).collect();
    let first = errors.first().or(all.first()).cloned().unwrap_or_else(|| "no reason given".to_owned());
    for error in errors {
        if !all.iter().any(|known| known.contains(&error)) {
            all.push(error);
        }
    }
    (all, first)
}

pub(super) fn silent(shown: &MonitorSnapshot, cause: String) -> News {
    News::MonitorSilent { monitor: shown.name.clone(), place: place(shown), cause }
}

fn place(shown: &MonitorSnapshot) -> String {
    format!("{}, unit {}", shown.address, shown.unit)
}
