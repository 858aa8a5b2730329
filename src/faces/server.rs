//! The accept loop under the HTTP face: bounded in connections and in time, so that a client that sends nothing, reads
//! nothing or never leaves costs one slot for a while and no station anything.
//!
//! Must never let one client shake hands, or wait, at another's cost.

use std::collections::HashMap;
use std::convert::Infallible;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::http::{Request, Response, header};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::deadline::WriteDeadline;
use crate::config::web_model::HttpLimits;
use crate::tls::ReloadingTls;

/// No connection lives longer, but for one with an event stream. Scrapers simply connect again.
const CONNECTION_LIFETIME: Duration = Duration::from_mins(2);
/// A client that has taken nothing for this long while something is there for it is gone.
const WRITE_TIMEOUT: Duration = Duration::from_secs(30);
/// What an answer in progress gets at the end of a connection's life or of the daemon's.
const DRAIN: Duration = Duration::from_millis(500);
/// Out of file descriptors or alike: wait, do not spin and do not end.
const AFTER_ACCEPT_ERROR: Duration = Duration::from_millis(200);
/// Longest head of a request, bytes.
const MAX_HEAD: usize = 64 * 1024;

/// Where a request comes from; among its extensions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer(pub SocketAddr);

/// A bound listener that does not accept yet.
#[derive(Debug)]
pub struct BoundServer {
    listener: TcpListener,
    address: SocketAddr,
}

/// What all connections share.
struct Shared {
    router: Router,
    limits: HttpLimits,
    tls: Option<ReloadingTls>,
    of_addresses: Mutex<HashMap<IpAddr, usize>>,
    cancel: CancellationToken,
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

    /// Serves until cancelled; through TLS when there is one.
    pub async fn serve(
        self,
        router: Router,
        limits: HttpLimits,
        tls: Option<ReloadingTls>,
        cancel: CancellationToken,
        tracker: TaskTracker,
    ) {
        let slots = Arc::new(Semaphore::new(limits.connections));
        let shared = Shared { router, limits, tls, of_addresses: Mutex::default(), cancel };
        let shared = Arc::new(shared);
        loop {
            // Taking the slot first leaves further clients waiting in the listener's queue.
            let accepted = tokio::select! {
                biased;
                () = shared.cancel.cancelled() => return,
                accepted = accept(&self.listener, &slots) => accepted,
            };
            match accepted {
                Ok((stream, peer, slot)) => {
                    // One address that has its share already is let go at once.
                    if let Some(share) = Share::of(&shared, peer.0.ip()) {
                        tracker.spawn(connection(stream, peer, (slot, share), Arc::clone(&shared)));
                    }
                }
                Err(error) => {
                    tracing::warn!("HTTP: cannot accept a connection: {error}");
                    tokio::time::sleep(AFTER_ACCEPT_ERROR).await;
                }
            }
        }
    }
}

/// One connection of those an address may have; given back when dropped.
struct Share {
    shared: Arc<Shared>,
    address: IpAddr,
}

impl Share {
    fn of(shared: &Arc<Shared>, address: IpAddr) -> Option<Share> {
        let mut of_addresses = shared.of_addresses();
        let count = of_addresses.entry(address).or_default();
        if *count >= shared.limits.connections_per_address {
            return None;
        }
        *count += 1;
        Some(Share { shared: Arc::clone(shared), address })
    }
}

impl Drop for Share {
    fn drop(&mut self) {
        let mut of_addresses = self.shared.of_addresses();
        if let Some(count) = of_addresses.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                of_addresses.remove(&self.address);
            }
        }
    }
}

