//! What stands before everything else of a replay: columns that do not fit, and times of the columns file that are too
//! short for the rows. What is wrong, what fits, what to write.
//!
//! Must never name a lead.

use std::fmt::Write;

use super::super::json::rfc3339;
use super::super::text::{paragraph, plural};
use crate::audit::register_fault::group::{Group, factor};
use crate::audit::words::percent;
use crate::config::{quantity_word, unit_of_factor};
use crate::modbus::map::Quantity;
use crate::replay::doubt::alteration::Mistake;
use crate::replay::doubt::{Declared, Explanation, Misfit};
use crate::replay::outcome::Outcome;
use crate::replay::steps::TooShort;

/// What stands in place of a finding.
pub(super) const HEADLINE: &str = "columns do not fit this circuit: see above";

/// All of it; nothing where there is nothing to tell.
pub(super) fn first(out: &mut String, outcome: &Outcome) {
    let doubted: Vec<_> = outcome.circuits.iter().filter(|circuit| !circuit.doubts.is_empty()).collect();
    if !doubted.is_empty() {
        out.push_str("COLUMNS THAT DO NOT FIT. No lead of these circuits is judged until this is settled.\n");
        for circuit in &doubted {
            for of in &circuit.doubts {
                let (from, to) = (rfc3339(of.doubt.period.0), rfc3339(of.doubt.period.1));
                let _ = writeln!(out, "  {} / {}, {} ({from} to {to}):", circuit.station, circuit.circuit, of.file);
                paragraph(out, "    ", &sentence(&of.doubt.misfit));
            }
        }
        paragraph(
            out,
            "  ",
            "If the columns are right, check nominal_voltage, full_load_current and ct_ratio in the configuration.",
        );
        out.push('\n');
    }
    let mut short = false;
    for file in &outcome.files {
        for too_short in &file.too_short {
            if !short {
                out.push_str("THE COLUMNS FILE IS TOO STRICT FOR THESE ROWS\n");
                short = true;
            }
            paragraph(out, "  ", &format!("{}: {}", file.name, self::too_short(too_short)));
        }
    }
    if short {
        out.push('\n');
    }
}

/// A word for machines.
pub(super) fn kind(mistake: Mistake) -> &'static str {
    match mistake {
        Mistake::Scale(_) => "scale",
        Mistake::Quantity { .. } => "quantity",
        Mistake::OtherVoltage { .. } => "voltage_reference",
        Mistake::Unsigned(_) => "signedness",
        Mistake::Negated => "sign",
        Mistake::Meaningless => "no_unit_fits",
    }
}

/// What does not fit, what does, and what to write.
pub(super) fn sentence(misfit: &Misfit) -> String {
    match misfit {
        Misfit::Named(named) => {
            let (is, write) = parts(named);
            let values = if named.values.is_empty() { String::new() } else { format!(": {}", named.values) };
            format!("{is} (probability {}){values}. {write}.", percent(named.probability))
        }
        Misfit::Unclear { right, candidates } => {
            let mut text = format!(
                "As declared, the columns do not fit the circuit (probability that they are right {}), and no one mistake \
                 explains it surely enough.",
                percent(*right)
            );
            for (n, candidate) in candidates.iter().enumerate() {
                let (is, _) = parts(candidate);
                let lead = if n == 0 { " Likeliest: " } else { "; or " };
                let _ = write!(text, "{lead}{is} ({})", percent(candidate.probability));
            }
            if !candidates.is_empty() {
                text.push('.');
            }
            text + " Compare each column's quantity and unit with the export's own description."
        }
    }
}

