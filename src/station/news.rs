//! What is worth a line in the log: changes that have lasted, in plain words, never one line a reading.

use std::collections::HashSet;

use serde::{Deserialize, Serialize};

use crate::audit::assessment::{Assessment, Check, Verdict};
use crate::audit::blame::likely_members;
use crate::audit::statement::{self, WiringFault};
use crate::audit::wiring::Wiring;
use crate::audit::words;
use crate::journal::{Entry, Kind};
use crate::reading::{Phase, UnixMs};

/// Readings or polls in a row that a change must last before it is told.
pub const TELL_AFTER: u32 = 3;

/// One line for the log.
#[derive(Debug, Clone, PartialEq)]
pub enum News {
    /// The verdict on a circuit, or what leads its diagnosis, changed.
    Diagnosis {
        /// Circuit.
        circuit: String,
        /// The new verdict.
        verdict: Verdict,
        /// What is wrong and how sure.
        headline: String,
        /// Why it changed, where that was no reading; a part of a sentence that begins with "because".
        because: Option<String>,
    },
    /// A monitor answers every read.
    MonitorAnswers {
        /// Monitor.
        monitor: String,
        /// Its address and unit.
        place: String,
    },
    /// A monitor answers, but some of its reads fail.
    MonitorAnswersInPart {
        /// Monitor.
        monitor: String,
        /// Its address and unit.
        place: String,
        /// Why, as the failed transaction tells.
        cause: String,
    },
    /// A monitor gives no value at all.
    MonitorSilent {
        /// Monitor.
        monitor: String,
        /// Its address and unit.
        place: String,
        /// Why, as the failed transaction tells.
        cause: String,
    },
    /// The wall clock moved against the monotonic clock.
    ClockJump {
        /// How far, ms; negative is backwards.
        by_ms: i64,
    },
    /// The audit of a circuit failed inside and was started anew.
    CoreFailed {
        /// Circuit.
        circuit: String,
        /// What it said.
        message: String,
    },
    /// The audit of a circuit works again.
    CoreRecovered {
        /// Circuit.
        circuit: String,
    },
}

impl News {
    /// What happened, in one sentence that names the station.
    pub fn sentence(&self, station: &str) -> String {
        match self {
            News::Diagnosis { circuit, headline, because, .. } => match because {
                Some(because) => format!("{station} / {circuit}: {headline}; {because}"),
                None => format!("{station} / {circuit}: {headline}"),
            },
            News::MonitorAnswers { monitor, place } => format!("{station} / {monitor} ({place}) answers every read"),
            News::MonitorAnswersInPart { monitor, place, cause } => {
                format!("{station} / {monitor} ({place}) gives only some of its values: {cause}")
            }
            News::MonitorSilent { monitor, place, cause } => {
                format!("{station} / {monitor} ({place}) gives no values: {cause}")
            }
            News::ClockJump { by_ms } => {
                format!("{station}: the wall clock jumped by {:+.1} s between two readings", *by_ms as f64 / 1000.0)
            }
            News::CoreFailed { circuit, message } => {
                format!("{station} / {circuit}: internal audit error; the audit starts again: {message}")
            }
            News::CoreRecovered { circuit } => format!("{station} / {circuit}: the audit works again"),
        }
    }

    /// Writes the line.
    pub fn log(&self, station: &str) {
        let sentence = self.sentence(station);
        match self {
            News::Diagnosis { circuit, verdict: Verdict::Fault, .. } => {
                tracing::warn!(station, circuit, verdict = "fault", "{sentence}");
            }
            News::Diagnosis { circuit, verdict, .. } => {
                tracing::info!(station, circuit, verdict = verdict_key(*verdict), "{sentence}");
            }
            News::MonitorAnswers { monitor, .. } => tracing::info!(station, monitor, "{sentence}"),
            News::MonitorAnswersInPart { monitor, cause, .. } | News::MonitorSilent { monitor, cause, .. } => {
                tracing::warn!(station, monitor, cause, "{sentence}");
            }
            News::ClockJump { by_ms } => tracing::warn!(station, by_ms, "{sentence}"),
            News::CoreFailed { circuit, .. } => tracing::error!(station, circuit, "{sentence}"),
            News::CoreRecovered { circuit } => tracing::info!(station, circuit, "{sentence}"),
        }
    }

