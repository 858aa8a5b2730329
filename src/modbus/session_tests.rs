//! Tests of one monitor's polls against a scripted device, in memory and in paused time.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::*;
use crate::config::model::Transport;
use crate::modbus::error::ExceptionCode;
use crate::modbus::link::Dial;
use crate::modbus::map::{
    Blanking, ByteOrder, Channel, Conventions, Encoding, MeterMap, Point, Quantity, ReadLimits, Target,
};
use crate::modbus::test_device::{Asked, Log, Reaction, on_pipes};
use crate::reading::Measured;

const PERIOD: Duration = Duration::from_secs(1);

/// The current of slot n is the register at `addresses[n]`, in amperes.
fn map(addresses: &[u16]) -> MeterMap {
    let point = |(slot, &address): (usize, &u16)| Point {
        target: Target { quantity: Quantity::Current, channel: Channel::One, slot: u8::try_from(slot).unwrap() },
        function: ReadFunction::HoldingRegisters,
        address,
        encoding: Encoding::U16,
        order: ByteOrder::Abcd,
        scale: 1.0,
        offset: 0.0,
        scale_register: None,
        not_available: Vec::new(),
    };
    MeterMap {
        name: "test".into(),
        title: String::new(),
        slots: u8::try_from(addresses.len()).unwrap(),
        limits: ReadLimits { max_gap: 0, ..ReadLimits::default() },
        conventions: Conventions::default(),
        blanking: Blanking::default(),
        points: addresses.iter().enumerate().map(point).collect(),
    }
}

fn config(unit: u8, transport: Transport, map: MapSource) -> MonitorConfig {
    MonitorConfig {
        name: format!("PM-{unit}"),
        address: "pipe:502".into(),
        unit,
        transport,
        map,
        map_name: "test".into(),
        poll_period: PERIOD,
        timeout: Duration::from_millis(500),
    }
}

fn monitor(unit: u8, link: &Arc<Link>, transport: Transport, addresses: &[u16]) -> Session {
    let config = config(unit, transport, MapSource::Fixed(map(addresses)));
    Session::new("Alder Creek Lift", config, link.clone(), Clock::system())
}

fn link(transport: Transport, script: impl Fn(Asked) -> Reaction + Send + Sync + 'static) -> (Arc<Link>, Log) {
    let (device, log) = on_pipes(transport, script);
    (Arc::new(Link::new("pipe:502".into(), transport, Dial::Pipe(device))), log)
}

/// Register n holds n.
fn own_addresses(asked: Asked) -> Reaction {
    Reaction::Words((asked.first..asked.first + asked.count).collect())
}

fn currents(event: &PollEvent) -> Vec<Measured> {
    event.reading.circuits.iter().map(|circuit| circuit.current_a[0]).collect()
}

fn good(values: &[u16]) -> Vec<Measured> {
    values.iter().map(|&value| Measured::Good(f64::from(value))).collect()
}

/// Polls at the next full second, as the poller would.
async fn tick(session: &mut Session) -> PollEvent {
    let event = session.poll(Instant::now() + PERIOD).await;
    tokio::time::sleep(PERIOD).await;
    event
}

fn errors(event: &PollEvent) -> Vec<String> {
    event.errors.iter().map(ToString::to_string).collect()
}

#[tokio::test(start_paused = true)]
async fn a_poll_brings_every_value_with_the_fewest_reads() {
    let (link, log) = link(Transport::Tcp, own_addresses);
    let mut session = monitor(1, &link, Transport::Tcp, &[10, 11, 500]);
    let event = tick(&mut session).await;
    assert_eq!(currents(&event), good(&[10, 11, 500]));
    assert_eq!((event.transactions, event.connects, event.errors.len()), (2, 1, 0));
    assert_eq!(event.reading.failures, Vec::<String>::new());
    let event = tick(&mut session).await;
    assert_eq!((event.transactions, event.connects), (2, 0));
    assert_eq!(log.ranges(0), [(10, 2), (500, 1), (10, 2), (500, 1)]);
}

