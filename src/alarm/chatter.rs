//! Chattering: an alarm that comes and goes so often that each further announcement only teaches people to ignore it.
//! Holds nothing but when its latest raises stop counting. Must never hide the alarm itself: only announcements are held.

use std::collections::VecDeque;

use super::delay::later;
use super::settings::ChatterSettings;
use crate::reading::MonoMs;

/// Follows the raises of one alarm.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Chatter {
    /// When each of the latest raises stops counting, oldest first; never longer than the raises that make chattering.
    counts_until: VecDeque<MonoMs>,
    /// When it counts as quiet again; `None` while it does not chatter.
    quiet_at: Option<MonoMs>,
}

impl Chatter {
    /// Puts together what was kept over a restart.
    pub(super) fn restored(counts_until: impl IntoIterator<Item = MonoMs>, quiet_at: Option<MonoMs>) -> Chatter {
        Chatter { counts_until: counts_until.into_iter().collect(), quiet_at }
    }

    /// Takes one raise; true when chattering began with it.
    pub fn note(&mut self, now: MonoMs, settings: &ChatterSettings) -> bool {
        while self.counts_until.front().is_some_and(|until| *until <= now) {
            self.counts_until.pop_front();
        }
        self.counts_until.push_back(later(now, settings.within_ms));
        while self.counts_until.len() > settings.raises as usize {
            self.counts_until.pop_front();
        }
        let began = self.quiet_at.is_none() && self.counts_until.len() == settings.raises as usize;
        if began || self.quiet_at.is_some() {
            self.quiet_at = Some(later(now, settings.quiet_ms));
        }
        began
    }

    /// True while it chatters.
    pub fn chattering(&self) -> bool {
        self.quiet_at.is_some()
    }

    /// When it counts as quiet, if it chatters and nothing more happens.
    pub fn quiet_at(&self) -> Option<MonoMs> {
        self.quiet_at
    }

    /// The chattering is over.
    pub fn end(&mut self) {
        *self = Chatter::default();
    }

    /// When each of the latest raises stops counting, oldest first.
    pub(super) fn counts_until(&self) -> impl ExactSizeIterator<Item = MonoMs> + '_ {
        self.counts_until.iter().copied()
    }
}
