//! Tests of a station's task: it publishes, records, ends when told, and no reader or other station holds it up.

use super::*;
use crate::audit::assessment::Assessment;
use crate::audit::field_check::{ERROR_RATE, FieldCheck, Finding};
use crate::audit::outcome::Outcome;
use crate::journal::{Journal, Kind, file};
use crate::reading::{MonitorReading, UnixMs};
use crate::station::fixtures::{exchanged, good_event, reading, running_reading, station_config};
use crate::station::snapshot::Freshness;
use crate::station::state::MonitorAudit;

struct Panicking;
impl MonitorAudit for Panicking {
    fn observe(&mut self, _: &MonitorReading) -> Vec<Assessment> {
        panic!("a fault inside the audit")
    }
}

struct Run {
    events: mpsc::Sender<PollEvent>,
    reader: SnapshotReader,
    clock: Clock,
    task: tokio::task::JoinHandle<StationState>,
    cancel: CancellationToken,
}

fn start(state: StationState) -> Run {
    let clock = Clock::system();
    let cancel = CancellationToken::new();
    let (events, receiver) = mpsc::channel(EVENT_QUEUE);
    let (task, reader) = StationTask::new(state, vec![receiver], clock.clone());
    let task = tokio::spawn(task.run(cancel.clone()));
    Run { events, reader, clock, task, cancel }
}

fn state(name: &str) -> StationState {
    StationState::new(&station_config(name)).unwrap()
}

async fn feed(run: &mut Run) {
    let mut reading = running_reading(0);
    reading.at = run.clock.now();
    run.events.send(good_event(reading)).await.unwrap();
    assert!(run.reader.changed().await);
}

#[tokio::test(start_paused = true)]
async fn publishes_a_snapshot_a_reading_and_ends_when_told() {
    let mut run = start(state("Alder Creek Lift"));
    for _ in 0..5 {
        feed(&mut run).await;
        tokio::time::advance(Duration::from_secs(1)).await;
    }
    assert_eq!(run.reader.get().monitors[0].health.polls, 5);
    run.cancel.cancel();
    run.task.await.unwrap();
    assert!(!run.reader.changed().await);
}

#[tokio::test(start_paused = true)]
async fn a_reader_that_holds_on_to_a_snapshot_never_blocks_the_station() {
    let mut run = start(state("Alder Creek Lift"));
    let dead = run.reader.clone();
    let held = dead.get();
    for _ in 0..50 {
        feed(&mut run).await;
    }
    assert_eq!(held.monitors[0].health.polls, 0);
    assert_eq!(run.reader.get().monitors[0].health.polls, 50);
    assert_eq!(dead.get().monitors[0].health.polls, 50, "a late reader gets the newest, not a queue");
}

#[tokio::test(start_paused = true)]
async fn a_station_whose_audit_panics_leaves_the_others_running() {
    let config = station_config("Quarry Road Booster");
    let mut bad = start(StationState::with_audit(&config, |_| Box::new(Panicking)).unwrap());
    let mut good = start(state("Alder Creek Lift"));
    for _ in 0..8 {
        feed(&mut bad).await;
        feed(&mut good).await;
        tokio::time::advance(Duration::from_secs(1)).await;
    }
    let (bad_now, good_now) = (bad.reader.get(), good.reader.get());
    assert_eq!(bad_now.core_failures, 8);
    assert_eq!(bad_now.monitors[0].health.polls, 8, "the station itself goes on");
    assert_eq!(bad_now.circuits[0].core_failure.as_deref(), Some("a fault inside the audit"));
    assert!(good_now.circuits[0].assessment.is_some());
    assert_eq!(good_now.core_failures, 0);
}

#[tokio::test]
async fn what_a_check_does_to_a_diagnosis_is_in_the_journal_before_it_is_shown() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(folder.path(), 0).unwrap();
    let (events, receiver) = mpsc::channel(EVENT_QUEUE);
    let (mut task, mut reader) = StationTask::new(state("Alder Creek Lift"), vec![receiver], Clock::system());
    task.keep_records(Record { journal: Some(journal), history: None });
    let (found, checks) = watch::channel(Arc::from([]));
    task.count_checks(checks);
    tokio::spawn(task.run(CancellationToken::new()));
    for second in 0..20 {
        events.send(good_event(reading(&exchanged(), 1000 * second))).await.unwrap();
    }
    while reader.get().monitors[0].health.polls < 20 {
        reader.changed().await;
    }
    let traced = [0, 1, 2].map(|k| RecordedCheck {
        station: "Alder Creek Lift".to_owned(),
        circuit: "Pump 1".to_owned(),
        outcome: Outcome { check: FieldCheck::CtLeadTrace(k), finding: Finding::FromOtherPump, error_rate: ERROR_RATE },
        by: "J. Alvarez".to_owned(),
        at: UnixMs(0),
    });
    found.send_replace(Arc::from(traced));
    while reader.get().circuits[0].checks.is_empty() {
        reader.changed().await;
    }
    let mut told = Vec::new();
    file::read(&folder.path().join(file::FILE_NAME), 0, |record| {
        told.extend((record.kind == Kind::Diagnosis.key()).then_some(record.text));
        true
    })
    .unwrap();
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(
        told[1].contains("because a field check changed") && told[1].contains("by J. Alvarez counts now"),
        "{told:?}"
    );
}

#[tokio::test(start_paused = true)]
async fn a_hung_poll_wakes_the_station_by_itself() {
    let mut run = start(state("Alder Creek Lift"));
    feed(&mut run).await;
    // Nothing is sent; the paused clock moves on to the station's own deadline.
    assert!(run.reader.changed().await);
    let now = run.clock.now().mono;
    let age = run.reader.get().monitors[0].freshness(now);
    assert!(matches!(age, Freshness::Stale { age_ms } if age_ms > 3000), "{age:?}");
}

#[tokio::test(start_paused = true)]
async fn a_fast_monitor_does_not_starve_another() {
    let (fast, fast_events) = mpsc::channel(EVENT_QUEUE);
    let (slow, slow_events) = mpsc::channel(EVENT_QUEUE);
    for _ in 0..EVENT_QUEUE {
        fast.send(good_event(running_reading(0))).await.unwrap();
    }
    slow.send(good_event(running_reading(0))).await.unwrap();
    drop(slow);
    let mut receivers = [fast_events, slow_events];
    let mut turn = 0;
    let mut order = Vec::new();
    drop(fast);
    while let Some((monitor, _)) = next_event(&mut receivers, &mut turn).await {
        order.push(monitor);
    }
    assert_eq!(order, [0, 1, 0, 0, 0]);
}
