//! Guests against a scripted device on pipes, in paused time.

use std::sync::atomic::{AtomicUsize, Ordering};

use super::*;
use crate::config::model::Transport;
use crate::modbus::link::Dial;
use crate::modbus::map::{Blanking, Conventions, MeterMap, ReadFunction, ReadLimits};
use crate::modbus::test_device::{Asked, Log, Reaction, on_pipes};

fn guest(
    max_age_ms: u64,
    forbidden: Vec<(u16, u16)>,
    script: impl Fn(Asked) -> Reaction + Send + Sync + 'static,
) -> (Arc<Guest>, Log) {
    let (device, log) = on_pipes(Transport::Tcp, script);
    let link = Arc::new(Link::new("pipe:502".into(), Transport::Tcp, Dial::Pipe(device)));
    let map = MeterMap {
        name: "test".into(),
        title: String::new(),
        slots: 1,
        limits: ReadLimits { forbidden, ..ReadLimits::default() },
        conventions: Conventions::default(),
        blanking: Blanking::default(),
        points: Vec::new(),
    };
    let monitor = MonitorConfig {
        name: "PM-1".into(),
        address: "pipe:502".into(),
        unit: 7,
        transport: Transport::Tcp,
        map: MapSource::Fixed(map),
        map_name: "test".into(),
        poll_period: Duration::from_secs(1),
        timeout: Duration::from_millis(500),
    };
    (Arc::new(Guest::new(&monitor, link, Duration::from_millis(max_age_ms))), log)
}

fn at(first: u16) -> ReadRequest {
    ReadRequest { function: ReadFunction::HoldingRegisters, first, count: 1 }
}

fn word(word: u16) -> Block {
    Block::Registers(vec![word])
}

async fn together(guest: &Arc<Guest>, firsts: impl IntoIterator<Item = u16>) -> Vec<Result<Block, ExceptionCode>> {
    let asking: Vec<_> = firsts
        .into_iter()
        .map(|first| {
            let guest = Arc::clone(guest);
            tokio::spawn(async move { guest.read(at(first)).await })
        })
        .collect();
    let mut all = Vec::new();
    for one in asking {
        all.push(one.await.unwrap());
    }
    all
}

#[tokio::test(start_paused = true)]
async fn ten_masters_cost_the_monitor_one_read() {
    let (guest, log) = guest(1000, Vec::new(), |asked| Reaction::After(100, vec![asked.number as u16]));
    assert_eq!(together(&guest, [5; 10]).await, vec![Ok(word(1)); 10]);
    assert_eq!(log.all().len(), 1);
    assert_eq!(log.all()[0].unit, 7);
}

#[tokio::test(start_paused = true)]
async fn an_answer_is_given_again_until_it_is_too_old() {
    let (guest, log) = guest(1000, Vec::new(), |asked| Reaction::Words(vec![asked.number as u16]));
    assert_eq!(guest.read(at(5)).await, Ok(word(1)));
    tokio::time::advance(Duration::from_millis(990)).await;
    assert_eq!(guest.read(at(5)).await, Ok(word(1)));
    tokio::time::advance(Duration::from_millis(20)).await;
    assert_eq!(guest.read(at(5)).await, Ok(word(2)));
    assert_eq!(log.all().len(), 2);
}

#[tokio::test(start_paused = true)]
async fn the_monitors_own_exception_is_handed_on_and_asked_for_anew() {
    let (guest, log) = guest(1000, Vec::new(), |_| Reaction::Exception(2));
    for _ in 0..2 {
        assert_eq!(guest.read(at(5)).await, Err(ExceptionCode::ILLEGAL_DATA_ADDRESS));
        tokio::time::advance(Duration::from_millis(1)).await;
    }
    assert_eq!(log.all().len(), 2, "only an answer is kept");
}

