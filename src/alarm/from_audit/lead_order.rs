//! The order of a monitor's voltage leads, as all its circuits together tell it, and what is left to blame on one circuit.
//!
//! The audit lets the circuits of a monitor tell each other what they find of the leads they share, so each circuit's
//! diagnosis holds the probability of an order that follows from all of them: it is read off here, never worked out anew.

use crate::audit::assessment::{Assessment, Diagnosis, RankedWiring, Verdict};
use crate::audit::bars;
use crate::audit::wiring::Wiring;
use crate::audit::words;
use crate::reading::Phase;

/// An order of the leads is told as the root cause from this probability on ...
const TOLD_FROM: f64 = bars::ONE_WIRING;
/// ... and until it is below this, so that it does not come and go.
const KEPT_UNTIL: f64 = bars::LEADS_CLEARED;
/// One circuit's own fault beside the leads is blamed on it from this probability on; below the other it has none.
const OWN_FROM: f64 = bars::ONE_WIRING;
const OWN_UNTIL: f64 = bars::LIKELIER_THAN_NOT;
/// A circuit of which most is unexplained has no say.
const EXPLAINED: f64 = bars::LIKELIER_THAN_NOT;
/// From this probability on one wiring is named as the fault; below it nothing is moved.
pub(super) const SETTLED_SHARE: f64 = bars::ONE_WIRING;

/// What is known of the order of the leads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum LeadOrder {
    /// No circuit has been judged.
    NotJudged,
    /// As intended, or nothing is metered wrong by it.
    Right,
    /// The evidence does not tell leads from current sensors.
    Open,
    /// The leads are on these phases, and that spoils what is metered.
    Wrong {
        /// Phase of each lead.
        order: [Phase; 3],
        /// Probability of exactly this order, by the most doubtful circuit.
        probability: f64,
        /// Probability that the order is another than intended, by the most doubtful circuit.
        any: f64,
    },
}

/// What is wrong at one circuit beside the order of its monitor's leads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum OwnFault {
    /// Nothing.
    None,
    /// It cannot be told.
    Open,
    /// This, with its voltage leads taken for right.
    Found {
        /// What is wrong.
        wiring: Wiring,
        /// It is sure which lead it is.
        settled: bool,
        /// Probability that anything is, whatever the order of the leads.
        probability: f64,
        /// Probability of exactly this, with the leads in their order.
        share: f64,
    },
}

/// The order as the circuits tell it. `held`: it is told already.
pub(super) fn of(assessments: &[&Assessment], held: bool) -> LeadOrder {
    let judged: Vec<&Diagnosis> = assessments
        .iter()
        .filter(|a| !a.outdated)
        .map(|a| &a.diagnosis)
        .filter(|d| d.verdict != Verdict::NoEvidence && explained(d) > EXPLAINED)
        .collect();
    if judged.is_empty() {
        return LeadOrder::NotJudged;
    }
    // They agree but for what people found at single pumps, and then the most doubtful counts.
    let least = |order| judged.iter().map(|d| share_of(d, order)).fold(1.0, f64::min);
    let orders = judged.iter().flat_map(|d| members(d)).map(|m| m.wiring.voltage);
    let wrong = orders.filter(|order| *order != Phase::ALL).map(|order| (order, least(order)));
    let Some((order, share)) = wrong.max_by(|a, b| a.1.total_cmp(&b.1)) else { return LeadOrder::Right };
    let spoils = judged.iter().any(|d| words::wrong_wiring(d).is_some());
    if !spoils || share < 1.0 - TOLD_FROM {
        LeadOrder::Right
    } else if share >= if held { KEPT_UNTIL } else { TOLD_FROM } {
        // Of what explains the readings that is its share; what is said is said with its probability.
        let least = |holds: &dyn Fn(&Wiring) -> bool| judged.iter().map(|d| sum_of(d, holds)).fold(1.0, f64::min);
        let (probability, any) = (least(&|w| w.voltage == order), least(&|w| w.voltage != Phase::ALL));
        LeadOrder::Wrong { order, probability, any }
    } else {
        LeadOrder::Open
    }
}

/// What is wrong at a circuit itself when the leads of its monitor are in this order.
pub(super) fn own_fault(diagnosis: &Diagnosis, order: [Phase; 3]) -> OwnFault {
    let alone = |m: &RankedWiring| Wiring { voltage: Phase::ALL, ..m.wiring };
    let in_order: Vec<(Wiring, f64)> =
        members(diagnosis).filter(|m| m.wiring.voltage == order).map(|m| (alone(m), m.probability)).collect();
    let sum = |list: &[(Wiring, f64)]| list.iter().map(|(_, p)| p).sum::<f64>();
    let faulty: Vec<(Wiring, f64)> = in_order.iter().copied().filter(|(w, _)| *w != w.intended()).collect();
    let (all, wrong) = (sum(&in_order), sum(&faulty));
    let Some((wiring, leading)) = faulty.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1)) else {
        return if all > 0.0 { OwnFault::None } else { OwnFault::Open };
    };
    match wrong / all {
        of_order if of_order >= OWN_FROM => {
            let probability =
                members(diagnosis).filter(|m| alone(m) != alone(m).intended()).map(|m| m.probability).sum();
            OwnFault::Found { wiring, settled: leading >= SETTLED_SHARE, probability, share: leading }
        }
        of_order if of_order < OWN_UNTIL => OwnFault::None,
        _ => OwnFault::Open,
    }
}

fn members(diagnosis: &Diagnosis) -> impl Iterator<Item = &RankedWiring> {
    diagnosis.groups.iter().flat_map(|group| &group.members)
}

fn explained(diagnosis: &Diagnosis) -> f64 {
    members(diagnosis).map(|m| m.probability).sum()
}

/// Probability of all wirings of a kind.
fn sum_of(diagnosis: &Diagnosis, holds: &dyn Fn(&Wiring) -> bool) -> f64 {
    members(diagnosis).filter(|m| holds(&m.wiring)).map(|m| m.probability).sum()
}

/// Probability of an order of the leads, among the wirings that explain the readings.
fn share_of(diagnosis: &Diagnosis, order: [Phase; 3]) -> f64 {
    let of_order: f64 = members(diagnosis).filter(|m| m.wiring.voltage == order).map(|m| m.probability).sum();
    of_order / explained(diagnosis)
}
