//! When the daily digest is due. Time comes in as an argument.

use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;

use crate::reading::UnixMs;

/// The first moment after `now` at which a clock in `zone` shows `at`. A time that a change of the clock skips is taken an hour
/// later, one that comes twice the first time.
pub fn next(now: UnixMs, at: Time, zone: &TimeZone) -> Option<UnixMs> {
    let today = Timestamp::from_millisecond(now.0).ok()?.to_zoned_datetime(zone.clone()).date();
    [Some(today), today.tomorrow().ok(), today.tomorrow().and_then(jiff::civil::Date::tomorrow).ok()]
        .into_iter()
        .flatten()
        .filter_map(|day| day.to_datetime(at).to_zoned_datetime(zone.clone()).ok())
        .map(|moment| UnixMs(moment.timestamp().as_millisecond()))
        .find(|moment| *moment > now)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(rfc3339: &str) -> UnixMs {
        UnixMs(rfc3339.parse::<Timestamp>().unwrap().as_millisecond())
    }

    #[test]
    fn the_digest_comes_at_the_same_time_of_the_wall_clock_over_a_change_of_it() {
        let zone = TimeZone::get("America/Chicago").unwrap();
        let seven = Time::constant(7, 0, 0, 0);
        let after = |now: &str| next(ms(now), seven, &zone);
        assert_eq!(after("2026-11-25T12:59:59Z"), Some(ms("2026-11-25T13:00:00Z")));
        assert_eq!(after("2026-11-25T13:00:00Z"), Some(ms("2026-11-26T13:00:00Z")));
        // 8 March 2026, 2:00: forward; from then on 7:00 is 12:00 UTC (public rule of the zone).
        assert_eq!(after("2026-03-07T13:00:00Z"), Some(ms("2026-03-08T12:00:00Z")));
        let skipped = next(ms("2026-03-08T06:00:00Z"), Time::constant(2, 30, 0, 0), &zone);
        assert_eq!(skipped, Some(ms("2026-03-08T08:30:00Z")));
    }
}
