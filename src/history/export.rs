//! Rows of the history as CSV. Must never fill a gap: what was not measured is an empty field.

use std::io::{self, Write};

use super::quantity::QUANTITIES;
use super::store::Rows;
use crate::journal::export::time;

/// Writes rows under a head line; times in UTC.
pub fn csv(rows: &Rows, out: &mut impl Write) -> io::Result<()> {
    let keys: Vec<&str> = rows.quantities.iter().filter_map(|place| QUANTITIES.get(*place)).map(|q| q.key).collect();
    writeln!(out, "at,{}", keys.join(","))?;
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
    use crate::history::quantity::place;

    #[test]
    fn what_was_not_measured_is_empty() {
        let rows = Rows {
            quantities: vec![place::FREQUENCY_HZ, place::ENERGY_IMPORT_WH],
            at_ms: vec![1_795_000_000_000, 1_795_000_001_000],
            samples: vec![1, 1],
            values: vec![59.98, f64::NAN, 0.0, 1e9],
        };
        let mut out = Vec::new();
        csv(&rows, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        let expected = "at,frequency_hz,energy_import_wh\n2026-11-18T11:06:40.000Z,59.98,\n2026-11-18T11:06:41.000Z,0,1000000000\n";
        assert_eq!(text, expected);
    }
}
