//! The tasks that poll: one for each monitor, at a steady cadence, one event for each tick.
//!
//! Monitors behind the same address share its connection in turn. A task waits for nobody: an event its receiver has
//! no room for is dropped and counted. Must never let one monitor's trouble delay another's ticks.

use std::time::Duration;

use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior, interval_at};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::links::Links;
use super::poll::{MonitorJob, PollEvent};
use super::session::Session;
use crate::clock::Clock;

/// Shorter periods are taken as this long; a checked configuration has none.
const SHORTEST_PERIOD: Duration = Duration::from_millis(10);

/// Starts one task for each job. It ends when its token is cancelled, or when nobody receives its events any more.
///
/// First polls are spread over the period in the order of the jobs, so that a restart does not ask all monitors at once.
pub fn spawn(jobs: Vec<(MonitorJob, CancellationToken)>, links: &mut Links, tracker: &TaskTracker, clock: &Clock) {
    let start = Instant::now();
    let total = jobs.len().max(1) as f64;
    for (index, (MonitorJob { station, monitor, events }, cancel)) in jobs.into_iter().enumerate() {
        let link = links.to(&monitor);
        let period = monitor.poll_period.max(SHORTEST_PERIOD);
        let first = start + period.mul_f64(index as f64 / total);
        let session = Session::new(&station, monitor, link, clock.clone());
        tracker.spawn(async move {
            cancel.run_until_cancelled(run(session, first, period, events)).await;
        });
    }
}

async fn run(mut session: Session, first: Instant, period: Duration, events: mpsc::Sender<PollEvent>) {
    let mut ticks = interval_at(first, period);
    // Late polls keep their place in the cadence: what was missed is skipped, not made up for.
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let mut previous: Option<Instant> = None;
    let mut owed = Owed::default();
    loop {
        let tick = ticks.tick().await;
        owed.skipped_ticks += previous.map_or(0, |previous| ticks_between(previous, tick, period));
        previous = Some(tick);
        let event = session.poll(next_tick(tick, period, Instant::now())).await;
        if owed.deliver(event, &events).is_err() {
            return;
        }
    }
}

/// Ticks left out between two that were taken.
fn ticks_between(previous: Instant, tick: Instant, period: Duration) -> u32 {
    let periods = tick.saturating_duration_since(previous).as_secs_f64() / period.as_secs_f64();
    (periods.round() as u32).saturating_sub(1)
}

/// The first tick after `now`.
fn next_tick(tick: Instant, period: Duration, now: Instant) -> Instant {
    let passed = now.saturating_duration_since(tick).as_nanos() / period.as_nanos().max(1);
    tick + period.saturating_mul(u32::try_from(passed).unwrap_or(u32::MAX).saturating_add(1))
}

/// Counts that a dropped event would have taken with it.
#[derive(Debug, Default)]
struct Owed {
    skipped_ticks: u32,
    connects: u32,
    dropped_events: u32,
}

impl Owed {
    /// Sends without waiting. `Err` when nobody receives any more.
    fn deliver(&mut self, mut event: PollEvent, events: &mpsc::Sender<PollEvent>) -> Result<(), ()> {
        self.connects += event.connects;
        event.skipped_ticks = self.skipped_ticks;
        event.connects = self.connects;
        event.dropped_events = self.dropped_events;
        match events.try_send(event) {
            Ok(()) => {
                *self = Owed::default();
                Ok(())
            }
            Err(mpsc::error::TrySendError::Full(_)) => {
                self.dropped_events += 1;
                Ok(())
            }
            Err(mpsc::error::TrySendError::Closed(_)) => Err(()),
        }
    }
}

#[cfg(test)]
#[path = "poller_tests.rs"]
mod tests;
