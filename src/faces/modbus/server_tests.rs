//! Connections over pipes and real sockets: framing, limits, and clients that misbehave.

use proptest::prelude::*;
use tokio::io::{DuplexStream, duplex};
use tokio::sync::watch;

use super::*;
use crate::audit::wiring::Wiring;
use crate::clock::Clock;
use crate::config::address_range::AddressRange;
use crate::config::model::{Config, ServedCircuit};
use crate::modbus::links::Links;
use crate::station::fixtures::{instant, snapshot_after, station_config};
use crate::station::snapshot::SnapshotReader;

const IDLE: Duration = Duration::from_secs(30);

fn config() -> ModbusServerConfig {
    ModbusServerConfig {
        listen: "127.0.0.1:0".parse().unwrap(),
        allow: vec![AddressRange::LOOPBACK_V4],
        max_connections: 3,
        max_connections_per_address: 3,
        requests_per_second: 1000,
        idle_timeout: IDLE,
        audit_unit: 1,
        circuits: vec![ServedCircuit { station: 0, circuit: 0, block: 1, sunspec_unit: Some(11) }],
        pass_through: Vec::new(),
        tls: None,
    }
}

fn units(server: &ModbusServerConfig) -> Arc<Units> {
    let config = Config::of(vec![station_config("Alder Creek Lift")]);
    let (_, receiver) = watch::channel(snapshot_after("Alder Creek Lift", &Wiring::INTENDED));
    let readers = vec![SnapshotReader::new(receiver)];
    Arc::new(Units::new(&config, server, readers, &mut Links::default(), Clock::from_fn(|| instant(7200))))
}

/// One connection over a pipe.
struct Talk {
    client: DuplexStream,
    ended: tokio::task::JoinHandle<Ended>,
    cancel: CancellationToken,
}

fn talk(config: &ModbusServerConfig, room: usize) -> Talk {
    let (client, server) = duplex(room);
    let (units, limits, idle) = (watch::channel(units(config)).1, Limits::new(config), config.idle_timeout);
    let cancel = CancellationToken::new();
    let stop = cancel.clone();
    let ended = tokio::spawn(async move {
        let admitted = limits.admit("127.0.0.1".parse().unwrap(), Instant::now()).unwrap();
        Serving { admitted, units, idle, cancel: stop }.converse(server, &Rights::All).await
    });
    Talk { client, ended, cancel }
}

fn mbap(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut out = transaction.to_be_bytes().to_vec();
    out.extend([0, 0, 0, pdu.len() as u8 + 1, unit]);
    out.extend(pdu);
    out
}

async fn answer<S: AsyncRead + Unpin>(stream: &mut S) -> (u16, u8, Vec<u8>) {
    let mut head = [0; 7];
    stream.read_exact(&mut head).await.unwrap();
    assert_eq!(head[2..4], [0, 0]);
    let mut pdu = vec![0; usize::from(u16::from_be_bytes([head[4], head[5]])) - 1];
    stream.read_exact(&mut pdu).await.unwrap();
    (u16::from_be_bytes([head[0], head[1]]), head[6], pdu)
}

const MARKER: &[u8] = &[3, 0, 0, 0, 1];
const MARKER_TOLD: &[u8] = &[3, 2, 0x57, 0x41];

#[tokio::test(start_paused = true)]
async fn requests_in_one_segment_are_answered_in_order() {
    let mut talk = talk(&config(), 4096);
    let burst: Vec<u8> = (0..16).flat_map(|n| mbap(n, 1, MARKER)).collect();
    talk.client.write_all(&burst).await.unwrap();
    for n in 0..16 {
        assert_eq!(answer(&mut talk.client).await, (n, 1, MARKER_TOLD.to_vec()));
    }
}

#[tokio::test(start_paused = true)]
async fn a_frame_split_at_any_byte_is_put_together() {
    let frame = mbap(7, 1, MARKER);
    let mut talk = talk(&config(), 4096);
    for at in 1..frame.len() {
        talk.client.write_all(&frame[..at]).await.unwrap();
        tokio::time::sleep(Duration::from_millis(100)).await;
        talk.client.write_all(&frame[at..]).await.unwrap();
        assert_eq!(answer(&mut talk.client).await, (7, 1, MARKER_TOLD.to_vec()), "split at {at}");
    }
}

