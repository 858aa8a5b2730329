//! The line of column names, and why a file cannot be used.
//!
//! Must never take a column by its place: only by its whole name.

use super::super::cells::Splitter;
use super::super::columns::{Columns, Layout};
use super::super::notes::shown;
use super::place::Value;
use super::series::HELD_AT_MOST;

/// Why a file cannot be used at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FileError {
    /// Saved in an encoding other than UTF-8.
    #[error("this is UTF-16 text; save the file as UTF-8")]
    Utf16,
    /// The line that should hold the names cannot be split.
    #[error("line {line} should hold the names of the columns, but is not a row")]
    NotARow {
        /// Its number.
        line: u64,
    },
    /// Wanted columns are not there.
    #[error("line {line} does not name {missing}; it names {present}")]
    Missing {
        /// Number of the heading's line.
        line: u64,
        /// The columns that are missing, in quotes.
        missing: String,
        /// What the heading holds.
        present: String,
    },
    /// A wanted name stands over two columns.
    #[error("line {line} names {column} twice")]
    Twice {
        /// Number of the heading's line.
        line: u64,
        /// The name, in quotes.
        column: String,
    },
    /// Grouped by tag, and too large to be sorted in memory.
    #[error(
        "line {line}: the rows are grouped by tag, so they are sorted by time in memory, which is done up to {HELD_AT_MOST} \
         values (160 MB); this file holds more. Export it in pieces, for example one file for each month, or sorted by time"
    )]
    TooLargeToSort {
        /// Line at which the limit was passed.
        line: u64,
    },
}

/// Names shown of a heading that lacks a wanted one.
const NAMES_SHOWN: usize = 30;

/// Where the wanted columns are.
pub(super) struct Heading {
    pub(super) width: usize,
    pub(super) time: usize,
    /// Cell of each value in the wide layout, in the order of the plan.
    pub(super) cells: Vec<usize>,
    /// Cells of name and value in the long layout.
    pub(super) tag_and_value: (usize, usize),
}

impl Heading {
    /// Finds the wanted columns in the row that was split last.
    pub(super) fn read(
        row: &Splitter,
        line: u64,
        columns: &Columns,
        values: &[Value<'_>],
    ) -> Result<Heading, FileError> {
        let names: Vec<&[u8]> = (0..row.len()).map(|n| row.cell(n)).collect();
        let mut missing: Vec<String> = Vec::new();
        let mut find = |name: &str| {
            let mut found = names.iter().enumerate().filter(|(_, n)| **n == name.as_bytes()).map(|(index, _)| index);
            match (found.next(), found.next()) {
                (Some(index), None) => Ok(index),
                (None, _) => {
                    let name = shown(name.as_bytes());
                    if !missing.contains(&name) {
                        missing.push(name);
                    }
                    Ok(0)
                }
                (Some(_), Some(_)) => Err(FileError::Twice { line, column: shown(name.as_bytes()) }),
            }
        };
        let time = find(&columns.time_column)?;
        let (mut cells, mut tag_and_value) = (Vec::new(), (0, 0));
        match &columns.layout {
            Layout::Wide => {
                for value in values {
                    cells.push(find(&value.of.column)?);
                }
            }
            Layout::Long { tag_column, value_column, .. } => tag_and_value = (find(tag_column)?, find(value_column)?),
        }
        if missing.is_empty() {
            return Ok(Heading { width: names.len(), time, cells, tag_and_value });
        }
        let mut present: Vec<String> = names.iter().take(NAMES_SHOWN).map(|name| shown(name)).collect();
        if names.len() > NAMES_SHOWN {
            present.push(format!("and {} more", names.len() - NAMES_SHOWN));
        }
        Err(FileError::Missing { line, missing: missing.join(", "), present: present.join(", ") })
    }
}
