//! Columns of a columns file to places in readings: which station, monitor and circuit each one belongs to.
//!
//! Must never choose between two circuits that could both be meant.

use std::collections::HashSet;

use crate::modbus::map::{Channel, Quantity, Target};
use crate::replay::columns::{MonitorKey, ValueColumn};

use super::map_quantity::{read_channel, read_kind, read_named_unit};
use super::model::{CircuitConfig, StationConfig};
use super::problem::quoted;
use super::reader::{Fault, Located, TableReader, nearest};
use super::report::{Report, Span};

/// The names a table may give: each narrows what its columns belong to.
#[derive(Debug, Clone, Default)]
pub(super) struct Names {
    station: Option<Located<String>>,
    monitor: Option<Located<String>>,
    circuit: Option<Located<String>>,
}

/// One `[[files]]` table.
#[derive(Debug, Clone)]
pub(super) struct FileDraft {
    pub(super) pattern: Option<String>,
    pub(super) names: Names,
}

/// One `[[columns]]` table.
#[derive(Debug, Clone)]
pub(super) struct ColumnDraft {
    column: String,
    quantity: Quantity,
    own_to_circuit: bool,
    channel: Channel,
    unit: (&'static str, f64),
    names: Names,
    place: Span,
}

/// Longest name of a station, monitor or circuit.
const MAX_NAME_CHARS: usize = 200;

pub(super) fn read_names(table: &TableReader<'_>) -> Names {
    Names {
        station: table.name("station", MAX_NAME_CHARS, "Alder Creek Lift").located(),
        monitor: table.name("monitor", MAX_NAME_CHARS, "PM-1").located(),
        circuit: table.name("circuit", MAX_NAME_CHARS, "Pump 1").located(),
    }
}

/// Reads one column; all faults are in the report, and none is returned unless every key is right.
pub(super) fn read_column(table: TableReader<'_>) -> Option<ColumnDraft> {
    let column = table.name("column", MAX_NAME_CHARS, "P1 kW");
    let hint = "name the column as in the heading (or the value, in the long layout), for example column = \"P1 kW\"";
    let column = table.need("column", column, hint).value();
    let kind = read_kind(&table);
    let channel = read_channel(&table, kind);
    let unit = read_named_unit(&table, kind);
    let names = read_names(&table);
    let place = table.place().clone();
    table.finish();
    let kind = kind?;
    Some(ColumnDraft {
        column: column?,
        quantity: kind.quantity,
        own_to_circuit: kind.repeats,
        channel: channel?,
        unit: unit?,
        names,
        place,
    })
}

/// Places every column of every file. Faults are told once each, however many files share them.
pub(super) fn place_columns(
    report: &Report<'_>,
    stations: &[StationConfig],
    defaults: &Names,
    files: &[FileDraft],
    columns: &[ColumnDraft],
) -> Vec<(Option<String>, Vec<ValueColumn>)> {
    let mut told: HashSet<(usize, String)> = HashSet::new();
    let mut tell = |span: &Span, key: &str, fault: Fault| {
        if told.insert((span.start, fault.message.clone())) {
            report.add(span, key, fault.message, fault.hint);
        }
    };
    let mut plans = Vec::with_capacity(files.len());
    for file in files {
        let mut values: Vec<ValueColumn> = Vec::with_capacity(columns.len());
        let mut taken: HashSet<(MonitorKey, Target)> = HashSet::new();
        for draft in columns {
            let placed = Placing { stations, levels: [&draft.names, &file.names, defaults], draft }.place();
            let (monitor, slot) = match placed {
                Ok(placed) => placed,
                Err(misplaced) => {
                    tell(&misplaced.span, misplaced.key, misplaced.fault);
                    continue;
                }
            };
            let target = Target { quantity: draft.quantity, channel: draft.channel, slot };
            if !taken.insert((monitor, target)) {
                let station = stations.get(monitor.station).map_or("", |station| &station.name);
                let message = format!("another column gives the same value of {}", quoted(station));
                let hint = "two columns cannot be the same value; check quantity, channel and circuit of both";
                tell(&draft.place, "columns", Fault::new(message, hint));
                continue;
            }
            let (unit, scale) = draft.unit;
            values.push(ValueColumn { column: draft.column.clone(), monitor, target, unit, scale });
        }
        plans.push((file.pattern.clone(), values));
    }
    plans
}

/// Why a column has no place.
struct Misplaced {
    span: Span,
    key: &'static str,
    fault: Fault,
}

/// One column in one file; names are looked for in the column, then the file, then the head.
struct Placing<'a> {
    stations: &'a [StationConfig],
    levels: [&'a Names; 3],
    draft: &'a ColumnDraft,
}

impl<'a> Placing<'a> {
    fn place(&self) -> Result<(MonitorKey, u8), Misplaced> {
        let (index, station) = self.station()?;
        if self.draft.own_to_circuit {
            let circuit = self.circuit(station)?;
            return Ok((MonitorKey { station: index, monitor: circuit.monitor }, circuit.slot));
        }
        Ok((MonitorKey { station: index, monitor: self.monitor(station)? }, 0))
    }

