//! What people found at the panel, as evidence: the posterior over wirings after their checks.
//!
//! Pure. Starts from the groups of a diagnosis; what these leave out, and what no wiring explains, weighs in as the rest, so
//! that checks which contradict every wiring end in "none of these" and never in the least bad one.

use std::sync::Arc;

use super::assessment::{Assessment, Diagnosis, RankedWiring, Verdict, WiringGroup};
use super::diagnosis::{INDISTINGUISHABLE, verdict};
use super::field_check::{FieldCheck, Finding};
use super::hypotheses::UNEXPLAINED_PRIOR;
use super::uncorrected::Uncorrected;
use super::wiring::Wiring;
use super::words;

/// What one check showed, and how often such a check is got wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// The check.
    pub check: FieldCheck,
    /// What it showed.
    pub finding: Finding,
    /// How often it shows something else than the truth, 0..1.
    pub error_rate: f64,
}

/// A diagnosis after the outcomes. One with nothing to go by stays as it is: checks refine evidence, they do not replace it.
pub fn with_outcomes(diagnosis: &Diagnosis, outcomes: &[Outcome]) -> Diagnosis {
    if outcomes.is_empty() || diagnosis.verdict == Verdict::NoEvidence || diagnosis.groups.is_empty() {
        return diagnosis.clone();
    }
    let ln_of = |wiring: &Wiring| -> f64 {
        outcomes.iter().map(|o| o.check.likelihood_with(o.finding, wiring, o.error_rate).ln()).sum()
    };
    // Whoever knows nothing of the wiring expects any of a check's results alike.
    let ln_rest: f64 = outcomes.iter().map(|o| -(o.check.possible().len() as f64).ln()).sum();
    let told: f64 = diagnosis.groups.iter().flat_map(|g| &g.members).map(|m| m.probability).sum();
    // However sure the readings make it, what is behind them (map, nameplate, what the monitor really measures) was taken on
    // trust: the prior of the unexplained stands again when a person has looked.
    let rest = (1.0 - told).max(UNEXPLAINED_PRIOR) * ln_rest.exp();
    let mut groups: Vec<WiringGroup> = Vec::new();
    for group in diagnosis.groups.iter() {
        let mut open: Vec<(f64, RankedWiring)> = group.members.iter().map(|m| (ln_of(&m.wiring), *m)).collect();
        // Members that the checks tell apart are no longer one group.
        while let Some(leader) = open.iter().map(|(ln, _)| *ln).reduce(f64::max) {
            let (together, apart) = open.into_iter().partition(|(ln, _)| leader - ln < INDISTINGUISHABLE.ln());
            open = apart;
            groups.push(regrouped(together));
        }
    }
    let total: f64 = groups.iter().map(|g| g.probability).sum::<f64>() + rest;
    let scale = 1.0 / total;
    for group in &mut groups {
        group.probability *= scale;
        for member in &mut group.members {
            member.probability *= scale;
        }
    }
    groups.retain(|g| g.probability >= super::bars::KEPT);
    groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let sound_probability =
        groups.iter().flat_map(|g| &g.members).filter(|m| m.power_right).map(|m| m.probability).sum::<f64>().min(1.0);
    let unexplained_probability = rest * scale;
    Diagnosis {
        verdict: verdict(diagnosis.level, sound_probability, unexplained_probability, diagnosis.readings_used),
        groups: Arc::from(groups),
        sound_probability,
        unexplained_probability,
        ..diagnosis.clone()
    }
}

fn regrouped(members: Vec<(f64, RankedWiring)>) -> WiringGroup {
    let mut members: Vec<RankedWiring> =
        members.into_iter().map(|(ln, m)| RankedWiring { probability: m.probability * ln.exp(), ..m }).collect();
    members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    WiringGroup {
        probability: members.iter().map(|m| m.probability).sum(),
        power_right: members.iter().all(|m| m.power_right),
        members,
    }
}

