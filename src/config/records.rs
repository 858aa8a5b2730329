//! `[journal]` and `[history]`: where records are kept and how much of them. Both are off when their table is absent.
//!
//! Must never make a folder: that is for the daemon, when it starts.

use std::ops::RangeInclusive;
use std::path::PathBuf;

use super::model::{HistoryConfig, HistoryPlace};
use super::quantity::Dimension;
use super::reader::{Fault, Field, TableReader};
use crate::history::keeper::Limits;
use crate::history::postgres_tls::{Address, AddressError};

const DAY_S: f64 = 86_400.0;
const AGES: RangeInclusive<f64> = 3600.0..=36_600.0 * DAY_S;
const AGES_IN_WORDS: &str = "from 1 h to 36600 d";
const SIZES: RangeInclusive<f64> = 64e6..=1e15;

/// The journal's folder; the inner option is none when the table is absent.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
pub(super) fn read_journal(root: &TableReader<'_>) -> Option<Option<PathBuf>> {
    let Some(table) = root.table("journal") else { return absent(root, "journal") };
    let folder = read_folder(&table, "/var/lib/wattassay/journal");
    let folder = table.need(
        "folder",
        folder,
        "say where the journal is kept, for example folder = \"/var/lib/wattassay/journal\"",
    );
    table.finish();
    folder.value().map(Some)
}

/// The history's place and limits; the inner option is none when the table is absent.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
pub(super) fn read_history(root: &TableReader<'_>) -> Option<Option<HistoryConfig>> {
    let Some(table) = root.table("history") else { return absent(root, "history") };
    let place = read_place(&table);
    let defaults = Limits::default();
    let age = |key, default_ms: i64| {
        table
            .quantity(key, Dimension::Time, &AGES, AGES_IN_WORDS)
            .or(default_ms as f64 / 1000.0)
            .map(|s| (s * 1000.0) as i64)
    };
    let readings = age("keep_readings", defaults.age_ms[0]);
    let minutes = age("keep_minutes", defaults.age_ms[1]);
    let quarters = age("keep_quarter_hours", defaults.age_ms[2]);
    let size = table.quantity("size", Dimension::Size, &SIZES, "from 64 MB to 1000 TB").or(defaults.size_bytes as f64);
    table.finish();
    let age_ms = [readings?, minutes?, quarters?];
    Some(Some(HistoryConfig { place: place?, limits: Limits { age_ms, size_bytes: size? as u64 } }))
}

/// A table that is there and is none has been told already.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
fn absent<T>(root: &TableReader<'_>, key: &'static str) -> Option<Option<T>> {
    if root.raw(key).is_some() { None } else { Some(None) }
}

fn read_place(table: &TableReader<'_>) -> Option<HistoryPlace> {
    let folder = read_folder(table, "/var/lib/wattassay/history");
    let example = "host=/run/postgresql user=wattassay dbname=wattassay";
    let postgres = table.text("postgres", example);
    let postgres = table.check("postgres", postgres, |text| {
        let fault = |why: String| Fault::new(why, format!("write for example postgres = \"{example}\""));
        match text.parse::<Address>() {
            Ok(_) => Ok(text.to_owned()),
            Err(AddressError::Text(error)) => Err(fault(format!("this does not say how to reach a server: {error}"))),
            Err(error) => Err(fault(error.to_string())),
        }
    });
    if let (Field::Good(_), Field::Good(second)) = (&folder, &postgres) {
        let hint = "keep the history in a folder or in PostgreSQL; take one of the two keys away";
        table.fault("postgres", &second.span, Fault::new("the history has two places", hint));
        return None;
    }
    if !matches!(postgres, Field::Absent) {
        return postgres.value().map(HistoryPlace::Postgres);
    }
    let hint = "say where the history is kept, for example folder = \"/var/lib/wattassay/history\"";
    table.need("folder", folder, hint).value().map(HistoryPlace::Folder)
}

fn read_folder(table: &TableReader<'_>, example: &str) -> Field<PathBuf> {
    let field = table.text("folder", example);
    table.check("folder", field, |text| {
        if text.trim().is_empty() || text.contains('\0') {
            Err(Fault::new("this is not a folder", format!("write for example folder = \"{example}\"")))
        } else {
            Ok(PathBuf::from(text))
        }
    })
}
