//! How far apart in time rows come, and what a columns file says that is too short for it.
//!
//! Memory is a few hundred bytes a series. Must never change how rows are read: what is found here is told.

/// Steps that are kept of one series: its first ones.
const KEPT: usize = 99;
/// Share of readings without a value, above which a `hold` is too short.
const MANY: f64 = 0.1;
/// Least steps that tell anything.
const FEW: usize = 3;
/// Longest `hold` and `longest_gap` that a columns file may state, ms.
const LONGEST_MS: u64 = 86_400_000;

/// The first steps of one series of rows, ms.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Steps {
    ms: Vec<u32>,
}

impl Steps {
    /// Takes the next step; all but the first are let go.
    #[inline]
    pub fn take(&mut self, ms: u64) {
        if self.ms.len() < KEPT {
            self.ms.push(u32::try_from(ms).unwrap_or(u32::MAX));
        }
    }

    /// The step that this share of all steps is not longer than, ms; `None` while too few are known.
    pub fn quantile(&self, share: f64) -> Option<u64> {
        if self.ms.len() < FEW {
            return None;
        }
        let mut sorted = self.ms.clone();
        sorted.sort_unstable();
        let index = (share * (sorted.len() - 1) as f64).round() as usize;
        sorted.get(index).map(|ms| u64::from(*ms))
    }

    /// The middle one, ms.
    pub fn median(&self) -> Option<u64> {
        self.quantile(0.5)
    }
}

/// A time in the columns file that is shorter than the rows of a file need.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TooShort {
    /// `hold` of the long layout: values were missing although rows of them came regularly.
    Hold {
        /// As set, ms; 0 is not at all.
        hold_ms: u64,
        /// Median step of the slowest value that was missing, ms.
        step_ms: u64,
        /// Its tag.
        tag: String,
        /// Values that were missing in more than a tenth of the readings, this one among them.
        values: usize,
        /// Readings in which the value was missing.
        missing: u64,
        /// Readings of its monitor.
        readings: u64,
        /// What `hold` would do, ms; `None` when no `hold` that may be set is long enough.
        enough_ms: Option<u64>,
    },
    /// `longest_gap`: no energy is counted between rows.
    Gap {
        /// As it applied, ms.
        longest_gap_ms: u64,
        /// Median step of the rows, ms.
        step_ms: u64,
        /// What `longest_gap` would do, ms; `None` as above.
        enough_ms: Option<u64>,
    },
}

/// What is known of one value when a file ends.
#[derive(Debug, Clone)]
pub struct ValueSteps<'a> {
    /// Its tag.
    pub tag: &'a str,
    /// Its steps.
    pub steps: &'a Steps,
    /// Readings in which its last row was longer ago than `hold`.
    pub missing: u64,
    /// Readings of its monitor.
    pub readings: u64,
}

/// Whether `hold` is too short for the values of a file, and by what.
pub fn hold_too_short<'a>(hold_ms: u64, values: impl Iterator<Item = ValueSteps<'a>>) -> Option<TooShort> {
    let many = |value: &ValueSteps<'_>| value.missing as f64 > MANY * value.readings as f64;
    let missing: Vec<(ValueSteps<'a>, u64)> =
        values.filter(many).filter_map(|value| value.steps.median().map(|step| (value, step))).collect();
    let needed = missing.iter().filter_map(|(value, _)| value.steps.quantile(0.95)).max()?;
    let (slowest, step_ms) = missing.iter().max_by_key(|(_, step)| *step)?;
    let enough_ms = enough(needed);
    // A hold that is long enough for nearly all steps is not what values are missing for.
    if enough_ms.is_some_and(|enough| enough <= hold_ms) {
        return None;
    }
    Some(TooShort::Hold {
        hold_ms,
        step_ms: *step_ms,
        tag: slowest.tag.to_owned(),
        values: missing.len(),
        missing: slowest.missing,
        readings: slowest.readings,
        enough_ms,
    })
}

/// Whether `longest_gap` is shorter than rows are apart.
pub fn gap_too_short(longest_gap_ms: u64, steps: &Steps) -> Option<TooShort> {
    let step_ms = steps.median()?;
    let enough_ms = enough(steps.quantile(0.95)?);
    (step_ms > longest_gap_ms).then_some(TooShort::Gap { longest_gap_ms, step_ms, enough_ms })
}

/// Half as much again, in whole seconds up to two minutes, in whole minutes beyond.
pub(super) fn enough(step_ms: u64) -> Option<u64> {
    let half_more = step_ms + step_ms / 2;
    let unit = if half_more <= 120_000 { 1000 } else { 60_000 };
    Some(half_more.div_ceil(unit).max(1) * unit).filter(|ms| *ms <= LONGEST_MS)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(ms: &[u64]) -> Steps {
        let mut steps = Steps::default();
        for ms in ms {
            steps.take(*ms);
        }
        steps
    }

    fn value(steps: &Steps, missing: u64) -> ValueSteps<'_> {
        ValueSteps { tag: "kW1", steps, missing, readings: 100 }
    }

    #[test]
    fn a_hold_shorter_than_the_step_is_told_with_what_would_do() {
        let minute = steps(&[60_000; 20]);
        let told = hold_too_short(10_000, [value(&minute, 90)].into_iter());
        let Some(TooShort::Hold { step_ms, enough_ms, missing, .. }) = told else { panic!("{told:?}") };
        assert_eq!((step_ms, enough_ms, missing), (60_000, Some(90_000), 90));
        assert_eq!(hold_too_short(10_000, [value(&minute, 10)].into_iter()), None, "a tenth may be missing");
        assert_eq!(hold_too_short(90_000, [value(&minute, 90)].into_iter()), None, "the hold is not what is short");
        assert_eq!(hold_too_short(0, [value(&steps(&[60_000; 2]), 90)].into_iter()), None, "too few rows to tell");
        let day = steps(&[86_400_000; 5]);
        let told = hold_too_short(0, [value(&day, 90)].into_iter());
        assert!(matches!(told, Some(TooShort::Hold { enough_ms: None, .. })), "{told:?}");
    }

    #[test]
    fn a_gap_shorter_than_the_step_is_told() {
        let five = steps(&[300_000, 300_000, 300_000, 3_600_000]);
        assert_eq!(gap_too_short(300_000, &five), None);
        let told = gap_too_short(60_000, &five);
        assert_eq!(
            told,
            Some(TooShort::Gap { longest_gap_ms: 60_000, step_ms: 300_000, enough_ms: Some(5_400_000) }),
            "the longest steps count too"
        );
        assert_eq!(gap_too_short(60_000, &steps(&[1000; 400])), None);
    }
}
