//! What to do about a diagnosis: the check that would settle most, and the remedy when the wiring is settled.
//!
//! Worked out when somebody asks, not on every reading. Must never be shown without the cautions before it.

use super::assessment::{Diagnosis, RankedWiring, Verdict};
use super::bars;
use super::field_check::{self, FieldCheck, Worth};
use super::remedy::{self, Move};
use super::wiring::Wiring;
use crate::reading::Phase;

/// Checks worth listing at once.
const CHECKS: usize = 3;

/// Advice on one circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// Checks worth doing, the best first; empty when nothing is left to settle.
    pub checks: Vec<Worth>,
    /// Moves that mend the wiring, with the wiring's probability; `None` while it is not settled or nothing is wrong.
    pub remedy: Option<(f64, Vec<Move>)>,
    /// Supply phase that is settled to be lost: nothing that a lead of the monitor could mend.
    pub lost_phase: Option<Phase>,
}

impl Advice {
    const NONE: Advice = Advice { checks: Vec::new(), remedy: None, lost_phase: None };
}

/// The wirings of a diagnosis, most probable first, whatever their group.
pub fn open_wirings(diagnosis: &Diagnosis) -> Vec<RankedWiring> {
    let mut wirings: Vec<RankedWiring> = diagnosis.groups.iter().flat_map(|g| &g.members).copied().collect();
    wirings.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    wirings
}

/// What to look at before a remedy is carried out: each lead that it moves, by a check that would show the mistake.
pub fn confirm(wiring: &Wiring, moves: &[Move]) -> Vec<FieldCheck> {
    let mut checks = Vec::new();
    for step in moves {
        match step {
            Move::CorrectMap(_) => checks.push(FieldCheck::Display),
            Move::ConfirmRotation => checks.push(FieldCheck::Rotation),
            _ => {}
        }
        for k in step.channels() {
            let check = match step {
                Move::ExchangeVoltage(..) => FieldCheck::PhaseIdentity(k, wiring.voltage[k]),
                Move::ExchangePairs(..) | Move::Relocate(..) | Move::BringBack(..) => FieldCheck::TracePair(k),
                Move::TurnPair(_) => FieldCheck::Polarity(k),
                Move::RestoreCurrent(_) | Move::Tighten(_) => FieldCheck::LoopResistance(k),
                Move::CorrectRatio(..) | Move::CorrectRatios(_) => FieldCheck::ClampCurrent(k),
                Move::CorrectMap(_) | Move::ConfirmRotation => continue,
            };
            if !checks.contains(&check) {
                checks.push(check);
            }
        }
    }
    // Dead checks come first: they may already show that the suspicion is wrong.
    checks.sort_by_key(|check| check.energised());
    checks
}

/// Advice that follows from a diagnosis.
pub fn advice(diagnosis: &Diagnosis) -> Advice {
    let wirings = open_wirings(diagnosis);
    let Some(leader) = wirings.first().copied().filter(|_| diagnosis.verdict != Verdict::NoEvidence) else {
        return Advice::NONE;
    };
    if leader.probability >= bars::ONE_WIRING {
        let moves = remedy::remedy(&leader.wiring).filter(|moves| !moves.is_empty());
        return Advice {
            remedy: moves.map(|moves| (leader.probability, moves)),
            lost_phase: leader.wiring.lost_phase,
            ..Advice::NONE
        };
    }
    // A sound circuit whose labels are not settled sends nobody to a panel.
    if diagnosis.verdict == Verdict::Sound {
        return Advice::NONE;
    }
    let mut checks = field_check::rank(&wirings);
    checks.truncate(CHECKS);
    Advice { checks, ..Advice::NONE }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::field_check::FieldCheck;
    use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};

    fn advised(offer: Offer, wiring: &Wiring) -> Advice {
        let context = context_for(offer);
        let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
        advice(&audit(&context, wiring, offer, &states).diagnosis)
    }

    #[test]
    fn a_settled_fault_gets_its_remedy_and_no_check() {
        let exchanged = relative_wirings()[8];
        let advice = advised(Offer::Full, &exchanged);
        let (probability, moves) = advice.remedy.unwrap();
        assert!(probability > bars::ONE_WIRING);
        assert_eq!(moves, [Move::ExchangePairs(1, 2)]);
        assert!(advice.checks.is_empty());
    }

    #[test]
    fn an_unsettled_fault_gets_checks_and_no_remedy() {
        let exchanged = relative_wirings()[8];
        let advice = advised(Offer::Blanking, &exchanged);
        assert_eq!(advice.remedy, None);
        assert!(!advice.checks.is_empty());
        // The live check of voltage identity never leads: dead checks tell as much here for less risk.
        assert!(!matches!(advice.checks[0].check, FieldCheck::PhaseIdentity(..)), "{:?}", advice.checks);
    }

    #[test]
    fn a_sound_circuit_gets_neither() {
        let advice = advised(Offer::Full, &Wiring::INTENDED);
        assert_eq!(advice, Advice::NONE);
    }
}
