//! Times of rows that stand close together: within one hour only minutes and seconds differ, and those are read here.
//!
//! Whatever is not plainly such a time goes to [`time::read`], so that both give the same instants; an hour is only used
//! once its ends have been read that way. Must never know a calendar or a time zone.

use super::time::{self, Read, TimeError, TimeFormat};
use crate::reading::UnixMs;

/// Reads the times of one file.
#[derive(Debug)]
pub struct TimeReader<'c> {
    format: &'c TimeFormat,
    decimal_comma: bool,
    hour: Hour,
}

/// The hour of the last row: text before its minutes and after its seconds, and when it began.
#[derive(Debug, Default)]
struct Hour {
    before: Vec<u8>,
    after: Vec<u8>,
    /// `None` when clocks changed in it or its text is no plain time.
    start_ms: Option<i64>,
}

/// A text taken apart at its first `12:34`.
struct Parts<'t> {
    before: &'t [u8],
    /// Minutes and seconds after the full hour, with the fraction, ms.
    past_hour_ms: i64,
    after: &'t [u8],
}

impl<'c> TimeReader<'c> {
    /// A reader of times in one format.
    pub fn new(format: &'c TimeFormat, decimal_comma: bool) -> TimeReader<'c> {
        TimeReader { format, decimal_comma, hour: Hour::default() }
    }

    /// Reads the text of a time.
    pub fn read(&mut self, text: &[u8]) -> Result<Read, TimeError> {
        let plain = |text: &[u8]| time::read(text, self.format, self.decimal_comma);
        let Some(parts) = self.parts(text) else { return plain(text) };
        if self.hour.before != parts.before || self.hour.after != parts.after {
            let start_ms = self.start_of_hour(&parts);
            self.hour.before.clear();
            self.hour.before.extend_from_slice(parts.before);
            self.hour.after.clear();
            self.hour.after.extend_from_slice(parts.after);
            self.hour.start_ms = start_ms;
        }
        match self.hour.start_ms {
            Some(start_ms) => Ok(Read::Plain(UnixMs(start_ms + parts.past_hour_ms))),
            None => plain(text),
        }
    }

    fn parts<'t>(&self, text: &'t [u8]) -> Option<Parts<'t>> {
        // A fraction of a second is one only where the format is known to have it there.
        let fractions = match self.format {
            TimeFormat::Rfc3339 => true,
            TimeFormat::Pattern { pattern, .. } => pattern.contains("%S%.f") || pattern.contains("%T%.f"),
            TimeFormat::UnixSeconds | TimeFormat::UnixMilliseconds => return None,
        };
        let colon = text.iter().position(|b| *b == b':')?;
        let (before, rest) = text.split_at(colon + 1);
        let [m1, m2, b':', s1, s2, after @ ..] = rest else { return None };
        let past_hour_s = 60 * below_sixty(*m1, *m2)? + below_sixty(*s1, *s2)?;
        let (fraction_ms, after) = if fractions { fraction(after) } else { (0, after) };
        // What may still be a fraction would be another "hour" every row.
        if after.starts_with(b".") || after.starts_with(b",") {
            return None;
        }
        Some(Parts { before, past_hour_ms: 1000 * past_hour_s + fraction_ms, after })
    }

    /// When the hour of a text began, if all of it is plain: its first two seconds and its last are read for that.
    fn start_of_hour(&self, parts: &Parts<'_>) -> Option<i64> {
        let at = |past: &[u8]| {
            let text = [parts.before, past, parts.after].concat();
            match time::read(&text, self.format, self.decimal_comma) {
                Ok(Read::Plain(UnixMs(ms))) => Some(ms),
                _ => None,
            }
        };
        let start_ms = at(b"00:00")?;
        (at(b"00:01")? == start_ms + 1000 && at(b"59:59")? == start_ms + 3_599_000).then_some(start_ms)
    }
}

/// Two digits below sixty.
fn below_sixty(tens: u8, ones: u8) -> Option<i64> {
    let (tens, ones) = (tens.wrapping_sub(b'0'), ones.wrapping_sub(b'0'));
    (tens < 6 && ones < 10).then(|| i64::from(10 * tens + ones))
}

