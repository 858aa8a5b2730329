//! What one target is told, and when: routing, daily digest, quiet hours, limit on messages, floods. Pure: time comes in,
//! messages go out.
//!
//! What must outlive a restart is in [`State`], so that it can be kept in the same transaction as the messages. Critical
//! alarms are never held. Must never read a clock, and never send.

use std::collections::{BTreeSet, VecDeque};

use serde::{Deserialize, Serialize};

use super::digest;
use super::held::Held;
use super::message::{About, Message, time};
use super::settings::Target;
use super::told::{self, Told};
use crate::alarm::flood::{Digest, DigestAlarm, FloodNews};
use crate::alarm::id::{AlarmId, Place};
use crate::alarm::rationale::Class;
use crate::alarm::set::Entry;
use crate::alarm::settings::Priority;
use crate::alarm::state::{AlarmState, Announcement, Transition};
use crate::desk::Notice;
use crate::reading::{Instant2, MonoMs, UnixMs};

/// What a target knows and what is held for it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct State {
    /// Alarms whose coming it was told, or will be told in a summary, until they are normal again.
    told: BTreeSet<AlarmId>,
    /// Held by quiet hours.
    quiet: Held,
    /// Beyond the limit on messages.
    limited: Held,
    /// Waits for the daily digest.
    #[serde(default)]
    digest: Held,
    /// When that is due.
    #[serde(default)]
    digest_due_unix_ms: Option<i64>,
    /// It was told that a flood began.
    flood: bool,
}

/// Plans the messages of one target.
#[derive(Debug, Clone, PartialEq)]
pub struct Planner {
    target: Target,
    state: State,
    /// When the latest messages went out, oldest first; never more than the limit. Begins anew at a restart.
    sent: VecDeque<MonoMs>,
}

impl Planner {
    /// Goes on from a state.
    pub fn new(target: Target, state: State) -> Planner {
        Planner { target, state, sent: VecDeque::new() }
    }

    /// Whose messages these are.
    pub fn target(&self) -> &Target {
        &self.target
    }

    /// What is to be kept.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// What a notice becomes, after what time has brought.
    pub fn take(&mut self, now: Instant2, notice: &Notice, out: &mut Vec<Message>) {
        self.pass_time(now, out);
        match notice {
            Notice::Alarm { transition, entry } => out.extend(self.alarm(now, transition, entry)),
            Notice::Flood(FloodNews::Began { at }) => out.extend(self.flood_began(now, at.wall)),
            Notice::Flood(FloodNews::Ended { at, digest }) => out.extend(self.flood_ended(now, at.wall, digest)),
        }
    }

    /// What time alone brings: the daily digest, the summaries of quiet hours and of the limit.
    pub fn pass_time(&mut self, now: Instant2, out: &mut Vec<Message>) {
        if let Some(due) = self.digest_due(now.wall)
            && due <= now.wall
        {
            self.state.digest_due_unix_ms = None;
            out.push(self.sum_up(now, About::Digest, |state| &mut state.digest));
        }
        if !self.state.quiet.is_empty() && self.target.quiet.until(now.wall).is_none() {
            out.push(self.sum_up(now, About::QuietEnded, |state| &mut state.quiet));
        }
        if !self.state.limited.is_empty() && self.has_room(now.mono) {
            out.push(self.sum_up(now, About::LimitEnded, |state| &mut state.limited));
        }
    }

    /// In how many milliseconds time next brings something.
    pub fn due_in_ms(&self, now: Instant2) -> Option<u64> {
        let quiet = (!self.state.quiet.is_empty()).then(|| {
            let end = self.target.quiet.until(now.wall).unwrap_or(now.wall);
            u64::try_from(end.0 - now.wall.0).unwrap_or(0)
        });
        let limited = (!self.state.limited.is_empty()).then(|| {
            let within_ms = self.target.rate.map_or(0, |rate| rate.within_ms);
            self.sent.front().map_or(0, |sent| sent.0.saturating_add(within_ms).saturating_sub(now.mono.0))
        });
        let digest = self.digest_due(now.wall).map(|due| u64::try_from(due.0 - now.wall.0).unwrap_or(0));
        quiet.into_iter().chain(limited).chain(digest).min()
    }

    /// When the digest is to be sent, if something waits for it: never in quiet hours, and within a day whatever the wall clock
    /// has been set to.
    fn digest_due(&self, now: UnixMs) -> Option<UnixMs> {
        let due = UnixMs(self.state.digest_due_unix_ms.filter(|_| !self.state.digest.is_empty())?);
        let next = digest::next(now, self.target.digest_at, &self.target.zone);
        let due = next.map_or(due, |next| next.min(due));
        self.target.quiet.until(due.max(now)).or(Some(due))
    }

    fn hold_for_digest(
        &mut self,
        now: UnixMs,
        alarm: &AlarmId,
        priority: Priority,
        news: Told,
        at_unix_ms: i64,
        words: &str,
    ) {
        if self.state.digest_due_unix_ms.is_none() {
            let next = digest::next(now, self.target.digest_at, &self.target.zone);
            self.state.digest_due_unix_ms = Some(next.unwrap_or(now).0);
        }
        self.state.digest.add(alarm, priority, news, at_unix_ms, words);
    }

