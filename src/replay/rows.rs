//! Rows of one file into readings of its monitors, through the same rules of sign and range as registers.
//!
//! Holds one reading a monitor and never more, however long the file. Must never stop at a bad row, nor use one: it is
//! noted and left out.

use std::collections::HashMap;

use super::cells::{Cell, Splitter, cell, status};
use super::columns::{Columns, Layout, MonitorKey, TextRules, ValueColumn};
use super::hour::TimeReader;
use super::notes::{Fault, Notes, shown};
use super::time::{Read, Step, Timeline};
use crate::modbus::decode::{field, measured};
use crate::modbus::map::{Conventions, MapSource, Quantity};
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, RunStatus, UnixMs};

/// Why a file cannot be used at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum HeadingError {
    /// Saved in an encoding other than UTF-8.
    #[error("this is UTF-16 text; save the file as UTF-8")]
    Utf16,
    /// The line that should hold the names cannot be split.
    #[error("line {line} should hold the names of the columns, but is not a row")]
    NotARow {
        /// Its number.
        line: u64,
    },
    /// Wanted columns are not there.
    #[error("line {line} does not name {missing}; it names {present}")]
    Missing {
        /// Number of the heading's line.
        line: u64,
        /// The columns that are missing, in quotes.
        missing: String,
        /// What the heading holds.
        present: String,
    },
    /// A wanted name stands over two columns.
    #[error("line {line} names {column} twice")]
    Twice {
        /// Number of the heading's line.
        line: u64,
        /// The name, in quotes.
        column: String,
    },
}

/// Names shown of a heading that lacks a wanted one.
const NAMES_SHOWN: usize = 30;

/// One monitor's reading in the making.
struct Slot {
    key: MonitorKey,
    conventions: Conventions,
    reading: MonitorReading,
    given: bool,
}

/// A value of the plan, its place resolved.
struct Value<'c> {
    of: &'c ValueColumn,
    slot: usize,
    given: bool,
    last: Option<(UnixMs, f64)>,
}

struct Heading {
    width: usize,
    time: usize,
    /// Cell of each value in the wide layout, in the order of the plan.
    cells: Vec<usize>,
    /// Cells of name and value in the long layout.
    tag_and_value: (usize, usize),
}

/// Reads one file, line by line.
pub struct RowReader<'c> {
    columns: &'c Columns,
    splitter: Splitter,
    times: TimeReader<'c>,
    heading: Option<Heading>,
    slots: Vec<Slot>,
    values: Vec<Value<'c>>,
    tags: HashMap<&'c [u8], Vec<usize>>,
    timeline: Timeline,
    /// Time of the rows being gathered, in the long layout.
    gathering: Option<(Read, Instant2)>,
    rows: u64,
    readings: u64,
    notes: Notes,
}

impl<'c> RowReader<'c> {
    /// A reader for a file of plan `plan`; `timeline` goes on from files of the same monitors read before.
    pub fn new(columns: &'c Columns, plan: usize, timeline: Timeline) -> RowReader<'c> {
        let mut slots: Vec<Slot> = Vec::new();
        let mut values = Vec::new();
        let mut tags: HashMap<&[u8], Vec<usize>> = HashMap::new();
        for of in columns.plans.get(plan).map_or(&[][..], |plan| &plan.values) {
            let slot = slots.iter().position(|slot| slot.key == of.monitor).unwrap_or_else(|| {
                slots.push(Slot {
                    key: of.monitor,
                    conventions: conventions(columns, of.monitor),
                    reading: MonitorReading::default(),
                    given: false,
                });
                slots.len() - 1
            });
            let circuits = &mut slots[slot].reading.circuits;
            let wanted = usize::from(of.target.slot) + 1;
            if circuits.len() < wanted {
                circuits.resize(wanted, CircuitReading::default());
            }
            tags.entry(of.column.as_bytes()).or_default().push(values.len());
            values.push(Value { of, slot, given: false, last: None });
        }
        RowReader {
            columns,
            splitter: Splitter::new(columns.text.delimiter),
            times: TimeReader::new(&columns.time_format, columns.text.decimal_comma),
            heading: None,
            slots,
            values,
            tags,
            timeline,
            gathering: None,
            rows: 0,
            readings: 0,
            notes: Notes::default(),
        }
    }

    /// Takes a line without its line end; readings that it completes go to `sink`. `number` counts from 1.
    pub fn line(
        &mut self,
        number: u64,
        line: &[u8],
        mut sink: impl FnMut(MonitorKey, &MonitorReading),
    ) -> Result<(), HeadingError> {
        let line = if number == 1 { line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line) } else { line };
        if number == 1 && (line.starts_with(b"\xff\xfe") || line.starts_with(b"\xfe\xff")) {
            return Err(HeadingError::Utf16);
        }
        if number <= self.columns.text.skip_lines || line.trim_ascii().is_empty() {
            return Ok(());
        }
        let whole = self.splitter.split(line);
        let Some(heading) = &self.heading else {
            if !whole {
                return Err(HeadingError::NotARow { line: number });
            }
            self.heading = Some(self.read_heading(number)?);
            return Ok(());
        };
        self.rows += 1;
        if !whole || self.splitter.len() != heading.width {
            let (found, width) = (self.splitter.len(), heading.width);
            self.notes.add(Fault::Row, number, || {
                if whole {
                    format!("{found} cells where the heading has {width}")
                } else {
                    "a quote is not closed, or the line breaks inside a cell".to_owned()
                }
            });
            return Ok(());
        }
        let text = self.splitter.cell(heading.time);
        let read = match self.times.read(text) {
            Ok(read) => read,
            Err(error) => {
                self.notes.add(Fault::Time, number, || format!("{} is {error}", shown(text)));
                return Ok(());
            }
        };
        match self.columns.layout {
            Layout::Wide => self.wide(number, read, &mut sink),
            Layout::Long { hold_ms, .. } => self.long(number, read, hold_ms, &mut sink),
        }
        Ok(())
    }

