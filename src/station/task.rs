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
mod tests {
    use super::*;
    use crate::audit::assessment::Assessment;
    use crate::reading::MonitorReading;
    use crate::station::fixtures::{good_event, running_reading, station_config};
    use crate::station::snapshot::Freshness;
    use crate::station::state::MonitorAudit;

    struct Panicking;
    impl MonitorAudit for Panicking {
        fn observe(&mut self, _: &MonitorReading) -> Vec<Assessment> {
            panic!("a fault inside the audit")
        }
    }

    struct Run {
        events: mpsc::Sender<PollEvent>,
        reader: SnapshotReader,
        clock: Clock,
        task: tokio::task::JoinHandle<StationState>,
        cancel: CancellationToken,
    }

    fn start(state: StationState) -> Run {
        let clock = Clock::system();
        let cancel = CancellationToken::new();
        let (events, receiver) = mpsc::channel(EVENT_QUEUE);
        let (task, reader) = StationTask::new(state, vec![receiver], clock.clone());
        let task = tokio::spawn(task.run(cancel.clone()));
        Run { events, reader, clock, task, cancel }
    }

    fn state(name: &str) -> StationState {
        StationState::new(&station_config(name)).unwrap()
    }

    async fn feed(run: &mut Run) {
        let mut reading = running_reading(0);
        reading.at = run.clock.now();
        run.events.send(good_event(reading)).await.unwrap();
        assert!(run.reader.changed().await);
    }

    #[tokio::test(start_paused = true)]
    async fn publishes_a_snapshot_a_reading_and_ends_when_told() {
        let mut run = start(state("Alder Creek Lift"));
        for _ in 0..5 {
            feed(&mut run).await;
            tokio::time::advance(Duration::from_secs(1)).await;
        }
        assert_eq!(run.reader.get().monitors[0].health.polls, 5);
        run.cancel.cancel();
        run.task.await.unwrap();
        assert!(!run.reader.changed().await);
    }

    #[tokio::test(start_paused = true)]
    async fn a_reader_that_holds_on_to_a_snapshot_never_blocks_the_station() {
        let mut run = start(state("Alder Creek Lift"));
        let dead = run.reader.clone();
        let held = dead.get();
        for _ in 0..50 {
            feed(&mut run).await;
        }
        assert_eq!(held.monitors[0].health.polls, 0);
        assert_eq!(run.reader.get().monitors[0].health.polls, 50);
        assert_eq!(dead.get().monitors[0].health.polls, 50, "a late reader gets the newest, not a queue");
    }

    #[tokio::test(start_paused = true)]
    async fn a_station_whose_audit_panics_leaves_the_others_running() {
        let config = station_config("Quarry Road Booster");
        let mut bad = start(StationState::with_audit(&config, |_| Box::new(Panicking)).unwrap());
        let mut good = start(state("Alder Creek Lift"));
        for _ in 0..8 {
            feed(&mut bad).await;
            feed(&mut good).await;
            tokio::time::advance(Duration::from_secs(1)).await;
        }
        let (bad_now, good_now) = (bad.reader.get(), good.reader.get());
        assert_eq!(bad_now.core_failures, 8);
        assert_eq!(bad_now.monitors[0].health.polls, 8, "the station itself goes on");
        assert_eq!(bad_now.circuits[0].core_failure.as_deref(), Some("a fault inside the audit"));
        assert!(good_now.circuits[0].assessment.is_some());
        assert_eq!(good_now.core_failures, 0);
    }

    #[tokio::test(start_paused = true)]
    async fn a_hung_poll_wakes_the_station_by_itself() {
        let mut run = start(state("Alder Creek Lift"));
        feed(&mut run).await;
        // Nothing is sent; the paused clock moves on to the station's own deadline.
        assert!(run.reader.changed().await);
        let now = run.clock.now().mono;
        let age = run.reader.get().monitors[0].freshness(now);
        assert!(matches!(age, Freshness::Stale { age_ms } if age_ms > 3000), "{age:?}");
    }

    #[tokio::test(start_paused = true)]
    async fn a_fast_monitor_does_not_starve_another() {
        let (fast, fast_events) = mpsc::channel(EVENT_QUEUE);
        let (slow, slow_events) = mpsc::channel(EVENT_QUEUE);
        for _ in 0..EVENT_QUEUE {
            fast.send(good_event(running_reading(0))).await.unwrap();
        }
        slow.send(good_event(running_reading(0))).await.unwrap();
        drop(slow);
        let mut receivers = [fast_events, slow_events];
        let mut turn = 0;
        let mut order = Vec::new();
        drop(fast);
        while let Some((monitor, _)) = next_event(&mut receivers, &mut turn).await {
            order.push(monitor);
        }
        assert_eq!(order, [0, 1, 0, 0, 0]);
    }
}
