//! A Modbus device for tests: frames built by hand from the specification, behaviour by script, in memory or on a
//! socket. Shares no code with the client it is there to test.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, DuplexStream};
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::config::model::Transport;

/// MBAP header and PDU.
pub(super) fn mbap(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = transaction.to_be_bytes().to_vec();
    frame.extend([0, 0]);
    frame.extend(u16::try_from(pdu.len() + 1).unwrap().to_be_bytes());
    frame.push(unit);
    frame.extend(pdu);
    frame
}

/// Unit, PDU and CRC, computed bit by bit as the serial line specification describes (clause 6.2.2).
pub(super) fn rtu_frame(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    let mut crc = 0xFFFFu16;
    for &byte in &frame {
        crc ^= u16::from(byte);
        for _ in 0..8 {
            let carry = crc & 1 == 1;
            crc >>= 1;
            if carry {
                crc ^= 0xA001;
            }
        }
    }
    frame.extend(crc.to_le_bytes());
    frame
}

/// One question as it arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Asked {
    /// Connection it came on, from 1.
    pub(super) connection: usize,
    /// How many questions there have been, with this one.
    pub(super) number: usize,
    pub(super) at: Instant,
    pub(super) unit: u8,
    pub(super) function: u8,
    pub(super) first: u16,
    pub(super) count: u16,
}

/// What the device does with a question.
pub(super) enum Reaction {
    /// Answers with these registers.
    Words(Vec<u16>),
    /// Answers with these registers after so many milliseconds; other questions wait.
    After(u64, Vec<u16>),
    Exception(u8),
    Silent,
    Close,
}

type Script = Arc<dyn Fn(Asked) -> Reaction + Send + Sync>;

/// What a device was asked.
#[derive(Clone, Default)]
pub(super) struct Log(Arc<Mutex<Vec<Asked>>>);

impl Log {
    pub(super) fn all(&self) -> Vec<Asked> {
        self.0.lock().unwrap().clone()
    }

    pub(super) fn of_unit(&self, unit: u8) -> Vec<Asked> {
        self.all().into_iter().filter(|asked| asked.unit == unit).collect()
    }

    /// First register and count of each question since the `skip`-th.
    pub(super) fn ranges(&self, skip: usize) -> Vec<(u16, u16)> {
        self.all().iter().skip(skip).map(|asked| (asked.first, asked.count)).collect()
    }

    fn add(&self, mut asked: Asked) -> Asked {
        let mut all = self.0.lock().unwrap();
        asked.number = all.len() + 1;
        all.push(asked);
        asked
    }
}

/// A device at the end of in-memory pipes. Dropping the sender does not stop it; the end of the test does.
pub(super) fn on_pipes(
    transport: Transport,
    script: impl Fn(Asked) -> Reaction + Send + Sync + 'static,
) -> (mpsc::UnboundedSender<DuplexStream>, Log) {
    let (sender, mut streams) = mpsc::unbounded_channel::<DuplexStream>();
    let (script, log): (Script, Log) = (Arc::new(script), Log::default());
    let given = log.clone();
    tokio::spawn(async move {
        let mut connection = 0;
        while let Some(stream) = streams.recv().await {
            connection += 1;
            tokio::spawn(serve(stream, transport, connection, script.clone(), log.clone()));
        }
    });
    (sender, given)
}

/// A device on a socket of its own. Returns its address.
pub(super) async fn on_socket(
    transport: Transport,
    script: impl Fn(Asked) -> Reaction + Send + Sync + 'static,
) -> (String, Log) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (script, log): (Script, Log) = (Arc::new(script), Log::default());
    let given = log.clone();
    tokio::spawn(async move {
        let mut connection = 0;
        while let Ok((stream, _)) = listener.accept().await {
            connection += 1;
            tokio::spawn(serve(stream, transport, connection, script.clone(), log.clone()));
        }
    });
    (address, given)
}

async fn serve<T>(mut stream: T, transport: Transport, connection: usize, script: Script, log: Log)
where
    T: AsyncRead + AsyncWrite + Unpin,
{
    let header = if transport == Transport::Tcp { 6 } else { 0 };
    let length = header + if transport == Transport::Tcp { 6 } else { 8 };
    let mut question = vec![0u8; length];
    while stream.read_exact(&mut question).await.is_ok() {
        let word = |at: usize| u16::from_be_bytes([question[at], question[at + 1]]);
        let asked = log.add(Asked {
            connection,
            number: 0,
            at: Instant::now(),
            unit: question[header],
            function: question[header + 1],
            first: word(header + 2),
            count: word(header + 4),
        });
        let framed = |pdu: &[u8]| match transport {
            Transport::Tcp => mbap(word(0), asked.unit, pdu),
            Transport::RtuOverTcp => rtu_frame(asked.unit, pdu),
        };
        let words = |words: Vec<u16>| {
            let mut pdu = vec![asked.function, u8::try_from(words.len() * 2).unwrap()];
            pdu.extend(words.into_iter().flat_map(u16::to_be_bytes));
            framed(&pdu)
        };
        let reply = match script(asked) {
            Reaction::Words(given) => words(given),
            Reaction::After(delay_ms, given) => {
                tokio::time::sleep(Duration::from_millis(delay_ms)).await;
                words(given)
            }
            Reaction::Exception(code) => framed(&[asked.function | 0x80, code]),
            Reaction::Silent => continue,
            Reaction::Close => return,
        };
        if stream.write_all(&reply).await.is_err() {
            return;
        }
    }
}
