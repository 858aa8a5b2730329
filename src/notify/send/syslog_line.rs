//! One syslog line after RFC 5424. Fields that are too long are cut, characters that a field does not allow are replaced. Must
//! never send anybody to a panel: a line has no room for the cautions, so it does not say what to do.

use std::fmt::Write as _;

use crate::alarm::id::Place;
use crate::alarm::settings::Priority;
use crate::faces::json::rfc3339;
use crate::notify::message::{About, Message};
use crate::notify::outbox_file::Waiting;
use crate::notify::told::Told;
use crate::reading::UnixMs;

/// Longest HOSTNAME, APP-NAME and MSGID (RFC 5424, section 6).
const HOSTNAME_MAX: usize = 255;
const MSGID_MAX: usize = 32;
/// What a receiver over UDP should take (RFC 5426, section 3.2); TCP uses the same, which every receiver takes.
pub const LINE_MAX: usize = 2048;
/// Own choice: a value of structured data that is longer is cut, so that the line keeps room for its message.
const VALUE_MAX: usize = 100;

/// Severity (RFC 5424, table 2). An alarm that comes, or is removed: critical 2 "critical", high 3 "error", medium 4 "warning", low 5 "notice";
/// so do summaries by their most urgent alarm. Everything else about an alarm, and a test: 6 "informational".
pub fn severity(message: &Message) -> u8 {
    let urgent = match message.about {
        About::Alarm(told) => matches!(told, Told::Raised | Told::Chattering | Told::Removed),
        About::Test => false,
        About::FloodBegan | About::FloodEnded | About::Digest | About::QuietEnded | About::LimitEnded | About::Lost => {
            true
        }
    };
    match message.priority {
        _ if !urgent => 6,
        Priority::Critical => 2,
        Priority::High => 3,
        Priority::Medium => 4,
        Priority::Low => 5,
    }
}

/// The line, at most [`LINE_MAX`] bytes.
pub fn line(facility: u8, enterprise: u32, hostname: &str, process: u32, waiting: &Waiting) -> String {
    let message = &waiting.message;
    let mut line = format!(
        "<{}>1 {} {} wattassay {process} {} ",
        u32::from(facility) * 8 + u32::from(severity(message)),
        rfc3339(UnixMs(message.at_unix_ms)),
        field(hostname, HOSTNAME_MAX),
        field(message.about.key(), MSGID_MAX),
    );
    let _ = write!(line, "[wattassay@{enterprise}");
    for (name, value) in parameters(waiting) {
        let value: String = value.chars().take(VALUE_MAX).collect();
        let _ = write!(line, " {name}=\"{}\"", escaped(&value));
    }
    // The mark says that what follows is UTF-8 (section 6.4).
    line.push_str("] \u{feff}");
    line.extend(message.line.chars().map(|c| if c.is_control() { ' ' } else { c }));
    cut(&mut line, LINE_MAX);
    line
}

fn parameters(waiting: &Waiting) -> Vec<(&'static str, &str)> {
    let message = &waiting.message;
    let mut parameters =
        vec![("id", waiting.id.as_str()), ("event", message.about.key()), ("priority", message.priority.key())];
    if let Some(alarm) = &message.alarm {
        parameters.push(("alarm", &alarm.kind));
        parameters.push(("alarm_id", &alarm.id));
        parameters.push(("class", &alarm.class));
        match &alarm.place {
            Place::Daemon => {}
            Place::Station { station } => parameters.push(("station", station)),
            Place::Monitor { station, monitor } => {
                parameters.extend([("station", station.as_str()), ("monitor", monitor)]);
            }
            Place::Circuit { station, circuit } => {
                parameters.extend([("station", station.as_str()), ("circuit", circuit)]);
            }
        }
        parameters.push(("state", alarm.state.key()));
        parameters.extend(alarm.by.as_deref().map(|by| ("by", by)));
    }
    parameters
}

/// A field of printable ASCII without blanks; "-" when nothing is left.
fn field(text: &str, max: usize) -> String {
    let field: String = text.chars().map(|c| if c.is_ascii_graphic() { c } else { '_' }).take(max).collect();
    if field.is_empty() { "-".to_owned() } else { field }
}

/// A value of structured data: quotes, backslashes and closing brackets are escaped (section 6.3.3).
pub fn escaped(value: &str) -> String {
    let mut escaped = String::with_capacity(value.len());
    for c in value.chars() {
        if matches!(c, '"' | '\\' | ']') {
            escaped.push('\\');
        }
        escaped.push(if c.is_control() { ' ' } else { c });
    }
    escaped
}

/// Cuts at a character's edge.
fn cut(text: &mut String, max: usize) {
    let mut end = max.min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    text.truncate(end);
}
