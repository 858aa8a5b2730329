//! One message to one target, before it becomes JSON, a mail or a line. Must never hold a secret.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::held::Held;
use super::told::{self, Told};
use crate::alarm::id::Place;
use crate::alarm::set::Entry;
use crate::alarm::settings::Priority;
use crate::alarm::state::{AlarmState, Cause, Transition};
use crate::alarm::words::{AlarmText, Story};
use crate::reading::UnixMs;

/// Longest subject, characters: what mail programs and telephones show is shorter still.
const SUBJECT_MAX: usize = 200;

/// What a message is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum About {
    /// An alarm.
    Alarm(Told),
    /// A flood began: what is not critical is told together at its end.
    FloodBegan,
    /// A flood ended; what was held in it.
    FloodEnded,
    /// The daily digest of what is not sent one by one.
    Digest,
    /// Quiet hours ended; what was held in them.
    QuietEnded,
    /// The limit on messages has room again; what was beyond it.
    LimitEnded,
    /// Messages to this target were lost: too many waited, or they waited too long.
    Lost,
    /// A test.
    Test,
}

impl About {
    /// Stable word.
    pub fn key(self) -> &'static str {
        match self {
            About::Alarm(told) => told.key(),
            About::FloodBegan => "flood_began",
            About::FloodEnded => "flood_ended",
            About::Digest => "digest",
            About::QuietEnded => "quiet_ended",
            About::LimitEnded => "limit_ended",
            About::Lost => "lost",
            About::Test => "test",
        }
    }
}

/// One message.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Message {
    /// When it happened.
    pub at_unix_ms: i64,
    /// How urgent; of a summary, its most urgent part.
    pub priority: Priority,
    /// What it is about.
    pub about: About,
    /// One line for the head of a mail.
    pub subject: String,
    /// One line that stands by itself; never sends anybody to a panel.
    pub line: String,
    /// Everything, in lines; cautions before what to do.
    pub text: String,
    /// The alarm it is about.
    pub alarm: Option<AlarmPart>,
    /// What it sums up.
    pub summary: Option<Held>,
}

/// An alarm in a message, in parts for machines.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AlarmPart {
    /// Its id, as the API has it; empty in what an older version kept.
    #[serde(default)]
    pub id: String,
    /// Stable word of its kind.
    pub kind: String,
    /// Stable word of what its kind asks of people; empty in what an older version kept.
    #[serde(default)]
    pub class: String,
    /// Where.
    pub place: Place,
    /// State after what happened.
    pub state: AlarmState,
    /// When its cause last came.
    pub since_unix_ms: Option<i64>,
    /// Who acted.
    pub by: Option<String>,
    /// Their remark.
    pub remark: Option<String>,
    /// What is wrong.
    pub what: Option<String>,
    /// What follows from it.
    pub means: Option<String>,
    /// One line that stands by itself.
    pub line: Option<String>,
    /// To be read before what to do.
    pub cautions: Vec<String>,
    /// What to do; only while the cause is there.
    pub action: Option<String>,
}

/// A time for people: of the target's zone, with what that is from UTC, so that nobody has to guess.
pub(super) fn time(unix_ms: i64, zone: &TimeZone) -> String {
    let Ok(at) = Timestamp::from_millisecond(unix_ms) else { return format!("{unix_ms} ms") };
    at.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M:%S %:z").to_string()
}

/// The text on one line, cut when long.
fn one_line(text: &str, max: usize) -> String {
    let clean: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.chars().count() <= max {
        return clean;
    }
    clean.chars().take(max - 1).chain(['…']).collect()
}

