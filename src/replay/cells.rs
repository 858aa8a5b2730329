//! Lines into cells, and cells into numbers.
//!
//! Must never read a number two ways: what is not plainly one in the stated writing is refused.

use csv_core::{ReadRecordResult, Reader, ReaderBuilder};

use super::columns::TextRules;

/// Splits one line at a time; its buffers are reused and bounded by the longest line.
#[derive(Debug)]
pub struct Splitter {
    reader: Reader,
    text: Vec<u8>,
    ends: Vec<usize>,
    fields: usize,
}

impl Splitter {
    /// A splitter at a delimiter.
    pub fn new(delimiter: u8) -> Splitter {
        Splitter {
            reader: ReaderBuilder::new().delimiter(delimiter).build(),
            text: vec![0; 1024],
            ends: vec![0; 64],
            fields: 0,
        }
    }

    /// Splits a line without its line end. False when it is not a whole row: empty, or a quote is left open.
    pub fn split(&mut self, line: &[u8]) -> bool {
        self.reader.reset();
        self.fields = 0;
        let (mut input, mut written, mut fields) = (line, 0, 0);
        let mut ended = false;
        loop {
            let (result, read, wrote, ends) =
                self.reader.read_record(input, &mut self.text[written..], &mut self.ends[fields..]);
            input = &input[read..];
            written += wrote;
            fields += ends;
            match result {
                ReadRecordResult::OutputFull => self.text.resize(2 * self.text.len(), 0),
                ReadRecordResult::OutputEndsFull => self.ends.resize(2 * self.ends.len(), 0),
                // The line end that was cut off closes the row, unless a quote is open: then it is part of a cell.
                ReadRecordResult::InputEmpty if !ended => {
                    ended = true;
                    input = b"\n";
                }
                ReadRecordResult::InputEmpty | ReadRecordResult::End => return false,
                ReadRecordResult::Record => {
                    self.fields = fields;
                    return input.is_empty();
                }
            }
        }
    }

    /// Number of cells of the last row.
    pub fn len(&self) -> usize {
        self.fields
    }

    /// True when there is no row.
    pub fn is_empty(&self) -> bool {
        self.fields == 0
    }

    /// A cell of the last row without the blanks around it; empty beyond its end.
    pub fn cell(&self, index: usize) -> &[u8] {
        if index >= self.fields {
            return &[];
        }
        let start = if index == 0 { 0 } else { self.ends[index - 1] };
        self.text[start..self.ends[index]].trim_ascii()
    }
}

/// What a cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell {
    /// A finite number.
    Number(f64),
    /// One of the stated words for "not available".
    NotAvailable,
    /// Neither.
    Unreadable,
}

/// Longest writing of a number; a double needs 25 characters.
const LONGEST_NUMBER: usize = 64;

/// Reads a cell without blanks around it.
pub fn cell(bytes: &[u8], rules: &TextRules) -> Cell {
    if let Some(number) = number(bytes, rules.decimal_comma) {
        // A sentinel may look like a number (-9999).
        if rules.not_available.iter().any(|word| word.as_bytes() == bytes) {
            return Cell::NotAvailable;
        }
        return Cell::Number(number);
    }
    if rules.not_available.iter().any(|word| word.as_bytes() == bytes) { Cell::NotAvailable } else { Cell::Unreadable }
}

/// A finite decimal number in the stated writing: sign, digits, decimal sign, exponent. No words, no thousands.
pub fn number(bytes: &[u8], decimal_comma: bool) -> Option<f64> {
    let plain = |b: &u8| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'e' | b'E') || *b == b'.' && !decimal_comma;
    if bytes.is_empty() || bytes.len() > LONGEST_NUMBER {
        return None;
    }
    let mut buffer = [0u8; LONGEST_NUMBER];
    let digits = if decimal_comma {
        for (to, from) in buffer.iter_mut().zip(bytes) {
            *to = match from {
                b',' => b'.',
                b if plain(b) => *b,
                _ => return None,
            };
        }
        &buffer[..bytes.len()]
    } else if bytes.iter().all(plain) {
        bytes
    } else {
        return None;
    };
    std::str::from_utf8(digits).ok()?.parse().ok().filter(|number: &f64| number.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn split(line: &str, delimiter: u8) -> Option<Vec<String>> {
        let mut splitter = Splitter::new(delimiter);
        splitter
            .split(line.as_bytes())
            .then(|| (0..splitter.len()).map(|n| String::from_utf8_lossy(splitter.cell(n)).into_owned()).collect())
    }

    #[test]
    fn rows_are_split_at_the_delimiter_and_quotes_are_taken_off() {
        let owned = |cells: &[&str]| Some(cells.iter().map(|&c| c.to_owned()).collect::<Vec<_>>());
        assert_eq!(split("a, b ,,c", b','), owned(&["a", "b", "", "c"]));
        assert_eq!(split("\"a,b\";\"say \"\"x\"\"\"", b';'), owned(&["a,b", "say \"x\""]));
        assert_eq!(split("a\tb", b'\t'), owned(&["a", "b"]));
        assert_eq!(split("", b','), None);
        assert_eq!(split("a,\"b", b','), None);
        assert_eq!(split(&"x,".repeat(300), b',').map(|cells| cells.len()), Some(301));
        assert_eq!(split(&"y".repeat(10_000), b',').map(|cells| cells[0].len()), Some(10_000));
    }

    #[test]
    fn numbers_are_read_in_one_writing_only() {
        let point = |text: &str| number(text.as_bytes(), false);
        let comma = |text: &str| number(text.as_bytes(), true);
        assert_eq!(
            (point("1.5"), point("-2e3"), point("+.5"), point("7")),
            (Some(1.5), Some(-2000.0), Some(0.5), Some(7.0))
        );
        assert_eq!((comma("1,5"), comma("-2e3")), (Some(1.5), Some(-2000.0)));
        for bad in ["1,5", "1,234.5", "NaN", "inf", "1e999", "", "0x10", "1 000", "--1", "1.2.3"] {
            assert_eq!(point(bad), None, "{bad}");
        }
        for bad in ["1.5", "1.234,5", "1,2,3"] {
            assert_eq!(comma(bad), None, "{bad}");
        }
    }

    #[test]
    fn not_available_is_what_the_file_says_and_nothing_else() {
        let rules = TextRules {
            delimiter: b',',
            decimal_comma: false,
            not_available: vec![String::new(), "Bad".to_owned(), "-9999".to_owned()],
            skip_lines: 0,
        };
        assert_eq!(cell(b"", &rules), Cell::NotAvailable);
        assert_eq!(cell(b"Bad", &rules), Cell::NotAvailable);
        assert_eq!(cell(b"-9999", &rules), Cell::NotAvailable);
        assert_eq!(cell(b"NaN", &rules), Cell::Unreadable);
        assert_eq!(cell(b"-9999.5", &rules), Cell::Number(-9999.5));
    }

    proptest! {
        #[test]
        fn any_line_is_split_or_refused(line in proptest::collection::vec(any::<u8>(), 0..3000), delimiter in 9u8..127) {
            let mut splitter = Splitter::new(delimiter);
            if splitter.split(&line) {
                prop_assert!(!splitter.is_empty());
                for n in 0..=splitter.len() {
                    let _ = number(splitter.cell(n), n % 2 == 0);
                }
            }
        }
    }
}
