//! The one line that says what is wrong and how sure. Must never decide anything.

use super::{confidence, describe_wiring, moment_line, percent};
use crate::audit::assessment::{Assessment, Check, Finding, RunState, Verdict};
use crate::audit::blame::{failed, hard_findings, is_hard, likely_members, lost_phase, wrong_wiring};
use crate::audit::voltage_lead::VoltageDiagnosis;

/// One line for a log or a list: what is wrong and how sure, without station and pump (the caller adds them).
pub fn headline(assessment: &Assessment) -> String {
    if let Some(line) = assessment.voltage_leads.as_deref().and_then(voltage_line) {
        return line;
    }
    let line = diagnosis_line(assessment);
    if assessment.outdated {
        return format!("no steady run since leads of its monitor were moved; before that: {line}");
    }
    line
}

fn diagnosis_line(assessment: &Assessment) -> String {
    let diagnosis = &assessment.diagnosis;
    let wrong_numbers = hard_findings(&assessment.findings);
    match diagnosis.verdict {
        Verdict::NoEvidence => {
            let repeated = assessment.one_moment.as_ref();
            if let Some(moment) = repeated.filter(|_| wrong_numbers.is_empty()) {
                return moment_line(moment);
            }
            if wrong_numbers.is_empty() {
                let why = match assessment.run_state {
                    RunState::Stopped => "the pump has not been seen running",
                    RunState::Starting => "the pump is starting",
                    _ => "too few usable readings",
                };
                format!("not enough data yet: {why}")
            } else {
                format!("not enough data for a diagnosis yet, but {}", list(&wrong_numbers))
            }
        }
        Verdict::Sound => {
            let sure = confidence(diagnosis.sound_probability);
            match lost_phase(diagnosis) {
                None => format!("OK: metering is correct ({sure})"),
                Some(lost) => format!(
                    "metering is correct ({sure}), but phase {} of the supply to the pump is lost: it runs on two phases",
                    lost.label()
                ),
            }
        }
        Verdict::Undecided if diagnosis.unexplained_probability > 0.5 => format!(
            "the readings fit no wiring considered ({}); check CT ratios, load, map and monitor{}",
            confidence(diagnosis.unexplained_probability),
            also(&failed(&assessment.findings, |f| is_hard(f) || f.check == Check::CurrentBalance))
        ),
        Verdict::Undecided => format!(
            "cannot tell yet: {} that metering is correct{}",
            percent(diagnosis.sound_probability),
            diagnosis
                .groups
                .first()
                .map_or_else(String::new, |g| format!("; most likely {}", describe_wiring(&g.members[0].wiring)))
        ),
        Verdict::Fault => fault_line(assessment, &wrong_numbers),
    }
}

/// What is wrong with the voltage leads or the supply, when that is as good as certain.
pub fn voltage_line(leads: &VoltageDiagnosis) -> Option<String> {
    let (states, probability) = voltage_fault(leads)?;
    let unsettled = if states.contains(", or ") { "; the readings do not tell which" } else { "" };
    Some(format!("{states} ({}{unsettled})", confidence(probability)))
}

/// The same without how sure it is, and that as a probability.
pub fn voltage_fault(leads: &VoltageDiagnosis) -> Option<(String, f64)> {
    let group = leads.fault()?;
    let states: Vec<String> = group.states.iter().take(3).map(|state| state.words()).collect();
    let more = if group.states.len() > 3 { " (or another of its kind)" } else { "" };
    Some((format!("{}{more}", states.join(", or ")), group.probability))
}

fn fault_line(assessment: &Assessment, wrong_numbers: &[&Finding]) -> String {
    let diagnosis = &assessment.diagnosis;
    let Some(group) = wrong_wiring(diagnosis) else {
        return if wrong_numbers.is_empty() { "power is metered wrong".to_owned() } else { list(wrong_numbers) };
    };
    let leader = &group.members[0];
    let first = describe_wiring(&leader.wiring);
    let likely = likely_members(group).count();
    if likely <= 1 || leader.probability > 0.9 * group.probability {
        // Of this wiring, and not of all that fit alike: it is named alone.
        format!("{first} ({})", confidence(leader.probability))
    } else {
        format!(
            "power is metered wrong ({}); which lead is not settled: {likely} wirings fit equally well, most likely {first} ({})",
            confidence(1.0 - diagnosis.sound_probability - diagnosis.unexplained_probability),
            percent(leader.probability)
        )
    }
}

fn list(findings: &[&Finding]) -> String {
    findings.iter().map(|f| f.detail.to_string()).collect::<Vec<_>>().join("; ")
}

fn also(findings: &[&Finding]) -> String {
    if findings.is_empty() { String::new() } else { format!(". Also: {}", list(findings)) }
}
