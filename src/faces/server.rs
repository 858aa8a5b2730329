//! The accept loop under the HTTP face: bounded in connections and in time, so that a client that sends nothing, reads
//! nothing or never leaves costs one slot for a while and no station anything.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// Connections served at once; a scraper, a console or two and a person need a handful.
pub const MAX_CONNECTIONS: usize = 64;
/// A client that has not sent a whole request head by then is gone.
const HEADER_TIMEOUT: Duration = Duration::from_secs(10);
/// No connection lives longer: frees the slot of a client that stopped reading. Scrapers simply connect again.
const CONNECTION_LIFETIME: Duration = Duration::from_mins(2);
/// What an answer in progress gets at the end of a connection's life or of the daemon's.
const DRAIN: Duration = Duration::from_millis(500);
/// Out of file descriptors or alike: wait, do not spin and do not end.
const AFTER_ACCEPT_ERROR: Duration = Duration::from_millis(200);

/// A bound listener that does not accept yet.
#[derive(Debug)]
pub struct BoundServer {
    listener: TcpListener,
    address: SocketAddr,
}

impl BoundServer {
    /// Binds, so that a taken port is known before any polling starts.
    pub async fn bind(address: SocketAddr) -> io::Result<BoundServer> {
        let listener = TcpListener::bind(address).await?;
        let address = listener.local_addr()?;
        Ok(BoundServer { listener, address })
    }

    /// The real address, with the port the system chose for port 0.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until cancelled.
    pub async fn serve(self, router: Router, cancel: CancellationToken, tracker: TaskTracker) {
        let slots = Arc::new(Semaphore::new(MAX_CONNECTIONS));
        loop {
            // Taking the slot first leaves further clients waiting in the listener's queue.
            let accepted = tokio::select! {
                biased;
                () = cancel.cancelled() => return,
                accepted = accept(&self.listener, &slots) => accepted,
            };
            match accepted {
                Ok((stream, slot)) => {
                    tracker.spawn(connection(stream, slot, router.clone(), cancel.clone()));
                }
                Err(error) => {
                    tracing::warn!("HTTP: cannot accept a connection: {error}");
                    tokio::time::sleep(AFTER_ACCEPT_ERROR).await;
                }
            }
        }
    }
}

async fn accept(listener: &TcpListener, slots: &Arc<Semaphore>) -> io::Result<(TcpStream, OwnedSemaphorePermit)> {
    let slot = Arc::clone(slots).acquire_owned().await.map_err(io::Error::other)?;
    let (stream, _) = listener.accept().await?;
    Ok((stream, slot))
}

async fn connection(stream: TcpStream, slot: OwnedSemaphorePermit, router: Router, cancel: CancellationToken) {
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIMEOUT)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    tokio::pin!(connection);
    let ended = tokio::select! {
        result = connection.as_mut() => Some(result),
        () = cancel.cancelled() => None,
        () = tokio::time::sleep(CONNECTION_LIFETIME) => None,
    };
    if ended.is_none() {
        connection.as_mut().graceful_shutdown();
        // An answer that does not get out in time is cut; the client is not reading it.
        let _ = tokio::time::timeout(DRAIN, connection).await;
    }
    drop(slot);
}

#[cfg(test)]
mod tests {
    use std::pin::pin;

    use axum::routing::get;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;

    struct Served {
        address: SocketAddr,
        cancel: CancellationToken,
        tracker: TaskTracker,
    }

    async fn serve() -> Served {
        let server = BoundServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
        let address = server.address();
        let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
        let big = "x".repeat(64 << 20);
        let router = Router::new().route("/", get(|| async { "hello" })).route(
            "/big",
            get(move || {
                let big = big.clone();
                async move { big }
            }),
        );
        tracker.spawn(server.serve(router, cancel.clone(), tracker.clone()));
        Served { address, cancel, tracker }
    }

    async fn ask(address: SocketAddr, path: &str) -> TcpStream {
        let mut stream = TcpStream::connect(address).await.unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        stream
    }

    async fn answer(mut stream: TcpStream) -> String {
        let mut text = String::new();
        stream.read_to_string(&mut text).await.unwrap();
        text
    }

    #[tokio::test]
    async fn clients_that_read_nothing_leave_room_for_others_and_do_not_hold_up_the_end() {
        let served = serve().await;
        let mut dead = Vec::new();
        for _ in 0..8 {
            dead.push(ask(served.address, "/big").await);
        }
        // A silent client that sends half a request head.
        let mut half = TcpStream::connect(served.address).await.unwrap();
        half.write_all(b"GET / HT").await.unwrap();
        assert!(answer(ask(served.address, "/").await).await.ends_with("hello"));
        served.cancel.cancel();
        served.tracker.close();
        let drained = pin!(served.tracker.wait());
        tokio::time::timeout(Duration::from_secs(10), drained).await.expect("every connection ends by itself");
        drop((dead, half));
    }

    #[tokio::test]
    async fn a_client_past_the_limit_waits_for_a_slot_and_then_is_served() {
        let served = serve().await;
        let mut holders = Vec::new();
        for _ in 0..MAX_CONNECTIONS {
            let mut stream = TcpStream::connect(served.address).await.unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n").await.unwrap();
            let mut head = [0; 12];
            stream.read_exact(&mut head).await.unwrap();
            assert_eq!(&head, b"HTTP/1.1 200");
            holders.push(stream);
        }
        let mut waiting = Box::pin(answer(ask(served.address, "/").await));
        let early = tokio::time::timeout(Duration::from_millis(100), &mut waiting).await;
        assert!(early.is_err(), "served beyond the limit");
        holders.pop();
        assert!(waiting.await.ends_with("hello"));
        served.cancel.cancel();
    }

    #[tokio::test]
    async fn a_taken_port_is_an_error_before_anything_starts() {
        let first = BoundServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
        let error = BoundServer::bind(first.address()).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::AddrInUse);
    }
}
