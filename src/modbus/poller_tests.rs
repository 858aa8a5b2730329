//! Tests of the cadence and of the tasks as a whole: paused time for the schedule, real sockets for the rest.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::*;
use crate::config::model::{MonitorConfig, Transport};
use crate::modbus::link::{Dial, Link};
use crate::modbus::map::{
    Blanking, ByteOrder, Channel, Conventions, Encoding, MapSource, MeterMap, Point, Quantity, ReadFunction,
    ReadLimits, Target,
};
use crate::modbus::test_device::{Asked, Log, Reaction, on_pipes, on_socket};
use crate::reading::{Instant2, Measured, MonoMs, UnixMs};

const PERIOD: Duration = Duration::from_secs(1);

fn config(address: &str, unit: u8, transport: Transport) -> MonitorConfig {
    let point = Point {
        target: Target { quantity: Quantity::Frequency, channel: Channel::Total, slot: 0 },
        function: ReadFunction::InputRegisters,
        address: 7,
        encoding: Encoding::U16,
        order: ByteOrder::Abcd,
        scale: 0.01,
        offset: 0.0,
        scale_register: None,
        not_available: Vec::new(),
    };
    let map = MeterMap {
        name: "test".into(),
        title: String::new(),
        slots: 1,
        limits: ReadLimits::default(),
        conventions: Conventions::default(),
        blanking: Blanking::default(),
        points: vec![point],
    };
    MonitorConfig {
        name: format!("PM-{unit}"),
        address: address.into(),
        unit,
        transport,
        map: MapSource::Fixed(map),
        map_name: "test".into(),
        poll_period: PERIOD,
        timeout: Duration::from_millis(500),
    }
}

/// A running poll task against a scripted device, in paused time.
fn running(
    room: usize,
    timeout_ms: u64,
    script: impl Fn(Asked) -> Reaction + Send + Sync + 'static,
) -> (mpsc::Receiver<PollEvent>, Log, Instant) {
    let (device, log) = on_pipes(Transport::Tcp, script);
    let link = Arc::new(Link::new("pipe:502".into(), Transport::Tcp, Dial::Pipe(device)));
    let monitor = MonitorConfig { timeout: Duration::from_millis(timeout_ms), ..config("pipe:502", 1, Transport::Tcp) };
    let session = Session::new("Quarry Road Booster", monitor, link, Clock::system());
    let (events, receiver) = mpsc::channel(room);
    let first = Instant::now() + PERIOD;
    tokio::spawn(run(session, first, PERIOD, events));
    (receiver, log, first)
}

#[tokio::test(start_paused = true)]
async fn the_cadence_does_not_drift() {
    let (mut events, log, first) = running(8, 500, |_| Reaction::After(333, vec![6000]));
    for _ in 0..500 {
        let event = events.recv().await.unwrap();
        assert_eq!(event.skipped_ticks, 0);
        assert!((event.took_ms - 333.0).abs() < 2.0, "{} ms", event.took_ms);
    }
    for (number, asked) in log.all().iter().enumerate() {
        let due = first + PERIOD * u32::try_from(number).unwrap();
        let late = asked.at.saturating_duration_since(due);
        assert!(asked.at >= due && late < Duration::from_millis(5), "poll {number} was {late:?} late");
    }
}

#[tokio::test(start_paused = true)]
async fn a_late_poll_skips_ticks_and_keeps_its_place() {
    // The third poll takes 2.3 s: the next tick is taken late, the one after it skipped, and then all is as before.
    let (mut events, log, first) = running(8, 1200, |asked| match asked.number {
        3 => Reaction::After(2300, vec![6000]),
        _ => Reaction::Words(vec![6000]),
    });
    let mut skipped = Vec::new();
    for _ in 0..8 {
        skipped.push(events.recv().await.unwrap().skipped_ticks);
    }
    assert_eq!(skipped, [0, 0, 0, 0, 1, 0, 0, 0]);
    let at: Vec<u128> = log.all().iter().map(|asked| asked.at.saturating_duration_since(first).as_millis()).collect();
    let expected = [0, 1000, 2000, 4300, 5000, 6000, 7000, 8000];
    let off = at.iter().zip(expected).map(|(at, expected)| at.abs_diff(expected)).max().unwrap();
    assert!(off <= 5, "{at:?}");
}

