//! The way into the history: a bounded queue that never makes anyone wait, and one thread that writes batches, rolls up and
//! keeps the store in bounds.
//!
//! When the store cannot keep up, readings are dropped and counted. Must never block a station.

use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread;
use std::time::{Duration, Instant};

use super::keeper::{Keeper, Limits};
use super::status::Status;
use super::store::{Batch, Event, Sample, Store, StoreError, Values};

/// Readings that may wait: 8 MiB at most, and half a minute of a large site.
const QUEUE: usize = 16 * 1024;
/// Readings in one batch at most.
const BATCH: usize = 2048;
/// How long a reading waits for others to share its transaction.
const GATHER: Duration = Duration::from_secs(1);
/// How often age and size are looked at.
const TRIM_EVERY: Duration = Duration::from_secs(30);
/// A disk must have had room for this long before that is told: at its limit it is full again with every batch.
const ROOM_AGAIN_AFTER: Duration = Duration::from_mins(10);

/// Something a person should know of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Notice {
    /// The disk is full; the oldest detail is being dropped.
    Full(String),
    /// The store refuses to write.
    Failed(String),
    /// It writes again.
    Recovered,
}

enum Message {
    Sample(Sample),
    Event(Event),
    State(String, Vec<u8>),
    Ask(Question),
}

/// Run on the store once all that was handed in before is written.
type Question = Box<dyn FnOnce(&mut dyn Store) + Send>;

/// A handle; clones share one store. The thread writes what is left and ends when the last one is dropped.
#[derive(Debug, Clone)]
pub struct Recorder {
    queue: SyncSender<Message>,
    status: Arc<Status>,
}

impl Recorder {
    /// Starts the thread of a store.
    pub fn start(
        mut store: Box<dyn Store>,
        limits: Limits,
        notice: impl Fn(Notice) + Send + 'static,
    ) -> Result<Recorder, StoreError> {
        let keeper = Keeper::new(store.as_mut(), limits)?;
        let size_bytes = store.size_bytes()?;
        let (queue, receiver) = sync_channel(QUEUE);
        let status = Arc::new(Status::default());
        status.looked(Some(size_bytes), 0, store.room());
        let writer = Writer {
            store,
            keeper,
            status: Arc::clone(&status),
            notice: Box::new(notice),
            full: None,
            next_trim: Instant::now(),
            upkeep_fails: false,
        };
        thread::Builder::new()
            .name("history".to_owned())
            .spawn(move || writer.run(&receiver))
            .map_err(|error: io::Error| StoreError::Failed(error.to_string()))?;
        Ok(Recorder { queue, status })
    }

    /// Hands in a reading.
    pub fn sample(&self, sample: Sample) {
        let values = present(&sample.values);
        self.send(Message::Sample(sample), values);
    }

    /// Hands in a change.
    pub fn event(&self, event: Event) {
        self.send(Message::Event(event), 1);
    }

    /// Keeps a state over a restart, in place of the last one of this key. Read it back with [`Store::state`].
    pub fn state(&self, key: impl Into<String>, value: Vec<u8>) {
        self.send(Message::State(key.into(), value), 1);
    }

    /// The counters.
    pub fn status(&self) -> &Status {
        &self.status
    }

    /// The counters, for one that must not keep the thread from ending.
    pub fn shared_status(&self) -> Arc<Status> {
        Arc::clone(&self.status)
    }

    /// Waits until all that was handed in before is written or refused; false when the thread has ended.
    pub fn flush_blocking(&self) -> bool {
        self.ask_blocking(|_| ()).is_some()
    }

    /// Asks the store something once all that was handed in before is written or refused; none when the thread has ended.
    pub fn ask_blocking<T: Send + 'static>(
        &self,
        question: impl FnOnce(&mut dyn Store) -> T + Send + 'static,
    ) -> Option<T> {
        let (answer, wait) = sync_channel(1);
        let question: Question = Box::new(move |store| {
            // Whoever asked may have gone.
            let _ = answer.send(question(store));
        });
        self.queue.send(Message::Ask(question)).ok()?;
        wait.recv().ok()
    }

    fn send(&self, message: Message, values: u64) {
        // Counted before, so that the thread never takes out what is not counted in yet.
        self.status.queued.fetch_add(1, Ordering::Relaxed);
        if let Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) = self.queue.try_send(message) {
            self.status.queued.fetch_sub(1, Ordering::Relaxed);
            self.status.dropped.fetch_add(values, Ordering::Relaxed);
        }
    }
}

fn present(values: &Values) -> u64 {
    values.iter().filter(|value| !value.is_nan()).count() as u64
}

struct Writer {
    store: Box<dyn Store>,
    keeper: Keeper,
    status: Arc<Status>,
    notice: Box<dyn Fn(Notice) + Send>,
    /// When there was no room last, since it was told.
    full: Option<Instant>,
    next_trim: Instant,
    upkeep_fails: bool,
}

