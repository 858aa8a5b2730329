//! One alarm: events in, transitions out.
//!
//! The state shown follows from a few plain facts (active, acknowledged, latched, and what sets the alarm aside), so no two
//! states can hold at once. Beneath a shelving, a suppression or a service the condition is followed on; released, the
//! alarm shows what holds then. Must never act: transitions say what happened, whoever gets them does the rest.

use super::chatter::Chatter;
use super::delay::{Delay, later};
use super::id::AlarmId;
use super::operator::{Operator, Refused};
use super::rationale::Class;
use super::settings::AlarmSettings;
use super::state::{AlarmState, Announcement, Cause, Condition, Event, Transition};
use crate::reading::{Instant2, MonoMs, UnixMs};

/// Most rules that may suppress one alarm at once.
pub const RULES_MAX: usize = 8;
/// Longest name of a rule, characters.
pub const RULE_NAME_MAX: usize = 64;

/// An operator's act that lasts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Act {
    /// Who, and why.
    pub by: Operator,
    /// When.
    pub at: UnixMs,
}

/// A shelving.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shelving {
    /// Who, why, and when.
    pub act: Act,
    /// Until when, for people.
    pub until: UnixMs,
    /// The same on the clock that never jumps: this one counts.
    pub(super) due: MonoMs,
}

/// One alarm. Its memory is bounded, whatever happens to it.
#[derive(Debug, Clone, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "independent facts, from which the one state follows")]
pub struct Alarm {
    pub(super) id: AlarmId,
    pub(super) settings: AlarmSettings,
    pub(super) condition: Condition,
    /// The condition after its delays.
    pub(super) active: bool,
    pub(super) delay: Delay,
    pub(super) acknowledged: bool,
    pub(super) latched: bool,
    /// The announcement of the latest raise was held because of chattering.
    pub(super) held: bool,
    pub(super) chatter: Chatter,
    pub(super) active_since: Option<UnixMs>,
    pub(super) acknowledgement: Option<Act>,
    pub(super) shelving: Option<Shelving>,
    pub(super) rules: Vec<String>,
    pub(super) out_of_service: Option<Act>,
    pub(super) disabled: bool,
}

/// What time alone can bring.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Timer {
    Delay,
    Shelving,
    Chattering,
}

impl Alarm {
    /// A normal alarm of which nothing is known yet.
    pub fn new(id: AlarmId, settings: AlarmSettings) -> Alarm {
        Alarm {
            id,
            settings,
            condition: Condition::Unknown,
            active: false,
            delay: Delay::Idle,
            acknowledged: true,
            latched: false,
            held: false,
            chatter: Chatter::default(),
            active_since: None,
            acknowledgement: None,
            shelving: None,
            rules: Vec::new(),
            out_of_service: None,
            disabled: false,
        }
    }

    /// Lets an event happen; what follows from it, and from the time until then, is appended to `out`. An act that does not
    /// fit is refused and changes nothing.
    pub fn apply(&mut self, at: Instant2, event: Event, out: &mut Vec<Transition>) -> Result<(), Refused> {
        if self.disabled {
            return match event {
                Event::Condition(_)
                | Event::Tick
                | Event::ToldElsewhere { .. }
                | Event::Disable
                | Event::Unsuppress { .. } => Ok(()),
                _ => Err(Refused::Disabled),
            };
        }
        self.pass_time(at, out);
        match event {
            Event::Tick => {}
            Event::Condition(condition) => self.look(at, condition, out),
            Event::Acknowledge(by) => self.acknowledge(at, by, out)?,
            Event::Reset(by) => self.reset(at, by, out)?,
            Event::Shelve { by, until } => self.shelve(at, by, until, out)?,
            Event::Unshelve(by) => {
                if self.shelving.is_none() {
                    return Err(Refused::NotShelved);
                }
                self.release(at, Cause::Unshelved, Some(by), out, |alarm| alarm.shelving = None);
            }
            Event::Suppress { rule } => self.suppress(at, rule, out)?,
            Event::Unsuppress { rule } => {
                if let Some(index) = self.rules.iter().position(|r| *r == rule) {
                    self.release(at, Cause::Unsuppressed { rule }, None, out, |alarm| {
                        alarm.rules.remove(index);
                    });
                }
            }
            Event::TakeOutOfService(by) => self.take_out_of_service(at, by, out)?,
            Event::ReturnToService(by) => {
                if self.out_of_service.is_none() {
                    return Err(Refused::NotOutOfService);
                }
                self.release(at, Cause::ReturnedToService, Some(by), out, |alarm| alarm.out_of_service = None);
            }
            Event::ToldElsewhere { by } => {
                self.condition = Condition::False;
                self.delay = Delay::Idle;
                if self.active {
                    // The other one latches in its stead.
                    self.latched = false;
                    self.clear(at, Cause::ToldElsewhere { by }, out);
                }
            }
            Event::Disable => {
                let from = self.state();
                self.disabled = true;
                self.record(from, at, Cause::Disabled, None, Announcement::None, out);
            }
        }
        Ok(())
    }

