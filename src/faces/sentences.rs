//! Sentences that stand in more than one text for people. Must never name a lead: that is `leads`.

use super::json::rfc3339;
use crate::audit::assessment::Finding;
use crate::audit::words;
use crate::config::checks::RecordedCheck;
use crate::reading::Phase;

/// One check as a person entered it, in words.
pub(super) fn recorded_words(check: &RecordedCheck) -> String {
    let outcome = check.outcome;
    format!("{}: {} ({}, {})", outcome.check.title(), outcome.finding.words(), check.by, rfc3339(check.at))
}

/// A check that failed, with what it found.
pub(super) fn failed_words(finding: &Finding) -> String {
    let channel = finding.channel.map_or_else(String::new, |k| format!(", channel {}", k + 1));
    format!("{}{channel}: {}", words::check_title(finding.check), finding.detail)
}

/// What proves a remedy.
pub(super) const AFTERWARDS: &str =
    "Afterwards: run the same pump at its usual load; the verdict \"OK\" is the proof of the repair.";

/// What to do about a supply phase that is lost.
pub(super) fn lost_phase_words(phase: Phase) -> String {
    format!(
        "Move no lead of the monitor. Stop the pump and find why phase {} carries no current: fuse, contactor pole, cable.",
        phase.label()
    )
}
