//! What may be said of an assessment, as data: claims, each with the probability of exactly that claim.
//!
//! Every text and face renders these. Must never put anything in words, name a lead as the fault below [`bars::ONE_WIRING`],
//! nor give one claim the probability of another.

use super::assessment::{Assessment, Check, Diagnosis, Finding, RankedWiring, RunState, Verdict};
use super::bars;
use super::blame::{failed, hard_findings, is_hard, likely_members, lost_phase, wrong_wiring};
use super::voltage_lead::{VoltageDiagnosis, VoltageState};
use super::wiring::Wiring;
use crate::reading::Phase;

/// Something that is so or is not so.
#[derive(Debug, Clone, PartialEq)]
pub enum Claim {
    /// The monitor meters the circuit's power correctly.
    MeteringCorrect,
    /// A wiring considered makes it meter power wrong.
    PowerWrong,
    /// No wiring considered explains the readings.
    NoWiringFits,
    /// The wiring is this one, in every lead, ratio and register.
    WiringIs(Wiring),
    /// This phase of the supply to the pump is lost.
    SupplyPhaseLost(Phase),
    /// One of these states of the voltage leads and the supply is present.
    VoltageStates(Vec<VoltageState>),
    /// The voltage leads or the supply are at fault.
    VoltageFault,
}

/// A claim with its probability.
#[derive(Debug, Clone, PartialEq)]
pub struct Statement {
    /// What is claimed.
    pub claim: Claim,
    /// Probability of the claim, 0..=1.
    pub probability: f64,
}

/// How many wirings are left where none is settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Open {
    /// So many fit the readings equally well; two or more.
    FitEqually(usize),
    /// So many are possible, which fit differently well.
    Possible(usize),
}

/// What is said of wrong leads, ratios or registers.
#[derive(Debug, Clone, PartialEq)]
pub enum WiringFault {
    /// One wiring is named: a claim `WiringIs`.
    Settled {
        /// The wiring.
        wiring: Wiring,
        /// Probability of exactly this wiring.
        probability: f64,
    },
    /// None is named.
    NotSettled {
        /// Probability that power is metered wrong.
        wrong: f64,
        /// How many wirings are left.
        open: Open,
    },
}

/// What the one line on a circuit says.
#[derive(Debug, Clone, PartialEq)]
pub enum Conclusion<'a> {
    /// The voltage leads or the supply are at fault, whatever the wiring of the CTs.
    Voltage {
        /// `VoltageStates` when these are settled, else `VoltageFault`.
        said: Statement,
        /// States that are left where none is settled.
        open: usize,
    },
    /// Too few readings for a diagnosis.
    NoEvidence {
        /// Run state.
        run_state: RunState,
        /// Numbers that are wrong whatever the wiring.
        wrong_numbers: Vec<&'a Finding>,
    },
    /// Metering is correct.
    Correct {
        /// `MeteringCorrect`.
        said: Statement,
        /// `SupplyPhaseLost`, where that is likelier than not.
        lost_phase: Option<Statement>,
    },
    /// The readings fit no wiring.
    FitsNone {
        /// `NoWiringFits`.
        said: Statement,
        /// Findings that may say why.
        also: Vec<&'a Finding>,
    },
    /// The evidence does not decide.
    Undecided {
        /// `MeteringCorrect`.
        correct: Statement,
        /// `PowerWrong`.
        wrong: Statement,
        /// `SupplyPhaseLost`, where that is likelier than not.
        lost_phase: Option<Statement>,
    },
    /// Leads, ratios or registers are wrong.
    Wiring(WiringFault),
    /// No lead is blamed: these numbers are wrong, or, when empty, power is wrong for a reason that is not known.
    Numbers(Vec<&'a Finding>),
}

/// What is concluded of one circuit.
pub fn conclusion(assessment: &Assessment) -> Conclusion<'_> {
    if let Some((said, open)) = assessment.voltage_leads.as_deref().and_then(voltage) {
        return Conclusion::Voltage { said, open };
    }
    let diagnosis = &assessment.diagnosis;
    let lost = || lost_phase(diagnosis).map(|phase| statement(diagnosis, Claim::SupplyPhaseLost(phase)));
    match diagnosis.verdict {
        Verdict::NoEvidence => Conclusion::NoEvidence {
            run_state: assessment.run_state,
            wrong_numbers: hard_findings(&assessment.findings),
        },
        Verdict::Sound => {
            Conclusion::Correct { said: statement(diagnosis, Claim::MeteringCorrect), lost_phase: lost() }
        }
        Verdict::Undecided if diagnosis.unexplained_probability > bars::LIKELIER_THAN_NOT => Conclusion::FitsNone {
            said: statement(diagnosis, Claim::NoWiringFits),
            also: failed(&assessment.findings, |f| is_hard(f) || f.check == Check::CurrentBalance),
        },
        Verdict::Undecided => Conclusion::Undecided {
            correct: statement(diagnosis, Claim::MeteringCorrect),
            wrong: statement(diagnosis, Claim::PowerWrong),
            lost_phase: lost(),
        },
        Verdict::Fault => match wiring_fault(diagnosis) {
            Some(fault) => Conclusion::Wiring(fault),
            None => Conclusion::Numbers(hard_findings(&assessment.findings)),
        },
    }
}

