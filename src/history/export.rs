//! Rows of the history in pieces, and as CSV. Must never fill a gap: what was not measured is an empty field. Must never
//! hold more than one piece in memory.

use std::io::{self, Write};

use super::quantity::QUANTITIES;
use super::store::{Query, Rows, Store, StoreError};
use crate::journal::export::time;

/// Rows that a piece has at one reading a second; of the rolled-up tiers, at most.
const PIECE_ROWS: i64 = 14_400;

/// Gives the rows of a query in order of time, piece by piece, stepping over times without any.
pub fn pieces<E: From<StoreError>>(
    store: &mut dyn Store,
    query: &Query,
    mut take: impl FnMut(&Rows) -> Result<(), E>,
) -> Result<(), E> {
    let span_ms = PIECE_ROWS * query.tier.interval_ms().unwrap_or(1000);
    let mut from_ms = query.from_ms;
    while let Some(from) = store.earliest(query.tier, from_ms)?.filter(|from| *from < query.to_ms) {
        let to_ms = query.to_ms.min(from.saturating_add(span_ms));
        let rows = store.rows(&Query { from_ms: from, to_ms, ..query.clone() })?;
        if !rows.at_ms.is_empty() {
            take(&rows)?;
        }
        from_ms = to_ms;
    }
    Ok(())
}

/// Writes the head line of these quantities.
pub fn csv_head(quantities: &[usize], out: &mut impl Write) -> io::Result<()> {
    let keys: Vec<&str> = quantities.iter().filter_map(|place| QUANTITIES.get(*place)).map(|q| q.key).collect();
    writeln!(out, "at,{}", keys.join(","))
}

/// Writes rows; times in UTC.
pub fn csv_rows(rows: &Rows, out: &mut impl Write) -> io::Result<()> {
    for (at_ms, values) in rows.iter() {
        write!(out, "{}", time(at_ms))?;
        for value in values {
            if value.is_nan() { write!(out, ",")? } else { write!(out, ",{value}")? }
        }
        writeln!(out)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::quantity::{COUNT, place};
    use crate::history::sqlite::SqliteStore;
    use crate::history::store::{Batch, Sample, Source, Statistic, Tier};

    #[test]
    fn what_was_not_measured_is_empty() {
        let rows = Rows {
            quantities: vec![place::FREQUENCY_HZ, place::ENERGY_IMPORT_WH],
            at_ms: vec![1_795_000_000_000, 1_795_000_001_000],
            samples: vec![1, 1],
            values: vec![59.98, f64::NAN, 0.0, 1e9],
        };
        let mut out = Vec::new();
        csv_head(&rows.quantities, &mut out).unwrap();
        csv_rows(&rows, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        let expected = "at,frequency_hz,energy_import_wh\n2026-11-18T11:06:40.000Z,59.98,\n2026-11-18T11:06:41.000Z,0,1000000000\n";
        assert_eq!(text, expected);
    }

    #[test]
    fn pieces_give_every_row_once_and_step_over_gaps_and_other_sources() {
        const START_MS: i64 = 1_795_000_000_000;
        const YEAR_S: i64 = 31_557_600;
        let folder = tempfile::tempdir().unwrap();
        let mut store = SqliteStore::open(folder.path(), 0).unwrap().0;
        let named = |name: &str| Source { station: "Alder Creek Lift".into(), is_monitor: false, name: name.into() };
        let (one, two) = (store.source(&named("Pump 1")).unwrap(), store.source(&named("Pump 2")).unwrap());
        let sample = |source, second: i64| {
            let at_ms = START_MS + second * 1000;
            let mut values = Box::new([f64::NAN; COUNT]);
            values[place::FREQUENCY_HZ] = second as f64;
            Sample { source, at_ms, values }
        };
        // Two pieces and a row, nothing for three years but of the other, then a row at the very end and one behind it.
        let seconds: Vec<i64> = (0..=2 * PIECE_ROWS).chain([3 * YEAR_S, 3 * YEAR_S + 1]).collect();
        let mut samples: Vec<Sample> = seconds.iter().map(|second| sample(one, *second)).collect();
        samples.push(sample(two, YEAR_S));
        store.write(&Batch { samples, ..Batch::default() }).unwrap();
        let query = Query {
            source: one,
            tier: Tier::Detail,
            statistic: Statistic::Mean,
            from_ms: i64::MIN,
            to_ms: START_MS + (3 * YEAR_S + 1) * 1000,
            quantities: vec![place::FREQUENCY_HZ],
        };
        let (mut got, mut sizes) = (Vec::new(), Vec::new());
        let mut take = |rows: &Rows| {
            sizes.push(rows.at_ms.len() as i64);
            got.extend(rows.values.iter().map(|second| *second as i64));
            Ok::<(), StoreError>(())
        };
        pieces(&mut store, &query, &mut take).unwrap();
        assert_eq!(sizes, [PIECE_ROWS, PIECE_ROWS, 1, 1]);
        assert_eq!(got, seconds[..seconds.len() - 1]);
    }
}
