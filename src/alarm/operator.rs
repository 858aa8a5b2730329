//! Who acts on an alarm, and why an act may be refused. Must never hold a text longer than stated here.

use serde::{Deserialize, Serialize};

use super::state::AlarmState;

/// Longest name, characters.
pub const WHO_MAX: usize = 64;
/// Longest remark, characters.
pub const REMARK_MAX: usize = 500;

/// A person and what they said: short, printable, never without a name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Operator {
    who: String,
    remark: String,
}

impl Operator {
    /// Takes a name and a remark (which may be empty) as typed.
    pub fn new(who: &str, remark: &str) -> Result<Operator, Refused> {
        let (who, remark) = (who.trim(), remark.trim());
        if who.is_empty() {
            return Err(Refused::WhoMissing);
        }
        for (what, text, max) in [("name", who, WHO_MAX), ("remark", remark, REMARK_MAX)] {
            if text.chars().count() > max {
                return Err(Refused::TooLong { what, max });
            }
            if text.chars().any(char::is_control) {
                return Err(Refused::NotPrintable { what });
            }
        }
        Ok(Operator { who: who.to_owned(), remark: remark.to_owned() })
    }

    /// Name.
    pub fn who(&self) -> &str {
        &self.who
    }

    /// Remark; may be empty.
    pub fn remark(&self) -> &str {
        &self.remark
    }
}

/// Why an act was not carried out. Nothing has changed then but what time alone changes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// No such alarm.
    #[error("there is no alarm \"{0}\"")]
    UnknownAlarm(String),
    /// No name given.
    #[error("say who you are: the record of an alarm names who acted on it")]
    WhoMissing,
    /// A remark is needed.
    #[error("give a reason: {0} is recorded with one")]
    RemarkMissing(&'static str),
    /// Text too long.
    #[error("the {what} is longer than {max} characters")]
    TooLong {
        /// Which text.
        what: &'static str,
        /// Limit.
        max: usize,
    },
    /// Line breaks and other control characters.
    #[error("the {what} holds characters that cannot be printed")]
    NotPrintable {
        /// Which text.
        what: &'static str,
    },
    /// Nothing to acknowledge.
    #[error("nothing to acknowledge: the alarm is {}", .0.words())]
    NothingToAcknowledge(AlarmState),
    /// Nothing to reset.
    #[error("nothing to reset: the alarm is {}", .0.words())]
    NothingToReset(AlarmState),
    /// Reset while the cause is there.
    #[error("the cause is still there; a latched alarm is reset after its cause has gone")]
    CauseStillThere,
    /// The end of the shelving has passed.
    #[error("the time until which to shelve has passed")]
    ShelvedIntoThePast,
    /// Shelved for too long.
    #[error("at most {max_minutes} minutes may be shelved at a time")]
    ShelvedTooLong {
        /// Limit, minutes.
        max_minutes: u64,
    },
    /// Shelved for too long in all.
    #[error(
        "this alarm may be shelved for {total_hours} hours in all; {left_minutes} minutes of them are left, and all of them again \
         in {again_in_hours} hours"
    )]
    ShelvedTooLongInAll {
        /// What may still be asked for, minutes.
        left_minutes: u64,
        /// Limit, hours.
        total_hours: u64,
        /// Until the limit begins anew, hours.
        again_in_hours: u64,
    },
    /// Too many alarms are shelved.
    #[error("{max} alarms are shelved already, and no more may be at once; unshelve one first")]
    TooManyShelved {
        /// Limit.
        max: u32,
    },
    /// A critical alarm, and whoever asks may not approve.
    #[error("{0} needs an engineer: log in as one, or ask one to do it")]
    NeedsApproval(&'static str),
    /// The end of the time out of service has passed.
    #[error("the time until which to take it out of service has passed")]
    OutOfServiceIntoThePast,
    /// Not shelved.
    #[error("the alarm is not shelved")]
    NotShelved,
    /// Out of service already.
    #[error("the alarm is out of service already")]
    AlreadyOutOfService,
    /// In service.
    #[error("the alarm is not out of service")]
    NotOutOfService,
    /// Too many rules suppress one alarm.
    #[error("more than {max} rules suppress this alarm at once")]
    TooManyRules {
        /// Limit.
        max: usize,
    },
    /// The rule's name is missing or too long.
    #[error("a rule's name has 1 to {max} characters")]
    BadRuleName {
        /// Limit.
        max: usize,
    },
    /// No longer configured.
    #[error("the alarm is no longer configured")]
    Disabled,
}
