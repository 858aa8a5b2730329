//! What a station hands to the journal and to the history, and the energy it sums up on the way.
//!
//! The journal is waited for, within limits; the history never.

mod energy;
mod values;

use std::collections::HashMap;
use std::time::Duration;

use self::energy::{Energy, corrected_w, registered_w};
use self::values::{circuit_values, monitor_values};

use super::news::{News, verdict_key};
use super::snapshot::{CircuitSnapshot, StationSnapshot};
use super::state::StationState;
use crate::audit::assessment::{Check, Outcome};
use crate::audit::words;
use crate::history::recorder::Recorder;
use crate::history::store::{Event, Sample, Source, SourceId, Store, StoreError};
use crate::journal::Journal;
use crate::reading::{CircuitReading, Instant2, MonoMs};

/// A disk that hangs must not blind the watch for ever: after this the news is shown all the same, and that it may not be in
/// the journal is an error in the log.
const JOURNAL_LIMIT: Duration = Duration::from_secs(5);
/// Power is not carried over a longer gap than this many poll periods.
const GAP_PERIODS: u32 = 3;
/// How often energies and what was learnt are kept, ms; after a kill the newest reading tells what is missing of an energy.
const KEEP_EVERY_MS: u64 = 60_000;

/// Where a station's records go. The default keeps none.
#[derive(Debug, Default)]
pub struct Record {
    /// The journal.
    pub journal: Option<Journal>,
    /// The history.
    pub history: Option<StationHistory>,
}

impl Record {
    /// Puts news in the journal and returns when it is durable.
    pub async fn news(&self, station: &str, news: &[News], at: Instant2) {
        let Some(journal) = self.journal.as_ref().filter(|_| !news.is_empty()) else { return };
        let entries = news.iter().map(|item| item.entry(station, at.wall)).collect();
        match tokio::time::timeout(JOURNAL_LIMIT, journal.append_all(entries)).await {
            Ok(Ok(_)) => {}
            Ok(Err(error)) => tracing::error!(station, "{station}: the next line is not in the journal: {error}"),
            Err(_) => tracing::error!(station, "{station}: the next line may not be in the journal: the disk hangs"),
        }
    }
}

/// One station's way into the history.
#[derive(Debug)]
pub struct StationHistory {
    recorder: Recorder,
    monitors: Vec<MonitorHistory>,
    circuits: Vec<CircuitHistory>,
}

#[derive(Debug)]
struct MonitorHistory {
    source: SourceId,
    /// What was learnt of it before this start.
    image: Option<Vec<u8>>,
    state_key: String,
    /// Monotonic time at which what was learnt was last kept, and the epochs seen by then.
    kept: Option<(MonoMs, u32)>,
}

#[derive(Debug)]
struct CircuitHistory {
    source: SourceId,
    state_key: String,
    energy: Energy,
    /// Monotonic time at which the energy was last kept.
    kept: Option<MonoMs>,
    failed: HashMap<(Check, Option<usize>), bool>,
}

/// The numbers of a station's parts in a store, and the energy each circuit had, and what was learnt of each monitor, before
/// this start.
#[derive(Debug)]
pub struct Beginning {
    monitors: Vec<MonitorHistory>,
    circuits: Vec<(SourceId, String, Energy)>,
}

impl Beginning {
    /// Looks them up, before the store is handed to its thread.
    pub fn of(store: &mut dyn Store, station: &str, monitors: &[&str], circuits: &[&str]) -> Result<Self, StoreError> {
        let source = |is_monitor, name: &str| Source { station: station.to_owned(), is_monitor, name: name.to_owned() };
        let monitors = monitors.iter().map(|name| {
            let id = store.source(&source(true, name))?;
            let state_key = format!("learnt/{station}/{name}");
            Ok(MonitorHistory { source: id, image: store.state(&state_key)?, state_key, kept: None })
        });
        let monitors = monitors.collect::<Result<_, StoreError>>()?;
        let circuits = circuits.iter().map(|name| {
            let id = store.source(&source(false, name))?;
            let key = format!("energy/{station}/{name}");
            let energy = Energy::restore(store, id, &key)?;
            Ok((id, key, energy))
        });
        let circuits = circuits.collect::<Result<_, StoreError>>()?;
        Ok(Beginning { monitors, circuits })
    }
}

