//! Rows of one file into readings of its monitors, through the same rules of sign and range as registers.
//!
//! Holds one reading a monitor; a long table that is grouped by tag is held to its end, up to a limit. Must never stop at
//! a bad row, nor use one: it is noted and left out.

use std::collections::HashMap;

use super::cells::Splitter;
use super::columns::{Columns, Layout, MonitorKey};
use super::hour::TimeReader;
use super::notes::{Fault, Notes, shown};
use super::steps::{Steps, TooShort, gap_too_short};
use super::time::{Read, Step, Timeline};
use crate::reading::{CircuitReading, Instant2, MonitorReading};

mod heading;
mod long;
mod place;
mod series;

pub use heading::FileError;

use heading::Heading;
use long::Tag;
use place::{Slot, Value, conventions, put, read_cell};
use series::Series;

/// Reads one file, line by line.
pub struct RowReader<'c> {
    columns: &'c Columns,
    plan: usize,
    splitter: Splitter,
    times: TimeReader<'c>,
    heading: Option<Heading>,
    slots: Vec<Slot>,
    values: Vec<Value<'c>>,
    /// Columns, or tags in the long layout, by name.
    tags: HashMap<&'c [u8], usize>,
    of_tag: Vec<Tag>,
    timeline: Timeline,
    steps: Steps,
    /// Rows of the long layout whose order is not known yet, or that are grouped by tag.
    series: Option<Series>,
    /// Time of the rows being gathered, in the long layout.
    gathering: Option<(Read, Instant2)>,
    gathered_before: bool,
    rows: u64,
    readings: u64,
    notes: Notes,
}

impl<'c> RowReader<'c> {
    /// A reader for a file of plan `plan`; `timeline` goes on from files of the same monitors read before.
    pub fn new(columns: &'c Columns, plan: usize, timeline: Timeline) -> RowReader<'c> {
        let mut slots: Vec<Slot> = Vec::new();
        let mut values = Vec::new();
        let mut tags: HashMap<&[u8], usize> = HashMap::new();
        let mut of_tag: Vec<Tag> = Vec::new();
        for of in columns.plans.get(plan).map_or(&[][..], |plan| &plan.values) {
            let slot = slots.iter().position(|slot| slot.key == of.monitor).unwrap_or_else(|| {
                slots.push(Slot {
                    key: of.monitor,
                    conventions: conventions(columns, of.monitor),
                    reading: MonitorReading::default(),
                    given: false,
                    readings: 0,
                });
                slots.len() - 1
            });
            let circuits = &mut slots[slot].reading.circuits;
            let wanted = usize::from(of.target.slot) + 1;
            if circuits.len() < wanted {
                circuits.resize(wanted, CircuitReading::default());
            }
            let tag = *tags.entry(of.column.as_bytes()).or_insert_with(|| {
                of_tag.push(Tag::default());
                of_tag.len() - 1
            });
            of_tag[tag].places.push(values.len());
            values.push(Value { of, slot, tag, given: false, last: None, run_out: 0 });
        }
        // A single tag is in order of time however a table is sorted.
        let may_be_grouped = matches!(columns.layout, Layout::Long { .. }) && of_tag.len() > 1;
        RowReader {
            columns,
            plan,
            splitter: Splitter::new(columns.text.delimiter),
            times: TimeReader::new(&columns.time_format, columns.text.decimal_comma),
            heading: None,
            slots,
            tags,
            series: may_be_grouped.then(|| Series::new(values.len(), of_tag.len(), timeline)),
            values,
            of_tag,
            timeline,
            steps: Steps::default(),
            gathering: None,
            gathered_before: false,
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
    ) -> Result<(), FileError> {
        let line = if number == 1 { line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line) } else { line };
        if number == 1 && (line.starts_with(b"\xff\xfe") || line.starts_with(b"\xfe\xff")) {
            return Err(FileError::Utf16);
        }
        if number <= self.columns.text.skip_lines || line.trim_ascii().is_empty() {
            return Ok(());
        }
        let whole = self.splitter.split(line);
        let Some(heading) = &self.heading else {
            if !whole {
                return Err(FileError::NotARow { line: number });
            }
            self.heading = Some(Heading::read(&self.splitter, number, self.columns, &self.values)?);
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
            Layout::Long { hold_ms, .. } => self.long(number, read, hold_ms, &mut sink)?,
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
            self.pass_on_what_is_held(hold_ms, &mut sink);
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

    /// Times of the columns file that are too short for the rows so far.
    pub fn too_short(&self) -> Vec<TooShort> {
        let gap = gap_too_short(self.columns.longest_gap_ms, &self.steps);
        self.hold_too_short().into_iter().chain(gap).collect()
    }

    /// Where time stands, for the next file of the same monitors.
    pub fn timeline(&self) -> Timeline {
        self.timeline
    }

    /// The plan the file is read by, by index.
    pub fn plan(&self) -> usize {
        self.plan
    }

    /// The monitors this file has values of.
    pub fn monitors(&self) -> impl Iterator<Item = MonitorKey> {
        self.slots.iter().map(|slot| slot.key)
    }

    /// A smaller limit, for tests.
    #[cfg(test)]
    pub fn hold_at_most(&mut self, values: usize) {
        if let Some(series) = &mut self.series {
            series.limit(values);
        }
    }

    fn wide(&mut self, number: u64, read: Read, sink: &mut impl FnMut(MonitorKey, &MonitorReading)) {
        let before = self.timeline.last();
        let step = self.timeline.step(read, true);
        let Some(at) = step_or_note(step, &mut self.notes, number) else { return };
        if let Some(before) = before {
            self.steps.take(at.mono.0 - before.mono.0);
        }
        let Some(heading) = &self.heading else { return };
        for slot in &mut self.slots {
            slot.reading.at = at;
            slot.reading.failures.clear();
        }
        for (value, index) in self.values.iter().zip(&heading.cells) {
            let bytes = self.splitter.cell(*index);
            let found = read_cell(value.of, bytes, &self.columns.text, &mut self.notes, number);
            put(&mut self.slots[value.slot], value.of, found);
        }
        for slot in &self.slots {
            self.readings += 1;
            sink(slot.key, &slot.reading);
        }
    }
}

/// The time of a row, or a note why it has none.
fn step_or_note(step: Step, notes: &mut Notes, number: u64) -> Option<Instant2> {
    let seconds = |ms: i64| ms as f64 / 1000.0;
    match step {
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
