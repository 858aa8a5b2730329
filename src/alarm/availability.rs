//! A monitor that answers now and then: the share of the time in which it answered, over a window.
//!
//! A single outage, however long, is the matter of the plain "does not answer"; several with answers between them are told here
//! when together they take too much of the window. Constant size, no clock. Time nobody watched counts as answered.
//! Must never raise for one outage.

use crate::reading::MonoMs;

/// Parts of the window; what leaves it leaves by one of these.
const PARTS: usize = 20;

/// When a monitor that answers now and then counts as silent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AvailabilitySettings {
    /// The window, ms.
    pub window_ms: u64,
    /// Too little below this share of the window, 0 to 1 ...
    pub below: f64,
    /// ... until it is this share or more, 0 to 1.
    pub until: f64,
    /// So many interruptions within the window at least.
    pub interruptions: u32,
}

impl Default for AvailabilitySettings {
    /// Three interruptions and more than two of ten minutes silent; until less than half a minute is (own choice).
    fn default() -> Self {
        AvailabilitySettings { window_ms: 600_000, below: 0.80, until: 0.95, interruptions: 3 }
    }
}

/// Settings hold shares that are numbers.
impl Eq for AvailabilitySettings {}

/// How little a monitor answers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Poor {
    /// Share of the window in which it answered, 0 to 1.
    pub share: f64,
    /// How often it fell silent in the window.
    pub interruptions: u32,
    /// The window, ms.
    pub window_ms: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Part {
    silent_ms: u64,
    interruptions: u32,
}

/// Watches one monitor.
#[derive(Debug, Clone, PartialEq)]
pub struct AvailabilityWatch {
    settings: AvailabilitySettings,
    parts: [Part; PARTS],
    /// When it was last looked at, and whether it answered.
    last: Option<(MonoMs, bool)>,
    poor: bool,
}

impl AvailabilityWatch {
    /// Knows nothing yet.
    pub fn new(settings: AvailabilitySettings) -> AvailabilityWatch {
        AvailabilityWatch { settings, parts: [Part::default(); PARTS], last: None, poor: false }
    }

    /// Takes a look: whether the monitor answers, none while it cannot be told. To be taken often against a part of the window.
    pub fn observe(&mut self, now: MonoMs, answers: Option<bool>) {
        let part_ms = (self.settings.window_ms / PARTS as u64).max(1);
        let slot = now.0 / part_ms;
        if let Some((last, _)) = self.last {
            let passed = slot.saturating_sub(last.0 / part_ms);
            for n in 0..passed.min(PARTS as u64) {
                self.parts[((slot - n) % PARTS as u64) as usize] = Part::default();
            }
        }
        if let (Some(false), part) = (answers, &mut self.parts[(slot % PARTS as u64) as usize]) {
            if let Some((last, _)) = self.last {
                part.silent_ms = part.silent_ms.saturating_add(now.since(last).min(part_ms)).min(part_ms);
            }
            part.interruptions += u32::from(self.last.is_none_or(|(_, answered)| answered));
        }
        // What cannot be told interrupts nothing.
        self.last = Some((now, answers.unwrap_or(true)));
        let Poor { share, interruptions, .. } = self.present();
        self.poor = if self.poor {
            share < self.settings.until
        } else {
            share < self.settings.below && interruptions >= self.settings.interruptions
        };
    }

    /// How little the monitor answers, while that is too little and not one single outage.
    pub fn poor(&self) -> Option<Poor> {
        Some(self.present()).filter(|poor| self.poor && poor.interruptions >= 2)
    }

    fn present(&self) -> Poor {
        let silent_ms: u64 = self.parts.iter().map(|part| part.silent_ms).sum();
        Poor {
            share: 1.0 - silent_ms as f64 / self.settings.window_ms as f64,
            interruptions: self.parts.iter().map(|part| part.interruptions).sum(),
            window_ms: self.settings.window_ms,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const MINUTE: u64 = 60;

    /// Looks once a second for so long; the seconds at which it is poor.
    fn poor_at(seconds: u64, answers: impl Fn(u64) -> bool) -> Vec<u64> {
        let mut watch = AvailabilityWatch::new(AvailabilitySettings::default());
        let mut poor = Vec::new();
        for second in 0..seconds {
            watch.observe(MonoMs(second * 1000), Some(answers(second)));
            if watch.poor().is_some() {
                poor.push(second);
            }
        }
        poor
    }

    #[test]
    fn a_monitor_that_flaps_is_poor_within_minutes_and_until_it_has_answered_for_long() {
        // 20 s answered, 20 s silent, for 20 minutes, then well.
        let poor = poor_at(60 * MINUTE, |second| second >= 20 * MINUTE || second % 40 < 20);
        let (first, last) = (*poor.first().unwrap(), *poor.last().unwrap());
        assert!((4 * MINUTE..6 * MINUTE).contains(&first), "{first}");
        assert!((28 * MINUTE..=30 * MINUTE).contains(&last), "{last}");
        assert_eq!(poor.len() as u64, last - first + 1, "without a gap");
    }

    #[test]
    fn the_share_is_that_of_the_window() {
        let mut watch = AvailabilityWatch::new(AvailabilitySettings::default());
        for second in 0..20 * MINUTE {
            watch.observe(MonoMs(second * 1000), Some(second % 40 < 20));
        }
        let poor = watch.poor().unwrap();
        assert!((poor.share - 0.5).abs() < 0.04, "{poor:?}");
        assert!((14..=16).contains(&poor.interruptions), "{poor:?}");
    }

    #[test]
    fn what_is_no_flapping_is_not_poor() {
        let never: Vec<u64> = Vec::new();
        // One outage a day of 30 s, and one of 8 minutes: that is the plain alarm's.
        assert_eq!(poor_at(26 * 60 * MINUTE, |s| !(3600..3630).contains(&s) && !(90_000..90_030).contains(&s)), never);
        assert_eq!(poor_at(60 * MINUTE, |s| !(600..1080).contains(&s)), never);
        // Every tenth poll lost; a restart of the gateway of 25 s, three times in ten minutes.
        assert_eq!(poor_at(60 * MINUTE, |s| s % 10 != 0), never);
        assert_eq!(poor_at(60 * MINUTE, |s| s % 200 >= 25), never);
    }

    #[test]
    fn an_outage_after_flapping_is_left_to_the_plain_alarm() {
        let poor = poor_at(60 * MINUTE, |s| s < 20 * MINUTE && s % 40 < 20);
        assert!(poor.iter().all(|s| *s < 31 * MINUTE), "{:?}", poor.last());
    }

    #[test]
    fn what_cannot_be_told_counts_for_nothing() {
        let mut watch = AvailabilityWatch::new(AvailabilitySettings::default());
        for second in 0..3600 {
            watch.observe(MonoMs(second * 1000), (second % 2 == 0).then_some(true));
        }
        assert_eq!(watch.poor(), None);
    }

    proptest! {
        #[test]
        fn the_share_stays_a_share(steps in proptest::collection::vec((0u64..2_000_000, any::<Option<bool>>()), 0..200)) {
            let mut watch = AvailabilityWatch::new(AvailabilitySettings::default());
            let mut now = 0;
            for (wait_ms, answers) in steps {
                now += wait_ms;
                watch.observe(MonoMs(now), answers);
                let share = watch.present().share;
                prop_assert!((0.0..=1.0).contains(&share), "{}", share);
            }
        }
    }
}