    fn alarm(&mut self, now: Instant2, transition: &Transition, entry: &Entry) -> Option<Message> {
        let (id, priority) = (&transition.alarm, entry.alarm.settings().priority);
        if matches!(transition.announcement, Announcement::HeldChattering | Announcement::HeldFlood) {
            // It came anew and nobody was told: that it goes again is no news then.
            self.state.told.remove(id);
        }
        let told = Told::of(transition).filter(|_| self.takes(priority, id));
        let news = told.filter(|told| !told.needs_raised() || self.state.told.contains(id));
        if told == Some(Told::Raised) {
            self.state.told.insert(id.clone());
        }
        if matches!(transition.to, AlarmState::Normal | AlarmState::Disabled) {
            self.state.told.remove(id);
        }
        let news = news.filter(|news| news.is_among(&self.target.tell))?;
        if priority != Priority::Critical {
            if !self.target.at_once.contains(&id.kind.class()) {
                let words = told::words(transition, &entry.alarm, |at| time(at, &self.target.zone));
                self.hold_for_digest(now.wall, id, priority, news, transition.at.wall.0, &words);
                return None;
            }
            let held = if self.target.quiet.until(now.wall).is_some() {
                Some(&mut self.state.quiet)
            } else if self.has_room(now.mono) {
                None
            } else {
                Some(&mut self.state.limited)
            };
            if let Some(held) = held {
                let words = told::words(transition, &entry.alarm, |at| time(at, &self.target.zone));
                held.add(id, priority, news, transition.at.wall.0, &words);
                return None;
            }
        }
        self.note_sent(now.mono);
        Some(Message::of_alarm(transition, entry, news, &self.target.zone))
    }

    fn flood_began(&mut self, now: Instant2, at: UnixMs) -> Option<Message> {
        let concerned = self.target.priorities.iter().any(|priority| *priority != Priority::Critical)
            && self.target.tell.contains(&Told::Raised)
            && self.target.at_once.contains(&Class::Alarm);
        if !concerned || self.target.quiet.until(now.wall).is_some() {
            return None;
        }
        self.state.flood = true;
        self.note_sent(now.mono);
        Some(Message::flood_began(at))
    }

    fn flood_ended(&mut self, now: Instant2, at: UnixMs, digest: &Digest) -> Option<Message> {
        let was_told = std::mem::take(&mut self.state.flood);
        if !self.target.tell.contains(&Told::Raised) {
            return None;
        }
        let quiet = self.target.quiet.until(now.wall).is_some();
        let mut held = Held::default();
        for DigestAlarm { priority, id, raised_at } in &digest.alarms {
            if !self.takes(*priority, id) {
                continue;
            }
            self.state.told.insert(id.clone());
            let (raised_at, words) = (raised_at.unwrap_or(at).0, "came in a flood");
            if self.target.at_once.contains(&id.kind.class()) {
                let into = if quiet { &mut self.state.quiet } else { &mut held };
                into.add(id, *priority, Told::Raised, raised_at, words);
            } else {
                self.hold_for_digest(now.wall, id, *priority, Told::Raised, raised_at, words);
            }
        }
        if quiet || held.is_empty() && !was_told {
            return None;
        }
        self.note_sent(now.mono);
        Some(Message::summary(at, About::FloodEnded, held, &self.target.zone))
    }

    fn takes(&self, priority: Priority, alarm: &AlarmId) -> bool {
        let station = match &alarm.place {
            Place::Daemon => None,
            Place::Station { station } | Place::Monitor { station, .. } | Place::Circuit { station, .. } => {
                Some(station)
            }
        };
        let wanted =
            station.zip(self.target.stations.as_ref()).is_none_or(|(station, wanted)| wanted.contains(station));
        let class = alarm.kind.class();
        let classes = self.target.at_once.contains(&class) || self.target.digest.contains(&class);
        wanted && classes && self.target.priorities.contains(&priority)
    }

    fn sum_up(&mut self, now: Instant2, about: About, held: impl FnOnce(&mut State) -> &mut Held) -> Message {
        self.note_sent(now.mono);
        Message::summary(now.wall, about, held(&mut self.state).take(), &self.target.zone)
    }

    fn has_room(&mut self, now: MonoMs) -> bool {
        let Some(rate) = self.target.rate else { return true };
        while self.sent.front().is_some_and(|sent| now.since(*sent) >= rate.within_ms) {
            self.sent.pop_front();
        }
        self.sent.len() < rate.messages as usize
    }

    /// Critical messages and summaries count, though the limit does not hold them.
    fn note_sent(&mut self, now: MonoMs) {
        let Some(rate) = self.target.rate else { return };
        self.sent.push_back(now);
        while self.sent.len() > rate.messages as usize {
            self.sent.pop_front();
        }
    }
}
