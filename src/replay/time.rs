//! Times of rows: from their text to the wall clock, and from one row to the next a time that never runs backwards.
//!
//! Must never guess a time zone. Where a local time comes twice, the order of the rows decides, and that is told.

use jiff::Timestamp;
use jiff::fmt::strtime::{self, BrokenDownTime};
use jiff::fmt::temporal::DateTimeParser;
use jiff::tz::{AmbiguousOffset, TimeZone};

use super::cells;
use crate::reading::{Instant2, MonoMs, UnixMs};

/// How times are written.
#[derive(Debug, Clone)]
pub enum TimeFormat {
    /// RFC 3339, with its offset.
    Rfc3339,
    /// Seconds since the Unix epoch; fractions allowed.
    UnixSeconds,
    /// Milliseconds since the Unix epoch.
    UnixMilliseconds,
    /// A strftime pattern.
    Pattern {
        /// The pattern.
        pattern: String,
        /// Zone of the civil times; `None` when the pattern holds the offset.
        zone: Option<TimeZone>,
    },
}

/// Recorded readings are from these years; a time outside of them is a slip of format or unit. 1970 to 2199, ms.
const SENSIBLE_MS: std::ops::Range<i64> = 0..7_258_118_400_000;

/// One or two instants that a text can mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Read {
    /// One instant.
    Plain(UnixMs),
    /// A civil time that came twice, when clocks were set back.
    Twice {
        /// The first time it came.
        earlier: UnixMs,
        /// The second.
        later: UnixMs,
    },
}

/// Why a text is not a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TimeError {
    /// Not written as stated.
    #[error("not a time in the stated format")]
    Format,
    /// Clocks skipped it.
    #[error("not a time in the stated zone: clocks were put forward over it")]
    Skipped,
    /// Before 1970 or after 2199.
    #[error("not within the years 1970 to 2199; is the format right?")]
    Years,
}

/// Reads the text of a time.
pub fn read(text: &[u8], format: &TimeFormat, decimal_comma: bool) -> Result<Read, TimeError> {
    let plain = |ms: i64| if SENSIBLE_MS.contains(&ms) { Ok(Read::Plain(UnixMs(ms))) } else { Err(TimeError::Years) };
    let number = || cells::number(text, decimal_comma).ok_or(TimeError::Format);
    match format {
        TimeFormat::Rfc3339 => {
            let time = PARSER.parse_timestamp(text).map_err(|_| TimeError::Format)?;
            plain(time.as_millisecond())
        }
        TimeFormat::UnixSeconds => plain((number()? * 1000.0).round() as i64),
        TimeFormat::UnixMilliseconds => plain(number()?.round() as i64),
        TimeFormat::Pattern { pattern, zone } => {
            let parsed = BrokenDownTime::parse(pattern, text).map_err(|_| TimeError::Format)?;
            let Some(zone) = zone else {
                return plain(parsed.to_timestamp().map_err(|_| TimeError::Format)?.as_millisecond());
            };
            let civil = parsed.to_datetime().map_err(|_| TimeError::Format)?;
            let at = |offset: jiff::tz::Offset| {
                offset.to_timestamp(civil).map(Timestamp::as_millisecond).map_err(|_| TimeError::Years)
            };
            match zone.to_ambiguous_timestamp(civil).offset() {
                AmbiguousOffset::Unambiguous { offset } => plain(at(offset)?),
                AmbiguousOffset::Gap { .. } => Err(TimeError::Skipped),
                AmbiguousOffset::Fold { before, after } => {
                    let (earlier, later) = (at(before)?, at(after)?);
                    plain(earlier)?;
                    plain(later)?;
                    Ok(Read::Twice { earlier: UnixMs(earlier), later: UnixMs(later) })
                }
            }
        }
    }
}

static PARSER: DateTimeParser = DateTimeParser::new();

/// Why a strftime pattern cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// Not a pattern, or one that cannot be read back.
    #[error("not a strftime pattern that times can be read by")]
    Unusable,
    /// Date or time of day are missing, down to the minute.
    #[error("the pattern does not hold a whole date and time")]
    Incomplete,
}

