//! Which kind of news a transition of an alarm is, and in which words. Must never send or hold anything.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::alarm::machine::Alarm;
use crate::alarm::settings::Priority;
use crate::alarm::state::{AlarmState, Announcement, Cause, Transition};
use crate::alarm::words as alarm_words;

/// What is told of an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Told {
    /// It came before the operator.
    Raised,
    /// Its cause has gone.
    Returned,
    /// Somebody acknowledged it.
    Acknowledged,
    /// Somebody reset it after its cause had gone.
    Reset,
    /// It was shelved, or its shelving ended.
    Shelved,
    /// A rule set it aside, or no longer does.
    Suppressed,
    /// It was taken out of service, or returned to it.
    OutOfService,
    /// It began to come and go all the time, or ceased to.
    Chattering,
    /// The configuration no longer has it, whether its cause has gone or not.
    Removed,
}

impl Told {
    /// All of them with their words in configuration files and records.
    pub const ALL: [(&'static str, Told); 9] = [
        ("raised", Told::Raised),
        ("returned", Told::Returned),
        ("acknowledged", Told::Acknowledged),
        ("reset", Told::Reset),
        ("shelved", Told::Shelved),
        ("suppressed", Told::Suppressed),
        ("out_of_service", Told::OutOfService),
        ("chattering", Told::Chattering),
        ("removed", Told::Removed),
    ];

    /// What people need to know unasked: that it came and went, that somebody is on it, and who set it aside.
    pub const DEFAULT: [Told; 7] = [
        Told::Raised,
        Told::Returned,
        Told::Acknowledged,
        Told::Shelved,
        Told::OutOfService,
        Told::Chattering,
        Told::Removed,
    ];

    /// Stable word.
    pub fn key(self) -> &'static str {
        Told::ALL[self as usize].0
    }

    /// What a transition is. None for one that must not be sent by itself (held in a flood or by chattering) and for one
    /// that is nothing to anybody.
    pub fn of(transition: &Transition) -> Option<Told> {
        match transition.announcement {
            Announcement::Now => return Some(Told::Raised),
            Announcement::HeldChattering | Announcement::HeldFlood => return None,
            Announcement::None => {}
        }
        match transition.cause {
            // Without an announcement it did not come before anybody.
            Cause::ConditionTrue => None,
            // Beneath a state that stayed: it was set aside, so that this is for the journal.
            Cause::ConditionFalse | Cause::ToldElsewhere { .. } if transition.from == transition.to => None,
            Cause::ConditionFalse | Cause::ToldElsewhere { .. } => Some(Told::Returned),
            Cause::Disabled => Some(Told::Removed),
            Cause::PriorityRaised => None,
            Cause::Acknowledged => Some(Told::Acknowledged),
            Cause::Reset => Some(Told::Reset),
            Cause::Shelved { .. } | Cause::Unshelved | Cause::ShelvingExpired => Some(Told::Shelved),
            Cause::Suppressed { .. } | Cause::Unsuppressed { .. } => Some(Told::Suppressed),
            Cause::TakenOutOfService
            | Cause::TakenOutOfServiceUntil { .. }
            | Cause::OutOfServiceEnded
            | Cause::ReturnedToService => Some(Told::OutOfService),
            Cause::ChatteringBegan | Cause::ChatteringEnded => Some(Told::Chattering),
        }
    }

    /// True for a target that wants these kinds of news. Whoever is told that an alarm returns is told that it is removed.
    pub fn is_among(self, wanted: &BTreeSet<Told>) -> bool {
        wanted.contains(&self) || self == Told::Removed && wanted.contains(&Told::Returned)
    }

    /// True for news that is none to somebody who was never told that the alarm came.
    pub fn needs_raised(self) -> bool {
        matches!(self, Told::Returned | Told::Acknowledged | Told::Reset | Told::Removed)
    }
}

/// What happened to an alarm, which is `alarm` afterwards, for people, without a final full stop; `time` writes a time.
pub fn words(transition: &Transition, alarm: &Alarm, time: impl Fn(i64) -> String) -> String {
    let critical = alarm.settings().priority == Priority::Critical;
    let mut words = match &transition.cause {
        Cause::PriorityRaised => "its priority is critical now".to_owned(),
        _ if transition.announcement == Announcement::Now && !alarm.active() => {
            "it was raised and returned while it was set aside; kept until somebody resets it".to_owned()
        }
        _ if transition.announcement == Announcement::Now => "came".to_owned(),
        Cause::ConditionTrue => "came".to_owned(),
        Cause::ConditionFalse => over(transition.to).to_owned(),
        Cause::ToldElsewhere { by } => {
            format!("{}; told from now on by {}", over(transition.to), alarm_words::name(by))
        }
        Cause::Acknowledged => "acknowledged".to_owned(),
        Cause::Reset => "reset".to_owned(),
        Cause::Shelved { until_ms } => format!("shelved until {}", time(*until_ms)),
        Cause::Unshelved => "no longer shelved".to_owned(),
        Cause::ShelvingExpired => "the shelving has ended".to_owned(),
        Cause::Suppressed { rule } => format!("suppressed by the rule \"{rule}\""),
        Cause::Unsuppressed { rule } => format!("no longer suppressed by the rule \"{rule}\""),
        Cause::TakenOutOfService => "taken out of service".to_owned(),
        Cause::TakenOutOfServiceUntil { until_ms } => format!("taken out of service until {}", time(*until_ms)),
        Cause::OutOfServiceEnded => "back in service: its time out of service is over".to_owned(),
        Cause::ReturnedToService => "returned to service".to_owned(),
        Cause::ChatteringBegan if critical => "comes and goes; it is announced each time".to_owned(),
        Cause::ChatteringBegan => "comes and goes; it is not announced again until it has been quiet".to_owned(),
        Cause::ChatteringEnded => "no longer comes and goes".to_owned(),
        Cause::Disabled if alarm.active() => {
            "removed from the configuration while active: its cause may still be there, and nobody watches it now"
                .to_owned()
        }
        Cause::Disabled => "removed from the configuration".to_owned(),
    };
    if let Some(by) = &transition.by {
        words.push_str(" by ");
        words.push_str(by.who());
        if !by.remark().is_empty() {
            words.push_str(": ");
            words.push_str(by.remark());
        }
    }
    words
}

fn over(state: AlarmState) -> &'static str {
    match state {
        AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged => "over, kept until somebody resets it",
        _ => "over",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_stand_in_the_order_of_the_variants() {
        for (index, (key, told)) in Told::ALL.into_iter().enumerate() {
            assert_eq!((told as usize, told.key()), (index, key));
        }
    }
}
