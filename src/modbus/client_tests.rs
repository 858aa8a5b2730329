//! Tests of one connection: published frames byte for byte, and everything known to put a client out of step.
//! Both ends of a pipe are held here and time is paused, so no test waits or guesses.

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};

use super::*;
use crate::modbus::test_device::{mbap, rtu_frame};

const DEADLINES: Deadlines =
    Deadlines { connect: Duration::from_secs(1), soft: Duration::from_millis(500), hard: Duration::from_secs(2) };
const CLOSING: Deadlines = Deadlines { hard: Duration::from_millis(500), ..DEADLINES };

fn ask(function: ReadFunction, first: u16, count: u16) -> ReadRequest {
    ReadRequest { function, first, count }
}

fn holding(first: u16, count: u16) -> ReadRequest {
    ask(ReadFunction::HoldingRegisters, first, count)
}

fn pair(transport: Transport) -> (Connection, DuplexStream) {
    let (ours, theirs) = duplex(4096);
    (Connection::attach(ours, transport), theirs)
}

/// What the device does with one question of `length` bytes: waits, then sends. Returns the question and the device.
async fn device(mut stream: DuplexStream, length: usize, after_ms: u64, reply: &[u8]) -> (Vec<u8>, DuplexStream) {
    let mut question = vec![0; length];
    stream.read_exact(&mut question).await.unwrap();
    tokio::time::sleep(Duration::from_millis(after_ms)).await;
    stream.write_all(reply).await.unwrap();
    (question, stream)
}

/// One exchange on a fresh Modbus/TCP connection.
async fn exchange(
    unit: u8,
    request: ReadRequest,
    after_ms: u64,
    reply: &[u8],
) -> (Vec<u8>, Option<Connection>, Result<Block, Cause>) {
    let (connection, stream) = pair(Transport::Tcp);
    let (sent, (kept, result)) =
        tokio::join!(device(stream, 12, after_ms, reply), connection.read(unit, request, DEADLINES));
    (sent.0, kept, result)
}

#[tokio::test(start_paused = true)]
async fn the_published_read_frames_byte_for_byte() {
    // V1.1b3, clauses 6.1 to 6.4: request PDU, response PDU, and what the prose says they mean.
    let bits = |text: &str| Block::Bits(text.chars().filter(|c| *c != ' ').map(|c| c == '1').collect());
    for (request, question, reply, expected) in [
        (
            ask(ReadFunction::Coils, 0x13, 0x13),
            vec![0x01, 0x00, 0x13, 0x00, 0x13],
            vec![0x01, 0x03, 0xCD, 0x6B, 0x05],
            bits("10110011 11010110 101"),
        ),
        (
            ask(ReadFunction::DiscreteInputs, 0xC4, 22),
            vec![0x02, 0x00, 0xC4, 0x00, 0x16],
            vec![0x02, 0x03, 0xAC, 0xDB, 0x35],
            bits("00110101 11011011 101011"),
        ),
        (
            holding(0x6B, 3),
            vec![0x03, 0x00, 0x6B, 0x00, 0x03],
            vec![0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64],
            Block::Registers(vec![555, 0, 100]),
        ),
        (
            ask(ReadFunction::InputRegisters, 8, 1),
            vec![0x04, 0x00, 0x08, 0x00, 0x01],
            vec![0x04, 0x02, 0x00, 0x0A],
            Block::Registers(vec![10]),
        ),
    ] {
        let (sent, kept, result) = exchange(17, request, 0, &mbap(0, 17, &reply)).await;
        assert_eq!(sent, mbap(0, 17, &question));
        assert_eq!(result, Ok(expected));
        assert!(kept.is_some());

        let (connection, stream) = pair(Transport::RtuOverTcp);
        let reply = rtu_frame(17, &reply);
        let (sent, (kept, result)) = tokio::join!(device(stream, 8, 0, &reply), connection.read(17, request, CLOSING));
        assert_eq!(sent.0, rtu_frame(17, &question));
        assert!(result.is_ok() && kept.is_some());
    }
}

#[test]
fn the_crc_of_these_tests_is_the_published_one() {
    assert_eq!(rtu_frame(0x02, &[0x07]), [0x02, 0x07, 0x41, 0x12]);
    assert_eq!(rtu_frame(0x11, &[0x03, 0x00, 0x6B, 0x00, 0x03])[6..], [0x76, 0x87]);
}

