//! The plan of checks of one circuit as a text to follow. Must never stand without the cautions before it.

use std::fmt::Write;

use super::cautions::cautions;
use super::report::caution_text;
use super::text::paragraph;
use crate::audit::advice;
use crate::audit::assessment::Verdict;
use crate::audit::plan;
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// The plan of checks as a text to follow, behind the cautions; short when nothing is left to settle.
pub fn plan_text(station: &StationSnapshot, circuit: &CircuitSnapshot) -> String {
    let mut out = caution_text(&cautions(&circuit.installation));
    let _ = writeln!(out, "\n{} / {}: plan of checks", station.station, circuit.name);
    let open = circuit.assessment.as_deref().map(|a| &a.diagnosis);
    let open = open.filter(|d| matches!(d.verdict, Verdict::Fault | Verdict::Undecided));
    let lines = open
        .and_then(|d| plan::plan(&advice::open_wirings(d), plan::DEPTH))
        .map(|root| plan::lines(&root))
        .unwrap_or_default();
    if lines.is_empty() {
        let judged = circuit.assessment.as_deref().is_some_and(|a| a.diagnosis.verdict != Verdict::NoEvidence);
        out.push_str(if judged {
            "  Nothing that a check at the panel would settle.\n"
        } else {
            "  Nothing to plan by yet: let the pump run for a minute, and print the plan again.\n"
        });
    }
    for line in lines {
        paragraph(&mut out, &format!("{:>3}. ", line.step), &line.instruction);
        for (found, then) in line.ways {
            paragraph(&mut out, "       - ", &format!("{found}: {then}"));
        }
    }
    out
}
