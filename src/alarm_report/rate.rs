//! Counts per window of 10 minutes, and the floods among them.

use std::collections::BTreeMap;

use super::guidance::{FLOOD_ENDS_BELOW, MOST_IN_10_MIN};
use super::{Floods, Period, Rate, WINDOW_MS, share};

/// How many came in each window that had any; windows are numbered from 0 at the beginning of the period.
#[derive(Debug, Default)]
pub(super) struct Windows(BTreeMap<i64, u64>);

/// Windows of a period; the last one may be cut short by its end.
fn windows(period: Period) -> u64 {
    ((period.until_ms - period.since_ms) as u64).div_ceil(WINDOW_MS as u64)
}

impl Windows {
    pub(super) fn count(&mut self, window: i64) {
        *self.0.entry(window).or_default() += 1;
    }

    pub(super) fn total(&self) -> u64 {
        self.0.values().sum()
    }

    pub(super) fn rate(&self, period: Period) -> Rate {
        let total = self.total();
        let over = self.0.values().filter(|count| **count > MOST_IN_10_MIN).count() as u64;
        let length_ms = (period.until_ms - period.since_ms) as f64;
        Rate {
            total,
            per_day: total as f64 / period.days(),
            per_10_min: total as f64 / (length_ms / WINDOW_MS as f64),
            most_in_10_min: self.0.values().copied().max().unwrap_or_default(),
            windows_over_10: over,
            share_of_windows_over_10: share(over, windows(period)),
        }
    }

    pub(super) fn floods(&self, period: Period, told: u64) -> Floods {
        let mut floods = Floods { count: 0, share_of_time: 0.0, largest: 0, told };
        let mut flooded = 0;
        let mut after: Option<i64> = None;
        let mut size = 0;
        for (&window, &count) in &self.0 {
            // A window without any alarm is not in the map, and ends a flood.
            let goes_on = after == Some(window) && count >= FLOOD_ENDS_BELOW;
            if goes_on {
                size += count;
            } else if count > MOST_IN_10_MIN {
                floods.count += 1;
                size = count;
            } else {
                continue;
            }
            flooded += 1;
            after = Some(window + 1);
            floods.largest = floods.largest.max(size);
        }
        floods.share_of_time = share(flooded, windows(period));
        floods
    }
}
