//! The registers as text, as Markdown and as CSV for tag import, made from the tables that answer requests.
//!
//! Must never state an address that is not computed from those tables.

use std::fmt::Write;

use super::audit_table::{BLOCK_LENGTH, BLOCK_STRIDE, LAYOUT_VERSION, ROWS};
use super::bits::{ALARMS, CHECK_BITS, DIAGNOSIS_BITS};
use super::server_table::{SERVER_LENGTH, SERVER_ROWS};
use super::sunspec_meter;
use super::units::BLOCK_BITS;
use super::words::Kind;
use crate::audit::words;
use crate::config::model::{Config, ModbusServerConfig};

/// One line of the tag list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tag {
    /// Station; empty for the server's own, and where no configuration was given.
    pub station: String,
    /// Circuit; empty likewise.
    pub circuit: String,
    /// Unit id.
    pub unit_id: u8,
    /// Name.
    pub tag: String,
    /// "holding register" or "discrete input".
    pub table: &'static str,
    /// Zero-based address as sent.
    pub address: u16,
    /// Registers, or 1 bit.
    pub count: u16,
    /// Type.
    pub kind: &'static str,
    /// Unit of measure.
    pub unit: &'static str,
    /// What it says.
    pub meaning: String,
}

impl Tag {
    /// The one-based number manuals print.
    pub fn reference(&self) -> String {
        let table = if self.table == "discrete input" { 1 } else { 4 };
        format!("{table}{:05}", u32::from(self.address) + 1)
    }
}

/// The tags of a configured server, or of the server's own registers and block 1 of unit 1.
pub fn tags(configured: Option<(&Config, &ModbusServerConfig)>) -> Vec<Tag> {
    let unit_id = configured.map_or(1, |(_, server)| server.audit_unit);
    let own = |offset: u16, name: &str, kind: Kind, unit, meaning: &str| Tag {
        station: String::new(),
        circuit: String::new(),
        unit_id,
        tag: name.to_owned(),
        table: "holding register",
        address: offset,
        count: kind.width(),
        kind: kind.name(),
        unit,
        meaning: meaning.to_owned(),
    };
    let mut all: Vec<Tag> =
        SERVER_ROWS.iter().map(|row| own(row.offset, row.name, row.kind, row.unit, row.meaning)).collect();
    let mut block = |number: u16, station: &str, circuit: &str| {
        let named = |tag: Tag| Tag { station: station.to_owned(), circuit: circuit.to_owned(), ..tag };
        let start = number * BLOCK_STRIDE;
        all.extend(ROWS.iter().map(|row| named(own(start + row.offset, row.name, row.kind, row.unit, row.meaning))));
        all.extend(bits().map(|(bit, tag, meaning)| {
            let tag = own(start + bit, &tag, Kind::U16, "", &meaning);
            named(Tag { table: "discrete input", kind: "bit", ..tag })
        }));
    };
    match configured {
        None => block(1, "", ""),
        Some((config, server)) => {
            for served in &server.circuits {
                let Some(station) = config.stations.get(served.station) else { continue };
                let circuit = station.circuits.get(served.circuit).map_or("", |c| c.name.as_str());
                block(served.block, &station.name, circuit);
            }
        }
    }
    all
}

/// Bits of a block: number, tag name, meaning.
fn bits() -> impl Iterator<Item = (u16, String, String)> {
    let alarms =
        ALARMS.iter().zip(0u16..).map(|(alarm, bit)| (bit, format!("alarm_{}", alarm.name), alarm.meaning.to_owned()));
    let checks = CHECK_BITS.into_iter().zip(16u16..).map(|(check, bit)| {
        (bit, format!("failed_{}", words::check_id(check)), format!("check failed: {}", words::check_title(check)))
    });
    alarms.chain(checks)
}

