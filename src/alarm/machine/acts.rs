//! What people and rules do to one alarm: acknowledge, reset, shelve, suppress, take out of service, and back.
//!
//! An act that does not fit is refused and changes nothing. A critical alarm is set aside by a person only with approval.

use super::{Act, Alarm, End, Shelving};
use crate::alarm::delay::later;
use crate::alarm::operator::{Operator, Refused};
use crate::alarm::state::{AlarmState, Announcement, Cause, Transition};
use crate::reading::{Instant2, UnixMs};

/// Most rules that may suppress one alarm at once.
pub const RULES_MAX: usize = 8;
/// Longest name of a rule, characters.
pub const RULE_NAME_MAX: usize = 64;

impl Alarm {
    pub(super) fn acknowledge(&mut self, at: Instant2, by: Operator, out: &mut Vec<Transition>) -> Result<(), Refused> {
        let from = self.state();
        if !from.wants_acknowledgement() {
            return Err(Refused::NothingToAcknowledge(from));
        }
        self.acknowledged = true;
        self.acknowledgement = Some(Act { by: by.clone(), at: at.wall });
        self.record(from, at, Cause::Acknowledged, Some(by), Announcement::None, out);
        Ok(())
    }

    pub(super) fn reset(&mut self, at: Instant2, by: Operator, out: &mut Vec<Transition>) -> Result<(), Refused> {
        let from = self.state();
        match from {
            AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged => self.latched = false,
            AlarmState::Unacknowledged | AlarmState::Acknowledged if self.latched => {
                return Err(Refused::CauseStillThere);
            }
            _ => return Err(Refused::NothingToReset(from)),
        }
        self.record(from, at, Cause::Reset, Some(by), Announcement::None, out);
        Ok(())
    }

    pub(super) fn shelve(
        &mut self,
        at: Instant2,
        by: Operator,
        until: UnixMs,
        approved: bool,
        out: &mut Vec<Transition>,
    ) -> Result<(), Refused> {
        if by.remark().is_empty() {
            return Err(Refused::RemarkMissing("a shelving"));
        }
        if self.critical() && !approved {
            return Err(Refused::NeedsApproval("shelving a critical alarm"));
        }
        let for_ms = ahead_ms(at, until).ok_or(Refused::ShelvedIntoThePast)?;
        if for_ms > self.settings.max_shelving_ms {
            return Err(Refused::ShelvedTooLong { max_minutes: self.settings.max_shelving_ms / 60_000 });
        }
        let mut shelf_time = self.shelf_time;
        shelf_time.give_back(self.shelving_left_ms(at));
        shelf_time.take(at.mono, for_ms, &self.settings)?;
        self.shelf_time = shelf_time;
        let from = self.state();
        let act = Act { by: by.clone(), at: at.wall };
        self.shelving = Some(Shelving { act, until, due: later(at.mono, for_ms) });
        self.record(from, at, Cause::Shelved { until_ms: until.0 }, Some(by), Announcement::None, out);
        Ok(())
    }

    pub(super) fn unshelve(&mut self, at: Instant2, by: Operator, out: &mut Vec<Transition>) -> Result<(), Refused> {
        if self.shelving.is_none() {
            return Err(Refused::NotShelved);
        }
        self.shelf_time.give_back(self.shelving_left_ms(at));
        self.release(at, Cause::Unshelved, Some(by), out, |alarm| alarm.shelving = None);
        Ok(())
    }

    pub(super) fn suppress(&mut self, at: Instant2, rule: String, out: &mut Vec<Transition>) -> Result<(), Refused> {
        if rule.is_empty() || rule.chars().count() > RULE_NAME_MAX {
            return Err(Refused::BadRuleName { max: RULE_NAME_MAX });
        }
        if self.rules.contains(&rule) {
            return Ok(());
        }
        if self.rules.len() == RULES_MAX {
            return Err(Refused::TooManyRules { max: RULES_MAX });
        }
        let from = self.state();
        if self.rules.is_empty() {
            self.suppressed_since = Some(at.wall);
        }
        self.rules.push(rule.clone());
        self.record(from, at, Cause::Suppressed { rule }, None, Announcement::None, out);
        Ok(())
    }

    pub(super) fn unsuppress(&mut self, at: Instant2, rule: String, out: &mut Vec<Transition>) {
        let Some(index) = self.rules.iter().position(|r| *r == rule) else { return };
        self.release(at, Cause::Unsuppressed { rule }, None, out, |alarm| {
            alarm.rules.remove(index);
            if alarm.rules.is_empty() {
                alarm.suppressed_since = None;
            }
        });
    }

    pub(super) fn take_out_of_service(
        &mut self,
        at: Instant2,
        by: Operator,
        until: Option<UnixMs>,
        approved: bool,
        out: &mut Vec<Transition>,
    ) -> Result<(), Refused> {
        if by.remark().is_empty() {
            return Err(Refused::RemarkMissing("taking an alarm out of service"));
        }
        if self.out_of_service.is_some() {
            return Err(Refused::AlreadyOutOfService);
        }
        if self.critical() && !approved {
            return Err(Refused::NeedsApproval("taking a critical alarm out of service"));
        }
        let end = match until {
            None => None,
            Some(until) => {
                let for_ms = ahead_ms(at, until).ok_or(Refused::OutOfServiceIntoThePast)?;
                Some(End { until, due: later(at.mono, for_ms) })
            }
        };
        let from = self.state();
        self.out_of_service = Some(Act { by: by.clone(), at: at.wall });
        self.service_end = end;
        let cause = match until {
            None => Cause::TakenOutOfService,
            Some(until) => Cause::TakenOutOfServiceUntil { until_ms: until.0 },
        };
        self.record(from, at, cause, Some(by), Announcement::None, out);
        Ok(())
    }

    pub(super) fn return_to_service(
        &mut self,
        at: Instant2,
        by: Operator,
        out: &mut Vec<Transition>,
    ) -> Result<(), Refused> {
        if self.out_of_service.is_none() {
            return Err(Refused::NotOutOfService);
        }
        self.release(at, Cause::ReturnedToService, Some(by), out, Alarm::end_service);
        Ok(())
    }

    pub(super) fn end_service(&mut self) {
        (self.out_of_service, self.service_end) = (None, None);
    }

    /// What is left of the shelving that lasts, ms.
    fn shelving_left_ms(&self, at: Instant2) -> u64 {
        self.shelving.as_ref().map_or(0, |shelving| shelving.due.since(at.mono))
    }
}

/// How far a time is ahead, ms; none when it has passed.
fn ahead_ms(at: Instant2, until: UnixMs) -> Option<u64> {
    u64::try_from(until.0.saturating_sub(at.wall.0)).ok().filter(|ms| *ms > 0)
}
