//! What people found at the panels, as the running daemon keeps it: entered, recorded, counted, withdrawn.
//!
//! An entry is checked by the same rules as a file of checks, is in the journal before it counts, and is kept in a file beside
//! the journal over a restart. Must never change what somebody entered; a mistake is withdrawn and entered anew.

mod entry;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use tokio::sync::{Mutex, watch};

use crate::config::RecordedCheck;
use crate::config::model::Config;
use crate::journal::{Entry as JournalEntry, Journal, Kind};
use crate::reading::UnixMs;
use crate::whole_file;

pub use self::entry::{Entry, Found, Volts, parsed};

/// Name of the file in the journal's folder.
const FILE_NAME: &str = "field-checks.json";
/// Entries kept; a site has a few dozen circuits that anybody ever opened.
const MOST: usize = 10_000;

/// Why an entry is not taken.
#[derive(Debug, thiserror::Error)]
pub enum CheckBookError {
    /// It does not say what a check can show; the key at fault where there is one.
    #[error("{detail}")]
    NotRight {
        /// Key of the entry.
        key: String,
        /// What is wrong and what would be right.
        detail: String,
    },
    /// A second look by the same person is no second witness.
    #[error(
        "{by} has entered this check already (number {id}); a second look by the same person is no second witness, so withdraw \
         the first if it was wrong"
    )]
    Twice {
        /// Who.
        by: String,
        /// Number of the first.
        id: u64,
    },
    /// No such entry.
    #[error("there is no field check number {0}")]
    Unknown(u64),
    /// Too many.
    #[error("{MOST} field checks are kept already; withdraw those that no longer count")]
    Full,
    /// The journal or the disk refuses.
    #[error("not taken, because it cannot be recorded: {0}")]
    NotRecorded(String),
}

/// A handle; clones share one book.
#[derive(Debug, Clone)]
pub struct CheckBook {
    pages: Arc<Mutex<Pages>>,
    counted: watch::Sender<Arc<[RecordedCheck]>>,
    config: watch::Receiver<Arc<Config>>,
    journal: Option<Journal>,
    file: Option<PathBuf>,
}

#[derive(Debug, Default, Clone, Serialize, Deserialize)]
struct Pages {
    next_id: u64,
    entries: Vec<Entry>,
}

impl CheckBook {
    /// Opens the book in the journal's folder; without one it lasts as long as the daemon. An unreadable book is set aside under
    /// another name, and told.
    pub fn open(
        config: watch::Receiver<Arc<Config>>,
        journal: Option<Journal>,
        folder: Option<&Path>,
        now: UnixMs,
    ) -> CheckBook {
        let file = folder.map(|folder| folder.join(FILE_NAME));
        let pages = file
            .as_deref()
            .and_then(|file| whole_file::read_json(file, "no field check counts", now))
            .unwrap_or_default();
        let (counted, _) = watch::channel(counted(&pages, &config.borrow()));
        let book = CheckBook { counted, pages: Arc::new(Mutex::new(pages)), config, journal, file };
        tracing::debug!("{} field checks count", book.counted.borrow().len());
        book
    }

    /// The checks that count now, for the stations.
    pub fn counted(&self) -> watch::Receiver<Arc<[RecordedCheck]>> {
        self.counted.subscribe()
    }

    /// All entries, oldest first.
    pub async fn entries(&self) -> Vec<Entry> {
        self.pages.lock().await.entries.clone()
    }

    /// Weighs the entries by a new configuration: those of a station that has gone no longer count, and are kept.
    pub async fn reconfigured(&self) {
        let pages = self.pages.lock().await;
        let now_counted = counted(&pages, &self.config.borrow());
        self.counted.send_replace(now_counted);
    }

