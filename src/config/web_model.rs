//! What the configuration says of the HTTP face: where it is, by which certificate, within which limits, and who gets in.
//!
//! Checked data only. Must never hold a secret: passwords and tokens are in the users file, and only as their hashes.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

/// Where the HTTP face listens unless the file says otherwise.
pub const DEFAULT_HTTP_LISTEN: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 9184);

/// The HTTP face.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HttpConfig {
    /// Where it listens; loopback by default.
    pub listen: SocketAddr,
    /// TLS; none is plain HTTP.
    pub tls: Option<HttpTlsConfig>,
    /// What a client may take.
    pub limits: HttpLimits,
}

impl Default for HttpConfig {
    fn default() -> HttpConfig {
        HttpConfig { listen: DEFAULT_HTTP_LISTEN, tls: None, limits: HttpLimits::default() }
    }
}

/// Certificate and key of the HTTP face.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HttpTlsConfig {
    /// File of the certificate and those between it and its authority (PEM).
    pub certificate: PathBuf,
    /// File of its private key (PEM).
    pub key: PathBuf,
}

/// What a client of the HTTP face may take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HttpLimits {
    /// Longest body of a request, bytes.
    pub body_bytes: usize,
    /// Connections served at once.
    pub connections: usize,
    /// Of these from one address.
    pub connections_per_address: usize,
    /// A whole request head must have come by then.
    pub header_timeout: Duration,
    /// The answer must have begun by then.
    pub request_timeout: Duration,
}

impl Default for HttpLimits {
    /// Room for a scraper, a few consoles and programs; the API's largest body is an alarm's comment.
    fn default() -> HttpLimits {
        HttpLimits {
            body_bytes: 1_000_000,
            connections: 64,
            connections_per_address: 32,
            header_timeout: Duration::from_secs(10),
            request_timeout: Duration::from_secs(30),
        }
    }
}

/// Users, and how long they stay logged in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccessConfig {
    /// The users file.
    pub users: PathBuf,
    /// A session unused for this long ends.
    pub session_idle: Duration,
    /// A session ends after this in any case.
    pub session_longest: Duration,
}

/// The page for Prometheus.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct MetricsConfig {
    /// A listener of its own, without TLS; none is the HTTP face's.
    pub listen: Option<SocketAddr>,
    /// Who may read it.
    pub access: MetricsAccess,
}

/// Who may read the page for Prometheus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MetricsAccess {
    /// Whoever reaches the listener.
    #[default]
    Open,
    /// Whoever has a token, or is logged in.
    Token,
}
