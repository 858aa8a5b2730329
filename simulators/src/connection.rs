//! One listener's connections: frames in, answers out, faults applied on the way.
//!
//! Requests of a connection are answered in order, except an answer that is meant to be late. Buffers are bounded by
//! the longest frame of the standard. Must never let one connection stop another.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::OwnedWriteHalf;
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::clock::SimClock;
use crate::draw::mix;
use crate::faults::{Fault, Kind, decide};
use crate::frame::{Parsed, mbap, parse_mbap, parse_rtu, rtu};
use crate::image::RegisterImage;
use crate::monitor_file::{ProtocolFile, Transport};
use crate::pdu::{TARGET_FAILED_TO_RESPOND, exception, respond, short_response};
use crate::station::Station;

/// A half RTU frame is forgotten after this silence; RTU knows ends of frames by silence, and over TCP pieces may be
/// far apart, so it is much longer than on a line.
const RTU_SILENCE: Duration = Duration::from_secs(1);
/// Rest after a failed accept, so that running out of descriptors does not spin.
const ACCEPT_REST: Duration = Duration::from_millis(50);

/// Where answers come from.
pub(crate) enum Registers {
    /// A monitor of a simulated station.
    Monitor { station: Arc<Station>, index: usize, clock: SimClock },
    /// A fixed image.
    Image { image: Arc<RegisterImage>, clock: SimClock },
}

impl Registers {
    fn now_s(&self) -> f64 {
        match self {
            Registers::Monitor { clock, .. } | Registers::Image { clock, .. } => clock.now_s(),
        }
    }

    fn image(&self, t_s: f64) -> Arc<RegisterImage> {
        match self {
            Registers::Image { image, .. } => Arc::clone(image),
            Registers::Monitor { station, index, .. } => match station.monitor(*index) {
                Some(monitor) => monitor.image(station, t_s),
                None => Arc::default(),
            },
        }
    }
}

/// One unit id on a listener.
pub(crate) struct Unit {
    registers: Registers,
    faults: Vec<Fault>,
    delay_ms: u64,
    jitter_ms: u64,
    seed: u64,
    requests: AtomicU64,
    frozen: Mutex<Option<Arc<RegisterImage>>>,
}

impl Unit {
    /// Checks a unit's faults; the error is a sentence.
    pub(crate) fn new(registers: Registers, protocol: &ProtocolFile, seed: u64) -> Result<Unit, String> {
        Ok(Unit {
            registers,
            faults: protocol.faults.iter().map(Fault::new).collect::<Result<_, _>>()?,
            delay_ms: protocol.delay_ms,
            jitter_ms: protocol.jitter_ms,
            seed,
            requests: AtomicU64::new(0),
            frozen: Mutex::new(None),
        })
    }

    /// Requests received so far.
    pub(crate) fn requests(&self) -> u64 {
        self.requests.load(Ordering::Relaxed)
    }

    fn frozen(&self, now: Arc<RegisterImage>) -> Arc<RegisterImage> {
        let mut frozen = self.frozen.lock().unwrap_or_else(PoisonError::into_inner);
        Arc::clone(frozen.get_or_insert(now))
    }

    fn answer(&self, transport: Transport, transaction: u16, unit: u8, pdu: &[u8]) -> Answer {
        let number = self.requests.fetch_add(1, Ordering::Relaxed) + 1;
        let t_s = self.registers.now_s();
        let image = self.registers.image(t_s);
        let function = pdu.first().copied().unwrap_or(0);
        let frame = |transaction: u16, unit: u8, pdu: &[u8]| match transport {
            Transport::Tcp => mbap(transaction, unit, pdu),
            Transport::RtuOverTcp => rtu(unit, pdu),
        };
        let draw = mix(self.seed ^ mix(number));
        let jitter_ms = if self.jitter_ms == 0 { 0 } else { draw % (self.jitter_ms + 1) };
        let mut wait = Duration::from_millis(self.delay_ms + jitter_ms);
        let honest = |image: &RegisterImage| frame(transaction, unit, &respond(pdu, image));
        let bytes = match decide(&self.faults, number, t_s) {
            None => honest(&image),
            Some(Kind::Silent) => return Answer::Nothing,
            Some(Kind::Drop) => return Answer::Close,
            Some(Kind::Slow(more)) => {
                wait += more;
                honest(&image)
            }
            Some(Kind::Late(after)) => return Answer::Late(honest(&image), after),
            Some(Kind::Exception(code)) => frame(transaction, unit, &exception(function, code)),
            Some(Kind::WrongTransaction) => {
                let mut bytes = frame(transaction ^ 0x5A5A, unit, &respond(pdu, &image));
                if let (Transport::RtuOverTcp, Some(last)) = (transport, bytes.last_mut()) {
                    *last ^= 0xFF;
                }
                bytes
            }
            Some(Kind::WrongUnit) => frame(transaction, unit.wrapping_add(1), &respond(pdu, &image)),
            Some(Kind::Truncated) => {
                let mut bytes = honest(&image);
                bytes.truncate(bytes.len() / 2);
                bytes
            }
            Some(Kind::Garbage) => {
                let mut bytes = honest(&image);
                for (index, byte) in bytes.iter_mut().enumerate() {
                    *byte = mix(draw ^ index as u64) as u8;
                }
                bytes
            }
            Some(Kind::ShortCount) => frame(transaction, unit, &short_response(pdu, &image)),
            Some(Kind::Frozen) => honest(&self.frozen(image)),
        };
        Answer::After(bytes, wait)
    }
}

