//! The journal's file: one SQLite table that refuses changes and removals, synced at every commit.
//!
//! Whatever a power cut or a kill leaves behind, opening needs no hand: SQLite takes back what was not committed, and a
//! file that is no database any more is set aside under another name. Must never remove a record.

use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags, Row, params};

use super::chain::{Hash, Head, Record, Walk};
use super::entry::Entry;
use crate::sqlite;

/// Name of the file in the journal's folder.
pub const FILE_NAME: &str = "journal.db";
const LOCK_NAME: &str = "journal.lock";
const RESERVE_NAME: &str = "journal.reserve";
/// Given up when the disk is full, so that what follows can still be written: a few thousand entries.
const RESERVE_BYTES: usize = 1024 * 1024;

const SCHEMA: &str = "
CREATE TABLE IF NOT EXISTS entry (
    sequence INTEGER PRIMARY KEY,
    at_unix_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    station TEXT NOT NULL,
    subject TEXT NOT NULL,
    person TEXT NOT NULL,
    text TEXT NOT NULL,
    data TEXT NOT NULL,
    hash BLOB NOT NULL
) STRICT;
CREATE TRIGGER IF NOT EXISTS entry_is_not_changed BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER IF NOT EXISTS entry_is_not_removed BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;";

/// Why the journal cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The folder or a file beside the journal.
    #[error("journal {path}: {source}")]
    Folder {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Two writers would fork the chain.
    #[error("journal {0}: another wattassay writes to it")]
    InUse(PathBuf),
    /// The database.
    #[error("journal {path}: {source}")]
    Database {
        /// The file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
}

impl JournalError {
    /// True when there was no room on the disk.
    pub fn is_full(&self) -> bool {
        matches!(self, JournalError::Database { source, .. } if sqlite::is_full(source))
    }

    fn is_foreign(&self) -> bool {
        matches!(self, JournalError::Database { source, .. } if sqlite::is_foreign(source))
    }
}

/// What opening found.
#[derive(Debug)]
pub struct Opened {
    /// The walk over all records.
    pub walk: Walk,
    /// Where an unreadable journal was put; a new one has been started.
    pub set_aside: Option<PathBuf>,
}

/// The journal, open for appending by this process alone.
#[derive(Debug)]
pub struct JournalFile {
    path: PathBuf,
    connection: Connection,
    head: Head,
    /// Held, not used: the system gives it back when the process ends, however it ends.
    _lock: File,
}

impl JournalFile {
    /// Opens the journal of a folder, which is made when missing, and verifies all of it. `now_unix_ms` names a file that
    /// must be set aside.
    pub fn open(folder: &Path, now_unix_ms: i64) -> Result<(JournalFile, Opened), JournalError> {
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| JournalError::Folder { path, source }
        };
        fs::create_dir_all(folder).map_err(at(folder))?;
        let lock_path = folder.join(LOCK_NAME);
        let lock = File::create(&lock_path).map_err(at(&lock_path))?;
        lock.try_lock().map_err(|error| match error {
            TryLockError::WouldBlock => JournalError::InUse(folder.to_owned()),
            TryLockError::Error(source) => JournalError::Folder { path: lock_path.clone(), source },
        })?;
        let path = folder.join(FILE_NAME);
        let mut set_aside = None;
        let (connection, walk) = match open_and_walk(&path) {
            Err(error) if error.is_foreign() => {
                set_aside = Some(sqlite::set_aside(folder, "journal", now_unix_ms).map_err(at(&path))?);
                open_and_walk(&path)?
            }
            other => other?,
        };
        let reserve = folder.join(RESERVE_NAME);
        if !reserve.exists() {
            // Without room for a reserve the journal still begins; it has only less to fall back on.
            let _ = fs::write(&reserve, vec![0; RESERVE_BYTES]);
        }
        sync_folder(folder).map_err(at(folder))?;
        let head = walk.head();
        Ok((JournalFile { path, connection, head, _lock: lock }, Opened { walk, set_aside }))
    }

    /// The newest record.
    pub fn head(&self) -> Head {
        self.head
    }

    /// Appends entries in one transaction. When this returns they are on the disk; when it fails none is.
    pub fn append(&mut self, entries: &[Entry]) -> Result<Vec<Record>, JournalError> {
        let mut head = self.head;
        let records: Vec<Record> = entries
            .iter()
            .map(|entry| {
                let record = head.seal(entry);
                head = record.head();
                record
            })
            .collect();
        let insert = |connection: &mut Connection| insert_all(connection, &records);
        insert(&mut self.connection)
            .or_else(|error| {
                if !sqlite::is_full(&error) || !self.give_up_reserve() {
                    return Err(error);
                }
                insert(&mut self.connection)
            })
            .map_err(|source| JournalError::Database { path: self.path.clone(), source })?;
        self.head = head;
        Ok(records)
    }

    /// Frees the reserve; false when it has gone already.
    fn give_up_reserve(&self) -> bool {
        fs::remove_file(self.path.with_file_name(RESERVE_NAME)).is_ok()
    }
}

