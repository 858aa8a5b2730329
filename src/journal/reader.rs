//! The journal read beside its writer: pages of records by place, and the newest one.
//!
//! Every question opens its own read-only connection and closes it again. In write-ahead mode such a reader sees the file as
//! it was at its first look and holds no lock that the writer waits for. Must never write. Calls block.

use std::path::{Path, PathBuf};

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params_from_iter};

use super::chain::{Head, Record};
use super::entry::Kind;
use super::file::{FILE_NAME, JournalError, hash_of, record_of};
use crate::sqlite;

/// Records of one page at most.
pub const PAGE_MAX: usize = 1000;

const COLUMNS: &str = "sequence, at_unix_ms, kind, station, subject, person, text, data, hash";

/// Which records are wanted; what is `None` does not matter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// About this.
    pub kind: Option<Kind>,
    /// Of this station.
    pub station: Option<String>,
    /// By this person.
    pub person: Option<String>,
    /// Not before, ms since the Unix epoch.
    pub from_ms: Option<i64>,
    /// Before.
    pub to_ms: Option<i64>,
}

/// From where to read, and which way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cursor {
    /// From the newest record down.
    Newest,
    /// From the oldest record up.
    Oldest,
    /// Down from the record before this place.
    Before(i64),
    /// Up from the record after this place.
    After(i64),
}

impl Cursor {
    fn upwards(self) -> bool {
        matches!(self, Cursor::Oldest | Cursor::After(_))
    }
}

/// Some records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// In the order in which they were read: down or up.
    pub records: Vec<Record>,
    /// There are more the same way.
    pub more: bool,
    /// The newest record of the whole journal when the page was read.
    pub head: Head,
}

/// Reads the journal of a folder.
#[derive(Debug, Clone)]
pub struct JournalReader {
    path: PathBuf,
}

impl JournalReader {
    /// A reader of the journal in this folder; the file is opened at each question.
    pub fn new(folder: &Path) -> JournalReader {
        JournalReader { path: folder.join(FILE_NAME) }
    }

    /// Place and hash of the newest record.
    pub fn head(&self) -> Result<Head, JournalError> {
        self.ask(head)
    }

    /// At most `limit` records, and never more than [`PAGE_MAX`].
    pub fn page(&self, filter: &Filter, cursor: Cursor, limit: usize) -> Result<Page, JournalError> {
        let limit = limit.clamp(1, PAGE_MAX);
        self.ask(|connection| {
            // One transaction, so that the head and the page are of the same instant.
            connection.execute_batch("BEGIN")?;
            let head = head(connection)?;
            let (sql, values) = select(filter, cursor, limit + 1);
            let mut select = connection.prepare(&sql)?;
            let mut records: Vec<Record> =
                select.query_map(params_from_iter(values), record_of)?.collect::<rusqlite::Result<_>>()?;
            let more = records.len() > limit;
            records.truncate(limit);
            Ok(Page { records, more, head })
        })
    }

