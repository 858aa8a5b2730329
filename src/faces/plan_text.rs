//! The plan of checks of one circuit as a text to follow. Must never stand without the cautions before it.

use std::fmt::Write;

use super::cautions::cautions;
use super::report::caution_text;
use super::text::{line, paragraph};
use crate::audit::advice;
use crate::audit::assessment::Verdict;
use crate::audit::plan::{self, Node};
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// The plan of checks as a text to follow, behind the cautions; short when nothing is left to settle.
pub fn plan_text(station: &StationSnapshot, circuit: &CircuitSnapshot) -> String {
    let installation = &circuit.installation;
    let mut out = caution_text(&cautions(installation));
    let _ = writeln!(out, "\n{} / {}: plan of checks", station.station, circuit.name);
    let open = circuit.assessment.as_deref().map(|a| &a.diagnosis);
    let open = open.filter(|d| matches!(d.verdict, Verdict::Fault | Verdict::Undecided));
    let plan = open.and_then(|d| plan::plan(&advice::open_wirings(d), installation, &circuit.done(), plan::DEPTH));
    match &plan {
        Some(plan) if matches!(plan.root, Node::Check(_)) => paragraph(&mut out, "  ", &plan.effort.words()),
        // What it would take is said, or that one wiring is settled.
        Some(plan) => paragraph(&mut out, "  No check to do: ", &plan::end_words(&plan.root)),
        None => {
            let judged = circuit.assessment.as_deref().is_some_and(|a| a.diagnosis.verdict != Verdict::NoEvidence);
            out.push_str(if judged {
                "  Nothing that a check at the panel would settle.\n"
            } else {
                "  Nothing to plan by yet: let the pump run for a minute, and print the plan again.\n"
            });
        }
    }
    let mut access = None;
    for step in plan.map(|plan| plan::lines(&plan.root, installation)).unwrap_or_default() {
        if access.replace(step.access) != Some(step.access) {
            line(&mut out, &format!("\n  {}", step.access.title()));
        }
        paragraph(&mut out, &format!("{:>3}. ", step.step), &step.instruction);
        for (found, then) in step.ways {
            paragraph(&mut out, "       - ", &format!("{found}: {then}"));
        }
    }
    out
}
