//! The two clocks of the program, read together and replaceable in tests.
//!
//! Only the tasks at the edge read a clock; the core is told the time. Must never mix wall time into a span.

use std::fmt;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use tokio::time::Instant;

use crate::reading::{Instant2, MonoMs, UnixMs};

/// Where the time comes from.
#[derive(Clone)]
pub struct Clock(Source);

#[derive(Clone)]
enum Source {
    System { start: Instant },
    Given(Arc<dyn Fn() -> Instant2 + Send + Sync>),
}

impl Clock {
    /// The system's clocks. Monotonic time counts from this call, and stands still with tokio's paused time.
    pub fn system() -> Clock {
        Clock(Source::System { start: Instant::now() })
    }

    /// A clock that tells what `now` returns.
    pub fn from_fn(now: impl Fn() -> Instant2 + Send + Sync + 'static) -> Clock {
        Clock(Source::Given(Arc::new(now)))
    }

    /// Both clocks now.
    pub fn now(&self) -> Instant2 {
        match &self.0 {
            Source::Given(now) => now(),
            Source::System { start } => {
                // A wall clock set before 1970 is taken as 1970: it is shown to people, nothing is computed from it.
                let wall = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_millis();
                Instant2 {
                    wall: UnixMs(i64::try_from(wall).unwrap_or(i64::MAX)),
                    mono: MonoMs(u64::try_from(start.elapsed().as_millis()).unwrap_or(u64::MAX)),
                }
            }
        }
    }
}

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            Source::System { .. } => "Clock::system",
            Source::Given(_) => "Clock::from_fn",
        })
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[tokio::test(start_paused = true)]
    async fn monotonic_time_follows_the_runtime() {
        let clock = Clock::system();
        let before = clock.now();
        tokio::time::advance(Duration::from_millis(1500)).await;
        assert_eq!(clock.now().mono.since(before.mono), 1500);
        assert!(before.wall.0 > 1_600_000_000_000, "a wall clock after 2020");
    }

    #[test]
    fn a_given_clock_is_told() {
        let told = Instant2 { wall: UnixMs(5), mono: MonoMs(7) };
        assert_eq!(Clock::from_fn(move || told).now(), told);
    }
}
