//! The alarm desk: the one task that owns the alarms of the daemon and lets nothing be seen that is not yet recorded.
//!
//! `conditions` looks at the stations, `task` steps the alarms, `record` writes a step to the journal and keeps the image
//! that a restart goes on from; [`Desk`] is what faces hold. Must never decide what an alarm is or does: that is
//! `crate::alarm`.

pub(crate) mod availability;
pub(crate) mod conditions;
pub mod notice;
pub mod record;
pub mod task;
pub mod watched;

use std::sync::Arc;

use tokio::sync::{mpsc, oneshot, watch};

use crate::alarm::id::AlarmId;
use crate::alarm::operator::Refused;
use crate::alarm::revision::Revision;
use crate::alarm::set::Entry;
use crate::alarm::state::Event;
use crate::reading::Instant2;

pub use notice::Notice;

/// Everything the desk shows: one immutable list.
#[derive(Debug, Clone)]
pub struct AlarmList {
    /// When it was last changed.
    pub at: Instant2,
    /// Counts the lists since the start.
    pub version: u64,
    /// Every alarm, by name.
    pub entries: Vec<Entry>,
    /// A flood lasts.
    pub flooded: bool,
}

impl AlarmList {
    /// One alarm.
    pub fn get(&self, id: &AlarmId) -> Option<&Entry> {
        self.entries.binary_search_by(|entry| entry.alarm.id().cmp(id)).ok().map(|at| &self.entries[at])
    }
}

/// Why an operator's act was not carried out.
#[derive(Debug, Clone, thiserror::Error)]
pub enum ActError {
    /// It does not fit.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// It could not be recorded, so it was not done.
    #[error("not done, because it cannot be recorded: {0}")]
    NotRecorded(String),
    /// It is no longer as whoever acts has seen it: here it is as it is.
    #[error("the alarm has changed since it was read")]
    Changed(Box<Entry>),
    /// The daemon is stopping.
    #[error("the daemon is stopping")]
    Stopping,
}

/// An act on its way to the desk.
#[derive(Debug)]
pub(crate) struct Order {
    pub(crate) alarm: AlarmId,
    pub(crate) event: Event,
    /// Only if the alarm is still as this revision; none for in any case.
    pub(crate) seen: Option<Revision>,
    pub(crate) done: oneshot::Sender<Result<Entry, ActError>>,
}

/// What a face holds of the desk.
#[derive(Debug, Clone)]
pub struct Desk {
    orders: mpsc::Sender<Order>,
    list: watch::Receiver<Arc<AlarmList>>,
}

impl Desk {
    /// A desk of these alarms, sorted by name, at which nobody sits.
    #[cfg(test)]
    pub(crate) fn still(entries: Vec<Entry>) -> Desk {
        let at = Instant2 { wall: crate::reading::UnixMs(0), mono: crate::reading::MonoMs(0) };
        let list = AlarmList { at, version: 0, entries, flooded: false };
        Desk { orders: mpsc::channel(1).0, list: watch::channel(Arc::new(list)).1 }
    }

    /// The alarms of now.
    pub fn list(&self) -> Arc<AlarmList> {
        Arc::clone(&self.list.borrow())
    }

    /// Waits for a list newer than the last one waited for; false when the desk has ended.
    pub async fn changed(&mut self) -> bool {
        self.list.changed().await.is_ok()
    }

    /// Lets an operator act on an alarm (acknowledge, reset, shelve, unshelve, out of service and back). Returns the alarm as it
    /// is then, once the act is on the disk. With the revision that was `seen`, only if it is still that: of two who act at once
    /// on the same, the second is refused with the alarm as the first has left it.
    pub async fn act(&self, alarm: AlarmId, event: Event, seen: Option<Revision>) -> Result<Entry, ActError> {
        let (done, answer) = oneshot::channel();
        self.orders.send(Order { alarm, event, seen, done }).await.map_err(|_| ActError::Stopping)?;
        answer.await.map_err(|_| ActError::Stopping)?
    }
}
