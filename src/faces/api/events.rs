//! Server-sent events: what changes at the stations, in the alarms and in the journal, as it happens.
//!
//! A listener that comes back says the last event it had and gets those since, as long as they are remembered; otherwise it
//! is told to fetch everything again. Must never wait for a listener: one that does not keep up is cut off.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::extract::{Extension, State};
use axum::http::HeaderMap;
use axum::response::sse::{self, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::{StreamExt, stream};
use serde_json::{Value, json};
use tokio::sync::mpsc;
use tokio::time::MissedTickBehavior;
use tokio_util::sync::CancellationToken;

use super::history::NoParameters;
use super::looks::Looks;
use super::problem::{Problem, Query};
use crate::faces::guard::door::Standing;
use crate::reading::UnixMs;

pub use super::looks::Watched;

/// Listeners at once, fewer than the connections that the server takes.
pub const MAX_LISTENERS: usize = 32;
/// Events remembered for those that come back.
const REMEMBERED: usize = 1000;
/// Events that may wait for one listener.
const WAITING: usize = 256;
/// Time between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// A comment after so long without an event, so that neither end takes the other for gone.
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// After which a listener that was cut off is to come back.
const RETRY: Duration = Duration::from_secs(2);

/// The events of this run of the daemon. Clones share them.
#[derive(Debug, Clone)]
pub struct Events {
    /// Sets this run's ids apart from those of others.
    boot: Arc<str>,
    state: Arc<Mutex<Told>>,
}

#[derive(Debug, Default)]
struct Told {
    /// Number of the latest event; the first is 1.
    last: u64,
    remembered: VecDeque<Arc<Event>>,
    listeners: Vec<mpsc::Sender<Arc<Event>>>,
    ended: bool,
}

#[derive(Debug, PartialEq, Eq)]
struct Event {
    number: u64,
    /// Empty for an event after which a listener has not yet all that is before its number.
    id: String,
    name: &'static str,
    data: String,
}

/// Why nobody can listen now.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
enum Refused {
    #[error("{MAX_LISTENERS} listeners are served already")]
    TooMany,
    #[error("the daemon is stopping")]
    Stopping,
}

#[derive(Debug)]
struct Listener {
    first: VecDeque<Arc<Event>>,
    more: mpsc::Receiver<Arc<Event>>,
}

impl Events {
    /// No events yet, of a run that began then.
    pub fn new(boot: UnixMs) -> Events {
        Events { boot: format!("{:x}", boot.0).into(), state: Arc::default() }
    }

    /// Looks for changes and tells them until cancelled.
    pub async fn run(self, watched: Watched, cancel: CancellationToken) {
        let mut looks = Looks::new(watched);
        let mut ticks = tokio::time::interval(LOOK_EVERY);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                () = cancel.cancelled() => break,
                _ = ticks.tick() => {}
            }
            for (name, data) in looks.news() {
                self.tell(name, &data);
            }
        }
        let mut told = self.told();
        told.ended = true;
        // Their streams end, and with them what would hold up the end of the server.
        told.listeners.clear();
    }

    fn tell(&self, name: &'static str, data: &Value) {
        let mut told = self.told();
        told.last += 1;
        let number = told.last;
        let event = Arc::new(Event { number, id: self.id(number), name, data: data.to_string() });
        if told.remembered.len() == REMEMBERED {
            told.remembered.pop_front();
        }
        told.remembered.push_back(Arc::clone(&event));
        // One that is full is dropped: its listener gets what waits for it, then the end, and comes back.
        told.listeners.retain(|listener| listener.try_send(Arc::clone(&event)).is_ok());
    }

    fn listen(&self, last_seen: Option<&str>) -> Result<Listener, Refused> {
        let mut told = self.told();
        if told.ended {
            return Err(Refused::Stopping);
        }
        told.listeners.retain(|listener| !listener.is_closed());
        if told.listeners.len() >= MAX_LISTENERS {
            return Err(Refused::TooMany);
        }
        let current = self.id(told.last);
        let special = |name, data: Value, id: &str| {
            Arc::new(Event { number: told.last, id: id.to_owned(), name, data: data.to_string() })
        };
        let hello = json!({ "id": current });
        let first = match last_seen {
            None => VecDeque::from([special("hello", hello, &current)]),
            Some(seen) => {
                let mut first = VecDeque::from([special("hello", hello, "")]);
                if let Some(missed) = self.since(&told, seen) {
                    first.extend(missed);
                } else {
                    let text = "events were missed that are not remembered: fetch everything again";
                    first.push_back(special("gap", json!({ "text": text }), &current));
                }
                first
            }
        };
        let (sender, more) = mpsc::channel(WAITING);
        told.listeners.push(sender);
        Ok(Listener { first, more })
    }

    /// The events after one; none when they are not all remembered, or it is none of this run's.
    fn since(&self, told: &Told, seen: &str) -> Option<Vec<Arc<Event>>> {
        let number = seen.strip_prefix(&*self.boot)?.strip_prefix('-')?.parse::<u64>().ok()?;
        let missed = told.last.checked_sub(number)?;
        let forgotten = told.remembered.len().checked_sub(usize::try_from(missed).ok()?)?;
        Some(told.remembered.iter().skip(forgotten).cloned().collect())
    }

    fn id(&self, number: u64) -> String {
        format!("{}-{number}", self.boot)
    }

    fn told(&self) -> MutexGuard<'_, Told> {
        // Nothing under the lock can leave the list half made.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Listener {
    async fn next(&mut self) -> Option<Arc<Event>> {
        match self.first.pop_front() {
            Some(event) => Some(event),
            None => self.more.recv().await,
        }
    }
}

