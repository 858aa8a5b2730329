//! What an assessment concludes, as the body of a report: leads, how sure, what else, why, checks, advice, corrected power.
//!
//! Whoever prints it prints the cautions first. Must never decide anything.

use crate::audit::advice;
use crate::audit::assessment::{
    Assessment, CorrectedPower, Diagnosis, Finding, Outcome, RankedWiring, RunState, Verdict,
};
use crate::audit::bars;
use crate::audit::blame::{failed, wrong_wiring};
use crate::audit::context::ServiceKind;
use crate::audit::field_check::FieldCheck;
use crate::audit::installation::Installation;
use crate::audit::joint::JointRanking;
use crate::audit::open_ct;
use crate::audit::proof::Proof;
use crate::audit::statement;
use crate::audit::uncorrected::Uncorrected;
use crate::audit::voltage_lead::VoltageDiagnosis;
use crate::audit::words;
use crate::config::checks::RecordedCheck;
use crate::faces::json::rfc3339;
use crate::faces::leads::lead_by_lead;
use crate::faces::sentences::{failed_words, lost_phase_words, recorded_words, remedy_on_sheet};
use crate::faces::text::{line, paragraph, plural};
use crate::reading::Phase;

/// More alternatives than this are counted, not listed.
const ALTERNATIVES: usize = 8;
/// The most reasons worth a line.
const REASONS: usize = 5;

/// Whose conclusions they are.
#[derive(Debug, Clone, Copy)]
pub struct Subject<'a> {
    /// Station.
    pub station: &'a str,
    /// Circuit.
    pub circuit: &'a str,
    /// What a person meets at its panel.
    pub installation: &'a Installation,
}

/// What an assessment concludes, lead by lead, with the evidence behind it. Whoever prints it prints the cautions first.
pub fn conclusions(assessment: &Assessment, subject: Subject) -> String {
    let mut out = String::new();
    hazard_text(&mut out, assessment, subject.installation);
    conclusions_text(&mut out, assessment, subject, &[], true);
    out
}

/// The CTs that may be open and live now: before all else that is said of the circuit.
pub(super) fn hazard_text(out: &mut String, assessment: &Assessment, installation: &Installation) {
    for suspect in open_ct::possibly_open(assessment, installation) {
        paragraph(out, "  HAZARD: ", &words::open_ct_words(&suspect));
    }
}

pub(super) fn conclusions_text(
    out: &mut String,
    assessment: &Assessment,
    subject: Subject,
    checks: &[RecordedCheck],
    live: bool,
) {
    let run_state = if live { assessment.run_state } else { RunState::Unknown };
    line(out, &format!("  Pump: {}", words::run_state_words(run_state)));
    diagnosis_text(out, &assessment.diagnosis, subject.installation.service);
    reasons_text(out, &assessment.diagnosis);
    if let Some(leads) = assessment.voltage_leads.as_deref() {
        voltage_leads_text(out, leads, subject.installation);
    }
    if let Some(joint) = assessment.joint.as_deref().filter(|_| assessment.diagnosis.verdict != Verdict::Sound) {
        joint_text(out, joint);
    }
    if let Some(proof) = &assessment.proof {
        proof_text(out, proof);
    }
    checks_text(out, checks, &assessment.diagnosis);
    let done: Vec<FieldCheck> = checks.iter().map(|check| check.outcome.check).collect();
    advice_text(out, assessment, subject, &done);
    findings_text(out, &assessment.findings, live);
    let why = if live { assessment.uncorrected } else { Some(Uncorrected::NotLive) };
    match (&assessment.corrected, why) {
        (Some(power), None) => corrected_text(out, power),
        (_, why) => {
            let why = why.unwrap_or(Uncorrected::NoReadings).words();
            paragraph(out, "  ", &format!("Corrected power: none ({why})"));
        }
    }
}

