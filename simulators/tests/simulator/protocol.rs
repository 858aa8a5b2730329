//! The Modbus server on real sockets: published frames, limits, split frames, shared listeners.

use tokio_util::sync::CancellationToken;
use wattassay_simulators::{
    Bank, ProtocolFile, RegisterImage, RunningImage, SimClock, Transport, serve_image, start, start_with,
};

use crate::common::{Client, read_request, table_case};

async fn serve(image: RegisterImage, unit: u8, transport: Transport) -> (RunningImage, CancellationToken) {
    let cancel = CancellationToken::new();
    let listen = "127.0.0.1:0".parse().expect("an address");
    let running = serve_image(listen, unit, transport, image, &ProtocolFile::default(), cancel.clone())
        .await
        .expect("a free port");
    (running, cancel)
}

fn standard_image() -> RegisterImage {
    let bits = |first: u16, bytes: &[u8], count: u16| {
        Bank::from_cells((0..count).map(|bit| (first + bit, u16::from(bytes[usize::from(bit / 8)] >> (bit % 8) & 1))))
    };
    RegisterImage {
        coils: bits(0x13, &[0xCD, 0x6B, 0x05], 19),
        discrete_inputs: bits(0xC4, &[0xAC, 0xDB, 0x35], 22),
        holding_registers: Bank::from_cells([(4, 5), (0x6B, 555), (0x6C, 0), (0x6D, 100)]),
        input_registers: Bank::from_cells([(8, 10)]),
        max_registers: None,
    }
}

/// V1.1b3 clauses 6.1 to 6.4 in MBAP frames, and the worked frames of the TCP guides.
#[tokio::test]
async fn published_exchanges_byte_for_byte() {
    let (running, _guard) = serve(standard_image(), 9, Transport::Tcp).await;
    let mut client = Client::connect(running.address).await;
    for (request, response) in [
        (&[0, 1, 0, 0, 0, 6, 9, 1, 0, 0x13, 0, 0x13][..], &[0, 1, 0, 0, 0, 6, 9, 1, 3, 0xCD, 0x6B, 0x05][..]),
        (&[0, 2, 0, 0, 0, 6, 9, 2, 0, 0xC4, 0, 0x16], &[0, 2, 0, 0, 0, 6, 9, 2, 3, 0xAC, 0xDB, 0x35]),
        (&[0, 3, 0, 0, 0, 6, 9, 3, 0, 0x6B, 0, 3], &[0, 3, 0, 0, 0, 9, 9, 3, 6, 2, 0x2B, 0, 0, 0, 0x64]),
        (&[0, 4, 0, 0, 0, 6, 9, 4, 0, 8, 0, 1], &[0, 4, 0, 0, 0, 5, 9, 4, 2, 0, 0x0A]),
        (&[0, 0, 0, 0, 0, 6, 9, 3, 0, 4, 0, 1], &[0, 0, 0, 0, 0, 5, 9, 3, 2, 0, 5]),
        (&[0x15, 1, 0, 0, 0, 6, 0xFF, 3, 0, 4, 0, 1], &[0x15, 1, 0, 0, 0, 5, 0xFF, 3, 2, 0, 5]),
        (&[0, 5, 0, 0, 0, 6, 9, 1, 4, 0xA1, 0, 1], &[0, 5, 0, 0, 0, 3, 9, 0x81, 2]),
    ] {
        assert_eq!(client.ask(request).await, response);
    }
    assert_eq!(running.requests(), 7);
}

#[tokio::test]
async fn limits_addresses_and_writes_get_their_exceptions() {
    let (running, _guard) = serve(standard_image(), 1, Transport::Tcp).await;
    let mut client = Client::connect(running.address).await;
    for (request, exception) in [
        (read_request(1, 3, 0x6B, 0), [0x83, 3]),
        (read_request(2, 3, 0x6B, 126), [0x83, 3]),
        (read_request(3, 1, 0x13, 2001), [0x81, 3]),
        (read_request(4, 3, 0x6B, 4), [0x83, 2]),
        (read_request(5, 4, 0xFFFF, 2), [0x84, 2]),
        (read_request(6, 6, 0x6B, 3), [0x86, 1]),
        (read_request(7, 5, 0x13, 0xFF00), [0x85, 1]),
        (vec![0, 8, 0, 0, 0, 9, 1, 16, 0, 0x6B, 0, 1, 2, 0, 9], [0x90, 1]),
        (vec![0, 9, 0, 0, 0, 5, 1, 0x2B, 0x0E, 1, 0], [0xAB, 1]),
        (vec![0, 10, 0, 0, 0, 4, 1, 3, 0, 0x6B], [0x83, 3]),
    ] {
        assert_eq!(client.ask(&request).await[7..], exception, "{request:?}");
    }
    assert_eq!(client.ask(&read_request(11, 3, 0x6B, 1)).await[9..], [2, 0x2B], "nothing was written");
}

