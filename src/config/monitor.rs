//! A `[[stations.monitors]]` table: where the device is, how its registers are laid out, how often it is read.
//!
//! Must never resolve a host name or open a connection.

use std::net::{Ipv4Addr, SocketAddrV6};
use std::time::Duration;

use crate::modbus::map::MapSource;

use super::builtin::{Lookup, MapLibrary};
use super::conventions::Overrides;
use super::model::{MonitorConfig, Transport};
use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader};
use super::station::{Device, MAX_NAME_CHARS, Names};

/// Time between polls unless the file says otherwise, s.
const DEFAULT_POLL_PERIOD_S: f64 = 1.0;

/// Longest default timeout, s: a meter answers in 10 to 200 ms, so half a second is late by any measure.
const DEFAULT_TIMEOUT_S: f64 = 0.5;

const TRANSPORTS: &[(&str, Transport)] = &[("tcp", Transport::Tcp), ("rtu-over-tcp", Transport::RtuOverTcp)];

/// A monitor as far as it could be read; circuits refer to it even when a part of it is at fault.
pub(super) struct MonitorDraft {
    pub(super) name: Option<String>,
    pub(super) map: Option<MapSource>,
    pub(super) config: Option<MonitorConfig>,
}

/// Reads the monitors of a station; none when the list itself is missing or at fault.
pub(super) fn read_monitors(
    station: &TableReader<'_>,
    library: Option<&MapLibrary>,
    devices: &mut Vec<Device>,
) -> Option<Vec<MonitorDraft>> {
    let field = station.tables("monitors");
    let field = station.need("monitors", field, "describe at least one monitor under a header [[stations.monitors]]");
    let mut names = Names::new("monitor in this station");
    let tables = field.value()?;
    Some(tables.into_iter().map(|table| read_monitor(table, library, &mut names, devices)).collect())
}

fn read_monitor(
    table: TableReader<'_>,
    library: Option<&MapLibrary>,
    names: &mut Names,
    devices: &mut Vec<Device>,
) -> MonitorDraft {
    let name = table.name("name", MAX_NAME_CHARS, "PM-1");
    let name = names.take(&table, table.need("name", name, "name the monitor, for example name = \"PM-1\""));
    let transport = table.choice("transport", TRANSPORTS).or(Transport::Tcp);
    let address = table.text("address", "192.0.2.10:502");
    let address = table.need("address", address, "write host and port, for example address = \"192.0.2.10:502\"");
    let address = table.check("address", address, check_address).value();
    let unit = read_unit(&table, transport);
    check_device(&table, address.as_deref(), unit.as_ref(), devices);
    let (map_name, map) = read_map(&table, library);
    let overrides = Overrides::read(&table);
    let map = map.map(|map| overrides.apply(&map));
    let times = read_times(&table);
    table.finish();
    let config = match (&name, &map, map_name, address, unit, transport, times) {
        (
            Some(name),
            Some(map),
            Some(map_name),
            Some(address),
            Some(unit),
            Some(transport),
            Some((poll_period, timeout)),
        ) => Some(MonitorConfig {
            name: name.clone(),
            address,
            unit: unit.value,
            transport,
            map: map.clone(),
            map_name,
            poll_period,
            timeout,
        }),
        _ => None,
    };
    MonitorDraft { name, map, config }
}

/// The unit id. On a serial line 0 is broadcast, which nobody answers, and 248 to 255 are reserved.
fn read_unit(table: &TableReader<'_>, transport: Option<Transport>) -> Option<Located<u8>> {
    let range = if transport == Some(Transport::RtuOverTcp) { 1..=247 } else { 0..=255 };
    let field = table.integer("unit", range);
    let field = table.need("unit", field, "write the unit id (slave address) of the monitor, for example unit = 1");
    table
        .check("unit", field, |unit| u8::try_from(unit).map_err(|_| Fault::new("this unit id is out of range", "")))
        .located()
}

/// Two monitors for one device would count its evidence twice; it is a slip of copying.
fn check_device(table: &TableReader<'_>, address: Option<&str>, unit: Option<&Located<u8>>, devices: &mut Vec<Device>) {
    let (Some(address), Some(unit)) = (address, unit) else { return };
    if let Some((_, _, line)) = devices.iter().find(|(other, id, _)| other == address && *id == unit.value) {
        let message = format!("the monitor at line {line} has the same address and unit");
        table.fault("unit", &unit.span, Fault::new(message, "each device is one monitor; correct address or unit"));
        return;
    }
    devices.push((address.to_owned(), unit.value, table.report().line(table.place())));
}

