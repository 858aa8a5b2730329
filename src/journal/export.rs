//! The journal as CSV and as JSON, record by record, so that its length does not matter.
//!
//! CSV by RFC 4180. Must never alter a text: what is exported still verifies.

use std::io::{self, Write};

use jiff::Timestamp;

use super::chain::Record;

/// First line of the CSV.
pub const CSV_HEAD: &str = "sequence,at,at_unix_ms,kind,station,subject,by,text,data,hash\n";

/// A record as a line of CSV.
pub fn csv(record: &Record, out: &mut impl Write) -> io::Result<()> {
    let r = record;
    let texts = [&r.kind, &r.station, &r.subject, &r.by, &r.text, &r.data].map(|text| csv_field(text)).join(",");
    writeln!(out, "{},{},{},{texts},{}", r.sequence, time(r.at_unix_ms), r.at_unix_ms, r.hash)
}

/// A record as one JSON object without a line break.
pub fn json(record: &Record, out: &mut impl Write) -> io::Result<()> {
    serde_json::to_writer(out, record).map_err(io::Error::from)
}

/// A time in UTC as ISO 8601 with milliseconds; empty for one beyond the calendar.
pub fn time(unix_ms: i64) -> String {
    Timestamp::from_millisecond(unix_ms).map_or_else(|_| String::new(), |at| format!("{at:.3}"))
}

/// A text as a field: in quotes where it needs them.
pub fn csv_field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::chain::{Head, Walk};
    use crate::journal::entry::{Entry, Kind};

    fn record() -> Record {
        let entry = Entry::new(1_795_000_000_123, Kind::OperatorAction, "said \"wait\",\nthen left")
            .about("Quarry Road Booster", "Pump 1")
            .by("J. Alvarez");
        Head::EMPTY.seal(&entry)
    }

    #[test]
    fn csv_quotes_what_needs_it() {
        let mut out = Vec::new();
        csv(&record(), &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        let start = "1,2026-11-18T11:06:40.123Z,1795000000123,operator_action,Quarry Road Booster,Pump 1,J. Alvarez,\
                     \"said \"\"wait\"\",\nthen left\",,";
        assert!(text.starts_with(start), "{text}");
        assert!(text.ends_with(&format!("{}\n", record().hash)), "{text}");
    }

    #[test]
    fn json_holds_every_field_that_the_hash_is_of() {
        let mut out = Vec::new();
        json(&record(), &mut out).unwrap();
        let value: serde_json::Value = serde_json::from_slice(&out).unwrap();
        let text = |key: &str| value[key].as_str().unwrap().to_owned();
        let rebuilt = Record {
            sequence: value["sequence"].as_i64().unwrap(),
            at_unix_ms: value["at_unix_ms"].as_i64().unwrap(),
            kind: text("kind"),
            station: text("station"),
            subject: text("subject"),
            by: text("by"),
            text: text("text"),
            data: text("data"),
            hash: crate::journal::chain::Hash::parse(&text("hash")).unwrap(),
        };
        let mut walk = Walk::default();
        walk.step(&rebuilt);
        assert_eq!(walk.broken(), None);
    }
}
