//! A draft of a columns file, from the heading and the first rows of a recorded table.
//!
//! Every guess is marked, and what could not be placed stands as a comment. Must never write a guess without its mark, nor
//! anything that the reader of columns files would refuse.

mod names;
mod place;
mod table;
mod vocabulary;
mod written;

use self::names::is_long_column;
use self::place::{Placed, place};
use self::table::{Table, Times, is_time_name, times};
use super::steps::{Steps, enough};
use super::time::{Read, TimeFormat, pattern_has_offset, read};

/// Lines of a table that a draft is made from.
pub const LINES: usize = 200_000;
/// Rows whose times are read to find their format.
const TIMES_READ: usize = 200;
/// Tags of a long table that are drafted.
const TAGS: usize = 500;

/// What a draft is made for.
#[derive(Debug, Clone, Default)]
pub struct For<'a> {
    /// Name of the file, for the comment at the head.
    pub file: &'a str,
    /// Station, where the configuration has more than one.
    pub station: Option<&'a str>,
    /// Circuits of the station by name; empty when no configuration was given.
    pub circuits: &'a [String],
    /// Monitor, where the station has more than one.
    pub monitors: &'a [String],
}

/// Why no draft can be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DraftError {
    /// No heading.
    #[error(
        "no line of column names was found: a heading of two names or more, with as many cells in the row below it; \
         delimiters tried: comma, semicolon, tab, |"
    )]
    NoHeading,
    /// No column of times.
    #[error(
        "no column of times was found among {names}; tried RFC 3339, Unix seconds and milliseconds, and common patterns. \
         Date and time of day must be in one column. Write the columns file by hand: see `wattassay replay --help`"
    )]
    NoTime {
        /// What the heading holds.
        names: String,
    },
    /// No column that could be placed.
    #[error(
        "no column could be placed by its name: {names}. Write the columns file by hand: see `wattassay replay --help`"
    )]
    NothingPlaced {
        /// Names, each with the reason.
        names: String,
    },
}

/// The layout that was found.
enum Layout {
    Wide,
    Long { tag: usize, value: usize, hold_ms: Option<u64> },
}

/// Drafts a columns file from the first lines of a table.
pub fn draft(lines: &[String], of: &For<'_>) -> Result<String, DraftError> {
    let table = table::table(lines).ok_or(DraftError::NoHeading)?;
    let (time, format) = time_column(&table).ok_or_else(|| DraftError::NoTime { names: shown_names(&table.names) })?;
    let layout = layout(&table, time, &format);
    let named: Vec<(String, Vec<f64>)> = match layout {
        Layout::Wide => {
            (0..table.names.len()).filter(|n| *n != time).map(|n| (table.names[n].clone(), table.numbers(n))).collect()
        }
        Layout::Long { tag, value, .. } => tags(&table, tag, value),
    };
    let placed: Vec<Placed> = place(&named, of);
    if !placed.iter().any(Placed::is_live) {
        let names: Vec<String> = placed
            .iter()
            .take(30)
            .map(|p| format!("{} ({})", super::notes::shown(p.name.as_bytes()), p.why()))
            .collect();
        return Err(DraftError::NothingPlaced { names: names.join(", ") });
    }
    Ok(written::text(&table, time, &format, &layout, &placed, of))
}

fn shown_names(names: &[String]) -> String {
    let mut shown: Vec<String> = names.iter().take(30).map(|name| super::notes::shown(name.as_bytes())).collect();
    if names.len() > 30 {
        shown.push(format!("and {} more", names.len() - 30));
    }
    shown.join(", ")
}

/// The column of times and how they are written: one whose cells are times, named so rather than not.
fn time_column(table: &Table) -> Option<(usize, Times)> {
    let usable = |index: &usize| written::is_name(&table.names[*index]) && unique(&table.names, *index);
    let read = |index: usize| {
        let cells: Vec<&str> = table.column(index).filter(|cell| !cell.is_empty()).take(TIMES_READ).collect();
        times(&table.names[index], &cells, table.decimal_comma).map(|format| (index, format))
    };
    let all = || (0..table.names.len()).filter(usable);
    let named = all().filter(|n| is_time_name(&table.names[*n]));
    if table.rows.is_empty() {
        // Only the name is there to go by.
        let first = named.clone().next()?;
        return Some((first, Times { format: "rfc3339", or: Some("any other: there is no row"), needs_zone: false }));
    }
    named.chain(all().filter(|n| !is_time_name(&table.names[*n]))).find_map(read)
}

fn unique(names: &[String], index: usize) -> bool {
    names.iter().filter(|name| **name == names[index]).count() == 1
}

/// Whether rows hold a tag and a value, and how far apart rows of one tag are.
fn layout(table: &Table, time: usize, format: &Times) -> Layout {
    let find = |kind| {
        (0..table.names.len())
            .find(|n| *n != time && is_long_column(&table.names[*n], kind) && unique(&table.names, *n))
    };
    let (Some(tag), Some(value)) = (find(true), find(false)) else { return Layout::Wide };
    let texts = table.column(tag).filter(|cell| super::cells::number(cell.as_bytes(), table.decimal_comma).is_none());
    if texts.count() == 0 {
        return Layout::Wide;
    }
    Layout::Long { tag, value, hold_ms: hold(table, time, tag, format) }
}

/// A `hold` long enough for the rows; `None` when every time has a row of every tag.
fn hold(table: &Table, time: usize, tag: usize, format: &Times) -> Option<u64> {
    let format = match format.format {
        "rfc3339" => TimeFormat::Rfc3339,
        "unix-seconds" => TimeFormat::UnixSeconds,
        "unix-milliseconds" => TimeFormat::UnixMilliseconds,
        pattern => TimeFormat::Pattern {
            pattern: pattern.to_owned(),
            zone: (pattern_has_offset(pattern) != Ok(true)).then_some(jiff::tz::TimeZone::UTC),
        },
    };
    let mut of_tag: std::collections::BTreeMap<&str, (i64, Steps, usize)> = std::collections::BTreeMap::new();
    let mut all_times = std::collections::BTreeSet::new();
    for (cell, tag) in table.column(time).zip(table.column(tag)) {
        let Ok(Read::Plain(at)) = read(cell.as_bytes(), &format, table.decimal_comma) else { continue };
        all_times.insert(at.0);
        let (last, steps, rows) = of_tag.entry(tag).or_insert_with(|| (at.0, Steps::default(), 0));
        if *rows > 0 && at.0 > *last {
            steps.take(at.0.abs_diff(*last));
        }
        (*last, *rows) = (at.0, *rows + 1);
    }
    if of_tag.values().all(|(_, _, rows)| *rows == all_times.len()) {
        return None;
    }
    of_tag.values().filter_map(|(_, steps, _)| steps.quantile(0.95)).max().and_then(enough)
}

/// The tags of a long table in order of their first row, with their numbers.
fn tags(table: &Table, tag: usize, value: usize) -> Vec<(String, Vec<f64>)> {
    let mut tags: Vec<(String, Vec<f64>)> = Vec::new();
    let mut places: std::collections::HashMap<&str, usize> = std::collections::HashMap::new();
    for (name, cell) in table.column(tag).zip(table.column(value)) {
        let place = *places.entry(name).or_insert_with(|| {
            tags.push((name.to_owned(), Vec::new()));
            tags.len() - 1
        });
        if let Some(number) = super::cells::number(cell.as_bytes(), table.decimal_comma) {
            tags[place].1.push(number);
        }
    }
    tags.truncate(TAGS);
    tags
}

#[cfg(test)]
#[path = "draft_tests.rs"]
mod tests;