#[test]
fn skipped_ticks_are_counted_from_the_ticks_themselves() {
    let start = std::time::Instant::now();
    let at = |ms: u64| Instant::from_std(start) + Duration::from_millis(ms);
    assert_eq!(ticks_between(at(0), at(1000), PERIOD), 0);
    assert_eq!(ticks_between(at(0), at(1001), PERIOD), 0);
    assert_eq!(ticks_between(at(0), at(4000), PERIOD), 3);
    assert_eq!(next_tick(at(0), PERIOD, at(1)), at(1000));
    assert_eq!(next_tick(at(0), PERIOD, at(2300)), at(3000));
}

#[tokio::test(start_paused = true)]
async fn there_is_an_event_for_every_tick_of_a_dead_device() {
    let (mut events, _, first) = running(8, 500, |_| Reaction::Close);
    for _ in 0..120 {
        let event = events.recv().await.unwrap();
        assert_eq!(event.reading.frequency_hz, Measured::Failed);
        assert_eq!(event.skipped_ticks, 0);
        assert!(!event.reading.failures.is_empty());
    }
    assert!(first.elapsed() < Duration::from_mins(2));
}

#[tokio::test(start_paused = true)]
async fn an_event_without_room_is_dropped_and_counted_and_its_counts_are_not_lost() {
    let (mut events, log, _) = running(1, 500, |_| Reaction::Words(vec![6000]));
    while log.all().len() < 6 {
        tokio::time::sleep(PERIOD).await;
    }
    let first = events.recv().await.unwrap();
    assert_eq!((first.connects, first.dropped_events), (1, 0));
    let next = events.recv().await.unwrap();
    assert!(next.dropped_events >= 4, "{}", next.dropped_events);
}

#[tokio::test(start_paused = true)]
async fn counts_of_a_dropped_event_go_with_the_next() {
    let (sender, mut receiver) = mpsc::channel(1);
    let event = |connects| PollEvent {
        raw: None,
        reading: crate::reading::MonitorReading::default(),
        errors: Vec::new(),
        took_ms: 0.0,
        transactions: 1,
        skipped_ticks: 0,
        connects,
        dropped_events: 0,
    };
    let mut owed = Owed { skipped_ticks: 2, ..Owed::default() };
    owed.deliver(event(1), &sender).unwrap();
    owed.deliver(event(2), &sender).unwrap();
    owed.deliver(event(4), &sender).unwrap();
    let first = receiver.recv().await.unwrap();
    assert_eq!((first.skipped_ticks, first.connects, first.dropped_events), (2, 1, 0));
    owed.deliver(event(8), &sender).unwrap();
    let second = receiver.recv().await.unwrap();
    assert_eq!((second.skipped_ticks, second.connects, second.dropped_events), (0, 14, 2));
    drop(receiver);
    assert_eq!(owed.deliver(event(0), &sender), Err(()));
}

/// Jobs for one address, and their receivers.
fn jobs(address: &str, units: &[u8], transport: Transport) -> (Vec<MonitorJob>, Vec<mpsc::Receiver<PollEvent>>) {
    units
        .iter()
        .map(|&unit| {
            let (events, receiver) = mpsc::channel(16);
            let mut monitor = config(address, unit, transport);
            monitor.poll_period = Duration::from_millis(50);
            // Generous, because these tests run on real time and a busy machine.
            monitor.timeout = Duration::from_secs(20);
            (MonitorJob { station: "Heron Point Lift".into(), monitor, events }, receiver)
        })
        .unzip()
}

fn spawn_all(jobs: Vec<MonitorJob>, cancel: &CancellationToken, tracker: &TaskTracker, clock: &Clock) {
    let jobs = jobs.into_iter().map(|job| (job, cancel.clone())).collect();
    spawn(jobs, &mut Links::default(), tracker, clock);
}

