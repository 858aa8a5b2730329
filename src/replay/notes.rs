//! What was wrong in the rows of a file: every kind counted, the first few told with their lines.
//!
//! Must never grow with the file, and must never hold a control character from one.

/// Notes kept of each kind; the rest is counted.
const KEPT: usize = 5;
/// Longest piece of a cell that is shown.
const SHOWN_CHARS: usize = 40;

/// What can be wrong in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// Too long, not split as the heading, or not text: the row is not used.
    Row,
    /// The time cannot be read: the row is not used.
    Time,
    /// The time is before that of the row before: the row is not used.
    Backwards,
    /// The time is that of the row before: the row is not used.
    Repeated,
    /// A cell is neither a number nor "not available": that value counts as failed, the rest of the row is used.
    Cell,
    /// Not a fault of a row: the recorder's clock was set back, or a local time came twice, and how that was read.
    Clock,
    /// A row of the long layout names a value that the columns file does not: not used.
    UnknownName,
}

impl Fault {
    /// All kinds, in the order they are told.
    pub const ALL: [Fault; 7] =
        [Fault::Row, Fault::Time, Fault::Backwards, Fault::Repeated, Fault::Cell, Fault::Clock, Fault::UnknownName];

    /// Stable word.
    pub fn key(self) -> &'static str {
        match self {
            Fault::Row => "bad_rows",
            Fault::Time => "bad_times",
            Fault::Backwards => "rows_back_in_time",
            Fault::Repeated => "rows_of_a_repeated_time",
            Fault::Cell => "bad_cells",
            Fault::Clock => "clock_notes",
            Fault::UnknownName => "rows_of_unknown_names",
        }
    }

    /// What the count counts, for people.
    pub fn words(self) -> &'static str {
        match self {
            Fault::Row => "rows not used: not a row as the heading says",
            Fault::Time => "rows not used: no time that can be read",
            Fault::Backwards => "rows not used: time goes backwards (rows must be in order of time, the oldest first)",
            Fault::Repeated => "rows not used: the same time as the row before",
            Fault::Cell => "cells not used: neither a number nor one of the words for \"not available\"",
            Fault::Clock => "remarks on the recorded clock",
            Fault::UnknownName => "rows not used: the columns file does not name their value",
        }
    }
}

/// One thing wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// Line of the file, from 1.
    pub line: u64,
    /// What is wrong.
    pub text: String,
}

/// Counts and the first few notes of one file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Notes {
    counts: [u64; Fault::ALL.len()],
    kept: Vec<(Fault, Note)>,
}

impl Notes {
    /// Counts a fault; the words are only made when they will be kept.
    pub fn add(&mut self, fault: Fault, line: u64, text: impl FnOnce() -> String) {
        self.counts[fault as usize] += 1;
        if self.kept(fault).count() < KEPT {
            self.kept.push((fault, Note { line, text: text() }));
        }
    }

    /// How many of a kind there were.
    pub fn count(&self, fault: Fault) -> u64 {
        self.counts[fault as usize]
    }

    /// The first few of a kind.
    pub fn kept(&self, fault: Fault) -> impl Iterator<Item = &Note> {
        self.kept.iter().filter(move |(of, _)| *of == fault).map(|(_, note)| note)
    }

    /// True when nothing at all was noted.
    pub fn is_empty(&self) -> bool {
        self.counts.iter().all(|count| *count == 0)
    }
}

/// A piece of a file, in quotes, safe to print.
pub fn shown(bytes: &[u8]) -> String {
    let start = &bytes[..bytes.len().min(4 * SHOWN_CHARS)];
    let text = String::from_utf8_lossy(start);
    let mut out: String = text.chars().take(SHOWN_CHARS).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if bytes.len() > start.len() || text.chars().count() > SHOWN_CHARS {
        out.push_str("...");
    }
    format!("\"{out}\"")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_few_are_kept_and_all_are_counted() {
        let mut notes = Notes::default();
        assert!(notes.is_empty());
        for line in 1..=1000 {
            notes.add(Fault::Cell, line, || format!("cell of {line}"));
        }
        notes.add(Fault::Time, 7, || "time".to_owned());
        assert_eq!((notes.count(Fault::Cell), notes.count(Fault::Time), notes.count(Fault::Row)), (1000, 1, 0));
        assert_eq!(notes.kept(Fault::Cell).map(|n| n.line).collect::<Vec<_>>(), [1, 2, 3, 4, 5]);
    }

    #[test]
    fn what_is_shown_is_short_and_printable() {
        assert_eq!(shown(b"a\x1b[31mb"), "\"a [31mb\"");
        assert_eq!(shown(&[b'x'; 1000]), format!("\"{}...\"", "x".repeat(40)));
        assert_eq!(shown(b"\xff"), "\"\u{fffd}\"");
    }
}
