//! What is dangerous now, what to check next, what corrects the wiring, and what was found at the panel.

use serde::Serialize;
use utoipa::ToSchema;

use super::rfc3339;
use crate::audit::advice;
use crate::audit::assessment::Assessment;
use crate::audit::field_check::{FieldCheck, Worth};
use crate::audit::installation::Installation;
use crate::audit::open_ct::{self, SuspectCt, Symptom};
use crate::audit::procedure::{Line, Place};
use crate::audit::words;
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

/// The whole procedure; no step of it is for use without the others.
#[derive(Debug, Serialize, ToSchema)]
struct RemedyJson {
    /// Of the one wiring that it corrects.
    probability: f64,
    /// True when any of it is done at a panel.
    at_panel: bool,
    /// True when work is named that is for others: on the primary above 1,000 V or of voltage transformers.
    deferred: bool,
    /// In the order in which they are carried out.
    steps: Vec<StepJson>,
}

#[derive(Debug, Serialize, ToSchema)]
struct StepJson {
    /// hazard, desk, prepare, moves, restore, deferred.
    section: &'static str,
    step: &'static str,
    /// As numbered on the terminals, from 1.
    channels: Vec<usize>,
    words: String,
}

/// A CT whose secondary may be open and live now.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HazardJson {
    hazard: &'static str,
    /// As numbered on the terminals, from 1.
    channel: usize,
    /// reads_zero or jumps.
    symptom: &'static str,
    /// Probability that the CT is open, shorted, off or loose.
    probability_open_shorted_or_loose: f64,
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

pub(super) fn hazards_of(assessment: &Assessment, installation: &Installation) -> Vec<HazardJson> {
    let hazard = |suspect: &SuspectCt| HazardJson {
        hazard: "ct_may_be_open",
        channel: suspect.channel + 1,
        symptom: match suspect.symptom {
            Symptom::ReadsZero => "reads_zero",
            Symptom::Jumps => "jumps",
        },
        probability_open_shorted_or_loose: suspect.probability,
        words: words::open_ct_words(suspect),
    };
    open_ct::possibly_open(assessment, installation).iter().map(hazard).collect()
}

pub(super) fn advice_of(assessment: &Assessment, place: &Place) -> AdviceJson {
    let advice = advice::advice(assessment, &place.installation);
    let check = |worth: &Worth| CheckJson {
        check: worth.check.key(),
        channel: worth.check.channel().map(|k| k + 1),
        phase: breaker_phase(worth.check),
        live: worth.check.energised(),
        words: worth.check.words(),
        worth: worth.words(),
    };
    let step = |line: Line| StepJson {
        section: line.section.key(),
        step: line.step,
        channels: line.channels.into_iter().map(|k| k + 1).collect(),
        words: line.text,
    };
    AdviceJson {
        next_checks: advice.checks.iter().map(check).collect(),
        remedy: advice.remedy.map(|remedy| {
            let procedure = remedy.procedure(place);
            RemedyJson {
                probability: remedy.probability,
                at_panel: procedure.is_at_panel(),
                deferred: procedure.is_deferred(),
                steps: procedure.lines().into_iter().map(step).collect(),
            }
        }),
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
