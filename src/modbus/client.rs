//! One connection to a device or gateway: one question at a time, and nothing that could put question and answer out
//! of step.
//!
//! A connection is consumed by each read and handed back only while it is certainly in step, so a doubtful one cannot
//! be used again, not even when the caller gives up half-way. Must never write a register, nor retry by itself.

use std::io;
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout};
use tokio_modbus::client::{Client, Context, rtu, tcp};
use tokio_modbus::slave::{Slave, SlaveContext};
use tokio_modbus::{Error, ProtocolError, Request, Response};

use super::decode::Block;
use super::error::{Cause, ExceptionCode};
use super::guard::{Guard, Watch};
use super::map::ReadFunction;
use super::plan::ReadRequest;
use crate::config::model::Transport;

/// Idle time before the system probes whether the device is still there.
const KEEPALIVE_IDLE: Duration = Duration::from_secs(30);
/// Time between those probes.
const KEEPALIVE_INTERVAL: Duration = Duration::from_secs(10);
/// Probes without answer before the connection is given up.
const KEEPALIVE_PROBES: u32 = 3;
/// Sent bytes not acknowledged for this long end the connection; the system's own limit is many minutes.
const UNACKNOWLEDGED: Duration = Duration::from_secs(20);
/// A connection is given at least this long: a handshake may cost several times an answer.
const SHORTEST_CONNECT: Duration = Duration::from_secs(1);

/// How long each step may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Deadlines {
    /// To establish a connection.
    pub connect: Duration,
    /// An answer after this is not used; the connection stays in step.
    pub soft: Duration,
    /// No answer until then: the connection is closed.
    pub hard: Duration,
}

impl Deadlines {
    /// From the configured timeout. Modbus/TCP waits for a late answer as long again, because taking it off the wire
    /// keeps the connection; RTU over TCP closes on any late answer, so waiting longer would gain nothing.
    pub fn new(timeout: Duration, transport: Transport) -> Deadlines {
        let twice = timeout.saturating_mul(2);
        let hard = match transport {
            Transport::Tcp => twice,
            Transport::RtuOverTcp => timeout,
        };
        Deadlines { connect: twice.max(SHORTEST_CONNECT), soft: timeout, hard }
    }
}

/// A connection that is in step.
pub struct Connection {
    context: Context,
    transport: Transport,
    watch: Watch,
}

impl Connection {
    /// Connects to `address` (host and port).
    pub async fn open(address: &str, transport: Transport, limit: Duration) -> Result<Connection, Cause> {
        let failed = |error: &io::Error| Cause::Connect { reason: io_words(error) };
        let stream = match timeout(limit, TcpStream::connect(address)).await {
            Err(_) => return Err(Cause::ConnectTimeout { after_ms: millis(limit) }),
            Ok(Err(error)) => return Err(failed(&error)),
            Ok(Ok(stream)) => stream,
        };
        set_options(&stream).map_err(|error| failed(&error))?;
        Ok(Connection::attach(stream, transport))
    }

    /// Speaks Modbus over any stream.
    pub fn attach<T>(stream: T, transport: Transport) -> Connection
    where
        T: AsyncRead + AsyncWrite + Send + Unpin + std::fmt::Debug + 'static,
    {
        let (guard, watch) = Guard::new(stream);
        let context = match transport {
            Transport::Tcp => tcp::attach_slave(guard, Slave(0)),
            Transport::RtuOverTcp => rtu::attach_slave(guard, Slave(0)),
        };
        Connection { context, transport, watch }
    }

    /// Asks once. The connection comes back only while it is in step.
    pub async fn read(
        mut self,
        unit: u8,
        request: ReadRequest,
        deadlines: Deadlines,
    ) -> (Option<Connection>, Result<Block, Cause>) {
        self.context.set_slave(Slave(unit));
        let started = Instant::now();
        let outcome = timeout(deadlines.hard, self.context.call(question(request))).await;
        let took = started.elapsed();
        let answer = match outcome {
            Err(_) => return (None, Err(Cause::Timeout { after_ms: millis(deadlines.hard) })),
            Ok(Err(error)) => return (None, Err(self.broken(&error))),
            Ok(Ok(Err(code))) => Err(ExceptionCode(code.into())),
            Ok(Ok(Ok(response))) => match block(request, response) {
                Ok(block) => Ok(block),
                Err(cause) => return (None, Err(cause)),
            },
        };
        if took > deadlines.soft {
            let kept = (self.transport == Transport::Tcp).then_some(self);
            let cause = Cause::Late { after_ms: millis(took), limit_ms: millis(deadlines.soft) };
            return (kept, Err(cause));
        }
        match answer {
            Ok(block) => (Some(self), Ok(block)),
            Err(code) => {
                // A gateway may still forward the answer it gave up on, or a busy device send it later. With
                // transaction numbers that would be noticed; without them the connection must go.
                let in_step = self.transport == Transport::Tcp || !code.is_passing();
                (in_step.then_some(self), Err(Cause::Exception(code)))
            }
        }
    }

