//! The SQL that both databases understand, made from the list of quantities. Parameters are `$1`, `$2` and so on.
//!
//! Must never hold a value: values go in as parameters.

use std::fmt::Write;

use super::quantity::{QUANTITIES, Rollup};
use super::store::{Query, Statistic, Tier};

/// Types that the databases name differently.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dialect {
    pub(super) integer: &'static str,
    pub(super) real: &'static str,
    pub(super) bytes: &'static str,
    /// A primary key that numbers itself.
    pub(super) serial: &'static str,
    /// What follows a table whose rows lie in the order of their key.
    pub(super) clustered: &'static str,
}

const SPAN: &str = "source = $1 AND at_ms >= $2 AND at_ms < $3";

/// Name of the table of a tier and statistic.
pub(super) fn table(tier: Tier, statistic: Statistic) -> String {
    match tier {
        Tier::Detail => tier.key().to_owned(),
        _ => format!("{}_{}", tier.key(), statistic.key()),
    }
}

/// The tables that hold rows of a tier.
pub(super) fn tables(tier: Tier) -> Vec<String> {
    match tier {
        Tier::Detail => vec![table(tier, Statistic::Mean)],
        _ => Statistic::ALL.map(|statistic| table(tier, statistic)).to_vec(),
    }
}

/// The tables to remove old rows of a tier from: with the coarsest tier, changes too.
pub(super) fn aging_tables(tier: Tier) -> Vec<String> {
    let mut tables = tables(tier);
    if tier == Tier::QuarterHour {
        tables.push("event".to_owned());
    }
    tables
}

/// Every table; does nothing to those that exist.
pub(super) fn schema(d: Dialect) -> String {
    let Dialect { integer, real, bytes, serial, clustered } = d;
    let mut sql = format!(
        "CREATE TABLE IF NOT EXISTS source (id {serial}, station TEXT NOT NULL, is_monitor {integer} NOT NULL,
            name TEXT NOT NULL, UNIQUE (station, is_monitor, name));
        CREATE TABLE IF NOT EXISTS event (id {serial}, source {integer} NOT NULL, at_ms {integer} NOT NULL,
            kind TEXT NOT NULL, subject TEXT NOT NULL, state TEXT NOT NULL, text TEXT NOT NULL);
        CREATE INDEX IF NOT EXISTS event_by_source ON event (source, at_ms);
        CREATE TABLE IF NOT EXISTS state (key TEXT PRIMARY KEY, value {bytes} NOT NULL);"
    );
    let columns: String = QUANTITIES.iter().fold(String::new(), |mut all, quantity| {
        let _ = write!(all, "{} {real}, ", quantity.key);
        all
    });
    for tier in Tier::ALL {
        let samples = if tier == Tier::Detail { String::new() } else { format!("samples {integer} NOT NULL, ") };
        for table in tables(tier) {
            let _ = write!(
                sql,
                "CREATE TABLE IF NOT EXISTS {table} (source {integer} NOT NULL, at_ms {integer} NOT NULL,
                    {samples}{columns}PRIMARY KEY (source, at_ms)){clustered};"
            );
        }
    }
    sql
}

/// Inserts one sample: source, time, values.
pub(super) fn insert_sample() -> String {
    let parameters = (1..=QUANTITIES.len() + 2).map(|n| format!("${n}")).collect::<Vec<_>>().join(", ");
    format!("INSERT INTO detail (source, at_ms, {}) VALUES ({parameters}) {}", columns(), replace(false))
}

/// Inserts the samples of another table.
pub(super) fn insert_from(table: &str) -> String {
    let columns = columns();
    let replace = replace(false);
    format!(
        "INSERT INTO detail (source, at_ms, {columns}) SELECT source, at_ms, {columns} FROM {table} WHERE true {replace}"
    )
}

