//! The outbox's file: messages that wait, and what planners must keep over a restart, in one SQLite file synced at every commit.
//!
//! Bounded for each target by itself, so that one that cannot be reached takes nobody else's room: beyond the bound the oldest
//! of the least urgent messages are dropped and counted. Must never hold a secret.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::message::Message;
use super::planner::State;
use crate::sqlite;

/// Name of the file in the outbox's folder.
pub const FILE_NAME: &str = "outbox.db";
const LOCK_NAME: &str = "outbox.lock";
const RESERVE_NAME: &str = "outbox.reserve";
/// Given up when the disk is full, so that the message about that can still be kept.
const RESERVE_BYTES: usize = 1024 * 1024;

/// `lost` and `state` are by target; `origin` makes the ids of this file differ from those of any other.
const SCHEMA: &str = "
CREATE TABLE IF NOT EXISTS message (
    sequence INTEGER PRIMARY KEY AUTOINCREMENT,
    target TEXT NOT NULL,
    priority INTEGER NOT NULL,
    at_unix_ms INTEGER NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS message_of_target ON message (target, priority, sequence);
CREATE TABLE IF NOT EXISTS state (target TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS lost (target TEXT PRIMARY KEY, dropped INTEGER NOT NULL, expired INTEGER NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS origin (id TEXT NOT NULL) STRICT;";

/// Why the outbox cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum OutboxError {
    /// The folder or a file beside the outbox.
    #[error("outbox {path}: {source}")]
    Folder {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Two daemons would send everything twice.
    #[error("outbox {0}: another wattassay sends from it")]
    InUse(PathBuf),
    /// The database.
    #[error("outbox {path}: {source}")]
    Database {
        /// The file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
    /// A thread that worked on it has failed.
    #[error("outbox: the work on it was cut off")]
    CutOff,
}

/// A message that waits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Place in the outbox; negative for one that is in memory only, because the disk refused it.
    pub sequence: i64,
    /// The same at every attempt, and of no other message: receivers tell repetitions by it.
    pub id: String,
    /// What to send.
    pub message: Message,
}

/// What is put for one target: its new messages, and its planner's state after them.
#[derive(Debug, Clone, PartialEq)]
pub struct Put {
    /// Target.
    pub target: String,
    /// Messages that may wait for it.
    pub queue: usize,
    /// New messages.
    pub messages: Vec<Message>,
    /// What the planner holds.
    pub state: State,
}

/// The outbox, open for this process alone.
#[derive(Debug)]
pub struct OutboxFile {
    path: PathBuf,
    connection: Connection,
    origin: String,
    /// What the disk refused, by target: better sent once than not at all.
    in_memory: BTreeMap<String, Vec<Waiting>>,
    next_in_memory: i64,
    _lock: File,
}

impl OutboxFile {
    /// Opens the outbox of a folder, which is made when missing. A file that is no outbox is set aside under another name, told
    /// in the second value.
    pub fn open(folder: &Path, now_unix_ms: i64) -> Result<(OutboxFile, Option<PathBuf>), OutboxError> {
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| OutboxError::Folder { path, source }
        };
        fs::create_dir_all(folder).map_err(at(folder))?;
        let lock_path = folder.join(LOCK_NAME);
        let lock = File::create(&lock_path).map_err(at(&lock_path))?;
        lock.try_lock().map_err(|error| match error {
            TryLockError::WouldBlock => OutboxError::InUse(folder.to_owned()),
            TryLockError::Error(source) => OutboxError::Folder { path: lock_path.clone(), source },
        })?;
        let path = folder.join(FILE_NAME);
        let fault = |source| OutboxError::Database { path: path.clone(), source };
        let mut set_aside = None;
        let (connection, origin) = match open_database(&path) {
            Err(error) if sqlite::is_foreign(&error) => {
                set_aside = Some(sqlite::set_aside(folder, "outbox", now_unix_ms).map_err(at(&path))?);
                open_database(&path).map_err(fault)?
            }
            other => other.map_err(fault)?,
        };
        let reserve = folder.join(RESERVE_NAME);
        if !reserve.exists() {
            // Without room for a reserve there is only less to fall back on.
            let _ = fs::write(&reserve, vec![0; RESERVE_BYTES]);
        }
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(at(folder))?;
        let in_memory = BTreeMap::new();
        Ok((OutboxFile { path, connection, origin, in_memory, next_in_memory: -1, _lock: lock }, set_aside))
    }

    /// Puts messages and states in one transaction; durable when this returns. Gives the number of messages dropped to keep
    /// the bounds, by target. When the disk refuses, the messages are kept in memory, and the error is returned all the same.
    pub fn put(&mut self, puts: &[Put]) -> Result<BTreeMap<String, u64>, OutboxError> {
        match self.in_transaction(|transaction| put_all(transaction, puts)) {
            Ok(dropped) => Ok(dropped),
            Err(error) => {
                for put in puts {
                    self.keep_in_memory(put);
                }
                Err(error)
            }
        }
    }

    fn keep_in_memory(&mut self, put: &Put) {
        let kept = self.in_memory.entry(put.target.clone()).or_default();
        for message in &put.messages {
            if kept.len() < put.queue {
                // The time keeps ids of one run apart from those of the next.
                let id = format!("{}-{}-{}", self.origin, message.at_unix_ms, -self.next_in_memory);
                kept.push(Waiting { sequence: self.next_in_memory, id, message: message.clone() });
                self.next_in_memory -= 1;
            }
        }
    }

    /// The message to send next to a target: the most urgent, then the oldest, of those not in `later`.
    pub fn next(&self, target: &str, later: &[i64]) -> Result<Option<Waiting>, OutboxError> {
        let in_memory = self.in_memory.get(target).and_then(|kept| kept.iter().find(|w| !later.contains(&w.sequence)));
        if let Some(waiting) = in_memory {
            return Ok(Some(waiting.clone()));
        }
        let run = || {
            let mut select = self.connection.prepare_cached(
                "SELECT sequence, body FROM message WHERE target = ?1 ORDER BY priority DESC, sequence",
            )?;
            let mut rows = select.query([target])?;
            while let Some(row) = rows.next()? {
                let sequence: i64 = row.get(0)?;
                if !later.contains(&sequence) {
                    // One that a later version wrote waits for it, or for its age.
                    let Ok(message) = serde_json::from_str(&row.get::<_, String>(1)?) else { continue };
                    return Ok(Some(Waiting { sequence, id: format!("{}-{sequence}", self.origin), message }));
                }
            }
            Ok(None)
        };
        run().map_err(|source| self.fault(source))
    }

    /// Takes a message out: delivered, or finally refused.
    pub fn remove(&mut self, target: &str, sequence: i64) -> Result<(), OutboxError> {
        if sequence < 0 {
            if let Some(kept) = self.in_memory.get_mut(target) {
                kept.retain(|waiting| waiting.sequence != sequence);
            }
            return Ok(());
        }
        self.in_transaction(|transaction| {
            transaction.execute("DELETE FROM message WHERE sequence = ?1", [sequence]).map(|_| ())
        })
    }

    /// Takes out what has waited since before `before_unix_ms`; gives how many messages that were.
    pub fn expire(&mut self, target: &str, before_unix_ms: i64) -> Result<u64, OutboxError> {
        let any = || {
            let sql = "SELECT EXISTS (SELECT 1 FROM message WHERE target = ?1 AND at_unix_ms < ?2)";
            self.connection.query_row(sql, params![target, before_unix_ms], |row| row.get::<_, bool>(0))
        };
        if !any().map_err(|source| self.fault(source))? {
            return Ok(0);
        }
        self.in_transaction(|transaction| {
            let sql = "DELETE FROM message WHERE target = ?1 AND at_unix_ms < ?2";
            let gone = transaction.execute(sql, params![target, before_unix_ms])? as u64;
            note_lost(transaction, target, 0, gone)?;
            Ok(gone)
        })
    }

    /// Messages dropped and expired that the target has not been told of.
    pub fn lost(&self, target: &str) -> Result<(u64, u64), OutboxError> {
        let sql = "SELECT dropped, expired FROM lost WHERE target = ?1";
        let row = self.connection.query_row(sql, [target], |row| Ok((count(row, 0)?, count(row, 1)?)));
        row.optional().map(Option::unwrap_or_default).map_err(|source| self.fault(source))
    }

    /// Puts the message that tells what was lost, in the same transaction that forgets the counts.
    pub fn tell_lost(&mut self, target: &str, message: &Message) -> Result<(), OutboxError> {
        self.in_transaction(|transaction| {
            transaction.execute("DELETE FROM lost WHERE target = ?1", [target])?;
            insert(transaction, target, message)
        })
    }

    /// Messages that wait for a target.
    pub fn waiting(&self, target: &str) -> Result<u64, OutboxError> {
        let sql = "SELECT count(*) FROM message WHERE target = ?1";
        let on_disk = self.connection.query_row(sql, [target], |row| count(row, 0)).map_err(|e| self.fault(e))?;
        Ok(on_disk + self.in_memory.get(target).map_or(0, |kept| kept.len() as u64))
    }

    /// The planners' states of the run before. One that cannot be read is left out: then only what it held is lost.
    pub fn states(&self) -> Result<BTreeMap<String, State>, OutboxError> {
        let run = || {
            let mut select = self.connection.prepare("SELECT target, body FROM state")?;
            let rows = select.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        let rows = run().map_err(|source| self.fault(source))?;
        Ok(rows.into_iter().filter_map(|(target, body)| Some((target, serde_json::from_str(&body).ok()?))).collect())
    }

    /// Forgets targets that are no longer configured; gives how many of their messages went with them.
    pub fn keep_only(&mut self, targets: &[String]) -> Result<u64, OutboxError> {
        let names = serde_json::to_string(targets).unwrap_or_else(|_| "[]".to_owned());
        self.in_memory.retain(|target, _| targets.contains(target));
        self.in_transaction(|transaction| {
            let mut gone = 0;
            for table in ["state", "lost", "message"] {
                let sql = format!("DELETE FROM {table} WHERE target NOT IN (SELECT value FROM json_each(?1))");
                gone = transaction.execute(&sql, [&names])? as u64;
            }
            Ok(gone)
        })
    }

    /// Runs `work` in a transaction, again when a full disk made way for it by the reserve.
    fn in_transaction<T>(&mut self, work: impl Fn(&Transaction<'_>) -> rusqlite::Result<T>) -> Result<T, OutboxError> {
        let run = |connection: &mut Connection| {
            let transaction = connection.transaction()?;
            let value = work(&transaction)?;
            transaction.commit()?;
            Ok(value)
        };
        let done = run(&mut self.connection).or_else(|error| {
            if !sqlite::is_full(&error) || fs::remove_file(self.path.with_file_name(RESERVE_NAME)).is_err() {
                return Err(error);
            }
            run(&mut self.connection)
        });
        done.map_err(|source| self.fault(source))
    }

    fn fault(&self, source: rusqlite::Error) -> OutboxError {
        OutboxError::Database { path: self.path.clone(), source }
    }
}

fn open_database(path: &Path) -> rusqlite::Result<(Connection, String)> {
    let connection = Connection::open(path)?;
    connection.busy_timeout(sqlite::BUSY)?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.execute_batch(SCHEMA)?;
    // Asks for every column, so that a table of another make is found now.
    connection.query_row(
        "SELECT count(*), max(body) FROM message WHERE sequence + priority + at_unix_ms < 0",
        [],
        |_| Ok(()),
    )?;
    let origin = connection.query_row("SELECT id FROM origin", [], |row| row.get(0)).optional()?;
    let origin = match origin {
        Some(origin) => origin,
        None => {
            let origin = format!("{:016x}", fastrand::u64(..));
            connection.execute("INSERT INTO origin VALUES (?1)", [&origin])?;
            origin
        }
    };
    Ok((connection, origin))
}

fn put_all(transaction: &Transaction<'_>, puts: &[Put]) -> rusqlite::Result<BTreeMap<String, u64>> {
    let mut dropped = BTreeMap::new();
    for put in puts {
        for message in &put.messages {
            insert(transaction, &put.target, message)?;
        }
        let sql = "DELETE FROM message WHERE sequence IN (SELECT sequence FROM message WHERE target = ?1
                   ORDER BY priority, sequence LIMIT max(0, (SELECT count(*) FROM message WHERE target = ?1) - ?2))";
        let gone = transaction.prepare_cached(sql)?.execute(params![put.target, put.queue as i64])? as u64;
        if gone > 0 {
            note_lost(transaction, &put.target, gone, 0)?;
            dropped.insert(put.target.clone(), gone);
        }
        let sql = "INSERT INTO state VALUES (?1, ?2) ON CONFLICT DO UPDATE SET body = ?2 WHERE body != ?2";
        transaction.prepare_cached(sql)?.execute(params![put.target, to_json(&put.state)?])?;
    }
    Ok(dropped)
}

fn insert(transaction: &Transaction<'_>, target: &str, message: &Message) -> rusqlite::Result<()> {
    let sql = "INSERT INTO message (target, priority, at_unix_ms, body) VALUES (?1, ?2, ?3, ?4)";
    let priority = message.priority as i64;
    let values = params![target, priority, message.at_unix_ms, to_json(message)?];
    transaction.prepare_cached(sql)?.execute(values).map(|_| ())
}

fn note_lost(transaction: &Transaction<'_>, target: &str, dropped: u64, expired: u64) -> rusqlite::Result<()> {
    let sql = "INSERT INTO lost VALUES (?1, ?2, ?3)
               ON CONFLICT DO UPDATE SET dropped = dropped + ?2, expired = expired + ?3";
    transaction.prepare_cached(sql)?.execute(params![target, dropped as i64, expired as i64]).map(|_| ())
}

/// A count; SQLite has no numbers without a sign.
fn count(row: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<u64> {
    row.get::<_, i64>(column).map(|n| u64::try_from(n).unwrap_or(0))
}

fn to_json(value: &impl serde::Serialize) -> rusqlite::Result<String> {
    serde_json::to_string(value).map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}

#[cfg(test)]
impl OutboxFile {
    /// SQLite then answers as it does to a full disk.
    pub(super) fn limit_pages(&self) {
        let pages: i64 = self.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        self.connection.pragma_update(None, "max_page_count", pages).unwrap();
    }
}
