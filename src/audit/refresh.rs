//! How long a device has shown the same values, how often it shows new ones, and whether it has stopped to: a gateway that reads
//! its meters once a minute repeats each value for a minute, and is not frozen.
//!
//! Constant-size state. Only times under load are learned: the values of a stopped pump may rest. Must never take a freeze
//! for the device's own pace.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use crate::reading::Instant2;

/// Fewer identical readings in a row are no freeze at any pace: coarse values repeat themselves.
const FEWEST_READINGS: u32 = 40;
/// Refreshes missed in a row that are a freeze.
const MISSED: f64 = 5.0;
/// Taken for the interval while the device's own is not known: gateways refresh once a minute at the slowest (common practice, no
/// source), ms.
const UNKNOWN_MS: f64 = 60_000.0;
/// Whole intervals after which the device's own pace is known.
const TO_KNOW: u8 = 3;
/// How fast a learned interval follows shorter ones.
const FOLLOWS: f64 = 0.05;

/// What is known of a device's refreshes.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Refresh {
    /// When the present values were first read.
    since: Option<Instant2>,
    /// Readings in a row that showed them.
    readings: u32,
    /// Load was there on all of them.
    under_load: bool,
    /// The values before them came in under load too: the interval that they end is a whole one.
    whole: bool,
    /// Whole intervals seen, up to [`TO_KNOW`].
    intervals: u8,
    /// The longest usual one, ms.
    interval_ms: f64,
}

/// The present values, as long as they have been shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unchanged {
    /// When they were first read.
    pub since: Instant2,
    /// Readings in a row that showed them, the first among them.
    pub readings: u32,
    /// For how long, ms.
    pub for_ms: u64,
    /// Longest usual time between two changes of this device's values, ms; `None` while it is not known.
    pub refresh_ms: Option<u64>,
    /// Several refreshes have been missed.
    pub frozen: bool,
}

impl Refresh {
    /// Goes on after an absence. Nobody saw what the values did meanwhile: the interval that runs is not a whole one.
    pub fn resume(&mut self, absence: &Absence) {
        self.since = self.since.map(|since| absence.instant(since));
        self.under_load = false;
    }

    /// Takes one reading: whether its values are those of the one before, and whether load is there.
    pub fn note(&mut self, at: Instant2, same: bool, load: bool) -> Unchanged {
        match self.since {
            Some(_) if same => {
                self.readings = self.readings.saturating_add(1);
                self.under_load &= load;
            }
            before => {
                if let Some(before) = before {
                    self.learn(at.mono.since(before.mono) as f64, load);
                }
                (self.since, self.readings, self.under_load) = (Some(at), 1, load);
            }
        }
        let since = self.since.unwrap_or(at);
        let for_ms = at.mono.since(since.mono);
        Unchanged {
            since,
            readings: self.readings,
            for_ms,
            refresh_ms: self.known().then_some(self.interval_ms as u64),
            frozen: self.readings >= FEWEST_READINGS && for_ms as f64 >= self.limit_ms(),
        }
    }

    fn known(&self) -> bool {
        self.intervals >= TO_KNOW
    }

    /// Longer than this without a change is a freeze, ms.
    fn limit_ms(&self) -> f64 {
        MISSED * if self.known() { self.interval_ms } else { self.interval_ms.max(UNKNOWN_MS) }
    }

