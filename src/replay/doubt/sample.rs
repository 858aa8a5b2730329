//! A few readings of one monitor, spread evenly over a file: some while a circuit runs, some while none does.
//!
//! Bounded, and nearly free a reading: most readings only count down. Must never keep more than it says.

use crate::reading::MonitorReading;
use crate::station::register_watch::Signs;

/// Readings looked at in full when a file begins, so that a short one has a sample too; after them one in so many.
const FIRST: u32 = 32;
const THEN_EVERY: u32 = 16;
/// Readings kept at most, of a running pump and of a stopped one.
const KEPT: usize = 24;
/// Readings of a running pump that are enough by themselves.
const RUNNING_ENOUGH: usize = 5;

/// The sample.
#[derive(Debug, Default)]
pub struct Sample {
    seen: u32,
    wait: u32,
    running: Spread,
    stopped: Spread,
    failing: bool,
}

/// Readings that stay evenly spread however many come.
#[derive(Debug, Default)]
struct Spread {
    kept: Vec<MonitorReading>,
    offered: u64,
    /// Every so many are kept, as a power of two.
    doubled: u32,
}

impl Sample {
    /// True when the next reading is to be looked at; counts it.
    #[inline]
    pub fn due(&mut self) -> bool {
        if self.wait > 0 {
            self.wait -= 1;
            return false;
        }
        self.seen = self.seen.saturating_add(1);
        self.wait = if self.seen < FIRST { 0 } else { THEN_EVERY - 1 };
        true
    }

    /// Takes a reading that is due, and what its circuits say of it.
    pub fn take(&mut self, reading: &MonitorReading, signs: Signs) {
        self.failing |= signs.failing;
        if signs.running {
            self.running.take(reading);
        } else {
            self.stopped.take(reading);
        }
    }

    /// True when a check has failed in a reading looked at that wrong columns make fail.
    pub fn failing(&self) -> bool {
        self.failing
    }

    /// What is kept, in order of time: of the running pump where that is enough.
    pub fn readings(&self) -> Vec<&MonitorReading> {
        let mut readings: Vec<&MonitorReading> = self.running.kept.iter().collect();
        if readings.len() < RUNNING_ENOUGH {
            readings.extend(&self.stopped.kept);
            readings.sort_by_key(|reading| reading.at.mono);
        }
        readings
    }
}

impl Spread {
    fn take(&mut self, reading: &MonitorReading) {
        // Zero has as many of them as a number can have.
        let wanted = self.offered.trailing_zeros() >= self.doubled;
        self.offered += 1;
        if !wanted {
            return;
        }
        if self.kept.len() == KEPT {
            // Every other one goes, and from now on only half as many come.
            let mut keep = false;
            self.kept.retain(|_| {
                keep = !keep;
                keep
            });
            self.doubled += 1;
        }
        self.kept.push(reading.clone());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::{Instant2, MonoMs};

    fn at(ms: u64) -> MonitorReading {
        MonitorReading { at: Instant2 { mono: MonoMs(ms), ..Instant2::default() }, ..MonitorReading::default() }
    }

    fn sampled(readings: u64, running: impl Fn(u64) -> bool) -> Vec<u64> {
        let mut sample = Sample::default();
        for n in 0..readings {
            if sample.due() {
                sample.take(&at(n), Signs { running: running(n), ..Signs::default() });
            }
        }
        sample.readings().iter().map(|reading| reading.at.mono.0).collect()
    }

    #[test]
    fn a_sample_is_small_and_spread_over_the_whole() {
        assert_eq!(sampled(5, |_| true), [0, 1, 2, 3, 4]);
        let times = sampled(1_000_000, |_| true);
        assert!((12..=24).contains(&times.len()), "{times:?}");
        assert!(times.iter().any(|t| *t < 100_000) && times.iter().any(|t| *t > 700_000), "{times:?}");
        assert!(times.windows(2).all(|pair| pair[0] < pair[1] && pair[1] - pair[0] < 200_000), "{times:?}");
    }

    #[test]
    fn readings_of_the_running_pump_come_first() {
        let times = sampled(10_000, |n| n >= 9_000);
        assert!(times.len() >= 5 && times.iter().all(|t| *t >= 9_000), "{times:?}");
        assert!(sampled(10_000, |_| false).len() >= 5);
    }
}