/// For tag import: one line a tag, quoted where needed (RFC 4180), addresses zero-based and as references.
pub fn csv(tags: &[Tag]) -> String {
    let mut out = String::from(
        "station,circuit,unit_id,tag,table,address,reference,count,type,byte_order,unit_of_measure,access,meaning\n",
    );
    for tag in tags {
        let address = [tag.unit_id.to_string(), tag.address.to_string(), tag.count.to_string()];
        let order = if tag.kind == "bit" { "" } else { "big-endian, high word first" };
        let [unit_id, address, count] = &address;
        let reference = tag.reference();
        let cells = [
            tag.station.as_str(),
            &tag.circuit,
            unit_id,
            &tag.tag,
            tag.table,
            address,
            &reference,
            count,
            tag.kind,
            order,
            tag.unit,
            "read",
            &tag.meaning,
        ];
        let line: Vec<String> = cells.into_iter().map(cell).collect();
        out.push_str(&line.join(","));
        out.push('\n');
    }
    out
}

/// A cell of CSV. A leading sign that a spreadsheet would take for a formula is quoted away.
fn cell(text: &str) -> String {
    let text = if text.starts_with(['=', '+', '-', '@']) { format!("'{text}") } else { text.to_owned() };
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

/// For reading in a terminal.
pub fn text(tags: &[Tag]) -> String {
    let mut out = String::new();
    let mut of = None;
    for tag in tags {
        let (station, circuit) = (tag.station.as_str(), tag.circuit.as_str());
        if of != Some((station, circuit, tag.table)) {
            let whose = match (station, circuit) {
                ("", "") => String::new(),
                _ => format!(", {station} / {circuit}"),
            };
            let _ = writeln!(out, "\nunit {}, {}s{whose}", tag.unit_id, tag.table);
            of = Some((station, circuit, tag.table));
        }
        let unit = if tag.unit.is_empty() { String::new() } else { format!(" [{}]", tag.unit) };
        let _ = writeln!(
            out,
            "  {:>5}  {}  {:<4} {:<28} {}{unit}",
            tag.address,
            tag.reference(),
            tag.kind,
            tag.tag,
            tag.meaning
        );
    }
    out.trim_start().to_owned()
}

/// The register manual.
pub fn markdown() -> String {
    let mut out = format!(
        "# Registers of the Modbus/TCP server\n\n\
         Layout version {LAYOUT_VERSION}. Made by `wattassay registers --format markdown`; do not edit.\n\n\
         - Addresses are zero-based, as sent. Functions 03 and 04 read the same registers, 01 and 02 the same bits.\n\
         - High byte first, high word first. `f32` is IEEE 754 single; NaN (0x7FC00000) is \"no value\". All ones is \"no \
         value\" of a `u32` or `u64`. `utf8` is padded with zeros.\n\
         - A value of the monitor or computed from it is \"no value\" as soon as it is old (three poll periods): look at \
         `data_state` and `data_age`. The verdict, and checks that failed, stand until something else is found.\n\
         - Writing is refused with exception 01, quantities of 0 or beyond the protocol with 03, addresses that do not exist \
         with 02, unit ids that do not exist with 0A, a monitor that does not answer with 0B, too many requests with 06.\n\
         - Over TLS, with roles: a unit that the role of the client's certificate does not allow is refused with 01, whether \
         or not it exists.\n\
         - Unit ids 0 and 255 are the audit unit, unless they are configured as something else.\n\
         - Function 43/14 (Read Device Identification) says what each unit is.\n\n\
         ## Audit unit: the server\n\nAddresses 0 to {}.\n\n",
        SERVER_LENGTH - 1
    );
    let head = "| address | name | type | unit | meaning |\n|---|---|---|---|---|\n";
    out.push_str(head);
    for row in SERVER_ROWS {
        line(&mut out, row.offset, row.name, row.kind, row.unit, row.meaning);
    }
    let _ = write!(
        out,
        "\n## Audit unit: the block of a circuit\n\n\
         Block n starts at {BLOCK_STRIDE} n and has {BLOCK_LENGTH} registers; add the offset. Everything but the names comes in \
         one read of {} registers. Offsets that are not listed read 0.\n\n",
        ROWS.iter().find(|row| matches!(row.kind, Kind::Text(_))).map_or(0, |row| row.offset)
    );
    out.push_str(&head.replace("address", "offset"));
    for row in ROWS {
        line(&mut out, row.offset, row.name, row.kind, row.unit, row.meaning);
    }
    let _ = write!(
        out,
        "\n### Bits\n\nBits of `alarms` and of `checks_failed` (minus 16) and `checks_passed` (minus 16), and the discrete \
         inputs and coils of block n at {BLOCK_STRIDE} n plus the bit; {BLOCK_BITS} can be read.\n\n\
         | bit | name | meaning |\n|---|---|---|\n"
    );
    for (bit, name, meaning) in bits() {
        let _ = writeln!(out, "| {bit} | `{name}` | {meaning} |");
    }
    out.push_str("\nBits of `diagnosis`:\n\n| bit | name | meaning |\n|---|---|---|\n");
    for (bit, part) in DIAGNOSIS_BITS.iter().enumerate() {
        let _ = writeln!(out, "| {bit} | `{}` | {} |", part.name, part.meaning);
    }
    let _ = write!(
        out,
        "\n## A circuit as a SunSpec meter\n\n\
         Marker at {}, common model 1, then model 213 (four-wire), 214 (three-wire), 212 (split phase) or 211 (single phase); a \
         master that knows the standard finds them. Positive power is taken from the supply by the load, positive reactive power \
         is inductive. Power is the corrected power: NaN when it cannot be corrected or the readings are old, 0 while the pump is \
         stopped. Voltages and currents stand at the phases the leads are really on where that is known. The energy counter is \
         the monitor's own, shown only while the verdict is \"sound\". Event bits: 7 missing sensor (a voltage or current gives \
         nothing); 16 power is registered wrong; 17 power is not corrected now; 18 readings are old.\n\n\
         ## A monitor read through\n\n\
         Functions 01 to 04 as the monitor itself answers them, asked on the connection it is polled on. The same question of \
         many masters is asked once; an answer not older than `max_age` is given again. Its exceptions are handed on; 0B when it \
         does not answer, 06 when too many wait. Registers its map forbids to read are refused with 02.\n",
        sunspec_meter::BASE
    );
    out
}

fn line(out: &mut String, offset: u16, name: &str, kind: Kind, unit: &str, meaning: &str) {
    let _ = writeln!(out, "| {offset} | `{name}` | {} | {unit} | {meaning} |", kind.name());
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{MapLibrary, parse};

    /// What SCADA engineers were given is what the server answers: `wattassay registers --format csv` and `markdown` write
    /// these files anew, and so does `UPDATE_REGISTERS=1 cargo test --lib committed_documents`.
    #[test]
    fn the_committed_documents_are_those_of_the_tables() {
        if std::env::var("UPDATE_REGISTERS").is_ok() {
            std::fs::write("deploy/modbus/registers.csv", csv(&tags(None))).unwrap();
            std::fs::write("deploy/modbus/registers.md", markdown()).unwrap();
            return;
        }
        assert_eq!(csv(&tags(None)), include_str!("../../../deploy/modbus/registers.csv"));
        assert_eq!(markdown(), include_str!("../../../deploy/modbus/registers.md"));
    }

    #[test]
    fn a_configurations_tags_have_its_addresses_and_names() {
        let text = include_str!("../../../config/demo.toml").to_owned()
            + "[modbus_server]\naudit_unit = 9\n[[modbus_server.circuits]]\nstation = \"Mill Race Pumping\"\n\
               circuit = \"Pump 2\"\nblock = 4\n";
        let config = parse("f.toml", &text, &MapLibrary::builtin()).unwrap();
        let tags = tags(config.modbus_server.as_ref().map(|server| (&config, server)));
        let verdict = tags.iter().find(|tag| tag.tag == "verdict").unwrap();
        assert_eq!((verdict.unit_id, verdict.address, verdict.reference()), (9, 808, "400809".to_owned()));
        assert_eq!((verdict.station.as_str(), verdict.circuit.as_str()), ("Mill Race Pumping", "Pump 2"));
        let bit = tags.iter().find(|tag| tag.tag == "failed_voltage_current_association").unwrap();
        assert_eq!((bit.address, bit.reference()), (819, "100820".to_owned()));
        assert_eq!(csv(&tags).lines().count(), 1 + SERVER_ROWS.len() + ROWS.len() + ALARMS.len() + CHECK_BITS.len());
    }

    #[test]
    fn cells_are_quoted_where_they_must_be() {
        assert_eq!(cell("a, \"b\""), "\"a, \"\"b\"\"\"");
        assert_eq!(cell("=1+1"), "'=1+1");
    }
}
