//! The `[modbus_server]` table: where masters find the audit, who may connect, and which unit id is what.
//!
//! Must never give a circuit another block than the file says: tags in a SCADA system point to numbers.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use super::address_range::AddressRange;
use super::model::{MOST_AUDIT_BLOCKS, ModbusServerConfig, PassThrough, ServedCircuit, StationConfig};
use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader, not_there, text_of};

#[path = "modbus_tls.rs"]
mod tls;

/// Where the server listens unless the file says otherwise. Port 502 would need the right to open low ports.
const DEFAULT_LISTEN: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 1502);
const DEFAULT_AUDIT_UNIT: i64 = 1;

/// Reads the table; `Some(None)` when the file has none. `stations` is none when they are at fault, which is told already.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
pub(super) fn read_modbus_server(
    root: &TableReader<'_>,
    stations: Option<&[StationConfig]>,
) -> Option<Option<ModbusServerConfig>> {
    let Some(table) = root.table("modbus_server") else {
        // A key that is there and no table has been told.
        return Some(None);
    };
    let listen = read_listen(&table);
    let allow = read_allow(&table, listen);
    let max_connections = table.integer("max_connections", 1..=1024).or(32);
    let per_address = table.integer("max_connections_per_address", 1..=1024).or(8);
    let rate = table.integer("requests_per_second", 1..=100_000).or(200);
    let idle = table.quantity("idle_timeout", Dimension::Time, &(1.0..=86_400.0), "from 1 s to 24 h").or(60.0);
    let audit_unit = table.integer("audit_unit", 1..=247);
    let mut units = Units::default();
    let audit_unit = match audit_unit {
        Field::Absent => Some(Located { value: DEFAULT_AUDIT_UNIT, span: table.place().clone() }),
        other => other.located(),
    };
    let audit_unit = audit_unit.and_then(|unit| units.take(&table, "audit_unit", &unit));
    let circuits = read_circuits(&table, stations, &mut units);
    let pass_through = read_pass_through(&table, stations, &mut units);
    let tls = tls::read_tls(&table, &units);
    table.finish();
    Some(Some(ModbusServerConfig {
        listen: listen?,
        allow: allow?,
        max_connections: max_connections? as usize,
        max_connections_per_address: per_address? as usize,
        requests_per_second: rate? as u32,
        idle_timeout: Duration::from_secs_f64(idle?),
        audit_unit: audit_unit?,
        circuits: circuits?,
        pass_through: pass_through?,
        tls: tls?,
    }))
}

fn read_listen(table: &TableReader<'_>) -> Option<SocketAddr> {
    let expose = table.boolean("expose");
    let listen = table.text("listen", "127.0.0.1:1502");
    let listen = table.check("listen", listen, |text| {
        let address: SocketAddr = text.parse().map_err(|_| {
            Fault::new(
                format!("{} is not an address to listen on", quoted(text)),
                "write a numeric address and a port, for example \"127.0.0.1:1502\" or \"10.20.1.2:502\"",
            )
        })?;
        if address.ip().is_loopback() || matches!(expose, Field::Bad | Field::Good(Located { value: true, .. })) {
            Ok(address)
        } else {
            Err(Fault::new(
                format!("{address} can be reached from other machines"),
                "listen on 127.0.0.1, or add expose = true when that is meant",
            ))
        }
    });
    listen.or(DEFAULT_LISTEN)
}

