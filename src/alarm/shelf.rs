//! How long one alarm may be shelved in all, so that no alarm is shelved again and again for ever.
//!
//! A period begins with the first shelving; what shelvings take of it adds up until the period is over. What an early end
//! leaves of a shelving is given back. Constant size. Must never end a shelving: it only refuses a new one.

use serde::{Deserialize, Serialize};

use super::delay::later;
use super::operator::Refused;
use super::settings::AlarmSettings;
use crate::reading::MonoMs;

/// Alarms of one operator position that may be shelved at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShelfSettings {
    /// So many.
    pub at_once: u32,
}

/// Most that may be asked for.
pub const AT_ONCE_MAX: u32 = 10_000;

impl Default for ShelfSettings {
    /// Twenty: what one person can look through at the change of a shift (own choice).
    fn default() -> Self {
        ShelfSettings { at_once: 20 }
    }
}

/// What shelvings of one alarm have taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ShelfTime {
    period_ends: Option<MonoMs>,
    used_ms: u64,
}

/// The same over a restart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct ShelfTimeImage {
    /// Left of the period, ms; none when none has begun.
    pub period_left_ms: Option<u64>,
    /// Taken in it, ms.
    pub used_ms: u64,
}

impl ShelfTime {
    /// Takes time for a shelving from now on, or refuses.
    pub(super) fn take(&mut self, now: MonoMs, for_ms: u64, settings: &AlarmSettings) -> Result<(), Refused> {
        if self.period_ends.is_none_or(|ends| ends <= now) {
            *self = ShelfTime { period_ends: Some(later(now, settings.shelving_period_ms)), used_ms: 0 };
        }
        let left_ms = settings.shelving_total_ms.saturating_sub(self.used_ms);
        if for_ms > left_ms {
            return Err(Refused::ShelvedTooLongInAll {
                left_minutes: left_ms / MINUTE_MS,
                total_hours: settings.shelving_total_ms.div_ceil(60 * MINUTE_MS),
                again_in_hours: self.period_ends.map_or(0, |ends| ends.since(now).div_ceil(60 * MINUTE_MS)),
            });
        }
        self.used_ms += for_ms;
        Ok(())
    }

    /// Gives back what a shelving left when it ended early.
    pub(super) fn give_back(&mut self, left_ms: u64) {
        self.used_ms = self.used_ms.saturating_sub(left_ms);
    }

    pub(super) fn image(self, now: MonoMs) -> ShelfTimeImage {
        let period = self.period_ends.filter(|ends| *ends > now);
        let used_ms = if period.is_some() { self.used_ms } else { 0 };
        ShelfTimeImage { period_left_ms: period.map(|ends| ends.since(now)), used_ms }
    }

    pub(super) fn restored(image: ShelfTimeImage, now: MonoMs, away_ms: u64) -> ShelfTime {
        let left_ms = image.period_left_ms.map(|left_ms| left_ms.saturating_sub(away_ms));
        ShelfTime { period_ends: left_ms.map(|left_ms| later(now, left_ms)), used_ms: image.used_ms }
    }
}

const MINUTE_MS: u64 = 60_000;
