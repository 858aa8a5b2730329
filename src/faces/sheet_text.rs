//! The field sheet as plain text, 100 columns at most. Must never leave the cautions out.

use std::fmt::Write as _;

use super::findings_format::{HOW_TO_ENTER, entry_words};
use super::picture::Phasor;
use super::report::caution_text;
use super::sheet::Sheet;
use super::text::paragraph;

/// The sheet as text.
pub fn text(sheet: &Sheet) -> String {
    let mut out = String::new();
    paragraph(&mut out, "", &format!("FIELD SHEET  {}", sheet.title));
    for line in &sheet.origin {
        paragraph(&mut out, "", line);
    }
    if let Some(warning) = &sheet.warning {
        paragraph(&mut out, "*** ", warning);
    }
    for hazard in &sheet.hazards {
        paragraph(&mut out, "*** HAZARD: ", hazard);
    }
    out.push('\n');
    out.push_str(&caution_text(&sheet.cautions));
    heading(&mut out, &format!("Verdict: {}", sheet.verdict));
    paragraph(&mut out, "  ", &sheet.suspicion);
    for lead in &sheet.leads {
        paragraph(&mut out, "  - ", lead);
    }
    list(&mut out, "Why", &sheet.reasons);
    list(&mut out, sheet.alternatives_title, &sheet.alternatives);
    list(&mut out, "Found at the panel already", &sheet.found);
    heading(&mut out, "Phasors                as reported             as it should be");
    for (letter, unit, reported, intended) in [
        ("V", "V", &sheet.reported.voltage, &sheet.intended.voltage),
        ("I", "A", &sheet.reported.current, &sheet.intended.current),
    ] {
        for &k in sheet.channels {
            let row =
                format!("  {letter}{}     {:>26}  {:>26}", k + 1, phasor(reported[k], unit), phasor(intended[k], unit));
            out.push_str(row.trim_end());
            out.push('\n');
        }
    }
    if !sheet.reported.note.is_empty() {
        paragraph(&mut out, "  ", &format!("As reported: {}.", sheet.reported.note));
    }
    paragraph(&mut out, "  ", &format!("As it should be: {}.", sheet.intended.note));
    heading(&mut out, sheet.checks_title);
    for (n, check) in sheet.checks.iter().enumerate() {
        let worth = if check.worth.is_empty() { String::new() } else { format!(" [{}]", check.worth) };
        paragraph(&mut out, &format!("  {}. ", n + 1), &format!("{}{worth}", check.instruction));
        if !check.expected.is_empty() {
            paragraph(&mut out, "     ", &format!("If the suspicion is right: {}", check.expected));
        }
        paragraph(
            &mut out,
            "     ",
            &format!("Found ({}): [______________]  by: [________]  time: [________]", check.unit),
        );
        paragraph(&mut out, "     ", &format!("Enter as: {}", entry_words(check.check)));
    }
    if !sheet.entry_example.is_empty() {
        heading(&mut out, HOW_TO_ENTER);
        for line in &sheet.entry_example {
            let _ = writeln!(out, "     {line}");
        }
    }
    heading(&mut out, &sheet.remedy_title);
    let mut step = 0;
    for part in &sheet.remedy {
        if !part.title.is_empty() {
            paragraph(&mut out, "  ", part.title);
        }
        for line in &part.lines {
            step += usize::from(part.ticked);
            let lead = if part.ticked { format!("  [ ] {step:>2}. ") } else { "  ".to_owned() };
            paragraph(&mut out, &lead, line);
        }
    }
    out.push_str("\nWork done by: ______________________  Date: ____________  Signature: __________________\n");
    out.push_str("\nChecked by:   ______________________  Date: ____________  Signature: __________________\n");
    out
}

fn heading(out: &mut String, text: &str) {
    out.push('\n');
    paragraph_keeping_blanks(out, text);
}

/// A heading may be a table's, whose columns stand where they stand.
fn paragraph_keeping_blanks(out: &mut String, text: &str) {
    if text.contains("  ") {
        out.push_str(text);
        out.push('\n');
    } else {
        paragraph(out, "", text);
    }
}

fn list(out: &mut String, title: &str, items: &[String]) {
    if items.is_empty() {
        return;
    }
    heading(out, title);
    for item in items {
        paragraph(out, "  - ", item);
    }
}