#[tokio::test(start_paused = true)]
async fn silence_is_0b_shared_by_all_who_waited_and_then_the_monitor_is_left_alone() {
    let (guest, log) = guest(1000, Vec::new(), |_| Reaction::Silent);
    let failed: Result<Block, ExceptionCode> = Err(ExceptionCode::GATEWAY_TARGET_FAILED);
    let started = Instant::now();
    assert_eq!(together(&guest, [5; 10]).await, vec![failed.clone(); 10]);
    assert_eq!(log.all().len(), 1);
    assert_eq!(started.elapsed(), Duration::from_secs(1), "one hard deadline, not ten");
    for _ in 0..20 {
        assert_eq!(guest.read(at(5)).await, failed);
    }
    assert!(log.all().len() <= 2, "{} questions to a silent device", log.all().len());
}

#[tokio::test(start_paused = true)]
async fn an_old_answer_is_never_given_when_the_monitor_has_gone_silent() {
    let (guest, _) =
        guest(1000, Vec::new(), |asked| if asked.number == 1 { Reaction::Words(vec![9]) } else { Reaction::Silent });
    assert_eq!(guest.read(at(5)).await, Ok(word(9)));
    tokio::time::advance(Duration::from_millis(1001)).await;
    assert_eq!(guest.read(at(5)).await, Err(ExceptionCode::GATEWAY_TARGET_FAILED));
}

/// However many guests stand in line, one who comes to the link by himself waits for one of them only.
#[tokio::test(start_paused = true)]
async fn a_poll_waits_for_one_guest_and_no_more() {
    let (guest, log) = guest(0, Vec::new(), |asked| Reaction::After(100, vec![asked.first]));
    let crowd = Arc::clone(&guest);
    let crowd = tokio::spawn(async move { together(&crowd, 0..20).await });
    while log.all().is_empty() {
        tokio::task::yield_now().await;
    }
    let answer = guest.link.read(7, at(500), guest.deadlines).await;
    assert_eq!(answer.result, Ok(Block::Registers(vec![500])));
    let asked: Vec<u16> = log.all().iter().map(|asked| asked.first).collect();
    assert!(asked.iter().position(|first| *first == 500).unwrap() <= 2, "{asked:?}");
    assert_eq!(crowd.await.unwrap(), (0..20).map(|n| Ok(word(n))).collect::<Vec<_>>());
}

#[tokio::test(start_paused = true)]
async fn a_master_that_hangs_up_does_not_tear_the_connection() {
    let (guest, log) = guest(1000, Vec::new(), |asked| Reaction::After(100, vec![asked.number as u16]));
    let gone = tokio::time::timeout(Duration::from_millis(10), guest.read(at(5))).await;
    assert!(gone.is_err());
    assert_eq!(guest.read(at(5)).await, Ok(word(1)), "the answer it did not wait for");
    assert_eq!(guest.read(at(6)).await, Ok(word(2)));
    assert_eq!(log.all().last().unwrap().connection, 1);
}

#[tokio::test(start_paused = true)]
async fn forbidden_registers_are_not_touched() {
    let (guest, log) = guest(1000, vec![(100, 110)], |asked| Reaction::Words(vec![asked.first; asked.count.into()]));
    for (first, count) in [(100, 1), (110, 1), (90, 11), (50, 125)] {
        let request = ReadRequest { function: ReadFunction::HoldingRegisters, first, count };
        assert_eq!(guest.read(request).await, Err(ExceptionCode::ILLEGAL_DATA_ADDRESS));
    }
    assert!(log.all().is_empty());
    assert_eq!(guest.read(at(99)).await, Ok(word(99)));
}

#[tokio::test(start_paused = true)]
async fn what_is_remembered_is_bounded() {
    let asked = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&asked);
    let (guest, _) = guest(500, Vec::new(), move |_| {
        count.fetch_add(1, Ordering::Relaxed);
        Reaction::Words(vec![1])
    });
    for first in 0..MOST_QUESTIONS as u16 {
        assert_eq!(guest.read(at(first)).await, Ok(word(1)));
    }
    assert_eq!(guest.read(at(1000)).await, Err(ExceptionCode::SERVER_DEVICE_BUSY));
    tokio::time::advance(Duration::from_secs(1)).await;
    assert_eq!(guest.read(at(1000)).await, Ok(word(1)), "old answers make room");
    assert!(held(&guest.questions).len() <= MOST_QUESTIONS);
    assert_eq!(asked.load(Ordering::Relaxed), MOST_QUESTIONS + 1);
}