/// What is wrong, without its probability, and what to write.
fn parts(of: &Explanation) -> (String, String) {
    let (name, are) = (names(&of.columns), if of.columns.len() == 1 { "is" } else { "are" });
    let (at, they) = if of.columns.len() == 1 { ("at this column", "it") } else { ("at each of them", "they") };
    let declared = |column: &Declared| (column.target.quantity, column.unit);
    match of.mistake {
        Mistake::Scale(power) => {
            let units = shared(&of.columns, |column| column.unit);
            let fits = shared(&of.columns, |column| {
                unit_of_factor(column.target.quantity, column.scale * 10f64.powi(i32::from(power)))
            });
            match (units, fits.flatten()) {
                (Some(unit), Some(fits)) => (
                    format!("{name} {are} declared in {}; {} fits all values", shown(unit), shown(fits)),
                    format!("In the columns file write unit = \"{fits}\" {at}"),
                ),
                (Some(unit), None) => (
                    format!("{name} {are} declared in {}; {} times the values fits", shown(unit), factor(power)),
                    "No unit of a columns file is that: correct the scale in the recorder or in the export".to_owned(),
                ),
                (None, _) => (
                    format!("{name}: {} times the values as declared fits", factor(power)),
                    format!("In the columns file correct the unit {at}"),
                ),
            }
        }
        Mistake::Quantity { is, swapped, power } => {
            let to = match is {
                Group::ActivePower => Quantity::ActivePower,
                Group::ReactivePower => Quantity::ReactivePower,
                _ => Quantity::ApparentPower,
            };
            let from = of.columns.first().map_or("", |column| quantity_word(column.target.quantity));
            let to_word = quantity_word(to);
            let unit = shared(&of.columns, |column| unit_of_factor(to, column.scale * 10f64.powi(i32::from(power))));
            let unit = unit.flatten().map_or(String::new(), |unit| format!(" and unit = \"{unit}\""));
            let turn = if swapped { format!(", and the columns of {to_word} fit as {from}") } else { String::new() };
            (
                format!("{name} {are} declared as {from}; the values fit as {to_word}{turn}"),
                if swapped {
                    format!("In the columns file swap {from} and {to_word} of these columns, with their units")
                } else {
                    format!("In the columns file write quantity = \"{to_word}\"{unit} {at}")
                },
            )
        }
        Mistake::OtherVoltage { swapped } => {
            let from = of.columns.first().map_or(Quantity::VoltageLn, |column| declared(column).0);
            let to = if from == Quantity::VoltageLn { Quantity::VoltageLl } else { Quantity::VoltageLn };
            let (from_word, to_word) = (quantity_word(from), quantity_word(to));
            let channels = if to == Quantity::VoltageLl { "12, 23, 31" } else { "1, 2, 3" };
            let turn = if swapped { format!(", and those of {to_word} as {from_word}") } else { String::new() };
            (
                format!("{name} {are} declared as {from_word}; the values fit as {to_word}{turn}"),
                format!("In the columns file write quantity = \"{to_word}\" with channels {channels} {at}"),
            )
        }
        Mistake::Unsigned(span) => {
            let scale = of.columns.first().map_or(1.0, |column| column.scale);
            (
                format!(
                    "{name}: negative numbers were recorded without their sign; less {} where {they} would be negative, the \
                     values fit",
                    plain(span / scale)
                ),
                "Record these columns as signed numbers, or export them anew".to_owned(),
            )
        }
        Mistake::Negated => (
            format!("{name} {are} of reversed sign against the other columns"),
            "Where all power of the export counts the other way, say so under [conventions] in the columns file; else correct \
             the sign in the recorder or in the export"
                .to_owned(),
        ),
        Mistake::Meaningless => (
            format!("{name} {are} declared in {}; the values fit in no unit", shared(&of.columns, |c| c.unit).map_or("different units", shown)),
            format!("Check in the recorder what {they} hold{}", if of.columns.len() == 1 { "s" } else { "" }),
        ),
    }
}

/// The value that all columns share.
fn shared<T: PartialEq>(columns: &[Declared], of: impl Fn(&Declared) -> T) -> Option<T> {
    let mut all = columns.iter().map(of);
    let first = all.next()?;
    all.all(|other| other == first).then_some(first)
}

/// A unit in a sentence.
fn shown(unit: &'static str) -> &'static str {
    if unit == "1" { "a ratio (unit \"1\")" } else { unit }
}

/// Names shown of several columns.
const NAMES: usize = 4;

fn names(columns: &[Declared]) -> String {
    let all: Vec<String> = columns.iter().map(|column| format!("\"{}\"", column.column)).collect();
    match all.as_slice() {
        [one] => format!("column {one}"),
        all if all.len() <= NAMES => {
            let (last, first) = all.split_last().map_or(("", &[][..]), |(last, first)| (last.as_str(), first));
            format!("columns {} and {last}", first.join(", "))
        }
        all => format!("columns {} and {} more", all[..NAMES - 1].join(", "), all.len() - (NAMES - 1)),
    }
}

/// What is too short, for what, and what to write.
pub(super) fn too_short(of: &TooShort) -> String {
    let write = |key: &str, ms: Option<u64>| match ms {
        Some(ms) => format!("write {key} = \"{}\"", time(ms)),
        None => {
            format!("no {key} that may be set is long enough (24 h at most); export values that are closer together")
        }
    };
    match of {
        TooShort::Hold { hold_ms, step_ms, tag, values, missing, readings, enough_ms } => {
            let is = if *hold_ms == 0 {
                "hold is not set, so a value counts only at the time of its own row".to_owned()
            } else {
                format!("hold is {}", time(*hold_ms))
            };
            let others = match values - 1 {
                0 => String::new(),
                more => format!(", and {more} more value{} likewise", plural(more as u64)),
            };
            format!(
                "{is}; rows of \"{tag}\" come every {} (median), so it was missing in {missing} of {readings} readings{others}. \
                 In the columns file under [long] {}",
                time(*step_ms),
                write("hold", *enough_ms)
            )
        }
        TooShort::Gap { longest_gap_ms, step_ms, enough_ms } => format!(
            "longest_gap is {}, but rows come every {} (median), so that no energy is counted between them. At the head of the \
             columns file {}",
            time(*longest_gap_ms),
            time(*step_ms),
            write("longest_gap", *enough_ms)
        ),
    }
}

/// As a columns file writes it.
fn time(ms: u64) -> String {
    if ms > 120_000 && ms.is_multiple_of(60_000) {
        format!("{} min", ms / 60_000)
    } else if ms.is_multiple_of(1000) {
        format!("{} s", ms / 1000)
    } else {
        format!("{ms} ms")
    }
}

/// A number without the dust of floating point.
fn plain(number: f64) -> f64 {
    format!("{number:.6e}").parse().unwrap_or(number)
}
