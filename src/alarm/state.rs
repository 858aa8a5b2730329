//! The words of the state machine: states, events, causes, and the record that every transition leaves.
//!
//! What it rests on (the texts of ISA-18.2 and IEC 62682 were not readable):
//! - states A to G, read second-hand; that latching has two states of its own since the edition of 2016, from memory;
//! - shelved is set by an operator, suppressed by the system, out of service is a third thing, and the alarm stays functional
//!   beneath each: read in OPC 10000-9 cl. 4.8; a shelving has a longest time: OPC 10000-9 cl. 5.8.2;
//! - an alarm set free again shows its present condition (normal or unacknowledged), and a condition that comes back
//!   before it is acknowledged alarms anew: from memory;
//! - reset of a latched alarm that nobody acknowledged still wants the acknowledgement: from memory.
//!
//! `Disabled` is no state of the standards: it ends the record of an alarm that the configuration no longer has.

use serde::{Deserialize, Serialize};

use super::id::AlarmId;
use super::operator::Operator;
use crate::reading::{Instant2, UnixMs};

/// State of an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmState {
    /// Nothing wrong, nothing to acknowledge.
    Normal,
    /// Wrong, and nobody has acknowledged it.
    Unacknowledged,
    /// Wrong, and acknowledged.
    Acknowledged,
    /// Over, and nobody acknowledged it.
    ReturnedUnacknowledged,
    /// Over, kept until reset, and nobody acknowledged it.
    LatchedUnacknowledged,
    /// Over, acknowledged, kept until reset.
    LatchedAcknowledged,
    /// Set aside by an operator for a limited time.
    Shelved,
    /// Set aside by a rule of the design, such as "the station is isolated".
    SuppressedByDesign,
    /// Set aside for maintenance until somebody returns it to service.
    OutOfService,
    /// No longer configured; the end.
    Disabled,
}

impl AlarmState {
    /// All of them.
    pub const ALL: [AlarmState; 10] = [
        AlarmState::Normal,
        AlarmState::Unacknowledged,
        AlarmState::Acknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::LatchedUnacknowledged,
        AlarmState::LatchedAcknowledged,
        AlarmState::Shelved,
        AlarmState::SuppressedByDesign,
        AlarmState::OutOfService,
        AlarmState::Disabled,
    ];

    /// Stable word for records and metrics.
    pub fn key(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned_unacknowledged",
            AlarmState::LatchedUnacknowledged => "latched_unacknowledged",
            AlarmState::LatchedAcknowledged => "latched_acknowledged",
            AlarmState::Shelved => "shelved",
            AlarmState::SuppressedByDesign => "suppressed_by_design",
            AlarmState::OutOfService => "out_of_service",
            AlarmState::Disabled => "disabled",
        }
    }

    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "active, not acknowledged",
            AlarmState::Acknowledged => "active, acknowledged",
            AlarmState::ReturnedUnacknowledged => "over, not acknowledged",
            AlarmState::LatchedUnacknowledged => "over, not acknowledged, kept until reset",
            AlarmState::LatchedAcknowledged => "over, acknowledged, kept until reset",
            AlarmState::Shelved => "shelved",
            AlarmState::SuppressedByDesign => "suppressed by a rule",
            AlarmState::OutOfService => "out of service",
            AlarmState::Disabled => "no longer configured",
        }
    }

    /// True while the alarm asks an operator for an acknowledgement.
    pub fn wants_acknowledgement(self) -> bool {
        matches!(
            self,
            AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged | AlarmState::LatchedUnacknowledged
        )
    }
}

/// What is known of the thing that an alarm watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// It is wrong.
    True,
    /// It is right.
    False,
    /// Bad quality: neither raises nor clears, and delays stand still.
    Unknown,
}

/// What can happen to an alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The condition was looked at.
    Condition(Condition),
    /// Time has passed.
    Tick,
    /// An operator has seen it.
    Acknowledge(Operator),
    /// An operator lets a latched alarm go.
    Reset(Operator),
    /// An operator sets it aside; a reason is needed.
    Shelve {
        /// Who, and why.
        by: Operator,
        /// Until when.
        until: UnixMs,
        /// Whoever acts may approve it: needed for a critical alarm.
        approved: bool,
    },
    /// An operator ends the shelving early.
    Unshelve(Operator),
    /// A rule of the design sets it aside.
    Suppress {
        /// Name of the rule.
        rule: String,
    },
    /// The rule no longer holds.
    Unsuppress {
        /// Name of the rule.
        rule: String,
    },
    /// Set aside for maintenance; a reason is needed.
    TakeOutOfService {
        /// Who, and why.
        by: Operator,
        /// When it returns to service by itself; none for not before somebody returns it.
        until: Option<UnixMs>,
        /// Whoever acts may approve it: needed for a critical alarm.
        approved: bool,
    },
    /// Back from maintenance.
    ReturnToService(Operator),
    /// Another alarm tells its cause, so this one is over at once: nothing is left to wait for.
    ToldElsewhere {
        /// The alarm that tells it.
        by: AlarmId,
    },
    /// The configuration no longer has this alarm.
    Disable,
}

/// Why a transition happened.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The condition has been true for the on-delay.
    ConditionTrue,
    /// The condition has been false for the off-delay.
    ConditionFalse,
    /// Acknowledged.
    Acknowledged,
    /// Reset.
    Reset,
    /// Shelved, or shelved anew.
    Shelved {
        /// Until when.
        #[serde(rename = "until_unix_ms")]
        until_ms: i64,
    },
    /// Unshelved by an operator.
    Unshelved,
    /// The time of the shelving is over.
    ShelvingExpired,
    /// Suppressed by a rule.
    Suppressed {
        /// Name of the rule.
        rule: String,
    },
    /// The rule no longer holds.
    Unsuppressed {
        /// Name of the rule.
        rule: String,
    },
    /// Taken out of service.
    TakenOutOfService,
    /// Taken out of service for a time.
    TakenOutOfServiceUntil {
        /// Until when.
        #[serde(rename = "until_unix_ms")]
        until_ms: i64,
    },
    /// The time out of service is over.
    OutOfServiceEnded,
    /// Returned to service.
    ReturnedToService,
    /// Came and went so often that further announcements are held.
    ChatteringBegan,
    /// Has been quiet again.
    ChatteringEnded,
    /// Another alarm tells its cause now.
    ToldElsewhere {
        /// The alarm that tells it.
        by: AlarmId,
    },
    /// The configuration made it critical while it waits for an acknowledgement.
    PriorityRaised,
    /// The configuration no longer has it.
    Disabled,
}

/// Whether a transition is to be announced to the operator (sound, message, page).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Announcement {
    /// Nothing to announce.
    None,
    /// Announce it now.
    Now,
    /// Held back: the alarm chatters.
    HeldChattering,
    /// Held back: a flood; it comes with the digest.
    HeldFlood,
}

/// The record of one transition. Where `from` equals `to`, something took effect beneath a state that stayed: a rule
/// suppressed what was out of service, a shelving ended under a suppression, chattering began, or the condition was raised or
/// returned while the alarm was set aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Transition {
    /// When.
    pub at: Instant2,
    /// Which alarm.
    pub alarm: AlarmId,
    /// State before.
    pub from: AlarmState,
    /// State after.
    pub to: AlarmState,
    /// Why.
    pub cause: Cause,
    /// Who did it, and their remark; `None` when no person did.
    pub by: Option<Operator>,
    /// What to do about announcing it.
    pub announcement: Announcement,
}
