//! The task of the desk: looks at the stations once a second and takes operators' acts as they come.
//!
//! Order of every step: journal, those who pass alarms on, image, and only then the list that faces see. Must never make a
//! station wait.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::MissedTickBehavior;
use tokio_util::sync::CancellationToken;

use super::availability::Availability;
use super::conditions;
use super::notice::Notice;
use super::record::{AlarmRecord, RecordError, sentence};
use super::watched::{Reconfigure, Watched};
use super::{ActError, AlarmList, Desk, Order};
use crate::alarm::from_audit::{self, Failures, Room};
use crate::alarm::hear::Change;
use crate::alarm::set::{AlarmSet, Entry, Step};
use crate::alarm::state::Announcement;
use crate::clock::Clock;
use crate::notify::Notifier;
use crate::reading::Instant2;
use crate::station::roster::Roster;
use crate::station::snapshot::StationSnapshot;

/// Alarms are a matter of many seconds; looking more often would tell nothing sooner.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Delays and shelvings run on; the image is made anew at least this often, ms.
const IMAGE_EVERY_MS: u64 = 60_000;
/// Figures in the text of an alarm move with every reading; they are shown anew this often, ms.
const FIGURES_EVERY_MS: u64 = 10_000;
/// Acts that may wait.
const QUEUE: usize = 64;

/// How much room records have.
pub type FreeSpace = Box<dyn Fn() -> Room + Send + Sync>;

/// The desk, about to run.
pub struct DeskTask {
    set: AlarmSet,
    rules: Vec<crate::alarm::rule::SuppressionRule>,
    roster: Roster,
    record: AlarmRecord,
    notifier: Option<Notifier>,
    free_space: Option<FreeSpace>,
    orders: mpsc::Receiver<Order>,
    watched: mpsc::Receiver<Watched>,
    publish: watch::Sender<Arc<AlarmList>>,
    availability: Availability,
    /// Stations as last looked at, to see which have something new.
    seen: HashMap<String, Arc<StationSnapshot>>,
    /// How often audits have failed of late.
    failures: Failures,
    imaged: Option<Instant2>,
    /// What the start itself brought, to be recorded with the first look.
    begun: Step,
    /// What has changed and is not shown yet.
    waiting: Change,
    clock: Clock,
}

impl std::fmt::Debug for DeskTask {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("DeskTask").finish_non_exhaustive()
    }
}

impl DeskTask {
    /// Goes on from the image of the run before, if there is one. What follows from that is recorded with the first look.
    pub fn new(watched: &Watched, roster: Roster, record: AlarmRecord, clock: Clock) -> (DeskTask, Desk, Reconfigure) {
        let now = clock.now();
        let mut step = Step::default();
        let Watched { alarms, ids } = watched.clone();
        let mut set = if let Some(image) = record.read_image(now.wall) {
            AlarmSet::restore(image, now, ids, alarms.flood, &mut step)
        } else {
            let mut set = AlarmSet::new(alarms.flood);
            set.configure(now, ids, alarms.flood, &mut step);
            set
        };
        set.limit_shelving(alarms.shelf);
        let mut availability = Availability::default();
        availability.configure(alarms.availability);
        let (orders, order_receiver) = mpsc::channel(QUEUE);
        let (reconfigure, watched_receiver) = Reconfigure::channel();
        let list = AlarmList { at: now, version: 0, entries: set.entries().cloned().collect(), flooded: set.flooded() };
        let (publish, list) = watch::channel(Arc::new(list));
        let task = DeskTask {
            set,
            rules: alarms.rules,
            roster,
            record,
            notifier: None,
            free_space: None,
            orders: order_receiver,
            watched: watched_receiver,
            publish,
            availability,
            seen: HashMap::new(),
            failures: Failures::default(),
            imaged: None,
            begun: step,
            waiting: Change::None,
            clock,
        };
        (task, Desk { orders, list }, reconfigure)
    }

    /// Says who passes alarms on.
    pub fn tell(&mut self, notifier: Notifier) {
        self.notifier = Some(notifier);
    }

    /// Says how to learn of the room for records.
    pub fn watch_space(&mut self, free_space: FreeSpace) {
        self.free_space = Some(free_space);
    }

