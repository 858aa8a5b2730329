//! The history read beside the daemon that writes it: what there is, and the values of a span in as much detail as wanted.
//!
//! Has a connection of its own that cannot write, to a folder's file as to a PostgreSQL server. Calls block. Must never be
//! given more to read than it is asked to allow: [`MOST_VALUES`].

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use super::postgres::PostgresStore;
use super::sqlite::SqliteStore;
use super::store::{Extent, Query, Rows, Source, SourceId, Statistic, Store, StoreError, Tier};
use super::thin;

/// Values taken from the store for one answer at most: rows times quantities; 32 MB.
pub const MOST_VALUES: usize = 4_000_000;

/// Rolling up waits for readings that come late; this is more than it waits, ms.
const LATE_MS: i64 = 60_000;

/// How much detail is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// The rows of this tier as they are.
    Tier(Tier),
    /// At most so many points: the finest tier that has no more in the span, or else the coarsest with neighbouring rows
    /// merged.
    Points(usize),
}

/// What is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// Of what.
    pub source: Source,
    /// Places of the quantities.
    pub quantities: Vec<usize>,
    /// Not before, ms since the Unix epoch.
    pub from_ms: i64,
    /// Before.
    pub to_ms: i64,
    /// How fine.
    pub detail: Detail,
    /// Which statistic; readings as they come have only themselves.
    pub statistic: Statistic,
}

/// Values over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Where they are from.
    pub tier: Tier,
    /// What one row stands for, ms: the tier's interval or that of merged rows; none for readings as they come.
    pub interval_ms: Option<i64>,
    /// The values.
    pub rows: Rows,
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// The store does not know it.
    #[error("nothing is kept of {0:?}")]
    UnknownSource(Source),
    /// It would be more than [`MOST_VALUES`].
    #[error(
        "the span holds more than {most} rows of these quantities; ask for a shorter span, fewer quantities or less detail"
    )]
    TooMuch {
        /// Rows that would have been allowed.
        most: usize,
    },
    /// The store itself.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Reads a history. Clones share a connection to a server; a file is opened at each question.
#[derive(Debug, Clone)]
pub struct HistoryReader(Place);

#[derive(Debug, Clone)]
enum Place {
    Folder(PathBuf),
    Postgres(Arc<Server>),
}

#[derive(Debug)]
struct Server {
    connection: String,
    schema: String,
    store: Mutex<Option<PostgresStore>>,
}

impl Drop for Server {
    fn drop(&mut self) {
        // The store has a runtime inside, and one runtime must not end on a thread of another.
        let store = self.store.get_mut().unwrap_or_else(PoisonError::into_inner).take();
        thread::spawn(move || drop(store));
    }
}

impl HistoryReader {
    /// A reader of the history in this folder.
    pub fn folder(folder: &Path) -> HistoryReader {
        HistoryReader(Place::Folder(folder.to_owned()))
    }

    /// A reader of the history on this server; connects at the first question.
    pub fn postgres(connection: &str, schema: &str) -> HistoryReader {
        let server = Server { connection: connection.to_owned(), schema: schema.to_owned(), store: Mutex::new(None) };
        HistoryReader(Place::Postgres(Arc::new(server)))
    }

    /// Everything that is kept of something, by station and name.
    pub fn sources(&self) -> Result<Vec<Source>, ReadError> {
        let mut sources: Vec<Source> =
            self.ask(|store| Ok(store.sources()?.into_iter().map(|(_, source)| source).collect()))?;
        sources.sort();
        Ok(sources)
    }

    /// The values of a span.
    pub fn series(&self, wanted: &Wanted) -> Result<Series, ReadError> {
        self.ask(|store| series(store, wanted))
    }

