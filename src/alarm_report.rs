//! How well the alarms of a period served the operator, after the practice of ISA-18.2 / IEC 62682: rates, floods, standing,
//! chattering and fleeting alarms, the most frequent, and the distribution over priorities.
//!
//! Pure: journal entries in, figures out. Must never read a clock, nor fill a gap of the journal with a guess.
//!
//! The texts of the standards were not readable: every definition and every number of [`guidance`] is from memory.

mod duration;
pub mod guidance;
mod happened;
mod rate;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;

use self::duration::Tracks;
use self::happened::{Happened, Raise};
use self::rate::Windows;
use crate::alarm::id::AlarmId;
use crate::alarm::rationale::Class;
use crate::alarm::settings::Priority;
use crate::journal::{Entry, Record};

/// Length of a window, ms.
pub const WINDOW_MS: i64 = 600_000;
const DAY_MS: f64 = 86_400_000.0;
/// Alarms listed as the most frequent.
const MOST_FREQUENT: usize = 10;

/// From when until before when, ms since the Unix epoch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// First instant.
    pub since_ms: i64,
    /// First instant after it.
    pub until_ms: i64,
}

/// Why a period is none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the period ends before it begins")]
pub struct EmptyPeriod;

impl Period {
    /// A period that is not empty.
    pub fn new(since_ms: i64, until_ms: i64) -> Result<Period, EmptyPeriod> {
        if since_ms < until_ms { Ok(Period { since_ms, until_ms }) } else { Err(EmptyPeriod) }
    }

    fn holds(self, at_ms: i64) -> bool {
        (self.since_ms..self.until_ms).contains(&at_ms)
    }

    /// Its length, days of 24 h.
    pub fn days(self) -> f64 {
        (self.until_ms - self.since_ms) as f64 / DAY_MS
    }
}

/// What came per time. Windows are of 10 minutes, one after the other from the beginning of the period.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = AlarmRate)]
pub struct Rate {
    /// How many came.
    pub total: u64,
    /// Mean per 24 h.
    pub per_day: f64,
    /// Mean per 10 minutes.
    pub per_10_min: f64,
    /// Most in one window.
    pub most_in_10_min: u64,
    /// Windows with more than 10.
    pub windows_over_10: u64,
    /// Their share of all windows, 0 to 1.
    pub share_of_windows_over_10: f64,
}

/// Floods: from a window with more than 10 raised alarms to the next one with fewer than 5.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = AlarmFloods)]
pub struct Floods {
    /// How many began in the period.
    pub count: u64,
    /// Their windows, as a share of all windows, 0 to 1.
    pub share_of_time: f64,
    /// Alarms raised in the largest.
    pub largest: u64,
    /// Floods that the program itself told of in the period, by its own configured limits.
    pub told: u64,
}

/// An alarm that has been active for more than 24 hours without a break.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = StandingAlarm)]
pub struct Standing {
    /// Place and kind.
    pub alarm: String,
    /// Active since, ms since the Unix epoch; the beginning of the journal where it was active before.
    pub since_ms: i64,
    /// Until when; null when it still was at the end of the period.
    pub until_ms: Option<i64>,
    /// Hours active until then.
    pub hours: f64,
}

/// An alarm with how often something happened to it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = AlarmCount)]
pub struct Count {
    /// Place and kind.
    pub alarm: String,
    /// How often.
    pub count: u64,
    /// Share of all raised alarms, 0 to 1.
    pub share: f64,
}

/// Raised alarms of one priority.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = AlarmsOfPriority)]
pub struct OfPriority {
    /// low, medium, high or critical; null where the journal does not say.
    pub priority: Option<&'static str>,
    /// How many.
    pub count: u64,
    /// Share of those whose priority is known, 0 to 1; null for the others.
    pub share: Option<f64>,
}