/// Whether times written by `pattern` tell their own offset. Tried on two instants, before and after noon.
pub fn pattern_has_offset(pattern: &str) -> Result<bool, PatternError> {
    let mut has_offset = true;
    // 2025-11-19T21:43:00Z and 2024-02-07T03:05:00Z: no part of one can be read as another part of it.
    for ms in [1_763_588_580_000, 1_707_275_100_000] {
        let sample = Timestamp::from_millisecond(ms).map_err(|_| PatternError::Unusable)?;
        let civil = TimeZone::UTC.to_datetime(sample);
        let zoned = sample.to_zoned_datetime(TimeZone::UTC);
        let text = strtime::format(pattern, &zoned).map_err(|_| PatternError::Unusable)?;
        let parsed = strtime::parse(pattern, &text).map_err(|_| PatternError::Unusable)?;
        match (parsed.to_datetime(), parsed.to_timestamp()) {
            (Ok(read), _) if read == civil => has_offset &= parsed.offset().is_some(),
            (_, Ok(read)) if read == sample => {}
            _ => return Err(PatternError::Incomplete),
        }
    }
    Ok(has_offset)
}

/// Rows in a row that go back in time, yet forward among themselves, before the recorder's clock is taken to have been
/// set back (or the row before them to have been a stray from the future).
const SET_BACK_AFTER: u32 = 10;

/// What a row's time means after those before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// In order.
    Forward(Instant2),
    /// In order, being a civil time that came twice, taken as the instant given.
    ForwardOfTwo(Instant2),
    /// Not usable: before the last row by this many ms.
    Backwards {
        /// How far, ms.
        by_ms: i64,
    },
    /// Not usable: the time of the last row.
    Repeated,
    /// The clock was set back and stays there: rows go on from here.
    SetBack {
        /// The reading's time; no span passed on its monotonic side.
        at: Instant2,
        /// How far back, ms.
        by_ms: i64,
    },
}

/// Follows the times of one series of rows.
#[derive(Debug, Clone, Copy, Default)]
pub struct Timeline {
    last: Option<Instant2>,
    /// Latest of the rows that went back, and how many of them in a row.
    behind: Option<(UnixMs, u32)>,
}

impl Timeline {
    /// Time of the last usable row.
    pub fn last(&self) -> Option<Instant2> {
        self.last
    }