    /// Own words for a failed call. What the library says about a closed stream is whatever the system had last.
    fn broken(&self, error: &Error) -> Cause {
        if self.watch.closed() {
            return Cause::Disconnected;
        }
        if self.watch.unasked() {
            return Cause::Protocol("something arrived that answers no question".into());
        }
        match error {
            Error::Protocol(ProtocolError::HeaderMismatch { .. }) => Cause::Protocol(match self.transport {
                Transport::Tcp => "its transaction or unit number is another one".into(),
                Transport::RtuOverTcp => "its unit number is another one".into(),
            }),
            Error::Protocol(ProtocolError::FunctionCodeMismatch { .. }) => {
                Cause::Protocol("it is for another function".into())
            }
            Error::Transport(error) => match error.kind() {
                io::ErrorKind::InvalidData | io::ErrorKind::UnexpectedEof => {
                    Cause::Protocol("it is not a well-formed Modbus frame".into())
                }
                _ => Cause::Transport(io_words(error)),
            },
        }
    }
}

impl std::fmt::Debug for Connection {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Connection").field("transport", &self.transport).finish_non_exhaustive()
    }
}

fn set_options(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let socket = SockRef::from(stream);
    let keepalive =
        TcpKeepalive::new().with_time(KEEPALIVE_IDLE).with_interval(KEEPALIVE_INTERVAL).with_retries(KEEPALIVE_PROBES);
    socket.set_tcp_keepalive(&keepalive)?;
    #[cfg(any(target_os = "linux", target_os = "android"))]
    socket.set_tcp_user_timeout(Some(UNACKNOWLEDGED))?;
    Ok(())
}

fn question(request: ReadRequest) -> Request<'static> {
    let ReadRequest { function, first, count } = request;
    match function {
        ReadFunction::Coils => Request::ReadCoils(first, count),
        ReadFunction::DiscreteInputs => Request::ReadDiscreteInputs(first, count),
        ReadFunction::HoldingRegisters => Request::ReadHoldingRegisters(first, count),
        ReadFunction::InputRegisters => Request::ReadInputRegisters(first, count),
    }
}

/// The answer when it has the shape that was asked for. The library does not check the count.
fn block(request: ReadRequest, response: Response) -> Result<Block, Cause> {
    let asked = request.count;
    match response {
        Response::ReadHoldingRegisters(words) | Response::ReadInputRegisters(words) => {
            if words.len() == usize::from(asked) {
                Ok(Block::Registers(words))
            } else {
                Err(Cause::WrongShape { asked, got: words.len() as u16 })
            }
        }
        Response::ReadCoils(mut bits) | Response::ReadDiscreteInputs(mut bits) => {
            // Bits come in whole bytes, the last one padded.
            if bits.len() == usize::from(asked).next_multiple_of(8) {
                bits.truncate(usize::from(asked));
                Ok(Block::Bits(bits))
            } else {
                Err(Cause::WrongShape { asked, got: bits.len() as u16 })
            }
        }
        _ => Err(Cause::Protocol("it is for another function".into())),
    }
}

/// Words for a system error: its kind where that says it all, else what the system says.
fn io_words(error: &io::Error) -> String {
    match error.kind() {
        kind @ (io::ErrorKind::ConnectionRefused
        | io::ErrorKind::ConnectionReset
        | io::ErrorKind::ConnectionAborted
        | io::ErrorKind::BrokenPipe
        | io::ErrorKind::HostUnreachable
        | io::ErrorKind::NetworkUnreachable
        | io::ErrorKind::TimedOut) => kind.to_string(),
        _ => error.to_string(),
    }
}

fn millis(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

#[cfg(test)]
#[path = "client_tests.rs"]
mod tests;
