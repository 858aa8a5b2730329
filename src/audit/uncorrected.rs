//! Why power is not corrected: one reason for every way in which the correction gives nothing.
//!
//! Pure data with its words. Must never decide whether power is corrected: that is the auditor's.

use super::bars;
use super::words::percent;

/// Why there is no corrected power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Uncorrected {
    /// The pump is stopped.
    Stopped,
    /// The pump is starting: its power is not steady yet.
    Starting,
    /// It cannot be told whether the pump runs.
    RunStateUnknown,
    /// A current or all voltages could not be read, or show nothing, while the pump runs.
    ValuesMissing,
    /// No steady reading of the running pump yet.
    NoReadings,
    /// No group of wirings is probable enough.
    NotSettled {
        /// Probability of the leading group.
        leading: f64,
    },
    /// Too much is explained by no wiring.
    Unexplained {
        /// Probability that no wiring considered fits.
        unexplained: f64,
    },
    /// The channels that the leading wiring needs carry no usable value in this reading.
    ChannelsMissing,
    /// What a person found at the panel contradicts the wiring that power was corrected by.
    Refuted,
    /// The monitor's values are not of now.
    NotLive,
}

impl Uncorrected {
    /// Every kind, each once.
    pub const ALL: [Uncorrected; 10] = [
        Uncorrected::Stopped,
        Uncorrected::Starting,
        Uncorrected::RunStateUnknown,
        Uncorrected::ValuesMissing,
        Uncorrected::NoReadings,
        Uncorrected::NotSettled { leading: 0.0 },
        Uncorrected::Unexplained { unexplained: 1.0 },
        Uncorrected::ChannelsMissing,
        Uncorrected::Refuted,
        Uncorrected::NotLive,
    ];

    /// Stable word, for JSON and metrics.
    pub fn key(self) -> &'static str {
        match self {
            Uncorrected::Stopped => "stopped",
            Uncorrected::Starting => "starting",
            Uncorrected::RunStateUnknown => "run_state_unknown",
            Uncorrected::ValuesMissing => "values_missing",
            Uncorrected::NoReadings => "no_readings",
            Uncorrected::NotSettled { .. } => "not_settled",
            Uncorrected::Unexplained { .. } => "unexplained",
            Uncorrected::ChannelsMissing => "channels_missing",
            Uncorrected::Refuted => "refuted",
            Uncorrected::NotLive => "not_live",
        }
    }

    /// The reason in words.
    pub fn words(self) -> String {
        match self {
            Uncorrected::Stopped => "the pump is stopped".to_owned(),
            Uncorrected::Starting => "the pump is starting".to_owned(),
            Uncorrected::RunStateUnknown => "it is not known whether the pump runs".to_owned(),
            Uncorrected::ValuesMissing => "a current or the voltage cannot be read, or reads zero".to_owned(),
            Uncorrected::NoReadings => "no steady reading of the running pump yet".to_owned(),
            Uncorrected::NotSettled { leading } => format!(
                "several wirings with different power are possible: the most probable group has {}, {} is needed",
                percent(leading),
                percent(bars::CORRECTED_POWER)
            ),
            Uncorrected::Unexplained { unexplained } => format!(
                "the readings may fit no wiring considered: {}, where at most {} is allowed",
                percent(unexplained),
                percent(1.0 - bars::VERDICT)
            ),
            Uncorrected::ChannelsMissing => "a channel that the wiring needs gives no usable value".to_owned(),
            Uncorrected::Refuted => "a field check contradicts the wiring that power was corrected by".to_owned(),
            Uncorrected::NotLive => "the monitor gives no current values".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn every_reason_has_a_key_and_words_of_its_own() {
        let keys: HashSet<_> = Uncorrected::ALL.iter().map(|why| why.key()).collect();
        let words: HashSet<_> = Uncorrected::ALL.iter().map(|why| why.words()).collect();
        assert_eq!((keys.len(), words.len()), (Uncorrected::ALL.len(), Uncorrected::ALL.len()));
    }
}
