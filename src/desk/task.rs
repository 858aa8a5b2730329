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

use super::conditions;
use super::notice::Notice;
use super::record::{AlarmRecord, RecordError, sentence};
use super::{ActError, AlarmList, Desk, Order};
use crate::alarm::from_audit::{self, Room, Told};
use crate::alarm::id::AlarmId;
use crate::alarm::set::{AlarmSet, Entry, Step};
use crate::alarm::settings::{AlarmSettings, AlarmsConfig};
use crate::alarm::state::{Announcement, Event};
use crate::clock::Clock;
use crate::config::model::StationConfig;
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

/// How much of what is shown of an alarm has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Change {
    None,
    /// How sure it is, and what is seen with it.
    Figures,
    Matter,
}

/// What the desk is to watch: a configuration's part.
#[derive(Debug, Clone)]
pub struct Watched {
    alarms: AlarmsConfig,
    ids: Vec<(AlarmId, AlarmSettings)>,
}

impl Watched {
    /// The alarms of these stations.
    pub fn new(alarms: &AlarmsConfig, stations: &[StationConfig]) -> Watched {
        let ids = conditions::alarms_of(stations).into_iter().map(|id| {
            let settings = alarms.of_kind(id.kind);
            (id, settings)
        });
        Watched { ids: ids.collect(), alarms: alarms.clone() }
    }
}

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
    /// Stations as last looked at, to see which have something new.
    seen: HashMap<String, Arc<StationSnapshot>>,
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

/// Hands a new configuration to a running desk.
#[derive(Debug, Clone)]
pub struct Reconfigure(mpsc::Sender<Watched>);

impl Reconfigure {
    /// Takes effect before the next look.
    pub async fn take(&self, watched: Watched) {
        // A desk that has ended is one of a daemon that stops.
        let _ = self.0.send(watched).await;
    }
}

