//! What to check next, what mends it, and what was found at the panel.

use serde::Serialize;
use utoipa::ToSchema;

use super::rfc3339;
use crate::audit::advice;
use crate::audit::assessment::Diagnosis;
use crate::audit::field_check::{FieldCheck, Worth};
use crate::audit::remedy::Move;
use crate::config::checks::RecordedCheck;

/// What to do. Never without the document's cautions.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AdviceJson {
    /// The best first; empty when nothing is left to settle.
    next_checks: Vec<CheckJson>,
    remedy: Option<RemedyJson>,
}

#[derive(Debug, Serialize, ToSchema)]
struct CheckJson {
    check: &'static str,
    /// As numbered on the terminals, from 1.
    channel: Option<usize>,
    /// Breaker phase that the volts are measured to.
    phase: Option<&'static str>,
    /// True when it is done beside energised parts.
    live: bool,
    words: String,
    worth: &'static str,
}

#[derive(Debug, Serialize, ToSchema)]
struct RemedyJson {
    probability: f64,
    moves: Vec<MoveJson>,
}

#[derive(Debug, Serialize, ToSchema)]
struct MoveJson {
    #[serde(rename = "move")]
    key: &'static str,
    /// As numbered on the terminals, from 1.
    channels: Vec<usize>,
    words: String,
}

/// What a person found at the panel.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RecordedJson {
    check: &'static str,
    channel: Option<usize>,
    phase: Option<&'static str>,
    found: String,
    by: String,
    at: String,
}

fn breaker_phase(check: FieldCheck) -> Option<&'static str> {
    if let FieldCheck::PhaseIdentity(_, phase) = check { Some(phase.label()) } else { None }
}

pub(super) fn advice_of(diagnosis: &Diagnosis) -> AdviceJson {
    let advice = advice::advice(diagnosis);
    let check = |worth: &Worth| CheckJson {
        check: worth.check.key(),
        channel: worth.check.channel().map(|k| k + 1),
        phase: breaker_phase(worth.check),
        live: worth.check.energised(),
        words: worth.check.words(),
        worth: worth.words(),
    };
    let step = |step: &Move| MoveJson {
        key: step.key(),
        channels: step.channels().into_iter().map(|k| k + 1).collect(),
        words: step.words(),
    };
    AdviceJson {
        next_checks: advice.checks.iter().map(check).collect(),
        remedy: advice
            .remedy
            .map(|(probability, moves)| RemedyJson { probability, moves: moves.iter().map(step).collect() }),
    }
}

pub(crate) fn recorded(check: &RecordedCheck) -> RecordedJson {
    let outcome = check.outcome;
    RecordedJson {
        check: outcome.check.key(),
        channel: outcome.check.channel().map(|k| k + 1),
        phase: breaker_phase(outcome.check),
        found: outcome.finding.words(),
        by: check.by.clone(),
        at: rfc3339(check.at),
    }
}