#[tokio::test]
async fn monitors_behind_one_address_share_a_socket_in_turn() {
    for transport in [Transport::Tcp, Transport::RtuOverTcp] {
        let (address, log) = on_socket(transport, |asked| Reaction::Words(vec![u16::from(asked.unit) * 100])).await;
        let (jobs, receivers) = jobs(&address, &[1, 2, 3, 4], transport);
        let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
        let told = Instant2 { wall: UnixMs(11), mono: MonoMs(22) };
        spawn_all(jobs, &cancel, &tracker, &Clock::from_fn(move || told));
        let mut connects = 0;
        for (mut receiver, unit) in receivers.into_iter().zip(1u8..) {
            for _ in 0..5 {
                let event = receiver.recv().await.unwrap();
                assert_eq!(event.reading.frequency_hz, Measured::Good(f64::from(unit)), "{:?}", event.errors);
                assert_eq!(event.reading.at, told);
                connects += event.connects;
            }
        }
        assert_eq!(connects, 1);
        assert!(log.all().iter().all(|asked| asked.connection == 1 && asked.function == 4 && asked.first == 7));
        cancel.cancel();
        tracker.close();
        tracker.wait().await;
    }
}

#[tokio::test]
async fn a_device_that_went_away_is_found_again() {
    let up = Arc::new(AtomicBool::new(true));
    let seen = up.clone();
    let (address, _) = on_socket(Transport::Tcp, move |_| {
        if seen.load(Ordering::Relaxed) { Reaction::Words(vec![5000]) } else { Reaction::Close }
    })
    .await;
    let (jobs, mut receivers) = jobs(&address, &[1], Transport::Tcp);
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    spawn_all(jobs, &cancel, &tracker, &Clock::system());
    let events = &mut receivers[0];
    assert_eq!(events.recv().await.unwrap().reading.frequency_hz, Measured::Good(50.0));
    up.store(false, Ordering::Relaxed);
    while events.recv().await.unwrap().reading.frequency_hz != Measured::Failed {}
    up.store(true, Ordering::Relaxed);
    while events.recv().await.unwrap().reading.frequency_hz != Measured::Good(50.0) {}
    cancel.cancel();
    tracker.close();
    tracker.wait().await;
}

#[tokio::test]
async fn a_task_ends_when_nobody_receives_its_events() {
    let (address, _) = on_socket(Transport::Tcp, |_| Reaction::Words(vec![5000])).await;
    let (jobs, receivers) = jobs(&address, &[1, 2], Transport::Tcp);
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    spawn_all(jobs, &cancel, &tracker, &Clock::system());
    drop(receivers);
    tracker.close();
    tracker.wait().await;
}

#[tokio::test(start_paused = true)]
async fn first_polls_are_spread_over_the_period() {
    // Nothing listens at these addresses; what counts is when each monitor first says so.
    let (mut jobs, mut receivers): (Vec<_>, Vec<_>) = (Vec::new(), Vec::new());
    for unit in 0..10 {
        let (events, receiver) = mpsc::channel(4);
        // A name that cannot be parsed fails without a network.
        jobs.push(MonitorJob { station: "S".into(), monitor: config("no address", unit, Transport::Tcp), events });
        receivers.push(receiver);
    }
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    let start = Instant::now();
    let clock = Clock::from_fn(move || Instant2 {
        wall: UnixMs(0),
        mono: MonoMs(u64::try_from(start.elapsed().as_millis()).unwrap()),
    });
    spawn_all(jobs, &cancel, &tracker, &clock);
    let mut at = Vec::new();
    for receiver in &mut receivers {
        at.push(receiver.recv().await.unwrap().reading.at.mono.0);
    }
    let expected: Vec<u64> = (0..10).map(|n| n * 100).collect();
    let off = at.iter().zip(&expected).map(|(at, expected)| at.abs_diff(*expected)).max().unwrap();
    assert!(off <= 5, "{at:?}");
    cancel.cancel();
    tracker.close();
    tracker.wait().await;
}