impl DeskTask {
    /// Goes on from the image of the run before, if there is one. What follows from that is recorded with the first look.
    pub fn new(watched: &Watched, roster: Roster, record: AlarmRecord, clock: Clock) -> (DeskTask, Desk, Reconfigure) {
        let now = clock.now();
        let mut step = Step::default();
        let Watched { alarms, ids } = watched.clone();
        let set = if let Some(image) = record.read_image(now.wall) {
            AlarmSet::restore(image, now, ids, alarms.flood, &mut step)
        } else {
            let mut set = AlarmSet::new(alarms.flood);
            set.configure(now, ids, alarms.flood, &mut step);
            set
        };
        let (orders, order_receiver) = mpsc::channel(QUEUE);
        let (reconfigure, watched_receiver) = mpsc::channel(1);
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
            seen: HashMap::new(),
            imaged: None,
            begun: step,
            waiting: Change::None,
            clock,
        };
        (task, Desk { orders, list }, Reconfigure(reconfigure))
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
        self.rules = alarms.rules;
        self.seen.clear();
        self.finish(step, Change::Matter).await;
    }

    async fn look(&mut self) {
        let now = self.clock.now();
        let mut step = std::mem::take(&mut self.begun);
        let mut change = Change::None;
        let snapshots = self.roster.snapshots();
        for snapshot in &snapshots {
            // The same snapshot says something new only when it says that nothing came.
            let same = self.seen.get(&snapshot.station).is_some_and(|seen| Arc::ptr_eq(seen, snapshot));
            if same && snapshot.monitors.iter().all(|monitor| monitor.freshness(now.mono).is_live()) {
                continue;
            }
            for told in conditions::of_station(snapshot, &self.set, now.mono) {
                change = change.max(self.take(now, told, &mut step));
            }
        }
        self.seen = snapshots.into_iter().map(|snapshot| (snapshot.station.clone(), snapshot)).collect();
        if let Some(free_space) = &self.free_space {
            let told = from_audit::storage(free_space());
            change = change.max(self.take(now, told, &mut step));
        }
        self.set.apply_rules(now, &self.rules, &mut step);
        self.set.tick(now, &mut step);
        self.finish(step, change).await;
    }

    /// Tells the alarm what is new about it, and notes what of it is worth showing.
    fn take(&mut self, now: Instant2, told: Told, step: &mut Step) -> Change {
        let Some(entry) = self.set.get(&told.id) else { return Change::None };
        let change = match (&told.story, &entry.story) {
            _ if told.condition != entry.alarm.condition() => Change::Matter,
            _ if told.told_by.is_some() && entry.alarm.active() => Change::Matter,
            (Some(new), Some(old)) if new == old => Change::None,
            (Some(new), Some(old)) if (&new.what, &new.action) == (&old.what, &old.action) => Change::Figures,
            (Some(_), _) => Change::Matter,
            (None, _) => Change::None,
        };
        if change != Change::None {
            // Only an act can be refused.
            let _ = match told.told_by {
                Some(by) => self.set.apply(now, &told.id, Event::ToldElsewhere { by }, step),
                None => self.set.tell(now, &told.id, told.condition, told.story, step),
            };
        }
        change
    }

    async fn carry_out(&mut self, order: Order) {
        let mut step = Step::default();
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
            let sentence = sentence(&self.set, transition);
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
            let entry = self.set.get(&transition.alarm)?.clone();
            Some(Notice::Alarm { transition: Box::new(transition.clone()), entry: Box::new(entry) })
        });
        let all: Vec<Notice> = of_alarms.chain(step.floods.iter().cloned().map(Notice::Flood)).collect();
        notifier.tell(&all).await;
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use tokio::sync::watch;

    use super::*;
    use crate::alarm::id::AlarmKind;
    use crate::alarm::operator::Operator;
    use crate::alarm::state::AlarmState;
    use crate::journal::file::{FILE_NAME, read};
    use crate::journal::{Journal, Kind};
    use crate::reading::{MonoMs, UnixMs};
    use crate::station::fixtures::{exchanged, snapshot_after, station_config};
    use crate::station::snapshot::SnapshotReader;

    const STATION: &str = "Alder Creek Lift";

    /// A station with a miswired pump, a clock that is set, and what the desk needs.
    struct Scene {
        seconds: Arc<Mutex<u64>>,
        folder: tempfile::TempDir,
        station: watch::Sender<Arc<StationSnapshot>>,
        roster: Roster,
        journal: Journal,
        watched: Watched,
    }

    impl Scene {
        fn new() -> Scene {
            let (station, receiver) = watch::channel(snapshot_after(STATION, &exchanged()));
            let folder = tempfile::tempdir().unwrap();
            let (journal, _) = Journal::open(folder.path(), 0).unwrap();
            Scene {
                seconds: Arc::default(),
                station,
                roster: Roster::fixed(vec![SnapshotReader::new(receiver)]),
                journal,
                watched: Watched::new(&AlarmsConfig::default(), &[station_config(STATION)]),
                folder,
            }
        }

        fn clock(&self) -> Clock {
            let seconds = Arc::clone(&self.seconds);
            Clock::from_fn(move || {
                let ms = *seconds.lock().unwrap() * 1000;
                Instant2 { wall: UnixMs(1_795_000_000_000 + ms as i64), mono: MonoMs(ms) }
            })
        }

        fn desk(&self) -> (DeskTask, Desk) {
            let record = AlarmRecord::new(Some(self.journal.clone()), Some(self.folder.path().to_owned()));
            let (task, desk, _) = DeskTask::new(&self.watched, self.roster.clone(), record, self.clock());
            (task, desk)
        }

        async fn look_until(&self, task: &mut DeskTask, seconds: u64) {
            let now = *self.seconds.lock().unwrap();
            for second in now..=seconds {
                *self.seconds.lock().unwrap() = second;
                let mut live = self.station.borrow().as_ref().clone();
                live.monitors[0].health.last_good = Some(task.clock.now());
                self.station.send_replace(Arc::new(live));
                task.look().await;
            }
        }

        fn journaled(&self, kind: Kind) -> Vec<String> {
            let mut texts = Vec::new();
            read(&self.folder.path().join(FILE_NAME), 0, |record| {
                if record.kind == kind.key() {
                    texts.push(format!("{}: {}", record.by, record.text));
                }
                true
            })
            .unwrap();
            texts
        }
    }

    fn miswired() -> AlarmId {
        AlarmId::circuit(STATION, "Pump 1", AlarmKind::MeteringMiswired)
    }

    fn state(desk: &Desk) -> AlarmState {
        desk.list().get(&miswired()).unwrap().alarm.state()
    }

    async fn act(task: &mut DeskTask, event: Event) -> Result<Entry, ActError> {
        let (done, answer) = tokio::sync::oneshot::channel();
        task.carry_out(Order { alarm: miswired(), event, done }).await;
        answer.await.unwrap()
    }

    fn somebody(remark: &str) -> Operator {
        Operator::new("J. Alvarez", remark).unwrap()
    }

    #[tokio::test]
    async fn an_alarm_is_in_the_journal_and_shown_once_it_has_lasted() {
        let scene = Scene::new();
        let (mut task, desk) = scene.desk();
        scene.look_until(&mut task, 29).await;
        assert_eq!(state(&desk), AlarmState::Normal);
        scene.look_until(&mut task, 30).await;
        assert_eq!(state(&desk), AlarmState::Unacknowledged);
        let told = scene.journaled(Kind::Transition);
        assert!(told.iter().any(|text| text.contains("Alder Creek Lift, Pump 1, power is metered wrong")), "{told:?}");
    }

    #[tokio::test]
    async fn an_acknowledgement_names_who_and_outlives_a_restart() {
        let scene = Scene::new();
        let (mut task, desk) = scene.desk();
        scene.look_until(&mut task, 30).await;
        let entry = act(&mut task, Event::Acknowledge(somebody("seen"))).await.unwrap();
        assert_eq!(entry.alarm.state(), AlarmState::Acknowledged);
        assert_eq!(state(&desk), AlarmState::Acknowledged);
        let acts = scene.journaled(Kind::OperatorAction);
        assert_eq!(acts.len(), 1);
        assert!(acts[0].starts_with("J. Alvarez: ") && acts[0].contains("(\"seen\")"), "{acts:?}");
        drop((task, desk));
        let (mut task, desk) = scene.desk();
        assert_eq!(state(&desk), AlarmState::Acknowledged);
        scene.look_until(&mut task, 90).await;
        assert_eq!(state(&desk), AlarmState::Acknowledged, "the cause is there as before: nothing new to tell");
        let told = scene.journaled(Kind::Transition);
        assert_eq!(told.iter().filter(|text| text.contains("metered wrong (wiring): came")).count(), 1, "{told:?}");
    }

    #[tokio::test]
    async fn what_cannot_be_recorded_is_not_done_but_a_cause_is_shown_all_the_same() {
        let scene = Scene::new();
        let (mut task, desk) = scene.desk();
        task.record = AlarmRecord::new(Some(Journal::closed()), None);
        scene.look_until(&mut task, 30).await;
        assert_eq!(state(&desk), AlarmState::Unacknowledged);
        let refused = act(&mut task, Event::Acknowledge(somebody(""))).await.unwrap_err();
        assert!(matches!(refused, ActError::NotRecorded(_)), "{refused}");
        assert_eq!(state(&desk), AlarmState::Unacknowledged);
    }

    #[tokio::test]
    async fn an_act_that_does_not_fit_is_refused_with_the_reason() {
        let scene = Scene::new();
        let (mut task, _) = scene.desk();
        let refused = act(&mut task, Event::Acknowledge(somebody(""))).await.unwrap_err();
        assert_eq!(refused.to_string(), "nothing to acknowledge: the alarm is normal");
    }

    #[tokio::test]
    async fn a_damaged_image_is_set_aside_and_the_alarms_begin_anew() {
        let scene = Scene::new();
        std::fs::write(scene.folder.path().join("alarms.json"), "{\"taken").unwrap();
        let (_, desk) = scene.desk();
        assert_eq!(state(&desk), AlarmState::Normal);
        let names: Vec<_> = std::fs::read_dir(scene.folder.path()).unwrap().map(|f| f.unwrap().file_name()).collect();
        assert!(names.iter().any(|name| name.to_string_lossy().starts_with("alarms-unreadable-")), "{names:?}");
    }

    #[tokio::test]
    async fn a_station_that_is_no_longer_configured_takes_its_alarms_along() {
        let scene = Scene::new();
        let (mut task, desk) = scene.desk();
        scene.look_until(&mut task, 30).await;
        task.reconfigure(Watched::new(&AlarmsConfig::default(), &[])).await;
        assert!(desk.list().get(&miswired()).is_none());
        let told = scene.journaled(Kind::Transition);
        assert!(told.last().unwrap().contains("no longer configured"), "{told:?}");
    }

    #[tokio::test]
    async fn a_station_taken_out_between_two_runs_ends_its_alarms_in_the_journal() {
        let mut scene = Scene::new();
        let (mut task, _) = scene.desk();
        scene.look_until(&mut task, 30).await;
        scene.watched = Watched::new(&AlarmsConfig::default(), &[]);
        let (mut task, desk) = scene.desk();
        task.look().await;
        assert!(desk.list().get(&miswired()).is_none());
        let told = scene.journaled(Kind::Transition);
        assert!(told.iter().any(|text| text.contains("no longer configured")), "{told:?}");
    }
}