/// What is said of wrong leads, ratios or registers; `None` where nothing of the kind is blamed.
pub fn wiring_fault(diagnosis: &Diagnosis) -> Option<WiringFault> {
    let group = wrong_wiring(diagnosis)?;
    if let Some(settled) = diagnosis.settled().filter(|leader| !leader.power_right) {
        return Some(WiringFault::Settled { wiring: settled.wiring, probability: settled.probability });
    }
    let alike = likely_members(group).count();
    let open = if alike > 1 { Open::FitEqually(alike) } else { Open::Possible(listed(diagnosis).len().max(1)) };
    Some(WiringFault::NotSettled { wrong: diagnosis.wrong_probability(), open })
}

/// What is said of the voltage leads and the supply, with the number of states left; `None` while no fault is said.
pub fn voltage(leads: &VoltageDiagnosis) -> Option<(Statement, usize)> {
    let group = leads.fault()?;
    let settled = group.probability >= bars::ONE_WIRING;
    let said = if settled {
        Statement { claim: Claim::VoltageStates(group.states.clone()), probability: group.probability }
    } else {
        let probability = 1.0 - leads.sound() - leads.none_of_these;
        Statement { claim: Claim::VoltageFault, probability }
    };
    let open = leads.ranked.iter().filter(|(_, probability)| *probability >= bars::LISTED).count();
    Some((said, open))
}

/// A claim about wirings with its probability by the diagnosis.
pub fn statement(diagnosis: &Diagnosis, claim: Claim) -> Statement {
    let sum = |holds: &dyn Fn(&Wiring) -> bool| -> f64 {
        diagnosis.members().filter(|m| holds(&m.wiring)).map(|m| m.probability).sum()
    };
    let probability = match &claim {
        Claim::MeteringCorrect => diagnosis.sound_probability,
        Claim::PowerWrong => diagnosis.wrong_probability(),
        Claim::NoWiringFits => diagnosis.unexplained_probability,
        Claim::WiringIs(wiring) => sum(&|w| w == wiring),
        Claim::SupplyPhaseLost(phase) => sum(&|w| w.lost_phase == Some(*phase)),
        // Claims about voltages are not of this posterior.
        Claim::VoltageStates(_) | Claim::VoltageFault => 0.0,
    };
    Statement { claim, probability }
}

/// Wirings worth a person's time, most probable first, each with the probability of exactly this wiring.
pub fn listed(diagnosis: &Diagnosis) -> Vec<RankedWiring> {
    let mut listed: Vec<RankedWiring> =
        diagnosis.members().filter(|m| m.probability >= bars::LISTED).copied().collect();
    listed.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    listed
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::audit::testbench::{LoadState, Offer, audit, context_for, posterior};

    fn assessment(diagnosis: &Diagnosis) -> Assessment {
        let context = context_for(Offer::Full);
        let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
        Assessment { diagnosis: diagnosis.clone(), ..audit(&context, &Wiring::INTENDED, Offer::Full, &states) }
    }

    /// What a claim's probability is by the posterior itself, worked out anew from its members.
    fn probability(diagnosis: &Diagnosis, claim: &Claim) -> f64 {
        let of = |holds: &dyn Fn(&RankedWiring) -> bool| -> f64 {
            let members = diagnosis.groups.iter().flat_map(|g| &g.members);
            members.filter(|m| holds(m)).map(|m| m.probability).sum()
        };
        match claim {
            Claim::MeteringCorrect => of(&|m| m.power_right),
            Claim::PowerWrong => of(&|m| !m.power_right),
            Claim::NoWiringFits => 1.0 - of(&|_| true),
            Claim::WiringIs(wiring) => of(&|m| m.wiring == *wiring),
            Claim::SupplyPhaseLost(phase) => of(&|m| m.wiring.lost_phase == Some(*phase)),
            Claim::VoltageStates(_) | Claim::VoltageFault => panic!("no claim about wirings"),
        }
    }

    proptest! {
        /// Every statement has the probability of exactly its claim, and no wiring is named below the bar.
        #[test]
        fn a_statement_has_the_probability_of_its_claim((_, diagnosis) in posterior::drawn()) {
            let assessment = assessment(&diagnosis);
            let (mut said, mut named) = (Vec::new(), None);
            match conclusion(&assessment) {
                Conclusion::Correct { said: one, lost_phase } => said.extend([Some(one), lost_phase]),
                Conclusion::FitsNone { said: one, .. } => said.push(Some(one)),
                Conclusion::Undecided { correct, wrong, lost_phase } => said.extend([Some(correct), Some(wrong), lost_phase]),
                Conclusion::Wiring(WiringFault::Settled { wiring, probability }) => {
                    named = Some(wiring);
                    said.push(Some(Statement { claim: Claim::WiringIs(wiring), probability }));
                }
                Conclusion::Wiring(WiringFault::NotSettled { wrong, .. }) => {
                    said.push(Some(Statement { claim: Claim::PowerWrong, probability: wrong }));
                }
                Conclusion::Voltage { .. } | Conclusion::NoEvidence { .. } | Conclusion::Numbers(_) => {}
            }
            for one in said.into_iter().flatten() {
                let true_probability = probability(&diagnosis, &one.claim);
                prop_assert!((one.probability - true_probability).abs() < 1e-9, "{one:?} for {true_probability}");
            }
            if let Some(wiring) = named {
                prop_assert!(probability(&diagnosis, &Claim::WiringIs(wiring)) >= bars::ONE_WIRING);
            }
            for one in listed(&diagnosis) {
                prop_assert!((one.probability - probability(&diagnosis, &Claim::WiringIs(one.wiring))).abs() < 1e-9);
            }
        }
    }
}