enum Answer {
    After(Vec<u8>, Duration),
    Late(Vec<u8>, Duration),
    Nothing,
    Close,
}

/// A listener's transport and units.
pub(crate) struct Endpoint {
    /// How frames travel.
    pub(crate) transport: Transport,
    /// Units behind it.
    pub(crate) units: Vec<(u8, Arc<Unit>)>,
}

impl Endpoint {
    fn answer(&self, transaction: u16, unit: u8, pdu: &[u8]) -> Answer {
        let direct = self.transport == Transport::Tcp && self.units.len() == 1 && matches!(unit, 0 | 0xFF);
        let found = self.units.iter().find(|(id, _)| *id == unit || direct);
        match (found, self.transport) {
            // On a serial line unit 0 is a broadcast, and nobody answers one.
            (_, Transport::RtuOverTcp) if unit == 0 => Answer::Nothing,
            (Some((_, served)), transport) => served.answer(transport, transaction, unit, pdu),
            (None, Transport::RtuOverTcp) => Answer::Nothing,
            (None, Transport::Tcp) => {
                let function = pdu.first().copied().unwrap_or(0);
                let response = exception(function, TARGET_FAILED_TO_RESPOND);
                Answer::After(mbap(transaction, unit, &response), Duration::ZERO)
            }
        }
    }
}

/// Accepts connections until cancelled.
pub(crate) async fn serve_listener(
    listener: TcpListener,
    endpoint: Arc<Endpoint>,
    cancel: CancellationToken,
    tracker: TaskTracker,
) {
    loop {
        let accepted = tokio::select! {
            () = cancel.cancelled() => return,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, _)) => {
                let (endpoint, cancel) = (Arc::clone(&endpoint), cancel.clone());
                tracker.spawn(async move {
                    let served = serve_connection(stream, &endpoint, &cancel);
                    // A peer that resets its connection is an ordinary end; there is nobody left to tell.
                    if let Some(Err(error)) = cancel.run_until_cancelled(served).await {
                        tracing::debug!(%error, "connection ended");
                    }
                });
            }
            Err(error) => {
                tracing::warn!(%error, "accept failed");
                tokio::time::sleep(ACCEPT_REST).await;
            }
        }
    }
}

async fn serve_connection(stream: TcpStream, endpoint: &Endpoint, cancel: &CancellationToken) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let (mut reader, writer) = stream.into_split();
    let writer = Arc::new(tokio::sync::Mutex::new(writer));
    let mut pending: Vec<u8> = Vec::with_capacity(512);
    let mut chunk = [0u8; 512];
    loop {
        let read = reader.read(&mut chunk);
        let count = if endpoint.transport == Transport::RtuOverTcp && !pending.is_empty() {
            let Ok(count) = tokio::time::timeout(RTU_SILENCE, read).await else {
                pending.clear();
                continue;
            };
            count?
        } else {
            read.await?
        };
        if count == 0 {
            return Ok(());
        }
        pending.extend(&chunk[..count]);
        loop {
            let parsed = match endpoint.transport {
                Transport::Tcp => parse_mbap(&pending),
                Transport::RtuOverTcp => parse_rtu(&pending),
            };
            match parsed {
                Parsed::Incomplete => break,
                Parsed::Close => return Ok(()),
                Parsed::Discard { used } => drop(pending.drain(..used)),
                Parsed::Request { transaction, unit, pdu, used } => {
                    pending.drain(..used);
                    match endpoint.answer(transaction, unit, &pdu) {
                        Answer::Nothing => {}
                        Answer::Close => return Ok(()),
                        Answer::After(bytes, wait) => {
                            if !wait.is_zero() {
                                tokio::time::sleep(wait).await;
                            }
                            writer.lock().await.write_all(&bytes).await?;
                        }
                        Answer::Late(bytes, after) => write_late(Arc::clone(&writer), bytes, after, cancel.clone()),
                    }
                }
            }
        }
    }
}

fn write_late(
    writer: Arc<tokio::sync::Mutex<OwnedWriteHalf>>,
    bytes: Vec<u8>,
    after: Duration,
    cancel: CancellationToken,
) {
    tokio::spawn(async move {
        if cancel.run_until_cancelled(tokio::time::sleep(after)).await.is_some() {
            // The connection may be gone by now, which is the client's right.
            let _ = writer.lock().await.write_all(&bytes).await;
        }
    });
}
