//! Every protocol fault over a real socket.

use tokio_util::sync::CancellationToken;
use wattassay_simulators::{
    Bank, FaultFile, ProtocolFile, RegisterImage, RunningImage, SimClock, Transport, serve_image, start_with,
};

use crate::common::{Client, read_request, table_case};

/// Every second request meets the fault; registers 0 to 9 hold 100 to 109.
async fn faulty(fault: FaultFile) -> (RunningImage, CancellationToken, Client) {
    let image = RegisterImage {
        holding_registers: Bank::from_cells((0..10).map(|address| (address, 100 + address))),
        ..RegisterImage::default()
    };
    let protocol = ProtocolFile { faults: vec![FaultFile { every: Some(2), ..fault }], ..ProtocolFile::default() };
    let cancel = CancellationToken::new();
    let listen = "127.0.0.1:0".parse().expect("an address");
    let running = serve_image(listen, 1, Transport::Tcp, image, &protocol, cancel.clone()).await.expect("a free port");
    let mut client = Client::connect(running.address).await;
    assert_eq!(client.ask(&read_request(1, 3, 0, 2)).await, honest(1), "the first request is answered honestly");
    (running, cancel, client)
}

fn fault(kind: &str) -> FaultFile {
    FaultFile { kind: kind.to_owned(), ..FaultFile::default() }
}

fn honest(transaction: u8) -> Vec<u8> {
    vec![0, transaction, 0, 0, 0, 7, 1, 3, 4, 0, 100, 0, 101]
}

#[tokio::test]
async fn silent_gives_no_answer_and_the_next_is_served() {
    let (running, _guard, mut client) = faulty(fault("silent")).await;
    client.send(&read_request(2, 3, 0, 2)).await;
    assert_eq!(client.ask(&read_request(3, 3, 0, 2)).await, honest(3));
    assert_eq!(running.requests(), 3);
}

#[tokio::test]
async fn late_is_overtaken_by_the_next_answer() {
    let (_running, _guard, mut client) = faulty(FaultFile { ms: Some(250), ..fault("late") }).await;
    let mut both = read_request(2, 3, 0, 2);
    both.extend(read_request(3, 3, 0, 2));
    client.send(&both).await;
    assert_eq!(client.receive_frame().await, honest(3));
    assert_eq!(client.receive_frame().await, honest(2));
}

#[tokio::test]
async fn slow_keeps_the_order_and_takes_its_time() {
    let (_running, _guard, mut client) = faulty(FaultFile { ms: Some(60), ..fault("slow") }).await;
    let asked = std::time::Instant::now();
    let mut both = read_request(2, 3, 0, 2);
    both.extend(read_request(3, 3, 0, 2));
    client.send(&both).await;
    assert_eq!(client.receive_frame().await, honest(2));
    assert!(60 <= asked.elapsed().as_millis(), "a lower bound holds on any machine");
    assert_eq!(client.receive_frame().await, honest(3));
}

#[tokio::test]
async fn exception_answers_with_the_code_asked_for() {
    let (_running, _guard, mut client) = faulty(FaultFile { code: Some(6), ..fault("exception") }).await;
    assert_eq!(client.ask(&read_request(2, 3, 0, 2)).await, [0, 2, 0, 0, 0, 3, 1, 0x83, 6]);
}

#[tokio::test]
async fn drop_closes_the_connection_and_a_new_one_is_served() {
    let (running, _guard, mut client) = faulty(fault("drop")).await;
    client.send(&read_request(2, 3, 0, 2)).await;
    assert!(client.is_closed().await);
    let mut again = Client::connect(running.address).await;
    assert_eq!(again.ask(&read_request(3, 3, 0, 2)).await, honest(3));
}

#[tokio::test]
async fn wrong_ids_are_wrong_in_nothing_else() {
    let (_running, _guard, mut client) = faulty(fault("wrong-transaction")).await;
    let frame = client.ask(&read_request(2, 3, 0, 2)).await;
    assert_ne!(frame[..2], [0, 2]);
    assert_eq!(frame[2..], honest(2)[2..]);
    let (_running, _guard, mut client) = faulty(fault("wrong-unit")).await;
    let frame = client.ask(&read_request(2, 3, 0, 2)).await;
    assert_eq!(frame[6], 2);
    assert_eq!((&frame[..6], &frame[7..]), (&honest(2)[..6], &honest(2)[7..]));
}

#[tokio::test]
async fn truncated_stops_half_way() {
    let (_running, _guard, mut client) = faulty(fault("truncated")).await;
    let mut both = read_request(2, 3, 0, 2);
    both.extend(read_request(3, 3, 0, 2));
    client.send(&both).await;
    let mut expected = honest(2)[..6].to_vec();
    expected.extend(honest(3));
    assert_eq!(client.receive(expected.len()).await, expected);
}

#[tokio::test]
async fn garbage_has_the_right_length_and_nothing_else() {
    let (_running, _guard, mut client) = faulty(fault("garbage")).await;
    client.send(&read_request(2, 3, 0, 2)).await;
    let bytes = client.receive(honest(2).len()).await;
    let alike = bytes.iter().zip(honest(2)).filter(|(got, honest)| **got == *honest).count();
    assert!(alike < 4, "{bytes:?}");
}

#[tokio::test]
async fn short_count_is_well_formed_but_too_few() {
    let (_running, _guard, mut client) = faulty(fault("short-count")).await;
    assert_eq!(client.ask(&read_request(2, 3, 0, 2)).await, [0, 2, 0, 0, 0, 5, 1, 3, 2, 0, 100]);
}

#[tokio::test]
async fn frozen_repeats_its_first_values_within_its_time() {
    let mut file = table_case();
    file.pumps[0].schedule[0].at_s = 30.0;
    file.monitors[0].protocol.faults = vec![FaultFile { from_s: Some(10.0), to_s: Some(100.0), ..fault("frozen") }];
    let clock = SimClock::manual(20.0);
    let running = start_with(vec![file], clock.clone(), CancellationToken::new()).await.expect("served");
    let mut client = Client::connect(running.monitors[0].address).await;
    let mut amps = async |t_s: f64| {
        clock.set(t_s);
        let frame = client.ask(&read_request(1, 3, 40_072, 2)).await;
        f32::from_be_bytes([frame[9], frame[10], frame[11], frame[12]])
    };
    assert_eq!(amps(20.0).await, 0.0);
    assert_eq!(amps(60.0).await, 0.0, "the pump runs, the registers stand still");
    assert!((amps(101.0).await - 300.0).abs() < 1.0, "sum of three phases once the fault is over");
}

#[tokio::test]
async fn unknown_faults_are_refused_before_anything_is_served() {
    let mut file = table_case();
    file.monitors[0].protocol.faults = vec![fault("sulky")];
    let error = start_with(vec![file], SimClock::manual(0.0), CancellationToken::new()).await.err();
    assert!(error.is_some_and(|error| error.to_string().contains("sulky")));
}

#[tokio::test]
async fn every_answer_takes_the_delay_of_the_device() {
    let mut file = table_case();
    file.monitors[0].protocol = ProtocolFile { delay_ms: 40, jitter_ms: 10, faults: Vec::new() };
    let running = start_with(vec![file], SimClock::manual(5.0), CancellationToken::new()).await.expect("served");
    let mut client = Client::connect(running.monitors[0].address).await;
    let asked = std::time::Instant::now();
    for transaction in 1..=3 {
        client.ask(&read_request(transaction, 3, 40_000, 2)).await;
    }
    assert!(120 <= asked.elapsed().as_millis(), "a lower bound holds on any machine");
}
