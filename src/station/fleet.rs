//! All stations of a configuration, running: state, tasks and polling joined.

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::context::ContextError;
use super::record::Record;
use super::snapshot::SnapshotReader;
use super::state::StationState;
use super::task::{EVENT_QUEUE, StationTask};
use crate::clock::Clock;
use crate::config::model::StationConfig;
use crate::modbus::links::Links;
use crate::modbus::poll::MonitorJob;

/// Stations made and not yet polled.
#[derive(Debug)]
pub struct Fleet {
    tasks: Vec<StationTask>,
    jobs: Vec<MonitorJob>,
    readers: Vec<SnapshotReader>,
    links: Links,
    clock: Clock,
}

impl Fleet {
    /// Makes the state of every station; nothing runs yet.
    pub fn new(stations: &[StationConfig], clock: Clock) -> Result<Fleet, ContextError> {
        let mut fleet =
            Fleet { tasks: Vec::new(), jobs: Vec::new(), readers: Vec::new(), links: Links::default(), clock };
        for station in stations {
            let mut receivers = Vec::with_capacity(station.monitors.len());
            for monitor in &station.monitors {
                let (events, receiver) = mpsc::channel(EVENT_QUEUE);
                receivers.push(receiver);
                fleet.jobs.push(MonitorJob { station: station.name.clone(), monitor: monitor.clone(), events });
            }
            let (task, reader) = StationTask::new(StationState::new(station)?, receivers, fleet.clock.clone());
            fleet.tasks.push(task);
            fleet.readers.push(reader);
        }
        Ok(fleet)
    }

    /// One reader a station, in file order.
    pub fn readers(&self) -> Vec<SnapshotReader> {
        self.readers.clone()
    }

    /// The ways to the monitors, which others may read on too.
    pub fn links(&mut self) -> &mut Links {
        &mut self.links
    }

    /// Says where the records of each station go, in file order.
    pub fn keep_records(&mut self, records: Vec<Record>) {
        for (task, record) in self.tasks.iter_mut().zip(records) {
            task.keep_records(record);
        }
    }

    /// Starts every station and then the polling of its monitors.
    pub fn spawn(mut self, cancel: &CancellationToken, tracker: &TaskTracker) {
        for task in self.tasks {
            tracker.spawn(task.run(cancel.clone()));
        }
        crate::modbus::poller::spawn(self.jobs, &mut self.links, cancel, tracker, self.clock);
    }
}
