//! The task of one target: takes the next message from the outbox, tries, and waits as long as a failure asks for. Must never
//! make another target wait, and never take a message out before its end is known.

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use tokio::sync::Notify;
use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;

use super::backoff;
use super::counts::{Counters, add};
use super::message::Message;
use super::outbox::Outbox;
use super::outbox_file::{OutboxError, Waiting};
use super::send::{self, Failure};
use super::settings::Target;
use crate::clock::Clock;

/// Age is looked at this often while nothing else happens.
const LOOK_EVERY: Duration = Duration::from_secs(60);
/// A delivery under way at a stop gets so long; then it is made again after the start.
const LAST_WORDS: Duration = Duration::from_millis(500);

pub(super) struct Worker {
    pub(super) target: Target,
    pub(super) outbox: Outbox,
    pub(super) counters: Arc<Counters>,
    /// Told when there is something new.
    pub(super) news: Arc<Notify>,
    pub(super) clock: Clock,
}

/// What a failed message waits for.
struct Retry {
    failures: u32,
    at: Instant,
}

/// What is remembered between attempts; forgotten at a restart, so that everything is then tried at once.
#[derive(Default)]
struct Pace {
    /// The whole target waits until then.
    target: Option<Retry>,
    /// Single messages wait, by place in the outbox.
    messages: HashMap<i64, Retry>,
}

impl Worker {
    pub(super) async fn run(self, cancel: CancellationToken) {
        let mut pace = Pace::default();
        loop {
            let wait_until = match self.step(&mut pace, &cancel).await {
                Ok(None) => continue,
                Ok(Some(until)) => until,
                Err(error) => {
                    tracing::warn!(target = self.target.name, "{error}");
                    Instant::now() + LOOK_EVERY
                }
            };
            tokio::select! {
                () = cancel.cancelled() => return,
                () = sleep_until(wait_until) => {}
                () = self.news.notified(), if pace.target.as_ref().is_none_or(|retry| retry.at <= Instant::now()) => {}
            }
            if cancel.is_cancelled() {
                return;
            }
        }
    }

    /// Does one thing. None when the next can follow at once, else until when to wait.
    async fn step(&self, pace: &mut Pace, cancel: &CancellationToken) -> Result<Option<Instant>, OutboxError> {
        let name = &self.target.name;
        let now = self.clock.now().wall;
        let max_age_ms = i64::try_from(self.target.max_age.as_millis()).unwrap_or(i64::MAX);
        let expired = self.outbox.expire(name, now.0.saturating_sub(max_age_ms)).await?;
        if expired > 0 {
            add(&self.counters.expired, expired);
            tracing::error!(target = name, "{expired} notifications were given up: they waited too long");
        }
        self.counters.waiting.store(self.outbox.waiting(name).await?, Ordering::Relaxed);
        if cancel.is_cancelled() {
            return Ok(Some(Instant::now()));
        }
        let at = Instant::now();
        if let Some(retry) = pace.target.as_ref().filter(|retry| retry.at > at) {
            return Ok(Some(retry.at.min(at + LOOK_EVERY)));
        }
        let later: Vec<i64> = pace.messages.iter().filter(|(_, r)| r.at > at).map(|(sequence, _)| *sequence).collect();
        let Some(waiting) = self.outbox.next(name, later).await? else {
            let soonest = pace.messages.values().map(|retry| retry.at).filter(|due| *due > at).min();
            return Ok(Some(soonest.unwrap_or(at + LOOK_EVERY).min(at + LOOK_EVERY)));
        };
        let Some(result) = self.attempt(&waiting, cancel).await else { return Ok(Some(Instant::now())) };
        self.conclude(pace, &waiting, result).await?;
        Ok(None)
    }

    /// One attempt; none when a stop cut it off.
    async fn attempt(&self, waiting: &Waiting, cancel: &CancellationToken) -> Option<Result<String, Failure>> {
        let delivery = send::deliver(&self.target, waiting);
        tokio::pin!(delivery);
        tokio::select! {
            result = &mut delivery => Some(result),
            () = cancel.cancelled() => tokio::time::timeout(LAST_WORDS, delivery).await.ok(),
        }
    }

    async fn conclude(
        &self,
        pace: &mut Pace,
        waiting: &Waiting,
        result: Result<String, Failure>,
    ) -> Result<(), OutboxError> {
        let (name, subject) = (&self.target.name, &waiting.message.subject);
        match result {
            Ok(answer) => {
                self.outbox.remove(name, waiting.sequence).await?;
                pace.messages.remove(&waiting.sequence);
                pace.target = None;
                add(&self.counters.delivered, 1);
                let now = self.clock.now().wall;
                self.counters.delivered_unix_ms.store(now.0, Ordering::Relaxed);
                tracing::debug!(target = name, id = waiting.id, "notification delivered: {answer}");
                let (dropped, expired) = self.outbox.lost(name).await?;
                if dropped + expired > 0 {
                    self.outbox.tell_lost(name, Message::lost(now, dropped, expired)).await?;
                }
            }
            Err(Failure::Never(why)) => {
                self.outbox.remove(name, waiting.sequence).await?;
                pace.messages.remove(&waiting.sequence);
                pace.target = None;
                add(&self.counters.refused, 1);
                tracing::error!(target = name, id = waiting.id, "notification refused for good: {why}: \"{subject}\"");
            }
            Err(Failure::NotNow(why)) => {
                add(&self.counters.retried, 1);
                let failures = pace.messages.get(&waiting.sequence).map_or(0, |retry| retry.failures) + 1;
                let rest = backoff::delay(failures, fastrand::f64());
                tracing::warn!(
                    target = name,
                    id = waiting.id,
                    "notification not taken, again in {} s: {why}",
                    rest.as_secs()
                );
                pace.messages.insert(waiting.sequence, Retry { failures, at: Instant::now() + rest });
                pace.target = None;
            }
            Err(Failure::Unreachable { why, retry_after }) => {
                add(&self.counters.retried, 1);
                let failures = pace.target.as_ref().map_or(0, |retry| retry.failures) + 1;
                let rest = retry_after.unwrap_or_else(|| backoff::delay(failures, fastrand::f64()));
                tracing::warn!(target = name, "notifications wait {} s: {why}", rest.as_secs());
                pace.target = Some(Retry { failures, at: Instant::now() + rest });
            }
        }
        Ok(())
    }
}