/// Requests on which the Modbus library's server panics or hangs up; here each gets its exception and the connection stays.
#[tokio::test(start_paused = true)]
async fn well_framed_nonsense_gets_an_exception_and_costs_nothing() {
    let mut talk = talk(&config(), 4096);
    for (pdu, code) in [
        (&[15, 0, 0, 0xFF, 0xFF, 1, 0][..], 1),
        (&[16, 0, 0, 0x80, 0, 2, 0, 0], 1),
        (&[23, 0, 0, 0, 1, 0, 0, 0x80, 0, 2, 0, 0], 1),
        (&[5, 0, 0, 0x12, 0x34], 1),
        (&[0x2B, 0x0D, 0, 0], 1),
        (&[0x83, 2], 1),
        (&[3, 0, 0, 0, 1, 9], 3),
        (&[3, 0, 0], 3),
        (&[3, 0, 0, 0, 0], 3),
        (&[3, 0, 0, 0, 126], 3),
    ] {
        talk.client.write_all(&mbap(1, 1, pdu)).await.unwrap();
        assert_eq!(answer(&mut talk.client).await, (1, 1, vec![pdu[0] | 0x80, code]), "{pdu:02X?}");
    }
    talk.client.write_all(&mbap(2, 1, MARKER)).await.unwrap();
    assert_eq!(answer(&mut talk.client).await.2, MARKER_TOLD);
}

#[tokio::test(start_paused = true)]
async fn another_protocol_is_passed_over_in_silence() {
    let mut talk = talk(&config(), 4096);
    let mut other = mbap(1, 1, MARKER);
    other[3] = 1;
    talk.client.write_all(&other).await.unwrap();
    talk.client.write_all(&mbap(2, 1, MARKER)).await.unwrap();
    assert_eq!(answer(&mut talk.client).await.0, 2);
}

#[tokio::test(start_paused = true)]
async fn an_impossible_length_ends_the_connection() {
    for length in [0u16, 1, 255, 65_535] {
        let mut talk = talk(&config(), 4096);
        let [high, low] = length.to_be_bytes();
        talk.client.write_all(&[0, 1, 0, 0, high, low, 1]).await.unwrap();
        assert!(matches!(talk.ended.await.unwrap(), Ended::BadFrame(told) if told.0 == length), "{length}");
    }
}

#[tokio::test(start_paused = true)]
async fn silence_and_half_frames_end_the_connection_in_time() {
    let started = Instant::now();
    let quiet = talk(&config(), 4096);
    assert!(matches!(quiet.ended.await.unwrap(), Ended::Idle(_)));
    assert_eq!(started.elapsed(), IDLE);
    let started = Instant::now();
    let mut half = talk(&config(), 4096);
    half.client.write_all(&[0, 1, 0, 0, 0, 254, 1, 3]).await.unwrap();
    assert!(matches!(half.ended.await.unwrap(), Ended::HalfFrame));
    assert_eq!(started.elapsed(), FRAME_TIME);
}