impl Writer {
    fn run(mut self, queue: &Receiver<Message>) {
        let mut open = true;
        while open {
            let (batch, question, more) = gather(queue);
            open = more;
            if !batch.is_empty() {
                let taken = batch.samples.len() + batch.events.len() + batch.states.len();
                self.status.queued.fetch_sub(taken as u64, Ordering::Relaxed);
                self.write(&batch);
            }
            self.keep();
            self.status.full.store(self.full.is_some(), Ordering::Relaxed);
            self.status.looked(self.keeper.size_bytes(), self.keeper.removed(), self.store.room());
            if let Some(question) = question {
                question(self.store.as_mut());
            }
        }
    }

    fn write(&mut self, batch: &Batch) {
        let Writer { store, keeper, .. } = self;
        let result = match store.write(batch) {
            Err(StoreError::Full(why)) => {
                if self.full.replace(Instant::now()).is_none() {
                    (self.notice)(Notice::Full(why));
                }
                keeper.make_room(store.as_mut(), |store| store.write(batch))
            }
            other => other,
        };
        let values = batch.samples.iter().map(|s| present(&s.values)).sum::<u64>()
            + (batch.events.len() + batch.states.len()) as u64;
        match result {
            Ok(()) => {
                self.status.written.fetch_add(values, Ordering::Relaxed);
                let room_again = self.full.take_if(|since| since.elapsed() >= ROOM_AGAIN_AFTER).is_some();
                if self.status.failing.swap(false, Ordering::Relaxed) || room_again {
                    (self.notice)(Notice::Recovered);
                }
                let times = || batch.samples.iter().map(|sample| sample.at_ms);
                if let Some((earliest, latest)) = times().min().zip(times().max()) {
                    self.keeper.note(earliest, latest);
                }
            }
            Err(error) => {
                self.status.refused.fetch_add(values, Ordering::Relaxed);
                if !self.status.failing.swap(true, Ordering::Relaxed) {
                    (self.notice)(Notice::Failed(error.to_string()));
                }
            }
        }
    }

    /// One bounded step of each kind of upkeep. What fails is tried again after the next batch.
    fn keep(&mut self) {
        let store = self.store.as_mut();
        let mut upkeep = || {
            self.keeper.roll_up(store)?;
            if Instant::now() >= self.next_trim && !self.keeper.trim(store)? {
                self.next_trim = Instant::now() + TRIM_EVERY;
            }
            store.tidy()
        };
        let result = upkeep();
        let failed = result.is_err();
        if let Err(error) = result
            && !self.upkeep_fails
        {
            tracing::warn!("the history's upkeep fails and is tried again: {error}");
        }
        self.upkeep_fails = failed;
    }
}