#[tokio::test]
async fn frames_in_pieces_and_frames_together_are_both_understood() {
    let (running, _guard) = serve(standard_image(), 1, Transport::Tcp).await;
    let mut client = Client::connect(running.address).await;
    let request = read_request(1, 3, 0x6B, 3);
    for byte in &request {
        client.send(std::slice::from_ref(byte)).await;
        tokio::task::yield_now().await;
    }
    assert_eq!(client.receive_frame().await[..2], [0, 1]);
    let mut many: Vec<u8> = (2..7).flat_map(|transaction| read_request(transaction, 3, 0x6B, 1)).collect();
    // A frame of another protocol in between is dropped without an answer.
    many.extend([0, 9, 0, 1, 0, 6, 1, 3, 0, 0x6B, 0, 1]);
    many.extend(read_request(7, 3, 0x6B, 1));
    client.send(&many).await;
    for transaction in 2..=7 {
        assert_eq!(client.receive_frame().await[..2], [0, transaction]);
    }
}

#[tokio::test]
async fn half_a_frame_or_nonsense_harms_no_other_connection() {
    let (running, _guard) = serve(standard_image(), 1, Transport::Tcp).await;
    let mut half = Client::connect(running.address).await;
    half.send(&read_request(1, 3, 0x6B, 3)[..9]).await;
    let mut nonsense = Client::connect(running.address).await;
    nonsense.send(&[0xFF; 40]).await;
    assert!(nonsense.is_closed().await, "an impossible length ends the connection");
    let mut good = Client::connect(running.address).await;
    assert_eq!(good.ask(&read_request(2, 3, 0x6B, 1)).await[9..], [2, 0x2B]);
    half.send(&read_request(1, 3, 0x6B, 3)[9..]).await;
    assert_eq!(half.receive_frame().await.len(), 15, "the half frame was waited for");
}

fn with_crc(body: &[u8]) -> Vec<u8> {
    let mut register = 0xFFFFu16;
    for byte in body {
        register ^= u16::from(*byte);
        for _ in 0..8 {
            let out = register & 1;
            register >>= 1;
            if out == 1 {
                register ^= 0xA001;
            }
        }
    }
    let mut frame = body.to_vec();
    frame.extend([(register & 0xFF) as u8, (register >> 8) as u8]);
    frame
}

#[tokio::test]
async fn rtu_frames_travel_over_tcp_with_their_crc() {
    let (running, _guard) = serve(standard_image(), 0x11, Transport::RtuOverTcp).await;
    let mut client = Client::connect(running.address).await;
    let response = with_crc(&[0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64]);
    let request = with_crc(&[0x11, 3, 0, 0x6B, 0, 3]);
    assert_eq!(request[6..], [0x76, 0x87], "published CRC");
    client.send(&request).await;
    assert_eq!(client.receive(response.len()).await, response);
    for byte in &request {
        client.send(std::slice::from_ref(byte)).await;
    }
    assert_eq!(client.receive(response.len()).await, response, "byte by byte");
    client.send(&with_crc(&[0x11, 6, 0, 0x6B, 0, 3])).await;
    assert_eq!(client.receive(5).await, with_crc(&[0x11, 0x86, 1]), "writes are refused");
    // Another unit, a broadcast: silence. The next answer is that of the request after them.
    client.send(&with_crc(&[0x12, 3, 0, 0x6B, 0, 3])).await;
    client.send(&with_crc(&[0, 3, 0, 0x6B, 0, 3])).await;
    client.send(&with_crc(&[0x11, 3, 0, 4, 0, 1])).await;
    assert_eq!(client.receive(7).await, with_crc(&[0x11, 3, 2, 0, 5]));
}

#[tokio::test]
async fn a_damaged_rtu_frame_is_not_answered() {
    let (running, _guard) = serve(standard_image(), 0x11, Transport::RtuOverTcp).await;
    let mut damaged = with_crc(&[0x11, 3, 0, 0x6B, 0, 3]);
    damaged[4] ^= 1;
    let mut client = Client::connect(running.address).await;
    // Damaged and good in one piece: the boundary is lost, so both are dropped and neither is counted.
    damaged.extend(with_crc(&[0x11, 3, 0, 4, 0, 1]));
    client.send(&damaged).await;
    let mut other = Client::connect(running.address).await;
    other.send(&with_crc(&[0x11, 3, 0, 4, 0, 1])).await;
    assert_eq!(other.receive(7).await, with_crc(&[0x11, 3, 2, 0, 5]));
    assert_eq!(running.requests(), 1);
}