    /// Takes the next row's time. `may_set_back` is false where rows are not a series of their own.
    pub fn step(&mut self, read: Read, may_set_back: bool) -> Step {
        let Some(last) = self.last else {
            let (Read::Plain(wall) | Read::Twice { earlier: wall, .. }) = read;
            let at = Instant2 { wall, mono: MonoMs(0) };
            self.last = Some(at);
            return Step::Forward(at);
        };
        let (wall, of_two) = match read {
            Read::Plain(wall) => (wall, false),
            Read::Twice { earlier, later } if earlier < last.wall => (later, true),
            Read::Twice { earlier, .. } => (earlier, true),
        };
        let by_ms = wall.0.saturating_sub(last.wall.0);
        if by_ms == 0 {
            return Step::Repeated;
        }
        if by_ms > 0 {
            let at = Instant2 { wall, mono: MonoMs(last.mono.0.saturating_add(by_ms.unsigned_abs())) };
            (self.last, self.behind) = (Some(at), None);
            return if of_two { Step::ForwardOfTwo(at) } else { Step::Forward(at) };
        }
        let rows = match self.behind {
            Some((before, rows)) if before < wall => rows + 1,
            _ => 1,
        };
        if may_set_back && rows >= SET_BACK_AFTER {
            let at = Instant2 { wall, mono: MonoMs(last.mono.0.saturating_add(1)) };
            (self.last, self.behind) = (Some(at), None);
            return Step::SetBack { at, by_ms: -by_ms };
        }
        self.behind = Some((wall, rows));
        Step::Backwards { by_ms: -by_ms }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pattern(pattern: &str, zone: Option<&str>) -> TimeFormat {
        TimeFormat::Pattern { pattern: pattern.to_owned(), zone: zone.map(|zone| TimeZone::get(zone).unwrap()) }
    }

    fn ms(text: &str, format: &TimeFormat) -> Result<i64, TimeError> {
        match read(text.as_bytes(), format, false)? {
            Read::Plain(UnixMs(ms)) => Ok(ms),
            Read::Twice { .. } => Ok(-2),
        }
    }

    #[test]
    fn the_same_instant_in_every_format() {
        let at = 1_763_588_580_250;
        assert_eq!(ms("2025-11-19T21:43:00.25Z", &TimeFormat::Rfc3339), Ok(at));
        assert_eq!(ms("2025-11-19 16:43:00.25-05:00", &TimeFormat::Rfc3339), Ok(at));
        assert_eq!(ms("1763588580.25", &TimeFormat::UnixSeconds), Ok(at));
        assert_eq!(ms("1763588580250", &TimeFormat::UnixMilliseconds), Ok(at));
        let eastern = Some("America/New_York");
        assert_eq!(ms("11/19/2025 04:43:00.250 PM", &pattern("%m/%d/%Y %I:%M:%S%.f %p", eastern)), Ok(at));
        assert_eq!(ms("19.11.2025 16:43", &pattern("%d.%m.%Y %H:%M", eastern)), Ok(at - 250));
        assert_eq!(ms("2025-11-19 16:43:00 -0500", &pattern("%F %T %z", None)), Ok(at - 250));
    }

    #[test]
    fn what_is_not_a_time_says_so() {
        assert_eq!(ms("2025-11-19T21:43:00", &TimeFormat::Rfc3339), Err(TimeError::Format), "no offset");
        assert_eq!(ms("1763588580250", &TimeFormat::UnixSeconds), Err(TimeError::Years), "milliseconds");
        assert_eq!(ms("1e300", &TimeFormat::UnixMilliseconds), Err(TimeError::Years));
        assert_eq!(ms("", &TimeFormat::UnixSeconds), Err(TimeError::Format));
        let local = pattern("%F %T", Some("America/New_York"));
        assert_eq!(ms("2025-03-09 02:30:00", &local), Err(TimeError::Skipped));
        assert_eq!(ms("2025-13-09 02:30:00", &local), Err(TimeError::Format));
    }

    #[test]
    fn a_pattern_must_hold_a_whole_time() {
        for (pattern, offset) in [
            ("%Y-%m-%d %H:%M:%S", Ok(false)),
            ("%F %T %z", Ok(true)),
            ("%d.%m.%y %H:%M", Ok(false)),
            ("%m/%d/%Y %I:%M:%S %p", Ok(false)),
            ("%m/%d/%Y %I:%M", Err(PatternError::Incomplete)),
            ("%H:%M:%S", Err(PatternError::Incomplete)),
            ("%F", Err(PatternError::Incomplete)),
            ("yesterday", Err(PatternError::Incomplete)),
            ("%", Err(PatternError::Unusable)),
        ] {
            assert_eq!(pattern_has_offset(pattern), offset, "{pattern}");
        }
    }

    /// The night clocks went back: 01:00 to 01:59 came twice, and the order of rows says which is which.
    #[test]
    fn an_hour_that_came_twice_is_read_in_order() {
        let local = pattern("%F %T", Some("America/New_York"));
        let mut timeline = Timeline::default();
        let mut walls = Vec::new();
        for text in ["00:30:00", "01:00:00", "01:30:00", "01:00:00", "01:30:00", "02:00:00"] {
            let read = read(format!("2025-11-02 {text}").as_bytes(), &local, false).unwrap();
            match timeline.step(read, true) {
                Step::Forward(at) | Step::ForwardOfTwo(at) => walls.push((at.wall.0 - 1_762_057_800_000) / 60_000),
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(walls, [0, 30, 60, 90, 120, 150]);
    }

    fn steps(walls: &[i64], may_set_back: bool) -> Vec<Step> {
        let mut timeline = Timeline::default();
        walls.iter().map(|wall| timeline.step(Read::Plain(UnixMs(*wall)), may_set_back)).collect()
    }

    #[test]
    fn time_never_runs_backwards_unnoticed() {
        let at = |wall, mono| Instant2 { wall: UnixMs(wall), mono: MonoMs(mono) };
        assert_eq!(
            steps(&[1000, 2000, 2000, 1500, 3000], true),
            [
                Step::Forward(at(1000, 0)),
                Step::Forward(at(2000, 1000)),
                Step::Repeated,
                Step::Backwards { by_ms: 500 },
                Step::Forward(at(3000, 2000)),
            ]
        );
        // The newest row first: nothing but the first row is used, however long it goes on.
        let falling: Vec<i64> = (0..100).map(|n| 100_000 - n).collect();
        assert!(steps(&falling, true)[1..].iter().all(|step| matches!(step, Step::Backwards { .. })));
        // Set back by an hour and going on from there.
        let back: Vec<i64> = std::iter::once(3_600_000).chain((0..12).map(|n| n * 1000)).collect();
        let found = steps(&back, true);
        assert!(found[1..10].iter().all(|step| matches!(step, Step::Backwards { .. })), "{found:?}");
        assert_eq!(found[10], Step::SetBack { at: at(9000, 1), by_ms: 3_591_000 });
        assert_eq!(found[11], Step::Forward(at(10_000, 1001)));
        assert!(steps(&back, false)[1..].iter().all(|step| matches!(step, Step::Backwards { .. })));
    }
}
