//! The first lines of a recorded table: how it is written, its heading, and a few rows.
//!
//! Must never hold more than the lines it is given.

use super::super::cells::{Splitter, number};
use super::super::time::{PatternError, Read, TimeFormat, pattern_has_offset, read};
use jiff::tz::TimeZone;

const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];
/// Lines before the heading that are looked through.
const LINES_BEFORE: usize = 50;

/// The table as far as it was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Table {
    pub(super) delimiter: u8,
    pub(super) decimal_comma: bool,
    /// Lines before the heading.
    pub(super) skip_lines: usize,
    pub(super) names: Vec<String>,
    pub(super) rows: Vec<Vec<String>>,
}

fn split(line: &str, delimiter: u8) -> Option<Vec<String>> {
    let mut splitter = Splitter::new(delimiter);
    splitter
        .split(line.as_bytes())
        .then(|| (0..splitter.len()).map(|n| String::from_utf8_lossy(splitter.cell(n)).into_owned()).collect())
}

/// Takes the lines of a table apart; `None` when no line can be its heading.
pub(super) fn table(lines: &[String]) -> Option<Table> {
    let best = DELIMITERS.into_iter().filter_map(|delimiter| {
        let (at, names) = heading(lines, delimiter)?;
        Some((names.len(), delimiter, at, names))
    });
    // The first heading, and of those the one of most cells: a decimal comma makes more, but only in the rows.
    let (width, delimiter, at, names) =
        best.reduce(|a, b| if (b.2, std::cmp::Reverse(b.0)) < (a.2, std::cmp::Reverse(a.0)) { b } else { a })?;
    let rows: Vec<Vec<String>> =
        lines[at + 1..].iter().filter_map(|line| split(line, delimiter)).filter(|cells| cells.len() == width).collect();
    let cells = || rows.iter().flatten().map(String::as_bytes);
    let commas = cells().filter(|c| number(c, false).is_none() && number(c, true).is_some()).count();
    let points = cells().filter(|c| c.contains(&b'.') && number(c, false).is_some()).count();
    Some(Table { delimiter, decimal_comma: delimiter != b',' && commas > points, skip_lines: at, names, rows })
}

/// The first line of two names or more that is followed by as many cells, or by nothing.
fn heading(lines: &[String], delimiter: u8) -> Option<(usize, Vec<String>)> {
    let filled = |from: usize| (from..lines.len()).find(|n| !lines[*n].trim().is_empty());
    let mut at = filled(0)?;
    while at < LINES_BEFORE {
        let cells = split(&lines[at], delimiter);
        let next = filled(at + 1);
        let as_many = |cells: &[String]| {
            next.is_none_or(|next| split(&lines[next], delimiter).is_some_and(|row| row.len() == cells.len()))
        };
        if let Some(cells) = cells.filter(|cells| {
            let named = cells.iter().filter(|c| !c.is_empty() && number(c.as_bytes(), false).is_none()).count();
            cells.len() >= 2 && 2 * named >= cells.len() && as_many(cells)
        }) {
            return Some((at, cells));
        }
        at = next?;
    }
    None
}

impl Table {
    /// The cells of a column.
    pub(super) fn column(&self, index: usize) -> impl Iterator<Item = &str> {
        self.rows.iter().filter_map(move |row| row.get(index)).map(String::as_str)
    }

    /// Its numbers.
    pub(super) fn numbers(&self, index: usize) -> Vec<f64> {
        self.column(index).filter_map(|cell| number(cell.as_bytes(), self.decimal_comma)).collect()
    }
}

/// How times are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Times {
    /// As a columns file writes it.
    pub(super) format: &'static str,
    /// What else it could be.
    pub(super) or: Option<&'static str>,
    /// The pattern holds no offset.
    pub(super) needs_zone: bool,
}

/// Patterns of historians and spreadsheets, the commonest first; month before day where both could be.
const PATTERNS: [&str; 18] = [
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y-%m-%d %H:%M:%S%.f %z",
    "%Y-%m-%d %H:%M",
    "%Y/%m/%d %H:%M:%S",
    "%Y/%m/%d %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %I:%M:%S %p",
    "%m/%d/%Y %H:%M",
    "%m/%d/%Y %I:%M %p",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%d-%b-%Y %H:%M:%S",
    "%d-%b-%y %H:%M:%S",
    "%m/%d/%y %H:%M:%S",
    "%m/%d/%y %H:%M",
];