    pub(super) fn next_timer(&self) -> Option<(MonoMs, Timer)> {
        let timers = [
            (self.delay.due(), Timer::Delay),
            (self.shelving.as_ref().map(|s| s.due), Timer::Shelving),
            (self.chatter.quiet_at(), Timer::Chattering),
        ];
        timers.into_iter().filter_map(|(due, timer)| Some((due?, timer))).min().filter(|_| !self.disabled)
    }

    /// Lets happen what is due, in the order in which it was.
    fn pass_time(&mut self, at: Instant2, out: &mut Vec<Transition>) {
        while let Some((_, timer)) = self.next_timer().filter(|(due, _)| *due <= at.mono) {
            match timer {
                Timer::Delay => {
                    self.delay = Delay::Idle;
                    if self.active { self.clear(at, Cause::ConditionFalse, out) } else { self.raise(at, out) }
                }
                Timer::Shelving => self.release(at, Cause::ShelvingExpired, None, out, |alarm| alarm.shelving = None),
                Timer::Chattering => self.end_chattering(at, out),
            }
        }
    }

    fn look(&mut self, at: Instant2, condition: Condition, out: &mut Vec<Transition>) {
        self.condition = condition;
        match (condition, self.active) {
            (Condition::Unknown, _) => self.delay.hold(at.mono),
            (Condition::True, true) | (Condition::False, false) => self.delay = Delay::Idle,
            (Condition::True, false) => self.delay.run(at.mono, self.settings.on_delay_ms),
            (Condition::False, true) => self.delay.run(at.mono, self.settings.off_delay_ms),
        }
        self.pass_time(at, out);
    }

    fn raise(&mut self, at: Instant2, out: &mut Vec<Transition>) {
        let from = self.state();
        self.active = true;
        self.active_since = Some(at.wall);
        if self.set_aside() {
            return;
        }
        let began = self.chatter.note(at.mono, &self.settings.chatter);
        let announcement = self.come();
        self.record(from, at, Cause::ConditionTrue, None, announcement, out);
        if began {
            self.record(self.state(), at, Cause::ChatteringBegan, None, Announcement::None, out);
        }
    }

    fn clear(&mut self, at: Instant2, cause: Cause, out: &mut Vec<Transition>) {
        let from = self.state();
        self.active = false;
        if !self.set_aside() {
            self.record(from, at, cause, None, Announcement::None, out);
        }
    }

    /// The alarm comes before the operator, for the first time or anew.
    fn come(&mut self) -> Announcement {
        // An event asks nobody for anything, so there is nothing to acknowledge.
        self.acknowledged = self.id.kind.class() == Class::Event;
        self.acknowledgement = None;
        self.latched = self.latched || self.settings.latching;
        self.held = self.chatter.chattering();
        if self.held { Announcement::HeldChattering } else { Announcement::Now }
    }