/// Who may connect. This machine, unless the file says otherwise; an exposed server must say.
fn read_allow(table: &TableReader<'_>, listen: Option<SocketAddr>) -> Option<Vec<AddressRange>> {
    const EXAMPLE: &str = "[\"10.20.1.15\", \"10.20.8.0/24\"]";
    let field = table.array("allow", EXAMPLE);
    let exposed = listen.is_some_and(|address| !address.ip().is_loopback());
    let field = if exposed {
        table.need("allow", field, &format!("name the masters that may connect: allow = {EXAMPLE}"))
    } else {
        field
    };
    let items = match field {
        Field::Absent => return Some(vec![AddressRange::LOOPBACK_V4, AddressRange::LOOPBACK_V6]),
        Field::Bad => return None,
        Field::Good(Located { value, .. }) => value,
    };
    let mut all = Some(Vec::new());
    for item in items {
        let range = text_of("allow", item.get_ref(), "10.20.1.15").and_then(|text| {
            text.parse::<AddressRange>().map_err(|error| {
                Fault::new(
                    format!("{} {error}", quoted(text)),
                    "write an address or a network, for example \"10.20.1.15\" or \"10.20.8.0/24\"",
                )
            })
        });
        match (range, &mut all) {
            (Ok(range), Some(ranges)) => ranges.push(range),
            (Ok(_), None) => {}
            (Err(fault), _) => {
                table.fault("allow", &item.span(), fault);
                all = None;
            }
        }
    }
    all
}

/// Blocks and SunSpec units. Without any table every circuit has a block, in file order, and no SunSpec unit.
fn read_circuits(
    table: &TableReader<'_>,
    stations: Option<&[StationConfig]>,
    units: &mut Units,
) -> Option<Vec<ServedCircuit>> {
    let tables = match table.tables("circuits") {
        Field::Bad => return None,
        Field::Absent => return in_file_order(table, stations?),
        Field::Good(Located { value, .. }) => value,
    };
    let (mut all, mut blocks, mut seen) = (Some(Vec::new()), Vec::new(), Vec::new());
    for entry in tables {
        match (read_circuit(entry, stations, units, &mut blocks, &mut seen), &mut all) {
            (Some(circuit), Some(circuits)) => circuits.push(circuit),
            _ => all = None,
        }
    }
    all
}

fn in_file_order(table: &TableReader<'_>, stations: &[StationConfig]) -> Option<Vec<ServedCircuit>> {
    let all = stations.iter().enumerate().flat_map(|(s, station)| (0..station.circuits.len()).map(move |c| (s, c)));
    let served: Vec<ServedCircuit> = all
        .zip(1u16..)
        .map(|((station, circuit), block)| ServedCircuit { station, circuit, block, sunspec_unit: None })
        .collect();
    if served.len() > usize::from(MOST_AUDIT_BLOCKS) {
        let fault = Fault::new(
            format!("{} circuits are more than the {MOST_AUDIT_BLOCKS} blocks one unit has", served.len()),
            "name those to be served under [[modbus_server.circuits]]",
        );
        table.fault("circuits", table.place(), fault);
        return None;
    }
    Some(served)
}

fn read_circuit(
    entry: TableReader<'_>,
    stations: Option<&[StationConfig]>,
    units: &mut Units,
    blocks: &mut Vec<(i64, usize)>,
    seen: &mut Vec<((usize, usize), usize)>,
) -> Option<ServedCircuit> {
    let station = read_station(&entry, stations);
    let name = entry.text("circuit", "Pump 1");
    let name = entry.need("circuit", name, "name the circuit, for example circuit = \"Pump 1\"");
    let circuit = entry.check("circuit", name, |name| match &station {
        Some((_, station)) => {
            let known = || station.circuits.iter().map(|c| c.name.as_str());
            known().position(|known| known == name).map(Some).ok_or_else(|| not_there("circuit", name, known()))
        }
        None => Ok(None),
    });
    let block = entry.integer("block", 1..=i64::from(MOST_AUDIT_BLOCKS));
    let block = entry.need("block", block, "write the number of its block, for example block = 1").located();
    let block = block.and_then(|block| {
        let line = entry.report().line(&block.span);
        if let Some((_, first)) = blocks.iter().find(|(taken, _)| *taken == block.value) {
            let message = format!("block {} is taken at line {first}", block.value);
            entry.fault("block", &block.span, Fault::new(message, "give each circuit a block of its own"));
            return None;
        }
        blocks.push((block.value, line));
        Some(block.value as u16)
    });
    let sunspec = entry.integer("sunspec_unit", 1..=247);
    let sunspec_bad = sunspec.is_bad();
    let sunspec_unit = sunspec.located().map(|unit| units.take(&entry, "sunspec_unit", &unit));
    let located = circuit.located();
    let mut twice = false;
    if let (Some((s, _)), Some(Located { value: Some(c), span })) = (&station, &located) {
        let line = entry.report().line(entry.place());
        if let Some((_, first)) = seen.iter().find(|(known, _)| *known == (*s, *c)) {
            let message = format!("this circuit has a block already, at line {first}");
            entry.fault("circuit", span, Fault::new(message, "name each circuit once"));
            twice = true;
        }
        seen.push(((*s, *c), line));
    }
    entry.finish();
    if sunspec_bad || sunspec_unit == Some(None) || twice {
        return None;
    }
    Some(ServedCircuit {
        station: station?.0,
        circuit: located?.value?,
        block: block?,
        sunspec_unit: sunspec_unit.flatten(),
    })
}

