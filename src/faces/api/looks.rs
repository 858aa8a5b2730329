//! What has changed since the last look at the stations, the alarms and the journal, as small events.
//!
//! Must never tell a reading: only what people would look again for.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::{Value, json};

use crate::alarm::id::AlarmId;
use crate::audit::assessment::RunState;
use crate::audit::words::run_state_words;
use crate::clock::Clock;
use crate::desk::{AlarmList, Desk};
use crate::faces::json::rfc3339;
use crate::journal::{Head, Journal};
use crate::reading::Instant2;
use crate::station::news::verdict_key;
use crate::station::roster::Roster;
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// Alarms named one by one in an event; with more, the list is to be fetched.
const NAMED_MAX: usize = 100;

/// What is looked at.
#[derive(Debug, Clone)]
pub struct Watched {
    /// Stations.
    pub roster: Roster,
    /// Alarms.
    pub desk: Desk,
    /// The journal, where one is kept.
    pub journal: Option<Journal>,
    /// Time.
    pub clock: Clock,
}

/// Looks, and remembers what it saw.
#[derive(Debug)]
pub(super) struct Looks {
    watched: Watched,
    seen: Seen,
}

/// A part of a station by its names.
type Part = (String, String);

#[derive(Debug)]
struct Seen {
    circuits: BTreeMap<Part, Circuit>,
    monitors: BTreeMap<Part, &'static str>,
    alarms: Arc<AlarmList>,
    head: Option<Head>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Circuit {
    verdict: &'static str,
    run_state: &'static str,
    since: Option<Instant2>,
}

/// An event: its name and what it says.
pub(super) type News = (&'static str, Value);

impl Looks {
    /// Looks for the first time; what is there then is not news.
    pub(super) fn new(watched: Watched) -> Looks {
        let seen = look(&watched);
        Looks { watched, seen }
    }

    /// What has changed since.
    pub(super) fn news(&mut self) -> Vec<News> {
        let now = look(&self.watched);
        let mut news = Vec::new();
        changes(&self.seen.circuits, &now.circuits, |(station, circuit), change| {
            news.push((
                "circuit",
                match change {
                    Some(Circuit { verdict, run_state, since }) => json!({
                        "station": station, "circuit": circuit, "verdict": verdict, "run_state": run_state,
                        "since": since.map(|since| rfc3339(since.wall)),
                    }),
                    None => json!({ "station": station, "circuit": circuit, "gone": true }),
                },
            ));
        });
        changes(&self.seen.monitors, &now.monitors, |(station, monitor), change| {
            news.push((
                "monitor",
                match change {
                    Some(state) => json!({ "station": station, "monitor": monitor, "state": state }),
                    None => json!({ "station": station, "monitor": monitor, "gone": true }),
                },
            ));
        });
        news.extend(alarm_news(&self.seen.alarms, &now.alarms));
        if let Some(head) = now.head.filter(|head| self.seen.head != Some(*head)) {
            news.push(("journal", json!({ "sequence": head.sequence, "hash": head.hash.to_string() })));
        }
        self.seen = now;
        news
    }
}

fn look(watched: &Watched) -> Seen {
    let now = watched.clock.now();
    let (mut circuits, mut monitors) = (BTreeMap::new(), BTreeMap::new());
    for station in watched.roster.snapshots() {
        let part = |name: &String| (station.station.clone(), name.clone());
        circuits.extend(station.circuits.iter().map(|c| (part(&c.name), circuit(&station, c, now))));
        monitors.extend(station.monitors.iter().map(|m| (part(&m.name), m.freshness(now.mono).key())));
    }
    Seen { circuits, monitors, alarms: watched.desk.list(), head: watched.journal.as_ref().map(Journal::head) }
}

fn circuit(station: &StationSnapshot, circuit: &CircuitSnapshot, now: Instant2) -> Circuit {
    let live = station.monitor_of(circuit).is_some_and(|monitor| monitor.freshness(now.mono).is_live());
    let assessment = circuit.assessment.as_deref();
    Circuit {
        verdict: verdict_key(circuit.verdict()),
        run_state: run_state_words(assessment.filter(|_| live).map_or(RunState::Unknown, |a| a.run_state)),
        since: assessment.and_then(|a| a.diagnosis.since),
    }
}

/// Calls `tell` with what is new or other, and with `None` for what is gone.
fn changes<T: Copy + PartialEq>(
    before: &BTreeMap<Part, T>,
    now: &BTreeMap<Part, T>,
    mut tell: impl FnMut(&Part, Option<T>),
) {
    for (part, value) in now.iter().filter(|(part, value)| before.get(*part) != Some(*value)) {
        tell(part, Some(*value));
    }
    for part in before.keys().filter(|part| !now.contains_key(*part)) {
        tell(part, None);
    }
}

fn alarm_news(before: &Arc<AlarmList>, now: &Arc<AlarmList>) -> Option<News> {
    if Arc::ptr_eq(before, now) {
        return None;
    }
    let other = |a: &AlarmList, b: &AlarmList| -> Vec<String> {
        let ids = a.entries.iter().map(|entry| (entry, entry.alarm.id()));
        ids.filter(|(entry, id)| b.get(id) != Some(entry)).map(|(_, id)| id.address()).collect()
    };
    let mut ids = other(now, before);
    let gone = before.entries.iter().map(|entry| entry.alarm.id()).filter(|id| now.get(id).is_none());
    ids.extend(gone.map(AlarmId::address));
    if ids.is_empty() && before.flooded == now.flooded {
        return None;
    }
    let named = (ids.len() <= NAMED_MAX).then_some(ids);
    Some(("alarms", json!({ "version": now.version, "flooded": now.flooded, "ids": named })))
}
