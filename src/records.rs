//! The journal and the history of a running daemon: opened as configured, told of start and stop, closed in order.
//!
//! Must never keep the daemon from watching once it has started: what fails later is told and lived with.

use std::path::{Path, PathBuf};
use std::time::Duration;

use sha2::{Digest, Sha256};

use crate::clock::Clock;
use crate::config::model::{Config, HistoryConfig, HistoryPlace, StationConfig};
use crate::history::postgres::{self, PostgresStore};
use crate::history::recorder::{Notice, Recorder};
use crate::history::sqlite::SqliteStore;
use crate::history::store::{Store, StoreError};
use crate::journal::chain::Hash;
use crate::journal::file::JournalError;
use crate::journal::writer::AppendError;
use crate::journal::{Entry, Journal, Kind};
use crate::station::record::{Beginning, Record, StationHistory};

/// What the last batch and the last entry get at the end.
const CLOSING: Duration = Duration::from_secs(2);

/// Why records cannot be kept although they are configured.
#[derive(Debug, thiserror::Error)]
pub enum RecordsError {
    /// The journal.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// Its first entry.
    #[error(transparent)]
    Append(#[from] AppendError),
    /// The history.
    #[error(transparent)]
    History(#[from] StoreError),
}

/// The journal and the history, each where configured.
#[derive(Debug)]
pub struct Records {
    journal: Option<Journal>,
    history: Option<Recorder>,
    clock: Clock,
}

impl Records {
    /// Opens both; returns what each station needs, in file order.
    pub async fn open(config: &Config, clock: &Clock) -> Result<(Records, Vec<Record>), RecordsError> {
        let journal = match &config.journal {
            Some(folder) => Some(open_journal(folder, clock).await?),
            None => None,
        };
        let (history, mut beginnings) = match &config.history {
            Some(wanted) => {
                let (recorder, beginnings) = open_history(wanted, &config.stations, journal.as_ref(), clock).await?;
                (Some(recorder), beginnings)
            }
            None => (None, Vec::new()),
        };
        let mut beginnings = beginnings.drain(..);
        let of_stations = config.stations.iter().map(|_| Record {
            journal: journal.clone(),
            history: history.as_ref().zip(beginnings.next()).map(|(h, b)| StationHistory::new(h.clone(), b)),
        });
        let of_stations = of_stations.collect();
        Ok((Records { journal, history, clock: clock.clone() }, of_stations))
    }

    /// What a station of a changed configuration needs. A history that cannot be asked leaves it without one, which is told.
    pub async fn of_station(&self, station: StationConfig) -> Record {
        let Some(recorder) = self.history.clone() else {
            return Record { journal: self.journal.clone(), history: None };
        };
        let name = station.name.clone();
        let asked = tokio::task::spawn_blocking(move || {
            let beginning = recorder.ask_blocking(move |store| beginning(store, &station))?;
            Some(beginning.map(|beginning| StationHistory::new(recorder, beginning)))
        });
        let history = match asked.await {
            Ok(Some(Ok(history))) => Some(history),
            Ok(Some(Err(error))) => {
                tracing::error!("{name}: no history until the next start: {error}");
                None
            }
            Ok(None) | Err(_) => {
                tracing::error!("{name}: no history: it has ended");
                None
            }
        };
        Record { journal: self.journal.clone(), history }
    }

    /// The journal.
    pub fn journal(&self) -> Option<&Journal> {
        self.journal.as_ref()
    }

    /// The history.
    pub fn history(&self) -> Option<&Recorder> {
        self.history.as_ref()
    }

    /// Puts a change of the configuration in the journal.
    pub async fn reloaded(&self, text: String, data: &serde_json::Value) {
        self.tell(Kind::Configuration, text, data).await;
    }

    /// Puts the start and the configuration in force in the journal.
    pub async fn started(&self, config_file: &Path) {
        let version = env!("CARGO_PKG_VERSION");
        self.tell(Kind::Started, format!("wattassay {version} started"), &serde_json::json!({ "version": version }))
            .await;
        let file = config_file.display().to_string();
        // Read once more: the daemon runs by what it checked, and a change in between is only a moment away from this.
        let (text, hash) = match tokio::fs::read(config_file).await {
            Ok(bytes) => {
                let hash = Hash(Sha256::digest(&bytes).into()).to_string();
                (format!("Configuration {file}, SHA-256 {hash}"), hash)
            }
            Err(error) => (format!("Configuration {file}, which cannot be read again: {error}"), String::new()),
        };
        self.tell(Kind::Configuration, text, &serde_json::json!({ "file": file, "sha256": hash })).await;
    }

    /// Writes what is left and says goodbye; false when it did not get done in time.
    pub async fn close(self) -> bool {
        self.tell(Kind::Stopped, "wattassay stopped as told".to_owned(), &serde_json::json!({})).await;
        let Some(history) = self.history else { return true };
        let flushed = tokio::task::spawn_blocking(move || history.flush_blocking());
        matches!(tokio::time::timeout(CLOSING, flushed).await, Ok(Ok(true)))
    }

    async fn tell(&self, kind: Kind, text: String, data: &serde_json::Value) {
        let Some(journal) = &self.journal else { return };
        let append = journal.append(Entry::new(self.clock.now().wall.0, kind, text).with(data));
        match tokio::time::timeout(CLOSING, append).await {
            Ok(Ok(_)) => {}
            Ok(Err(error)) => tracing::error!("not in the journal: {}: {error}", kind.key()),
            Err(_) => tracing::error!("perhaps not in the journal: {}: the disk hangs", kind.key()),
        }
    }
}

/// Opens the journal and puts in it what was wrong with it.
async fn open_journal(folder: &Path, clock: &Clock) -> Result<Journal, RecordsError> {
    let now = clock.now().wall.0;
    let (journal, opened) = Journal::open(folder, now)?;
    let head = opened.walk.head();
    tracing::info!(
        "journal {}: {} entries, newest {}:{}",
        folder.display(),
        opened.walk.entries(),
        head.sequence,
        head.hash
    );
    let mut faults = Vec::new();
    if let Some(aside) = &opened.set_aside {
        faults.push(format!("The journal was unreadable and is kept as {}; a new one begins here", aside.display()));
    }
    if let Some(broken) = opened.walk.broken() {
        faults.push(format!("The journal has been altered: {broken}"));
    }
    for fault in faults {
        tracing::error!("{fault}");
        journal.append(Entry::new(now, Kind::Storage, fault)).await?;
    }
    Ok(journal)
}

async fn open_history(
    wanted: &HistoryConfig,
    stations: &[StationConfig],
    journal: Option<&Journal>,
    clock: &Clock,
) -> Result<(Recorder, Vec<Beginning>), RecordsError> {
    let now = clock.now().wall.0;
    let (place, stations) = (wanted.place.clone(), stations.to_vec());
    // Stores block, and the one of a server brings its own runtime.
    let opened = tokio::task::spawn_blocking(move || {
        let (mut store, set_aside) = open_store(&place, now)?;
        let beginnings = stations.iter().map(|station| beginning(store.as_mut(), station)).collect::<Result<_, _>>()?;
        Ok::<_, StoreError>((store, set_aside, beginnings))
    });
    let (store, set_aside, beginnings) = opened.await.map_err(|error| StoreError::Failed(error.to_string()))??;
    if let Some(aside) = set_aside {
        let fault = format!("The history was unreadable and is kept as {}; a new one begins here", aside.display());
        tracing::error!("{fault}");
        if let Some(journal) = journal {
            journal.append(Entry::new(now, Kind::Storage, fault)).await?;
        }
    }
    let (journal, clock, limits) = (journal.cloned(), clock.clone(), wanted.limits);
    let start = move || Recorder::start(store, limits, move |notice| tell_notice(&notice, journal.as_ref(), &clock));
    let recorder =
        tokio::task::spawn_blocking(start).await.map_err(|error| StoreError::Failed(error.to_string()))??;
    Ok((recorder, beginnings))
}

/// The store of a place, and where an unreadable one was put.
fn open_store(place: &HistoryPlace, now_unix_ms: i64) -> Result<(Box<dyn Store>, Option<PathBuf>), StoreError> {
    match place {
        HistoryPlace::Folder(folder) => {
            let (store, set_aside) = SqliteStore::open(folder, now_unix_ms)?;
            Ok((Box::new(store), set_aside))
        }
        HistoryPlace::Postgres(connection) => Ok((Box::new(PostgresStore::open(connection, postgres::SCHEMA)?), None)),
    }
}

fn beginning(store: &mut dyn Store, station: &StationConfig) -> Result<Beginning, StoreError> {
    let monitors: Vec<&str> = station.monitors.iter().map(|monitor| monitor.name.as_str()).collect();
    let circuits: Vec<&str> = station.circuits.iter().map(|circuit| circuit.name.as_str()).collect();
    Beginning::of(store, &station.name, &monitors, &circuits)
}

/// Called on the history's own thread, which may wait.
fn tell_notice(notice: &Notice, journal: Option<&Journal>, clock: &Clock) {
    let text = match notice {
        Notice::Full(why) => {
            format!("The disk of the history is full, the oldest readings are dropped to make room: {why}")
        }
        Notice::Failed(why) => format!("The history is not written: {why}"),
        Notice::Recovered => "The history is written again".to_owned(),
    };
    if *notice == Notice::Recovered {
        tracing::info!("{text}");
    } else {
        tracing::error!("{text}");
    }
    if let Some(journal) = journal
        && let Err(error) = journal.append_blocking(Entry::new(clock.now().wall.0, Kind::Storage, text))
    {
        tracing::error!("not in the journal: {error}");
    }
}
