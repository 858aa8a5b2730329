//! The history in one SQLite file: no server to install, readable with any SQLite tool.
//!
//! Synced at checkpoints, not at every commit: a power cut may cost the last seconds and never the file. Must never touch
//! the journal's file.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::functions::FunctionFlags;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params, params_from_iter};

use super::sql::{self, Dialect};
use super::store::{Batch, Event, Extent, Query, Rows, Source, SourceId, Statistic, Store, StoreError, Tier};
use crate::disk::Room;
use crate::sqlite;

/// Name of the file in the history's folder.
pub const FILE_NAME: &str = "history.db";
const RESERVE_NAME: &str = "history.reserve";
/// What removing a slice of old rows needs in the write-ahead log.
const RESERVE_BYTES: usize = 8 * 1024 * 1024;
/// Pages given back in one step: some milliseconds.
const TIDY_PAGES: i64 = 256;
const VERSION: i64 = 1;
const DIALECT: Dialect = Dialect {
    integer: "INTEGER",
    real: "REAL",
    bytes: "BLOB",
    serial: "INTEGER PRIMARY KEY",
    clustered: " WITHOUT ROWID",
};

/// See the module.
#[derive(Debug)]
pub struct SqliteStore {
    connection: Connection,
    reserve: PathBuf,
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> StoreError {
        if sqlite::is_full(&error) {
            StoreError::Full(error.to_string())
        } else {
            StoreError::Failed(error.to_string())
        }
    }
}

impl SqliteStore {
    /// Opens the store of a folder, which is made when missing. A file that is no history is set aside under the name
    /// returned, and a new one started.
    pub fn open(folder: &Path, now_unix_ms: i64) -> Result<(SqliteStore, Option<PathBuf>), StoreError> {
        let failed = |error: std::io::Error| StoreError::Failed(format!("{}: {error}", folder.display()));
        fs::create_dir_all(folder).map_err(failed)?;
        let path = folder.join(FILE_NAME);
        let mut set_aside = None;
        let connection = match connect(&path) {
            Err(error) if sqlite::is_foreign(&error) => {
                set_aside = Some(sqlite::set_aside(folder, "history", now_unix_ms).map_err(failed)?);
                connect(&path)?
            }
            other => other?,
        };
        let mut store = SqliteStore { connection, reserve: folder.join(RESERVE_NAME) };
        // Without room for it the store still opens.
        let _ = store.restore_reserve();
        Ok((store, set_aside))
    }

    /// Opens the store of a folder to read from it beside the daemon.
    pub fn open_to_read(folder: &Path) -> Result<SqliteStore, StoreError> {
        // Not read-only: the last process may have been killed, and then its write-ahead log has to be taken in first.
        SqliteStore::open_existing(folder, OpenFlags::SQLITE_OPEN_READ_WRITE)
    }

    /// Opens the store of a folder beside the daemon that writes to it, so that nothing can be written by this connection.
    pub fn open_beside(folder: &Path) -> Result<SqliteStore, StoreError> {
        SqliteStore::open_existing(folder, OpenFlags::SQLITE_OPEN_READ_ONLY)
    }

    fn open_existing(folder: &Path, access: OpenFlags) -> Result<SqliteStore, StoreError> {
        let flags = access | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(folder.join(FILE_NAME), flags)?;
        connection.busy_timeout(sqlite::BUSY)?;
        check_version(&connection)?;
        Ok(SqliteStore { connection, reserve: folder.join(RESERVE_NAME) })
    }

    /// An error when the disk, after `wanted` bytes more, has less room than is left to others.
    fn check_floor(&self, wanted: u64) -> Result<(), StoreError> {
        // A file system that does not tell is written to until it refuses.
        let Some(Room { free_bytes, least_bytes }) = self.room() else { return Ok(()) };
        if free_bytes < least_bytes + wanted {
            return Err(StoreError::Full(format!("{} MiB are free on the disk", free_bytes >> 20)));
        }
        Ok(())
    }

    fn number(&self, sql: &str) -> rusqlite::Result<i64> {
        self.connection.query_row(sql, [], |row| row.get(0))
    }

    /// Makes SQLite answer as it does to a full disk once the file has `pages` pages.
    #[cfg(test)]
    pub(super) fn limit_pages(&mut self, pages: i64) {
        self.connection.pragma_update(None, "max_page_count", pages).unwrap();
    }

    #[cfg(test)]
    pub(super) fn pages(&self) -> i64 {
        self.number("PRAGMA page_count").unwrap()
    }
}

fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open(path)?;
    connection.busy_timeout(sqlite::BUSY)?;
    // Takes effect in a new file only, before its first table.
    connection.pragma_update(None, "auto_vacuum", "INCREMENTAL")?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "NORMAL")?;
    connection.pragma_update(None, "journal_size_limit", 4 * 1024 * 1024)?;
    connection.pragma_update(None, "cache_size", -16 * 1024)?;
    connection.set_prepared_statement_cache_capacity(32);
    if connection.query_row("PRAGMA user_version", [], |row| row.get::<_, i64>(0))? == 0 {
        connection
            .execute_batch(&format!("BEGIN; {} PRAGMA user_version = {VERSION}; COMMIT", sql::schema(DIALECT)))?;
    }
    add_angles(&connection)?;
    // A file of another make shows here, and not at the first reading.
    connection.prepare(&sql::insert_sample())?;
    Ok(connection)
}

/// Sine, cosine and arc tangent in degrees, which SQLite has not and PostgreSQL has.
fn add_angles(connection: &Connection) -> rusqlite::Result<()> {
    let flags = FunctionFlags::SQLITE_UTF8 | FunctionFlags::SQLITE_DETERMINISTIC;
    connection
        .create_scalar_function("sind", 1, flags, |c| Ok(c.get::<Option<f64>>(0)?.map(|x| x.to_radians().sin())))?;
    connection
        .create_scalar_function("cosd", 1, flags, |c| Ok(c.get::<Option<f64>>(0)?.map(|x| x.to_radians().cos())))?;
    connection.create_scalar_function("atan2d", 2, flags, |c| {
        let sides = c.get::<Option<f64>>(0)?.zip(c.get::<Option<f64>>(1)?);
        Ok(sides.map(|(y, x)| y.atan2(x).to_degrees()))
    })
}

fn check_version(connection: &Connection) -> Result<(), StoreError> {
    match connection.query_row("PRAGMA user_version", [], |row| row.get::<_, i64>(0))? {
        VERSION => Ok(()),
        other => Err(StoreError::Failed(format!("the file has layout {other}; this program reads {VERSION}"))),
    }
}

impl Store for SqliteStore {
    fn source(&mut self, source: &Source) -> Result<SourceId, StoreError> {
        let named = params![source.station, source.is_monitor, source.name];
        let insert = "INSERT INTO source (station, is_monitor, name) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING";
        self.connection.execute(insert, named)?;
        let select = "SELECT id FROM source WHERE station = ?1 AND is_monitor = ?2 AND name = ?3";
        Ok(SourceId(self.connection.query_row(select, named, |row| row.get(0))?))
    }

