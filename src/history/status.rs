//! How the history fares: counters since the start and the state of its storage, for every face and for the alarms.
//!
//! Written by the recorder's thread and its senders, read by anyone without waiting.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use crate::disk::Room;

/// Stands for a figure that is not known.
const UNKNOWN: u64 = u64::MAX;

/// Counters since the start.
#[derive(Debug)]
pub struct Status {
    /// Values written.
    pub written: AtomicU64,
    /// Values lost because the queue was full.
    pub dropped: AtomicU64,
    /// Values lost because the store refused them.
    pub refused: AtomicU64,
    /// True while the store refuses.
    pub failing: AtomicBool,
    /// True while room is made by dropping the oldest detail.
    pub full: AtomicBool,
    /// Readings, changes and states that wait to be written.
    pub queued: AtomicU64,
    removed: AtomicU64,
    size_bytes: AtomicU64,
    free_bytes: AtomicU64,
    least_bytes: AtomicU64,
}

impl Default for Status {
    fn default() -> Status {
        let zero = || AtomicU64::new(0);
        Status {
            written: zero(),
            dropped: zero(),
            refused: zero(),
            failing: AtomicBool::new(false),
            full: AtomicBool::new(false),
            queued: zero(),
            removed: zero(),
            size_bytes: AtomicU64::new(UNKNOWN),
            free_bytes: AtomicU64::new(UNKNOWN),
            least_bytes: AtomicU64::new(0),
        }
    }
}

/// [`Status`] of one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct Figures {
    /// Values written.
    pub written: u64,
    /// Values lost because the queue was full.
    pub dropped: u64,
    /// Values lost because the store refused them.
    pub refused: u64,
    /// Readings, changes and states that wait to be written.
    pub queued: u64,
    /// Rows removed for their age or for want of room.
    pub removed_rows: u64,
    /// Room that the history takes, bytes; none while not known.
    pub size_bytes: Option<u64>,
    /// The storage.
    pub storage: StorageState,
}

/// Whether there is room to record, and whether it works.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct StorageState {
    /// True while room is made by dropping the oldest detail.
    pub full: bool,
    /// True while the store refuses to write.
    pub failing: bool,
    /// Free on its disk, bytes; none where that cannot be told, as of a server.
    pub free_bytes: Option<u64>,
    /// Less than this free is too little, bytes.
    pub least_bytes: u64,
}

impl Status {
    /// What the recorder's thread has seen.
    pub(super) fn looked(&self, size_bytes: Option<u64>, removed_rows: u64, room: Option<Room>) {
        if let Some(size_bytes) = size_bytes {
            self.size_bytes.store(size_bytes, Ordering::Relaxed);
        }
        self.removed.store(removed_rows, Ordering::Relaxed);
        self.free_bytes.store(room.map_or(UNKNOWN, |room| room.free_bytes), Ordering::Relaxed);
        self.least_bytes.store(room.map_or(0, |room| room.least_bytes), Ordering::Relaxed);
    }

    /// The storage as of the last batch.
    pub fn storage(&self) -> StorageState {
        StorageState {
            full: self.full.load(Ordering::Relaxed),
            failing: self.failing.load(Ordering::Relaxed),
            free_bytes: known(&self.free_bytes),
            least_bytes: self.least_bytes.load(Ordering::Relaxed),
        }
    }

    /// All of it.
    pub fn figures(&self) -> Figures {
        let count = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        Figures {
            written: count(&self.written),
            dropped: count(&self.dropped),
            refused: count(&self.refused),
            queued: count(&self.queued),
            removed_rows: count(&self.removed),
            size_bytes: known(&self.size_bytes),
            storage: self.storage(),
        }
    }
}

fn known(figure: &AtomicU64) -> Option<u64> {
    Some(figure.load(Ordering::Relaxed)).filter(|figure| *figure != UNKNOWN)
}
