//! The long layout: rows of one value each, those of one time to one reading.
//!
//! Sorted by time they pass through; grouped by tag they are held until the end (`series`). Must never carry a value on
//! for longer than the columns file says.

use super::super::notes::{Fault, shown};
use super::super::steps::{TooShort, ValueSteps, hold_too_short};
use super::super::time::Read;
use super::heading::FileError;
use super::place::{Found, put, read_cell, store};
use super::series::Sorted;
use super::{RowReader, step_or_note};
use crate::reading::{Instant2, MonitorReading, UnixMs};
use crate::replay::columns::{Layout, MonitorKey};

impl RowReader<'_> {
    /// Takes one row of the long layout, split already.
    pub(super) fn long(
        &mut self,
        number: u64,
        read: Read,
        hold_ms: u64,
        sink: &mut impl FnMut(MonitorKey, &MonitorReading),
    ) -> Result<(), FileError> {
        let Some(heading) = &self.heading else { return Ok(()) };
        let (tag_at, value_at) = heading.tag_and_value;
        let tag = self.splitter.cell(tag_at);
        let Some(&tag) = self.tags.get(tag) else {
            self.notes.add(Fault::UnknownName, number, || shown(tag));
            return Ok(());
        };
        if let Some(series) = &mut self.series {
            if series.look(tag, read) != Sorted::ByTime {
                return self.hold_row(number, tag, read, value_at);
            }
            self.pass_on_what_is_held(hold_ms, sink);
        }
        if self.gathering.is_none_or(|(of, _)| of != read) {
            self.hand_out(hold_ms, sink);
            let step = self.timeline.step(read, false);
            let Some(at) = step_or_note(step, &mut self.notes, number) else { return Ok(()) };
            self.begin(read, at);
        }
        for n in 0..self.of_tag[tag].places.len() {
            let place = self.of_tag[tag].places[n];
            let value = &mut self.values[place];
            let bytes = self.splitter.cell(value_at);
            if value.given {
                let tag = self.splitter.cell(tag_at);
                self.notes.add(Fault::Row, number, || format!("{} is given twice for the same time", shown(tag)));
                continue;
            }
            let found = read_cell(value.of, bytes, &self.columns.text, &mut self.notes, number);
            self.give(place, found);
        }
        Ok(())
    }

    /// Starts to gather the readings of a time.
    fn begin(&mut self, read: Read, at: Instant2) {
        if let Some(before) = self.slots.first().filter(|_| self.gathered_before) {
            self.steps.take(at.mono.0 - before.reading.at.mono.0);
        }
        self.gathered_before = true;
        self.gathering = Some((read, at));
        self.values.iter_mut().for_each(|value| value.given = false);
        for slot in &mut self.slots {
            slot.given = false;
            slot.reading.at = at;
            slot.reading.failures.clear();
        }
    }

    /// Puts a value of the time being gathered.
    fn give(&mut self, place: usize, found: Found) {
        let value = &mut self.values[place];
        let slot = &mut self.slots[value.slot];
        let at = slot.reading.at.wall;
        let of_tag = &mut self.of_tag[value.tag];
        if let Some(before) = of_tag.last_at.filter(|before| *before < at) {
            of_tag.steps.take(at.0.abs_diff(before.0));
        }
        of_tag.last_at = Some(at);
        value.given = true;
        slot.given = true;
        put(slot, value.of, found);
        value.last = if let Found::Number(number) = found { Some((at, number)) } else { None };
    }

    /// Holds a row until it is known how the table is sorted, or to its end.
    fn hold_row(&mut self, number: u64, tag: usize, read: Read, value_at: usize) -> Result<(), FileError> {
        let Some(series) = &mut self.series else { return Ok(()) };
        let Some(at) = step_or_note(series.step(tag, read), &mut self.notes, number) else { return Ok(()) };
        for place in &self.of_tag[tag].places {
            let of = self.values[*place].of;
            let bytes = self.splitter.cell(value_at);
            let found = read_cell(of, bytes, &self.columns.text, &mut self.notes, number);
            if !series.hold(*place, at.wall, found) {
                return Err(FileError::TooLargeToSort { line: number });
            }
        }
        Ok(())
    }

    /// Hands out all that is held, in order of time; the last time is left open, for more rows of it may come.
    pub(super) fn pass_on_what_is_held(&mut self, hold_ms: u64, sink: &mut impl FnMut(MonitorKey, &MonitorReading)) {
        let Some(series) = self.series.take() else { return };
        series.in_order(|at, values| {
            self.hand_out(hold_ms, sink);
            let read = Read::Plain(at);
            // Each tag's rows are in order and after the files before, so this is a step forward.
            if let Some(now) = step_or_note(self.timeline.step(read, false), &mut self.notes, 0) {
                self.begin(read, now);
                for (place, found) in values {
                    self.give(*place, *found);
                }
            }
        });
        if let (Some((_, at)), Some(read)) = (self.gathering, series.last_read()) {
            self.gathering = Some((read, at));
        }
    }

    /// Completes the readings of the time being gathered: what has no row keeps its last value as long as the columns
    /// file says, and counts as failed after that.
    pub(super) fn hand_out(&mut self, hold_ms: u64, sink: &mut impl FnMut(MonitorKey, &MonitorReading)) {
        let Some((_, at)) = self.gathering.take() else { return };
        for value in self.values.iter_mut().filter(|value| !value.given) {
            let slot = &mut self.slots[value.slot];
            if !slot.given {
                continue;
            }
            let held = value.last.filter(|(since, _)| at.wall.0.abs_diff(since.0) <= hold_ms);
            if held.is_none() {
                value.run_out += 1;
                slot.reading.failures.push(format!("{} has no row of this time", shown(value.of.column.as_bytes())));
            }
            store(slot, value.of, held.map_or(Found::Failed, |(_, number)| Found::Number(number)));
        }
        for slot in self.slots.iter_mut().filter(|slot| slot.given) {
            self.readings += 1;
            slot.readings += 1;
            sink(slot.key, &slot.reading);
        }
    }

    /// Whether `hold` was too short for this file.
    pub(super) fn hold_too_short(&self) -> Option<TooShort> {
        let Layout::Long { hold_ms, .. } = self.columns.layout else { return None };
        let values = self.values.iter().map(|value| ValueSteps {
            tag: &value.of.column,
            steps: &self.of_tag[value.tag].steps,
            missing: value.run_out,
            readings: self.slots[value.slot].readings,
        });
        hold_too_short(hold_ms, values)
    }
}

/// What is known of one tag of the long layout.
#[derive(Debug, Default)]
pub(super) struct Tag {
    /// Values that it gives, by index.
    pub(super) places: Vec<usize>,
    /// Its first steps, to be compared with `hold`.
    pub(super) steps: super::super::steps::Steps,
    pub(super) last_at: Option<UnixMs>,
}