fn diagnosis_text(out: &mut String, diagnosis: &Diagnosis, service: ServiceKind) {
    // A list of leads reads like a fact, so it stands only where one wiring is settled.
    let settled = diagnosis.settled().filter(|_| leads_tell(diagnosis));
    if let Some(settled) = settled {
        line(out, &format!("  Lead by lead ({})", words::confidence(settled.probability)));
        for lead in lead_by_lead(&settled.wiring, service) {
            line(out, &format!("    {}", lead.words));
        }
    }
    line(out, "  Confidence");
    if diagnosis.readings_used == 0 {
        line(out, "    no steady reading of the running pump yet");
        return;
    }
    line(out, &format!("    metering is correct: {}", words::percent(diagnosis.sound_probability)));
    line(out, &format!("    power is metered wrong: {}", words::percent(diagnosis.wrong_probability())));
    line(out, &format!("    no wiring considered explains it: {}", words::percent(diagnosis.unexplained_probability)));
    line(
        out,
        &format!(
            "    based on {} steady readings at {} load level{}; the map offers {}",
            diagnosis.readings_used,
            diagnosis.load_levels,
            plural(diagnosis.load_levels),
            words::level_words(diagnosis.level)
        ),
    );
    let listed = statement::listed(diagnosis);
    match settled {
        Some(settled) => {
            let others: Vec<RankedWiring> = listed.into_iter().filter(|m| m.wiring != settled.wiring).collect();
            wirings_text(out, "What else it could be (probability of each)", &others);
        }
        None => {
            wirings_text(
                out,
                "Wirings that are possible (probability of each; none is settled, move nothing)",
                &listed,
            );
        }
    }
}

/// A fault that no lead is blamed for is told by its numbers; a list of leads "as they should be" would deny it.
fn leads_tell(diagnosis: &Diagnosis) -> bool {
    match diagnosis.verdict {
        Verdict::NoEvidence => false,
        Verdict::Fault => wrong_wiring(diagnosis).is_some(),
        Verdict::Sound | Verdict::Undecided => true,
    }
}

/// Wirings with the probability of each.
fn wirings_text(out: &mut String, title: &str, wirings: &[RankedWiring]) {
    if wirings.is_empty() {
        return;
    }
    line(out, &format!("  {title}"));
    for one in wirings.iter().take(ALTERNATIVES) {
        let text = format!("{}: {}", words::percent(one.probability), words::describe_wiring(&one.wiring));
        paragraph(out, "    ", &text);
    }
    if wirings.len() > ALTERNATIVES {
        line(out, &format!("    and {} more of 1 % or above", wirings.len() - ALTERNATIVES));
    }
}

/// Why: what each piece of evidence speaks for the leader.
fn reasons_text(out: &mut String, diagnosis: &Diagnosis) {
    if diagnosis.why.is_empty() || diagnosis.verdict == Verdict::NoEvidence {
        return;
    }
    let leader = diagnosis.leader();
    let claim = if leader.is_some_and(|m| m.power_right) { "metering is correct" } else { "power is metered wrong" };
    line(out, &format!("  Why (odds that {claim}, from each piece of evidence)"));
    for reason in diagnosis.why.iter().take(REASONS) {
        let words = words::reason_words(reason.kind);
        line(out, &format!("    {words}: {}", words::odds_words(reason.decibans)));
    }
}

fn voltage_leads_text(out: &mut String, leads: &VoltageDiagnosis, installation: &Installation) {
    if leads.fault().is_none() {
        return;
    }
    line(out, "  Voltage leads");
    for (state, probability) in leads.ranked.iter().filter(|(_, p)| *p >= bars::LISTED).take(ALTERNATIVES) {
        paragraph(out, "    ", &format!("{}: {}", words::percent(*probability), state.words()));
    }
    if let Some(check) = leads.next_check(installation) {
        paragraph(out, "    ", &format!("next check (see the cautions above): {}", check.words(installation)));
    }
}

