//! One entry of the book: what a person says, and what a file of checks would make of it. Must never let through what such a file
//! would not hold.

use serde::{Deserialize, Serialize};

use super::CheckBookError;
use crate::config::model::Config;
use crate::config::{RecordedCheck, parse_checks};

/// What a person says that a check showed. Which keys go with which check is as in a file of checks.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Found {
    /// Word of the check, as the sheet prints it and `next_checks` gives it; or voltage-matrix.
    pub check: String,
    /// Channel, from 1, as on the monitor's terminals.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<i64>,
    /// What was seen, as a word; or the number behind it in one of the keys below.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shows: Option<String>,
    /// Resistance of a CT's loop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ohms: Option<f64>,
    /// Volts from a terminal to every phase at the same breaker; all nine of them for a voltage-matrix.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts: Option<Volts>,
    /// Amps by clamp meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amps: Option<f64>,
    /// Amps that the monitor showed at the same moment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel_amps: Option<f64>,
    /// How often such a check is got wrong, 0.001 to 0.4.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error_rate: Option<f64>,
}

/// One row, or three rows of three.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(untagged)]
pub enum Volts {
    /// From one terminal to phases A, B, C at the same breaker.
    Row(Vec<f64>),
    /// Rows: terminals 1 to 3; columns: breaker phases A, B, C.
    Matrix(Vec<Vec<f64>>),
}

/// One entry, as kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Number, never used twice.
    pub id: u64,
    /// Station, as configured.
    pub station: String,
    /// Circuit, as configured.
    pub circuit: String,
    /// Who looked.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
    /// What was found.
    pub found: Found,
}

#[derive(Serialize)]
struct AsFile<'e> {
    checks: [AsCheck<'e>; 1],
}

#[derive(Serialize)]
struct AsCheck<'e> {
    station: &'e str,
    circuit: &'e str,
    #[serde(flatten)]
    found: &'e Found,
    by: &'e str,
    at: &'e str,
}

impl Entry {
    /// As it stands in a file of checks, header and all.
    pub fn to_toml(&self) -> Result<String, toml::ser::Error> {
        let Entry { station, circuit, by, at, found, .. } = self;
        toml::to_string(&AsFile { checks: [AsCheck { station, circuit, found, by, at }] })
    }
}

/// An entry by the rules of a file of checks.
pub fn parsed(entry: &Entry, config: &Config) -> Result<Vec<RecordedCheck>, CheckBookError> {
    let not_right = |key: &str, detail: String| CheckBookError::NotRight { key: key.to_owned(), detail };
    let text = entry.to_toml().map_err(|error| not_right("", error.to_string()))?;
    parse_checks("field check", &text, config).map_err(|problems| match problems.iter().next() {
        Some(problem) => {
            let key = problem.key.rsplit('.').next().unwrap_or_default();
            not_right(key, format!("{}: {}; {}", key, problem.message, problem.hint))
        }
        None => not_right("", "this is no field check".to_owned()),
    })
}
