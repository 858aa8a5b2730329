//! What a replay found: here the table for people (the worst circuit first), below it the JSON.
//!
//! Cautions come first whenever a lead could be named. Rows that were not used are always told. Must never decide
//! anything.

mod document;
mod doubt_text;

pub use document::{Document, VERSION, document};

use std::fmt::Write;

use super::cautions::{self, Caution};
use super::energy_text::{self, kwh};
use super::json::rfc3339;
use super::report;
use super::text::{grouped, paragraph, plural};
use crate::audit::words;
use crate::replay::notes::Fault;
use crate::replay::outcome::{CircuitOutcome, FileOutcome, Outcome};

/// The text for people; `details` adds, for each circuit, the conclusions lead by lead.
pub fn text(outcome: &Outcome, details: bool) -> String {
    let mut out = String::new();
    let cautions = cautions_of(outcome);
    if !cautions.is_empty() {
        out.push_str(&report::caution_text(&cautions));
        out.push('\n');
    }
    doubt_text::first(&mut out, outcome);
    heading(&mut out, outcome);
    table(&mut out, &outcome.circuits);
    if details {
        for circuit in &outcome.circuits {
            circuit_text(&mut out, circuit);
        }
    }
    files_text(&mut out, &outcome.files);
    out
}

/// The cautions of the circuits of which a lead could be named; empty when there is none.
fn cautions_of(outcome: &Outcome) -> Vec<Caution> {
    let needs = |c: &&CircuitOutcome| c.assessment.as_ref().is_some_and(cautions::needed);
    let mut panels = outcome.circuits.iter().filter(needs).map(|c| &c.installation).peekable();
    if panels.peek().is_none() { Vec::new() } else { cautions::together(panels) }
}

fn heading(out: &mut String, outcome: &Outcome) {
    let rows: u64 = outcome.files.iter().map(|file| file.rows).sum();
    let period = outcome
        .circuits
        .iter()
        .filter_map(|circuit| circuit.period)
        .reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
        .map_or_else(|| "no reading".to_owned(), |(from, to)| format!("{} to {}", rfc3339(from), rfc3339(to)));
    let _ = writeln!(
        out,
        "Replayed {} row{} of {} file{}: {period}\n",
        grouped(rows),
        plural(rows),
        outcome.files.len(),
        plural(outcome.files.len())
    );
}

/// A column of the table: its heading, and whether numbers are in it, which stand to the right.
const HEAD: [(&str, bool); 7] = [
    ("Verdict", false),
    ("Fault", true),
    ("kWh off", true),
    ("Cost of it", true),
    ("Station", false),
    ("Circuit", false),
    ("What was found", false),
];
/// The column that is left out where no station has a tariff.
const COST: usize = 3;

fn table(out: &mut String, circuits: &[CircuitOutcome]) {
    let priced = circuits.iter().any(|circuit| circuit.tariff.is_some());
    let rows: Vec<[String; 7]> =
        std::iter::once(HEAD.map(|(heading, _)| heading.to_owned())).chain(circuits.iter().map(row)).collect();
    let width = |n: usize| rows.iter().map(|row| row[n].chars().count()).max().unwrap_or(0);
    let last = HEAD.len() - 1;
    let columns: Vec<(usize, usize)> = (0..last).filter(|n| priced || *n != COST).map(|n| (n, width(n))).collect();
    for row in &rows {
        for (n, w) in &columns {
            let cell = &row[*n];
            let _ = if HEAD[*n].1 { write!(out, "{cell:>w$}  ") } else { write!(out, "{cell:<w$}  ") };
        }
        let _ = writeln!(out, "{}", row[last]);
    }
    out.push_str(
        "\nFault: probability that power is metered wrong. kWh off: energy metered less energy by corrected power,\n\
         over the time in which power could be corrected; below zero, the monitor meters too little.\n",
    );
}

fn row(circuit: &CircuitOutcome) -> [String; 7] {
    let (off, cost) = match circuit.energy_given() {
        None => ("-".to_owned(), "-".to_owned()),
        Some(Err(why)) => (format!("withheld: {}", why.short()), "withheld".to_owned()),
        Some(Ok(sums)) => {
            let off_wh = sums.difference_wh();
            (kwh(off_wh), circuit.tariff.as_ref().map_or_else(|| "-".to_owned(), |t| energy_text::money(t, off_wh)))
        }
    };
    [
        verdict_words(circuit).to_owned(),
        circuit.fault_probability().map_or_else(|| "-".to_owned(), words::percent),
        off,
        cost,
        circuit.station.clone(),
        circuit.circuit.clone(),
        headline(circuit),
    ]
}

fn verdict_words(circuit: &CircuitOutcome) -> &'static str {
    if circuit.doubts.is_empty() { words::verdict_words(circuit.verdict()) } else { "not judged" }
}

fn headline(circuit: &CircuitOutcome) -> String {
    if !circuit.doubts.is_empty() {
        return doubt_text::HEADLINE.to_owned();
    }
    let assessment = circuit.assessment.as_ref();
    assessment.map_or_else(|| "no reading".to_owned(), |a| words::headline_with_check(a, &circuit.installation, &[]))
}