/// Waits for messages; the last is false when no more can come.
fn gather(queue: &Receiver<Message>) -> (Batch, Option<Question>, bool) {
    let mut batch = Batch::default();
    let end = Instant::now() + GATHER;
    loop {
        match queue.recv_timeout(end.saturating_duration_since(Instant::now())) {
            Ok(Message::Sample(sample)) => batch.samples.push(sample),
            Ok(Message::Event(event)) => batch.events.push(event),
            Ok(Message::State(key, value)) => batch.states.push((key, value)),
            Ok(Message::Ask(question)) => return (batch, Some(question), true),
            Err(RecvTimeoutError::Timeout) => return (batch, None, true),
            Err(RecvTimeoutError::Disconnected) => return (batch, None, false),
        }
        if batch.samples.len() + batch.events.len() + batch.states.len() >= BATCH {
            return (batch, None, true);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::mpsc::channel;

    use super::*;
    use crate::history::quantity::{COUNT, place};
    use crate::history::sqlite::SqliteStore;
    use crate::history::store::{Query, Source, SourceId, Statistic, Tier};

    const START_MS: i64 = 1_795_000_500_000 / 900_000 * 900_000;

    fn store(folder: &Path) -> (SqliteStore, SourceId) {
        let mut store = SqliteStore::open(folder, 0).unwrap().0;
        let source = Source { station: "Alder Creek Lift".into(), is_monitor: false, name: "Pump 1".into() };
        let id = store.source(&source).unwrap();
        (store, id)
    }

    fn sample(source: SourceId, second: i64, value: f64) -> Sample {
        let mut values = Box::new([f64::NAN; COUNT]);
        values[place::TOTAL_ACTIVE_POWER_W] = value;
        Sample { source, at_ms: START_MS + second * 1000, values }
    }

    fn rows(store: &mut dyn Store, source: SourceId, tier: Tier) -> Vec<(i64, f64)> {
        let quantities = vec![place::TOTAL_ACTIVE_POWER_W];
        let query = Query { source, tier, statistic: Statistic::Mean, from_ms: 0, to_ms: i64::MAX, quantities };
        store.rows(&query).unwrap().iter().map(|(at, row)| ((at - START_MS) / 1000, row[0])).collect()
    }

    #[test]
    fn readings_are_written_and_rolled_up_over_a_restart() {
        let folder = tempfile::tempdir().unwrap();
        let (first, id) = store(folder.path());
        let run = |store: SqliteStore, seconds: std::ops::Range<i64>| {
            let recorder = Recorder::start(Box::new(store), Limits::default(), |notice| panic!("{notice:?}")).unwrap();
            seconds.for_each(|second| recorder.sample(sample(id, second, second as f64)));
            assert!(recorder.flush_blocking());
            assert_eq!(recorder.status().dropped.load(Ordering::Relaxed), 0);
        };
        run(first, 0..90);
        run(store(folder.path()).0, 90..190);
        let (mut again, _) = store(folder.path());
        assert_eq!(rows(&mut again, id, Tier::Detail).len(), 190);
        assert_eq!(rows(&mut again, id, Tier::Minute), [(0, 29.5), (60, 89.5), (120, 149.5)]);
        assert_eq!(rows(&mut again, id, Tier::QuarterHour), [(0, 89.5)]);
    }

    /// A store that stands still until it is let go.
    struct Stuck(SqliteStore, Receiver<()>);

    impl Store for Stuck {
        fn source(&mut self, source: &Source) -> Result<SourceId, StoreError> {
            self.0.source(source)
        }
        fn sources(&mut self) -> Result<Vec<(SourceId, Source)>, StoreError> {
            self.0.sources()
        }
        fn write(&mut self, batch: &Batch) -> Result<(), StoreError> {
            let _ = self.1.recv();
            self.0.write(batch)
        }
        fn roll_up(&mut self, tier: Tier, from_ms: i64, to_ms: i64) -> Result<(), StoreError> {
            self.0.roll_up(tier, from_ms, to_ms)
        }
        fn first_rows(&mut self, query: &Query, most: usize) -> Result<super::super::store::Rows, StoreError> {
            self.0.first_rows(query, most)
        }
        fn extent(&mut self, query: &Query, most: usize) -> Result<super::super::store::Extent, StoreError> {
            self.0.extent(query, most)
        }
        fn events(&mut self, source: SourceId, from_ms: i64, to_ms: i64) -> Result<Vec<Event>, StoreError> {
            self.0.events(source, from_ms, to_ms)
        }
        fn state(&mut self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
            self.0.state(key)
        }
        fn earliest(&mut self, tier: Tier, from_ms: i64) -> Result<Option<i64>, StoreError> {
            self.0.earliest(tier, from_ms)
        }
        fn remove_before(&mut self, tier: Tier, before_ms: i64) -> Result<u64, StoreError> {
            self.0.remove_before(tier, before_ms)
        }
        fn size_bytes(&mut self) -> Result<u64, StoreError> {
            self.0.size_bytes()
        }
        fn tidy(&mut self) -> Result<bool, StoreError> {
            self.0.tidy()
        }
        fn give_back(&mut self) -> Result<(), StoreError> {
            self.0.give_back()
        }
        fn release_reserve(&mut self) -> Result<(), StoreError> {
            self.0.release_reserve()
        }
        fn restore_reserve(&mut self) -> Result<(), StoreError> {
            self.0.restore_reserve()
        }
    }

    #[test]
    fn a_store_that_stands_still_costs_readings_and_no_time() {
        let folder = tempfile::tempdir().unwrap();
        let (inner, id) = store(folder.path());
        let (go, wait) = channel();
        let recorder = Recorder::start(Box::new(Stuck(inner, wait)), Limits::default(), |_| ()).unwrap();
        let handed_in = (QUEUE + BATCH) as i64 + 500;
        // Returns although nothing is written yet.
        (0..handed_in).for_each(|second| recorder.sample(sample(id, second, 1.0)));
        let dropped = recorder.status().dropped.load(Ordering::Relaxed) as i64;
        assert!(dropped >= 500, "{dropped}");
        drop(go);
        assert!(recorder.flush_blocking());
        let figures = recorder.status().figures();
        assert_eq!(figures.written as i64 + dropped, handed_in);
        assert_eq!((figures.dropped as i64, figures.queued), (dropped, 0));
    }

    #[test]
    fn a_full_disk_is_told_and_costs_the_oldest_detail_only() {
        let folder = tempfile::tempdir().unwrap();
        let (mut inner, id) = store(folder.path());
        // Two hours are there already; from now on the file cannot grow.
        let samples = (0..7200).map(|second| sample(id, second, 1.0)).collect();
        inner.write(&Batch { samples, ..Batch::default() }).unwrap();
        let pages = inner.pages();
        inner.limit_pages(pages);
        let (told, notices) = channel();
        let recorder =
            Recorder::start(Box::new(inner), Limits::default(), move |notice| told.send(notice).unwrap()).unwrap();
        (7200..14_400).for_each(|second| recorder.sample(sample(id, second, 2.0)));
        assert!(recorder.flush_blocking());
        assert_eq!(recorder.status().refused.load(Ordering::Relaxed), 0);
        let notices: Vec<Notice> = notices.try_iter().collect();
        assert!(matches!(notices[..], [Notice::Full(_)]), "told once, and nothing else: {notices:?}");
        let (mut again, _) = store(folder.path());
        let kept = rows(&mut again, id, Tier::Detail);
        assert_eq!(kept.last(), Some(&(14_399, 2.0)), "what is new is kept");
        assert!(kept[0].0 > 0 && kept.windows(2).all(|w| w[1].0 == w[0].0 + 1), "only the oldest is gone");
        assert!(again.pages() <= pages);
    }
}
