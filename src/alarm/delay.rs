//! A delay that stands still while the quality is bad, and that a restart does not lose. Must never look at a past time:
//! after a restart the monotonic clock starts anew, and only what is yet to come has a place on it.

use crate::reading::MonoMs;

/// Waiting for a condition to have lasted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Delay {
    /// Not waiting.
    #[default]
    Idle,
    /// Over at this time.
    Running {
        /// When.
        due: MonoMs,
    },
    /// Stands still.
    Held {
        /// What is left, ms.
        left_ms: u64,
    },
}

impl Delay {
    /// Waits on, or starts to wait for `full_ms`.
    pub fn run(&mut self, now: MonoMs, full_ms: u64) {
        let left_ms = match *self {
            Delay::Running { .. } => return,
            Delay::Idle => full_ms,
            Delay::Held { left_ms } => left_ms,
        };
        *self = Delay::Running { due: later(now, left_ms) };
    }

    /// Stands still from now on.
    pub fn hold(&mut self, now: MonoMs) {
        if let Delay::Running { due } = *self {
            *self = Delay::Held { left_ms: due.since(now) };
        }
    }

    /// When it is over, if it runs.
    pub fn due(self) -> Option<MonoMs> {
        match self {
            Delay::Running { due } => Some(due),
            Delay::Idle | Delay::Held { .. } => None,
        }
    }

    /// What is left of it, ms; `None` when not waiting.
    pub fn left_ms(self, now: MonoMs) -> Option<u64> {
        match self {
            Delay::Idle => None,
            Delay::Running { due } => Some(due.since(now)),
            Delay::Held { left_ms } => Some(left_ms),
        }
    }
}

/// A time so many ms after another.
pub(super) fn later(now: MonoMs, by_ms: u64) -> MonoMs {
    MonoMs(now.0.saturating_add(by_ms))
}
