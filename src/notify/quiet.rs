//! Quiet hours: weekly windows of local time. Time comes in as an argument.
//!
//! Begin and end are times on a wall clock, so that a night is an hour shorter or longer where the clock is changed. A time
//! that a change skips is taken an hour later, one that comes twice the first time. Must never hide that a window exists:
//! whoever is quiet can say until when.

use jiff::civil::{Date, Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

use crate::reading::UnixMs;

/// One window of a week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Window {
    /// Days on which it begins.
    pub days: Vec<Weekday>,
    /// Local time at which it begins.
    pub from: Time,
    /// Local time at which it ends; on the next day when not later than `from`.
    pub to: Time,
}

/// All windows, in one time zone.
#[derive(Debug, Clone, PartialEq)]
pub struct QuietHours {
    /// Whose wall clock.
    pub zone: TimeZone,
    /// The windows; none is never quiet.
    pub windows: Vec<Window>,
}

/// Windows that follow each other are walked through so far; longer is not quiet but silent, and the configuration refuses it.
const CHAIN_MAX: usize = 64;

impl QuietHours {
    /// Never quiet.
    pub fn none() -> QuietHours {
        QuietHours { zone: TimeZone::UTC, windows: Vec::new() }
    }

    /// When the quiet that `at` lies in ends; none when it is not quiet then.
    pub fn until(&self, at: UnixMs) -> Option<UnixMs> {
        let mut end = self.window_end(Timestamp::from_millisecond(at.0).ok()?)?;
        for _ in 0..CHAIN_MAX {
            let Some(later) = self.window_end(end) else { break };
            end = later;
        }
        Some(UnixMs(end.as_millisecond()))
    }

    /// True when some moment of every week is not quiet.
    pub fn leaves_time(&self) -> bool {
        // A week without changes of the clock; windows are the same every week.
        let start = Date::constant(2024, 1, 1);
        let utc = QuietHours { zone: TimeZone::UTC, windows: self.windows.clone() };
        let moment = |minute: i64| {
            let zoned = start.to_zoned_datetime(TimeZone::UTC).ok()?;
            zoned.timestamp().checked_add(Span::new().minutes(minute)).ok()
        };
        (0..7 * 24 * 60).filter_map(moment).any(|at| utc.window_end(at).is_none())
    }

