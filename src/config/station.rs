//! A `[[stations]]` table and what must hold between its parts: names used once, circuits on monitors that exist.
//!
//! Must never complain about a consequence of a fault that is already told.

use crate::audit::installation::VoltageConnection;
use crate::reading::Rotation;

use super::builtin::MapLibrary;
use super::circuit::read_circuits;
use super::model::{Service, StationConfig};
use super::monitor::{MonitorDraft, read_monitors};
use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader, meant};
use super::tariff::read_tariff;

/// Longest name of a station, monitor or circuit: it must fit in labels, lists and alarms.
pub(super) const MAX_NAME_CHARS: usize = 64;

const ROTATIONS: &[(&str, Rotation)] = &[("ABC", Rotation::Abc), ("ACB", Rotation::Acb)];

const VOLTAGE_CONNECTIONS: &[(&str, VoltageConnection)] =
    &[("direct", VoltageConnection::Direct), ("transformers", VoltageConnection::Transformers)];

/// Reads all stations. `library` is none when the maps folder cannot be read, which is told already.
pub(super) fn read_stations(root: &TableReader<'_>, library: Option<&MapLibrary>) -> Option<Vec<StationConfig>> {
    let field = root.tables("stations");
    let field = root.need("stations", field, "describe at least one station under a header [[stations]]");
    let mut names = Names::new("station");
    let mut devices = Vec::new();
    let mut all = Some(Vec::new());
    for table in field.value()? {
        match (read_station(table, library, &mut names, &mut devices), &mut all) {
            (Some(station), Some(stations)) => stations.push(station),
            _ => all = None,
        }
    }
    all
}

/// A device in use by a monitor read before: its address, unit and the line of that monitor.
pub(super) type Device = (String, u8, usize);

fn read_station(
    table: TableReader<'_>,
    library: Option<&MapLibrary>,
    names: &mut Names,
    devices: &mut Vec<Device>,
) -> Option<StationConfig> {
    let name = table.name("name", MAX_NAME_CHARS, "Alder Creek Lift");
    let name =
        names.take(&table, table.need("name", name, "name the station, for example name = \"Alder Creek Lift\""));
    let service = read_service(&table);
    let nominal_voltage = table.quantity("nominal_voltage", Dimension::Voltage, &(50.0..=50e3), "from 50 V to 50 kV");
    let nominal_voltage = table.need(
        "nominal_voltage",
        nominal_voltage,
        "write the voltage between phases, for example nominal_voltage = \"480 V\"",
    );
    let voltage_connection = table.choice("voltage_connection", VOLTAGE_CONNECTIONS).or(VoltageConnection::Unknown);
    let frequency = read_frequency(&table);
    let rotation = table.choice("rotation", ROTATIONS).or(Rotation::Abc);
    let tariff = read_tariff(&table);
    let drafts = read_monitors(&table, library, devices);
    let circuits = read_circuits(&table, drafts.as_deref());
    table.finish();
    if tariff.is_bad() {
        return None;
    }
    let monitors = drafts?.into_iter().map(|draft: MonitorDraft| draft.config).collect::<Option<Vec<_>>>();
    Some(StationConfig {
        name: name?,
        service: service?,
        nominal_voltage_v: nominal_voltage.value()?,
        voltage_connection: voltage_connection?,
        nominal_frequency_hz: frequency?,
        rotation: rotation?,
        tariff: tariff.value(),
        monitors: monitors?,
        circuits: circuits?,
    })
}

/// The nominal frequency, Hz; 60 Hz unless the file says otherwise. One that no public supply has is warned of.
fn read_frequency(table: &TableReader<'_>) -> Option<f64> {
    let field = table.quantity("nominal_frequency", Dimension::Frequency, &(40.0..=70.0), "from 40 Hz to 70 Hz");
    if let Field::Good(Located { value, span }) = &field
        && ![50.0, 60.0].contains(value)
    {
        let hint = "write nominal_frequency = \"60 Hz\" or \"50 Hz\"; a generator's or a drive's momentary frequency is not meant";
        table.warn("nominal_frequency", span, Fault::new(format!("no public supply has {value} Hz"), hint));
    }
    field.or(60.0)
}

fn read_service(table: &TableReader<'_>) -> Option<Service> {
    let field = table.text("service", Service::Wye4.key());
    let field = table.need("service", field, "name the voltage system: service = \"wye-4-wire\" or \"delta-3-wire\"");
    let field = table.check("service", field, |text| {
        let known = || Service::ALL.map(Service::key);
        Service::ALL.into_iter().find(|service| service.key() == text).ok_or_else(|| {
            Fault::new(
                format!("{} is not a choice here", quoted(text)),
                match meant("service", text, known()) {
                    Some(near) => format!("did you mean {near:?}?"),
                    None => format!("choose one of {}", known().join(", ")),
                },
            )
        })
    });
    field.value()
}

/// Names of one kind, each to be used once.
pub(super) struct Names {
    what: &'static str,
    taken: Vec<(String, usize)>,
}

impl Names {
    pub(super) fn new(what: &'static str) -> Names {
        Names { what, taken: Vec::new() }
    }

    /// The name, unless it is missing, bad or taken.
    pub(super) fn take(&mut self, table: &TableReader<'_>, field: Field<String>) -> Option<String> {
        let Located { value, span } = field.located()?;
        if let Some((_, line)) = self.taken.iter().find(|(name, _)| *name == value) {
            table.fault(
                "name",
                &span,
                Fault::new(
                    format!("a second {} named {}", self.what, quoted(&value)),
                    format!("the first is at line {line}; give each {} its own name", self.what),
                ),
            );
            return None;
        }
        self.taken.push((value.clone(), table.report().line(&span)));
        Some(value)
    }
}
