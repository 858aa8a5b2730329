//! Rolls up, keeps within age and size, and makes room when the disk is full: decisions over any store, one bounded step
//! a call. Time comes in with the readings.
//!
//! Must never remove a coarser tier while a finer one can give the room.

use super::store::{Batch, Store, StoreError, Tier};

/// Readings may come this late and still count in their minute without it being made anew, ms.
const LATE_MS: i64 = 5_000;
/// Detail rolled up in one step, ms.
const STEP_MS: i64 = 900_000;
/// Slices removed at most to make room for one batch.
const MOST_SLICES: u32 = 200;
/// Key of the state that says how far minutes are made.
const MARK_KEY: &str = "history.rolled_up_to_ms";

/// How much is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Age of the oldest row of each tier, ms, in the order of [`Tier::ALL`].
    pub age_ms: [i64; 3],
    /// Room for all of it, bytes.
    pub size_bytes: u64,
}

impl Default for Limits {
    /// A month of readings, a year of minutes, twenty years of quarters of an hour, 8 GiB.
    fn default() -> Self {
        const DAY_MS: i64 = 24 * 3600 * 1000;
        Limits { age_ms: [31 * DAY_MS, 366 * DAY_MS, 20 * 366 * DAY_MS], size_bytes: 8 << 30 }
    }
}

/// Bookkeeping of one store.
#[derive(Debug)]
pub struct Keeper {
    limits: Limits,
    /// Minutes before this are made.
    mark_ms: Option<i64>,
    /// The latest time of the newest batch.
    now_ms: Option<i64>,
    size_bytes: Option<u64>,
    removed: u64,
}

/// Span removed in one step: small beside what is kept of the tier, so that a step is short.
fn slice_ms(tier: Tier) -> i64 {
    const MINUTE_MS: i64 = 60_000;
    match tier {
        Tier::Detail => 10 * MINUTE_MS,
        Tier::Minute => 24 * 60 * MINUTE_MS,
        Tier::QuarterHour => 30 * 24 * 60 * MINUTE_MS,
    }
}

fn floor(at_ms: i64, interval_ms: i64) -> i64 {
    at_ms.div_euclid(interval_ms) * interval_ms
}

impl Keeper {
    /// Takes up where the last process left off.
    pub fn new(store: &mut dyn Store, limits: Limits) -> Result<Keeper, StoreError> {
        let mark = store.state(MARK_KEY)?.and_then(|bytes| String::from_utf8(bytes).ok()?.parse().ok());
        Ok(Keeper { limits, mark_ms: mark, now_ms: None, size_bytes: None, removed: 0 })
    }

    /// Room taken when it was looked at last, bytes.
    pub fn size_bytes(&self) -> Option<u64> {
        self.size_bytes
    }

    /// Rows removed so far, for their age or for want of room.
    pub fn removed(&self) -> u64 {
        self.removed
    }

    /// Learns of readings just written.
    pub fn note(&mut self, earliest_ms: i64, latest_ms: i64) {
        self.now_ms = Some(latest_ms);
        // Late readings, or a clock put back: those minutes are made anew.
        self.mark_ms = self.mark_ms.map(|mark| mark.min(floor(earliest_ms, 60_000)));
    }

    /// Rolls up one step; true when there is more to do.
    pub fn roll_up(&mut self, store: &mut dyn Store) -> Result<bool, StoreError> {
        let Some(now) = self.now_ms else { return Ok(false) };
        let end = floor(now - LATE_MS, 60_000);
        // Steps over a time without readings, however long.
        let Some(first) = store.earliest(Tier::Detail, self.mark_ms.unwrap_or(i64::MIN))? else { return Ok(false) };
        let from = floor(first, STEP_MS);
        let to = (from + STEP_MS).min(end);
        if to <= first {
            return Ok(false);
        }
        store.roll_up(Tier::Minute, from.max(self.mark_ms.unwrap_or(from)), to)?;
        // The open quarter of an hour too, so that a trend has no hole at its right edge.
        store.roll_up(Tier::QuarterHour, from, from + STEP_MS)?;
        self.mark_ms = Some(to);
        let states = vec![(MARK_KEY.to_owned(), to.to_string().into_bytes())];
        store.write(&Batch { states, ..Batch::default() })?;
        Ok(to < end)
    }

    /// Removes one slice that is too old or too much; true when something was removed.
    pub fn trim(&mut self, store: &mut dyn Store) -> Result<bool, StoreError> {
        let Some(now) = self.now_ms else { return Ok(false) };
        for (tier, age_ms) in Tier::ALL.into_iter().zip(self.limits.age_ms) {
            let limit = now.saturating_sub(age_ms);
            if let Some(oldest) = store.earliest(tier, i64::MIN)?
                && oldest < limit
            {
                self.removed += store.remove_before(tier, limit.min(oldest + slice_ms(tier)))?;
                return Ok(true);
            }
        }
        let size_bytes = store.size_bytes()?;
        self.size_bytes = Some(size_bytes);
        if size_bytes <= self.limits.size_bytes {
            return Ok(false);
        }
        self.remove_oldest(store, &Tier::ALL)
    }

    /// Makes room on a full disk until `write` succeeds, or until no detail is left to remove. The coarsest tier is small and
    /// stays: the disk may be full of something else.
    pub fn make_room(
        &mut self,
        store: &mut dyn Store,
        mut write: impl FnMut(&mut dyn Store) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        for _ in 0..MOST_SLICES {
            let removed = match self.remove_and_give_back(store) {
                Err(StoreError::Full(_)) => {
                    store.release_reserve()?;
                    self.remove_and_give_back(store)?
                }
                other => other?,
            };
            match write(store) {
                Err(StoreError::Full(why)) if !removed => return Err(StoreError::Full(why)),
                Err(StoreError::Full(_)) => {}
                other => {
                    // When there is no room for it yet, next time.
                    let _ = store.restore_reserve();
                    return other;
                }
            }
        }
        Err(StoreError::Full(format!("{MOST_SLICES} slices of old rows removed, and still no room")))
    }

    fn remove_and_give_back(&mut self, store: &mut dyn Store) -> Result<bool, StoreError> {
        let removed = self.remove_oldest(store, &[Tier::Detail, Tier::Minute])?;
        store.give_back()?;
        Ok(removed)
    }

    /// Removes the oldest slice of the first of these tiers that has rows; false when none has.
    fn remove_oldest(&mut self, store: &mut dyn Store, tiers: &[Tier]) -> Result<bool, StoreError> {
        for tier in tiers {
            if let Some(oldest) = store.earliest(*tier, i64::MIN)? {
                self.removed += store.remove_before(*tier, oldest + slice_ms(*tier))?;
                return Ok(true);
            }
        }
        Ok(false)
    }
}
