//! The words of field checks and of what they show, in files, JSON and on the command line: one table, printed and parsed from.
//!
//! Everything here follows from [`FieldCheck::all`], so a check that is added there is entered, listed and printed without more.
//! Must never accept a word that two findings of one check share.

use super::field_check::{FieldCheck, Finding};
use super::installation::Installation;
use super::measured_check;
use crate::reading::Phase;

/// A number that stands in place of the word for what was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Resistance of a CT's loop, ohms.
    Ohms,
    /// Volts from a terminal of the monitor to every phase at the same breaker, in the order of the phases.
    Volts,
    /// Amps by clamp meter or another ammeter, beside the amps that the channel showed at the same moment.
    Amps,
}

impl Measure {
    /// Its keys in a file of checks; all of them are needed.
    pub fn keys(self) -> &'static [&'static str] {
        match self {
            Measure::Ohms => &["ohms"],
            Measure::Volts => &["volts"],
            Measure::Amps => &["amps", "channel_amps"],
        }
    }
}

impl Finding {
    /// The words for it, the stable one first; the others are taken too. Upper and lower case are the same.
    pub fn spellings(self) -> &'static [&'static str] {
        match self {
            Finding::SettingsAgree | Finding::DisplayAgrees | Finding::CurrentAgrees => &["agrees"],
            Finding::SettingsDiffer | Finding::DisplayDiffers | Finding::CurrentDiffers => &["differs"],
            Finding::CurrentMissing => &["missing"],
            Finding::RotationExpected => &["expected"],
            Finding::RotationReversed => &["reversed"],
            Finding::LeadOnPhase(Phase::A) | Finding::FromPhase(Phase::A) | Finding::BlockPosition(Phase::A) => {
                &["phase-A", "A"]
            }
            Finding::LeadOnPhase(Phase::B) | Finding::FromPhase(Phase::B) | Finding::BlockPosition(Phase::B) => {
                &["phase-B", "B"]
            }
            Finding::LeadOnPhase(Phase::C) | Finding::FromPhase(Phase::C) | Finding::BlockPosition(Phase::C) => {
                &["phase-C", "C"]
            }
            Finding::LeadOpen | Finding::LoopOpen => &["open"],
            Finding::LeadUnclear => &["no-phase"],
            Finding::FromOtherPump => &["other-pump"],
            Finding::FromSeveral => &["several-conductors"],
            Finding::CtNotFound => &["not-found"],
            Finding::LoopClosed => &["closed"],
            Finding::LoopUnlike => &["unlike-neighbors"],
            Finding::PolarityRight => &["right"],
            Finding::BodyReversed => &["body-reversed"],
            Finding::LeadsReversed => &["leads-reversed"],
            Finding::BothReversed => &["both-reversed"],
        }
    }

    /// Stable word for files and JSON; unique among what one check may show.
    pub fn key(self) -> &'static str {
        self.spellings()[0]
    }
}

impl FieldCheck {
    /// The number that may be entered in place of a word.
    pub fn measure(self) -> Option<Measure> {
        match self {
            FieldCheck::VoltageIdentity(_) => Some(Measure::Volts),
            FieldCheck::LoopResistance(_) => Some(Measure::Ohms),
            FieldCheck::ClampCurrent(_) | FieldCheck::PanelAmmeter(_) => Some(Measure::Amps),
            _ => None,
        }
    }

    /// The words that say what it showed, the stable one of each finding first.
    pub fn accepted(self) -> Vec<&'static str> {
        self.possible().iter().flat_map(|finding| finding.spellings()).copied().collect()
    }

    /// What it showed, by a word.
    pub fn finding_of(self, word: &str) -> Option<Finding> {
        let is = |spelling: &str| spelling.eq_ignore_ascii_case(word);
        self.possible().iter().copied().find(|finding| finding.spellings().iter().any(|spelling| is(spelling)))
    }

    /// The check of a word and a channel from 0; `None` unless exactly what this check needs is given.
    pub fn of(key: &str, channel: Option<usize>) -> Option<FieldCheck> {
        let is = |check: &FieldCheck| check.key().eq_ignore_ascii_case(key) && check.channel() == channel;
        FieldCheck::all().into_iter().find(is)
    }
}

