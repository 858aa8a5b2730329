//! What a replay found as JSON, the same as the text says. Must never round, nor leave the cautions out.

use serde::Serialize;

use super::{cautions_of, doubt_text};
use crate::audit::words;
use crate::faces::cautions::Caution;
use crate::faces::json::{self, Corrected, DiagnosisJson, FindingJson, PeriodJson, UncorrectedJson, rfc3339};
use crate::reading::UnixMs;
use crate::replay::doubt::Misfit;
use crate::replay::notes::Fault;
use crate::replay::outcome::{CircuitOutcome, FileDoubt, FileOutcome, Outcome};
use crate::station::news::verdict_key;

/// Version of the JSON document; grows when a key changes its meaning or goes.
pub const VERSION: u32 = 1;

/// The JSON document.
#[derive(Debug, Serialize)]
pub struct Document {
    version: u32,
    /// Stands before everything else, and is empty only when nothing below could send a person to a panel.
    cautions: Vec<Caution>,
    circuits: Vec<CircuitJson>,
    files: Vec<File>,
}

#[derive(Debug, Serialize)]
struct CircuitJson {
    station: String,
    circuit: String,
    verdict: &'static str,
    fault_probability: Option<f64>,
    headline: Option<String>,
    /// Why the circuit is not judged; empty when its columns fit.
    columns_doubted: Vec<DoubtJson>,
    readings: u64,
    from: Option<String>,
    to: Option<String>,
    audit_failures: u64,
    energy: Option<PeriodJson>,
    corrected: Option<Corrected>,
    /// Why power is not corrected at the end; null where it is.
    corrected_withheld: Option<UncorrectedJson>,
    diagnosis: Option<DiagnosisJson>,
    findings: Vec<FindingJson>,
}

/// Columns that do not fit their circuit. `kind` is a stable word; `probability` is that of the one mistake named, and
/// null where none is sure enough.
#[derive(Debug, Serialize)]
struct DoubtJson {
    file: String,
    from: String,
    to: String,
    kind: &'static str,
    columns: Vec<String>,
    probability: Option<f64>,
    text: String,
}

#[derive(Debug, Serialize)]
struct File {
    name: String,
    rows: u64,
    readings: u64,
    error: Option<String>,
    notes: Vec<Noted>,
    /// Times of the columns file that are too short for this file, as sentences.
    too_short: Vec<String>,
}

#[derive(Debug, Serialize)]
struct Noted {
    kind: &'static str,
    count: u64,
    first: Vec<NoteJson>,
}

#[derive(Debug, Serialize)]
struct NoteJson {
    line: u64,
    text: String,
}

/// The outcome as JSON.
pub fn document(outcome: &Outcome) -> Document {
    Document {
        version: VERSION,
        cautions: cautions_of(outcome),
        circuits: outcome.circuits.iter().map(circuit).collect(),
        files: outcome.files.iter().map(file).collect(),
    }
}

fn circuit(circuit: &CircuitOutcome) -> CircuitJson {
    let assessment = circuit.assessment.as_ref();
    let time = |pick: fn((UnixMs, UnixMs)) -> UnixMs| circuit.period.map(|period| rfc3339(pick(period)));
    CircuitJson {
        station: circuit.station.clone(),
        circuit: circuit.circuit.clone(),
        verdict: verdict_key(circuit.verdict()),
        fault_probability: circuit.fault_probability(),
        headline: if circuit.doubts.is_empty() {
            assessment.map(|a| words::headline_with_check(a, &circuit.installation, &[]))
        } else {
            Some(doubt_text::HEADLINE.to_owned())
        },
        columns_doubted: circuit.doubts.iter().map(doubt).collect(),
        readings: circuit.readings,
        from: time(|period| period.0),
        to: time(|period| period.1),
        audit_failures: circuit.failures,
        energy: circuit.energy.map(|e| json::period(&e, circuit.verdict(), circuit.tariff.as_ref())),
        corrected: assessment.and_then(|a| a.corrected.as_ref()).map(json::corrected),
        corrected_withheld: assessment.and_then(|a| a.uncorrected).map(json::uncorrected),
        diagnosis: assessment.map(|a| json::diagnosis(&a.diagnosis)),
        findings: assessment.map_or_else(Vec::new, json::findings),
    }
}

fn doubt(of: &FileDoubt) -> DoubtJson {
    let (kind, columns, probability) = match &of.doubt.misfit {
        Misfit::Named(named) => {
            let columns = named.columns.iter().map(|column| column.column.clone()).collect();
            (doubt_text::kind(named.mistake), columns, Some(named.probability))
        }
        Misfit::Unclear { .. } => ("unclear", Vec::new(), None),
    };
    DoubtJson {
        file: of.file.clone(),
        from: rfc3339(of.doubt.period.0),
        to: rfc3339(of.doubt.period.1),
        kind,
        columns,
        probability,
        text: doubt_text::sentence(&of.doubt.misfit),
    }
}

fn file(file: &FileOutcome) -> File {
    let kind = |fault: Fault| Noted {
        kind: fault.key(),
        count: file.notes.count(fault),
        first: file.notes.kept(fault).map(|n| NoteJson { line: n.line, text: n.text.clone() }).collect(),
    };
    File {
        name: file.name.clone(),
        rows: file.rows,
        readings: file.readings,
        error: file.error.clone(),
        too_short: file.too_short.iter().map(doubt_text::too_short).collect(),
        notes: Fault::ALL.into_iter().map(kind).filter(|kind| kind.count > 0).collect(),
    }
}