#[tokio::test(start_paused = true)]
async fn the_worked_frame_pair_of_1999() {
    let reply = [0x00, 0x00, 0x00, 0x00, 0x00, 0x05, 0x09, 0x03, 0x02, 0x00, 0x05];
    let (sent, _, result) = exchange(9, holding(4, 1), 0, &reply).await;
    assert_eq!(sent, [0x00, 0x00, 0x00, 0x00, 0x00, 0x06, 0x09, 0x03, 0x00, 0x04, 0x00, 0x01]);
    assert_eq!(result, Ok(Block::Registers(vec![5])));
}

#[tokio::test(start_paused = true)]
async fn the_worked_frame_of_the_messaging_guide_after_0x1501_transactions() {
    let (connection, mut stream) = pair(Transport::Tcp);
    let device = async move {
        for transaction in 0..=0x1501u16 {
            let mut question = [0; 12];
            stream.read_exact(&mut question).await.unwrap();
            if transaction == 0x1501 {
                // Clause 4.4.1.2: read register 5 of unit 255.
                assert_eq!(question, [0x15, 0x01, 0x00, 0x00, 0x00, 0x06, 0xFF, 0x03, 0x00, 0x04, 0x00, 0x01]);
            }
            stream.write_all(&mbap(transaction, 0xFF, &[3, 2, 0, 1])).await.unwrap();
        }
    };
    let client = async move {
        let mut kept = Some(connection);
        for _ in 0..=0x1501 {
            let (connection, result) = kept.take().unwrap().read(0xFF, holding(4, 1), DEADLINES).await;
            assert_eq!(result, Ok(Block::Registers(vec![1])));
            kept = connection;
        }
    };
    tokio::join!(device, client);
}

#[tokio::test(start_paused = true)]
async fn an_exception_is_an_error_with_its_name_and_the_connection_stays() {
    // Clause 7: read output 1185, which does not exist.
    let (sent, kept, result) = exchange(1, ask(ReadFunction::Coils, 0x04A1, 1), 0, &mbap(0, 1, &[0x81, 0x02])).await;
    assert_eq!(sent[7..], [0x01, 0x04, 0xA1, 0x00, 0x01]);
    assert_eq!(result, Err(Cause::Exception(ExceptionCode::ILLEGAL_DATA_ADDRESS)));
    assert!(kept.is_some());
}

#[tokio::test(start_paused = true)]
async fn late_is_not_used_and_later_still_closes() {
    let reply = mbap(0, 1, &[3, 2, 0, 1]);
    let (_, kept, result) = exchange(1, holding(0, 1), 700, &reply).await;
    assert_eq!(result, Err(Cause::Late { after_ms: 700, limit_ms: 500 }));
    assert!(kept.is_some(), "the answer is off the wire, so the connection is in step");

    // The late answer must never meet the next question: the connection is gone.
    let (connection, stream) = pair(Transport::Tcp);
    let late = tokio::spawn(async move {
        let mut stream = stream;
        let mut question = [0; 12];
        stream.read_exact(&mut question).await.unwrap();
        tokio::time::sleep(Duration::from_secs(5)).await;
        stream.write_all(&reply).await
    });
    let (kept, result) = connection.read(1, holding(0, 1), DEADLINES).await;
    assert_eq!(result, Err(Cause::Timeout { after_ms: 2000 }));
    assert!(kept.is_none());
    assert!(late.await.unwrap().is_err(), "our end is closed");
}

#[tokio::test(start_paused = true)]
async fn the_documented_sequence_of_delays() {
    let (connection, mut stream) = pair(Transport::Tcp);
    let device = async move {
        for (transaction, delay_ms) in [0u64, 700, 0, 0, 5000].into_iter().enumerate() {
            let mut question = [0; 12];
            if stream.read_exact(&mut question).await.is_err() {
                return;
            }
            tokio::time::sleep(Duration::from_millis(delay_ms)).await;
            let reply = mbap(u16::try_from(transaction).unwrap(), 1, &[3, 2, 0, transaction as u8]);
            if stream.write_all(&reply).await.is_err() {
                return;
            }
        }
    };
    let client = async move {
        let mut kept = Some(connection);
        let mut seen = Vec::new();
        while let Some(connection) = kept.take() {
            let (next, result) = connection.read(1, holding(0, 1), DEADLINES).await;
            seen.push(result);
            kept = next;
        }
        seen
    };
    let ((), seen) = tokio::join!(device, client);
    let good = |word| Ok(Block::Registers(vec![word]));
    let late = Err(Cause::Late { after_ms: 700, limit_ms: 500 });
    assert_eq!(seen, [good(0), late, good(2), good(3), Err(Cause::Timeout { after_ms: 2000 })]);
}