/// A check without its channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CheckKind {
    /// Stable word for files and JSON.
    pub key: &'static str,
    /// True when it is about one channel or voltage terminal.
    pub of_channel: bool,
    /// The number that may be entered in place of a word.
    pub measure: Option<Measure>,
    /// One of its checks, for what all of them share.
    pub example: FieldCheck,
}

/// What the meaning of a number depends on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Panel {
    /// Voltage, service and CT outputs.
    pub installation: Installation,
    /// Rated primary current of the circuit's CTs, A.
    pub ct_primary_a: Option<f64>,
}

impl Panel {
    /// The channels or terminals that the service has for this check, in words.
    pub fn channel_words(&self, check: FieldCheck) -> String {
        let there: Vec<String> = FieldCheck::all()
            .into_iter()
            .filter(|other| other.key() == check.key() && other.exists_in(self.installation.service))
            .filter_map(|other| other.channel().map(|k| (k + 1).to_string()))
            .collect();
        there.join(" and ")
    }
}

/// Every kind of check, in the order of [`FieldCheck::all`].
pub fn kinds() -> Vec<CheckKind> {
    let mut kinds: Vec<CheckKind> = Vec::new();
    for check in FieldCheck::all() {
        if kinds.iter().all(|kind| kind.key != check.key()) {
            kinds.push(CheckKind {
                key: check.key(),
                of_channel: check.channel().is_some(),
                measure: check.measure(),
                example: check,
            });
        }
    }
    kinds
}

/// What the numbers of a measure show; `None` when they lie between two meanings. `numbers` are in the order of
/// [`Measure::keys`], volts in that of the phases.
pub fn from_numbers(measure: Measure, numbers: &[f64], panel: &Panel) -> Option<Finding> {
    match (measure, numbers) {
        (Measure::Ohms, [ohms]) => measured_check::from_ohms(*ohms, panel.installation.ct_secondary),
        (Measure::Volts, volts) => measured_check::from_terminal_volts(volts, panel.installation.nominal_voltage_v),
        (Measure::Amps, [ammeter_a, channel_a]) => {
            measured_check::from_amps(*ammeter_a, *channel_a, panel.ct_primary_a)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    /// Whatever check is added: its words lead back to it, and each of its findings has words of its own.
    #[test]
    fn every_word_leads_back() {
        for check in FieldCheck::all() {
            assert_eq!(FieldCheck::of(check.key(), check.channel()), Some(check));
            let mut taken = HashSet::new();
            for &finding in check.possible() {
                assert!(!finding.spellings().is_empty(), "{finding:?}");
                for spelling in finding.spellings() {
                    assert!(taken.insert(spelling.to_lowercase()), "{check:?}: \"{spelling}\" is said of two findings");
                    for word in [(*spelling).to_owned(), spelling.to_lowercase(), spelling.to_uppercase()] {
                        assert_eq!(check.finding_of(&word), Some(finding), "{word}");
                    }
                }
            }
            assert_eq!(check.accepted().len(), taken.len());
            assert_eq!(check.finding_of("backwards"), None);
        }
    }

    #[test]
    fn checks_of_one_kind_need_the_same_keys() {
        let kinds = kinds();
        for check in FieldCheck::all() {
            let kind = kinds.iter().find(|kind| kind.key == check.key()).unwrap();
            let needs = (check.channel().is_some(), check.measure());
            assert_eq!((kind.of_channel, kind.measure), needs, "{check:?}");
            assert_eq!(kind.example.accepted(), check.accepted(), "{check:?}");
        }
        assert_eq!(FieldCheck::of("ct-lead-trace", None), None, "which channel is not guessed");
        assert_eq!(FieldCheck::of("display", Some(0)), None, "nor is one ignored");
    }
}
