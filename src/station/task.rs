//! The task that runs one station: waits for events and deadlines, steps the state, publishes snapshots, writes the log.
//!
//! Must never wait for a reader: publishing replaces the snapshot in a watch channel.

use std::future::poll_fn;
use std::sync::Arc;
use std::task::Poll;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use super::checks::{self, with_checks};
use super::record::Record;
use super::snapshot::{SnapshotReader, StationSnapshot};
use super::state::StationState;
use crate::clock::Clock;
use crate::config::RecordedCheck;
use crate::modbus::poll::PollEvent;
use crate::reading::MonoMs;

/// Events of one monitor that may wait: a few polls' worth. More would only delay the news that the station is behind.
pub const EVENT_QUEUE: usize = 4;

/// A station about to run.
#[derive(Debug)]
pub struct StationTask {
    state: StationState,
    events: Vec<mpsc::Receiver<PollEvent>>,
    publish: watch::Sender<Arc<StationSnapshot>>,
    clock: Clock,
    record: Record,
    checks: Option<watch::Receiver<Arc<[RecordedCheck]>>>,
    /// Those of them that count in what is shown.
    counted: Arc<[RecordedCheck]>,
}

impl StationTask {
    /// Makes the task; `events` holds one receiver a monitor, in the station's order.
    pub fn new(
        state: StationState,
        events: Vec<mpsc::Receiver<PollEvent>>,
        clock: Clock,
    ) -> (StationTask, SnapshotReader) {
        let (publish, receiver) = watch::channel(Arc::new(state.snapshot(clock.now())));
        (
            StationTask {
                state,
                events,
                publish,
                clock,
                record: Record::default(),
                checks: None,
                counted: Arc::default(),
            },
            SnapshotReader::new(receiver),
        )
    }

    /// Says where the station's records go, and goes on with what they hold of what was learnt before.
    pub fn keep_records(&mut self, record: Record) {
        self.record = record;
        let Some(history) = &mut self.record.history else { return };
        let now = self.clock.now();
        for taken_up in self.state.take_up(&history.images(), now) {
            taken_up.log(self.state.name());
        }
        self.publish.send_replace(Arc::new(self.state.snapshot(now)));
    }

    /// Says where to learn what people found at the panels, which counts in all that is shown.
    pub fn count_checks(&mut self, checks: watch::Receiver<Arc<[RecordedCheck]>>) {
        self.counted = Arc::clone(&checks.borrow());
        self.checks = Some(checks);
    }

    /// Runs until cancelled, or until no monitor sends any more; returns what it knows then.
    pub async fn run(mut self, cancel: CancellationToken) -> StationState {
        self.watch(cancel).await;
        if let Some(history) = &self.record.history {
            history.keep(&self.state, self.clock.now());
        }
        self.state
    }

    async fn watch(&mut self, cancel: CancellationToken) {
        let mut turn = 0;
        loop {
            let deadline = self.state.next_check();
            let (polled, mut news) = tokio::select! {
                biased;
                () = cancel.cancelled() => return,
                event = next_event(&mut self.events, &mut turn) => match event {
                    Some((monitor, event)) => (Some(monitor), self.state.take(monitor, event)),
                    None => return,
                },
                () = changed(&mut self.checks) => (None, Vec::new()),
                () = reached(deadline, &self.clock) => (None, self.state.check_ages(self.clock.now().mono)),
            };
            let snapshot = Arc::new(self.state.snapshot(self.clock.now()));
            let checks = self.checks.as_ref().map(|checks| Arc::clone(&checks.borrow()));
            if let Some(checks) = checks.filter(|checks| !Arc::ptr_eq(checks, &self.counted)) {
                news.extend(checks::news(&snapshot, &self.counted, &checks));
                self.counted = checks;
            }
            // In the journal first: what is shown must not be lost by a power cut the next moment.
            self.record.news(self.state.name(), &news, snapshot.at).await;
            for item in &news {
                item.log(self.state.name());
            }
            if let Some(history) = &mut self.record.history {
                history.diagnoses(&snapshot, &news);
                if let Some(monitor) = polled {
                    history.take(&snapshot, monitor);
                    history.keep_learnt(&self.state, monitor, snapshot.at, &news);
                }
            }
            self.publish.send_replace(with_checks(&snapshot, &self.counted));
        }
    }
}

/// What people found has changed. Never, when nobody could have found anything.
async fn changed(checks: &mut Option<watch::Receiver<Arc<[RecordedCheck]>>>) {
    if let Some(receiver) = checks
        && receiver.changed().await.is_ok()
    {
        return;
    }
    *checks = None;
    std::future::pending::<()>().await;
}

async fn reached(deadline: Option<MonoMs>, clock: &Clock) {
    match deadline {
        Some(deadline) => tokio::time::sleep(Duration::from_millis(deadline.since(clock.now().mono))).await,
        None => std::future::pending().await,
    }
}

/// The next event of any monitor, taking turns so that a fast monitor never starves another. `None` when all have ended.
async fn next_event(receivers: &mut [mpsc::Receiver<PollEvent>], turn: &mut usize) -> Option<(usize, PollEvent)> {
    poll_fn(|context| {
        let count = receivers.len();
        let mut open = false;
        for step in 0..count {
            let monitor = (*turn + step) % count;
            match receivers[monitor].poll_recv(context) {
                Poll::Ready(Some(event)) => {
                    *turn = (monitor + 1) % count;
                    return Poll::Ready(Some((monitor, event)));
                }
                Poll::Ready(None) => {}
                Poll::Pending => open = true,
            }
        }
        if open { Poll::Pending } else { Poll::Ready(None) }
    })
    .await
}

#[cfg(test)]
#[path = "task_tests.rs"]
mod tests;