/// Reads records after `after` in order, for as long as `each` says true. Reading works beside a running daemon.
pub fn read(path: &Path, after: i64, each: impl FnMut(Record) -> bool) -> Result<(), JournalError> {
    let fault = |source| JournalError::Database { path: path.to_owned(), source };
    // Not read-only: the last process may have been killed, and then its write-ahead log has to be taken in first.
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(fault)?;
    connection.busy_timeout(sqlite::BUSY).map_err(fault)?;
    read_records(&connection, after, each).map_err(fault)
}

fn open_and_walk(path: &Path) -> Result<(Connection, Walk), JournalError> {
    let run = || {
        let connection = Connection::open(path)?;
        connection.busy_timeout(sqlite::BUSY)?;
        connection.pragma_update(None, "journal_mode", "WAL")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.execute_batch(SCHEMA)?;
        let mut walk = Walk::default();
        read_records(&connection, 0, |record| {
            walk.step(&record);
            true
        })?;
        Ok((connection, walk))
    };
    run().map_err(|source| JournalError::Database { path: path.to_owned(), source })
}

fn insert_all(connection: &mut Connection, records: &[Record]) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    {
        let mut insert = transaction.prepare_cached("INSERT INTO entry VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
        for r in records {
            insert.execute(params![
                r.sequence,
                r.at_unix_ms,
                r.kind,
                r.station,
                r.subject,
                r.by,
                r.text,
                r.data,
                r.hash.0
            ])?;
        }
    }
    transaction.commit()
}

fn read_records(connection: &Connection, after: i64, mut each: impl FnMut(Record) -> bool) -> rusqlite::Result<()> {
    let mut select = connection.prepare(
        "SELECT sequence, at_unix_ms, kind, station, subject, person, text, data, hash FROM entry
         WHERE sequence > ?1 ORDER BY sequence",
    )?;
    let mut rows = select.query([after])?;
    while let Some(row) = rows.next()? {
        if !each(record_of(row)?) {
            break;
        }
    }
    Ok(())
}

/// A row with all columns, in the order of the table.
pub(super) fn record_of(row: &Row) -> rusqlite::Result<Record> {
    Ok(Record {
        sequence: row.get(0)?,
        at_unix_ms: row.get(1)?,
        kind: row.get(2)?,
        station: row.get(3)?,
        subject: row.get(4)?,
        by: row.get(5)?,
        text: row.get(6)?,
        data: row.get(7)?,
        hash: hash_of(row, 8)?,
    })
}

/// A hash of another length can only come from an edit; it then simply does not match.
pub(super) fn hash_of(row: &Row, column: usize) -> rusqlite::Result<Hash> {
    Ok(Hash(row.get::<_, Vec<u8>>(column)?.try_into().unwrap_or([0; 32])))
}

