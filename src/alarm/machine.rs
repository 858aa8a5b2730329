//! One alarm: events in, transitions out.
//!
//! The state shown follows from a few plain facts (active, acknowledged, latched, and what sets the alarm aside), so no two
//! states can hold at once. Beneath a shelving, a suppression or a service the condition is followed and recorded; released,
//! the alarm shows what holds then, and one that latches and was raised beneath stays latched. A critical alarm is announced
//! each time it is raised, whatever holds others back. What people and rules do to it is in `acts`. Must never act:
//! transitions say what happened, whoever gets them does the rest.

mod acts;

use super::chatter::Chatter;
use super::delay::Delay;
use super::id::AlarmId;
use super::operator::{Operator, Refused};
use super::rationale::Class;
use super::settings::{AlarmSettings, Priority};
use super::shelf::ShelfTime;
use super::state::{AlarmState, Announcement, Cause, Condition, Event, Transition};
use crate::reading::{Instant2, MonoMs, UnixMs};

pub use acts::{RULE_NAME_MAX, RULES_MAX};

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

/// When something ends by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct End {
    /// For people.
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
    pub(super) shelf_time: ShelfTime,
    pub(super) rules: Vec<String>,
    pub(super) suppressed_since: Option<UnixMs>,
    pub(super) out_of_service: Option<Act>,
    pub(super) service_end: Option<End>,
    /// It was raised while it was set aside, so nobody was told.
    pub(super) raised_aside: bool,
    pub(super) disabled: bool,
}

/// What time alone can bring.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Timer {
    Delay,
    Shelving,
    Service,
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
            shelf_time: ShelfTime::default(),
            rules: Vec::new(),
            suppressed_since: None,
            out_of_service: None,
            service_end: None,
            raised_aside: false,
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
            Event::Shelve { by, until, approved } => self.shelve(at, by, until, approved, out)?,
            Event::Unshelve(by) => self.unshelve(at, by, out)?,
            Event::Suppress { rule } => self.suppress(at, rule, out)?,
            Event::Unsuppress { rule } => self.unsuppress(at, rule, out),
            Event::TakeOutOfService { by, until, approved } => {
                self.take_out_of_service(at, by, until, approved, out)?;
            }
            Event::ReturnToService(by) => self.return_to_service(at, by, out)?,
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
            (self.service_end.map(|end| end.due), Timer::Service),
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
                Timer::Service => self.release(at, Cause::OutOfServiceEnded, None, out, Alarm::end_service),
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
            self.raised_aside = true;
            self.acknowledged = self.asks_nobody();
            self.acknowledgement = None;
            self.latched = self.latched || self.settings.latching;
            self.record(from, at, Cause::ConditionTrue, None, Announcement::None, out);
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
        self.record(from, at, cause, None, Announcement::None, out);
    }

    /// The alarm comes before the operator, for the first time or anew.
    fn come(&mut self) -> Announcement {
        self.acknowledged = self.asks_nobody();
        self.acknowledgement = None;
        self.latched = self.latched || self.settings.latching;
        self.held = self.chatter.chattering() && !self.critical();
        if self.held { Announcement::HeldChattering } else { Announcement::Now }
    }

    /// An event asks nobody for anything, so there is nothing to acknowledge.
    fn asks_nobody(&self) -> bool {
        self.id.kind.class() == Class::Event
    }

    pub(super) fn critical(&self) -> bool {
        self.settings.priority == Priority::Critical
    }

    /// Takes new settings. One that has become critical while it waits for an acknowledgement is announced: until now it may
    /// have been held, or sent to nobody whom critical alarms concern.
    pub(super) fn take_settings(&mut self, at: Instant2, settings: AlarmSettings, out: &mut Vec<Transition>) {
        let before = std::mem::replace(&mut self.settings, settings);
        let state = self.state();
        if self.critical() && before.priority != Priority::Critical && state.wants_acknowledgement() && self.active {
            self.held = false;
            self.record(state, at, Cause::PriorityRaised, None, Announcement::Now, out);
        }
    }

    fn end_chattering(&mut self, at: Instant2, out: &mut Vec<Transition>) {
        self.chatter.end();
        let state = self.state();
        let untold = std::mem::take(&mut self.held) && state == AlarmState::Unacknowledged;
        let announcement = if untold { Announcement::Now } else { Announcement::None };
        self.record(state, at, Cause::ChatteringEnded, None, announcement, out);
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
            let raised_aside = std::mem::take(&mut self.raised_aside);
            if self.active {
                announcement = self.come();
            } else if !self.latched {
                self.acknowledged = true;
            } else if raised_aside {
                // It was raised and returned unseen, and stays latched: the operator learns of it now.
                announcement = Announcement::Now;
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