    /// Takes what somebody found; it counts once it is recorded.
    pub async fn enter(
        &self,
        station: &str,
        circuit: &str,
        by: &str,
        at: UnixMs,
        found: Found,
    ) -> Result<Entry, CheckBookError> {
        let mut pages = self.pages.lock().await;
        if pages.entries.len() >= MOST {
            return Err(CheckBookError::Full);
        }
        let entry = Entry {
            id: pages.next_id,
            station: station.to_owned(),
            circuit: circuit.to_owned(),
            by: by.to_owned(),
            at: crate::faces::json::rfc3339(at),
            found,
        };
        let config = Arc::clone(&self.config.borrow());
        let checks = parsed(&entry, &config)?;
        let same = |old: &Entry| {
            let old_checks = parsed(old, &config).unwrap_or_default();
            let same = |new: &RecordedCheck, old: &RecordedCheck| {
                (&new.station, &new.circuit, &new.by, new.outcome.check)
                    == (&old.station, &old.circuit, &old.by, old.outcome.check)
            };
            old_checks.iter().any(|old| checks.iter().any(|new| same(new, old)))
        };
        if let Some(old) = pages.entries.iter().find(|old| same(old)) {
            return Err(CheckBookError::Twice { by: by.to_owned(), id: old.id });
        }
        let words: Vec<String> = checks.iter().map(|check| check.outcome.finding.words()).collect();
        let text = format!("Field check {} ({}): {}", entry.id, entry.found.check, words.join("; "));
        let mut changed = pages.clone();
        changed.next_id += 1;
        changed.entries.push(entry.clone());
        self.record(&entry, by, text, at, &changed).await?;
        self.counted.send_replace(counted(&changed, &config));
        *pages = changed;
        Ok(entry)
    }

    /// Takes an entry out; it no longer counts once that is recorded.
    pub async fn withdraw(&self, id: u64, by: &str, at: UnixMs) -> Result<Entry, CheckBookError> {
        let mut pages = self.pages.lock().await;
        let mut changed = pages.clone();
        let index = changed.entries.iter().position(|entry| entry.id == id).ok_or(CheckBookError::Unknown(id))?;
        let entry = changed.entries.remove(index);
        let text = format!("Field check {id} ({}) by {} withdrawn", entry.found.check, entry.by);
        self.record(&entry, by, text, at, &changed).await?;
        self.counted.send_replace(counted(&changed, &self.config.borrow()));
        *pages = changed;
        Ok(entry)
    }

    async fn record(
        &self,
        entry: &Entry,
        by: &str,
        text: String,
        at: UnixMs,
        pages: &Pages,
    ) -> Result<(), CheckBookError> {
        let failed = |why: &dyn std::fmt::Display| CheckBookError::NotRecorded(why.to_string());
        if let Some(journal) = &self.journal {
            let data = serde_json::to_value(entry).map_err(|error| failed(&error))?;
            let record = JournalEntry::new(at.0, Kind::FieldCheck, text).about(&entry.station, &entry.circuit);
            journal.append(record.by(by).with(&data)).await.map_err(|error| failed(&error))?;
        }
        if let Some(file) = self.file.clone() {
            let text = serde_json::to_vec_pretty(pages).map_err(|error| failed(&error))?;
            let written = tokio::task::spawn_blocking(move || whole_file::write(&file, &text)).await;
            written.map_err(|error| failed(&error))?.map_err(|error| failed(&error))?;
        }
        Ok(())
    }
}