impl StationHistory {
    /// A station that goes on from its beginning.
    pub fn new(recorder: Recorder, beginning: Beginning) -> StationHistory {
        let circuits = beginning.circuits.into_iter().map(|(source, state_key, energy)| CircuitHistory {
            source,
            state_key,
            energy,
            kept: None,
            failed: HashMap::new(),
        });
        StationHistory { recorder, monitors: beginning.monitors, circuits: circuits.collect() }
    }

    /// What was learnt of each monitor before this start, as it was kept. Given once.
    pub fn images(&mut self) -> Vec<Option<Vec<u8>>> {
        self.monitors.iter_mut().map(|monitor| monitor.image.take()).collect()
    }

    /// Keeps the energies and what was learnt as they are now: the station ends here, for good or until it begins anew.
    pub fn keep(&self, state: &StationState, at: Instant2) {
        for circuit in &self.circuits {
            self.recorder.state(circuit.state_key.clone(), circuit.energy.bytes(at.wall.0));
        }
        for (index, monitor) in self.monitors.iter().enumerate() {
            monitor.keep(&self.recorder, state, index, at);
        }
    }

    /// Keeps what was learnt of a monitor when it is time to: now and then, when an epoch begins, and when a diagnosis is told.
    pub fn keep_learnt(&mut self, state: &StationState, monitor: usize, at: Instant2, news: &[News]) {
        let Some(history) = self.monitors.get_mut(monitor) else { return };
        let epochs = state.epochs(monitor);
        let told = news.iter().any(|item| matches!(item, News::Diagnosis { .. }));
        let due = history.kept.is_none_or(|(then, before)| epochs != before || at.mono.since(then) >= KEEP_EVERY_MS);
        if told || due {
            history.kept = Some((at.mono, epochs));
            history.keep(&self.recorder, state, monitor, at);
        }
    }

    /// Takes the changes of diagnoses among the news.
    pub fn diagnoses(&self, snapshot: &StationSnapshot, news: &[News]) {
        for item in news {
            let News::Diagnosis { circuit, verdict, headline, because } = item else { continue };
            let at = snapshot.circuits.iter().position(|shown| shown.name == *circuit);
            let Some(history) = at.and_then(|at| self.circuits.get(at)) else { continue };
            let because = because.as_ref().map_or_else(String::new, |because| format!("; {because}"));
            self.recorder.event(Event {
                source: history.source,
                at_ms: snapshot.at.wall.0,
                kind: "diagnosis".to_owned(),
                subject: String::new(),
                state: verdict_key(*verdict).to_owned(),
                text: format!("{headline}{because}"),
            });
        }
    }

    /// Takes what one poll of a monitor brought.
    pub fn take(&mut self, snapshot: &StationSnapshot, monitor: usize) {
        let Some(shown) = snapshot.monitors.get(monitor).filter(|shown| !shown.health.silent) else { return };
        let Some(reading) = &shown.reading else { return };
        if let Some(MonitorHistory { source, .. }) = self.monitors.get(monitor) {
            self.recorder.sample(Sample { source: *source, at_ms: reading.at.wall.0, values: monitor_values(reading) });
        }
        let gap_ms = (shown.poll_period * GAP_PERIODS).as_millis() as u64;
        for (circuit, history) in snapshot.circuits.iter().zip(&mut self.circuits) {
            let Some(reported) = reading.circuits.get(circuit.slot) else { continue };
            if circuit.monitor == monitor {
                history.take(&self.recorder, circuit, reported, reading.at, gap_ms);
            }
        }
    }
}

impl MonitorHistory {
    fn keep(&self, recorder: &Recorder, state: &StationState, monitor: usize, at: Instant2) {
        if let Some(image) = state.image(monitor, at) {
            recorder.state(self.state_key.clone(), image);
        }
    }
}

