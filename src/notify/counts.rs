//! What became of notifications, counted for metrics. Must never wait for anybody.

use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

/// Counts of one target since the start.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TargetCounts {
    /// Name of the target.
    pub target: String,
    /// "webhook", "email" or "syslog".
    pub kind: &'static str,
    /// Messages delivered.
    pub delivered: u64,
    /// Attempts that failed and are made again.
    pub retried: u64,
    /// Messages that the target refused for good.
    pub refused: u64,
    /// Messages that became too old.
    pub expired: u64,
    /// Messages dropped because too many waited.
    pub dropped: u64,
    /// Messages that the disk did not take, so that they would not survive a restart.
    pub not_kept: u64,
    /// Messages that wait.
    pub waiting: u64,
    /// When a message was last delivered, ms since 1970; 0 for not yet.
    pub delivered_unix_ms: i64,
}

/// The counters behind [`TargetCounts`].
#[derive(Debug, Default)]
pub(super) struct Counters {
    pub(super) delivered: AtomicU64,
    pub(super) retried: AtomicU64,
    pub(super) refused: AtomicU64,
    pub(super) expired: AtomicU64,
    pub(super) dropped: AtomicU64,
    pub(super) not_kept: AtomicU64,
    pub(super) waiting: AtomicU64,
    pub(super) delivered_unix_ms: AtomicI64,
}

/// Adds to a counter.
pub(super) fn add(counter: &AtomicU64, n: u64) {
    counter.fetch_add(n, Ordering::Relaxed);
}

impl Counters {
    pub(super) fn read(&self, target: &str, kind: &'static str) -> TargetCounts {
        let get = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        TargetCounts {
            target: target.to_owned(),
            kind,
            delivered: get(&self.delivered),
            retried: get(&self.retried),
            refused: get(&self.refused),
            expired: get(&self.expired),
            dropped: get(&self.dropped),
            not_kept: get(&self.not_kept),
            waiting: get(&self.waiting),
            delivered_unix_ms: self.delivered_unix_ms.load(Ordering::Relaxed),
        }
    }
}
