//! The accept loop and the connections: frames in, answers out, one request of a connection at a time.
//!
//! A client that sends nothing, half a frame or nonsense, or that reads nothing, costs one connection for a limited time.
//! Further requests wait in its socket. Must never end because of a client, nor make a station or a poll wait.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Instant, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::frame::{self, HEADER, MOST_PDU};
use super::limits::{Admitted, Limits, Refused};
use super::request;
use super::units::{Answer, Units};
use crate::config::model::ModbusServerConfig;
use crate::modbus::error::ExceptionCode;

/// A frame that has begun must be whole by then.
const FRAME_TIME: Duration = Duration::from_secs(5);
/// An answer that the client does not take by then ends the connection.
const WRITE_TIME: Duration = Duration::from_secs(5);
/// Out of file descriptors or alike: wait, do not spin and do not end.
const AFTER_ACCEPT_ERROR: Duration = Duration::from_millis(200);
/// Refusals are told at most this often: whoever is refused may try for ever.
const TELL_EVERY: Duration = Duration::from_mins(1);

/// A bound listener that does not accept yet.
#[derive(Debug)]
pub struct BoundModbusServer {
    listener: TcpListener,
    address: SocketAddr,
    limits: Arc<Limits>,
    idle: Duration,
}

impl BoundModbusServer {
    /// Binds, so that a taken port is known before any polling starts.
    pub async fn bind(config: &ModbusServerConfig) -> io::Result<BoundModbusServer> {
        let listener = TcpListener::bind(config.listen).await?;
        let address = listener.local_addr()?;
        Ok(BoundModbusServer { listener, address, limits: Limits::new(config), idle: config.idle_timeout })
    }

    /// The real address, with the port the system chose for port 0.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until cancelled. What is being answered then is still answered.
    pub async fn serve(self, units: Arc<Units>, cancel: CancellationToken, tracker: TaskTracker) {
        let mut told: Option<Instant> = None;
        loop {
            let accepted = tokio::select! {
                biased;
                () = cancel.cancelled() => return,
                accepted = self.listener.accept() => accepted,
            };
            let (stream, peer) = match accepted {
                Ok(accepted) => accepted,
                Err(error) => {
                    tracing::warn!("Modbus server: cannot accept a connection: {error}");
                    tokio::time::sleep(AFTER_ACCEPT_ERROR).await;
                    continue;
                }
            };
            match self.limits.admit(peer.ip(), Instant::now()) {
                Ok(admitted) => {
                    let (units, cancel, idle) = (Arc::clone(&units), cancel.clone(), self.idle);
                    tracker.spawn(async move {
                        // A socket option that cannot be set costs speed, not rightness.
                        let _ = stream.set_nodelay(true);
                        connection(stream, peer, &admitted, &units, idle, &cancel).await;
                    });
                }
                Err(refused) => tell_refused(peer, refused, &mut told),
            }
        }
    }
}

fn tell_refused(peer: SocketAddr, refused: Refused, told: &mut Option<Instant>) {
    let now = Instant::now();
    if told.is_none_or(|at| now.saturating_duration_since(at) >= TELL_EVERY) {
        tracing::warn!(%peer, "Modbus server: connection from {peer} refused: {refused}");
        *told = Some(now);
    }
}

/// Why a connection ended.
#[derive(Debug, thiserror::Error)]
enum Ended {
    #[error("the client closed it")]
    Closed,
    #[error("nothing was asked for {0:?}")]
    Idle(Duration),
    #[error("a frame was begun and not finished within {FRAME_TIME:?}")]
    HalfFrame,
    #[error("{0}")]
    BadFrame(#[from] frame::BadLength),
    #[error("the client does not take its answers")]
    NotRead,
    #[error("it made room for a newer one from the same address")]
    MadeRoom,
    #[error("the daemon stops")]
    Stopping,
    #[error("{0}")]
    Io(#[from] io::Error),
}

async fn connection(
    stream: TcpStream,
    peer: SocketAddr,
    admitted: &Admitted,
    units: &Units,
    idle: Duration,
    cancel: &CancellationToken,
) {
    tracing::debug!(%peer, "Modbus server: connection from {peer}");
    let ended = converse(stream, admitted, units, idle, cancel).await;
    match &ended {
        // A client that does not speak Modbus is worth a line; the others come and go.
        Ended::BadFrame(_) | Ended::NotRead | Ended::HalfFrame => {
            tracing::warn!(%peer, "Modbus server: connection from {peer} closed: {ended}");
        }
        _ => tracing::debug!(%peer, "Modbus server: connection from {peer} closed: {ended}"),
    }
}

/// Answers requests until there is a reason to end.
async fn converse<S>(stream: S, admitted: &Admitted, units: &Units, idle: Duration, cancel: &CancellationToken) -> Ended
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    // Room for a few pipelined requests, so that a burst costs one system call.
    let mut stream = BufReader::with_capacity(4 * (HEADER + MOST_PDU), stream);
    let mut pdu = [0u8; MOST_PDU];
    let mut out = Vec::with_capacity(HEADER + MOST_PDU);
    loop {
        let first = tokio::select! {
            biased;
            () = cancel.cancelled() => return Ended::Stopping,
            () = admitted.close.cancelled() => return Ended::MadeRoom,
            first = timeout(idle, stream.read_u8()) => match first {
                Err(_) => return Ended::Idle(idle),
                Ok(Err(error)) if error.kind() == io::ErrorKind::UnexpectedEof => return Ended::Closed,
                Ok(Err(error)) => return error.into(),
                Ok(Ok(first)) => first,
            },
        };
        let header = match timeout(FRAME_TIME, rest_of_frame(first, &mut stream, &mut pdu)).await {
            Err(_) => return Ended::HalfFrame,
            Ok(Err(ended)) => return ended,
            Ok(Ok(header)) => header,
        };
        if !header.is_modbus {
            continue;
        }
        let pdu = &pdu[..header.length];
        let answer = if admitted.request(Instant::now()) {
            match units.answer(header.unit, pdu) {
                Answer::Now(answer) => answer,
                Answer::Later(monitor, read) => Answer::from_monitor(read, monitor.read(read).await),
            }
        } else {
            request::exception(pdu[0], ExceptionCode::SERVER_DEVICE_BUSY)
        };
        out.clear();
        frame::answer(header, &answer, &mut out);
        match timeout(WRITE_TIME, stream.get_mut().write_all(&out)).await {
            Err(_) => return Ended::NotRead,
            Ok(Err(error)) => return error.into(),
            Ok(Ok(())) => {}
        }
    }
}

async fn rest_of_frame<S>(first: u8, stream: &mut S, pdu: &mut [u8; MOST_PDU]) -> Result<frame::Header, Ended>
where
    S: AsyncRead + Unpin,
{
    let mut bytes = [first, 0, 0, 0, 0, 0, 0];
    stream.read_exact(&mut bytes[1..]).await?;
    let header = frame::header(bytes)?;
    stream.read_exact(&mut pdu[..header.length]).await?;
    Ok(header)
}

#[cfg(test)]
#[path = "server_tests.rs"]
mod tests;