/// The checks of all entries that fit the configuration.
fn counted(pages: &Pages, config: &Config) -> Arc<[RecordedCheck]> {
    pages.entries.iter().filter_map(|entry| parsed(entry, config).ok()).flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::station_config;

    const STATION: &str = "Alder Creek Lift";
    const AT: UnixMs = UnixMs(1_795_000_000_000);

    fn found(check: &str, channel: Option<i64>, shows: Option<&str>) -> Found {
        Found {
            check: check.to_owned(),
            channel,
            shows: shows.map(str::to_owned),
            ohms: None,
            volts: None,
            amps: None,
            channel_amps: None,
            error_rate: None,
        }
    }

    fn book(folder: Option<&Path>) -> (CheckBook, watch::Sender<Arc<Config>>) {
        let (sender, config) = watch::channel(Arc::new(Config::of(vec![station_config(STATION)])));
        (CheckBook::open(config, None, folder, AT), sender)
    }

    #[tokio::test]
    async fn an_entry_counts_is_kept_and_can_be_withdrawn() {
        let folder = tempfile::tempdir().unwrap();
        let (first, _sender) = book(Some(folder.path()));
        let polarity = found("polarity", Some(2), Some("leads-reversed"));
        let entry = first.enter(STATION, "Pump 1", "J. Alvarez", AT, polarity).await.unwrap();
        let matrix = Found {
            volts: Some(Volts::Matrix(vec![vec![0.4, 481.0, 480.0], vec![480.0, 0.6, 482.0], vec![481.0, 479.0, 0.3]])),
            ..found("voltage-matrix", None, None)
        };
        first.enter(STATION, "Pump 1", "J. Alvarez", AT, matrix).await.unwrap();
        assert_eq!(first.counted().borrow().len(), 4, "the matrix is three looks");
        drop(first);
        let (again, _sender) = book(Some(folder.path()));
        assert_eq!(again.counted().borrow().len(), 4);
        again.withdraw(entry.id, "M. Okafor", AT).await.unwrap();
        assert_eq!(again.counted().borrow().len(), 3);
        assert!(matches!(again.withdraw(entry.id, "M. Okafor", AT).await, Err(CheckBookError::Unknown(_))));
        let next = again.enter(STATION, "Pump 1", "J. Alvarez", AT, found("display", None, Some("agrees"))).await;
        assert_eq!(next.unwrap().id, 2, "a number is not used twice");
    }

    #[tokio::test]
    async fn what_is_not_right_is_told_by_its_key_and_changes_nothing() {
        let (book, _sender) = book(None);
        for (entry, key) in [
            (found("polarity", Some(2), Some("backwards")), "shows"),
            (found("polarity", Some(4), Some("right")), "channel"),
            (found("smell", None, None), "check"),
            (Found { ohms: Some(30.0), ..found("loop-resistance", Some(1), None) }, "ohms"),
        ] {
            match book.enter(STATION, "Pump 1", "J. Alvarez", AT, entry).await {
                Err(CheckBookError::NotRight { key: told, .. }) => assert_eq!(told, key),
                other => panic!("{key}: {other:?}"),
            }
        }
        let twice = || found("polarity", Some(2), Some("right"));
        book.enter(STATION, "Pump 1", "J. Alvarez", AT, twice()).await.unwrap();
        let again = book.enter(STATION, "Pump 1", "J. Alvarez", AT, twice()).await.unwrap_err().to_string();
        assert!(again.contains("entered this check already (number 0)"), "{again}");
        assert_eq!(book.entries().await.len(), 1);
    }

    #[tokio::test]
    async fn entries_of_a_station_that_has_gone_are_kept_and_do_not_count() {
        let (book, config) = book(None);
        book.enter(STATION, "Pump 1", "J. Alvarez", AT, found("display", None, Some("agrees"))).await.unwrap();
        config.send_replace(Arc::new(Config::of(Vec::new())));
        book.reconfigured().await;
        assert_eq!((book.counted().borrow().len(), book.entries().await.len()), (0, 1));
    }

    #[tokio::test]
    async fn what_cannot_be_recorded_does_not_count() {
        let (mut book, _sender) = book(None);
        book.journal = Some(Journal::closed());
        let entered = book.enter(STATION, "Pump 1", "J. Alvarez", AT, found("display", None, Some("agrees"))).await;
        assert!(matches!(entered, Err(CheckBookError::NotRecorded(_))), "{entered:?}");
        assert_eq!(book.entries().await.len(), 0);
    }
}
