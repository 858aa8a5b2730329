//! What to do about a diagnosis: the CTs that may be open now, the check that would settle most, and the remedy when the wiring
//! is settled.
//!
//! Worked out when somebody asks, not on every reading. Must never be shown without the cautions before it, nor a remedy
//! other than as a [`Procedure`].

use super::assessment::{Assessment, Diagnosis, RankedWiring, Verdict};
use super::bars;
use super::field_check::{self, FieldCheck, Worth};
use super::installation::Installation;
use super::open_ct::{self, SuspectCt};
use super::procedure::{Place, Procedure};
use super::remedy::{self, Move};
use super::wiring::{CurrentSeen, Wiring};
use crate::reading::Phase;

/// Checks worth listing at once.
const CHECKS: usize = 3;

/// Moves that correct a wiring that is settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Remedy {
    /// Probability of the wiring.
    pub probability: f64,
    /// The wiring.
    pub wiring: Wiring,
    moves: Vec<Move>,
}

impl Remedy {
    /// The whole procedure that carries it out.
    pub fn procedure(&self, place: &Place) -> Procedure {
        Procedure::of(&self.wiring, &self.moves, place)
    }

    /// What to look at before it is carried out: each lead that it moves, by a check that would show the mistake.
    pub fn confirm(&self, installation: &Installation) -> Vec<FieldCheck> {
        confirm(&self.wiring, &self.moves, installation)
    }
}

/// Advice on one circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Advice {
    /// CTs that may be open and live now: to be said before all else, settled or not.
    pub open_ct: Vec<SuspectCt>,
    /// Checks worth doing, the best first; empty when nothing is left to settle.
    pub checks: Vec<Worth>,
    /// What corrects the wiring; `None` while it is not settled or nothing is wrong.
    pub remedy: Option<Remedy>,
    /// Supply phase that is settled to be lost: nothing that a lead of the monitor could correct.
    pub lost_phase: Option<Phase>,
}

impl Advice {
    const NONE: Advice = Advice { open_ct: Vec::new(), checks: Vec::new(), remedy: None, lost_phase: None };
}

/// The wirings of a diagnosis, most probable first, whatever their group.
pub fn open_wirings(diagnosis: &Diagnosis) -> Vec<RankedWiring> {
    let mut wirings: Vec<RankedWiring> = diagnosis.groups.iter().flat_map(|g| &g.members).copied().collect();
    wirings.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    wirings
}

fn confirm(wiring: &Wiring, moves: &[Move], installation: &Installation) -> Vec<FieldCheck> {
    let offered = FieldCheck::offered(installation);
    let mut checks = Vec::new();
    for step in moves {
        match step {
            Move::CorrectMap(_) => checks.push(FieldCheck::Display),
            Move::ConfirmRotation => checks.push(FieldCheck::Sequence),
            Move::CorrectRatio(..) | Move::CorrectRatios(_) => checks.push(FieldCheck::Settings),
            _ => {}
        }
        let used = |k: &usize| wiring.current[*k] != CurrentSeen::Unused;
        let voltage = matches!(step, Move::SwapVoltageLeads(..));
        for k in step.channels().into_iter().filter(|k| voltage || used(k)) {
            // At the conductors, or as far as the block where these are not a technician's.
            let would_show: &[FieldCheck] = match step {
                Move::SwapVoltageLeads(..) => &[FieldCheck::VoltageLeadTrace(k), FieldCheck::VoltageBlockTrace(k)],
                Move::SwapCtLeads(..) | Move::Relocate(..) | Move::BringBack(..) => {
                    &[FieldCheck::CtLeadTrace(k), FieldCheck::CtBlockTrace(k)]
                }
                Move::ReverseCtLeads(_) => &[FieldCheck::Polarity(k), FieldCheck::CtLeadPolarity(k)],
                Move::RestoreCurrent(_) | Move::Tighten(_) => &[FieldCheck::LoopResistance(k)],
                Move::CorrectRatio(..) | Move::CorrectRatios(_) => &[FieldCheck::PanelAmmeter(k)],
                Move::CorrectMap(_) | Move::ConfirmRotation => &[],
            };
            let check = would_show.iter().find(|check| offered.contains(check));
            if let Some(check) = check.filter(|check| !checks.contains(*check)) {
                checks.push(*check);
            }
        }
    }
    // What opens least comes first: it may already show that the suspicion is wrong.
    checks.sort_by_key(|check| check.access());
    checks
}