#[tokio::test(start_paused = true)]
async fn rtu_over_tcp_closes_on_every_late_answer() {
    for delay_ms in [501, 700, 5000] {
        let (connection, stream) = pair(Transport::RtuOverTcp);
        let device = tokio::spawn(async move {
            let mut stream = stream;
            let mut question = [0; 8];
            stream.read_exact(&mut question).await.unwrap();
            tokio::time::sleep(Duration::from_millis(delay_ms)).await;
            stream.write_all(&rtu_frame(1, &[3, 2, 0x11, 0x11])).await
        });
        let (kept, result) = connection
            .read(1, holding(100, 1), Deadlines::new(Duration::from_millis(500), Transport::RtuOverTcp))
            .await;
        assert_eq!(result, Err(Cause::Timeout { after_ms: 500 }));
        assert!(kept.is_none(), "without transaction numbers the answer for 100 would be taken for that of 200");
        assert!(device.await.unwrap().is_err());
    }
}

#[tokio::test(start_paused = true)]
async fn a_stray_answer_is_never_given_to_the_next_question() {
    for transport in [Transport::Tcp, Transport::RtuOverTcp] {
        let (connection, mut stream) = pair(transport);
        let frame = |transaction, word: u16| {
            let [high, low] = word.to_be_bytes();
            let pdu = [3, 2, high, low];
            if transport == Transport::Tcp { mbap(transaction, 1, &pdu) } else { rtu_frame(1, &pdu) }
        };
        let length = if transport == Transport::Tcp { 12 } else { 8 };
        let first = frame(0, 0x1111);
        let ((), (kept, result)) = tokio::join!(
            async {
                let mut question = vec![0; length];
                stream.read_exact(&mut question).await.unwrap();
                stream.write_all(&first).await.unwrap();
            },
            connection.read(1, holding(100, 1), DEADLINES)
        );
        assert_eq!(result, Ok(Block::Registers(vec![0x1111])));
        // The device repeats itself before anything else is asked.
        stream.write_all(&first).await.unwrap();
        let (kept, result) = kept.unwrap().read(1, holding(200, 1), DEADLINES).await;
        assert_eq!(result, Err(Cause::Protocol("something arrived that answers no question".into())));
        assert!(kept.is_none());
    }
}

#[tokio::test(start_paused = true)]
async fn a_gateway_that_gave_up_costs_an_rtu_connection() {
    for (code, stays) in [(0x02, true), (0x03, true), (0x06, false), (0x0B, false)] {
        let (connection, stream) = pair(Transport::RtuOverTcp);
        let reply = rtu_frame(1, &[0x83, code]);
        let (_, (kept, result)) =
            tokio::join!(device(stream, 8, 0, &reply), connection.read(1, holding(0, 1), CLOSING));
        assert_eq!(result, Err(Cause::Exception(ExceptionCode(code))));
        assert_eq!(kept.is_some(), stays, "exception {code:02X}");
    }
}

#[tokio::test(start_paused = true)]
async fn half_a_frame_never_holds_a_read_past_its_deadline() {
    // Stopped in the middle of a frame, and a header that announces 65535 bytes.
    let whole = mbap(0, 1, &[3, 4, 0, 1, 0, 2]);
    for reply in [whole[..9].to_vec(), vec![0, 0, 0, 0, 0xFF, 0xFF, 1, 3, 4, 0, 1, 0, 2]] {
        let before = Instant::now();
        let (_, kept, result) = exchange(1, holding(0, 2), 0, &reply).await;
        assert_eq!(result, Err(Cause::Timeout { after_ms: 2000 }));
        assert_eq!(before.elapsed(), Duration::from_secs(2));
        assert!(kept.is_none());

        let (connection, stream) = pair(Transport::Tcp);
        let ((), (kept, result)) = tokio::join!(
            async { drop(device(stream, 12, 0, &reply).await) },
            connection.read(1, holding(0, 2), DEADLINES)
        );
        assert_eq!(result, Err(Cause::Disconnected));
        assert!(kept.is_none());
    }
}

#[tokio::test(start_paused = true)]
async fn a_closed_connection_is_called_that_whatever_the_system_says() {
    // Before the question, and instead of an answer.
    for transport in [Transport::Tcp, Transport::RtuOverTcp] {
        let (connection, stream) = pair(transport);
        drop(stream);
        let (kept, result) = connection.read(1, holding(0, 1), DEADLINES).await;
        assert_eq!((kept.is_none(), result), (true, Err(Cause::Disconnected)));

        let (connection, mut stream) = pair(transport);
        let ((), (kept, result)) = tokio::join!(
            async {
                let mut question = [0; 8];
                stream.read_exact(&mut question).await.unwrap();
                drop(stream);
            },
            connection.read(1, holding(0, 1), DEADLINES)
        );
        assert_eq!((kept.is_none(), result), (true, Err(Cause::Disconnected)));
    }
}