/// Makes rows of a tier from the tier below: `$1` from, `$2` to.
pub(super) fn roll_up(tier: Tier, statistic: Statistic) -> Option<String> {
    let (finer, interval) = (tier.finer()?, tier.interval_ms()?);
    let weighted = finer != Tier::Detail;
    let samples = if weighted { "sum(d.samples)" } else { "count(*)" };
    let values: Vec<String> = QUANTITIES.iter().map(|q| rolled(q.key, q.rollup, statistic, weighted)).collect();
    Some(format!(
        "INSERT INTO {into} (source, at_ms, samples, {columns})
         SELECT s.id, d.at_ms / {interval} * {interval}, {samples}, {values}
         FROM source s JOIN {from} d ON d.source = s.id AND d.at_ms >= $1 AND d.at_ms < $2
         WHERE true GROUP BY s.id, d.at_ms / {interval} * {interval} {replace}",
        into = table(tier, statistic),
        from = table(finer, statistic),
        columns = columns(),
        values = values.join(", "),
        replace = replace(true),
    ))
}

/// A column over the readings of one interval. Rows of rolled-up tiers count as many times as they have readings.
fn rolled(key: &str, rollup: Rollup, statistic: Statistic, weighted: bool) -> String {
    let x = format!("d.{key}");
    let weight = if weighted { "d.samples * " } else { "" };
    match (statistic, rollup) {
        (Statistic::Lowest, _) => format!("min({x})"),
        (Statistic::Highest, _) | (_, Rollup::Counter) => format!("max({x})"),
        (_, Rollup::Angle) => {
            format!("atan2d(sum({weight}sind({x})), sum({weight}cosd({x})))")
        }
        (_, Rollup::Mean) if weighted => {
            format!("sum(d.samples * {x}) / sum(CASE WHEN {x} IS NOT NULL THEN d.samples END)")
        }
        (_, Rollup::Mean) => format!("avg({x})"),
    }
}

/// Rows of a query with the readings each stands for: `$1` source, `$2` from, `$3` to, `$4` no more than.
pub(super) fn select(query: &Query) -> String {
    let columns: String =
        query.quantities.iter().filter_map(|q| QUANTITIES.get(*q)).fold(String::new(), |mut all, q| {
            let _ = write!(all, ", {}", q.key);
            all
        });
    let table = table(query.tier, query.statistic);
    // Cast, since a bare number is 32 bits wide to PostgreSQL.
    let samples = if query.tier == Tier::Detail { "CAST(1 AS BIGINT)" } else { "samples" };
    format!("SELECT at_ms, {samples}{columns} FROM {table} WHERE {SPAN} ORDER BY at_ms LIMIT $4")
}

/// Number of rows of a query, counted up to `$4`, and their first and last time; `$1` to `$3` as for the rows.
pub(super) fn extent(query: &Query) -> String {
    let table = table(query.tier, query.statistic);
    format!(
        "SELECT (SELECT count(*) FROM (SELECT 1 FROM {table} WHERE {SPAN} LIMIT $4) counted),
            (SELECT min(at_ms) FROM {table} WHERE {SPAN}), (SELECT max(at_ms) FROM {table} WHERE {SPAN})"
    )
}

/// The earliest time of a tier not before `$1`, by one look-up a source.
pub(super) fn earliest(tier: Tier) -> String {
    let table = table(tier, Statistic::Mean);
    format!("SELECT min((SELECT min(at_ms) FROM {table} WHERE source = s.id AND at_ms >= $1)) FROM source s")
}

/// Removes the rows of a table before `$1`.
pub(super) fn remove_before(table: &str) -> String {
    format!("DELETE FROM {table} WHERE source IN (SELECT id FROM source) AND at_ms < $1")
}

fn columns() -> String {
    QUANTITIES.map(|quantity| quantity.key).join(", ")
}

fn replace(samples: bool) -> String {
    let mut sql = "ON CONFLICT (source, at_ms) DO UPDATE SET ".to_owned();
    if samples {
        sql.push_str("samples = excluded.samples, ");
    }
    sql + &QUANTITIES.map(|quantity| format!("{key} = excluded.{key}", key = quantity.key)).join(", ")
}