    /// The same for the journal.
    pub fn entry(&self, station: &str, at: UnixMs) -> Entry {
        let (kind, subject) = match self {
            News::Diagnosis { circuit, .. } => (Kind::Diagnosis, circuit.as_str()),
            News::MonitorAnswers { monitor, .. }
            | News::MonitorAnswersInPart { monitor, .. }
            | News::MonitorSilent { monitor, .. } => (Kind::Monitor, monitor.as_str()),
            News::ClockJump { .. } => (Kind::Clock, ""),
            News::CoreFailed { circuit, .. } | News::CoreRecovered { circuit } => (Kind::Program, circuit.as_str()),
        };
        let entry = Entry::new(at.0, kind, self.sentence(station)).about(station, subject);
        match self {
            News::Diagnosis { verdict, because, .. } => {
                let mut data = serde_json::json!({ "verdict": verdict_key(*verdict) });
                if let Some(because) = because {
                    data["because"] = because.as_str().into();
                }
                entry.with(&data)
            }
            News::ClockJump { by_ms } => entry.with(&serde_json::json!({ "by_ms": by_ms })),
            _ => entry,
        }
    }
}

/// Stable word for a verdict, for logs, metrics and JSON.
pub fn verdict_key(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Sound => "sound",
        Verdict::Fault => "fault",
        Verdict::Undecided => "undecided",
        Verdict::NoEvidence => "no_evidence",
    }
}

/// Holds a state back until it has lasted.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Debounced<K> {
    told: Option<K>,
    candidate: Option<(K, u32)>,
}

impl<K> Default for Debounced<K> {
    fn default() -> Self {
        Debounced { told: None, candidate: None }
    }
}

impl<K: PartialEq + Clone> Debounced<K> {
    /// What was told last.
    pub fn told(&self) -> Option<&K> {
        self.told.as_ref()
    }

    /// Takes the present state; true when it has now been seen `needed` times in a row and is not what was told last.
    pub fn settle(&mut self, state: K, needed: u32) -> bool {
        if self.told.as_ref() == Some(&state) {
            self.candidate = None;
            return false;
        }
        let seen = match &self.candidate {
            Some((candidate, seen)) if *candidate == state => seen + 1,
            _ => 1,
        };
        if seen < needed {
            self.candidate = Some((state, seen));
            return false;
        }
        self.candidate = None;
        self.told = Some(state);
        true
    }
}

/// What must change before a diagnosis is news. Probabilities are not in it: they move with every reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DiagnosisKey {
    verdict: Verdict,
    /// The wirings of the leading group that a person is told of.
    leading: HashSet<Wiring>,
    /// A supply conductor that has gone.
    lost_phase: Option<Phase>,
    /// Checks that make the numbers wrong whatever the wiring, where a person is told of them.
    hard: HashSet<Check>,
}

impl DiagnosisKey {
    /// The key of an assessment; `None` while there is nothing to tell.
    pub fn of(assessment: &Assessment) -> Option<DiagnosisKey> {
        let diagnosis = &assessment.diagnosis;
        let failed: HashSet<Check> = words::hard_findings(&assessment.findings).iter().map(|f| f.check).collect();
        if diagnosis.verdict == Verdict::NoEvidence && failed.is_empty() {
            return None;
        }
        // Only a wrong wiring is told by its leads, and then the checks that fail because of it are not told beside it.
        let wrong = words::wrong_wiring(diagnosis);
        let leading = match statement::wiring_fault(diagnosis) {
            Some(WiringFault::Settled { wiring, .. }) => HashSet::from([wiring]),
            Some(WiringFault::NotSettled { .. }) => {
                wrong.into_iter().flat_map(likely_members).map(|m| m.wiring).collect()
            }
            None => HashSet::new(),
        };
        let hard = if wrong.is_some() || diagnosis.verdict == Verdict::Sound { HashSet::new() } else { failed };
        Some(DiagnosisKey { verdict: diagnosis.verdict, leading, lost_phase: words::lost_phase(diagnosis), hard })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn a_state_is_told_once_it_has_lasted() {
        let mut debounced = Debounced::default();
        assert!(debounced.settle('a', 1));
        assert!(!debounced.settle('b', 3));
        assert!(!debounced.settle('b', 3));
        assert!(!debounced.settle('a', 3), "back where it was: nothing to tell");
        assert!(!debounced.settle('b', 3));
        assert!(!debounced.settle('b', 3));
        assert!(debounced.settle('b', 3));
        assert!(!debounced.settle('b', 3), "told already");
        assert_eq!(debounced.told(), Some(&'b'));
    }

    #[test]
    fn a_probability_alone_is_no_news_and_another_wiring_is() {
        let assessment = |wiring: &Wiring| {
            let snapshot = snapshot_after("Alder Creek Lift", wiring);
            snapshot.circuits[0].assessment.as_ref().unwrap().as_ref().clone()
        };
        let sound = assessment(&Wiring::INTENDED);
        let mut surer = sound.clone();
        surer.diagnosis.sound_probability = 0.999;
        assert_eq!(DiagnosisKey::of(&sound), DiagnosisKey::of(&surer));
        assert_ne!(DiagnosisKey::of(&sound), DiagnosisKey::of(&assessment(&exchanged())));
    }
}
