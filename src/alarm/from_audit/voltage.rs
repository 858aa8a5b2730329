//! Whether a monitor misses the voltage of a phase, and whether a running pump proves the supply meanwhile. Must never take a
//! voltage that is there for a phase that is: running motors hold up an open one.

use super::{Audit, CircuitNow, MonitorNow};
use crate::audit::assessment::{Assessment, Check, Finding, Outcome, RunState};
use crate::audit::blame;
use crate::audit::context::ServiceKind;
use crate::audit::detail::Detail;
use crate::audit::voltage_lead::{VoltageDiagnosis, VoltageState};
use crate::reading::Phase;

/// Below this share of nominal a voltage is missing rather than low.
const MISSING_SHARE: f64 = 0.5;

/// What a monitor's voltages and its pumps show together.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Supply<'a> {
    /// Nothing is known of the voltages.
    NotJudged,
    /// Every voltage is there. `proven`: all pumps are stopped or a running one draws balanced current.
    Present { proven: bool },
    /// One is missing.
    Missing(Missing<'a>),
}

/// A voltage that is missing.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Missing<'a> {
    /// Phases as the leads are meant to be; empty when the readings do not tell which.
    pub(super) phases: Vec<Phase>,
    /// It reads something all the same: a running motor holds the open phase up.
    pub(super) held_up: bool,
    /// Pumps that run and draw balanced current.
    pub(super) proven_by: Vec<&'a str>,
    /// Pumps that run and prove nothing.
    pub(super) unproven: Vec<&'a str>,
    /// A pump is starting, so that nothing can be told yet.
    pub(super) starting: bool,
    /// What is seen of it.
    pub(super) findings: Vec<&'a Finding>,
}

/// What the monitor's voltages and pumps show.
pub(super) fn supply<'a>(now: &MonitorNow<'a>) -> Supply<'a> {
    let judged: Vec<(&CircuitNow<'a>, &'a Assessment)> = now
        .circuits
        .iter()
        .filter_map(|circuit| Some((circuit, circuit.audit.assessment().filter(|a| is_live(a))?)))
        .collect();
    let told: Vec<&Finding> = judged
        .iter()
        .flat_map(|(_, assessment)| &assessment.findings)
        .filter(|finding| finding.check == Check::VoltageMissing)
        .collect();
    let states = judged.iter().find_map(|(_, a)| a.voltage_leads.as_deref()).and_then(VoltageDiagnosis::fault);
    let inputs = states.and_then(|group| missing_inputs(&group.states));
    let dead: Vec<&Finding> = told.iter().copied().filter(|finding| is_dead(finding)).collect();
    if inputs.is_none() && (dead.is_empty() || states.is_some()) {
        let all_there = told.iter().any(|f| f.outcome == Outcome::Passed)
            && !told.iter().any(|f| matches!(f.outcome, Outcome::Failed | Outcome::Pending));
        if !all_there {
            return Supply::NotJudged;
        }
        let quiet = judged.iter().all(|(circuit, a)| a.run_state == RunState::Stopped || proves_supply(circuit, a));
        return Supply::Present { proven: quiet && !judged.is_empty() && !waiting(now) };
    }
    let inputs = inputs.unwrap_or_default();
    let mut missing = Missing {
        phases: inputs.inputs.into_iter().map(|k| Phase::ALL[k]).collect(),
        held_up: inputs.held_up,
        findings: distinct(dead),
        ..Missing::default()
    };
    for (circuit, assessment) in judged {
        match assessment.run_state {
            RunState::Running if proves_supply(circuit, assessment) => missing.proven_by.push(circuit.name),
            RunState::Running => missing.unproven.push(circuit.name),
            RunState::Starting => missing.starting = true,
            RunState::Stopped | RunState::Unknown => {}
        }
    }
    Supply::Missing(missing)
}

/// Frozen values say nothing of now.
fn is_live(assessment: &Assessment) -> bool {
    !assessment.findings.iter().any(|f| f.check == Check::ValuesMoving && f.outcome == Outcome::Failed)
}

/// A circuit without an assessment may be running.
fn waiting(now: &MonitorNow) -> bool {
    now.circuits.iter().any(|circuit| !matches!(circuit.audit, Audit::Of(_)))
}

/// The same voltage is seen by every circuit of a monitor.
fn distinct(findings: Vec<&Finding>) -> Vec<&Finding> {
    findings.into_iter().fold(Vec::new(), |mut kept, finding| {
        if !kept.iter().any(|other: &&Finding| other.channel == finding.channel) {
            kept.push(finding);
        }
        kept
    })
}

fn is_dead(finding: &Finding) -> bool {
    let low = match finding.detail {
        Detail::Voltage { volts, nominal, .. } => volts < MISSING_SHARE * nominal,
        _ => false,
    };
    finding.outcome == Outcome::Failed && low
}

/// What a group of states says of a missing voltage.
#[derive(Debug, Clone, PartialEq, Default)]
struct Inputs {
    /// Inputs without the voltage of their phase; none where the states do not agree which.
    inputs: Vec<usize>,
    /// The likeliest is a phase that is interrupted and that running motors hold up.
    held_up: bool,
}

/// `None` when none of the states that fit alike is a missing voltage. One is enough: a lead on the neutral reads nothing just
/// as a lost phase does.
fn missing_inputs(states: &[VoltageState]) -> Option<Inputs> {
    let of_each = states.iter().filter_map(|state| match *state {
        VoltageState::LeadOff(k) | VoltageState::FuseBlown(k) | VoltageState::PhaseLost(k) => Some(vec![k]),
        VoltageState::AllDead => Some(vec![0, 1, 2]),
        VoltageState::PrimaryLost(_) => Some(Vec::new()),
        _ => None,
    });
    let of_each: Vec<Vec<usize>> = of_each.collect();
    match (of_each.first(), states.first()) {
        (Some(first), _) => {
            let agreed = of_each.iter().all(|other| other == first);
            Some(Inputs { inputs: if agreed { first.clone() } else { Vec::new() }, held_up: false })
        }
        (None, Some(VoltageState::BackFed(k))) => Some(Inputs { inputs: vec![*k], held_up: true }),
        (None, _) => None,
    }
}

/// True when a running pump proves all phases of its supply: balanced current on each of them. Two CTs on three wires cannot:
/// with the middle phase lost the two others carry the same current.
fn proves_supply(circuit: &CircuitNow, assessment: &Assessment) -> bool {
    if assessment.run_state != RunState::Running || blame::lost_phase(&assessment.diagnosis).is_some() {
        return false;
    }
    let balanced = |finding: &Finding| match finding.check {
        Check::CurrentMissing | Check::CurrentBalance => finding.outcome == Outcome::Passed,
        _ => true,
    };
    let currents = assessment.findings.iter().filter(|f| f.check == Check::CurrentMissing).count();
    match circuit.installation.service {
        ServiceKind::TwoElement | ServiceKind::OpenDelta => false,
        ServiceKind::SinglePhase => true,
        ServiceKind::SplitPhase => currents == 2 && assessment.findings.iter().all(balanced),
        ServiceKind::Wye4 | ServiceKind::Delta3 | ServiceKind::HighLegDelta => {
            currents == 3 && assessment.findings.iter().all(balanced)
        }
    }
}