    /// The latest end of the windows that hold `at`.
    fn window_end(&self, at: Timestamp) -> Option<Timestamp> {
        let today = at.to_zoned_datetime(self.zone.clone()).date();
        // A window that began yesterday may last into today.
        let days = [today.yesterday().ok(), Some(today)];
        let holds = |day: Date, window: &Window| {
            if !window.days.contains(&day.weekday()) {
                return None;
            }
            let last = if window.to <= window.from { day.tomorrow().ok()? } else { day };
            let begin = day.to_datetime(window.from).to_zoned_datetime(self.zone.clone()).ok()?.timestamp();
            let end = last.to_datetime(window.to).to_zoned_datetime(self.zone.clone()).ok()?.timestamp();
            (begin <= at && at < end).then_some(end)
        };
        let ends = days.into_iter().flatten().flat_map(|day| self.windows.iter().filter_map(move |w| holds(day, w)));
        ends.max()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const WEEK: [Weekday; 7] = [
        Weekday::Monday,
        Weekday::Tuesday,
        Weekday::Wednesday,
        Weekday::Thursday,
        Weekday::Friday,
        Weekday::Saturday,
        Weekday::Sunday,
    ];

    fn ms(rfc3339: &str) -> UnixMs {
        UnixMs(rfc3339.parse::<Timestamp>().unwrap().as_millisecond())
    }

    fn hours(zone: &str, days: &[Weekday], from: (i8, i8), to: (i8, i8)) -> QuietHours {
        let window = Window {
            days: days.to_vec(),
            from: Time::constant(from.0, from.1, 0, 0),
            to: Time::constant(to.0, to.1, 0, 0),
        };
        QuietHours { zone: TimeZone::get(zone).unwrap(), windows: vec![window] }
    }

    #[test]
    fn a_night_over_midnight_belongs_to_the_day_it_begins_on() {
        let friday = hours("UTC", &[Weekday::Friday], (22, 0), (6, 0));
        // 2026-11-27 is a Friday.
        assert_eq!(friday.until(ms("2026-11-27T21:59:59Z")), None);
        assert_eq!(friday.until(ms("2026-11-27T22:00:00Z")), Some(ms("2026-11-28T06:00:00Z")));
        assert_eq!(friday.until(ms("2026-11-28T05:59:59Z")), Some(ms("2026-11-28T06:00:00Z")));
        assert_eq!(friday.until(ms("2026-11-28T06:00:00Z")), None);
        assert_eq!(friday.until(ms("2026-11-28T22:30:00Z")), None);
    }

    /// Changes of 2026 in London: 29 March 01:00 UTC forward, 25 October 01:00 UTC back (public rule of the zone).
    #[test]
    fn a_night_with_a_change_of_the_clock_is_an_hour_shorter_or_longer() {
        let nights = hours("Europe/London", &WEEK, (22, 0), (6, 0));
        assert_eq!(nights.until(ms("2026-03-28T22:00:00Z")), Some(ms("2026-03-29T05:00:00Z")));
        assert_eq!(nights.until(ms("2026-10-24T21:00:00Z")), Some(ms("2026-10-25T06:00:00Z")));
    }

    #[test]
    fn windows_that_follow_each_other_are_one_quiet_time() {
        let mut quiet = hours("UTC", &[Weekday::Friday], (22, 0), (0, 0));
        quiet.windows.push(Window { days: vec![Weekday::Saturday], from: Time::midnight(), to: Time::midnight() });
        assert_eq!(quiet.until(ms("2026-11-27T23:00:00Z")), Some(ms("2026-11-29T00:00:00Z")));
    }

    #[test]
    fn a_week_of_silence_is_told_from_a_quiet_one() {
        assert!(hours("UTC", &WEEK, (0, 1), (0, 0)).leaves_time());
        assert!(!hours("UTC", &WEEK, (6, 0), (6, 0)).leaves_time());
        assert!(QuietHours::none().leaves_time());
    }

    proptest! {
        /// What a person with a wall clock would say: quiet when the clock shows a time in the window. Minutes that a change
        /// skips or repeats are left out, since there the clock alone does not tell.
        #[test]
        fn agrees_with_a_wall_clock_around_changes(
            zone in prop::sample::select(vec!["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"]),
            day in 0i64..366, minute in 0i64..1440,
            from in 0i16..1440, to in 0i16..1440, days in prop::sample::subsequence(WEEK.to_vec(), 1..7),
        ) {
            prop_assume!(![from, to].iter().any(|m| (0..4 * 60).contains(m)) && from != to);
            let time = |m: i16| Time::constant((m / 60) as i8, (m % 60) as i8, 0, 0);
            let quiet = QuietHours {
                zone: TimeZone::get(zone).unwrap(),
                windows: vec![Window { days: days.clone(), from: time(from), to: time(to) }],
            };
            let at = UnixMs(ms("2026-01-01T00:00:00Z").0 + (day * 1440 + minute) * 60_000);
            let shown = Timestamp::from_millisecond(at.0).unwrap().to_zoned_datetime(quiet.zone.clone());
            let clock = i16::from(shown.hour()) * 60 + i16::from(shown.minute());
            let began_on = |date: Date| days.contains(&date.weekday());
            let expected = if from < to {
                began_on(shown.date()) && (from..to).contains(&clock)
            } else {
                began_on(shown.date()) && clock >= from || began_on(shown.date().yesterday().unwrap()) && clock < to
            };
            prop_assert_eq!(quiet.until(at).is_some(), expected, "{} {}", shown, clock);
            if let Some(end) = quiet.until(at) {
                prop_assert!(end > at);
                prop_assert_eq!(quiet.until(end), None);
                prop_assert_eq!(quiet.until(UnixMs(end.0 - 1)), Some(end));
            }
        }
    }
}
