//! What people found at the panel, from a TOML file: `[[checks]]` with station, circuit, check, what it shows, by whom, when.
//!
//! Every entry is checked against the configuration. Must never take an entry of which anything is in doubt.

mod found;
#[cfg(test)]
mod tests;

use std::path::Path;

use self::found::{FOUND_KEYS, check_words, kind_of, read_found, word};
use super::document::{parse_document, read_text};
use super::model::{Config, StationConfig};
use super::problem::{Problem, Problems, quoted};
use super::reader::{Fault, Field, TableReader, not_there};
use super::report::Report;
use super::station::MAX_NAME_CHARS;
use crate::audit::check_words::Panel;
use crate::audit::field_check::ERROR_RATE;
use crate::audit::outcome::Outcome;
use crate::reading::UnixMs;
use crate::station::context::installation;

/// One check as a person entered it.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedCheck {
    /// Station, as configured.
    pub station: String,
    /// Circuit, as configured.
    pub circuit: String,
    /// What was found.
    pub outcome: Outcome,
    /// Who looked.
    pub by: String,
    /// When.
    pub at: UnixMs,
}

/// Reads a file of field checks for the stations of `config`.
pub fn load_checks(path: &Path, config: &Config) -> Result<Vec<RecordedCheck>, Problems> {
    parse_checks(&path.display().to_string(), &read_checks_text(path)?, config)
}

/// The text of such a file, not looked at.
pub fn read_checks_text(path: &Path) -> Result<String, Problems> {
    read_text(path).map_err(|problem| Problems::new(vec![*problem]))
}

/// Checks the text of such a file.
pub fn parse_checks(file_name: &str, text: &str, config: &Config) -> Result<Vec<RecordedCheck>, Problems> {
    let report = Report::new(file_name, text);
    let mut all = Vec::new();
    if let Some(document) = &parse_document(&report, text) {
        let root = TableReader::new(&report, "", 0..0, document.get_ref());
        let tables = root.tables("checks");
        let tables = root.need("checks", tables, "write each check under a header [[checks]]");
        for table in tables.value().unwrap_or_default() {
            all.extend(read_entry(table, config, &all));
        }
        root.finish();
    }
    let problems: Vec<Problem> = report.into_problems();
    if problems.is_empty() { Ok(all) } else { Err(Problems::new(problems)) }
}

fn read_entry(table: TableReader<'_>, config: &Config, before: &[RecordedCheck]) -> Vec<RecordedCheck> {
    let station = read_station(&table, config);
    let circuit = read_circuit(&table, station);
    let by = table.name("by", MAX_NAME_CHARS, "J. Alvarez");
    let by = table.need("by", by, "say who looked, for example by = \"J. Alvarez\"").value();
    let at = read_at(&table);
    let error_rate = table.number("error_rate", "0.05");
    let error_rate = table
        .check("error_rate", error_rate, |rate| {
            // A check that errs half the time says nothing; one that never errs does not exist.
            if (0.001..=0.4).contains(&rate) {
                Ok(rate)
            } else {
                Err(Fault::new("this rate is out of range", "error_rate is from 0.001 to 0.4; 0.02 unless given"))
            }
        })
        .or(ERROR_RATE);
    let kind = word(&table, "check", &check_words(), kind_of);
    let place = if let Field::Good(kind) = &kind { kind.span.clone() } else { table.place().clone() };
    let kind = table.need("check", kind, "say what was checked, for example check = \"ct-lead-trace\"");
    let panel = station.zip(circuit.as_deref()).and_then(|(station, circuit)| panel_of(station, circuit));
    let found = kind.value().and_then(|kind| read_found(&table, kind, panel.as_ref()));
    let mut entries = Vec::new();
    if let (Some(station), Some(circuit), Some(by), Some(at), Some(error_rate), Some(found)) =
        (station, circuit, by, at, error_rate, found)
    {
        for (check, finding) in found {
            let entry = RecordedCheck {
                station: station.name.clone(),
                circuit: circuit.clone(),
                outcome: Outcome { check, finding, error_rate },
                by: by.clone(),
                at,
            };
            // The same person looking twice repeats the same mistake: it is one piece of evidence, not two.
            let same = |e: &&RecordedCheck| {
                e.station == entry.station && e.circuit == entry.circuit && e.by == entry.by && e.outcome.check == check
            };
            if before.iter().any(|e| same(&e)) {
                table.fault(
                    "check",
                    &place,
                    Fault::new(
                        format!("{} is entered twice by {}", check.title(), quoted(&entry.by)),
                        "keep the later of the two; a second look counts only when another person takes it",
                    ),
                );
            }
            entries.push(entry);
        }
    }
    if kind_is_unknown(&table) {
        // The keys of a check that is not known cannot be judged.
        for key in FOUND_KEYS {
            table.raw(key);
        }
    }
    table.finish();
    entries
}

/// What the meaning of a number depends on.
fn panel_of(station: &StationConfig, circuit: &str) -> Option<Panel> {
    let circuit = station.circuits.iter().find(|c| c.name == circuit)?;
    Some(Panel {
        installation: installation(station, circuit),
        ct_primary_a: circuit.ct_ratio.map(|ratio| ratio.primary_a),
    })
}

fn kind_is_unknown(table: &TableReader<'_>) -> bool {
    let kind = table.raw("check").and_then(|value| value.get_ref().as_str());
    kind.and_then(kind_of).is_none()
}

fn read_station<'c>(table: &TableReader<'_>, config: &'c Config) -> Option<&'c StationConfig> {
    let field = table.text("station", "Alder Creek Lift");
    let field = table.need("station", field, "name the station as in the configuration");
    let names = || config.stations.iter().map(|s| s.name.as_str());
    table
        .check("station", field, |name| {
            config.stations.iter().find(|s| s.name == name).ok_or_else(|| not_there("station", name, names()))
        })
        .value()
}

fn read_circuit(table: &TableReader<'_>, station: Option<&StationConfig>) -> Option<String> {
    let field = table.text("circuit", "Pump 1");
    let field = table.need("circuit", field, "name the circuit as in the configuration");
    let station = station?;
    let names = || station.circuits.iter().map(|c| c.name.as_str());
    table
        .check("circuit", field, |name| {
            if names().any(|known| known == name) {
                Ok(name.to_owned())
            } else {
                Err(not_there("circuit", name, names()))
            }
        })
        .value()
}

fn read_at(table: &TableReader<'_>) -> Option<UnixMs> {
    let field = table.time("at");
    table.need("at", field, "write date, time and zone, for example at = \"2026-11-25T10:00:00Z\"").value()
}