impl Shared {
    fn of_addresses(&self) -> MutexGuard<'_, HashMap<IpAddr, usize>> {
        self.of_addresses.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

async fn accept(listener: &TcpListener, slots: &Arc<Semaphore>) -> io::Result<(TcpStream, Peer, OwnedSemaphorePermit)> {
    let slot = Arc::clone(slots).acquire_owned().await.map_err(io::Error::other)?;
    let (stream, peer) = listener.accept().await?;
    Ok((stream, Peer(peer), slot))
}

/// Serves one client, through TLS if need be. `_held` is what it holds of the limits.
async fn connection(stream: TcpStream, peer: Peer, _held: (OwnedSemaphorePermit, Share), shared: Arc<Shared>) {
    let Some(tls) = &shared.tls else { return requests(stream, peer, &shared).await };
    let shaking = async { tls.newest().await.accept(stream).await };
    let shaken = tokio::select! {
        shaken = tokio::time::timeout(shared.limits.header_timeout, shaking) => shaken,
        () = shared.cancel.cancelled() => return,
    };
    match shaken {
        Ok(Ok(stream)) => requests(stream, peer, &shared).await,
        Ok(Err(error)) => tracing::debug!("HTTP: no TLS with {}: {error}", peer.0),
        Err(_) => tracing::debug!("HTTP: no TLS with {} in time", peer.0),
    }
}

async fn requests(stream: impl AsyncRead + AsyncWrite + Unpin, peer: Peer, shared: &Shared) {
    let has_event_stream = AtomicBool::new(false);
    let routes = TowerToHyperService::new(shared.router.clone());
    let service = service_fn(|mut request: Request<Incoming>| {
        request.extensions_mut().insert(peer);
        let answer = routes.call(request);
        let has_event_stream = &has_event_stream;
        async move {
            let answer = answer.await?;
            if is_event_stream(&answer) {
                has_event_stream.store(true, Ordering::Relaxed);
            }
            Ok::<_, Infallible>(answer)
        }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(shared.limits.header_timeout)
        .max_buf_size(MAX_HEAD)
        .serve_connection(TokioIo::new(WriteDeadline::new(stream, WRITE_TIMEOUT)), service);
    tokio::pin!(connection);
    let end_of_life = async {
        tokio::time::sleep(CONNECTION_LIFETIME).await;
        if has_event_stream.load(Ordering::Relaxed) {
            std::future::pending::<()>().await;
        }
    };
    let ended = tokio::select! {
        result = connection.as_mut() => Some(result),
        () = shared.cancel.cancelled() => None,
        () = end_of_life => None,
    };
    if ended.is_none() {
        connection.as_mut().graceful_shutdown();
        // An answer that does not get out in time is cut; the client is not reading it.
        let _ = tokio::time::timeout(DRAIN, connection).await;
    }
}

fn is_event_stream<B>(answer: &Response<B>) -> bool {
    answer.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/event-stream"))
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
        serve_within(HttpLimits { connections_per_address: 64, ..HttpLimits::default() }).await
    }

    async fn serve_within(limits: HttpLimits) -> Served {
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
        tracker.spawn(server.serve(router, limits, None, cancel.clone(), tracker.clone()));
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
        for _ in 0..HttpLimits::default().connections {
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
    async fn one_address_has_its_share_and_gets_it_back() {
        let served = serve_within(HttpLimits { connections_per_address: 2, ..HttpLimits::default() }).await;
        let mut holders = Vec::new();
        for _ in 0..2 {
            let mut stream = TcpStream::connect(served.address).await.unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n").await.unwrap();
            let mut head = [0; 12];
            stream.read_exact(&mut head).await.unwrap();
            holders.push(stream);
        }
        let mut third = TcpStream::connect(served.address).await.unwrap();
        // Closed unread, so that the end may come as a reset.
        assert!(matches!(third.read(&mut [0; 1]).await, Ok(0) | Err(_)));
        drop(holders);
        // The server learns of the end in its own time.
        let served_again = async {
            loop {
                let mut text = String::new();
                let mut stream = TcpStream::connect(served.address).await.unwrap();
                let asked = stream.write_all(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n").await;
                if asked.is_ok() && stream.read_to_string(&mut text).await.is_ok() && text.ends_with("hello") {
                    return;
                }
            }
        };
        tokio::time::timeout(Duration::from_secs(10), served_again).await.expect("the share is given back");
        served.cancel.cancel();
    }

    #[tokio::test]
    async fn a_taken_port_is_an_error_before_anything_starts() {
        let first = BoundServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
        let error = BoundServer::bind(first.address()).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::AddrInUse);
    }
}