    /// Notes a line that is too long to be looked at.
    pub fn overlong(&mut self, number: u64, longest: usize) {
        self.rows += 1;
        self.notes.add(Fault::Row, number, || format!("longer than {longest} bytes"));
    }

    /// Hands out what is still being gathered at the end of the file, and whether a heading was ever found.
    pub fn finish(&mut self, mut sink: impl FnMut(MonitorKey, &MonitorReading)) -> bool {
        if let Layout::Long { hold_ms, .. } = self.columns.layout {
            self.hand_out(hold_ms, &mut sink);
        }
        self.heading.is_some()
    }

    /// Rows below the heading so far.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Readings handed out so far.
    pub fn readings(&self) -> u64 {
        self.readings
    }

    /// What was wrong so far.
    pub fn notes(&self) -> &Notes {
        &self.notes
    }

    /// Where time stands, for the next file of the same monitors.
    pub fn timeline(&self) -> Timeline {
        self.timeline
    }

    /// The monitors this file has values of.
    pub fn monitors(&self) -> impl Iterator<Item = MonitorKey> {
        self.slots.iter().map(|slot| slot.key)
    }

    fn read_heading(&self, line: u64) -> Result<Heading, HeadingError> {
        let names: Vec<&[u8]> = (0..self.splitter.len()).map(|n| self.splitter.cell(n)).collect();
        let mut missing: Vec<String> = Vec::new();
        let mut find = |name: &str| {
            let mut found = names.iter().enumerate().filter(|(_, n)| **n == name.as_bytes()).map(|(index, _)| index);
            match (found.next(), found.next()) {
                (Some(index), None) => Ok(index),
                (None, _) => {
                    let name = shown(name.as_bytes());
                    if !missing.contains(&name) {
                        missing.push(name);
                    }
                    Ok(0)
                }
                (Some(_), Some(_)) => Err(HeadingError::Twice { line, column: shown(name.as_bytes()) }),
            }
        };
        let time = find(&self.columns.time_column)?;
        let (mut cells, mut tag_and_value) = (Vec::new(), (0, 0));
        match &self.columns.layout {
            Layout::Wide => {
                for value in &self.values {
                    cells.push(find(&value.of.column)?);
                }
            }
            Layout::Long { tag_column, value_column, .. } => tag_and_value = (find(tag_column)?, find(value_column)?),
        }
        if missing.is_empty() {
            return Ok(Heading { width: names.len(), time, cells, tag_and_value });
        }
        let mut present: Vec<String> = names.iter().take(NAMES_SHOWN).map(|name| shown(name)).collect();
        if names.len() > NAMES_SHOWN {
            present.push(format!("and {} more", names.len() - NAMES_SHOWN));
        }
        Err(HeadingError::Missing { line, missing: missing.join(", "), present: present.join(", ") })
    }

    fn wide(&mut self, number: u64, read: Read, sink: &mut impl FnMut(MonitorKey, &MonitorReading)) {
        let Some(at) = step(&mut self.timeline, &mut self.notes, number, read, true) else { return };
        let Some(heading) = &self.heading else { return };
        for slot in &mut self.slots {
            slot.reading.at = at;
            slot.reading.failures.clear();
        }
        for (value, index) in self.values.iter().zip(&heading.cells) {
            let slot = &mut self.slots[value.slot];
            put(slot, value.of, self.splitter.cell(*index), &self.columns.text, &mut self.notes, number);
        }
        for slot in &self.slots {
            self.readings += 1;
            sink(slot.key, &slot.reading);
        }
    }