    fn ask<T>(&self, question: impl FnOnce(&mut dyn Store) -> Result<T, ReadError>) -> Result<T, ReadError> {
        match &self.0 {
            Place::Folder(folder) => question(&mut SqliteStore::open_beside(folder)?),
            Place::Postgres(server) => {
                let mut held = server.store.lock().unwrap_or_else(PoisonError::into_inner);
                let mut store = match held.take() {
                    Some(store) => store,
                    None => PostgresStore::open_to_read(&server.connection, &server.schema)?,
                };
                let answer = question(&mut store);
                if !matches!(answer, Err(ReadError::Store(_))) {
                    *held = Some(store);
                }
                answer
            }
        }
    }
}

fn series(store: &mut dyn Store, wanted: &Wanted) -> Result<Series, ReadError> {
    let known = store.sources()?.into_iter().find(|(_, source)| *source == wanted.source);
    let (source, _) = known.ok_or_else(|| ReadError::UnknownSource(wanted.source.clone()))?;
    let most = MOST_VALUES / wanted.quantities.len().max(1);
    let query = |tier| query(wanted, source, tier);
    let (tier, merged_ms) = match wanted.detail {
        Detail::Tier(tier) => (tier, None),
        Detail::Points(points) => {
            let mut extents = [Extent::default(); Tier::ALL.len()];
            for (extent, tier) in extents.iter_mut().zip(Tier::ALL) {
                *extent = store.extent(&query(tier), points + 1)?;
            }
            choose(&extents, points)
        }
    };
    // Counting them first would read all of them twice.
    let rows = store.first_rows(&query(tier), most + 1)?;
    if rows.at_ms.len() > most {
        return Err(ReadError::TooMuch { most });
    }
    Ok(match merged_ms {
        None => Series { tier, interval_ms: tier.interval_ms(), rows },
        Some(ms) => Series { tier, interval_ms: Some(ms), rows: thin::merge(&rows, ms, wanted.statistic) },
    })
}

fn query(wanted: &Wanted, source: SourceId, tier: Tier) -> Query {
    let Wanted { statistic, from_ms, to_ms, ref quantities, .. } = *wanted;
    Query { source, tier, statistic, from_ms, to_ms, quantities: quantities.clone() }
}

/// The tier for a number of points, and the interval to merge its rows to, where that is needed.
fn choose(extents: &[Extent; 3], points: usize) -> (Tier, Option<i64>) {
    let whole = || Tier::ALL.into_iter().zip(extents).filter(|(tier, extent)| is_whole(*tier, extent, extents));
    let fine = whole().find(|(_, extent)| extent.rows <= points);
    match fine.or_else(|| whole().next_back()) {
        Some((tier, extent)) if extent.rows > points => {
            let ends = extent.ends_ms.unwrap_or_default();
            (tier, Some(thin::interval_for(ends, points, tier.interval_ms().unwrap_or(1000))))
        }
        Some((tier, _)) => (tier, None),
        // Nothing is in the span.
        None => (Tier::QuarterHour, None),
    }
}

/// True when a tier reaches as far as the others do. A finer one is kept for less long; the last interval of a coarser one is
/// made only when it has passed.
fn is_whole(tier: Tier, extent: &Extent, all: &[Extent; 3]) -> bool {
    let interval = tier.interval_ms().unwrap_or(1000);
    // Each row of a coarser tier begins up to one of its intervals before the reading that it is of.
    let begins = |(other, extent): (Tier, &Extent)| {
        let slack = other.interval_ms().unwrap_or(0).max(interval);
        extent.ends_ms.map(|(first, _)| first.saturating_add(slack))
    };
    let earliest = Tier::ALL.into_iter().zip(all).filter_map(begins).min();
    let latest = all.iter().filter_map(|extent| Some(extent.ends_ms?.1)).max();
    extent.ends_ms.is_some_and(|(first, last)| {
        earliest.is_none_or(|earliest| first <= earliest)
            && latest.is_none_or(|latest| last.saturating_add(2 * interval + LATE_MS) >= latest)
    })
}

#[cfg(test)]
#[path = "reader_tests.rs"]
mod tests;
