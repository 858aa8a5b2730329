//! What every check shows under a wiring, and how often a person gets it wrong. Must never tell more than a wiring says: a CT that
//! reads zero may be open or shorted.

use super::{FieldCheck, Finding};
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

/// How often a careful person gets each kind of check wrong. Common practice, no source.
pub const ERROR_RATE: f64 = 0.02;
/// A mistake between the monitor and the block, among the mistakes that put a lead on another phase or reverse it. The rest is
/// beyond the block. Common practice, no source.
const MADE_BEFORE_BLOCK: f64 = 0.7;
/// A reversed CT has its leads reversed as often as its body; where power is right both are reversed this often.
const BOTH_REVERSED: f64 = 0.05;

use Finding as F;

/// The most findings that a check has.
pub(super) const MOST_FINDINGS: usize = 6;

/// What a check may show under one wiring, each with its probability: at most three.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chances {
    shown: [(Finding, f64); 3],
    len: usize,
}

impl Chances {
    fn sure(finding: Finding) -> Chances {
        Chances { shown: [(finding, 1.0); 3], len: 1 }
    }

    fn two(first: (Finding, f64), second: (Finding, f64)) -> Chances {
        Chances { shown: [first, second, second], len: 2 }
    }

    fn three(shown: [(Finding, f64); 3]) -> Chances {
        Chances { shown, len: 3 }
    }

    /// Each finding with its probability.
    pub fn iter(&self) -> impl Iterator<Item = (Finding, f64)> + '_ {
        self.shown[..self.len].iter().copied()
    }

    /// Probability of a finding; `None` when only an error leads to it.
    fn of(&self, finding: Finding) -> Option<f64> {
        self.iter().find(|(shown, _)| *shown == finding).map(|(_, chance)| chance)
    }
}

impl FieldCheck {
    /// What the check shows under a wiring when it is done without error, each with its probability. More than one where the wiring
    /// leaves open what is behind it: a CT that reads zero may be open or shorted.
    pub fn chances(self, wiring: &Wiring) -> Chances {
        let sure = Chances::sure;
        match self {
            FieldCheck::Settings => settings(wiring),
            FieldCheck::Display if wiring.registers == Registers::AsDeclared => sure(F::DisplayAgrees),
            FieldCheck::Display => sure(F::DisplayDiffers),
            // What the terminals show, whether leads or the supply are behind it.
            FieldCheck::Sequence | FieldCheck::Rotation => {
                let reversed = is_odd(wiring.voltage) != wiring.supply_rotates_back;
                sure(if reversed { F::RotationReversed } else { F::RotationExpected })
            }
            FieldCheck::PanelAmmeter(k) | FieldCheck::ClampCurrent(k) => sure(compared_current(wiring, k)),
            FieldCheck::VoltageLeadTrace(k) | FieldCheck::VoltageIdentity(k) => sure(F::LeadOnPhase(wiring.voltage[k])),
            FieldCheck::VoltageBlockTrace(k) => before_block(F::BlockPosition(wiring.voltage[k]), k),
            FieldCheck::CtLeadTrace(k) => match wiring.current[k] {
                CurrentSeen::Conductor { phase, .. } => sure(F::FromPhase(phase)),
                CurrentSeen::AllBut { .. } => sure(F::FromSeveral),
                CurrentSeen::OtherCircuit { .. } => sure(F::FromOtherPump),
                // Leads of a CT that reads zero come from somewhere: the phase no other channel sees, else from no conductor.
                CurrentSeen::Nothing | CurrentSeen::Unused => {
                    Chances::two((F::FromPhase(unseen_phase(wiring, k)), 0.8), (F::CtNotFound, 0.2))
                }
            },
            FieldCheck::CtBlockTrace(k) => match wiring.current[k] {
                CurrentSeen::Conductor { phase, .. } => before_block(F::BlockPosition(phase), k),
                CurrentSeen::OtherCircuit { .. } => before_block(F::FromOtherPump, k),
                CurrentSeen::AllBut { .. } => sure(F::BlockPosition(Phase::ALL[k])),
                CurrentSeen::Nothing | CurrentSeen::Unused => {
                    Chances::two((F::BlockPosition(unseen_phase(wiring, k)), 0.9), (F::CtNotFound, 0.1))
                }
            },
            FieldCheck::LoopResistance(k) => match (wiring.current[k], wiring.gain[k]) {
                // Open, or shorted, or a CT around no conductor.
                (CurrentSeen::Nothing, _) => {
                    Chances::three([(F::LoopOpen, 0.6), (F::LoopClosed, 0.38), (F::LoopUnlike, 0.02)])
                }
                (_, Gain::Unsteady) => Chances::three([(F::LoopUnlike, 0.4), (F::LoopOpen, 0.3), (F::LoopClosed, 0.3)]),
                _ => sure(F::LoopClosed),
            },
            FieldCheck::Polarity(k) if is_reversed(wiring, k) => {
                Chances::two((F::LeadsReversed, 0.5), (F::BodyReversed, 0.5))
            }
            FieldCheck::Polarity(_) => {
                Chances::two((F::PolarityRight, 1.0 - BOTH_REVERSED), (F::BothReversed, BOTH_REVERSED))
            }
            FieldCheck::CtLeadPolarity(k) if is_reversed(wiring, k) => {
                Chances::two((F::LeadsReversed, 0.5), (F::PolarityRight, 0.5))
            }
            FieldCheck::CtLeadPolarity(_) => sure(F::PolarityRight),
        }
    }

