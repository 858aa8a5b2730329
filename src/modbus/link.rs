//! The way to one address: a connection that all monitors behind it use in turn, opened again when it is lost.
//!
//! The lock is fair and held for one question, so a slow unit delays its neighbours by one answer and no more. Attempts
//! to connect are spaced by `modbus::backoff`. Must never ask twice by itself, nor know what is being read.

use std::time::Duration;

use tokio::sync::{Mutex, Semaphore};
use tokio::time::Instant;

use super::backoff;
use super::client::{Connection, Deadlines};
use super::decode::Block;
use super::error::Cause;
use super::plan::ReadRequest;
use crate::config::model::Transport;

/// The way to one address.
#[derive(Debug)]
pub(super) struct Link {
    address: String,
    transport: Transport,
    dial: Dial,
    state: Mutex<State>,
    /// The turn of those who read beside the poller: one of them at a time stands in the line of the state's lock.
    pub(super) guests: Semaphore,
}

/// How a connection is made.
#[derive(Debug)]
pub(super) enum Dial {
    /// A TCP connection to the address.
    Socket,
    /// A pipe whose other end is sent to a device that a test plays, so that time can be paused.
    #[cfg(test)]
    Pipe(tokio::sync::mpsc::UnboundedSender<tokio::io::DuplexStream>),
}

impl Dial {
    async fn connect(&self, address: &str, transport: Transport, limit: Duration) -> Result<Connection, Cause> {
        match self {
            Dial::Socket => Connection::open(address, transport, limit).await,
            #[cfg(test)]
            Dial::Pipe(device) => {
                let (ours, theirs) = tokio::io::duplex(4096);
                let refused = |_| Cause::Connect { reason: "connection refused".into() };
                device.send(theirs).map_err(refused)?;
                Ok(Connection::attach(ours, transport))
            }
        }
    }
}

#[derive(Debug, Default)]
struct State {
    connection: Option<Connection>,
    /// Connections opened so far.
    opened: u64,
    /// Connections in a row that were not made, or brought no answer.
    failures: u32,
    /// True once the present connection has brought an answer.
    proven: bool,
    not_before: Option<Instant>,
    last: Option<Cause>,
    /// The outage is in the log already.
    told: bool,
}

impl State {
    fn wait_longer(&mut self) {
        self.failures = self.failures.saturating_add(1);
        self.not_before = Some(Instant::now() + backoff::delay(self.failures, fastrand::f64()));
    }
}

/// What became of a question.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) result: Result<Block, Cause>,
    /// The question was sent.
    pub(super) asked: bool,
    /// A connection was opened for it.
    pub(super) opened: bool,
}

impl Link {
    pub(super) fn new(address: String, transport: Transport, dial: Dial) -> Link {
        Link { address, transport, dial, state: Mutex::new(State::default()), guests: Semaphore::new(1) }
    }

    /// Connects when there is no connection. Returns how many have been opened, and whether this call did.
    pub(super) async fn ensure(&self, deadlines: Deadlines) -> Result<(u64, bool), Cause> {
        let mut state = self.state.lock().await;
        let opened = state.connection.is_none();
        if opened {
            let connection = self.open(&mut state, deadlines).await?;
            state.connection = Some(connection);
        }
        Ok((state.opened, opened))
    }

    /// Asks once, connecting first when there is no connection.
    pub(super) async fn read(&self, unit: u8, request: ReadRequest, deadlines: Deadlines) -> Answer {
        let mut state = self.state.lock().await;
        // Taken out, so that a caller who gives up half-way leaves no connection behind that is out of step.
        let (connection, opened) = match state.connection.take() {
            Some(connection) => (connection, false),
            None => match self.open(&mut state, deadlines).await {
                Ok(connection) => (connection, true),
                Err(cause) => return Answer { result: Err(cause), asked: false, opened: false },
            },
        };
        let (kept, result) = connection.read(unit, request, deadlines).await;
        if result.as_ref().err().is_none_or(Cause::is_answer) {
            state.failures = 0;
            if !state.proven {
                tracing::info!(address = %self.address, "connected, and the device answers");
            }
            state.proven = true;
            state.told = false;
        }
        if kept.is_none() {
            let cause = result.as_ref().err().cloned().unwrap_or(Cause::Disconnected);
            self.lost(&mut state, cause);
        }
        state.connection = kept;
        Answer { result, asked: true, opened }
    }

    async fn open(&self, state: &mut State, deadlines: Deadlines) -> Result<Connection, Cause> {
        let now = Instant::now();
        if let Some(left) =
            state.not_before.and_then(|at| at.checked_duration_since(now)).filter(|left| !left.is_zero())
        {
            return Err(Cause::Waiting {
                retry_in_ms: u64::try_from(left.as_millis()).unwrap_or(u64::MAX),
                last: Box::new(state.last.clone().unwrap_or(Cause::Disconnected).root()),
            });
        }
        // Spaces attempts even when the caller gives up on this one.
        state.not_before = Some(now + backoff::SHORTEST);
        match self.dial.connect(&self.address, self.transport, deadlines.connect).await {
            Ok(connection) => {
                state.opened += 1;
                state.proven = false;
                Ok(connection)
            }
            Err(cause) => {
                state.wait_longer();
                self.tell(state, &cause);
                state.last = Some(cause.clone());
                Err(cause)
            }
        }
    }

    fn lost(&self, state: &mut State, cause: Cause) {
        if !state.proven {
            state.wait_longer();
        } else if self.transport == Transport::RtuOverTcp {
            // A gateway may still be waiting for the serial answer, and would hand it to the next connection.
            state.not_before = Some(Instant::now() + backoff::SHORTEST);
        }
        self.tell(state, &cause);
        state.last = Some(cause);
    }

    /// Logs an outage once, not at every attempt.
    fn tell(&self, state: &mut State, cause: &Cause) {
        if !state.told {
            tracing::warn!(address = %self.address, %cause, "connection lost or not made");
        }
        state.told = true;
    }
}

/// When to ask a unit again that gives no answer behind a connection that works.
#[derive(Debug, Default)]
pub(super) struct UnitHealth {
    failures: u32,
    not_before: Option<Instant>,
    last: Option<Cause>,
}

impl UnitHealth {
    /// Why nothing is asked now, when that is so.
    pub(super) fn waiting(&self, now: Instant) -> Option<Cause> {
        let left = self.not_before?.checked_duration_since(now).filter(|left| !left.is_zero())?;
        Some(Cause::Waiting {
            retry_in_ms: u64::try_from(left.as_millis()).unwrap_or(u64::MAX),
            last: Box::new(self.last.clone().unwrap_or(Cause::Disconnected).root()),
        })
    }

    /// True while the unit has not missed a whole poll.
    pub(super) fn is_well(&self) -> bool {
        self.failures == 0
    }

    /// The unit answered something.
    pub(super) fn answered(&mut self) {
        *self = UnitHealth::default();
    }

    /// A whole poll brought no answer. The first one may be a mishap; from the second on the unit is left alone longer
    /// and longer, because each silence costs its neighbours on a shared connection a deadline.
    pub(super) fn silent(&mut self, cause: Cause, now: Instant) {
        self.failures = self.failures.saturating_add(1);
        self.not_before = (self.failures > 1).then(|| now + backoff::delay(self.failures - 1, fastrand::f64()));
        self.last = Some(cause);
    }
}

/// Whether one more question fits before `until`.
pub(super) fn fits(until: Instant, limit: Duration) -> bool {
    Instant::now() + limit <= until
}