fn read_pass_through(
    table: &TableReader<'_>,
    stations: Option<&[StationConfig]>,
    units: &mut Units,
) -> Option<Vec<PassThrough>> {
    let tables = match table.tables("pass_through") {
        Field::Bad => return None,
        Field::Absent => return Some(Vec::new()),
        Field::Good(Located { value, .. }) => value,
    };
    let mut all = Some(Vec::new());
    for entry in tables {
        match (read_passed(entry, stations, units), &mut all) {
            (Some(passed), Some(list)) => list.push(passed),
            _ => all = None,
        }
    }
    all
}

fn read_passed(entry: TableReader<'_>, stations: Option<&[StationConfig]>, units: &mut Units) -> Option<PassThrough> {
    let unit = entry.integer("unit", 1..=247);
    let unit = entry.need("unit", unit, "write the unit id that masters ask, for example unit = 101").located();
    let unit = unit.and_then(|unit| units.take(&entry, "unit", &unit));
    let station = read_station(&entry, stations);
    let name = entry.text("monitor", "PM-1");
    let name = entry.need("monitor", name, "name the monitor, for example monitor = \"PM-1\"");
    let monitor = entry.check("monitor", name, |name| match &station {
        Some((_, station)) => {
            let known = || station.monitors.iter().map(|m| m.name.as_str());
            known().position(|known| known == name).map(Some).ok_or_else(|| not_there("monitor", name, known()))
        }
        None => Ok(None),
    });
    let max_age = entry.quantity("max_age", Dimension::Time, &(0.0..=3600.0), "from 0 s to 1 h").or(1.0);
    entry.finish();
    Some(PassThrough {
        unit: unit?,
        station: station?.0,
        monitor: monitor.value()??,
        max_age: Duration::from_secs_f64(max_age?),
    })
}

fn read_station<'s>(
    entry: &TableReader<'_>,
    stations: Option<&'s [StationConfig]>,
) -> Option<(usize, &'s StationConfig)> {
    let name = entry.text("station", "Alder Creek Lift");
    let name = entry.need("station", name, "name the station, for example station = \"Alder Creek Lift\"");
    let stations = stations?;
    let found = entry.check("station", name, |name| {
        let known = || stations.iter().map(|station| station.name.as_str());
        known().position(|known| known == name).ok_or_else(|| not_there("station", name, known()))
    });
    found.value().map(|index| (index, &stations[index]))
}

/// Unit ids, each to be used once.
#[derive(Default)]
struct Units(Vec<(i64, usize)>);

impl Units {
    /// True when the unit id is anything.
    fn has(&self, unit: i64) -> bool {
        self.0.iter().any(|(taken, _)| *taken == unit)
    }

    fn take(&mut self, table: &TableReader<'_>, key: &str, unit: &Located<i64>) -> Option<u8> {
        let line = table.report().line(&unit.span);
        if let Some((_, first)) = self.0.iter().find(|(taken, _)| *taken == unit.value) {
            let message = format!("unit {} is taken at line {first}", unit.value);
            table.fault(key, &unit.span, Fault::new(message, "give each purpose a unit id of its own"));
            return None;
        }
        self.0.push((unit.value, line));
        u8::try_from(unit.value).ok()
    }
}