/// The most probable wirings of all circuits of the monitor together.
fn joint_text(out: &mut String, joint: &JointRanking) {
    let Some(best) = joint.best.first() else { return };
    if best.probability < bars::ONE_WIRING {
        let text =
            format!("not settled; the most probable combination of wirings has {}", words::percent(best.probability));
        return paragraph(out, "  ", &format!("All circuits of the monitor together: {text}"));
    }
    line(out, &format!("  All circuits of the monitor together ({})", words::confidence(best.probability)));
    for (n, wiring) in best.wirings.iter().enumerate() {
        let words = wiring.as_ref().map_or("none of the wirings considered".to_owned(), words::describe_wiring);
        paragraph(out, "    ", &format!("circuit {} of the monitor: {words}", n + 1));
    }
    let next = joint.best.get(1).map_or(joint.others_at_most, |next| next.probability);
    line(out, &format!("    any other combination: at most {}", words::percent(next)));
}

/// What a change of the wiring came to.
fn proof_text(out: &mut String, proof: &Proof) {
    line(out, &format!("  Change of the wiring, {}", rfc3339(proof.changed_at.wall)));
    paragraph(out, "    ", &words::proof_words(proof));
}

fn checks_text(out: &mut String, checks: &[RecordedCheck], diagnosis: &Diagnosis) {
    if checks.is_empty() {
        return;
    }
    let counted = diagnosis.verdict != Verdict::NoEvidence;
    line(
        out,
        if counted {
            "  Found at the panel, and counted"
        } else {
            "  Found at the panel, not counted before the pump has been seen running"
        },
    );
    for check in checks {
        paragraph(out, "    ", &recorded_words(check));
    }
}

/// What to check next, or where the remedy stands. The cautions stand before the whole report.
fn advice_text(out: &mut String, assessment: &Assessment, subject: Subject, done: &[FieldCheck]) {
    let advice = advice::advice(assessment, subject.installation, done);
    if !advice.checks.is_empty() {
        line(out, "  Next check (see the cautions above)");
    }
    for (n, worth) in advice.checks.iter().enumerate() {
        let words = worth.check.words(subject.installation);
        paragraph(out, &format!("    {}. ", n + 1), &format!("{words} [{}]", worth.words()));
    }
    if let Some(remedy) = &advice.remedy {
        line(out, &format!("  Remedy, only if confirmed ({})", words::confidence(remedy.probability)));
        paragraph(out, "    ", &remedy_on_sheet(subject.station, subject.circuit));
    }
    if let Some(phase) = advice.lost_phase {
        line(out, "  Remedy (see the cautions above)");
        paragraph(out, "    ", &lost_phase_words(phase));
    }
}

fn findings_text(out: &mut String, findings: &[Finding], live: bool) {
    let failed = failed(findings, |_| true);
    if failed.is_empty() {
        line(out, "  Failing checks: none");
    } else {
        line(out, "  Failing checks");
        for finding in failed {
            paragraph(out, "    ", &failed_words(finding));
        }
    }
    if !live {
        return; // Nothing is checkable without values; the failed reads are told above.
    }
    let mut missing: Vec<String> = Vec::new();
    for finding in findings {
        if let Outcome::NotCheckable(why) = &finding.outcome {
            let text = format!("{}: {why}", words::check_title(finding.check));
            if !missing.contains(&text) {
                missing.push(text);
            }
        }
    }
    if !missing.is_empty() {
        line(out, "  Not checkable");
        for text in missing {
            paragraph(out, "    ", &text);
        }
    }
}

fn corrected_text(out: &mut String, power: &CorrectedPower) {
    line(out, "  Corrected power (as the intended wiring would meter it)");
    for phase in Phase::ALL {
        let s = power.per_phase_va[phase.index()] / 1000.0;
        line(out, &format!("    phase {}  {:>9.2} kW {:>9.2} kvar", phase.label(), s.re, s.im));
    }
    line(
        out,
        &format!(
            "    total    {:>9.2} kW {:>9.2} kvar   PF {:.3}   (+/- {:.2} kW)",
            power.total_w / 1000.0,
            power.total_var / 1000.0,
            power.power_factor,
            power.uncertainty_w / 1000.0
        ),
    );
}