fn read_map(table: &TableReader<'_>, library: Option<&MapLibrary>) -> (Option<String>, Option<MapSource>) {
    let field = table.text("map", "generic-full");
    let field = table.need("map", field, "name the register map, for example map = \"generic-full\" or \"sunspec\"");
    let Field::Good(Located { value: name, span }) = field else { return (None, None) };
    let Some(library) = library else { return (Some(name.to_owned()), None) };
    let map = match library.look_up(name) {
        Lookup::Found(map) => Some(map.clone()),
        Lookup::Broken => None,
        Lookup::Unknown { nearest } => {
            let hint = if let Some(near) = nearest {
                format!("did you mean {near:?}?")
            } else {
                let names: Vec<String> = library.list().into_iter().map(|info| info.name).collect();
                format!("maps known here: {}; add others as files in the folder of [maps]", names.join(", "))
            };
            table.fault("map", &span, Fault::new(format!("there is no map named {}", quoted(name)), hint));
            None
        }
    };
    (Some(name.to_owned()), map)
}

/// Poll period and timeout. The default timeout is 500 ms or half the period, whichever is less.
fn read_times(table: &TableReader<'_>) -> Option<(Duration, Duration)> {
    let period =
        table.quantity("poll_period", Dimension::Time, &(0.1..=3600.0), "from 100 ms to 1 h").or(DEFAULT_POLL_PERIOD_S);
    let timeout = table.quantity("timeout", Dimension::Time, &(0.01..=60.0), "from 10 ms to 1 min");
    let timeout = table.check("timeout", timeout, |timeout| match period {
        Some(period) if timeout > period => Err(Fault::new(
            "the timeout is longer than the poll period, so that polls would overlap",
            format!("make it at most {}, or poll less often", in_ms(period)),
        )),
        _ => Ok(timeout),
    });
    let period = period?;
    let timeout = timeout.or(DEFAULT_TIMEOUT_S.min(period / 2.0))?;
    Some((Duration::try_from_secs_f64(period).ok()?, Duration::try_from_secs_f64(timeout).ok()?))
}

fn in_ms(seconds: f64) -> String {
    format!("\"{} ms\"", (seconds * 1e3).round())
}

/// Host and port, as a resolver will take them.
fn check_address(text: &str) -> Result<String, Fault> {
    const HINT: &str =
        "write host and port, for example \"192.0.2.10:502\", \"meter-1.example:502\" or \"[2001:db8::1]:502\"";
    let fault = |message: &str| Err(Fault::new(format!("{} {message}", quoted(text)), HINT));
    if text.contains("://") {
        return fault("is a URL");
    }
    if text.starts_with('[') {
        return match text.parse::<SocketAddrV6>() {
            Ok(address) if address.port() != 0 => Ok(text.to_owned()),
            _ => fault("is not an IPv6 address in brackets with a port"),
        };
    }
    let Some((host, port)) = text.rsplit_once(':') else { return fault("has no port") };
    if host.contains(':') {
        return fault("is an IPv6 address without brackets");
    }
    if !port.chars().all(|c| c.is_ascii_digit()) || !port.parse::<u16>().is_ok_and(|port| port > 0) {
        return fault("does not end with a port from 1 to 65535");
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
    let numeric = host.chars().all(|c| c.is_ascii_digit() || c == '.');
    if host.is_empty() || host.len() > 253 || !host.chars().all(plain) || (numeric && host.parse::<Ipv4Addr>().is_err())
    {
        return fault("does not begin with a host name or address");
    }
    Ok(text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged(text: &str) -> String {
        check_address(text).map_or_else(|fault| fault.message, |address| format!("good {address}"))
    }

    #[test]
    fn addresses_are_judged_before_any_connection() {
        for good in ["127.0.0.1:15021", "meter-1.larkmoor.example:502", "[2001:db8::1]:502", "meter_2:1"] {
            assert_eq!(judged(good), format!("good {good}"));
        }
        for (bad, message) in [
            ("192.0.2.10", "\"192.0.2.10\" has no port"),
            ("tcp://192.0.2.10:502", "\"tcp://192.0.2.10:502\" is a URL"),
            ("192.0.2.300:502", "\"192.0.2.300:502\" does not begin with a host name or address"),
            ("192.0.2.10:0", "\"192.0.2.10:0\" does not end with a port from 1 to 65535"),
            ("192.0.2.10:65536", "\"192.0.2.10:65536\" does not end with a port from 1 to 65535"),
            ("192.0.2.10:+1", "\"192.0.2.10:+1\" does not end with a port from 1 to 65535"),
            ("2001:db8::1:502", "\"2001:db8::1:502\" is an IPv6 address without brackets"),
            ("[2001:db8::1]", "\"[2001:db8::1]\" is not an IPv6 address in brackets with a port"),
            (":502", "\":502\" does not begin with a host name or address"),
            ("a b:502", "\"a b:502\" does not begin with a host name or address"),
        ] {
            assert_eq!(judged(bad), message);
        }
    }
}
