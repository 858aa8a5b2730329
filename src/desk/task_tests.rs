//! Tests of the desk's task: what is recorded, shown and passed on, and what a restart or a new configuration ends.

use std::sync::Mutex;

use rusqlite::{Connection, OpenFlags};
use tokio::sync::watch;

use super::*;
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::operator::Operator;
use crate::alarm::rationale::Class;
use crate::alarm::revision::Revision;
use crate::alarm::settings::AlarmsConfig;
use crate::alarm::state::{AlarmState, Condition, Event};
use crate::journal::file::{FILE_NAME, read};
use crate::journal::{Journal, Kind};
use crate::notify::message::Message;
use crate::notify::outbox_file;
use crate::notify::settings::{Settings, Target};
use crate::notify::tests::target;
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
    act_if(task, event, None).await
}

async fn act_if(task: &mut DeskTask, event: Event, seen: Option<Revision>) -> Result<Entry, ActError> {
    let (done, answer) = tokio::sync::oneshot::channel();
    task.carry_out(Order { alarm: miswired(), event, seen, done }).await;
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
    assert!(
        told.iter().any(|text| text
            .contains("Work order (low) Alder Creek Lift, Pump 1 (Power metered wrong: CT or lead miswired)")),
        "{told:?}"
    );
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
    assert_eq!(told.iter().filter(|text| text.contains("miswired): came")).count(), 1, "{told:?}");
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

/// Both have seen the alarm as it was, and the list they were shown has not moved between their acts.
#[tokio::test]
async fn of_two_acts_that_are_meant_for_the_same_alarm_one_is_done() {
    let scene = Scene::new();
    let (mut task, desk) = scene.desk();
    scene.look_until(&mut task, 30).await;
    let seen = desk.list().get(&miswired()).unwrap().alarm.revision();
    let shelve = |who: &str| Event::Shelve {
        by: Operator::new(who, "crew on site").unwrap(),
        until: UnixMs(1_795_000_000_000 + 600_000),
        approved: false,
    };
    act_if(&mut task, shelve("R. Ash"), Some(seen.clone())).await.unwrap();
    let Err(ActError::Changed(entry)) = act_if(&mut task, shelve("J. Alvarez"), Some(seen)).await else { panic!() };
    assert_eq!(entry.alarm.shelving().unwrap().act.by.who(), "R. Ash");
    assert_eq!(scene.journaled(Kind::OperatorAction).len(), 1);
}

#[tokio::test]
async fn what_happens_beneath_a_shelving_is_in_the_journal() {
    let scene = Scene::new();
    let (mut task, desk) = scene.desk();
    scene.look_until(&mut task, 30).await;
    let until = UnixMs(1_795_000_000_000 + 3_600_000);
    act(&mut task, Event::Shelve { by: somebody("crew on site"), until, approved: false }).await.unwrap();
    for (second, condition) in [(100, Condition::False), (200, Condition::True)] {
        *scene.seconds.lock().unwrap() = second;
        let mut step = Step::default();
        task.set.tell(task.clock.now(), &miswired(), condition, None, &mut step).unwrap();
        *scene.seconds.lock().unwrap() = second + 90;
        task.set.tick(task.clock.now(), &mut step);
        task.finish(step, Change::Matter).await;
    }
    let told = scene.journaled(Kind::Transition);
    let [.., gone, raised] = told.as_slice() else { panic!("{told:?}") };
    assert!(gone.contains("its cause has gone while it is set aside") && gone.contains("now shelved"), "{gone}");
    assert!(raised.contains("raised while set aside, and not announced"), "{raised}");
    assert_eq!(state(&desk), AlarmState::Shelved);
}

/// Looks once a second; the monitor answers at some of them. Gives when its alarm was raised and what it said then.
async fn silences(scene: &Scene, seconds: u64, answers: impl Fn(u64) -> bool) -> Vec<(u64, String)> {
    let (mut task, desk) = scene.desk();
    let silent = AlarmId::monitor(STATION, "PM-1", AlarmKind::MonitorSilent);
    let (mut raised, mut was_active) = (Vec::new(), false);
    for second in 0..seconds {
        *scene.seconds.lock().unwrap() = second;
        let mut live = scene.station.borrow().as_ref().clone();
        let health = &mut live.monitors[0].health;
        health.last_poll = Some(task.clock.now());
        health.silent = !answers(second);
        if answers(second) {
            health.last_good = Some(task.clock.now());
        }
        scene.station.send_replace(Arc::new(live));
        task.look().await;
        let list = desk.list();
        let entry = list.get(&silent).unwrap();
        if entry.alarm.active() && !was_active {
            raised.push((second, entry.story.as_ref().map(|story| story.what.clone()).unwrap_or_default()));
        }
        was_active = entry.alarm.active();
    }
    raised
}

#[tokio::test]
async fn a_monitor_that_flaps_is_told_once_with_its_share() {
    let raised = silences(&Scene::new(), 1800, |second| second % 40 < 20).await;
    let [(second, what)] = raised.as_slice() else { panic!("{raised:?}") };
    assert!((240..420).contains(second), "{second}");
    assert!(what.contains("now and then") && what.contains("% of the last 10 minutes"), "{what}");
}

#[tokio::test]
async fn an_outage_of_half_a_minute_is_not_told_and_one_of_two_minutes_is_told_as_silence() {
    assert_eq!(silences(&Scene::new(), 1800, |second| !(600..630).contains(&second)).await, []);
    let raised = silences(&Scene::new(), 1800, |second| !(600..720).contains(&second)).await;
    let [(second, what)] = raised.as_slice() else { panic!("{raised:?}") };
    assert!(*second >= 655 && !what.contains("now and then"), "{second} {what}");
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

/// A notifier with one target, and the folder of its outbox.
async fn notifier(scene: &Scene) -> Notifier {
    let folder = scene.folder.path().join("outbox");
    // Whatever is told, at once.
    let target = Target { at_once: Class::ALL.into(), digest: [].into(), ..target("duty") };
    Notifier::open(&Settings { folder, targets: vec![target] }, scene.clock()).await.unwrap()
}

/// Subjects of the messages that wait for the target.
fn waiting(scene: &Scene) -> Vec<String> {
    let file = scene.folder.path().join("outbox").join(outbox_file::FILE_NAME);
    let outbox = Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let mut select = outbox.prepare("SELECT body FROM message ORDER BY sequence").unwrap();
    let bodies = select.query_map([], |row| row.get::<_, String>(0)).unwrap();
    bodies.map(|body| serde_json::from_str::<Message>(&body.unwrap()).unwrap().subject).collect()
}

#[tokio::test]
async fn whoever_was_told_of_an_alarm_is_told_once_that_its_station_is_gone() {
    let scene = Scene::new();
    let (mut task, _) = scene.desk();
    task.tell(notifier(&scene).await);
    scene.look_until(&mut task, 30).await;
    assert_eq!(waiting(&scene).len(), 1, "{:?}", waiting(&scene));
    for _ in 0..2 {
        task.reconfigure(Watched::new(&AlarmsConfig::default(), &[])).await;
    }
    let told = waiting(&scene);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(
        told[1].contains("Alder Creek Lift, Pump 1") && told[1].contains("removed from the configuration while active"),
        "{told:?}"
    );
}

#[tokio::test]
async fn the_same_is_told_after_a_station_was_taken_out_between_two_runs() {
    let mut scene = Scene::new();
    let (mut task, _) = scene.desk();
    task.tell(notifier(&scene).await);
    scene.look_until(&mut task, 30).await;
    drop(task);
    scene.watched = Watched::new(&AlarmsConfig::default(), &[]);
    for run in 0..2 {
        let (mut task, _) = scene.desk();
        task.tell(notifier(&scene).await);
        task.look().await;
        let told = waiting(&scene);
        assert_eq!(told.len(), 2, "run {run}: {told:?}");
        assert!(told[1].contains("removed from the configuration while active"), "{told:?}");
    }
}

#[tokio::test]
async fn a_station_that_is_no_longer_configured_takes_its_alarms_along() {
    let scene = Scene::new();
    let (mut task, desk) = scene.desk();
    scene.look_until(&mut task, 30).await;
    task.reconfigure(Watched::new(&AlarmsConfig::default(), &[])).await;
    assert!(desk.list().get(&miswired()).is_none());
    let told = scene.journaled(Kind::Transition);
    assert!(told.iter().any(|text| text.contains("removed from the configuration while active")), "{told:?}");
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
    assert!(told.iter().any(|text| text.contains("removed from the configuration while active")), "{told:?}");
}