/// Makes the names of new files durable, not only their contents.
fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::chain::Break;
    use crate::journal::entry::Kind;

    fn entry(n: i64) -> Entry {
        Entry::new(n, Kind::Diagnosis, format!("entry {n}")).about("Alder Creek Lift", "Pump 1")
    }

    fn open(folder: &Path) -> (JournalFile, Opened) {
        JournalFile::open(folder, 7).unwrap()
    }

    fn all(folder: &Path) -> Vec<Record> {
        let mut records = Vec::new();
        read(&folder.join(FILE_NAME), 0, |record| {
            records.push(record);
            true
        })
        .unwrap();
        records
    }

    #[test]
    fn entries_are_chained_over_openings() {
        let folder = tempfile::tempdir().unwrap();
        let first = open(folder.path()).0.append(&[entry(1), entry(2)]).unwrap();
        let (mut journal, opened) = open(folder.path());
        assert_eq!((opened.walk.head(), opened.walk.broken()), (first[1].head(), None));
        journal.append(&[entry(3)]).unwrap();
        let records = all(folder.path());
        assert_eq!(records.iter().map(|r| r.sequence).collect::<Vec<_>>(), [1, 2, 3]);
        assert_eq!(records[2].head(), journal.head());
    }

    #[test]
    fn the_table_refuses_changes() {
        let folder = tempfile::tempdir().unwrap();
        let (mut journal, _) = open(folder.path());
        journal.append(&[entry(1)]).unwrap();
        for change in ["UPDATE entry SET text = 'x'", "DELETE FROM entry"] {
            let refused = journal.connection.execute(change, []).unwrap_err();
            assert!(refused.to_string().contains("append-only"), "{refused}");
        }
    }

    #[test]
    fn an_edit_past_the_triggers_is_found_at_the_next_opening_and_the_journal_goes_on() {
        let folder = tempfile::tempdir().unwrap();
        open(folder.path()).0.append(&[entry(1), entry(2), entry(3)]).unwrap();
        let outside = Connection::open(folder.path().join(FILE_NAME)).unwrap();
        outside
            .execute_batch("DROP TRIGGER entry_is_not_changed; UPDATE entry SET text = 'x' WHERE sequence = 2")
            .unwrap();
        drop(outside);
        let (mut journal, opened) = open(folder.path());
        assert_eq!(opened.walk.broken(), Some(&Break::Altered { sequence: 2 }));
        assert_eq!(journal.append(&[entry(4)]).unwrap()[0].sequence, 4);
    }

    #[test]
    fn a_second_writer_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let held = open(folder.path());
        assert!(matches!(JournalFile::open(folder.path(), 0), Err(JournalError::InUse(_))));
        drop(held);
        open(folder.path());
    }

    #[test]
    fn a_file_that_is_no_database_is_set_aside_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let garbage = vec![0x5a; 20_000];
        fs::write(folder.path().join(FILE_NAME), &garbage).unwrap();
        let (mut journal, opened) = open(folder.path());
        let aside = opened.set_aside.unwrap();
        assert_eq!(fs::read(aside).unwrap(), garbage);
        assert_eq!(journal.append(&[entry(1)]).unwrap()[0].sequence, 1);
    }

    #[test]
    fn a_database_of_another_make_and_text_that_is_none_are_set_aside() {
        for spoil in [
            "CREATE TABLE entry (a)",
            "CREATE TABLE entry (sequence INTEGER, at_unix_ms, kind, station, subject, person, text, data, hash);
             INSERT INTO entry VALUES (1, 2, CAST(x'ff' AS TEXT), '', '', '', '', '', x'')",
        ] {
            let folder = tempfile::tempdir().unwrap();
            Connection::open(folder.path().join(FILE_NAME)).unwrap().execute_batch(spoil).unwrap();
            let (mut journal, opened) = open(folder.path());
            assert!(opened.set_aside.is_some_and(|aside| aside.exists()));
            journal.append(&[entry(1)]).unwrap();
        }
    }

    #[test]
    fn a_full_disk_takes_the_reserve_and_then_refuses_without_harm() {
        let folder = tempfile::tempdir().unwrap();
        let (mut journal, _) = open(folder.path());
        let pages: i64 = journal.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        // SQLite then answers as it does to a full disk.
        journal.connection.pragma_update(None, "max_page_count", pages).unwrap();
        let long = Entry::new(0, Kind::Storage, "x".repeat(100_000));
        let error = journal.append(&[entry(1), long.clone()]).unwrap_err();
        assert!(error.is_full(), "{error}");
        assert!(!folder.path().join(RESERVE_NAME).exists());
        assert_eq!((journal.head(), all(folder.path()).len()), (Head::EMPTY, 0));
        journal.connection.pragma_update(None, "max_page_count", 1_000_000).unwrap();
        journal.append(&[long]).unwrap();
        drop(journal);
        assert_eq!(open(folder.path()).1.walk.broken(), None);
        assert!(folder.path().join(RESERVE_NAME).exists());
    }
}
