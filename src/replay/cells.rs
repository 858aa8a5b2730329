//! Lines into cells, and cells into numbers.
//!
//! Must never read a number two ways: what is not plainly one in the stated writing is refused.

use csv_core::{ReadRecordResult, Reader, ReaderBuilder};

use super::columns::TextRules;

/// Splits one line at a time; its buffers are reused and bounded by the longest line.
#[derive(Debug)]
pub struct Splitter {
    reader: Reader,
    delimiter: u8,
    text: Vec<u8>,
    ends: Vec<usize>,
    fields: usize,
    /// Bytes between the end of a cell and the start of the next.
    apart: usize,
}

impl Splitter {
    /// A splitter at a delimiter.
    pub fn new(delimiter: u8) -> Splitter {
        Splitter {
            reader: ReaderBuilder::new().delimiter(delimiter).build(),
            delimiter,
            text: vec![0; 1024],
            ends: vec![0; 64],
            fields: 0,
            apart: 0,
        }
    }

    /// Splits a line without its line end. False when it is not a whole row: empty, or a quote is left open.
    pub fn split(&mut self, line: &[u8]) -> bool {
        let plain = memchr::memchr3(b'"', b'\r', b'\n', line).is_none() && !line.starts_with(b"\xef\xbb\xbf");
        if plain { self.split_plain(line) } else { self.split_quoted(line) }
    }

    /// Splits a line in which no byte but the delimiter means anything.
    fn split_plain(&mut self, line: &[u8]) -> bool {
        self.fields = 0;
        self.apart = 1;
        if line.is_empty() {
            return false;
        }
        if self.text.len() < line.len() {
            self.text.resize(line.len(), 0);
        }
        self.text[..line.len()].copy_from_slice(line);
        for end in memchr::memchr_iter(self.delimiter, line).chain([line.len()]) {
            if self.fields == self.ends.len() {
                self.ends.resize(2 * self.fields, 0);
            }
            self.ends[self.fields] = end;
            self.fields += 1;
        }
        true
    }

