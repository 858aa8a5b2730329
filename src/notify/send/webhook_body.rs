//! The JSON that a webhook gets, version 1, as DEVELOPERS.md describes it. Must never change what a key of this version means:
//! keys may be added, nothing else.

use serde::Serialize;

use crate::alarm::id::Place;
use crate::alarm::words::title;
use crate::faces::json::rfc3339;
use crate::notify::held::{Held, HeldAlarm};
use crate::notify::message::AlarmPart;
use crate::notify::outbox_file::Waiting;
use crate::reading::UnixMs;

#[derive(Debug, Serialize)]
struct Body<'a> {
    version: u32,
    id: &'a str,
    target: &'a str,
    event: &'static str,
    at: String,
    priority: &'static str,
    subject: &'a str,
    text: &'a str,
    alarm: Option<Alarm<'a>>,
    summary: Option<Summary<'a>>,
}

#[derive(Debug, Serialize)]
struct Alarm<'a> {
    /// The one of the API.
    id: &'a str,
    kind: &'a str,
    class: &'a str,
    #[serde(flatten)]
    place: Where<'a>,
    state: &'static str,
    since: Option<String>,
    by: Option<&'a str>,
    remark: Option<&'a str>,
    what: Option<&'a str>,
    means: Option<&'a str>,
    line: Option<&'a str>,
    cautions: &'a [String],
    action: Option<&'a str>,
}

#[derive(Debug, Serialize)]
struct Where<'a> {
    station: Option<&'a str>,
    monitor: Option<&'a str>,
    circuit: Option<&'a str>,
}

#[derive(Debug, Serialize)]
struct Summary<'a> {
    alarms: usize,
    named: Vec<SummaryLine<'a>>,
}

#[derive(Debug, Serialize)]
struct SummaryLine<'a> {
    id: String,
    kind: &'static str,
    class: &'static str,
    title: &'static str,
    #[serde(flatten)]
    place: Where<'a>,
    priority: &'static str,
    times_raised: u32,
    first_at: String,
    last_at: String,
    last: &'a str,
}

/// The body of a message.
pub fn body(target: &str, waiting: &Waiting) -> String {
    let message = &waiting.message;
    let body = Body {
        version: 1,
        id: &waiting.id,
        target,
        event: message.about.key(),
        at: rfc3339(UnixMs(message.at_unix_ms)),
        priority: message.priority.key(),
        subject: &message.subject,
        text: &message.text,
        alarm: message.alarm.as_ref().map(alarm),
        summary: message.summary.as_ref().map(summary),
    };
    // Strings and numbers only: this cannot fail.
    serde_json::to_string(&body).unwrap_or_default()
}

fn alarm(part: &AlarmPart) -> Alarm<'_> {
    Alarm {
        id: &part.id,
        kind: &part.kind,
        class: &part.class,
        place: place(&part.place),
        state: part.state.key(),
        since: part.since_unix_ms.map(|at| rfc3339(UnixMs(at))),
        by: part.by.as_deref(),
        remark: part.remark.as_deref(),
        what: part.what.as_deref(),
        means: part.means.as_deref(),
        line: part.line.as_deref(),
        cautions: &part.cautions,
        action: part.action.as_deref(),
    }
}

fn place(place: &Place) -> Where<'_> {
    let (station, monitor, circuit) = match place {
        Place::Daemon => (None, None, None),
        Place::Station { station } => (Some(station), None, None),
        Place::Monitor { station, monitor } => (Some(station), Some(monitor), None),
        Place::Circuit { station, circuit } => (Some(station), None, Some(circuit)),
    };
    Where {
        station: station.map(String::as_str),
        monitor: monitor.map(String::as_str),
        circuit: circuit.map(String::as_str),
    }
}

fn summary(held: &Held) -> Summary<'_> {
    Summary { alarms: held.total(), named: held.named().iter().map(line).collect() }
}

fn line(held: &HeldAlarm) -> SummaryLine<'_> {
    SummaryLine {
        id: held.alarm.address(),
        kind: held.alarm.kind.key(),
        class: held.alarm.kind.class().key(),
        title: title(held.alarm.kind),
        place: place(&held.alarm.place),
        priority: held.priority.key(),
        times_raised: held.raised,
        first_at: rfc3339(UnixMs(held.first_unix_ms)),
        last_at: rfc3339(UnixMs(held.last_unix_ms)),
        last: &held.last,
    }
}
