//! How long to leave a device alone after it failed.
//!
//! Pure arithmetic; randomness is given. Meters often have only a few sockets, and a storm of attempts takes them all.
//! Must never wait less than a second between two attempts, nor more than half a minute.

use std::time::Duration;

/// Shortest time between two attempts.
pub const SHORTEST: Duration = Duration::from_secs(1);
/// Longest time between two attempts.
pub const LONGEST: Duration = Duration::from_secs(30);

/// Time to leave a device alone after `failures` failures in a row (1 is the first). `roll`, in 0..1, spreads devices
/// that failed together over the upper half of the time: 1-2 s, 2-4 s, 4-8 s, 8-16 s, then 15-30 s.
pub fn delay(failures: u32, roll: f64) -> Duration {
    let doubled = SHORTEST.saturating_mul(2u32.saturating_pow(failures.clamp(1, 16)));
    let whole = doubled.min(LONGEST);
    let half = whole / 2;
    half + half.mul_f64(if roll.is_finite() { roll.clamp(0.0, 1.0) } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn doubles_until_the_cap() {
        let bounds = |failures| (delay(failures, 0.0).as_millis(), delay(failures, 1.0).as_millis());
        assert_eq!(bounds(1), (1000, 2000));
        assert_eq!(bounds(2), (2000, 4000));
        assert_eq!(bounds(4), (8000, 16_000));
        assert_eq!(bounds(5), (15_000, 30_000));
        assert_eq!(bounds(500), (15_000, 30_000));
    }

    proptest! {
        #[test]
        fn never_below_a_second_nor_above_half_a_minute(failures in any::<u32>(), roll in any::<f64>()) {
            let delay = delay(failures, roll);
            prop_assert!((SHORTEST..=LONGEST).contains(&delay), "{delay:?}");
        }

        #[test]
        fn more_failures_never_shorten_it(failures in 0u32..40, roll in 0.0..1.0) {
            prop_assert!(delay(failures + 1, roll) >= delay(failures, roll));
        }
    }
}