    /// Runs until cancelled, then keeps the image once more.
    pub async fn run(mut self, cancel: CancellationToken) {
        let mut look = tokio::time::interval(LOOK_EVERY);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                biased;
                () = cancel.cancelled() => break,
                Some(watched) = self.watched.recv() => self.reconfigure(watched).await,
                Some(order) = self.orders.recv() => self.carry_out(order).await,
                _ = look.tick() => self.look().await,
            }
        }
        let now = self.clock.now();
        self.record.image(self.set.image(now)).await;
    }

    async fn reconfigure(&mut self, watched: Watched) {
        let mut step = Step::default();
        let Watched { alarms, ids } = watched;
        self.set.configure(self.clock.now(), ids, alarms.flood, &mut step);
        self.set.limit_shelving(alarms.shelf);
        self.availability.configure(alarms.availability);
        self.rules = alarms.rules;
        self.seen.clear();
        self.finish(step, Change::Matter).await;
    }

    async fn look(&mut self) {
        let now = self.clock.now();
        let mut step = std::mem::take(&mut self.begun);
        let mut change = Change::None;
        let snapshots = self.roster.snapshots();
        self.availability.look(&snapshots, now.mono);
        let (together, of_all) = conditions::of_all(&snapshots, now.mono);
        for told in of_all {
            change = change.max(self.set.hear(now, told, &mut step));
        }
        for snapshot in &snapshots {
            // The same snapshot says something new only when it says that nothing came.
            let same = self.seen.get(&snapshot.station).is_some_and(|seen| Arc::ptr_eq(seen, snapshot));
            if same && snapshot.monitors.iter().all(|monitor| monitor.freshness(now.mono).is_live()) {
                continue;
            }
            for told in conditions::of_station(snapshot, &self.set, &together, &self.availability, now.mono) {
                let often = self.failures.take(&told, now.mono);
                change = change.max(self.set.hear(now, told, &mut step));
                if let Some(often) = often {
                    change = change.max(self.set.hear(now, often, &mut step));
                }
            }
        }
        self.seen = snapshots.into_iter().map(|snapshot| (snapshot.station.clone(), snapshot)).collect();
        if let Some(free_space) = &self.free_space {
            let told = from_audit::storage(free_space());
            change = change.max(self.set.hear(now, told, &mut step));
        }
        self.set.apply_rules(now, &self.rules, &mut step);
        self.set.tick(now, &mut step);
        self.finish(step, change).await;
    }

    async fn carry_out(&mut self, order: Order) {
        let mut step = Step::default();
        if let Some(changed) = self.changed_meanwhile(&order) {
            // Whoever asked may have gone.
            let _ = order.done.send(Err(ActError::Changed(Box::new(changed))));
            return;
        }
        let before = self.set.clone();
        let done = self.set.apply(self.clock.now(), &order.alarm, order.event, &mut step);
        let recorded = match self.record.step(&self.set, &step).await {
            Ok(()) => Ok(()),
            Err(error) => {
                self.set = before;
                Err(ActError::NotRecorded(error.to_string()))
            }
        };
        if recorded.is_ok() {
            self.show(step, Change::Matter).await;
        }
        let answer = recorded.and_then(|()| done.map_err(ActError::from)).and_then(|()| {
            let entry = self.set.get(&order.alarm).cloned();
            entry.ok_or_else(|| crate::alarm::operator::Refused::UnknownAlarm(order.alarm.to_string()).into())
        });
        // Whoever asked may have gone.
        let _ = order.done.send(answer);
    }

    /// The alarm of an act, where it is no longer as whoever acts has seen it.
    fn changed_meanwhile(&self, order: &Order) -> Option<Entry> {
        let (seen, entry) = (order.seen.as_ref()?, self.set.get(&order.alarm)?);
        (entry.alarm.revision() != *seen).then(|| entry.clone())
    }

    /// Records and shows a step that no person asked for: a journal that fails must not blind the watch.
    async fn finish(&mut self, step: Step, change: Change) {
        if let Err(error) = self.record.step(&self.set, &step).await {
            match error {
                RecordError::Journal(_) => tracing::error!("the next alarms are not in the journal: {error}"),
                RecordError::Hangs => tracing::error!("the next alarms may not be in the journal: the disk hangs"),
            }
        }
        self.show(step, change).await;
    }

    async fn show(&mut self, step: Step, change: Change) {
        let now = self.clock.now();
        let moved = !step.transitions.is_empty() || !step.floods.is_empty();
        let old = self.imaged.is_none_or(|at| now.mono.since(at.mono) >= IMAGE_EVERY_MS);
        if moved {
            self.pass_on(&step).await;
        }
        if moved || old {
            self.imaged = Some(now);
            self.record.image(self.set.image(now)).await;
        }
        self.log(&step);
        self.waiting = self.waiting.max(change);
        let (shown, version) = {
            let list = self.publish.borrow();
            (list.at, list.version + 1)
        };
        let due = now.mono.since(shown.mono) >= FIGURES_EVERY_MS;
        if moved || self.waiting == Change::Matter || self.waiting == Change::Figures && due {
            self.waiting = Change::None;
            let entries: Vec<Entry> = self.set.entries().cloned().collect();
            self.publish.send_replace(Arc::new(AlarmList { at: now, version, entries, flooded: self.set.flooded() }));
        }
    }

    fn log(&self, step: &Step) {
        for transition in &step.transitions {
            let alarm = transition.alarm.to_string();
            let sentence = sentence(&self.set, step, transition);
            if transition.announcement == Announcement::Now {
                tracing::warn!(alarm, "{sentence}");
            } else {
                tracing::info!(alarm, "{sentence}");
            }
        }
    }

    async fn pass_on(&self, step: &Step) {
        let Some(notifier) = &self.notifier else { return };
        let of_alarms = step.transitions.iter().filter_map(|transition| {
            let entry = step.entry(&self.set, &transition.alarm)?.clone();
            Some(Notice::Alarm { transition: Box::new(transition.clone()), entry: Box::new(entry) })
        });
        let all: Vec<Notice> = of_alarms.chain(step.floods.iter().cloned().map(Notice::Flood)).collect();
        notifier.tell(&all).await;
    }
}

#[cfg(test)]
#[path = "task_tests.rs"]
mod tests;
