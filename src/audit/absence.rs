//! What becomes of the times in a state that was kept over a restart.
//!
//! Monotonic time begins anew with every process, so a kept time is moved by how long the process was away, which only the
//! wall clock can tell. Must never make a span up: what cannot be told is dropped, and the caller goes on as after a gap.

use crate::reading::{Instant2, MonoMs};

/// The time between the keeping of a state and its return.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Absence {
    kept: Instant2,
    now: Instant2,
}

impl Absence {
    /// A state kept at `kept`, by the clocks of then, returns at `now`, by the clocks of now.
    pub fn new(kept: Instant2, now: Instant2) -> Absence {
        Absence { kept, now }
    }

    /// How long it was away, ms; `None` when the wall clock has gone back, so that nobody knows.
    pub fn away_ms(&self) -> Option<u64> {
        u64::try_from(self.now.wall.0.checked_sub(self.kept.wall.0)?).ok()
    }

    /// How long before now a kept time was, ms.
    pub fn ago_ms(&self, then: MonoMs) -> Option<u64> {
        self.kept.mono.since(then).checked_add(self.away_ms()?)
    }

    /// A kept time by the clock of now; `None` when that is not known, or before this clock's zero.
    pub fn mono(&self, then: MonoMs) -> Option<MonoMs> {
        self.now.mono.0.checked_sub(self.ago_ms(then)?).map(MonoMs)
    }

    /// A kept instant for people: its wall time stands, its monotonic time is zero where it cannot be had.
    pub fn instant(&self, then: Instant2) -> Instant2 {
        Instant2 { wall: then.wall, mono: self.mono(then.mono).unwrap_or_default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::UnixMs;

    fn at(wall: i64, mono: u64) -> Instant2 {
        Instant2 { wall: UnixMs(wall), mono: MonoMs(mono) }
    }

    #[test]
    fn times_move_by_how_long_the_process_was_away() {
        let absence = Absence::new(at(1_000_000, 500_000), at(1_030_000, 100_000));
        assert_eq!(absence.away_ms(), Some(30_000));
        assert_eq!(absence.ago_ms(MonoMs(490_000)), Some(40_000));
        assert_eq!(absence.mono(MonoMs(490_000)), Some(MonoMs(60_000)));
        assert_eq!(absence.mono(MonoMs(400_000)), None, "before this clock's zero");
        assert_eq!(absence.instant(at(900_000, 400_000)), at(900_000, 0));
    }

    #[test]
    fn a_wall_clock_that_went_back_tells_nothing() {
        let absence = Absence::new(at(1_000_000, 500_000), at(999_999, 900_000));
        assert_eq!((absence.away_ms(), absence.mono(MonoMs(500_000))), (None, None));
    }
}