/// The figures of a period.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[schema(as = AlarmReport)]
pub struct Report {
    /// First instant, ms since the Unix epoch.
    pub since_ms: i64,
    /// First instant after it.
    pub until_ms: i64,
    /// Every alarm that came before the operator, those whose announcement was held back too.
    pub raised: Rate,
    /// Those that were announced.
    pub announced: Rate,
    /// Work orders raised: they are no alarms, and count nowhere else.
    pub work_orders: u64,
    /// Events raised: they are no alarms, and count nowhere else.
    pub events: u64,
    /// Raised, but held back because the alarm chattered.
    pub held_chattering: u64,
    /// Raised, but held back in a flood.
    pub held_flood: u64,
    /// Floods.
    pub floods: Floods,
    /// Active for more than 24 h at any time of the period, the longest first.
    pub standing: Vec<Standing>,
    /// Raised three times or more within a minute, at least once; the count is of its raises.
    pub chattering: Vec<Count>,
    /// Gone within a minute and before anybody acknowledged it; the count is of such raises.
    pub fleeting: Vec<Count>,
    /// The ten most frequent.
    pub most_frequent: Vec<Count>,
    /// Their share of all raised alarms, 0 to 1.
    pub share_of_most_frequent: f64,
    /// Distribution of raised alarms over priorities, low first.
    pub priorities: Vec<OfPriority>,
    /// When the oldest entry of the journal was made; null for an empty journal.
    pub journal_begins_ms: Option<i64>,
    /// Time of the period in which the daemon did not run as far as its stops were recorded, ms.
    pub not_running_ms: i64,
    /// Starts of the daemon in the period for which no stop was recorded: how long it did not run before is not known.
    pub starts_without_stop: u64,
    /// Entries about alarms that could not be read; they count nowhere.
    pub unreadable: u64,
}

/// The figures of `period` from the entries of a journal, oldest first: all of them from its beginning, since what stood when the
/// period began follows from what came before.
pub fn report<'e>(period: Period, entries: impl IntoIterator<Item = &'e Entry>) -> Report {
    let mut collected = Collected::new(period);
    for entry in entries {
        collected.take(entry);
    }
    collected.report()
}

/// The same for whoever reads a journal entry by entry.
#[derive(Debug)]
pub struct Collected {
    period: Period,
    raised: Windows,
    announced: Windows,
    work_orders: u64,
    events: u64,
    held_chattering: u64,
    held_flood: u64,
    floods_told: u64,
    by_alarm: BTreeMap<AlarmId, u64>,
    by_priority: BTreeMap<Option<Priority>, u64>,
    tracks: Tracks,
    begins_ms: Option<i64>,
    stopped_ms: Option<i64>,
    /// From a recorded stop to the start after it.
    not_running: Vec<(i64, i64)>,
    starts_without_stop: u64,
    unreadable: u64,
}

impl Collected {
    /// Nothing yet.
    pub fn new(period: Period) -> Collected {
        Collected {
            period,
            raised: Windows::default(),
            announced: Windows::default(),
            work_orders: 0,
            events: 0,
            held_chattering: 0,
            held_flood: 0,
            floods_told: 0,
            by_alarm: BTreeMap::new(),
            by_priority: BTreeMap::new(),
            tracks: Tracks::default(),
            begins_ms: None,
            stopped_ms: None,
            not_running: Vec::new(),
            starts_without_stop: 0,
            unreadable: 0,
        }
    }

    /// Takes the next entry of the journal. What happened after the period counts nowhere.
    pub fn take(&mut self, entry: &Entry) {
        self.take_entry(entry.at_unix_ms, entry.kind.key(), &entry.data);
    }

    /// The same of an entry as it stands in the journal.
    pub fn take_record(&mut self, record: &Record) {
        self.take_entry(record.at_unix_ms, &record.kind, &record.data);
    }

    fn take_entry(&mut self, at_ms: i64, kind: &str, data: &str) {
        let is_first = self.begins_ms.is_none();
        let begins_ms = *self.begins_ms.get_or_insert(at_ms);
        if at_ms >= self.period.until_ms {
            return;
        }
        let inside = self.period.holds(at_ms);
        match Happened::of(kind, data) {
            Happened::Nothing => {}
            Happened::Unreadable => self.unreadable += u64::from(inside),
            Happened::Stopped => self.stopped_ms = Some(at_ms),
            Happened::Started => match self.stopped_ms.take() {
                Some(stopped_ms) => self.not_running.push((stopped_ms, at_ms)),
                None => self.starts_without_stop += u64::from(inside && !is_first),
            },
            Happened::FloodTold => self.floods_told += u64::from(inside),
            Happened::Transition(transition) => {
                let raise = transition.raise.filter(|_| inside);
                match transition.alarm.kind.class() {
                    Class::Event => self.events += u64::from(raise.is_some()),
                    Class::WorkOrder => self.work_orders += u64::from(raise.is_some()),
                    Class::Alarm => {
                        if let Some(raise) = raise {
                            self.count(at_ms, &transition.alarm, transition.priority, raise);
                        }
                        self.tracks.take(at_ms, begins_ms, inside, &transition);
                    }
                }
            }
        }
    }

