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

/// Where a remedy stands that a text does not hold: it is never given in part.
pub(super) fn remedy_on_sheet(station: &str, circuit: &str) -> String {
    format!(
        "Print the field sheet, which has the whole procedure: wattassay sheet --station \"{station}\" --circuit \"{circuit}\". \
         Move nothing without it."
    )
}

/// What to do about a supply phase that is lost.
pub(super) fn lost_phase_words(phase: Phase) -> String {
    format!(
        "Move no lead of the monitor. Stop the pump from SCADA, and start no other pump on this supply until all three phases are \
         proved. Do not reset an overload. Phase {} is not without voltage while another motor runs. An electrician finds why it \
         carries no current: fuse, contactor pole, overload, cable.",
        phase.label()
    )
}
