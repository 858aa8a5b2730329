//! What the journal's and the history's SQLite files share: telling a file that is at fault from one that cannot be
//! reached now, and setting it aside. Must never remove such a file.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Error, ErrorCode};

/// How long to wait for another process that holds the file, such as one that exports from it.
pub(crate) const BUSY: Duration = Duration::from_secs(5);
/// Shared memory of the write-ahead log could not grow; SQLite gives this no code of its own.
const IOERR_SHMSIZE: i32 = 0x130a;

/// True when the contents of the file are at fault, as against access to it.
pub(crate) fn is_foreign(error: &Error) -> bool {
    match error {
        Error::SqliteFailure(error, _) | Error::SqlInputError { error, .. } => {
            matches!(error.code, ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt | ErrorCode::Unknown)
        }
        // Something in a column that this program never writes there.
        Error::FromSqlConversionFailure(..) | Error::InvalidColumnType(..) | Error::Utf8Error(..) => true,
        _ => false,
    }
}

/// True when there was no room on the disk.
pub(crate) fn is_full(error: &Error) -> bool {
    error.sqlite_error().is_some_and(|e| e.code == ErrorCode::DiskFull || e.extended_code == IOERR_SHMSIZE)
}

/// Renames `<stem>.db` of a folder and what belongs to it; returns its new name.
pub(crate) fn set_aside(folder: &Path, stem: &str, now_unix_ms: i64) -> io::Result<PathBuf> {
    let aside = folder.join(format!("{stem}-unreadable-{now_unix_ms}.db"));
    for suffix in ["-wal", "-shm", ""] {
        let (from, to) = (folder.join(format!("{stem}.db{suffix}")), format!("{}{suffix}", aside.display()));
        match fs::rename(from, to) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    Ok(aside)
}
