//! The outbox as tasks use it: the file behind a lock, worked on by threads that may block. Must never say that something is
//! kept before its commit has returned.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use super::message::Message;
use super::outbox_file::{OutboxError, OutboxFile, Put, Waiting};
use super::planner::State;

/// A handle; clones share one file.
#[derive(Debug, Clone)]
pub struct Outbox(Arc<Mutex<OutboxFile>>);

impl Outbox {
    /// Opens the outbox of a folder; see [`OutboxFile::open`].
    pub fn open(folder: &Path, now_unix_ms: i64) -> Result<(Outbox, Option<PathBuf>), OutboxError> {
        OutboxFile::open(folder, now_unix_ms).map(|(file, aside)| (Outbox(Arc::new(Mutex::new(file))), aside))
    }

    /// Puts messages; durable when this returns. See [`OutboxFile::put`].
    pub async fn put(&self, puts: Vec<Put>) -> Result<BTreeMap<String, u64>, OutboxError> {
        self.with(move |file| file.put(&puts)).await
    }

    /// See [`OutboxFile::next`].
    pub async fn next(&self, target: &str, later: Vec<i64>) -> Result<Option<Waiting>, OutboxError> {
        let target = target.to_owned();
        self.with(move |file| file.next(&target, &later)).await
    }

    /// See [`OutboxFile::remove`].
    pub async fn remove(&self, target: &str, sequence: i64) -> Result<(), OutboxError> {
        let target = target.to_owned();
        self.with(move |file| file.remove(&target, sequence)).await
    }

    /// See [`OutboxFile::expire`].
    pub async fn expire(&self, target: &str, before_unix_ms: i64) -> Result<u64, OutboxError> {
        let target = target.to_owned();
        self.with(move |file| file.expire(&target, before_unix_ms)).await
    }

    /// See [`OutboxFile::lost`].
    pub async fn lost(&self, target: &str) -> Result<(u64, u64), OutboxError> {
        let target = target.to_owned();
        self.with(move |file| file.lost(&target)).await
    }

    /// See [`OutboxFile::tell_lost`].
    pub async fn tell_lost(&self, target: &str, message: Message) -> Result<(), OutboxError> {
        let target = target.to_owned();
        self.with(move |file| file.tell_lost(&target, &message)).await
    }

    /// See [`OutboxFile::waiting`].
    pub async fn waiting(&self, target: &str) -> Result<u64, OutboxError> {
        let target = target.to_owned();
        self.with(move |file| file.waiting(&target)).await
    }

    /// See [`OutboxFile::states`].
    pub async fn states(&self) -> Result<BTreeMap<String, State>, OutboxError> {
        self.with(|file| file.states()).await
    }

    /// See [`OutboxFile::keep_only`].
    pub async fn keep_only(&self, targets: Vec<String>) -> Result<u64, OutboxError> {
        self.with(move |file| file.keep_only(&targets)).await
    }

    async fn with<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut OutboxFile) -> Result<T, OutboxError> + Send + 'static,
    ) -> Result<T, OutboxError> {
        let file = Arc::clone(&self.0);
        // A panic elsewhere left no transaction open: SQLite takes that back.
        let run = move || work(&mut file.lock().unwrap_or_else(PoisonError::into_inner));
        tokio::task::spawn_blocking(run).await.unwrap_or(Err(OutboxError::CutOff))
    }
}