    /// The values have changed after `ms`.
    fn learn(&mut self, ms: f64, load: bool) {
        let whole = self.whole && self.under_load && load;
        // The first values were read at some time within an interval.
        self.whole = self.under_load && load;
        if !whole {
            return;
        }
        self.interval_ms = if ms <= self.interval_ms {
            self.interval_ms + FOLLOWS * (ms - self.interval_ms)
        } else if self.known() {
            // A device that was frozen for an hour has not changed its pace; one that has is followed step by step.
            ms.min(2.0 * self.interval_ms)
        } else {
            ms
        };
        self.intervals = self.intervals.saturating_add(1).min(TO_KNOW);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{MonoMs, UnixMs};

    fn at(second: u64) -> Instant2 {
        Instant2 { wall: UnixMs(1_700_000_000_000 + 1000 * second as i64), mono: MonoMs(1000 * second) }
    }

    /// Seconds of the polls (one a second) up to `end` on which the device is called frozen; its values change at `changes`.
    fn frozen_at(refresh: &mut Refresh, from: u64, end: u64, changes: impl Fn(u64) -> bool) -> Vec<u64> {
        (from..end).filter(|second| refresh.note(at(*second), !changes(*second), true).frozen).collect()
    }

    #[test]
    fn a_device_that_refreshes_once_a_minute_is_frozen_only_after_several_missed_refreshes() {
        let mut refresh = Refresh::default();
        let every_minute = |second: u64| second.is_multiple_of(60) && second <= 1800;
        assert_eq!(frozen_at(&mut refresh, 0, 1800 + 299, every_minute), Vec::<u64>::new());
        assert!(refresh.note(at(2100), true, true).frozen);
        assert_eq!(refresh.note(at(2101), true, true).refresh_ms, Some(60_000));
        assert!(!refresh.note(at(2102), false, true).frozen, "one that moves is live");
    }

    #[test]
    fn a_live_device_that_stops_is_frozen_after_forty_readings() {
        let mut refresh = Refresh::default();
        let frozen = frozen_at(&mut refresh, 0, 200, |second| second <= 100);
        assert_eq!(frozen.first(), Some(&139), "forty readings: those of second 100 to 139");
    }

    #[test]
    fn one_that_never_changes_is_frozen_after_five_minutes_and_never_before() {
        let mut refresh = Refresh::default();
        let frozen = frozen_at(&mut refresh, 0, 3600, |_| false);
        assert_eq!((frozen.first(), frozen.len()), (Some(&300), 3300));
        let now = refresh.note(at(3600), true, true);
        assert_eq!((now.since, now.readings, now.for_ms, now.refresh_ms), (at(0), 3601, 3_600_000, None));
    }

    /// A start in the middle of an interval shows a part of it: that part is not the device's pace.
    #[test]
    fn a_part_of_an_interval_is_not_learned() {
        let mut refresh = Refresh::default();
        let changes = |second: u64| second == 5 || second > 5 && (second - 5).is_multiple_of(100);
        assert_eq!(frozen_at(&mut refresh, 0, 1200, changes), Vec::<u64>::new());
        // A stop of the pump and its start end an interval before its time.
        let mut refresh = Refresh::default();
        for second in 0..2000_u64 {
            let stopped = second % 300 < 30;
            let same = !(second.is_multiple_of(60) || second % 300 == 30);
            assert!(!refresh.note(at(second), same, !stopped).frozen, "{second}");
        }
        assert_eq!(refresh.note(at(2000), true, true).refresh_ms, Some(60_000));
    }

    /// The same freeze again is told as soon, and a device set to another pace is followed.
    #[test]
    fn a_freeze_is_not_taken_for_the_pace_and_a_new_pace_is_learned() {
        let mut refresh = Refresh::default();
        let stuck = |second: u64| second <= 100 || (1300..=1400).contains(&second);
        let frozen = frozen_at(&mut refresh, 0, 1600, stuck);
        let again = frozen.iter().find(|second| **second > 1400);
        assert_eq!((frozen.first(), again), (Some(&139), Some(&1439)));
        let slower = |second: u64| second.is_multiple_of(300);
        let frozen = frozen_at(&mut refresh, 1600, 10_000, slower);
        assert!(frozen.last().is_some_and(|last| *last < 5000), "{:?}", frozen.last());
    }

    #[test]
    fn what_happened_while_away_is_not_learned() {
        let mut refresh = Refresh::default();
        frozen_at(&mut refresh, 0, 600, |second| second.is_multiple_of(60));
        let mut image = Vec::new();
        ciborium::into_writer(&refresh, &mut image).unwrap();
        let mut kept: Refresh = ciborium::from_reader(image.as_slice()).unwrap();
        kept.resume(&Absence::new(at(599), at(2000)));
        let now = kept.note(at(2000), false, true);
        assert_eq!((now.refresh_ms, now.readings, now.frozen), (Some(60_000), 1, false));
    }
}
