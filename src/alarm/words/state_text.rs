//! The state of an alarm in a sentence: since when it is what it is, until when, and who made it so. Must never decide.

use std::fmt::Write as _;

use super::capital;
use crate::alarm::machine::Act;
use crate::alarm::set::Entry;
use crate::alarm::settings::Priority;
use crate::alarm::state::{AlarmState, Condition};
use crate::reading::UnixMs;

/// The sentence; `time` writes a time as the reader wants it.
pub fn state_text(entry: &Entry, time: &dyn Fn(UnixMs) -> String) -> String {
    let alarm = &entry.alarm;
    let state = alarm.state();
    let mut text = capital(state.words());
    let since = |at: Option<UnixMs>| at.map_or_else(String::new, |at| format!(" since {}", time(at)));
    let by = |act: Option<&Act>| act.map_or_else(String::new, |act| format!(" by {}", act.by.who()));
    match state {
        AlarmState::Normal | AlarmState::Disabled => {}
        AlarmState::Unacknowledged | AlarmState::Acknowledged => {
            if let Some(at) = alarm.active_since() {
                let _ = write!(text, ", since {}", time(at));
            }
            if let Some(act) = alarm.acknowledgement() {
                let _ = write!(text, "; by {} at {}", act.by.who(), time(act.at));
            }
        }
        AlarmState::ReturnedUnacknowledged | AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged => {
            if let Some(at) = alarm.active_since() {
                let _ = write!(text, ", raised {}", time(at));
            }
        }
        AlarmState::Shelved => {
            if let Some(shelving) = alarm.shelving() {
                text.push_str(&since(Some(shelving.act.at)));
                text.push_str(&by(Some(&shelving.act)));
                let _ = write!(text, ", until {}", time(shelving.until));
            }
        }
        AlarmState::SuppressedByDesign => text.push_str(&since(alarm.suppressed_since())),
        AlarmState::OutOfService => {
            text.push_str(&since(alarm.out_of_service().map(|act| act.at)));
            text.push_str(&by(alarm.out_of_service()));
            if let Some(until) = alarm.out_of_service_until() {
                let _ = write!(text, ", until {}", time(until));
            }
        }
    }
    if set_aside(state) && alarm.active() {
        let _ = write!(text, "; its cause is there{}", since(alarm.active_since()));
    }
    if alarm.condition() == Condition::Unknown && !entry.story.as_ref().is_some_and(|story| story.pump_stopped) {
        text.push_str("; at present it cannot be told whether the cause is still there");
    }
    if alarm.chattering() {
        text.push_str(match alarm.settings().priority {
            Priority::Critical => "; it comes and goes, and is announced each time",
            _ => "; it comes and goes, so further announcements are held",
        });
    }
    text.push('.');
    text
}

fn set_aside(state: AlarmState) -> bool {
    matches!(state, AlarmState::Shelved | AlarmState::SuppressedByDesign | AlarmState::OutOfService)
}