impl CircuitHistory {
    fn take(
        &mut self,
        recorder: &Recorder,
        circuit: &CircuitSnapshot,
        reported: &CircuitReading,
        at: Instant2,
        gap_ms: u64,
    ) {
        let assessment = circuit.assessment.as_deref();
        let mut values = circuit_values(reported, assessment);
        self.energy.add(at, registered_w(reported).zip(assessment.and_then(corrected_w)), gap_ms);
        self.energy.put(&mut values);
        recorder.sample(Sample { source: self.source, at_ms: at.wall.0, values });
        if self.kept.is_none_or(|kept| at.mono.since(kept) >= KEEP_EVERY_MS) {
            self.kept = Some(at.mono);
            recorder.state(self.state_key.clone(), self.energy.bytes(at.wall.0));
        }
        for finding in assessment.map_or(&[][..], |assessment| &assessment.findings) {
            let failed = match finding.outcome {
                Outcome::Failed => true,
                Outcome::Passed => false,
                // Says nothing against what was found before.
                Outcome::Pending | Outcome::Idle(_) | Outcome::NotCheckable(_) => continue,
            };
            let before = self.failed.insert((finding.check, finding.channel), failed);
            // A check that has passed since the start is no change.
            if before == Some(failed) || before.is_none() && !failed {
                continue;
            }
            let channel = finding.channel.map_or_else(String::new, |channel| format!(" {}", channel + 1));
            recorder.event(Event {
                source: self.source,
                at_ms: at.wall.0,
                kind: "finding".to_owned(),
                subject: format!("{}{channel}", words::check_id(finding.check)),
                state: if failed { "failed" } else { "passed" }.to_owned(),
                text: finding.detail.to_string(),
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::keeper::Limits;
    use crate::history::quantity::place;
    use crate::history::sqlite::SqliteStore;
    use crate::history::store::{Query, Statistic, Tier};
    use crate::reading::UnixMs;
    use crate::station::fixtures::{exchanged, snapshot_after};

    fn at(seconds: u64) -> Instant2 {
        Instant2 { wall: UnixMs(1_795_000_000_000 + seconds as i64 * 1000), mono: MonoMs(seconds * 1000) }
    }

    #[test]
    fn readings_findings_and_energy_are_kept_over_a_restart() {
        let folder = tempfile::tempdir().unwrap();
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let news = [News::Diagnosis {
            circuit: "Pump 1".to_owned(),
            verdict: crate::audit::assessment::Verdict::Fault,
            headline: "exchanged".to_owned(),
            because: None,
        }];
        let mut sums = Vec::new();
        for run in 0..2 {
            let (mut store, _) = SqliteStore::open(folder.path(), 0).unwrap();
            let beginning = Beginning::of(&mut store, "Alder Creek Lift", &["PM-1"], &["Pump 1"]).unwrap();
            sums.push(beginning.circuits[0].2.sums());
            let recorder = Recorder::start(Box::new(store), Limits::default(), |notice| panic!("{notice:?}")).unwrap();
            let mut history = StationHistory::new(recorder.clone(), beginning);
            for second in 0..20 {
                let mut now = snapshot.as_ref().clone();
                let mut reading = now.monitors[0].reading.as_deref().unwrap().clone();
                reading.at = at(run * 100 + second);
                now.monitors[0].reading = Some(reading.into());
                history.take(&now, 0);
                history.diagnoses(&now, if second == 0 { &news } else { &[] });
            }
            assert!(recorder.flush_blocking());
            sums.push(history.circuits[0].energy.sums());
        }
        assert_eq!(sums[0], [0.0; 3]);
        assert_eq!(sums[1][2], 19.0);
        assert_eq!(sums[2], sums[1], "the second start goes on where the first ended");
        assert_eq!(sums[3][2], 38.0);
        let (mut store, _) = SqliteStore::open(folder.path(), 0).unwrap();
        let circuit = store.sources().unwrap().into_iter().find(|(_, source)| !source.is_monitor).unwrap().0;
        let events = store.events(circuit, 0, i64::MAX).unwrap();
        assert_eq!(events.iter().filter(|e| e.kind == "diagnosis" && e.state == "fault").count(), 2);
        assert!(events.iter().any(|e| e.kind == "finding" && e.state == "failed"), "{events:?}");
        let quantities = vec![place::CURRENT_A, place::CORRECTED_TOTAL_ACTIVE_POWER_W];
        let (tier, statistic) = (Tier::Detail, Statistic::Mean);
        let rows =
            store.rows(&Query { source: circuit, tier, statistic, from_ms: 0, to_ms: i64::MAX, quantities }).unwrap();
        assert_eq!(rows.at_ms.len(), 40);
        let corrected = snapshot.circuits[0].assessment.as_ref().unwrap().corrected.unwrap().total_w;
        assert!(rows.iter().all(|(_, row)| row[0] > 0.0 && row[1] == corrected));
    }
}