fn sse_event(event: &Event) -> sse::Event {
    let sent = sse::Event::default().event(event.name).data(&event.data);
    let sent = if event.name == "hello" { sent.retry(RETRY) } else { sent };
    if event.id.is_empty() { sent } else { sent.id(&event.id) }
}

/// Changes as they happen, as server-sent events: `hello` first; then `circuit` (station, circuit, verdict, run_state, since),
/// `monitor` (station, monitor, state), `alarms` (version, flooded, ids of those that changed, or null for many), `journal`
/// (sequence and hash of the newest entry); `gone` is true for what is no longer configured. With Last-Event-ID the events since
/// then; or one `gap` when they are not remembered: everything is to be fetched again.
#[utoipa::path(get, path = "/api/v1/events", operation_id = "follow_events", tag = "events",
    params(("Last-Event-ID" = Option<String>, Header, description = "Id of the last event that was received")),
    responses(
        (status = 200, body = String, content_type = "text/event-stream"),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 503, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn follow(
    State(events): State<Events>,
    headers: HeaderMap,
    standing: Option<Extension<Standing>>,
    Query(NoParameters {}): Query<NoParameters>,
) -> Result<Response, Problem> {
    // An id that is no text is none of ours, which is a gap.
    let seen = headers.get("last-event-id").map(|seen| seen.to_str().unwrap_or_default());
    let listener = events.listen(seen).map_err(|why| Problem::unavailable(format!("{why}; try again later")))?;
    let sent = stream::unfold(listener, |mut listener| async {
        let event = listener.next().await?;
        Some((Ok::<_, Infallible>(sse_event(&event)), listener))
    });
    // Whoever is no longer let in hears no more.
    let ended = Box::pin(async move {
        match standing {
            Some(Extension(standing)) => standing.ended().await,
            None => std::future::pending().await,
        }
    });
    Ok(Sse::new(sent.take_until(ended)).keep_alive(KeepAlive::new().interval(KEEP_ALIVE)).into_response())
}

#[cfg(test)]
#[path = "events_tests.rs"]
mod tests;
