//! The journal: what happened, in an append-only file of chained entries, on the disk before anything of it is shown.
//!
//! `entry` and `chain` are pure; `file` keeps the records in SQLite, `writer` makes many entries share one sync, `reader` reads beside
//! it, `export` writes CSV and JSON. Must never change or remove a record.

pub mod chain;
pub mod entry;
pub mod export;
pub mod file;
pub mod reader;
pub mod writer;

pub use chain::{Break, Hash, Head, Record};
pub use entry::{Entry, Kind};
pub use file::JournalFile;
pub use writer::Journal;
