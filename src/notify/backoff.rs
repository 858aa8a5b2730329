//! How long to leave a target alone after failures. Pure arithmetic; randomness is given. Must never wait longer than ten
//! minutes: a target that works again is used again soon.

use std::time::Duration;

/// Longest first wait.
const FIRST: Duration = Duration::from_secs(4);
/// Longest wait.
pub const LONGEST: Duration = Duration::from_secs(600);

/// Wait after `failures` failures in a row (1 is the first): 2-4 s, 4-8 s, ... then 5-10 min. `roll`, in 0..1, spreads targets
/// that failed together over the upper half.
pub fn delay(failures: u32, roll: f64) -> Duration {
    let whole = FIRST.saturating_mul(2u32.saturating_pow(failures.clamp(1, 16) - 1)).min(LONGEST);
    whole / 2 + (whole / 2).mul_f64(if roll.is_finite() { roll.clamp(0.0, 1.0) } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubles_until_the_cap() {
        let bounds = |failures| (delay(failures, 0.0).as_secs(), delay(failures, 1.0).as_secs());
        assert_eq!([1, 2, 3, 8, 9, 500].map(bounds), [(2, 4), (4, 8), (8, 16), (256, 512), (300, 600), (300, 600)]);
        assert_eq!(delay(1, f64::NAN), Duration::from_secs(2));
    }
}