impl Message {
    /// What happened to an alarm.
    pub fn of_alarm(transition: &Transition, entry: &Entry, told: Told, zone: &TimeZone) -> Message {
        let alarm = &entry.alarm;
        let text = AlarmText::of(entry, &|at| time(at.0, zone));
        let happened = told::words(transition, alarm, |at| time(at, zone));
        let at = time(transition.at.wall.0, zone);
        // What to do, and the cautions before it, are for while the cause is there.
        let whole = matches!(told, Told::Raised | Told::Chattering) && alarm.active();
        let (subject, body) = if told == Told::Raised && transition.cause != Cause::PriorityRaised && alarm.active() {
            (text.headline.clone(), format!("Came {at}.\n\n{text}"))
        } else {
            let rest = if whole { text.to_string() } else { format!("{}\n{}\n", text.headline, text.state) };
            (format!("{} - {happened}", text.headline), format!("{at}: {happened}.\n\n{rest}"))
        };
        let line = if whole { text.line.clone() } else { format!("{subject}. {}", text.state) };
        let story = text.story.as_ref();
        let part = AlarmPart {
            id: alarm.id().address(),
            kind: alarm.id().kind.key().to_owned(),
            class: alarm.id().kind.class().key().to_owned(),
            place: alarm.id().place.clone(),
            state: transition.to,
            since_unix_ms: alarm.active_since().map(|at| at.0),
            by: transition.by.as_ref().map(|by| by.who().to_owned()),
            remark: transition.by.as_ref().map(|by| by.remark().to_owned()).filter(|remark| !remark.is_empty()),
            what: story.map(|story| story.what.clone()),
            means: story.map(|story| story.means.clone()),
            line: whole.then(|| text.line.clone()),
            cautions: text.cautions.iter().filter(|_| whole).cloned().collect(),
            action: story.filter(|_| whole).map(Story::action),
        };
        Message {
            at_unix_ms: transition.at.wall.0,
            priority: alarm.settings().priority,
            about: About::Alarm(told),
            subject: one_line(&subject, SUBJECT_MAX),
            line: one_line(&line, 1000),
            text: body,
            alarm: Some(part),
            summary: None,
        }
    }

    /// A message that is one sentence or a few.
    fn plain(at: UnixMs, priority: Priority, about: About, subject: &str, text: &str) -> Message {
        Message {
            at_unix_ms: at.0,
            priority,
            about,
            subject: one_line(subject, SUBJECT_MAX),
            line: one_line(&format!("{subject}. {text}"), 1000),
            text: format!("{text}\n"),
            alarm: None,
            summary: None,
        }
    }

    /// A flood began.
    pub fn flood_began(at: UnixMs) -> Message {
        let text = "More alarms come than one person can take. Until that is over only critical ones are sent one by one; the \
                    others follow in one message. All of them stand in the list of alarms.";
        Message::plain(at, Priority::High, About::FloodBegan, "Many alarms at once", text)
    }

    /// A test.
    pub fn test(at: UnixMs, target: &str) -> Message {
        let text =
            format!("This is a test of wattassay's target \"{target}\". Nothing is wrong, and nothing is to be done.");
        Message::plain(at, Priority::Low, About::Test, "Test message from wattassay", &text)
    }

    /// Messages were lost.
    pub fn lost(at: UnixMs, dropped: u64, expired: u64) -> Message {
        let text = format!(
            "This target could not be reached for a while. {} never sent: {dropped} because too many waited, {expired} because they \
             had become too old. Look at the list of alarms for what is wrong now.",
            if dropped + expired == 1 {
                "1 message was".to_owned()
            } else {
                format!("{} messages were", dropped + expired)
            }
        );
        Message::plain(at, Priority::High, About::Lost, "Messages were lost", &text)
    }

    /// What was held, in one message.
    pub fn summary(at: UnixMs, about: About, held: Held, zone: &TimeZone) -> Message {
        let alarms = held.total();
        let plural = match (about, alarms) {
            (About::Digest, 1) => "entry",
            (About::Digest, _) => "entries",
            (_, 1) => "alarm",
            _ => "alarms",
        };
        let counts = held.counts_in_words();
        let (subject, intro) = match about {
            About::FloodEnded => (
                format!("The flood of alarms is over: {alarms} {plural} held back{counts}"),
                "These came while many alarms came at once, and still want an acknowledgement.",
            ),
            About::LimitEnded => (
                format!("{alarms} {plural} beyond the limit on messages{counts}"),
                "This target's limit on messages was reached; these were not sent one by one.",
            ),
            About::Digest => (
                format!("Daily digest: {alarms} {plural}{counts}"),
                "These wait for a planned visit or ask nobody: none of them needs an action now.",
            ),
            _ => (
                format!("During the quiet hours: {alarms} {plural}{counts}"),
                "These were held back during the quiet hours.",
            ),
        };
        let mut text = format!("{intro}\n\n");
        for line in held.lines(zone) {
            text.push_str(&line);
            text.push('\n');
        }
        text.push_str("\nWhat is wrong now, what to do and the cautions before it stand in the list of alarms.\n");
        if alarms == 0 {
            "Nothing that was held back is for this target, or it needs no acknowledgement any more.\n"
                .clone_into(&mut text);
        }
        Message {
            at_unix_ms: at.0,
            priority: held.most_urgent().unwrap_or(Priority::Low),
            about,
            subject: one_line(&subject, SUBJECT_MAX),
            line: one_line(&format!("{subject}: {}", held.lines(zone).join("; ")), 1000),
            text,
            alarm: None,
            summary: Some(held),
        }
    }
}