fn phasor(phasor: Phasor, unit: &str) -> String {
    match (phasor.size, phasor.angle_deg) {
        (None, _) => "no value".to_owned(),
        (Some(size), None) => format!("{size:.1} {unit}, no angle"),
        (Some(size), Some(angle)) => match phasor.mirror_deg {
            None => format!("{size:.1} {unit} at {:.0} deg", angle + 0.0),
            Some(mirror) => format!("{size:.1} {unit} at {:.0} or {:.0} deg", angle + 0.0, mirror + 0.0),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::hypotheses::classes;
    use crate::audit::installation::CtSecondary;
    use crate::audit::procedure::Section;
    use crate::audit::wiring::{CurrentSeen, Wiring};
    use crate::faces::picture::Expected;
    use crate::faces::plan_text::plan_text;
    use crate::faces::report;
    use crate::faces::sheet::sheet;
    use crate::reading::Rotation;
    use crate::station::fixtures::{exchanged, failed_event, instant, snapshot_after, station_config};
    use crate::station::snapshot::StationSnapshot;
    use crate::station::state::StationState;

    const EXPECTED: Expected =
        Expected { service: ServiceKind::Wye4, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };

    #[test]
    fn the_sheet_of_a_miswired_pump() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        insta::assert_snapshot!(text(&sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(7200))));
    }

    #[test]
    fn every_wiring_has_a_sheet_that_fits_and_puts_cautions_first() {
        for wiring in classes(ServiceKind::Wye4).all.iter().flat_map(|c| c.members.iter().take(2)).map(|m| m.wiring) {
            let snapshot = snapshot_after("Alder Creek Lift", &wiring);
            let sheet = sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(7200));
            let text = text(&sheet) + &plan_text(&snapshot, &snapshot.circuits[0]);
            for line in text.lines() {
                assert!(line.chars().count() <= 100, "{line}");
            }
            let cautions = text.find("Never open a CT secondary").unwrap();
            for word in ["Verdict: ", "Lift the", "Lift X1", "Land the", "measure", "follow the CT pair"] {
                assert!(text.find(word).is_none_or(|at| at > cautions), "{word}");
            }
            assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
            assert!(sheet.remedy.iter().all(|part| !part.lines.is_empty()));
        }
    }

    /// No face but the sheet (and the API, in the same form) holds a step of a remedy: they send to the sheet.
    #[test]
    fn moves_stand_in_the_sheet_between_their_steps_and_nowhere_else() {
        let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let mut procedures = 0;
        for wiring in classes(ServiceKind::Wye4).all.iter().step_by(5).map(|c| c.members[0].wiring) {
            let snapshot = snapshot_after("Alder Creek Lift", &wiring);
            let sheet = sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(7200));
            let titles: Vec<&str> = sheet.remedy.iter().map(|p| p.title).collect();
            let Some(at) = titles.iter().position(|t| *t == Section::Moves.title()) else { continue };
            procedures += 1;
            assert_eq!(titles[at - 1], Section::Prepare.title());
            assert_eq!(titles[at + 1], Section::Restore.title());
            let others = report::text(std::slice::from_ref(&snapshot), instant(7200))
                + &plan_text(&snapshot, &snapshot.circuits[0]);
            let (text, others) = (words(&text(&sheet)), words(&others));
            assert!(others.contains("wattassay sheet --station \"Alder Creek Lift\" --circuit \"Pump 1\""), "{others}");
            for step in &sheet.remedy[at].lines {
                assert!(text.contains(step) && !others.contains(step), "{step}");
            }
        }
        assert!(procedures > 15, "{procedures}");
    }

    #[test]
    fn a_ct_that_may_be_open_is_told_before_the_cautions_where_its_secondary_is_a_current() {
        let mut open = Wiring::INTENDED;
        open.current[1] = CurrentSeen::Nothing;
        let mut snapshot = snapshot_after("Alder Creek Lift", &open).as_ref().clone();
        let told = |snapshot: &StationSnapshot| text(&sheet(snapshot, &snapshot.circuits[0], EXPECTED, instant(7200)));
        let current = told(&snapshot);
        assert!(current.find("*** HAZARD: CT 2 may be open and live").unwrap() < current.find("CAUTION").unwrap());
        let report = report::text(&[Box::new(snapshot.clone())], instant(7200));
        assert!(report.contains("HAZARD: CT 2 may be open and live"), "{report}");
        snapshot.circuits[0].installation.ct_secondary = CtSecondary::Voltage { rated_mv: 333 };
        assert!(!told(&snapshot).contains("HAZARD"));
        assert!(!report::text(&[Box::new(snapshot)], instant(7200)).contains("HAZARD"));
    }

    #[test]
    fn a_monitor_that_never_answered_is_told_first() {
        let mut state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
        state.take(0, failed_event(0));
        let snapshot = state.snapshot(instant(0));
        let text = text(&sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(100)));
        assert!(text.contains("*** THE MONITOR HAS NEVER ANSWERED"), "{text}");
        assert!(text.contains("no value"), "{text}");
    }

    #[test]
    fn old_values_are_called_old() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let text = text(&sheet(&snapshot, &snapshot.circuits[0], EXPECTED, instant(60_000)));
        assert!(text.contains("*** OLD VALUES: 53.0 s old"), "{text}");
    }
}