    fn count(&mut self, at_ms: i64, alarm: &AlarmId, priority: Option<Priority>, raise: Raise) {
        let window = (at_ms - self.period.since_ms) / WINDOW_MS;
        self.raised.count(window);
        match raise {
            Raise::Announced => self.announced.count(window),
            Raise::HeldChattering => self.held_chattering += 1,
            Raise::HeldFlood => self.held_flood += 1,
        }
        *self.by_alarm.entry(alarm.clone()).or_default() += 1;
        *self.by_priority.entry(priority).or_default() += 1;
    }

    /// The figures.
    pub fn report(self) -> Report {
        let Collected { period, raised, by_alarm, tracks, .. } = self;
        let total = raised.total();
        let counts = |of: BTreeMap<AlarmId, u64>| {
            let mut all: Vec<Count> = of
                .into_iter()
                .map(|(alarm, count)| Count { alarm: alarm.to_string(), count, share: share(count, total) })
                .collect();
            all.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.alarm.cmp(&b.alarm)));
            all
        };
        let of_chattering = by_alarm.iter().filter(|(alarm, _)| tracks.chattered(alarm));
        let chattering = counts(of_chattering.map(|(alarm, count)| (alarm.clone(), *count)).collect());
        let mut most_frequent = counts(by_alarm);
        most_frequent.truncate(MOST_FREQUENT);
        let (standing, fleeting) = tracks.finish(period);
        let mut not_running = self.not_running;
        not_running.extend(self.stopped_ms.map(|stopped_ms| (stopped_ms, period.until_ms)));
        Report {
            since_ms: period.since_ms,
            until_ms: period.until_ms,
            raised: raised.rate(period),
            announced: self.announced.rate(period),
            work_orders: self.work_orders,
            events: self.events,
            held_chattering: self.held_chattering,
            held_flood: self.held_flood,
            floods: raised.floods(period, self.floods_told),
            standing,
            chattering,
            fleeting: counts(fleeting),
            share_of_most_frequent: share(most_frequent.iter().map(|of| of.count).sum(), total),
            most_frequent,
            priorities: priorities(&self.by_priority),
            journal_begins_ms: self.begins_ms,
            not_running_ms: covered_ms(period, not_running),
            starts_without_stop: self.starts_without_stop,
            unreadable: self.unreadable,
        }
    }
}

fn priorities(counts: &BTreeMap<Option<Priority>, u64>) -> Vec<OfPriority> {
    let known: u64 = counts.iter().filter(|(priority, _)| priority.is_some()).map(|(_, count)| count).sum();
    let count = |priority: Option<Priority>| counts.get(&priority).copied().unwrap_or_default();
    let mut all: Vec<OfPriority> = Priority::TARGET_SHARE
        .into_iter()
        .map(|(priority, _)| {
            let count = count(Some(priority));
            OfPriority { priority: Some(priority.key()), count, share: Some(share(count, known)) }
        })
        .collect();
    all.push(OfPriority { priority: None, count: count(None), share: None });
    all
}

/// Time of the period that the spans cover; a clock that was put back makes them overlap.
fn covered_ms(period: Period, mut spans: Vec<(i64, i64)>) -> i64 {
    spans.sort_unstable();
    let (mut covered, mut reached) = (0, period.since_ms);
    for (from, to) in spans {
        let (from, to) = (from.max(reached), to.min(period.until_ms));
        covered += (to - from).max(0);
        reached = reached.max(to);
    }
    covered
}

fn share(part: u64, whole: u64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}
