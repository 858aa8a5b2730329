//! Notifications: what happens to alarms, told to people and machines elsewhere by webhook, e-mail and syslog.
//!
//! `planner` says what a target is told and when (pure), `outbox_file` keeps it until it is delivered, `worker` is the task of
//! one target, `send` delivers. At least once: a message whose delivery was cut off is sent again with the same id. Must never
//! decide what an alarm is, and never hold up an alarm or another target.

pub mod backoff;
pub mod counts;
pub mod digest;
pub mod held;
pub mod message;
pub mod outbox;
pub mod outbox_file;
pub mod planner;
pub mod quiet;
pub mod send;
pub mod settings;
pub mod told;
mod worker;

#[cfg(test)]
pub(crate) mod tests;

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use tokio::sync::{Mutex, Notify};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use self::counts::{Counters, TargetCounts, add};
use self::message::Message;
use self::outbox::Outbox;
use self::outbox_file::{OutboxError, Put};
use self::planner::Planner;
use self::settings::{Settings, Target};
use self::worker::Worker;
use crate::clock::Clock;
use crate::desk::Notice;

/// The end of quiet hours is looked for at least this often, since the wall clock may be set.
const LOOK_EVERY: Duration = Duration::from_mins(1);

/// A handle for the desk; clones share everything.
#[derive(Debug, Clone)]
pub struct Notifier(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    outbox: Outbox,
    /// Held while planning and putting, so that messages are kept in the order of their notices.
    planners: Mutex<Vec<Planner>>,
    targets: Vec<Handle>,
    /// Something is held that time will bring out.
    held: Notify,
    clock: Clock,
}

/// What is shared with the task of a target.
#[derive(Debug)]
struct Handle {
    target: Target,
    counters: Arc<Counters>,
    news: Arc<Notify>,
}

impl Notifier {
    /// Opens the outbox and goes on with what it holds.
    pub async fn open(settings: &Settings, clock: Clock) -> Result<Notifier, OutboxError> {
        let (outbox, set_aside) = Outbox::open(&settings.folder, clock.now().wall.0)?;
        if let Some(aside) = set_aside {
            tracing::error!("the outbox of notifications could not be read and was set aside as {}", aside.display());
        }
        let gone = outbox.keep_only(settings.targets.iter().map(|target| target.name.clone()).collect()).await?;
        if gone > 0 {
            tracing::warn!("{gone} notifications were dropped: their targets are no longer configured");
        }
        let mut states = outbox.states().await?;
        let planner = |target: &Target| Planner::new(target.clone(), states.remove(&target.name).unwrap_or_default());
        let planners = Mutex::new(settings.targets.iter().map(planner).collect());
        let handle =
            |target: &Target| Handle { target: target.clone(), counters: Arc::default(), news: Arc::default() };
        let targets = settings.targets.iter().map(handle).collect();
        Ok(Notifier(Arc::new(Inner { outbox, planners, targets, held: Notify::new(), clock })))
    }

    /// Takes what happened. When this returns, what is to be sent is on the disk (or, if the disk refuses, in memory, which is
    /// logged and counted).
    pub async fn tell(&self, notices: &[Notice]) {
        let now = self.0.clock.now();
        self.plan(|planner, out| {
            for notice in notices {
                planner.take(now, notice, out);
            }
        })
        .await;
        self.0.held.notify_one();
    }

    /// What became of the messages, target by target.
    pub fn counts(&self) -> Vec<TargetCounts> {
        self.0.targets.iter().map(|handle| handle.counters.read(&handle.target.name, handle.target.kind())).collect()
    }

    /// Starts one task a target and one that watches quiet hours and limits.
    pub fn spawn(&self, cancel: &CancellationToken, tracker: &TaskTracker) {
        for handle in &self.0.targets {
            let worker = Worker {
                target: handle.target.clone(),
                outbox: self.0.outbox.clone(),
                counters: Arc::clone(&handle.counters),
                news: Arc::clone(&handle.news),
                clock: self.0.clock.clone(),
            };
            tracker.spawn(worker.run(cancel.clone()));
        }
        let (notifier, cancel) = (self.clone(), cancel.clone());
        tracker.spawn(async move {
            tokio::select! {
                () = cancel.cancelled() => {}
                () = notifier.watch_time() => {}
            }
        });
    }

    async fn watch_time(&self) {
        loop {
            let now = self.0.clock.now();
            self.plan(|planner, out| planner.pass_time(now, out)).await;
            let due = self.0.planners.lock().await.iter().filter_map(|planner| planner.due_in_ms(now)).min();
            // A millisecond more, so that what is due has come.
            let wait = due.map_or(LOOK_EVERY, |ms| Duration::from_millis(ms.saturating_add(1)).min(LOOK_EVERY));
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                () = self.0.held.notified() => {}
            }
        }
    }

    /// Lets every planner work, and keeps what came of it in one transaction.
    async fn plan(&self, work: impl Fn(&mut Planner, &mut Vec<Message>)) {
        let mut planners = self.0.planners.lock().await;
        let mut puts = Vec::new();
        for planner in planners.iter_mut() {
            let before = planner.state().clone();
            let mut messages = Vec::new();
            work(planner, &mut messages);
            if !messages.is_empty() || before != *planner.state() {
                let target = planner.target();
                let (target, queue) = (target.name.clone(), target.queue);
                puts.push(Put { target, queue, messages, state: planner.state().clone() });
            }
        }
        if puts.is_empty() {
            return;
        }
        let put: Vec<(String, u64)> = puts.iter().map(|put| (put.target.clone(), put.messages.len() as u64)).collect();
        let result = self.0.outbox.put(puts).await;
        if let Err(error) = &result {
            tracing::error!("notifications could not be kept and would not survive a restart: {error}");
        }
        for handle in &self.0.targets {
            let messages = put.iter().find(|(target, _)| *target == handle.target.name).map_or(0, |(_, n)| *n);
            match &result {
                Ok(dropped) => {
                    if let Some(n) = dropped.get(&handle.target.name) {
                        add(&handle.counters.dropped, *n);
                        tracing::error!(target = handle.target.name, "{n} notifications were dropped: too many wait");
                    }
                }
                Err(_) => add(&handle.counters.not_kept, messages),
            }
            if messages > 0 {
                handle.counters.waiting.fetch_add(messages, Ordering::Relaxed);
                handle.news.notify_one();
            }
        }
    }
}