    fn end_chattering(&mut self, at: Instant2, out: &mut Vec<Transition>) {
        self.chatter.end();
        let state = self.state();
        let untold = std::mem::take(&mut self.held) && state == AlarmState::Unacknowledged;
        let announcement = if untold { Announcement::Now } else { Announcement::None };
        self.record(state, at, Cause::ChatteringEnded, None, announcement, out);
    }

    fn acknowledge(&mut self, at: Instant2, by: Operator, out: &mut Vec<Transition>) -> Result<(), Refused> {
        let from = self.state();
        if !from.wants_acknowledgement() {
            return Err(Refused::NothingToAcknowledge(from));
        }
        self.acknowledged = true;
        self.acknowledgement = Some(Act { by: by.clone(), at: at.wall });
        self.record(from, at, Cause::Acknowledged, Some(by), Announcement::None, out);
        Ok(())
    }

    fn reset(&mut self, at: Instant2, by: Operator, out: &mut Vec<Transition>) -> Result<(), Refused> {
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

    fn shelve(&mut self, at: Instant2, by: Operator, until: UnixMs, out: &mut Vec<Transition>) -> Result<(), Refused> {
        if by.remark().is_empty() {
            return Err(Refused::RemarkMissing("a shelving"));
        }
        let for_ms = u64::try_from(until.0.saturating_sub(at.wall.0)).unwrap_or(0);
        if for_ms == 0 {
            return Err(Refused::ShelvedIntoThePast);
        }
        if for_ms > self.settings.max_shelving_ms {
            return Err(Refused::ShelvedTooLong { max_minutes: self.settings.max_shelving_ms / 60_000 });
        }
        let from = self.state();
        let act = Act { by: by.clone(), at: at.wall };
        self.shelving = Some(Shelving { act, until, due: later(at.mono, for_ms) });
        self.record(from, at, Cause::Shelved { until_ms: until.0 }, Some(by), Announcement::None, out);
        Ok(())
    }

    fn suppress(&mut self, at: Instant2, rule: String, out: &mut Vec<Transition>) -> Result<(), Refused> {
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
        self.rules.push(rule.clone());
        self.record(from, at, Cause::Suppressed { rule }, None, Announcement::None, out);
        Ok(())
    }

    fn take_out_of_service(&mut self, at: Instant2, by: Operator, out: &mut Vec<Transition>) -> Result<(), Refused> {
        if by.remark().is_empty() {
            return Err(Refused::RemarkMissing("taking an alarm out of service"));
        }
        if self.out_of_service.is_some() {
            return Err(Refused::AlreadyOutOfService);
        }
        let from = self.state();
        self.out_of_service = Some(Act { by: by.clone(), at: at.wall });
        self.record(from, at, Cause::TakenOutOfService, Some(by), Announcement::None, out);
        Ok(())
    }

    /// Ends one thing that sets the alarm aside. When it was the last, the alarm shows its present condition: it comes
    /// anew, stays latched, or is normal.
    fn release(
        &mut self,
        at: Instant2,
        cause: Cause,
        by: Option<Operator>,
        out: &mut Vec<Transition>,
        end: impl FnOnce(&mut Alarm),
    ) {
        let from = self.state();
        end(self);
        let mut announcement = Announcement::None;
        if !self.set_aside() {
            if self.active {
                announcement = self.come();
            } else if !self.latched {
                self.acknowledged = true;
            }
        }
        self.record(from, at, cause, by, announcement, out);
    }

    fn set_aside(&self) -> bool {
        self.shelving.is_some() || !self.rules.is_empty() || self.out_of_service.is_some()
    }

    fn record(
        &self,
        from: AlarmState,
        at: Instant2,
        cause: Cause,
        by: Option<Operator>,
        announcement: Announcement,
        out: &mut Vec<Transition>,
    ) {
        out.push(Transition { at, alarm: self.id.clone(), from, to: self.state(), cause, by, announcement });
    }
}
