//! What the standards' guidance holds acceptable, for one operator position. ALL NUMBERS ARE FROM MEMORY (ISA-18.2 cl. 16 and
//! IEC 62682, whose texts were not readable); the shares of priorities stand at [`Priority::TARGET_SHARE`].
//!
//! [`Priority::TARGET_SHARE`]: crate::alarm::settings::Priority::TARGET_SHARE

/// Alarms per day that are very likely acceptable. From memory.
pub const PER_DAY: f64 = 150.0;
/// Alarms per day that are still manageable. From memory.
pub const PER_DAY_MANAGEABLE: f64 = 300.0;
/// Alarms per 10 minutes on average that are very likely acceptable. From memory.
pub const PER_10_MIN: f64 = 1.0;
/// Alarms per 10 minutes on average that are still manageable. From memory.
pub const PER_10_MIN_MANAGEABLE: f64 = 2.0;
/// Most alarms in one window of 10 minutes; more is a flood. From memory.
pub const MOST_IN_10_MIN: u64 = 10;
/// A flood ends with a window of fewer alarms than this. From memory.
pub const FLOOD_ENDS_BELOW: u64 = 5;
/// Share of windows over the limit, and of the time in flood, 0 to 1. From memory.
pub const SHARE_OF_WINDOWS: f64 = 0.01;
/// Share that the ten most frequent alarms have of all, 0 to 1, at most. From memory.
pub const SHARE_OF_TEN: f64 = 0.05;
/// Standing alarms on any day: fewer than this, each with a plan to clear it. From memory.
pub const STANDING_BELOW: u64 = 5;
/// An alarm is standing from here on, ms. From memory.
pub const STANDING_MS: i64 = 24 * 3_600_000;
/// Raises within [`CHATTERING_MS`] that are chattering. From memory.
pub const CHATTERING_RAISES: usize = 3;
/// See [`CHATTERING_RAISES`], ms. From memory.
pub const CHATTERING_MS: i64 = 60_000;
/// An alarm that has gone within this time and was not acknowledged is fleeting, ms. The limit is this program's own choice: the
/// standards, from memory, say "short" and leave it to the site.
pub const FLEETING_MS: i64 = 60_000;
