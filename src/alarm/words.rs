//! Alarms in an operator's words: a title, one line for a message, and the full text: what is wrong and how sure that is, what
//! it means, what to do. Must never decide.
//!
//! A probability stands inside the statement that it is of, and nowhere else. A text that sends somebody to a panel carries the
//! cautions of that installation, and they stand before it. An alarm names no move of a lead: the field sheet does, with the
//! steps around it.

mod of_circuit;
mod of_daemon;
mod of_monitor;
mod of_supply;
mod state_text;
mod story;
mod text;

use std::borrow::Cow;
use std::collections::BTreeSet;

use super::id::{AlarmId, AlarmKind};
use super::rationale;
use crate::audit::assessment::Finding;
use crate::audit::cautions;
use crate::audit::installation::Installation;
use crate::audit::words::check_title;

pub use of_circuit::{
    CtReading, MiswiredBlame, audit_failed, audit_fails_often, ct_no_current, fits_no_wiring, metering_miswired,
    metering_miswired_besides, metering_numbers_wrong, values_frozen,
};
pub use of_daemon::{Silent, clock_stepped, silent_together, storage_full};
pub use of_monitor::{
    OfPumps, PumpsBehind, Supply, monitor_answers_seldom, monitor_silent, register_map_wrong, together,
    voltage_leads_open, voltage_leads_swapped, voltage_leads_wrong,
};
pub use of_supply::{
    MissingPhase, phase_missing, phase_missing_at_station, supply_phase_lost, supply_phase_lost_at_station,
};
pub use story::{Story, WhenStopped};
pub use text::{AlarmText, LINE_MAX, STORY_LINE_MAX};

/// Findings that are attached to one alarm; the rest are counted.
const ATTACHED_MAX: usize = 6;

/// A few words for what an alarm is about.
pub fn title(kind: AlarmKind) -> &'static str {
    rationale::of(kind).title
}

/// An alarm named in a sentence: "the alarm of Larkmoor North, PM-1 (Power meter does not answer)".
pub fn name(id: &AlarmId) -> String {
    format!("the alarm of {} ({})", id.place, title(id.kind))
}

/// The cautions of these installations, as lines.
pub(super) fn cautions_of<'i>(installations: impl IntoIterator<Item = &'i Installation>) -> Vec<String> {
    cautions::together(installations).into_iter().map(Cow::into_owned).collect()
}

fn steps(steps: &[&str]) -> Vec<String> {
    steps.iter().map(|step| (*step).to_owned()).collect()
}

fn within(cause: &str) -> String {
    let cause = cause.trim().trim_end_matches('.');
    if cause.is_empty() { String::new() } else { format!(" ({cause})") }
}

fn said(finding: &Finding) -> String {
    let detail = finding.detail.to_string();
    if detail.is_empty() { check_title(finding.check).to_lowercase() } else { detail }
}

fn attached(findings: &[&Finding]) -> Vec<String> {
    shortened(findings.iter().map(|f| said(f)).collect())
}

/// What the pumps of one monitor show, so many in all: the same said of all of them is said once, else the pump is named.
fn attached_of_pumps(findings: &OfPumps, pumps: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for (pump, finding) in findings {
        let text = said(finding);
        let by: BTreeSet<&str> = findings.iter().filter(|(_, f)| said(f) == text).map(|(pump, _)| *pump).collect();
        let line = if by.len() == pumps { text } else { format!("{pump}: {text}") };
        if !lines.contains(&line) {
            lines.push(line);
        }
    }
    shortened(lines)
}

fn shortened(mut lines: Vec<String>) -> Vec<String> {
    let more = lines.len().saturating_sub(ATTACHED_MAX);
    if more > 0 {
        lines.truncate(ATTACHED_MAX);
        lines.push(format!("and {more} more"));
    }
    lines
}

/// Names in a sentence.
fn listed(names: &[&str]) -> String {
    match names {
        [] => "what it measures".to_owned(),
        [one] => (*one).to_owned(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// The text with a capital letter first.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