#[tokio::test(start_paused = true)]
async fn a_client_that_takes_no_answers_is_let_go() {
    let mut talk = talk(&config(), 32);
    let asking =
        tokio::spawn(async move { while talk.client.write_all(&mbap(1, 1, &[3, 0, 200, 0, 100])).await.is_ok() {} });
    assert!(matches!(talk.ended.await.unwrap(), Ended::NotRead));
    asking.await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn who_asks_too_often_is_told_busy() {
    let mut talk = talk(&ModbusServerConfig { requests_per_second: 5, ..config() }, 4096);
    let burst: Vec<u8> = (0..7).flat_map(|n| mbap(n, 1, MARKER)).collect();
    talk.client.write_all(&burst).await.unwrap();
    for n in 0..7 {
        let want = if n < 5 { MARKER_TOLD.to_vec() } else { vec![0x83, 6] };
        assert_eq!(answer(&mut talk.client).await, (n, 1, want));
    }
    tokio::time::sleep(Duration::from_millis(250)).await;
    talk.client.write_all(&mbap(9, 1, MARKER)).await.unwrap();
    assert_eq!(answer(&mut talk.client).await.2, MARKER_TOLD);
}

#[tokio::test(start_paused = true)]
async fn the_daemons_end_ends_connections() {
    let talk = talk(&config(), 4096);
    talk.cancel.cancel();
    assert!(matches!(talk.ended.await.unwrap(), Ended::Stopping));
}

struct Served {
    address: SocketAddr,
    cancel: CancellationToken,
    tracker: TaskTracker,
}

async fn serve(config: &ModbusServerConfig) -> Served {
    let server = BoundModbusServer::bind(config).await.unwrap();
    let address = server.address();
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    tracker.spawn(server.serve(watch::channel(units(config)).1, cancel.clone(), tracker.clone()));
    Served { address, cancel, tracker }
}

#[tokio::test]
async fn past_the_limit_the_idlest_connection_of_the_address_goes() {
    let served = serve(&config()).await;
    let mut clients = Vec::new();
    for _ in 0..3 {
        let mut client = TcpStream::connect(served.address).await.unwrap();
        client.write_all(&mbap(1, 1, MARKER)).await.unwrap();
        assert_eq!(answer(&mut client).await.2, MARKER_TOLD);
        clients.push(client);
    }
    let mut fourth = TcpStream::connect(served.address).await.unwrap();
    fourth.write_all(&mbap(4, 1, MARKER)).await.unwrap();
    assert_eq!(answer(&mut fourth).await.2, MARKER_TOLD);
    assert_eq!(clients[0].read(&mut [0; 1]).await.unwrap(), 0, "the first one was closed");
    clients[1].write_all(&mbap(5, 1, MARKER)).await.unwrap();
    assert_eq!(answer(&mut clients[1]).await.2, MARKER_TOLD);
    served.cancel.cancel();
    served.tracker.close();
    tokio::time::timeout(Duration::from_secs(10), served.tracker.wait()).await.expect("all connections end");
}

#[tokio::test]
async fn who_is_not_on_the_list_is_shown_the_door() {
    let served = serve(&ModbusServerConfig { allow: vec!["192.0.2.0/24".parse().unwrap()], ..config() }).await;
    let mut client = TcpStream::connect(served.address).await.unwrap();
    let _ = client.write_all(&mbap(1, 1, MARKER)).await;
    assert!(matches!(client.read(&mut [0; 1]).await, Ok(0) | Err(_)), "not one byte is answered");
    served.cancel.cancel();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Random bytes in random pieces: never a panic, and every answer is a well-formed frame.
    #[test]
    fn any_stream_of_bytes_is_survived(
        frames in proptest::collection::vec((any::<bool>(), proptest::collection::vec(any::<u8>(), 1..40)), 1..20),
        piece in 1usize..50,
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
        let out = runtime.block_on(async {
            let mut bytes = Vec::new();
            for (framed, content) in &frames {
                if *framed {
                    bytes.extend(mbap(1, content[0] & 1, content));
                } else {
                    bytes.extend(content);
                }
            }
            let Talk { client, ended, .. } = talk(&config(), 1 << 20);
            let (mut reader, mut writer) = tokio::io::split(client);
            for part in bytes.chunks(piece) {
                if writer.write_all(part).await.is_err() {
                    break;
                }
            }
            let _ = writer.shutdown().await;
            let _ = ended.await.expect("no panic");
            let mut out = Vec::new();
            let _ = reader.read_to_end(&mut out).await;
            out
        });
        let mut rest = &out[..];
        while !rest.is_empty() {
            prop_assert!(rest.len() >= 9 && rest[2] == 0 && rest[3] == 0, "{:02X?}", rest);
            let length = usize::from(u16::from_be_bytes([rest[4], rest[5]]));
            prop_assert!((3..=254).contains(&length) && rest.len() >= 6 + length);
            rest = &rest[6 + length..];
        }
    }
}
