//! Floods: more alarms than one operator can take. While one lasts, announcements are held (critical ones never) and told
//! together at its end. Must never hold back the alarms themselves: they stand in the list as ever.

use std::collections::VecDeque;

use super::delay::later;
use super::id::AlarmId;
use super::rationale::Class;
use super::settings::{FloodSettings, Priority};
use crate::reading::{Instant2, MonoMs, UnixMs};

/// Counts the alarms that come before one operator position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flood {
    pub(super) settings: FloodSettings,
    /// When each of the latest alarms stops counting, oldest first; never more than needed to tell that a flood is on.
    counts_until: VecDeque<MonoMs>,
    active: bool,
}

/// A flood began or ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FloodNews {
    /// From now on announcements are held.
    Began {
        /// When.
        at: Instant2,
    },
    /// Announcements go out again; what was held is told here.
    Ended {
        /// When.
        at: Instant2,
        /// What was held.
        digest: Digest,
    },
}

/// The alarms whose announcement was held and that still want an acknowledgement.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Digest {
    /// The most urgent first, then by name.
    pub alarms: Vec<DigestAlarm>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DigestAlarm {
    /// How urgent.
    pub priority: Priority,
    /// Which.
    pub id: AlarmId,
    /// When it was last raised, after its delay.
    pub raised_at: Option<UnixMs>,
}

/// True for an alarm whose coming asks something of the operator now. What waits for a work order, as most of what a start
/// finds does, is no reason to hold alarms back.
pub fn counts_for_flood(id: &AlarmId) -> bool {
    id.kind.class() == Class::Alarm
}

impl Digest {
    /// How many there are of each priority, the most urgent first; those with none left out.
    pub fn counts(&self) -> Vec<(Priority, usize)> {
        let mut counts: Vec<(Priority, usize)> = Vec::new();
        for alarm in &self.alarms {
            match counts.last_mut() {
                Some((last, n)) if *last == alarm.priority => *n += 1,
                _ => counts.push((alarm.priority, 1)),
            }
        }
        counts
    }
}

impl Flood {
    /// No flood.
    pub fn new(settings: FloodSettings) -> Flood {
        Flood { settings, counts_until: VecDeque::new(), active: false }
    }

    /// Puts together what was kept over a restart.
    pub(super) fn restored(
        settings: FloodSettings,
        counts_until: impl IntoIterator<Item = MonoMs>,
        active: bool,
    ) -> Flood {
        Flood { settings, counts_until: counts_until.into_iter().collect(), active }
    }

    /// True while one lasts.
    pub fn active(&self) -> bool {
        self.active
    }

    /// Takes an alarm that comes; true when a flood begins with it.
    pub fn note(&mut self, now: MonoMs) -> bool {
        self.forget(now);
        self.counts_until.push_back(later(now, self.settings.within_ms));
        while self.counts_until.len() > self.settings.begins_above as usize + 1 {
            self.counts_until.pop_front();
        }
        let began = !self.active && self.counts_until.len() > self.settings.begins_above as usize;
        self.active |= began;
        began
    }

    /// Lets time pass; true when the flood ends.
    pub fn pass_time(&mut self, now: MonoMs) -> bool {
        self.forget(now);
        let ended = self.active && self.counts_until.len() < self.settings.ends_below as usize;
        self.active &= !ended;
        ended
    }

    /// When the flood ends if nothing more comes.
    pub fn ends_at(&self) -> Option<MonoMs> {
        let left = (self.settings.ends_below as usize).saturating_sub(1);
        let last_to_go = self.counts_until.len().checked_sub(left + 1);
        // One that can end already does so at the next look.
        self.active.then(|| last_to_go.map_or(MonoMs(0), |index| self.counts_until[index]))
    }

    /// When each of the latest alarms stops counting, oldest first.
    pub(super) fn counts_until(&self) -> impl ExactSizeIterator<Item = MonoMs> + '_ {
        self.counts_until.iter().copied()
    }

    fn forget(&mut self, now: MonoMs) {
        while self.counts_until.front().is_some_and(|until| *until <= now) {
            self.counts_until.pop_front();
        }
    }
}
