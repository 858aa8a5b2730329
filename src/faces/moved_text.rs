//! How a finding moved the diagnosis of a circuit: headline and most probable wirings before and after, as text.
//!
//! Both are of one and the same snapshot, so that nothing but the findings differs. Must never tell anybody to move a lead.

use std::fmt::Write;

use super::text::{line, paragraph};
use crate::audit::advice::open_wirings;
use crate::audit::assessment::{Diagnosis, Verdict};
use crate::audit::wiring::Wiring;
use crate::audit::words;
use crate::station::snapshot::CircuitSnapshot;

/// Wirings listed.
const LISTED: usize = 5;

/// The diagnosis of a circuit without and with the findings that were added.
pub fn moved_text(station: &str, before: &CircuitSnapshot, after: &CircuitSnapshot) -> String {
    let mut out = String::new();
    line(&mut out, &format!("{station} / {}", after.name));
    let (Some(old), Some(new)) = (before.assessment.as_deref(), after.assessment.as_deref()) else {
        line(
            &mut out,
            "  No reading of this circuit yet: how the finding counts is not known. Read again while the pump runs.",
        );
        return out;
    };
    if new.diagnosis.verdict == Verdict::NoEvidence {
        line(
            &mut out,
            "  Too few readings of the running pump: how the finding counts is not known. Read again while the pump runs.",
        );
        return out;
    }
    if after.checks.len() == before.checks.len() {
        line(&mut out, "  The finding does not count: it is older than the change of wiring that was seen since.");
    }
    paragraph(&mut out, "  before: ", &words::headline(old));
    paragraph(&mut out, "  after:  ", &words::headline(new));
    let _ = writeln!(out, "\n  {:>13}  {:>13}  wiring", "before", "after");
    for (was, is, wiring) in table(&old.diagnosis, &new.diagnosis) {
        row(&mut out, was, is, &words::describe_wiring(&wiring));
    }
    let unexplained = |d: &Diagnosis| d.unexplained_probability;
    row(&mut out, unexplained(&old.diagnosis), unexplained(&new.diagnosis), "none of the wirings that the audit knows");
    out
}

fn row(out: &mut String, was: f64, is: f64, words: &str) {
    let lead = format!("  {:>13}  {:>13}  ", words::percent(was), words::percent(is));
    paragraph(out, &lead, words);
}

/// The most probable wirings after, and the most probable one before; each with both probabilities.
fn table(old: &Diagnosis, new: &Diagnosis) -> Vec<(f64, f64, Wiring)> {
    let (old, new) = (open_wirings(old), open_wirings(new));
    let mut listed: Vec<Wiring> = new.iter().take(LISTED).map(|w| w.wiring).collect();
    for leader in old.iter().take(1).map(|w| w.wiring) {
        if !listed.contains(&leader) {
            listed.push(leader);
        }
    }
    // A wiring that is not listed any more is one whose probability is not worth telling.
    let of = |all: &[crate::audit::assessment::RankedWiring], wiring: &Wiring| {
        all.iter().find(|w| w.wiring == *wiring).map_or(0.0, |w| w.probability)
    };
    listed.into_iter().map(|wiring| (of(&old, &wiring), of(&new, &wiring), wiring)).collect()
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::audit::field_check::{ERROR_RATE, FieldCheck, Finding};
    use crate::audit::outcome::Outcome;
    use crate::config::RecordedCheck;
    use crate::reading::{Phase, UnixMs};
    use crate::station::checks::with_checks;
    use crate::station::fixtures::{exchanged, instant, snapshot_after, station_config};
    use crate::station::state::StationState;

    fn found(check: FieldCheck, finding: Finding) -> RecordedCheck {
        RecordedCheck {
            station: "Alder Creek Lift".to_owned(),
            circuit: "Pump 1".to_owned(),
            outcome: Outcome { check, finding, error_rate: ERROR_RATE },
            by: "J. Alvarez".to_owned(),
            at: UnixMs(1_795_600_800_000),
        }
    }

    #[test]
    fn a_finding_moves_the_diagnosis_and_both_are_told() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let after = with_checks(&snapshot, &[found(FieldCheck::CtLeadTrace(1), Finding::FromPhase(Phase::A))]);
        insta::assert_snapshot!(moved_text("Alder Creek Lift", &snapshot.circuits[0], &after.circuits[0]));
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let silent = Arc::new(StationState::new(&station_config("Alder Creek Lift")).unwrap().snapshot(instant(0)));
        let text = moved_text("Alder Creek Lift", &silent.circuits[0], &silent.circuits[0]);
        assert!(text.contains("how the finding counts is not known"), "{text}");
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let text = moved_text("Alder Creek Lift", &snapshot.circuits[0], &snapshot.circuits[0]);
        assert!(text.contains("The finding does not count"), "{text}");
    }
}