/// Advice that follows from an assessment, for what a person meets at the panel; `done` are the checks that were made already.
pub fn advice(assessment: &Assessment, installation: &Installation, done: &[FieldCheck]) -> Advice {
    let open_ct = open_ct::possibly_open(assessment, installation);
    Advice { open_ct, ..on_wiring(&assessment.diagnosis, installation, done) }
}

fn on_wiring(diagnosis: &Diagnosis, installation: &Installation, done: &[FieldCheck]) -> Advice {
    let wirings = open_wirings(diagnosis);
    let Some(leader) = wirings.first().copied().filter(|_| diagnosis.verdict != Verdict::NoEvidence) else {
        return Advice::NONE;
    };
    if leader.probability >= bars::ONE_WIRING {
        let (probability, wiring) = (leader.probability, leader.wiring);
        let moves = remedy::remedy(&wiring).filter(|moves| !moves.is_empty());
        return Advice {
            remedy: moves.map(|moves| Remedy { probability, wiring, moves }),
            lost_phase: wiring.lost_phase,
            ..Advice::NONE
        };
    }
    // A circuit whose power is right and whose labels are not settled sends nobody to a panel.
    if diagnosis.verdict == Verdict::Sound {
        return Advice::NONE;
    }
    let mut checks = field_check::rank(&wirings, installation, done);
    checks.truncate(CHECKS);
    Advice { checks, ..Advice::NONE }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::assessment::WiringGroup;
    use crate::audit::context::{LoadBehaviour, ServiceKind};
    use crate::audit::field_check::Access;
    use crate::audit::hypotheses::classes;
    use crate::audit::installation::{CtSecondary, VoltageConnection};
    use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};
    use crate::audit::wiring::Gain;

    const INSTALLATION: Installation = Installation {
        service: ServiceKind::Wye4,
        nominal_voltage_v: 480.0,
        voltage_connection: VoltageConnection::Direct,
        ct_secondary: CtSecondary::Unknown,
        load: LoadBehaviour::InductionMotor,
    };

    fn advised(offer: Offer, wiring: &Wiring) -> Advice {
        let context = context_for(offer);
        let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
        advice(&audit(&context, wiring, offer, &states), &INSTALLATION, &[])
    }

    #[test]
    fn a_settled_fault_gets_its_remedy_and_no_check() {
        let swapped = relative_wirings()[8];
        let advice = advised(Offer::Full, &swapped);
        let remedy = advice.remedy.unwrap();
        assert!(remedy.probability > bars::ONE_WIRING);
        assert_eq!(remedy.moves, [Move::SwapCtLeads(1, 2)]);
        assert!(advice.checks.is_empty() && advice.open_ct.is_empty());
    }

    #[test]
    fn an_unsettled_fault_gets_checks_and_no_remedy() {
        let swapped = relative_wirings()[8];
        let advice = advised(Offer::Blanking, &swapped);
        assert_eq!(advice.remedy, None);
        assert!(!advice.checks.is_empty());
        // No live check: dead ones tell as much here for less risk.
        assert!(advice.checks.iter().all(|c| c.check.access() != Access::Live), "{:?}", advice.checks);
    }

    #[test]
    fn a_ct_that_may_be_open_is_told_settled_or_not() {
        let mut open = Wiring::INTENDED;
        open.current[2] = CurrentSeen::Nothing;
        let context = context_for(Offer::Full);
        let mut assessment =
            audit(&context, &open, Offer::Full, &[1.0, 0.7].map(|load| LoadState::motor(&context, load)));
        let channels = |advice: &Advice| advice.open_ct.iter().map(|s| s.channel).collect::<Vec<_>>();
        let settled = advice(&assessment, &INSTALLATION, &[]);
        assert!(settled.remedy.is_some());
        assert_eq!(channels(&settled), [2]);
        let group = assessment.diagnosis.groups[0].clone();
        let members = [
            (open, 0.1),
            (Wiring::INTENDED, 0.9 - bars::ONE_WIRING / 2.0),
            (relative_wirings()[8], bars::ONE_WIRING / 2.0),
        ];
        let members = members.map(|(wiring, probability)| RankedWiring { wiring, probability, ..group.members[0] });
        assessment.diagnosis.groups = [WiringGroup { members: members.to_vec(), ..group }].into();
        let open = advice(&assessment, &INSTALLATION, &[]);
        assert!(open.remedy.is_none());
        assert_eq!(channels(&open), [2]);
        let voltage_output = Installation { ct_secondary: CtSecondary::Voltage { rated_mv: 333 }, ..INSTALLATION };
        assert!(advice(&assessment, &voltage_output, &[]).open_ct.is_empty());
    }

    #[test]
    fn below_the_bar_for_one_wiring_there_is_no_remedy() {
        let context = context_for(Offer::Full);
        let states = [LoadState::motor(&context, 0.8)];
        let mut assessment = audit(&context, &relative_wirings()[8], Offer::Full, &states);
        let group = assessment.diagnosis.groups[0].clone();
        let mut at = |probability: f64| {
            // The group stays as probable as it was: what counts is the one wiring.
            let leader = RankedWiring { probability, ..group.members[0] };
            let other = RankedWiring { wiring: relative_wirings()[9], probability: 1.0 - probability, ..leader };
            assessment.diagnosis.groups = [WiringGroup { members: vec![leader, other], ..group.clone() }].into();
            advice(&assessment, &INSTALLATION, &[])
        };
        assert!(at(bars::ONE_WIRING).remedy.is_some());
        let below = at(bars::ONE_WIRING - 0.001);
        assert!(below.remedy.is_none() && !below.checks.is_empty());
    }

    #[test]
    fn what_is_confirmed_exists_in_the_service() {
        let service = ServiceKind::TwoElement;
        let halved = Wiring { gain: [Gain::Times(1, 2); 3], ..service.intended() };
        let installation = Installation { service, ..INSTALLATION };
        let checks = confirm(&halved, &remedy::remedy(&halved).unwrap(), &installation);
        assert!(checks.iter().all(|c| c.channel().is_none_or(|k| service.channels().contains(&k))), "{checks:?}");
    }

    /// Every lead that a remedy moves is looked at first, and never live; nor is anything that is for others.
    #[test]
    fn what_is_confirmed_may_be_checked_at_this_installation() {
        let medium_voltage =
            Installation { service: ServiceKind::OpenDelta, nominal_voltage_v: 4160.0, ..INSTALLATION };
        for installation in [INSTALLATION, medium_voltage] {
            for member in classes(installation.service).all.iter().flat_map(|c| &c.members) {
                let moves = remedy::remedy(&member.wiring).unwrap_or_default();
                let checks = confirm(&member.wiring, &moves, &installation);
                let offered = FieldCheck::offered(&installation);
                assert!(checks.iter().all(|c| offered.contains(c) && c.access() != Access::Live), "{checks:?}");
                let swaps = moves.iter().any(|m| matches!(m, Move::SwapVoltageLeads(..) | Move::SwapCtLeads(..)));
                assert!(!swaps || !checks.is_empty(), "{:?}", member.wiring);
            }
        }
    }

    #[test]
    fn a_circuit_wired_right_gets_neither() {
        let advice = advised(Offer::Full, &Wiring::INTENDED);
        assert_eq!(advice, Advice::NONE);
    }
}