    fn ask<T>(&self, question: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, JournalError> {
        let run = || {
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let connection = Connection::open_with_flags(&self.path, flags)?;
            connection.busy_timeout(sqlite::BUSY)?;
            question(&connection)
        };
        run().map_err(|source| JournalError::Database { path: self.path.clone(), source })
    }
}

fn head(connection: &Connection) -> rusqlite::Result<Head> {
    let newest = "SELECT sequence, hash FROM entry ORDER BY sequence DESC LIMIT 1";
    let found = connection.query_row(newest, [], |row| Ok(Head { sequence: row.get(0)?, hash: hash_of(row, 1)? }));
    Ok(found.optional()?.unwrap_or(Head::EMPTY))
}

fn select(filter: &Filter, cursor: Cursor, limit: usize) -> (String, Vec<Value>) {
    let text = |wanted: &Option<String>| wanted.clone().map(Value::from);
    let conditions = [
        ("kind = ", filter.kind.map(|kind| Value::from(kind.key().to_owned()))),
        ("station = ", text(&filter.station)),
        ("person = ", text(&filter.person)),
        ("at_unix_ms >= ", filter.from_ms.map(Value::from)),
        ("at_unix_ms < ", filter.to_ms.map(Value::from)),
        ("sequence < ", if let Cursor::Before(place) = cursor { Some(Value::from(place)) } else { None }),
        ("sequence > ", if let Cursor::After(place) = cursor { Some(Value::from(place)) } else { None }),
    ];
    let (mut wheres, mut values) = (vec!["true".to_owned()], Vec::new());
    for (condition, value) in conditions {
        if let Some(value) = value {
            values.push(value);
            wheres.push(format!("{condition}?{}", values.len()));
        }
    }
    let order = if cursor.upwards() { "ASC" } else { "DESC" };
    let wheres = wheres.join(" AND ");
    (format!("SELECT {COLUMNS} FROM entry WHERE {wheres} ORDER BY sequence {order} LIMIT {limit}"), values)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::chain::Walk;
    use crate::journal::entry::Entry;
    use crate::journal::file::JournalFile;

    /// Entry n at n seconds; every third by a person, every other one of Quarry Road Booster.
    fn entry(n: i64) -> Entry {
        let (kind, by) = if n % 3 == 0 { (Kind::OperatorAction, "J. Alvarez") } else { (Kind::Diagnosis, "") };
        let station = if n % 2 == 0 { "Quarry Road Booster" } else { "Alder Creek Lift" };
        Entry::new(n * 1000, kind, format!("entry {n}")).about(station, "Pump 1").by(by)
    }

    fn journal(folder: &Path, entries: i64) -> JournalFile {
        let (mut file, _) = JournalFile::open(folder, 0).unwrap();
        file.append(&(1..=entries).map(entry).collect::<Vec<_>>()).unwrap();
        file
    }

    fn places(page: &Page) -> Vec<i64> {
        page.records.iter().map(|record| record.sequence).collect()
    }

    #[test]
    fn pages_lead_through_all_of_it_both_ways_and_verify() {
        let folder = tempfile::tempdir().unwrap();
        let file = journal(folder.path(), 25);
        let reader = JournalReader::new(folder.path());
        let (mut down, mut cursor) = (Vec::new(), Cursor::Newest);
        loop {
            let page = reader.page(&Filter::default(), cursor, 10).unwrap();
            assert_eq!(page.head, file.head());
            down.extend(places(&page));
            let Some(last) = down.last().copied().filter(|_| page.more) else { break };
            cursor = Cursor::Before(last);
        }
        assert_eq!(down, (1..=25).rev().collect::<Vec<_>>());
        let (mut walk, mut cursor) = (Walk::default(), Cursor::Oldest);
        loop {
            let page = reader.page(&Filter::default(), cursor, 10).unwrap();
            page.records.iter().for_each(|record| walk.step(record));
            if !page.more {
                break;
            }
            cursor = Cursor::After(page.records.last().unwrap().sequence);
        }
        assert_eq!((walk.entries(), walk.broken(), walk.head()), (25, None, file.head()));
    }

    #[test]
    fn a_filter_leaves_out_the_rest() {
        let folder = tempfile::tempdir().unwrap();
        let _file = journal(folder.path(), 12);
        let reader = JournalReader::new(folder.path());
        let found = |filter: Filter| places(&reader.page(&filter, Cursor::Oldest, 100).unwrap());
        let all = Filter::default;
        assert_eq!(found(Filter { kind: Some(Kind::OperatorAction), ..all() }), [3, 6, 9, 12]);
        assert_eq!(found(Filter { person: Some("J. Alvarez".into()), ..all() }), [3, 6, 9, 12]);
        assert_eq!(found(Filter { station: Some("Quarry Road Booster".into()), ..all() }), [2, 4, 6, 8, 10, 12]);
        assert_eq!(found(Filter { from_ms: Some(3000), to_ms: Some(5000), ..all() }), [3, 4]);
        let several = Filter { kind: Some(Kind::OperatorAction), station: Some("Alder Creek Lift".into()), ..all() };
        assert_eq!(found(several.clone()), [3, 9]);
        let page = reader.page(&several, Cursor::Before(9), 1).unwrap();
        assert_eq!((places(&page), page.more), (vec![3], false));
        // A text that is SQL is a text.
        assert_eq!(found(Filter { station: Some("' OR true --".into()), ..all() }), [0; 0]);
    }

    #[test]
    fn the_writer_goes_on_while_a_reader_is_in_the_middle() {
        let folder = tempfile::tempdir().unwrap();
        let mut file = journal(folder.path(), 3);
        let reader = JournalReader::new(folder.path());
        let seen = reader.ask(|connection| {
            let mut select = connection.prepare("SELECT sequence FROM entry ORDER BY sequence")?;
            let mut rows = select.query([])?;
            let mut seen = Vec::new();
            while let Some(row) = rows.next()? {
                // Appending waits for nobody, or it would wait for this loop until it gives up.
                file.append(&[entry(100)]).unwrap();
                seen.push(row.get::<_, i64>(0)?);
            }
            Ok(seen)
        });
        assert_eq!(seen.unwrap(), [1, 2, 3]);
        assert_eq!((reader.head().unwrap(), file.head().sequence), (file.head(), 6));
    }

    #[test]
    fn an_empty_journal_has_the_empty_head_and_a_missing_one_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let reader = JournalReader::new(folder.path());
        assert!(reader.head().is_err());
        assert!(!folder.path().join(FILE_NAME).exists(), "reading makes no file");
        let _file = journal(folder.path(), 0);
        assert_eq!(reader.head().unwrap(), Head::EMPTY);
        let page = reader.page(&Filter::default(), Cursor::Newest, 10).unwrap();
        assert_eq!(page, Page { records: Vec::new(), more: false, head: Head::EMPTY });
    }

    #[test]
    fn a_reader_cannot_write() {
        let folder = tempfile::tempdir().unwrap();
        let _file = journal(folder.path(), 1);
        let refused = JournalReader::new(folder.path()).ask(|c| c.execute("DROP TABLE entry", []).map(|_| ()));
        assert!(refused.unwrap_err().to_string().contains("readonly"));
    }
}