#[tokio::test(start_paused = true)]
async fn another_number_of_registers_is_an_error_not_a_panic() {
    for (words, got) in [(vec![3, 2, 0, 1], 1), (vec![3, 6, 0, 1, 0, 2, 0, 3], 3), (vec![3, 0], 0)] {
        let (_, kept, result) = exchange(1, holding(0, 2), 0, &mbap(0, 1, &words)).await;
        assert_eq!(result, Err(Cause::WrongShape { asked: 2, got }));
        assert!(kept.is_none());
    }
    let coils = ask(ReadFunction::Coils, 0, 9);
    let (_, _, result) = exchange(1, coils, 0, &mbap(0, 1, &[1, 1, 0xFF])).await;
    assert_eq!(result, Err(Cause::WrongShape { asked: 9, got: 8 }));
}

#[tokio::test(start_paused = true)]
async fn an_answer_to_another_question_closes_the_connection() {
    let pdu = [3, 2, 0, 1];
    for reply in [mbap(7, 1, &pdu), mbap(0, 2, &pdu), mbap(0, 1, &[4, 2, 0, 1]), mbap(0, 1, &[0x84, 2])] {
        let (_, kept, result) = exchange(1, holding(0, 1), 0, &reply).await;
        assert!(matches!(result, Err(Cause::Protocol(_))), "{result:?} for {reply:02X?}");
        assert!(kept.is_none());
    }
    let (connection, stream) = pair(Transport::RtuOverTcp);
    let reply = rtu_frame(2, &pdu);
    let (_, (kept, result)) = tokio::join!(device(stream, 8, 0, &reply), connection.read(1, holding(0, 1), CLOSING));
    assert_eq!(result, Err(Cause::Protocol("its unit number is another one".into())));
    assert!(kept.is_none());
}

#[tokio::test(start_paused = true)]
async fn garbage_is_no_value() {
    for reply in [b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec(), vec![0; 64], vec![0xFF; 300]] {
        let (_, kept, result) = exchange(1, holding(0, 1), 0, &reply).await;
        assert!(result.is_err(), "{result:?}");
        assert!(kept.is_none());

        let (connection, stream) = pair(Transport::RtuOverTcp);
        let (_, (kept, result)) =
            tokio::join!(device(stream, 8, 0, &reply), connection.read(1, holding(0, 1), CLOSING));
        assert!(result.is_err(), "{result:?}");
        assert!(kept.is_none());
    }
    // One wrong byte in the CRC.
    let mut reply = rtu_frame(1, &[3, 2, 0, 1]);
    reply[6] ^= 1;
    let (connection, mut stream) = pair(Transport::RtuOverTcp);
    let ((), (kept, result)) = tokio::join!(
        async {
            let mut question = [0; 8];
            stream.read_exact(&mut question).await.unwrap();
            stream.write_all(&reply).await.unwrap();
        },
        connection.read(1, holding(0, 1), CLOSING)
    );
    assert!(matches!(result, Err(Cause::Timeout { .. } | Cause::Protocol(_))), "{result:?}");
    assert!(kept.is_none());
}

#[tokio::test]
async fn a_refused_connection_says_so() {
    // A port that was free a moment ago and that nothing listens on.
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    drop(listener);
    let failed = Connection::open(&address, Transport::Tcp, Duration::from_secs(5)).await.unwrap_err();
    assert_eq!(failed.to_string(), "could not connect: connection refused");
    let failed = Connection::open("no port here", Transport::Tcp, Duration::from_secs(5)).await.unwrap_err();
    assert!(matches!(failed, Cause::Connect { .. }));
}

#[tokio::test]
async fn a_real_socket_gets_its_options() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let stream = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
    set_options(&stream).unwrap();
    assert!(stream.nodelay().unwrap());
    assert!(SockRef::from(&stream).keepalive().unwrap());
    assert_eq!(SockRef::from(&stream).tcp_user_timeout().unwrap(), Some(UNACKNOWLEDGED));
}

#[test]
fn rtu_waits_no_longer_than_its_timeout() {
    let half = Duration::from_millis(500);
    assert_eq!(Deadlines::new(half, Transport::Tcp).hard, Duration::from_secs(1));
    assert_eq!(Deadlines::new(half, Transport::RtuOverTcp).hard, half);
}
