//! The one line that says what is wrong and with which confidence. Renders what `statement` concludes; must never decide
//! anything.

use super::{confidence, describe_wiring, moment_line, percent};
use crate::audit::advice;
use crate::audit::assessment::{Assessment, Finding, RunState, Verdict};
use crate::audit::field_check::FieldCheck;
use crate::audit::installation::Installation;
use crate::audit::statement::{self, Claim, Conclusion, Open, Statement, WiringFault};
use crate::audit::voltage_lead::{VoltageDiagnosis, VoltageState};

/// States of the voltage leads named in one sentence.
const STATES: usize = 3;

/// One line for a log or a list: what is wrong and with which confidence, without station and pump (the caller adds them).
pub fn headline(assessment: &Assessment) -> String {
    let conclusion = statement::conclusion(assessment);
    let line = match (&conclusion, &assessment.one_moment) {
        (Conclusion::NoEvidence { wrong_numbers, .. }, Some(moment)) if wrong_numbers.is_empty() => moment_line(moment),
        _ => conclusion_words(&conclusion),
    };
    if assessment.outdated && !matches!(conclusion, Conclusion::Voltage { .. }) {
        return format!("no steady run since leads of its monitor were moved; before that: {line}");
    }
    line
}

/// The same with the check that would settle most, where no wiring is settled. The check stands there by its title alone: how
/// it is made is printed behind the cautions. `done`: checks that were made already, which are not proposed again.
pub fn headline_with_check(assessment: &Assessment, installation: &Installation, done: &[FieldCheck]) -> String {
    let line = headline(assessment);
    match next_check(assessment, installation, done) {
        Some(title) => format!("{line}; next check: {title}"),
        None => line,
    }
}

fn next_check(assessment: &Assessment, installation: &Installation, done: &[FieldCheck]) -> Option<String> {
    let open = match statement::conclusion(assessment) {
        Conclusion::Wiring(WiringFault::NotSettled { .. }) | Conclusion::Undecided { .. } => !assessment.outdated,
        _ => false,
    };
    let best = open.then(|| advice::advice(assessment, installation, done).checks.into_iter().next())??;
    Some(best.check.title())
}

fn conclusion_words(conclusion: &Conclusion) -> String {
    match conclusion {
        Conclusion::Voltage { said, open } => voltage_words(said, *open),
        Conclusion::NoEvidence { run_state, wrong_numbers } if wrong_numbers.is_empty() => {
            let why = match run_state {
                RunState::Stopped => "the pump has not been seen running",
                RunState::Starting => "the pump is starting",
                RunState::Running | RunState::Unknown => "too few usable readings",
            };
            format!("{}: {why}", super::verdict_words(Verdict::NoEvidence))
        }
        Conclusion::NoEvidence { wrong_numbers, .. } => {
            format!("not enough data for a diagnosis yet, but {}", list(wrong_numbers))
        }
        Conclusion::Correct { said, lost_phase: None } => {
            format!("OK: metering is correct ({})", confidence(said.probability))
        }
        Conclusion::Correct { said, lost_phase: Some(lost) } => {
            format!("{}; metering is correct ({})", statement_words(lost), confidence(said.probability))
        }
        Conclusion::FitsNone { said, also } => {
            let also = if also.is_empty() { String::new() } else { format!(". Also: {}", list(also)) };
            format!("{}; check CT ratios, load, map and monitor{also}", statement_words(said))
        }
        Conclusion::Undecided { correct, wrong, lost_phase } => {
            let lost = lost_phase.as_ref().map_or_else(String::new, |lost| format!("; {}", statement_words(lost)));
            format!(
                "cannot tell yet: metering is correct {}, power is metered wrong {}{lost}",
                percent(correct.probability),
                percent(wrong.probability)
            )
        }
        Conclusion::Wiring(fault) => wiring_fault_words(fault),
        Conclusion::Numbers(numbers) if numbers.is_empty() => "power is metered wrong".to_owned(),
        Conclusion::Numbers(numbers) => list(numbers),
    }
}

/// What is wrong with leads, ratios or registers: the wiring, where one is settled, else how many are left.
pub fn wiring_fault_words(fault: &WiringFault) -> String {
    match fault {
        WiringFault::Settled { wiring, probability } => {
            statement_words(&Statement { claim: Claim::WiringIs(*wiring), probability: *probability })
        }
        WiringFault::NotSettled { wrong, open } => {
            let wrong = statement_words(&Statement { claim: Claim::PowerWrong, probability: *wrong });
            format!("{wrong}, {}", open_words(*open))
        }
    }
}

/// How many wirings are left: "3 wirings fit equally well".
pub fn open_words(open: Open) -> String {
    match open {
        Open::FitEqually(count) => format!("{count} wirings fit equally well"),
        Open::Possible(1) => "no wiring is settled".to_owned(),
        Open::Possible(count) => format!("{count} wirings are possible"),
    }
}

/// A statement: the claim, and the probability of exactly that.
pub fn statement_words(statement: &Statement) -> String {
    let claim = match &statement.claim {
        Claim::MeteringCorrect => "metering is correct".to_owned(),
        Claim::PowerWrong => "power is metered wrong".to_owned(),
        Claim::NoWiringFits => "the readings fit no wiring considered".to_owned(),
        Claim::WiringIs(wiring) => describe_wiring(wiring),
        Claim::SupplyPhaseLost(phase) => {
            format!("phase {} of the supply to the pump is lost: it runs on two phases", phase.label())
        }
        Claim::VoltageStates(states) => states_words(states),
        Claim::VoltageFault => "the voltage leads or the supply are at fault".to_owned(),
    };
    format!("{claim} ({})", confidence(statement.probability))
}

fn states_words(states: &[VoltageState]) -> String {
    let named: Vec<String> = states.iter().take(STATES).map(|state| state.words()).collect();
    let more = if states.len() > STATES { " (or another of its kind)" } else { "" };
    format!("{}{more}", named.join(", or "))
}

fn voltage_words(said: &Statement, open: usize) -> String {
    let line = statement_words(said);
    match &said.claim {
        Claim::VoltageStates(states) if states.len() > 1 => format!("{line}; the readings do not tell which"),
        Claim::VoltageStates(_) => line,
        _ => format!("{line}, {open} causes are possible; next check: on the field sheet"),
    }
}

/// What is wrong with the voltage leads or the supply, once that is said.
pub fn voltage_line(leads: &VoltageDiagnosis) -> Option<String> {
    statement::voltage(leads).map(|(said, open)| voltage_words(&said, open))
}

/// The same without its confidence, and that as a probability.
pub fn voltage_fault(leads: &VoltageDiagnosis) -> Option<(String, f64)> {
    let (said, _) = statement::voltage(leads)?;
    let what = match &said.claim {
        Claim::VoltageStates(states) => states_words(states),
        _ => "which lead, fuse or phase is not settled".to_owned(),
    };
    Some((what, said.probability))
}

fn list(findings: &[&Finding]) -> String {
    findings.iter().map(|f| f.detail.to_string()).collect::<Vec<_>>().join("; ")
}
