//! From a number to a condition, with a deadband. Must never guess: a number that is not there gives `Unknown`.

use super::state::Condition;

/// Which side of a limit is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// A limit on a number. Unit of all numbers: that of the number watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Wrong from here on (the limit itself is still right).
    pub limit: f64,
    /// Right again only when the number is back by more than this; 0 or more.
    pub deadband: f64,
    /// The wrong side.
    pub side: Side,
}

/// Watches one number against a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitWatch {
    limit: Limit,
    beyond: bool,
}

impl LimitWatch {
    /// Starts on the right side.
    pub fn new(limit: Limit) -> LimitWatch {
        LimitWatch { limit, beyond: false }
    }

    /// Takes the number, or `None` when its quality is bad. What was held before counts on inside the deadband.
    pub fn observe(&mut self, value: Option<f64>) -> Condition {
        let Some(value) = value.filter(|v| v.is_finite()) else { return Condition::Unknown };
        let over = match self.limit.side {
            Side::Above => value - self.limit.limit,
            Side::Below => self.limit.limit - value,
        };
        self.beyond = if self.beyond { over >= -self.limit.deadband } else { over > 0.0 };
        if self.beyond { Condition::True } else { Condition::False }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Condition::{False, True, Unknown};

    #[test]
    fn a_number_comes_back_through_the_deadband() {
        let high = Limit { limit: 100.0, deadband: 5.0, side: Side::Above };
        let low = Limit { limit: -100.0, side: Side::Below, ..high };
        let (mut high, mut low) = (LimitWatch::new(high), LimitWatch::new(low));
        for (value, expected) in [
            (Some(100.0), False),
            (Some(100.1), True),
            (Some(97.0), True),
            (None, Unknown),
            (Some(f64::NAN), Unknown),
            (Some(95.0), True),
            (Some(94.9), False),
            (Some(97.0), False),
        ] {
            assert_eq!(high.observe(value), expected, "{value:?}");
            assert_eq!(low.observe(value.map(|v| -v)), expected, "below, {value:?}");
        }
    }
}