#[tokio::test(start_paused = true)]
async fn one_bad_address_costs_its_own_value_only_and_is_told_once() {
    let refuse_13 = |asked: Asked| {
        if (asked.first..asked.first + asked.count).contains(&13) {
            Reaction::Exception(2)
        } else {
            own_addresses(asked)
        }
    };
    let (link, log) = link(Transport::Tcp, refuse_13);
    let addresses: Vec<u16> = (10..18).collect();
    let mut session = monitor(1, &link, Transport::Tcp, &addresses);
    let mut expected = good(&addresses);
    expected[3] = Measured::Failed;

    let event = tick(&mut session).await;
    assert_eq!(currents(&event), expected, "the rest arrives in the very poll that was refused");
    let why = "exception 02 ILLEGAL DATA ADDRESS: the device has no such registers, or not all of this range";
    let device = "Alder Creek Lift / PM-1 (pipe:502, unit 1)";
    let whole = format!("{device}: read holding registers 10-17 (reference 400011-400018): {why}");
    let alone = format!("{device}: read holding register 13 (reference 400014): {why}");
    assert_eq!(errors(&event), [whole, alone.clone()]);
    assert_eq!(event.reading.failures, std::slice::from_ref(&alone));

    let asked = log.all().len();
    let event = tick(&mut session).await;
    assert_eq!(currents(&event), expected);
    assert_eq!(log.ranges(asked), [(10, 2), (14, 4), (12, 1)], "what is refused is not asked for at every poll");
    assert_eq!(errors(&event), Vec::<String>::new());
    assert_eq!(event.reading.failures, [alone], "but every reading says why a value is missing");
}

#[tokio::test(start_paused = true)]
async fn a_refused_register_is_asked_for_again_after_a_while() {
    let appears = Instant::now() + Duration::from_secs(30);
    let script = move |asked: Asked| {
        if asked.first <= 11 && asked.first + asked.count > 11 && asked.at < appears {
            return Reaction::Exception(2);
        }
        own_addresses(asked)
    };
    let (link, _) = link(Transport::Tcp, script);
    let mut session = monitor(1, &link, Transport::Tcp, &[10, 11]);
    let mut seen = Vec::new();
    for _ in 0..70 {
        seen.push(currents(&tick(&mut session).await)[1]);
    }
    assert_eq!(seen[0], Measured::Failed);
    assert_eq!(seen[69], Measured::Good(11.0));
}

#[tokio::test(start_paused = true)]
async fn a_device_that_refuses_everything_recovers_at_the_next_poll() {
    let ready = Arc::new(AtomicBool::new(false));
    let seen = ready.clone();
    let script = move |asked: Asked| {
        if seen.load(Ordering::Relaxed) { own_addresses(asked) } else { Reaction::Exception(2) }
    };
    let (link, log) = link(Transport::Tcp, script);
    let mut session = monitor(1, &link, Transport::Tcp, &[10, 11, 12, 13]);
    assert_eq!(currents(&tick(&mut session).await), [Measured::Failed; 4]);
    let asked = log.all().len();
    assert_eq!(currents(&tick(&mut session).await), [Measured::Failed; 4]);
    assert_eq!(log.ranges(asked), [(10, 4)], "not halved again at every poll");
    ready.store(true, Ordering::Relaxed);
    assert_eq!(currents(&tick(&mut session).await), good(&[10, 11, 12, 13]));
}

#[tokio::test(start_paused = true)]
async fn a_busy_device_is_asked_once_more_and_the_failure_still_told() {
    let script = |asked: Asked| if asked.number == 1 { Reaction::Exception(6) } else { own_addresses(asked) };
    let (link, log) = link(Transport::Tcp, script);
    let event = tick(&mut monitor(1, &link, Transport::Tcp, &[10])).await;
    assert_eq!(currents(&event), good(&[10]));
    assert_eq!(event.errors[0].cause, Cause::Exception(ExceptionCode::SERVER_DEVICE_BUSY));
    assert_eq!((event.errors.len(), event.reading.failures.len(), log.all().len()), (1, 0, 2));
}

