//! Values and where they go: a cell into a reading, through the same rules of sign and range as registers.
//!
//! Must never put a value where the columns file does not say.

use super::super::cells::{Cell, cell, status};
use super::super::columns::{Columns, MonitorKey, TextRules, ValueColumn};
use super::super::notes::{Fault, Notes, shown};
use crate::modbus::decode::{field, measured};
use crate::modbus::map::{Conventions, MapSource, Quantity};
use crate::reading::{Measured, MonitorReading, RunStatus, UnixMs};

/// One monitor's reading in the making.
pub(super) struct Slot {
    pub(super) key: MonitorKey,
    pub(super) conventions: Conventions,
    pub(super) reading: MonitorReading,
    pub(super) given: bool,
    /// Readings handed out, in the long layout.
    pub(super) readings: u64,
}

/// A value of the plan, its place resolved.
pub(super) struct Value<'c> {
    pub(super) of: &'c ValueColumn,
    pub(super) slot: usize,
    /// Its column or tag, by index.
    pub(super) tag: usize,
    pub(super) given: bool,
    /// Time and number of its last row that held one.
    pub(super) last: Option<(UnixMs, f64)>,
    /// Readings of its monitor in which it had no value because its last row was longer ago than `hold`.
    pub(super) run_out: u64,
}

/// What is known of a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Found {
    Number(f64),
    NotAvailable,
    Failed,
}

/// Signs as the columns file says; those of the configured map where it says nothing.
pub(super) fn conventions(columns: &Columns, key: MonitorKey) -> Conventions {
    let monitor = columns.stations.get(key.station).and_then(|station| station.monitors.get(key.monitor));
    monitor.map_or_else(Conventions::default, |monitor| match &monitor.map {
        MapSource::Fixed(map) => map.conventions,
        MapSource::SunSpec { conventions, .. } => *conventions,
    })
}

/// Reads a cell, in the SI unit; notes what is neither a number nor "not available".
pub(super) fn read_cell(of: &ValueColumn, bytes: &[u8], rules: &TextRules, notes: &mut Notes, line: u64) -> Found {
    let read = if of.target.quantity == Quantity::RunStatus { status(bytes, rules) } else { cell(bytes, rules) };
    match read {
        // Adding zero turns a negative zero, which would print as "-0", into zero.
        Cell::Number(number) => Found::Number(number * of.scale + 0.0),
        Cell::NotAvailable => Found::NotAvailable,
        Cell::Unreadable => {
            notes.add(Fault::Cell, line, || format!("column {} holds {}", shown(of.column.as_bytes()), shown(bytes)));
            Found::Failed
        }
    }
}

/// Puts what a row gave into the reading.
pub(super) fn put(slot: &mut Slot, of: &ValueColumn, found: Found) {
    if found == Found::Failed {
        slot.reading.failures.push(format!("column {} holds what is not a number", shown(of.column.as_bytes())));
    }
    store(slot, of, found);
}

/// Stores a value without a word on how it was found.
pub(super) fn store(slot: &mut Slot, of: &ValueColumn, found: Found) {
    let target = of.target;
    if target.quantity == Quantity::RunStatus {
        if let Some(circuit) = slot.reading.circuits.get_mut(usize::from(target.slot)) {
            circuit.run_status = match found {
                Found::Number(0.0) => RunStatus::Stopped,
                Found::Number(_) => RunStatus::Running,
                Found::NotAvailable | Found::Failed => RunStatus::Failed,
            };
        }
        return;
    }
    let value = match found {
        Found::Number(number) => measured(target.quantity, number, slot.conventions),
        Found::NotAvailable => Measured::NotAvailable,
        Found::Failed => Measured::Failed,
    };
    if let Some(field) = field(&mut slot.reading, target) {
        *field = value;
    }
}
