//! Rows of a long table that are grouped by tag (all rows of one, then all of the next), held until all are there, and
//! handed out in order of time.
//!
//! Until it is known how a table is sorted its rows are held here too. Memory is bounded by [`HELD_AT_MOST`]. Must never
//! sort within a tag: there, a row that goes back in time is at fault.

use super::super::time::{Read, Step, Timeline};
use super::place::Found;
use crate::reading::UnixMs;

/// Values held at most; 16 bytes each. A year of 19 values a minute.
pub(super) const HELD_AT_MOST: usize = 10_000_000;

/// How the rows so far are sorted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sorted {
    /// It cannot be told yet.
    Open,
    /// By time: a tag came again, and time never went back from one tag to the next.
    ByTime,
    /// Grouped by tag: time went back when the tag changed.
    ByTag,
}

/// Values by place, in order of time.
#[derive(Debug)]
pub(super) struct Series {
    of_value: Vec<Vec<(UnixMs, f64)>>,
    of_tag: Vec<Option<Timeline>>,
    start: Timeline,
    held: usize,
    at_most: usize,
    /// Tag of the row before, its time as written, and the latest time of all.
    run: Option<usize>,
    last_read: Option<Read>,
    latest: Option<UnixMs>,
    sorted: Sorted,
}

/// A held value in eight bytes: what is no number is a NaN of its own.
fn packed(found: Found) -> f64 {
    match found {
        Found::Number(number) => number,
        Found::NotAvailable => f64::NAN,
        Found::Failed => f64::NEG_INFINITY,
    }
}

fn unpacked(value: f64) -> Found {
    if value.is_nan() {
        Found::NotAvailable
    } else if value.is_infinite() {
        Found::Failed
    } else {
        Found::Number(value)
    }
}

impl Series {
    /// Holds nothing yet; time goes on from `start`.
    pub(super) fn new(values: usize, tags: usize, start: Timeline) -> Series {
        Series {
            of_value: vec![Vec::new(); values],
            of_tag: vec![None; tags],
            start,
            held: 0,
            at_most: HELD_AT_MOST,
            run: None,
            last_read: None,
            latest: None,
            sorted: Sorted::Open,
        }
    }

    #[cfg(test)]
    pub(super) fn limit(&mut self, at_most: usize) {
        self.at_most = at_most;
    }

    /// Looks at the next row's tag and time: how the rows are sorted, now that it is here.
    pub(super) fn look(&mut self, tag: usize, read: Read) -> Sorted {
        let (Read::Plain(wall) | Read::Twice { later: wall, .. }) = read;
        if self.sorted == Sorted::Open && self.run.is_some_and(|run| run != tag) {
            if self.latest.is_some_and(|latest| wall < latest) {
                self.sorted = Sorted::ByTag;
            } else if self.of_tag.get(tag).is_some_and(Option::is_some) {
                self.sorted = Sorted::ByTime;
            }
        }
        self.sorted
    }

    /// Time of the next row of a tag, and what it is after those before it.
    pub(super) fn step(&mut self, tag: usize, read: Read) -> Step {
        let start = self.start;
        let Some(timeline) = self.of_tag.get_mut(tag) else { return Step::Repeated };
        let step = timeline.get_or_insert(start).step(read, false);
        if let Step::Forward(at) | Step::ForwardOfTwo(at) = step {
            self.run = Some(tag);
            self.last_read = Some(read);
            self.latest = self.latest.max(Some(at.wall));
        }
        step
    }

    /// Holds a value; false when there is no room for more.
    pub(super) fn hold(&mut self, value: usize, at: UnixMs, found: Found) -> bool {
        if self.held >= self.at_most {
            return false;
        }
        if let Some(series) = self.of_value.get_mut(value) {
            self.held += 1;
            series.push((at, packed(found)));
        }
        true
    }

    /// The last row's time as it was written.
    pub(super) fn last_read(&self) -> Option<Read> {
        self.last_read
    }

    /// Hands out every time with its values, in order.
    pub(super) fn in_order(&self, mut each: impl FnMut(UnixMs, &[(usize, Found)])) {
        let mut next = vec![0; self.of_value.len()];
        let mut values: Vec<(usize, Found)> = Vec::with_capacity(next.len());
        loop {
            let waiting = self.of_value.iter().zip(&next).filter_map(|(series, next)| series.get(*next));
            let Some(at) = waiting.map(|(at, _)| *at).min() else { return };
            values.clear();
            for (value, (series, next)) in self.of_value.iter().zip(&mut next).enumerate() {
                if let Some((_, packed)) = series.get(*next).filter(|(of, _)| *of == at) {
                    values.push((value, unpacked(*packed)));
                    *next += 1;
                }
            }
            each(at, &values);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_held_comes_out_as_it_went_in() {
        for found in [Found::Number(0.0), Found::Number(-1.5e300), Found::NotAvailable, Found::Failed] {
            assert_eq!(unpacked(packed(found)), found);
        }
    }

    /// Tags and times of rows, and how the table is sorted at its end.
    fn sorted(rows: &[(usize, i64)]) -> Sorted {
        let mut series = Series::new(3, 3, Timeline::default());
        let mut found = Sorted::Open;
        for (tag, at) in rows {
            let read = Read::Plain(UnixMs(*at));
            found = series.look(*tag, read);
            if found == Sorted::ByTime {
                break;
            }
            series.step(*tag, read);
        }
        found
    }

    #[test]
    fn the_order_of_a_table_is_seen_from_its_first_rows() {
        assert_eq!(sorted(&[(0, 10), (0, 20), (0, 30)]), Sorted::Open, "one tag");
        assert_eq!(sorted(&[(0, 10), (1, 10), (2, 10)]), Sorted::Open, "one time");
        assert_eq!(sorted(&[(0, 10), (1, 10), (0, 20)]), Sorted::ByTime);
        assert_eq!(sorted(&[(0, 10), (0, 20), (1, 10)]), Sorted::ByTag);
        assert_eq!(sorted(&[(0, 10), (0, 20), (1, 30), (2, 10)]), Sorted::ByTag, "the second starts later");
        assert_eq!(sorted(&[(0, 10), (0, 20), (1, 10), (0, 30), (1, 30)]), Sorted::ByTag, "day by day");
    }
}