/// How the cells of a column are written as times; `None` when they are none.
pub(super) fn times(name: &str, cells: &[&str], decimal_comma: bool) -> Option<Times> {
    let all = |format: &TimeFormat| cells.iter().all(|cell| read(cell.as_bytes(), format, decimal_comma).is_ok());
    if cells.is_empty() {
        return None;
    }
    let found = |format, or| Some(Times { format, or, needs_zone: false });
    let numbers: Option<Vec<f64>> = cells.iter().map(|cell| number(cell.as_bytes(), decimal_comma)).collect();
    if let Some(numbers) = numbers {
        let rising = numbers.windows(2).all(|pair| pair[0] <= pair[1]);
        let named_ms = name.to_lowercase().split(|c: char| !c.is_alphanumeric()).any(|w| w == "ms" || w == "millis");
        return match numbers.first() {
            Some(first) if *first >= 1e11 && all(&TimeFormat::UnixMilliseconds) => found("unix-milliseconds", None),
            Some(first) if *first >= 1e8 && all(&TimeFormat::UnixSeconds) => found("unix-seconds", None),
            // Counted from the start of the recording, or of a day: only the name says that it is a time at all.
            Some(_) if rising && is_time_name(name) && all(&TimeFormat::UnixMilliseconds) && named_ms => {
                found("unix-milliseconds", Some("unix-seconds"))
            }
            Some(_) if rising && is_time_name(name) && all(&TimeFormat::UnixSeconds) => {
                found("unix-seconds", Some("unix-milliseconds"))
            }
            _ => None,
        };
    }
    if all(&TimeFormat::Rfc3339) {
        return found("rfc3339", None);
    }
    let mut fitting = PATTERNS.into_iter().filter(|pattern| {
        let zone = match pattern_has_offset(pattern) {
            Ok(true) => None,
            Ok(false) => Some(TimeZone::UTC),
            Err(PatternError::Unusable | PatternError::Incomplete) => return false,
        };
        let format = TimeFormat::Pattern { pattern: (*pattern).to_owned(), zone };
        cells.iter().all(|cell| {
            matches!(read(cell.as_bytes(), &format, decimal_comma), Ok(Read::Plain(_) | Read::Twice { .. }))
        })
    });
    let format = fitting.next()?;
    Some(Times { format, or: fitting.next(), needs_zone: pattern_has_offset(format) == Ok(false) })
}

/// Whether a name is one that the trade gives to a column of times.
pub(super) fn is_time_name(name: &str) -> bool {
    let lower = name.to_lowercase();
    let mut words = lower.split(|c: char| !c.is_alphanumeric());
    words.any(|w| matches!(w, "time" | "timestamp" | "date" | "datetime" | "t" | "ts" | "utc" | "clock" | "epoch"))
        || lower.contains("timestamp")
        || lower.contains("datetime")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<String> {
        text.lines().map(str::to_owned).collect()
    }

    #[test]
    fn the_heading_is_found_behind_lines_of_the_export() {
        let found = table(&lines("Export of 2025\nTime;V1;kW\n\n2025;277,1;12,5\n")).unwrap();
        assert_eq!((found.delimiter, found.decimal_comma, found.skip_lines), (b';', true, 1));
        assert_eq!((found.names, found.rows.len()), (lines("Time\nV1\nkW"), 1));
        let tabs = table(&lines("Time\tkW, total\n1\t2\n")).unwrap();
        assert_eq!((tabs.delimiter, tabs.names.len()), (b'\t', 2));
        assert_eq!(table(&lines("")), None);
        assert_eq!(table(&lines("1,2\n3,4")), None, "numbers are no names");
    }

    #[test]
    fn times_are_known_by_how_they_are_written() {
        let format = |cells: &[&str]| times("Time", cells, false).map(|times| (times.format, times.needs_zone));
        assert_eq!(format(&["2025-11-19T21:43:00Z"]), Some(("rfc3339", false)));
        assert_eq!(format(&["1763588580", "1763588590.5"]), Some(("unix-seconds", false)));
        assert_eq!(format(&["1763588580000"]), Some(("unix-milliseconds", false)));
        assert_eq!(format(&["2025-11-19 16:43:00", "2025-11-19 16:43:00.5"]), Some(("%Y-%m-%d %H:%M:%S%.f", true)));
        assert_eq!(format(&["11/19/2025 04:43:00 PM"]), Some(("%m/%d/%Y %I:%M:%S %p", true)));
        assert_eq!(format(&["19/11/2025 16:43"]), Some(("%d/%m/%Y %H:%M", true)));
        assert_eq!(format(&["277.1", "277.2"]), Some(("unix-seconds", false)), "by its name alone");
        assert_eq!(times("V1", &["277.1", "277.2"], false), None);
        assert_eq!(format(&["yesterday"]), None);
        let either = times("Time", &["03/04/2025 16:43"], false).unwrap();
        assert_eq!((either.format, either.or), ("%m/%d/%Y %H:%M", Some("%d/%m/%Y %H:%M")));
    }
}