#[tokio::test]
async fn monitors_share_a_listener_by_unit_and_strangers_get_the_gateway_exception() {
    // A port that was free a moment ago; the shared-listener rule needs a written, non-zero port.
    let port = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("bound").port();
    let mut file = table_case();
    file.monitors[0].listen = format!("127.0.0.1:{port}");
    let mut second = file.monitors[0].clone();
    second.name = "PM-2".to_owned();
    second.unit = 2;
    second.map = "sunspec-203".to_owned();
    file.monitors.push(second);
    let cancel = CancellationToken::new();
    let running = start(vec![file.clone()], cancel.clone()).await.expect("served");
    assert_eq!(running.monitors[0].address, running.monitors[1].address);
    let mut client = Client::connect(running.monitors[0].address).await;
    for (unit, model) in [(1, 213), (2, 203)] {
        let mut request = read_request(5, 3, 40_070, 1);
        request[6] = unit;
        assert_eq!(client.ask(&request).await[9..], [0, model]);
    }
    let mut request = read_request(6, 3, 40_070, 1);
    request[6] = 77;
    assert_eq!(client.ask(&request).await[7..], [0x83, 0x0B]);
    assert_eq!((running.monitors[0].requests(), running.monitors[1].requests()), (1, 1));
    cancel.cancel();
    running.stopped().await;
    file.monitors[1].unit = 1;
    assert!(start(vec![file], CancellationToken::new()).await.is_err_and(|error| error.to_string().contains("unit 1")));
}

#[tokio::test]
async fn registers_follow_the_stations_clock() {
    let mut file = table_case();
    file.pumps[0].schedule[0].at_s = 50.0;
    let cancel = CancellationToken::new();
    let clock = SimClock::manual(10.0);
    let running = start_with(vec![file], clock.clone(), cancel).await.expect("served");
    let mut client = Client::connect(running.monitors[0].address).await;
    let mut watts = async || {
        let frame = client.ask(&read_request(1, 3, 40_098, 2)).await;
        f32::from_be_bytes([frame[9], frame[10], frame[11], frame[12]])
    };
    assert_eq!(watts().await, 0.0);
    clock.set(60.0);
    assert!((watts().await - 70_635.0).abs() < 20.0);
}

/// A map file beside the station file: coils, discrete inputs and both register tables, read over the socket.
#[tokio::test]
async fn a_map_file_of_ones_own_is_served_from_all_four_tables() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("maps")).expect("made");
    let map = r#"
version = 1
name = "own"
addressing = "reference-5"
byte_order = "CDAB"
[[points]]
quantity = "run-status"
function = 1
address = 3
type = "bit"
[[points]]
quantity = "run-status"
function = 2
address = 10005
type = "bit"
[[points]]
quantity = "active-power"
function = 3
address = 40001
type = "f32"
unit = "kW"
[[points]]
quantity = "current"
channel = "3"
function = 4
address = 30010
type = "bcd16"
unit = "A"
scale = 0.1
"#;
    std::fs::write(folder.path().join("maps/own.toml"), map).expect("written");
    let text = crate::common::TABLE_CASE.replace("sunspec-213", "maps/own.toml");
    std::fs::write(folder.path().join("station.toml"), text).expect("written");
    let file = wattassay_simulators::StationFile::read(&folder.path().join("station.toml")).expect("a good station");
    let running = start_with(vec![file], SimClock::manual(20.0), CancellationToken::new()).await.expect("served");
    let mut client = Client::connect(running.monitors[0].address).await;
    assert_eq!(client.ask(&read_request(1, 1, 2, 1)).await[7..], [1, 1, 1]);
    assert_eq!(client.ask(&read_request(2, 2, 4, 1)).await[7..], [2, 1, 1]);
    let frame = client.ask(&read_request(3, 3, 0, 2)).await;
    let kilowatts = f32::from_be_bytes([frame[11], frame[12], frame[9], frame[10]]);
    assert!((kilowatts - 70.635).abs() < 0.02, "low word first: {kilowatts}");
    assert_eq!(client.ask(&read_request(4, 4, 9, 1)).await[7..], [4, 2, 0x10, 0x00], "100.0 A in decimal digits");
    assert_eq!(client.ask(&read_request(5, 4, 8, 1)).await[7..], [0x84, 2]);
}