#[tokio::test(start_paused = true)]
async fn no_failed_read_is_asked_a_third_time_nor_when_time_is_up() {
    let (link, log) = link(Transport::Tcp, |_| Reaction::Exception(4));
    let mut session = monitor(1, &link, Transport::Tcp, &[10]);
    tick(&mut session).await;
    assert_eq!(log.all().len(), 2);
    // Less than one timeout left.
    session.poll(Instant::now() + Duration::from_millis(499)).await;
    assert_eq!(log.all().len(), 3);
}

#[tokio::test(start_paused = true)]
async fn a_dropped_connection_is_opened_again_within_the_poll() {
    let script = |asked: Asked| if asked.number.is_multiple_of(3) { Reaction::Close } else { own_addresses(asked) };
    let (link, _) = link(Transport::Tcp, script);
    let mut session = monitor(1, &link, Transport::Tcp, &[10]);
    let (mut connects, mut disconnected) = (0, 0);
    for poll in 0..20 {
        let event = tick(&mut session).await;
        assert_eq!(currents(&event), good(&[10]), "poll {poll}");
        connects += event.connects;
        disconnected += event.errors.iter().filter(|error| error.cause == Cause::Disconnected).count();
    }
    assert_eq!((connects, disconnected), (10, 9));
}

#[tokio::test(start_paused = true)]
async fn a_device_that_closes_after_every_answer_is_not_stormed() {
    let script = |asked: Asked| if asked.number % 2 == 1 { own_addresses(asked) } else { Reaction::Close };
    let (link, log) = link(Transport::Tcp, script);
    let mut session = monitor(1, &link, Transport::Tcp, &[10]);
    for _ in 0..600 {
        session.poll(Instant::now() + PERIOD).await;
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let mut opened: Vec<Asked> = log.all();
    opened.dedup_by_key(|asked| asked.connection);
    assert!(opened.len() >= 10, "{} connections", opened.len());
    let gaps: Vec<Duration> = opened.windows(2).map(|pair| pair[1].at - pair[0].at).collect();
    assert!(gaps.iter().all(|gap| *gap >= Duration::from_secs(1)), "{gaps:?}");
}

#[tokio::test(start_paused = true)]
async fn a_late_rtu_answer_is_never_given_to_another_read() {
    // The registers at 100 are always answered late; those at 200 hold other values and come at once.
    let script = |asked: Asked| {
        if asked.first == 100 { Reaction::After(700, vec![0x1111]) } else { Reaction::Words(vec![0x2222]) }
    };
    let (link, log) = link(Transport::RtuOverTcp, script);
    let mut session = monitor(1, &link, Transport::RtuOverTcp, &[100, 200]);
    let (mut right, mut failed) = (0, 0);
    for _ in 0..60 {
        let values = currents(&tick(&mut session).await);
        assert_eq!(values[0], Measured::Failed);
        match values[1] {
            Measured::Good(value) => {
                assert_eq!(value, f64::from(0x2222u16), "the late answer of 100 was taken for that of 200");
                right += 1;
            }
            _ => failed += 1,
        }
    }
    assert!(right >= 25, "the other read keeps its turn: {right} right, {failed} failed");
    let late: Vec<usize> = log.all().iter().filter(|asked| asked.first == 100).map(|asked| asked.connection).collect();
    let mut each_its_own = late.clone();
    each_its_own.dedup();
    assert_eq!(late, each_its_own, "no connection outlives a late answer");
}

#[tokio::test(start_paused = true)]
async fn a_silent_read_costs_the_others_nothing_on_tcp() {
    let script = |asked: Asked| if asked.first == 100 { Reaction::Silent } else { own_addresses(asked) };
    let (link, _) = link(Transport::Tcp, script);
    let mut session = monitor(1, &link, Transport::Tcp, &[10, 100, 200]);
    for _ in 0..10 {
        let event = tick(&mut session).await;
        assert_eq!(currents(&event), [Measured::Good(10.0), Measured::Failed, Measured::Good(200.0)]);
        assert_eq!(event.reading.failures.len(), 1);
        assert!(event.reading.failures[0].contains("read holding register 100"), "{:?}", event.reading.failures);
    }
}

#[tokio::test(start_paused = true)]
async fn a_dead_device_is_given_time_and_every_poll_says_so() {
    let (link, log) = link(Transport::Tcp, |_| Reaction::Silent);
    let mut session = monitor(1, &link, Transport::Tcp, &[10, 100, 200, 300]);
    for _ in 0..300 {
        let event = tick(&mut session).await;
        assert_eq!(currents(&event), [Measured::Failed; 4]);
        assert!(!event.reading.failures.is_empty());
    }
    let asked = log.all();
    // Five minutes at 15 to 30 s each, a few quick ones first, at most two questions each.
    assert!((8..=40).contains(&asked.len()), "{} questions", asked.len());
    let gaps: Vec<Duration> = asked.windows(2).map(|pair| pair[1].at - pair[0].at).collect();
    assert!(gaps.iter().all(|gap| *gap >= Duration::from_secs(1)), "{gaps:?}");
    assert!(gaps.iter().all(|gap| *gap <= Duration::from_secs(34)), "{gaps:?}");
}

#[tokio::test(start_paused = true)]
async fn nobody_listening_is_tried_no_faster_than_once_a_second_and_no_slower_than_twice_a_minute() {
    let (sender, receiver) = tokio::sync::mpsc::unbounded_channel();
    drop(receiver);
    let link = Arc::new(Link::new("pipe:502".into(), Transport::Tcp, Dial::Pipe(sender)));
    let mut session = monitor(1, &link, Transport::Tcp, &[10]);
    let mut attempts = Vec::new();
    let start = Instant::now();
    // Quicker than any real poll, so that only the back-off spaces the attempts.
    while start.elapsed() < Duration::from_mins(5) {
        let event = session.poll(Instant::now() + PERIOD).await;
        assert_eq!(event.transactions, 0);
        assert_eq!(event.reading.failures.len(), 1);
        if !event.errors.is_empty() {
            assert_eq!(event.errors[0].cause, Cause::Connect { reason: "connection refused".into() });
            attempts.push(Instant::now());
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let gaps: Vec<Duration> = attempts.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(attempts.len() > 8, "{} attempts", attempts.len());
    assert!(gaps.iter().all(|gap| *gap >= Duration::from_secs(1) && *gap <= Duration::from_millis(30_100)), "{gaps:?}");
}

#[tokio::test(start_paused = true)]
async fn a_dead_unit_does_not_starve_its_neighbours() {
    // Unit 9 is silent behind a gateway that serves units 1 and 2.
    let script = |asked: Asked| {
        if asked.unit == 9 { Reaction::Silent } else { Reaction::Words(vec![u16::from(asked.unit)]) }
    };
    let (link, log) = link(Transport::Tcp, script);
    let poll_for = |unit: u8| {
        let mut session = monitor(unit, &link, Transport::Tcp, &[10]);
        async move {
            let mut values = Vec::new();
            let mut ticks = tokio::time::interval(PERIOD);
            ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
            for _ in 0..120 {
                let tick = ticks.tick().await;
                values.push(currents(&session.poll(tick + PERIOD).await)[0]);
            }
            values
        }
    };
    let (one, two, dead) = tokio::join!(poll_for(1), poll_for(2), poll_for(9));
    for (unit, values) in [(1.0, one), (2.0, two)] {
        let right = values.iter().filter(|value| **value == Measured::Good(unit)).count();
        let other = values.iter().filter(|value| matches!(value, Measured::Good(v) if *v != unit)).count();
        assert!(right >= 108, "unit {unit} got {right} of 120 readings");
        assert_eq!(other, 0, "a value of another unit");
    }
    assert_eq!(dead, [Measured::Failed; 120]);
    assert!(log.of_unit(9).len() <= 15, "the dead unit was asked {} times", log.of_unit(9).len());
}

#[tokio::test(start_paused = true)]
async fn a_map_that_cannot_be_read_is_said_once_and_marked_always() {
    let (link, log) = link(Transport::Tcp, own_addresses);
    let mut broken = map(&[10]);
    broken.limits.forbidden = vec![(10, 10)];
    let config = config(1, Transport::Tcp, MapSource::Fixed(broken));
    let mut session = Session::new("Alder Creek Lift", config, link, Clock::system());
    let event = tick(&mut session).await;
    assert_eq!(currents(&event), [Measured::Failed]);
    assert_eq!(
        errors(&event),
        ["Alder Creek Lift / PM-1 (pipe:502, unit 1): the register map cannot be read: holding register 10 \
          (reference 400011) must not be read: the map forbids it"]
    );
    let event = tick(&mut session).await;
    assert_eq!((event.errors.len(), event.reading.failures.len(), log.all().len()), (0, 1, 0));
}

/// A SunSpec device whose meter model 203 starts where `meter` says at the time.
fn sunspec_device(meter: impl Fn(Asked) -> u16 + Send + Sync + 'static) -> (Arc<Link>, Log) {
    link(Transport::Tcp, move |asked: Asked| {
        let at = meter(asked);
        let register = |address: u16| match address {
            40000 => Some(0x5375),
            40001 => Some(0x6E53),
            40002 => Some(1),
            40003 => Some(at - 40004),
            _ if address == at => Some(203),
            _ if address == at + 1 => Some(105),
            _ if address == at + 3 => Some(77),
            _ if address > at && address < at + 107 => Some(0),
            40004..=40100 => Some(0x2020),
            _ => None,
        };
        match (asked.first..asked.first + asked.count).map(register).collect() {
            Some(words) => Reaction::Words(words),
            None => Reaction::Exception(2),
        }
    })
}

fn sunspec_monitor(link: &Arc<Link>) -> Session {
    let map = MapSource::SunSpec { conventions: Conventions::default(), blanking: Blanking::default() };
    Session::new("Alder Creek Lift", config(1, Transport::Tcp, map), link.clone(), Clock::system())
}

#[tokio::test(start_paused = true)]
async fn sunspec_is_discovered_once_for_each_connection() {
    // The second connection finds a device whose common model is one register shorter.
    let (device, log) = sunspec_device(|asked| if asked.connection == 1 { 40070 } else { 40069 });
    let mut session = sunspec_monitor(&device);
    assert_eq!(currents(&tick(&mut session).await), good(&[77]));
    assert_eq!(log.ranges(0), [(40000, 2), (40002, 2), (40070, 2), (40073, 52)]);
    assert_eq!(currents(&tick(&mut session).await), good(&[77]));
    assert_eq!(log.ranges(4), [(40073, 52)], "cached");

    // Another monitor's connection trouble: the link is opened anew.
    device
        .read(
            1,
            ReadRequest { function: ReadFunction::HoldingRegisters, first: 40000, count: 2 },
            Deadlines { hard: Duration::ZERO, ..session.deadlines },
        )
        .await;
    assert_eq!(currents(&tick(&mut session).await), good(&[77]));
    let of_second: Vec<(u16, u16)> =
        log.all().iter().filter(|asked| asked.connection == 2).map(|asked| (asked.first, asked.count)).collect();
    assert_eq!(of_second, [(40000, 2), (40002, 2), (40069, 2), (40072, 52)]);
}

#[tokio::test(start_paused = true)]
async fn a_device_without_sunspec_is_said_and_claims_nothing() {
    let (link, log) = link(Transport::Tcp, |_| Reaction::Exception(2));
    let mut session = sunspec_monitor(&link);
    let event = tick(&mut session).await;
    assert_eq!(event.reading.circuits, [CircuitReading::default()]);
    assert_eq!(
        event.reading.failures,
        [
            "Alder Creek Lift / PM-1 (pipe:502, unit 1): read holding registers 0-1 (reference 400001-400002): no SunSpec \
          meter model: the marker \"SunS\" is at none of the addresses 40000, 50000 and 0"
        ]
    );
    assert_eq!(event.errors.len(), 1);
    assert_eq!(log.ranges(0), [(40000, 2), (50000, 2), (0, 2)]);
}
