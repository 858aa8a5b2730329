//! What an entry of the journal says of alarms and of the daemon's running. Reads the entry's data, never its sentence.

use serde::Deserialize;

use crate::alarm::id::AlarmId;
use crate::alarm::settings::Priority;
use crate::alarm::state::{AlarmState, Announcement};
use crate::journal::Kind;

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Happened {
    /// Nothing that this report counts.
    Nothing,
    /// Something about an alarm, which cannot be read.
    Unreadable,
    /// The daemon started.
    Started,
    /// The daemon ended as told.
    Stopped,
    /// The program told of the beginning of a flood.
    FloodTold,
    /// An alarm changed.
    Transition(Transition),
}

/// How an alarm came before the operator.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Raise {
    Announced,
    HeldChattering,
    HeldFlood,
}

/// A change of one alarm.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Transition {
    pub(super) alarm: AlarmId,
    pub(super) from: AlarmState,
    pub(super) to: AlarmState,
    /// It came before the operator with this.
    pub(super) raise: Option<Raise>,
    /// Unknown in journals of versions that did not record it.
    pub(super) priority: Option<Priority>,
}

/// The data of a transition, as the alarm service records it.
#[derive(Deserialize)]
struct Recorded {
    alarm: AlarmId,
    from: AlarmState,
    to: AlarmState,
    announcement: Announcement,
    #[serde(default)]
    priority: Option<Priority>,
}

/// Which of its keys the data of an entry has.
#[derive(Deserialize)]
struct Keys {
    #[serde(default)]
    alarm: Option<serde::de::IgnoredAny>,
    #[serde(default)]
    flood: Option<String>,
}

impl Happened {
    /// From the stored word of an entry's kind, and its data.
    pub(super) fn of(kind: &str, data: &str) -> Happened {
        let is = |other: Kind| kind == other.key();
        if is(Kind::Started) {
            return Happened::Started;
        } else if is(Kind::Stopped) {
            return Happened::Stopped;
        } else if !is(Kind::Transition) && !is(Kind::OperatorAction) {
            return Happened::Nothing;
        }
        // Acts of operators on alarms are transitions too; other acts have no alarm.
        let Ok(keys) = serde_json::from_str::<Keys>(data) else {
            return if is(Kind::Transition) { Happened::Unreadable } else { Happened::Nothing };
        };
        match (keys.alarm, keys.flood.as_deref()) {
            (Some(_), _) => serde_json::from_str(data).map_or(Happened::Unreadable, transition),
            (None, Some("began")) => Happened::FloodTold,
            _ => Happened::Nothing,
        }
    }
}

fn transition(recorded: Recorded) -> Happened {
    let Recorded { alarm, from, to, announcement, priority } = recorded;
    let raise = match announcement {
        Announcement::None => None,
        Announcement::Now => Some(Raise::Announced),
        Announcement::HeldChattering => Some(Raise::HeldChattering),
        Announcement::HeldFlood => Some(Raise::HeldFlood),
    };
    Happened::Transition(Transition { alarm, from, to, raise, priority })
}
