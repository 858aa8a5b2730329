//! The journal as the rest of the program uses it: hand in an entry, get its place back once it is on the disk.
//!
//! One thread owns the file. Entries that arrive while it syncs share the next sync, so a burst costs few of them.
//! Must never acknowledge an entry before its commit has returned.

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::thread;

use tokio::sync::{mpsc, oneshot, watch};

use super::chain::Head;
use super::entry::Entry;
use super::file::{JournalError, JournalFile, Opened};

/// Entries that may wait; whoever has more waits with them.
const QUEUE: usize = 1024;
/// Entries in one commit at most.
const GROUP: usize = 512;

/// Why an entry is not in the journal.
#[derive(Debug, Clone, thiserror::Error)]
pub enum AppendError {
    /// The file refused it.
    #[error(transparent)]
    File(#[from] Arc<JournalError>),
    /// The journal's thread has ended.
    #[error("the journal is closed")]
    Closed,
}

type Reply = oneshot::Sender<Result<Head, AppendError>>;

/// A handle; clones share one file. The file is closed when the last one is dropped.
#[derive(Debug, Clone)]
pub struct Journal {
    requests: mpsc::Sender<(Entry, Reply)>,
    head: watch::Receiver<Head>,
}

impl Journal {
    /// Opens the journal of a folder and starts its thread.
    pub fn open(folder: &Path, now_unix_ms: i64) -> Result<(Journal, Opened), JournalError> {
        let (file, opened) = JournalFile::open(folder, now_unix_ms)?;
        let (requests, receiver) = mpsc::channel(QUEUE);
        let (heads, head) = watch::channel(file.head());
        let spawned = thread::Builder::new().name("journal".to_owned()).spawn(move || serve(file, receiver, &heads));
        spawned.map_err(|source: io::Error| JournalError::Folder { path: folder.to_owned(), source })?;
        Ok((Journal { requests, head }, opened))
    }

    /// A journal whose thread has ended.
    #[cfg(test)]
    pub(crate) fn closed() -> Journal {
        Journal { requests: mpsc::channel(1).0, head: watch::channel(Head::EMPTY).1 }
    }

    /// The newest record that is on the disk.
    pub fn head(&self) -> Head {
        *self.head.borrow()
    }

    /// Appends an entry; returns its place once it is durable. An entry handed in is written even if nobody waits for it.
    pub async fn append(&self, entry: Entry) -> Result<Head, AppendError> {
        let (reply, answer) = oneshot::channel();
        self.requests.send((entry, reply)).await.map_err(|_| AppendError::Closed)?;
        answer.await.map_err(|_| AppendError::Closed)?
    }

    /// Appends entries in their order, sharing a sync; returns the place of the last once all are durable.
    pub async fn append_all(&self, entries: Vec<Entry>) -> Result<Option<Head>, AppendError> {
        let mut answers = Vec::with_capacity(entries.len());
        for entry in entries {
            let (reply, answer) = oneshot::channel();
            self.requests.send((entry, reply)).await.map_err(|_| AppendError::Closed)?;
            answers.push(answer);
        }
        let mut last = None;
        for answer in answers {
            last = Some(answer.await.map_err(|_| AppendError::Closed)??);
        }
        Ok(last)
    }

    /// As [`Journal::append`] for a thread that may block; panics on a runtime's own threads.
    pub fn append_blocking(&self, entry: Entry) -> Result<Head, AppendError> {
        let (reply, answer) = oneshot::channel();
        self.requests.blocking_send((entry, reply)).map_err(|_| AppendError::Closed)?;
        answer.blocking_recv().map_err(|_| AppendError::Closed)?
    }
}

fn serve(mut file: JournalFile, mut requests: mpsc::Receiver<(Entry, Reply)>, heads: &watch::Sender<Head>) {
    let mut group = Vec::with_capacity(GROUP);
    while requests.blocking_recv_many(&mut group, GROUP) > 0 {
        let (entries, replies): (Vec<Entry>, Vec<Reply>) = group.drain(..).unzip();
        // Nobody may be waiting for an answer any more; the entry counts all the same.
        match file.append(&entries) {
            Ok(records) => {
                heads.send_replace(file.head());
                for (reply, record) in replies.into_iter().zip(records) {
                    let _ = reply.send(Ok(record.head()));
                }
            }
            Err(error) => {
                let error = Arc::new(error);
                for reply in replies {
                    let _ = reply.send(Err(AppendError::File(Arc::clone(&error))));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::chain::Walk;
    use crate::journal::entry::Kind;
    use crate::journal::file::{self, FILE_NAME};

    #[tokio::test]
    async fn many_writers_share_one_chain() {
        let folder = tempfile::tempdir().unwrap();
        let (journal, _) = Journal::open(folder.path(), 0).unwrap();
        let tasks: Vec<_> = (0..50)
            .map(|task| {
                let journal = journal.clone();
                tokio::spawn(async move {
                    let mut places = Vec::new();
                    for n in 0..20 {
                        let entry = Entry::new(n, Kind::Transition, format!("task {task}, entry {n}"));
                        places.push(journal.append(entry).await.unwrap().sequence);
                    }
                    assert!(places.is_sorted(), "a task's entries keep their order");
                    places
                })
            })
            .collect();
        let mut places = Vec::new();
        for task in tasks {
            places.extend(task.await.unwrap());
        }
        places.sort_unstable();
        assert_eq!(places, (1..=1000).collect::<Vec<_>>());
        assert_eq!(journal.head().sequence, 1000);
        let mut walk = Walk::default();
        file::read(&folder.path().join(FILE_NAME), 0, |record| {
            walk.step(&record);
            true
        })
        .unwrap();
        assert_eq!((walk.entries(), walk.broken()), (1000, None));
    }
}
