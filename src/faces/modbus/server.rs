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
use tokio::sync::watch;
use tokio::time::{Instant, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::frame::{self, HEADER, MOST_PDU};
use super::limits::{Admitted, Limits, Refused};
use super::request;
use super::tls::{Rights, Tls};
use super::units::{Answer, Units};
use crate::config::model::ModbusServerConfig;
use crate::modbus::error::ExceptionCode;
use crate::tls::CertificateError;

/// A frame that has begun must be whole by then.
const FRAME_TIME: Duration = Duration::from_secs(5);
/// An answer that the client does not take by then ends the connection.
const WRITE_TIME: Duration = Duration::from_secs(5);
/// Closing in good order may take this long.
const GOODBYE: Duration = Duration::from_millis(200);
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
    tls: Option<Arc<Tls>>,
    idle: Duration,
}

/// Why the server cannot start.
#[derive(Debug, thiserror::Error)]
pub enum BindError {
    /// The address cannot be had.
    #[error("cannot listen on {address}: {source}")]
    Listen {
        /// As configured.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// TLS cannot be had.
    #[error(transparent)]
    Tls(#[from] CertificateError),
}

impl BoundModbusServer {
    /// Binds, so that a taken port is known before any polling starts.
    pub async fn bind(config: &ModbusServerConfig) -> Result<BoundModbusServer, BindError> {
        let tls = config.tls.as_ref().map(Tls::load).transpose()?.map(Arc::new);
        let failed = |source| BindError::Listen { address: config.listen, source };
        let listener = TcpListener::bind(config.listen).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(BoundModbusServer { listener, address, limits: Limits::new(config), tls, idle: config.idle_timeout })
    }

    /// The real address, with the port the system chose for port 0.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until cancelled. What is being answered then is still answered.
    pub async fn serve(self, units: watch::Receiver<Arc<Units>>, cancel: CancellationToken, tracker: TaskTracker) {
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
                    let serving = Serving { admitted, units: units.clone(), idle: self.idle, cancel: cancel.clone() };
                    tracker.spawn(connection(stream, peer, self.tls.clone(), serving));
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
    #[error("no TLS connection came about: {0}")]
    Handshake(io::Error),
    #[error("{0}")]
    Io(#[from] io::Error),
}

/// What a connection is served with.
struct Serving {
    admitted: Admitted,
    units: watch::Receiver<Arc<Units>>,
    idle: Duration,
    cancel: CancellationToken,
}

async fn connection(stream: TcpStream, peer: SocketAddr, tls: Option<Arc<Tls>>, serving: Serving) {
    tracing::debug!(%peer, "Modbus server: connection from {peer}");
    // A socket option that cannot be set costs speed, not rightness.
    let _ = stream.set_nodelay(true);
    let ended = match tls {
        None => serving.converse(stream, &Rights::All).await,
        Some(tls) => tokio::select! {
            biased;
            () = serving.cancel.cancelled() => Ended::Stopping,
            () = serving.admitted.close.cancelled() => Ended::MadeRoom,
            accepted = tls.accept(stream) => match accepted {
                Ok((stream, rights)) => serving.converse(stream, &rights).await,
                Err(error) => Ended::Handshake(error),
            },
        },
    };
    match &ended {
        // A client that does not speak Modbus is worth a line; the others come and go.
        Ended::BadFrame(_) | Ended::NotRead | Ended::HalfFrame | Ended::Handshake(_) => {
            tracing::warn!(%peer, "Modbus server: connection from {peer} closed: {ended}");
        }
        _ => tracing::debug!(%peer, "Modbus server: connection from {peer} closed: {ended}"),
    }
}

impl Serving {
    /// Answers requests until there is a reason to end, and closes.
    async fn converse<S>(&self, stream: S, rights: &Rights) -> Ended
    where
        S: AsyncRead + AsyncWrite + Unpin,
    {
        // Room for a few pipelined requests, so that a burst costs one system call.
        let mut stream = BufReader::with_capacity(4 * (HEADER + MOST_PDU), stream);
        let ended = self.answer_all(&mut stream, rights).await;
        // A client that does not take the goodbye either is left to itself.
        let _ = timeout(GOODBYE, stream.get_mut().shutdown()).await;
        ended
    }

    async fn answer_all<S>(&self, stream: &mut BufReader<S>, rights: &Rights) -> Ended
    where
        S: AsyncRead + AsyncWrite + Unpin,
    {
        let mut pdu = [0u8; MOST_PDU];
        let mut out = Vec::with_capacity(HEADER + MOST_PDU);
        loop {
            let first = tokio::select! {
                biased;
                () = self.cancel.cancelled() => return Ended::Stopping,
                () = self.admitted.close.cancelled() => return Ended::MadeRoom,
                first = timeout(self.idle, stream.read_u8()) => match first {
                    Err(_) => return Ended::Idle(self.idle),
                    Ok(Err(error)) if error.kind() == io::ErrorKind::UnexpectedEof => return Ended::Closed,
                    Ok(Err(error)) => return error.into(),
                    Ok(Ok(first)) => first,
                },
            };
            let header = match timeout(FRAME_TIME, rest_of_frame(first, stream, &mut pdu)).await {
                Err(_) => return Ended::HalfFrame,
                Ok(Err(ended)) => return ended,
                Ok(Ok(header)) => header,
            };
            if !header.is_modbus {
                continue;
            }
            let answer = self.answer(header.unit, &pdu[..header.length], rights).await;
            out.clear();
            frame::answer(header, &answer, &mut out);
            match timeout(WRITE_TIME, send(stream.get_mut(), &out)).await {
                Err(_) => return Ended::NotRead,
                Ok(Err(error)) => return error.into(),
                Ok(Ok(())) => {}
            }
        }
    }

    async fn answer(&self, unit: u8, pdu: &[u8], rights: &Rights) -> Vec<u8> {
        if !self.admitted.request(Instant::now()) {
            return request::exception(pdu[0], ExceptionCode::SERVER_DEVICE_BUSY);
        }
        let answer = self.units.borrow().answer(rights, unit, pdu);
        match answer {
            Answer::Now(answer) => answer,
            Answer::Later(monitor, read) => Answer::from_monitor(read, monitor.read(read).await),
        }
    }
}

async fn send<S: AsyncWrite + Unpin>(stream: &mut S, bytes: &[u8]) -> io::Result<()> {
    stream.write_all(bytes).await?;
    stream.flush().await
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