    fn station(&self) -> Result<(usize, &'a StationConfig), Misplaced> {
        let known = || self.stations.iter().map(|station| station.name.as_str());
        match self.levels.iter().find_map(|names| names.station.as_ref()) {
            Some(name) => self
                .stations
                .iter()
                .enumerate()
                .find(|(_, station)| station.name == name.value)
                .ok_or_else(|| unknown(name, "station", "the configuration has no station", known())),
            None => match self.stations {
                [only] => Ok((0, only)),
                _ => Err(self.unnamed("station", "the configuration has more than one station", "Alder Creek Lift")),
            },
        }
    }

    fn circuit(&self, station: &'a StationConfig) -> Result<&'a CircuitConfig, Misplaced> {
        if let Some(name) = self.levels.iter().find_map(|names| names.circuit.as_ref()) {
            return station.circuits.iter().find(|circuit| circuit.name == name.value).ok_or_else(|| {
                let lacks = format!("station {} has no circuit", quoted(&station.name));
                unknown(name, "circuit", &lacks, station.circuits.iter().map(|circuit| circuit.name.as_str()))
            });
        }
        if let [only] = station.circuits.as_slice() {
            return Ok(only);
        }
        let why = format!("station {} has more than one circuit", quoted(&station.name));
        Err(self.unnamed("circuit", &why, "Pump 1"))
    }

    /// The monitor of a value that belongs to no circuit: as named, else that of the circuit named, else the only one.
    fn monitor(&self, station: &StationConfig) -> Result<usize, Misplaced> {
        if let Some(name) = self.levels.iter().find_map(|names| names.monitor.as_ref()) {
            return station.monitors.iter().position(|monitor| monitor.name == name.value).ok_or_else(|| {
                let lacks = format!("station {} has no monitor", quoted(&station.name));
                unknown(name, "monitor", &lacks, station.monitors.iter().map(|monitor| monitor.name.as_str()))
            });
        }
        if station.monitors.len() == 1 {
            return Ok(0);
        }
        if self.levels.iter().any(|names| names.circuit.is_some()) {
            return self.circuit(station).map(|circuit| circuit.monitor);
        }
        let why = format!("station {} has more than one monitor", quoted(&station.name));
        Err(self.unnamed("monitor", &why, "PM-1"))
    }

    fn unnamed(&self, key: &'static str, why: &str, example: &str) -> Misplaced {
        let hint = format!(
            "write {key} = {example:?} at this column, in its [[files]] table, or once at the head of the file"
        );
        Misplaced {
            span: self.draft.place.clone(),
            key: "columns",
            fault: Fault::new(format!("this column does not say which {key} it is of, and {why}"), hint),
        }
    }
}

fn unknown<'k>(
    name: &Located<String>,
    key: &'static str,
    lacks: &str,
    known: impl Iterator<Item = &'k str> + Clone,
) -> Misplaced {
    let hint = if let Some(near) = nearest(&name.value, known.clone()) {
        format!("did you mean {near:?}?")
    } else {
        let all: Vec<String> = known.take(20).map(quoted).collect();
        format!("known there: {}", all.join(", "))
    };
    Misplaced { span: name.span.clone(), key, fault: Fault::new(format!("{lacks} {}", quoted(&name.value)), hint) }
}