/// An assessment after the outcomes. Corrected power is withheld when another kind of wiring leads than the one it was
/// computed for, or when the checks leave the wiring in doubt.
pub fn assess(assessment: &Assessment, outcomes: &[Outcome]) -> Assessment {
    let mut diagnosis = with_outcomes(&assessment.diagnosis, outcomes);
    // Wrong numbers stay wrong whatever the wiring.
    if !words::hard_findings(&assessment.findings).is_empty() && diagnosis.verdict != Verdict::NoEvidence {
        diagnosis.verdict = Verdict::Fault;
    }
    let refuted = !outcomes.is_empty() && refuted(&assessment.diagnosis, &diagnosis);
    let corrected = if refuted { None } else { assessment.corrected };
    let uncorrected =
        if refuted && assessment.corrected.is_some() { Some(Uncorrected::Refuted) } else { assessment.uncorrected };
    Assessment { diagnosis, corrected, uncorrected, ..assessment.clone() }
}

/// True when what was corrected under the diagnosis before the outcomes does not hold after them: another kind of wiring leads,
/// or none leads clearly.
pub fn refuted(before: &Diagnosis, after: &Diagnosis) -> bool {
    let leader = |d: &Diagnosis| d.groups.first().and_then(|g| g.members.first()).map(|m| (m.class, m.wiring.gain));
    let doubtful = after.groups.first().is_none_or(|g| g.probability < super::bars::CORRECTED_POWER);
    doubtful || leader(after) != leader(before)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::testbench::{LoadState, Offer, audit, context_for, relative_wirings};
    use crate::reading::Phase;

    fn audited(offer: Offer, wiring: &Wiring) -> Assessment {
        let context = context_for(offer);
        let states = [1.0, 0.7].map(|load| LoadState::motor(&context, load));
        audit(&context, wiring, offer, &states)
    }

    /// All the outcomes a careful person would bring home.
    fn truthful(wiring: &Wiring) -> Vec<Outcome> {
        FieldCheck::all()
            .into_iter()
            .map(|check| Outcome { check, finding: check.shows(wiring), error_rate: 0.02 })
            .collect()
    }

    #[test]
    fn checks_settle_what_blank_power_leaves_open() {
        let truth = relative_wirings()[8];
        let before = audited(Offer::Blanking, &truth);
        assert!(before.diagnosis.groups[0].members[0].probability < 0.9);
        let after = assess(&before, &truthful(&truth));
        assert_eq!(after.diagnosis.groups[0].members[0].wiring, truth);
        assert!(after.diagnosis.groups[0].members[0].probability > 0.99);
        assert_eq!(after.diagnosis.verdict, Verdict::Fault);
        let sum: f64 = after.diagnosis.groups.iter().flat_map(|g| &g.members).map(|m| m.probability).sum();
        assert!(sum + after.diagnosis.unexplained_probability < 1.0 + 1e-9);
    }

    #[test]
    fn checks_that_contradict_every_reading_end_in_none_of_these() {
        let (told, found) = (relative_wirings()[8], relative_wirings()[47]);
        let before = audited(Offer::Full, &told);
        let mut outcomes = truthful(&found);
        outcomes.retain(|o| o.finding != o.check.shows(&told));
        assert!(outcomes.len() >= 4);
        let after = assess(&before, &outcomes);
        assert!(after.diagnosis.unexplained_probability > 0.5, "{:?}", after.diagnosis);
        assert_ne!(after.diagnosis.verdict, Verdict::Sound);
        assert_eq!(after.corrected, None);
    }

    #[test]
    fn one_wrong_answer_does_not_upset_a_sure_diagnosis() {
        let truth = relative_wirings()[8];
        let before = audited(Offer::Full, &truth);
        let wrong = Outcome {
            check: FieldCheck::CtLeadTrace(1),
            finding: Finding::FromPhase(Phase::B),
            error_rate: crate::audit::field_check::ERROR_RATE,
        };
        let after = assess(&before, &[wrong]);
        assert_eq!(after.diagnosis.groups[0].members[0].wiring, truth, "{:#?}", after.diagnosis.groups);
        assert_eq!(after.diagnosis.verdict, Verdict::Fault, "{:#?}", after.diagnosis);
        assert!(after.diagnosis.groups[0].probability < before.diagnosis.groups[0].probability);
        let confirmed = assess(&before, &truthful(&truth));
        assert_eq!(confirmed.corrected, before.corrected);
        assert!(confirmed.corrected.is_some());
    }

    #[test]
    fn no_check_changes_nothing() {
        let before = audited(Offer::Totals, &relative_wirings()[3]);
        assert_eq!(assess(&before, &[]), before);
        assert_eq!(with_outcomes(&before.diagnosis, &[]), before.diagnosis);
    }
}