    fn sources(&mut self) -> Result<Vec<(SourceId, Source)>, StoreError> {
        let mut select = self.connection.prepare("SELECT id, station, is_monitor, name FROM source ORDER BY id")?;
        let rows = select.query_map([], |row| {
            let source = Source { station: row.get(1)?, is_monitor: row.get(2)?, name: row.get(3)? };
            Ok((SourceId(row.get(0)?), source))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn write(&mut self, batch: &Batch) -> Result<(), StoreError> {
        self.check_floor(0)?;
        let transaction = self.connection.transaction()?;
        {
            let mut insert = transaction.prepare_cached(&sql::insert_sample())?;
            for sample in &batch.samples {
                insert.raw_bind_parameter(1, sample.source.0)?;
                insert.raw_bind_parameter(2, sample.at_ms)?;
                for (place, value) in sample.values.iter().enumerate() {
                    // SQLite stores NaN as NULL.
                    insert.raw_bind_parameter(place + 3, value)?;
                }
                insert.raw_execute()?;
            }
            let mut insert = transaction.prepare_cached(
                "INSERT INTO event (source, at_ms, kind, subject, state, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?;
            for e in &batch.events {
                insert.execute(params![e.source.0, e.at_ms, e.kind, e.subject, e.state, e.text])?;
            }
            let mut insert = transaction.prepare_cached("INSERT OR REPLACE INTO state (key, value) VALUES (?1, ?2)")?;
            for (key, value) in &batch.states {
                insert.execute(params![key, value])?;
            }
        }
        Ok(transaction.commit()?)
    }

    fn roll_up(&mut self, tier: Tier, from_ms: i64, to_ms: i64) -> Result<(), StoreError> {
        let transaction = self.connection.transaction()?;
        for statistic in Statistic::ALL {
            let Some(sql) = sql::roll_up(tier, statistic) else { return Ok(()) };
            transaction.prepare_cached(&sql)?.execute([from_ms, to_ms])?;
        }
        Ok(transaction.commit()?)
    }

    fn first_rows(&mut self, query: &Query, most: usize) -> Result<Rows, StoreError> {
        let most = most.min(i64::MAX as usize) as i64;
        let mut select = self.connection.prepare_cached(&sql::select(query))?;
        let columns = query.quantities.len();
        let mut found = Rows { quantities: query.quantities.clone(), ..Rows::default() };
        let mut rows = select.query([query.source.0, query.from_ms, query.to_ms, most])?;
        while let Some(row) = rows.next()? {
            found.at_ms.push(row.get(0)?);
            found.samples.push(row.get(1)?);
            for column in 2..columns + 2 {
                found.values.push(if let ValueRef::Real(value) = row.get_ref(column)? { value } else { f64::NAN });
            }
        }
        Ok(found)
    }

    fn extent(&mut self, query: &Query, most: usize) -> Result<Extent, StoreError> {
        let mut select = self.connection.prepare_cached(&sql::extent(query))?;
        Ok(select.query_row([query.source.0, query.from_ms, query.to_ms, most as i64], |row| {
            let ends = row.get::<_, Option<i64>>(1)?.zip(row.get::<_, Option<i64>>(2)?);
            Ok(Extent { rows: row.get::<_, i64>(0)? as usize, ends_ms: ends })
        })?)
    }

    fn events(&mut self, source: SourceId, from_ms: i64, to_ms: i64) -> Result<Vec<Event>, StoreError> {
        let mut select = self.connection.prepare_cached(
            "SELECT at_ms, kind, subject, state, text FROM event
             WHERE source = ?1 AND at_ms >= ?2 AND at_ms < ?3 ORDER BY at_ms, id",
        )?;
        let rows = select.query_map([source.0, from_ms, to_ms], |row| {
            Ok(Event {
                source,
                at_ms: row.get(0)?,
                kind: row.get(1)?,
                subject: row.get(2)?,
                state: row.get(3)?,
                text: row.get(4)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn state(&mut self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let select = "SELECT value FROM state WHERE key = ?1";
        Ok(self.connection.query_row(select, [key], |row| row.get(0)).optional()?)
    }

    fn earliest(&mut self, tier: Tier, from_ms: i64) -> Result<Option<i64>, StoreError> {
        Ok(self.connection.query_row(&sql::earliest(tier), params_from_iter([from_ms]), |row| row.get(0))?)
    }

    fn remove_before(&mut self, tier: Tier, before_ms: i64) -> Result<u64, StoreError> {
        let transaction = self.connection.transaction()?;
        let mut removed = 0;
        for table in sql::aging_tables(tier) {
            removed += transaction.execute(&sql::remove_before(&table), [before_ms])?;
        }
        transaction.commit()?;
        Ok(removed as u64)
    }

    fn size_bytes(&mut self) -> Result<u64, StoreError> {
        let pages = self.number("PRAGMA page_count")? - self.number("PRAGMA freelist_count")?;
        Ok((pages * self.number("PRAGMA page_size")?).max(0) as u64)
    }

    fn room(&self) -> Option<Room> {
        Room::of(self.reserve.parent()?)
    }

    fn tidy(&mut self) -> Result<bool, StoreError> {
        if self.number("PRAGMA freelist_count")? < TIDY_PAGES {
            return Ok(false);
        }
        // The pragma frees one page a step.
        let mut pragma = self.connection.prepare_cached(&format!("PRAGMA incremental_vacuum({TIDY_PAGES})"))?;
        let mut steps = pragma.query([])?;
        while steps.next()?.is_some() {}
        Ok(true)
    }

    fn give_back(&mut self) -> Result<(), StoreError> {
        while self.tidy()? {}
        // The file itself shrinks when the write-ahead log is taken in.
        Ok(self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?)
    }

    fn release_reserve(&mut self) -> Result<(), StoreError> {
        // Gone already after an earlier time.
        let _ = fs::remove_file(&self.reserve);
        Ok(())
    }

    fn restore_reserve(&mut self) -> Result<(), StoreError> {
        let present = fs::metadata(&self.reserve).is_ok_and(|m| m.len() == RESERVE_BYTES as u64);
        if present {
            return Ok(());
        }
        // Not out of the room that is left to others.
        self.check_floor(RESERVE_BYTES as u64)?;
        fs::write(&self.reserve, vec![0; RESERVE_BYTES]).map_err(|error| {
            let _ = fs::remove_file(&self.reserve);
            StoreError::Full(error.to_string())
        })
    }
}