    /// What the check most probably shows under a wiring, when done without error.
    pub fn shows(self, wiring: &Wiring) -> Finding {
        let most = self.chances(wiring).iter().reduce(|a, b| if b.1 > a.1 { b } else { a });
        most.map_or(self.possible()[0], |(finding, _)| finding)
    }

    /// Probability of `finding` under `wiring`, errors counted.
    pub fn likelihood(self, finding: Finding, wiring: &Wiring) -> f64 {
        self.likelihood_with(finding, wiring, ERROR_RATE)
    }

    /// As [`FieldCheck::likelihood`], for a person who gets this check wrong at `error_rate`.
    pub fn likelihood_with(self, finding: Finding, wiring: &Wiring, error_rate: f64) -> f64 {
        let place = self.possible().iter().position(|f| *f == finding);
        place.map_or(0.0, |n| self.likelihoods(wiring, error_rate)[n])
    }

    /// The same of every possible finding, in their order.
    pub(super) fn likelihoods(self, wiring: &Wiring, error_rate: f64) -> [f64; MOST_FINDINGS] {
        let chances = self.chances(wiring);
        let possible = self.possible();
        let by_error: f64 = possible.iter().filter(|f| chances.of(**f).is_none()).map(|f| error_weight(*f)).sum();
        let mut likelihoods = [0.0; MOST_FINDINGS];
        for (likelihood, finding) in likelihoods.iter_mut().zip(possible) {
            *likelihood = match chances.of(*finding) {
                // Where every finding is possible without an error, none is the result of one.
                Some(chance) if by_error <= 0.0 => chance,
                Some(chance) => (1.0 - error_rate) * chance,
                None => error_rate * error_weight(*finding) / by_error,
            };
        }
        likelihoods
    }
}

/// How much more often than another a finding is the result of an error: one phase is mistaken for another far more easily than for
/// another pump, for two conductors, or for none.
fn error_weight(finding: Finding) -> f64 {
    match finding {
        F::FromOtherPump | F::FromSeveral | F::CtNotFound | F::LeadOpen | F::LeadUnclear => 0.1,
        // Two reversals are as rare among errors as among panels, so that they mean the same as none.
        F::BothReversed => BOTH_REVERSED / (1.0 - BOTH_REVERSED),
        _ => 1.0,
    }
}

/// A ratio that is wrong on all channels is a setting more often than not; on one channel it is a CT or a conductor as well.
fn settings(wiring: &Wiring) -> Chances {
    let used = || (0..3).filter(|k| wiring.current[*k] != CurrentSeen::Unused);
    let wrong = |k: usize| matches!(wiring.gain[k], Gain::Times(..));
    match (used().any(wrong), used().all(wrong)) {
        (_, true) => Chances::two((F::SettingsDiffer, 0.9), (F::SettingsAgree, 0.1)),
        (true, false) => Chances::two((F::SettingsDiffer, 0.4), (F::SettingsAgree, 0.6)),
        (false, false) => Chances::sure(F::SettingsAgree),
    }
}

fn compared_current(wiring: &Wiring, k: usize) -> Finding {
    let conductor = wiring.lost_phase != Some(Phase::ALL[k]);
    let channel = match wiring.current[k] {
        CurrentSeen::Nothing | CurrentSeen::Unused => false,
        seen => seen.shows().is_none_or(|(phase, _)| wiring.lost_phase != Some(phase)),
    };
    let other_pump = matches!(wiring.current[k], CurrentSeen::OtherCircuit { .. });
    if conductor != channel {
        F::CurrentMissing
    } else if wiring.gain[k] == Gain::AsRated && !other_pump {
        F::CurrentAgrees
    } else {
        F::CurrentDiffers
    }
}

/// A lead that is not on its own phase shows so at the block only when the mistake was made before it.
fn before_block(finding: Finding, k: usize) -> Chances {
    let own = F::BlockPosition(Phase::ALL[k]);
    if finding == own {
        Chances::sure(own)
    } else {
        Chances::two((finding, MADE_BEFORE_BLOCK), (own, 1.0 - MADE_BEFORE_BLOCK))
    }
}

fn unseen_phase(wiring: &Wiring, k: usize) -> Phase {
    let own = Phase::ALL[k];
    let unseen = |p: &Phase| wiring.channel_of(*p).is_none();
    std::iter::once(own).chain(Phase::ALL).find(unseen).unwrap_or(own)
}

fn is_reversed(wiring: &Wiring, k: usize) -> bool {
    matches!(
        wiring.current[k],
        CurrentSeen::Conductor { reversed: true, .. }
            | CurrentSeen::AllBut { reversed: true, .. }
            | CurrentSeen::OtherCircuit { reversed: true, .. }
    )
}

/// True of an order of the leads that reverses the rotation at the terminals: one swap of two.
fn is_odd(order: [Phase; 3]) -> bool {
    let i = order.map(Phase::index);
    let inversions = usize::from(i[0] > i[1]) + usize::from(i[0] > i[2]) + usize::from(i[1] > i[2]);
    inversions % 2 == 1
}
