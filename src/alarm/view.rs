//! What is shown of one alarm. Must never change it.

use super::id::AlarmId;
use super::machine::{Act, Alarm, Shelving};
use super::settings::AlarmSettings;
use super::state::{AlarmState, Condition};
use crate::reading::{MonoMs, UnixMs};

impl Alarm {
    /// Its name.
    pub fn id(&self) -> &AlarmId {
        &self.id
    }

    /// Its settings.
    pub fn settings(&self) -> &AlarmSettings {
        &self.settings
    }

    /// State shown.
    pub fn state(&self) -> AlarmState {
        if self.disabled {
            AlarmState::Disabled
        } else if self.out_of_service.is_some() {
            AlarmState::OutOfService
        } else if !self.rules.is_empty() {
            AlarmState::SuppressedByDesign
        } else if self.shelving.is_some() {
            AlarmState::Shelved
        } else {
            match (self.active, self.latched, self.acknowledged) {
                (true, _, false) => AlarmState::Unacknowledged,
                (true, _, true) => AlarmState::Acknowledged,
                (false, true, false) => AlarmState::LatchedUnacknowledged,
                (false, true, true) => AlarmState::LatchedAcknowledged,
                (false, false, false) => AlarmState::ReturnedUnacknowledged,
                (false, false, true) => AlarmState::Normal,
            }
        }
    }

    /// The condition as last told; `Unknown` means that the state is held, not confirmed.
    pub fn condition(&self) -> Condition {
        self.condition
    }

    /// True while its cause is there (after the delays), also beneath a shelving, a suppression or a service.
    pub fn active(&self) -> bool {
        self.active
    }

    /// True while it chatters.
    pub fn chattering(&self) -> bool {
        self.chatter.chattering()
    }

    /// When its cause last came, after the on-delay.
    pub fn active_since(&self) -> Option<UnixMs> {
        self.active_since
    }

    /// The latest acknowledgement since the alarm last came.
    pub fn acknowledgement(&self) -> Option<&Act> {
        self.acknowledgement.as_ref()
    }

    /// The shelving, also beneath a suppression or a service.
    pub fn shelving(&self) -> Option<&Shelving> {
        self.shelving.as_ref()
    }

    /// Rules that suppress it.
    pub fn rules(&self) -> &[String] {
        &self.rules
    }

    /// Who took it out of service, and why.
    pub fn out_of_service(&self) -> Option<&Act> {
        self.out_of_service.as_ref()
    }

    /// When it returns to service by itself.
    pub fn out_of_service_until(&self) -> Option<UnixMs> {
        self.service_end.map(|end| end.until)
    }

    /// Since when rules suppress it.
    pub fn suppressed_since(&self) -> Option<UnixMs> {
        self.suppressed_since
    }

    /// When time alone next changes something: the latest time for a [`Event::Tick`](super::state::Event::Tick).
    pub fn next_due(&self) -> Option<MonoMs> {
        self.next_timer().map(|(due, _)| due)
    }
}
