//! What a step of the alarms leaves on the disk: entries in the journal, then the image that a restart goes on from.
//!
//! Must never be called after a step has been shown.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::json;

use crate::alarm::flood::FloodNews;
use crate::alarm::operator::Operator;
use crate::alarm::set::{AlarmSet, Step};
use crate::alarm::snapshot::SetImage;
use crate::alarm::state::{Announcement, Cause, Transition};
use crate::alarm::words;
use crate::journal::{Entry, Journal, Kind};
use crate::reading::UnixMs;
use crate::whole_file;

/// A disk that hangs holds the news of a station back for so long; the same holds for its alarms.
const JOURNAL_LIMIT: Duration = Duration::from_secs(5);
/// Name of the image in the journal's folder.
const IMAGE_NAME: &str = "alarms.json";

/// Why a step is not on the disk.
#[derive(Debug, thiserror::Error)]
pub(super) enum RecordError {
    #[error("the journal refuses it: {0}")]
    Journal(#[from] crate::journal::writer::AppendError),
    #[error("the disk of the journal hangs; whether it was recorded will be seen in the journal")]
    Hangs,
}

/// Where steps are recorded; without a journal, nowhere.
#[derive(Debug, Clone, Default)]
pub struct AlarmRecord {
    journal: Option<Journal>,
    folder: Option<PathBuf>,
}

impl AlarmRecord {
    /// Records in this journal, with the image in its folder.
    pub fn new(journal: Option<Journal>, folder: Option<PathBuf>) -> AlarmRecord {
        AlarmRecord { journal, folder }
    }

    /// Puts a step in the journal and returns when it is durable.
    pub(super) async fn step(&self, set: &AlarmSet, step: &Step) -> Result<(), RecordError> {
        let Some(journal) = &self.journal else { return Ok(()) };
        let transitions = step.transitions.iter().map(|transition| entry_of(set, step, transition));
        let entries: Vec<Entry> = transitions.chain(step.floods.iter().map(entry_of_flood)).collect();
        match tokio::time::timeout(JOURNAL_LIMIT, journal.append_all(entries)).await {
            Ok(done) => Ok(done.map(|_| ())?),
            Err(_) => Err(RecordError::Hangs),
        }
    }

    /// Keeps the image; a failure is told in the log, and the next one is tried all the same.
    pub(super) async fn image(&self, image: SetImage) {
        let Some(folder) = self.folder.clone() else { return };
        let written = tokio::task::spawn_blocking(move || write_image(&folder, &image));
        match tokio::time::timeout(JOURNAL_LIMIT, written).await {
            Ok(Ok(Ok(()))) => {}
            Ok(Ok(Err(error))) => tracing::error!("the state of the alarms is not kept for a restart: {error}"),
            Ok(Err(error)) => tracing::error!("the state of the alarms is not kept for a restart: {error}"),
            Err(_) => tracing::error!("the state of the alarms is not kept for a restart: the disk hangs"),
        }
    }

    /// The image of the run before. One that cannot be read is set aside under another name and told.
    pub(super) fn read_image(&self, now: UnixMs) -> Option<SetImage> {
        let file = self.folder.as_ref()?.join(IMAGE_NAME);
        whole_file::read_json(&file, "the alarms begin anew", now)
    }
}

fn write_image(folder: &Path, image: &SetImage) -> io::Result<()> {
    whole_file::write(&folder.join(IMAGE_NAME), &serde_json::to_vec(image)?)
}

fn entry_of(set: &AlarmSet, step: &Step, transition: &Transition) -> Entry {
    let kind = if transition.by.is_some() { Kind::OperatorAction } else { Kind::Transition };
    let place = &transition.alarm.place;
    let entry = Entry::new(transition.at.wall.0, kind, sentence(set, step, transition))
        .about(place.station().unwrap_or_default(), place.part().unwrap_or_default())
        .with(&json!({
            "alarm": transition.alarm,
            "from": transition.from,
            "to": transition.to,
            "cause": transition.cause,
            "announcement": transition.announcement,
            "priority": step.entry(set, &transition.alarm).map(|entry| entry.alarm.settings().priority),
            "remark": transition.by.as_ref().map(Operator::remark).filter(|remark| !remark.is_empty()),
        }));
    match &transition.by {
        Some(by) => entry.by(by.who()),
        None => entry,
    }
}

/// What happened to an alarm, in one or two sentences.
pub(super) fn sentence(set: &AlarmSet, step: &Step, transition: &Transition) -> String {
    let id = &transition.alarm;
    let entry = step.entry(set, id);
    let priority = entry.map_or_else(String::new, |entry| format!(" ({})", entry.alarm.settings().priority.key()));
    let by = transition.by.as_ref().map_or_else(String::new, |by| match by.remark() {
        "" => format!(" by {}", by.who()),
        remark => format!(" by {} (\"{remark}\")", by.who()),
    });
    let story = entry.and_then(|entry| entry.story.as_ref()).filter(|_| transition.cause == Cause::ConditionTrue);
    let story = story.map_or_else(String::new, |story| format!(" {}", story.what));
    let held = match transition.announcement {
        Announcement::HeldChattering => " Not announced: it comes and goes.",
        Announcement::HeldFlood => " Not announced: too many alarms at once.",
        Announcement::Now | Announcement::None => "",
    };
    let (class, place, title) = (id.kind.class().words(), &id.place, words::title(id.kind));
    let cause = cause_in_words(&transition.cause);
    format!("{class}{priority} {place} ({title}): {cause}{by}; now {}.{story}{held}", transition.to.words())
}

fn cause_in_words(cause: &Cause) -> String {
    match cause {
        Cause::ConditionTrue => "came".to_owned(),
        Cause::ConditionFalse => "its cause has gone".to_owned(),
        Cause::Acknowledged => "acknowledged".to_owned(),
        Cause::Reset => "reset".to_owned(),
        Cause::Shelved { until_ms } => match jiff::Timestamp::from_millisecond(*until_ms) {
            Ok(until) => format!("shelved until {until}"),
            Err(_) => "shelved".to_owned(),
        },
        Cause::Unshelved => "taken off the shelf".to_owned(),
        Cause::ShelvingExpired => "the time of its shelving is over".to_owned(),
        Cause::Suppressed { rule } => format!("set aside by the rule \"{rule}\""),
        Cause::Unsuppressed { rule } => format!("no longer set aside by the rule \"{rule}\""),
        Cause::TakenOutOfService => "taken out of service".to_owned(),
        Cause::ReturnedToService => "returned to service".to_owned(),
        Cause::ChatteringBegan => "comes and goes; further announcements are held".to_owned(),
        Cause::ChatteringEnded => "has been quiet again".to_owned(),
        Cause::ToldElsewhere { by } => format!("its cause is told from now on by {}", words::name(by)),
        Cause::Disabled => "no longer configured".to_owned(),
    }
}

fn entry_of_flood(news: &FloodNews) -> Entry {
    match news {
        FloodNews::Began { at } => Entry::new(
            at.wall.0,
            Kind::Transition,
            "More alarms come than one operator can take; all but critical ones are held and told together",
        )
        .with(&json!({ "flood": "began" })),
        FloodNews::Ended { at, digest } => {
            let held = digest.alarms.len();
            let text = format!("The flood of alarms is over; {held} held in it still want an acknowledgement");
            Entry::new(at.wall.0, Kind::Transition, text).with(&json!({ "flood": "ended", "held": held }))
        }
    }
}
