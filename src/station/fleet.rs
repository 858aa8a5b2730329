//! All stations of a configuration, running: state, tasks and polling joined, and changed while they run.
//!
//! Must never touch a station whose configuration stays as it is.

use std::sync::Arc;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::context::ContextError;
use super::record::Record;
use super::roster::Roster;
use super::snapshot::SnapshotReader;
use super::state::StationState;
use super::task::{EVENT_QUEUE, StationTask};
use crate::clock::Clock;
use crate::config::RecordedCheck;
use crate::config::model::StationConfig;
use crate::modbus::links::Links;
use crate::modbus::poll::MonitorJob;

/// Every station, and where faces find them.
#[derive(Debug)]
pub struct Fleet {
    stations: Vec<Station>,
    roster: watch::Sender<Arc<[SnapshotReader]>>,
    links: Links,
    checks: Option<watch::Receiver<Arc<[RecordedCheck]>>>,
    clock: Clock,
}

#[derive(Debug)]
struct Station {
    config: StationConfig,
    reader: SnapshotReader,
    cancel: CancellationToken,
    /// Taken at the start.
    ready: Option<(StationTask, Vec<MonitorJob>)>,
    task: Option<JoinHandle<StationState>>,
}

/// What becomes of the stations, worked out in full before anything is touched.
#[derive(Debug)]
pub struct Plan(Vec<Planned>);

#[derive(Debug)]
enum Planned {
    /// The station of this name stays as it is.
    Keep(String),
    Begin(Box<StationConfig>, Box<StationState>),
}

/// What a plan came to: names of stations.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Changed {
    /// Went on untouched.
    pub kept: Vec<String>,
    /// Went on with another configuration.
    pub altered: Vec<String>,
    /// Are new.
    pub added: Vec<String>,
    /// Are gone.
    pub removed: Vec<String>,
}

impl Fleet {
    /// Makes the state of every station; nothing runs yet.
    pub fn new(stations: &[StationConfig], clock: Clock) -> Result<Fleet, ContextError> {
        let (roster, _) = watch::channel(Arc::default());
        let mut fleet = Fleet { stations: Vec::new(), roster, links: Links::default(), checks: None, clock };
        for config in stations {
            let station = fleet.ready(config.clone(), StationState::new(config)?, Record::default());
            fleet.stations.push(station);
        }
        fleet.announce();
        Ok(fleet)
    }

    /// The stations of now, for faces.
    pub fn roster(&self) -> Roster {
        Roster::new(self.roster.subscribe())
    }

    /// One reader a station, in file order.
    pub fn readers(&self) -> Vec<SnapshotReader> {
        self.stations.iter().map(|station| station.reader.clone()).collect()
    }

    /// The ways to the monitors, which others may read on too.
    pub fn links(&mut self) -> &mut Links {
        &mut self.links
    }

    /// Says where the records of each station go, in file order. For stations that do not run yet.
    pub fn keep_records(&mut self, records: Vec<Record>) {
        for (station, record) in self.stations.iter_mut().zip(records) {
            if let Some((task, _)) = &mut station.ready {
                task.keep_records(record);
            }
        }
    }

    /// Says where stations learn what people found at the panels. For stations that do not run yet, and those to come.
    pub fn count_checks(&mut self, checks: &watch::Receiver<Arc<[RecordedCheck]>>) {
        self.checks = Some(checks.clone());
        for (task, _) in self.stations.iter_mut().filter_map(|station| station.ready.as_mut()) {
            task.count_checks(checks.clone());
        }
    }

    /// Starts every station that does not run yet and then the polling of its monitors. All end with `stop`.
    pub fn start(&mut self, stop: &CancellationToken, tracker: &TaskTracker) {
        let mut polls = Vec::new();
        for station in &mut self.stations {
            let Some((task, jobs)) = station.ready.take() else { continue };
            station.cancel = stop.child_token();
            station.task = Some(tracker.spawn(task.run(station.cancel.clone())));
            polls.extend(jobs.into_iter().map(|job| (job, station.cancel.clone())));
        }
        crate::modbus::poller::spawn(polls, &mut self.links, tracker, &self.clock);
    }

    /// Works out what a new configuration means for the stations; nothing is touched.
    pub fn plan(&self, stations: &[StationConfig]) -> Result<Plan, ContextError> {
        let planned = stations.iter().map(|config| {
            if self.stations.iter().any(|station| station.config == *config) {
                Ok(Planned::Keep(config.name.clone()))
            } else {
                Ok(Planned::Begin(Box::new(config.clone()), Box::new(StationState::new(config)?)))
            }
        });
        Ok(Plan(planned.collect::<Result<_, ContextError>>()?))
    }

    /// Carries a plan out: ends what is gone or altered, lets an altered station go on with what it has learnt where that still
    /// holds, and starts what is new. `record` gives a station its records once its former self has handed in its own.
    pub async fn carry_out<R: Future<Output = Record>>(
        &mut self,
        plan: Plan,
        record: impl Fn(StationConfig) -> R,
        stop: &CancellationToken,
        tracker: &TaskTracker,
    ) -> Changed {
        let mut changed = Changed::default();
        let mut before = std::mem::take(&mut self.stations);
        let mut take =
            |name: &str| before.iter().position(|station| station.config.name == name).map(|at| before.swap_remove(at));
        for planned in plan.0 {
            match planned {
                Planned::Keep(name) => {
                    self.stations.extend(take(&name));
                    changed.kept.push(name);
                }
                Planned::Begin(config, mut state) => {
                    let former = match take(&config.name) {
                        Some(former) => former.end().await,
                        None => None,
                    };
                    match former {
                        Some(former) => {
                            state.adopt(former);
                            changed.altered.push(config.name.clone());
                        }
                        None => changed.added.push(config.name.clone()),
                    }
                    let record = record((*config).clone()).await;
                    let station = self.ready(*config, *state, record);
                    self.stations.push(station);
                }
            }
        }
        for gone in before {
            changed.removed.push(gone.config.name.clone());
            gone.end().await;
        }
        self.links.forget_unused();
        self.announce();
        self.start(stop, tracker);
        changed
    }

    fn ready(&self, config: StationConfig, state: StationState, record: Record) -> Station {
        let mut receivers = Vec::with_capacity(config.monitors.len());
        let mut jobs = Vec::with_capacity(config.monitors.len());
        for monitor in &config.monitors {
            let (events, receiver) = mpsc::channel(EVENT_QUEUE);
            receivers.push(receiver);
            jobs.push(MonitorJob { station: config.name.clone(), monitor: monitor.clone(), events });
        }
        let (mut task, reader) = StationTask::new(state, receivers, self.clock.clone());
        task.keep_records(record);
        if let Some(checks) = &self.checks {
            task.count_checks(checks.clone());
        }
        Station { config, reader, cancel: CancellationToken::new(), ready: Some((task, jobs)), task: None }
    }

    fn announce(&self) {
        self.roster.send_replace(self.readers().into());
    }
}

impl Station {
    /// Ends the station and its polling; what it knew, if it ran and did not fail.
    async fn end(self) -> Option<StationState> {
        self.cancel.cancel();
        self.task?.await.ok()
    }
}

#[cfg(test)]
#[path = "fleet_tests.rs"]
mod tests;