/// A decimal fraction of at most nine digits at the start of a text, in whole ms, and what follows it.
fn fraction(text: &[u8]) -> (i64, &[u8]) {
    let [b'.', digits @ ..] = text else { return (0, text) };
    let count = digits.iter().take_while(|b| b.is_ascii_digit()).count();
    if !(1..=9).contains(&count) {
        return (0, text);
    }
    let ms = (0..3).fold(0, |ms, n| 10 * ms + if n < count { i64::from(digits[n] - b'0') } else { 0 });
    (ms, &digits[count..])
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;
    use proptest::prelude::*;

    fn pattern(pattern: &str, zone: Option<&str>) -> TimeFormat {
        TimeFormat::Pattern { pattern: pattern.to_owned(), zone: zone.map(|zone| TimeZone::get(zone).unwrap()) }
    }

    fn formats() -> Vec<TimeFormat> {
        vec![
            TimeFormat::Rfc3339,
            pattern("%Y-%m-%d %H:%M:%S", Some("America/New_York")),
            pattern("%Y-%m-%d %H:%M:%S", Some("Australia/Lord_Howe")),
            pattern("%Y-%m-%d %H:%S:%M", Some("UTC")),
            pattern("%Y-%m-%d %I:%M:%S %p", Some("UTC")),
            pattern("%Y-%m-%d %H:%M", Some("Europe/London")),
            pattern("%Y-%m-%d %H:%M:%S%.f", Some("UTC")),
            pattern("%Y-%m-%d %H:%M:%S %z", None),
            TimeFormat::UnixSeconds,
        ]
    }

    /// Texts that share hours, among them those in which clocks change, with slips of every kind.
    fn text() -> impl Strategy<Value = String> {
        let day = proptest::sample::select(vec![
            "2025-11-02",
            "2025-03-09",
            "2025-04-06",
            "2025-10-05",
            "2025-10-26",
            "2025-12-31",
            "2025-02-30",
        ]);
        let after = proptest::sample::select(vec![
            "",
            "Z",
            "-05:00",
            "+05:30",
            ".25Z",
            ".1239999Z",
            ".1234567891Z",
            ",5Z",
            ".Z",
            " PM",
            " AM",
            " -0400",
            ".5",
            " x",
        ]);
        let separator = proptest::sample::select(vec!["T", " ", "t"]);
        (day, separator, 0..4u32, 0..62u32, 0..62u32, after, 0..8u32).prop_map(
            |(day, separator, hour, minute, second, after, short)| match short {
                0 => format!("{day}{separator}{hour:02}:{minute:02}{after}"),
                1 => format!("{day}{separator}{hour}:{minute}:{second}{after}"),
                _ => format!("{day}{separator}{hour:02}:{minute:02}:{second:02}{after}"),
            },
        )
    }

    proptest! {
        /// Whatever came before, a text means what it means on its own.
        #[test]
        fn every_time_is_read_as_on_its_own(texts in proptest::collection::vec(text(), 1..40)) {
            for format in formats() {
                let mut reader = TimeReader::new(&format, false);
                for text in &texts {
                    // Twice: the second time the hour is known.
                    for _ in 0..2 {
                        let alone = time::read(text.as_bytes(), &format, false);
                        prop_assert_eq!(reader.read(text.as_bytes()), alone, "{} as {:?}", text, format);
                    }
                }
            }
        }
    }

    #[test]
    fn an_hour_is_looked_up_once() {
        let mut reader = TimeReader::new(&TimeFormat::Rfc3339, false);
        let first = reader.read(b"2025-11-19T21:43:00Z");
        assert_eq!(reader.hour.start_ms, Some(1_763_586_000_000));
        assert_eq!(first, Ok(Read::Plain(UnixMs(1_763_588_580_000))));
        assert_eq!(reader.read(b"2025-11-19T21:59:01.75Z"), Ok(Read::Plain(UnixMs(1_763_589_541_750))));
    }
}
