//! What people do, in the journal: one entry for each act, with who did it.
//!
//! Must never be given a text that somebody typed where a password goes.

use crate::access::role::Principal;
use crate::clock::Clock;
use crate::journal::writer::AppendError;
use crate::journal::{Entry, Journal, Kind};

/// The journal as handlers use it. Clones share it.
#[derive(Debug, Clone)]
pub struct Acts {
    journal: Option<Journal>,
    clock: Clock,
}

impl Acts {
    /// Without a journal, acts are in the log only.
    pub fn new(journal: Option<Journal>, clock: Clock) -> Acts {
        Acts { journal, clock }
    }

    /// The clock of its entries.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// An entry for what somebody did now; say more of it with `about` and `with`, then [`Acts::append`] it.
    pub fn of(&self, who: &Principal, text: impl Into<String>) -> Entry {
        Entry::new(self.clock.now().wall.0, Kind::OperatorAction, text).by(who.name.clone())
    }

    /// An entry for what happened without anybody known behind it.
    pub fn unnamed(&self, kind: Kind, text: impl Into<String>) -> Entry {
        Entry::new(self.clock.now().wall.0, kind, text)
    }

    /// Returns once the entry is on the disk. An act that must not be done unrecorded is done after that.
    pub async fn append(&self, entry: Entry) -> Result<(), AppendError> {
        match &self.journal {
            Some(journal) => journal.append(entry).await.map(|_| ()),
            None => Ok(()),
        }
    }

    /// As [`Acts::append`] for what has happened in any case: it is logged, and so is a failure.
    pub async fn note(&self, entry: Entry) {
        tracing::info!("{}", entry.text);
        if let Err(error) = self.append(entry).await {
            tracing::error!("not in the journal: {error}");
        }
    }
}