fn circuit_text(out: &mut String, circuit: &CircuitOutcome) {
    let verdict = verdict_words(circuit).to_uppercase();
    let _ = writeln!(out, "\n{} / {}: {verdict}", circuit.station, circuit.circuit);
    if circuit.failures > 0 {
        let _ = writeln!(out, "  Internal audit error {} time(s); the audit started again.", circuit.failures);
    }
    if let Some((from, to)) = circuit.period {
        let (from, to) = (rfc3339(from), rfc3339(to));
        let _ = writeln!(out, "  {} readings, {from} to {to}", grouped(circuit.readings));
    }
    let _ = writeln!(out, "  {}", headline(circuit));
    let Some(assessment) = &circuit.assessment else { return };
    let subject =
        report::Subject { station: &circuit.station, circuit: &circuit.circuit, installation: &circuit.installation };
    out.push_str(&report::conclusions(assessment, subject));
    let Some(energy) = circuit.energy else {
        out.push_str("  Energy: no column gives active power\n");
        return;
    };
    let what = match energy.withheld(circuit.verdict()) {
        Some(why) => format!("withheld: {}", why.words()),
        None => energy_text::difference(&energy.sums, circuit.tariff.as_ref()),
    };
    paragraph(out, "  ", &format!("Energy ({}): {what}", energy_text::time_covered(&energy.sums)));
}

/// Every file that has something to tell.
fn files_text(out: &mut String, files: &[FileOutcome]) {
    for file in files.iter().filter(|file| file.error.is_some() || !file.notes.is_empty()) {
        let _ = writeln!(
            out,
            "\n{}: {} row{}, {} reading{}",
            file.name,
            grouped(file.rows),
            plural(file.rows),
            grouped(file.readings),
            plural(file.readings)
        );
        if let Some(error) = &file.error {
            let _ = writeln!(out, "  NOT READ TO ITS END: {error}");
        }
        for fault in Fault::ALL {
            let count = file.notes.count(fault);
            if count == 0 {
                continue;
            }
            let _ = writeln!(out, "  {} {}", grouped(count), fault.words());
            let mut kept = 0;
            for note in file.notes.kept(fault) {
                kept += 1;
                let _ = writeln!(out, "    line {}: {}", note.line, note.text);
            }
            if count > kept {
                let _ = writeln!(out, "    and {} more", grouped(count - kept));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::assessment::Verdict;
    use crate::audit::energy::Period;
    use crate::audit::misregistration::Misregistration;
    use crate::config::model::Tariff;
    use crate::station::fixtures::{exchanged, snapshot_after};

    /// 30 kWh too little, at 0.11 USD.
    fn outcome(verdict: Verdict, tariff: Option<Tariff>) -> CircuitOutcome {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let mut assessment = snapshot.circuits[0].assessment.as_deref().unwrap().clone();
        assessment.diagnosis.verdict = verdict;
        let sums = Misregistration {
            registered_wh: 15_000.0,
            true_wh: 45_000.0,
            uncertainty_wh: 450.0,
            covered_ms: 3_600_000,
            ..Misregistration::default()
        };
        CircuitOutcome {
            station: "Alder Creek Lift".to_owned(),
            circuit: "Pump 1".to_owned(),
            installation: snapshot.circuits[0].installation,
            energy: Some(Period { from: Some(assessment.at), sums, registered: true }),
            assessment: Some(assessment),
            tariff,
            doubts: Vec::new(),
            readings: 3601,
            period: None,
            failures: 0,
        }
    }

    fn usd() -> Tariff {
        Tariff { currency: "USD".to_owned(), price_per_kwh: 0.11 }
    }

    #[test]
    fn misregistered_energy_has_its_cost_where_there_is_a_tariff() {
        let told = |circuits| text(&Outcome { files: Vec::new(), circuits }, true);
        let priced = told(vec![outcome(Verdict::Fault, Some(usd()))]);
        assert!(priced.contains("-30.00   -3.30 USD  Alder Creek Lift"), "{priced}");
        let joined = priced.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(joined.contains("difference -30.00 kWh (between -30.90 and -29.10), -3.30 USD"), "{priced}");
        let plain = told(vec![outcome(Verdict::Fault, None)]);
        assert!(plain.contains("-30.00  Alder Creek Lift") && !plain.contains("Cost of it"), "{plain}");
    }

    #[test]
    fn what_no_verdict_carries_is_withheld_in_table_details_and_json() {
        let outcome = Outcome { files: Vec::new(), circuits: vec![outcome(Verdict::Undecided, Some(usd()))] };
        let text = text(&outcome, true);
        assert!(text.contains("withheld: not decided    withheld  Alder Creek Lift"), "{text}");
        assert!(!text.contains("-30.00") && !text.contains("USD"), "{text}");
        let energy = &serde_json::to_value(document(&outcome)).unwrap()["circuits"][0]["energy"];
        assert_eq!(energy["withheld"]["reason"], "undecided");
        for key in ["true_wh", "difference_wh", "cost"] {
            assert_eq!(energy[key], serde_json::Value::Null, "{key}");
        }
    }
}