    fn long(&mut self, number: u64, read: Read, hold_ms: u64, sink: &mut impl FnMut(MonitorKey, &MonitorReading)) {
        let Some(heading) = &self.heading else { return };
        let (tag_at, value_at) = heading.tag_and_value;
        if self.gathering.is_none_or(|(of, _)| of != read) {
            self.hand_out(hold_ms, sink);
            let Some(at) = step(&mut self.timeline, &mut self.notes, number, read, false) else { return };
            self.gathering = Some((read, at));
            self.values.iter_mut().for_each(|value| value.given = false);
            for slot in &mut self.slots {
                slot.given = false;
                slot.reading.at = at;
                slot.reading.failures.clear();
            }
        }
        let tag = self.splitter.cell(tag_at);
        let Some(places) = self.tags.get(tag) else {
            self.notes.add(Fault::UnknownName, number, || shown(tag));
            return;
        };
        for &place in places {
            let value = &mut self.values[place];
            if value.given {
                self.notes.add(Fault::Row, number, || format!("{} is given twice for the same time", shown(tag)));
                continue;
            }
            value.given = true;
            let slot = &mut self.slots[value.slot];
            slot.given = true;
            let bytes = self.splitter.cell(value_at);
            value.last = put(slot, value.of, bytes, &self.columns.text, &mut self.notes, number)
                .map(|number| (slot.reading.at.wall, number));
        }
    }

    /// Completes the readings of the time being gathered: what has no row keeps its last value as long as the columns
    /// file says, and counts as failed after that.
    fn hand_out(&mut self, hold_ms: u64, sink: &mut impl FnMut(MonitorKey, &MonitorReading)) {
        let Some((_, at)) = self.gathering.take() else { return };
        for value in self.values.iter().filter(|value| !value.given) {
            let slot = &mut self.slots[value.slot];
            if !slot.given {
                continue;
            }
            let held = value.last.filter(|(since, _)| at.wall.0.abs_diff(since.0) <= hold_ms);
            if held.is_none() {
                slot.reading.failures.push(format!("{} has no row of this time", shown(value.of.column.as_bytes())));
            }
            store(slot, value.of, held.map_or(Found::Failed, |(_, number)| Found::Number(number)));
        }
        for slot in self.slots.iter().filter(|slot| slot.given) {
            self.readings += 1;
            sink(slot.key, &slot.reading);
        }
    }
}

fn conventions(columns: &Columns, key: MonitorKey) -> Conventions {
    let monitor = columns.stations.get(key.station).and_then(|station| station.monitors.get(key.monitor));
    monitor.map_or_else(Conventions::default, |monitor| match &monitor.map {
        MapSource::Fixed(map) => map.conventions,
        MapSource::SunSpec { conventions, .. } => *conventions,
    })
}

/// The time of a row, or a note why it has none.
fn step(timeline: &mut Timeline, notes: &mut Notes, number: u64, read: Read, may_set_back: bool) -> Option<Instant2> {
    let seconds = |ms: i64| ms as f64 / 1000.0;
    match timeline.step(read, may_set_back) {
        Step::Forward(at) => Some(at),
        Step::ForwardOfTwo(at) => {
            notes.add(Fault::Clock, number, || {
                "this local time came twice when clocks went back; the order of rows says which is meant".to_owned()
            });
            Some(at)
        }
        Step::SetBack { at, by_ms } => {
            notes.add(Fault::Clock, number, || {
                format!("the clock was set back by {:.3} s before this row and stayed there", seconds(by_ms))
            });
            Some(at)
        }
        Step::Backwards { by_ms } => {
            notes.add(Fault::Backwards, number, || format!("{:.3} s before the last row used", seconds(by_ms)));
            None
        }
        Step::Repeated => {
            notes.add(Fault::Repeated, number, || "the same time as the last row used".to_owned());
            None
        }
    }
}

/// What is known of a value.
#[derive(Clone, Copy)]
enum Found {
    Number(f64),
    NotAvailable,
    Failed,
}

/// Reads a cell into a reading; gives the number, in the SI unit, when it holds one.
fn put(
    slot: &mut Slot,
    of: &ValueColumn,
    bytes: &[u8],
    rules: &TextRules,
    notes: &mut Notes,
    line: u64,
) -> Option<f64> {
    let read = if of.target.quantity == Quantity::RunStatus { status(bytes, rules) } else { cell(bytes, rules) };
    let found = match read {
        // Adding zero turns a negative zero, which would print as "-0", into zero.
        Cell::Number(number) => Found::Number(number * of.scale + 0.0),
        Cell::NotAvailable => Found::NotAvailable,
        Cell::Unreadable => {
            let column = shown(of.column.as_bytes());
            notes.add(Fault::Cell, line, || format!("column {column} holds {}", shown(bytes)));
            slot.reading.failures.push(format!("column {column} holds what is not a number"));
            Found::Failed
        }
    };
    store(slot, of, found);
    match found {
        Found::Number(number) => Some(number),
        _ => None,
    }
}

fn store(slot: &mut Slot, of: &ValueColumn, found: Found) {
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