    /// Splits any line, taking quotes off.
    fn split_quoted(&mut self, line: &[u8]) -> bool {
        self.reader.reset();
        self.fields = 0;
        self.apart = 0;
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
        let start = if index == 0 { 0 } else { self.ends[index - 1] + self.apart };
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

/// Reads a cell of a run status: one of the stated words in capital or small letters, else a number, of which 0 is stopped.
pub fn status(bytes: &[u8], rules: &TextRules) -> Cell {
    let is_one_of = |words: &[String]| words.iter().any(|word| word.as_bytes().eq_ignore_ascii_case(bytes));
    if is_one_of(&rules.running) {
        Cell::Number(1.0)
    } else if is_one_of(&rules.stopped) {
        Cell::Number(0.0)
    } else {
        cell(bytes, rules)
    }
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
    short_number(bytes, if decimal_comma { b',' } else { b'.' }).or_else(|| any_number(bytes, decimal_comma))
}

/// Powers of ten that a double holds exactly.
const POWERS_OF_TEN: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20,
    1e21, 1e22,
];
/// Integers up to here are doubles exactly.
const EXACT: u64 = 1 << 53;

/// What nearly every cell holds: a few digits without an exponent. Two exact doubles divide to the correctly rounded one
/// (W. D. Clinger, How to Read Floating Point Numbers Accurately, 1990), so this gives what [`any_number`] would.
fn short_number(bytes: &[u8], decimal_sign: u8) -> Option<f64> {
    let (negative, digits) = match bytes.split_first()? {
        (b'-', rest) => (true, rest),
        (b'+', rest) => (false, rest),
        _ => (false, bytes),
    };
    // Nineteen digits and a decimal sign always fit into 64 bits.
    if digits.len() > 20 {
        return None;
    }
    let (mut whole, mut point_at) = (0u64, None);
    for (n, byte) in digits.iter().enumerate() {
        let digit = byte.wrapping_sub(b'0');
        if digit <= 9 {
            whole = whole.wrapping_mul(10).wrapping_add(u64::from(digit));
        } else if *byte == decimal_sign && point_at.is_none() {
            point_at = Some(n);
        } else {
            return None;
        }
    }
    let count = digits.len() - usize::from(point_at.is_some());
    if !(1..=19).contains(&count) || whole > EXACT {
        return None;
    }
    let after_point = point_at.map_or(0, |at| digits.len() - 1 - at);
    let size = whole as f64 / POWERS_OF_TEN[after_point];
    Some(if negative { -size } else { size })
}

/// Any number in the stated writing, by the standard library.
fn any_number(bytes: &[u8], decimal_comma: bool) -> Option<f64> {
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
            not_available: vec![String::new(), "Bad".to_owned(), "-9999".to_owned()],
            ..TextRules::default()
        };
        assert_eq!(cell(b"", &rules), Cell::NotAvailable);
        assert_eq!(cell(b"Bad", &rules), Cell::NotAvailable);
        assert_eq!(cell(b"-9999", &rules), Cell::NotAvailable);
        assert_eq!(cell(b"NaN", &rules), Cell::Unreadable);
        assert_eq!(cell(b"-9999.5", &rules), Cell::Number(-9999.5));
    }

    #[test]
    fn a_run_status_is_a_word_or_a_number() {
        let usual = TextRules::default();
        for (text, cell) in [
            ("ON", Cell::Number(1.0)),
            ("run", Cell::Number(1.0)),
            ("True", Cell::Number(1.0)),
            ("1", Cell::Number(1.0)),
            ("off", Cell::Number(0.0)),
            ("STOP", Cell::Number(0.0)),
            ("FALSE", Cell::Number(0.0)),
            ("0", Cell::Number(0.0)),
            ("auto", Cell::Unreadable),
            ("", Cell::NotAvailable),
        ] {
            assert_eq!(status(text.as_bytes(), &usual), cell, "{text}");
        }
        let turned = TextRules { running: vec!["0".to_owned()], stopped: vec!["closed".to_owned()], ..usual };
        assert_eq!(status(b"0", &turned), Cell::Number(1.0), "a contact that opens when the pump runs");
        assert_eq!(status(b"Closed", &turned), Cell::Number(0.0));
        assert_eq!(status(b"ON", &turned), Cell::Unreadable, "words of one's own stand in place of the usual ones");
    }

    /// Writings of numbers, and what is nearly one.
    fn writing() -> impl Strategy<Value = String> {
        let digits = "[0-9]{0,25}";
        let parts = (proptest::sample::select(vec!["", "-", "+", " "]), digits, "[.,]?", digits, "(e[+-]?[0-9]{0,3})?");
        prop_oneof![
            any::<f64>().prop_map(|n| n.to_string()),
            (-1e7..1e7f64).prop_map(|n| format!("{n:.3}")),
            any::<u64>().prop_map(|n| n.to_string()),
            parts.prop_map(|(sign, whole, point, part, exponent)| format!("{sign}{whole}{point}{part}{exponent}")),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        /// To the last bit, the sign of zero included.
        #[test]
        fn a_short_number_is_the_number_the_library_reads(text in writing(), comma in any::<bool>()) {
            let bits = |number: Option<f64>| number.map(f64::to_bits);
            prop_assert_eq!(bits(number(text.as_bytes(), comma)), bits(any_number(text.as_bytes(), comma)));
        }

        #[test]
        fn a_line_without_quotes_is_split_as_any_other(line in "[a,; \\t\u{feff}]{0,40}", delimiter in proptest::sample::select(b",;\t".to_vec())) {
            let cells = |of: &Splitter| (0..=of.len()).map(|n| of.cell(n).to_vec()).collect::<Vec<_>>();
            let (mut one, mut other) = (Splitter::new(delimiter), Splitter::new(delimiter));
            prop_assert_eq!(one.split(line.as_bytes()), other.split_quoted(line.as_bytes()));
            prop_assert_eq!(cells(&one), cells(&other));
        }

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
