//! The HTTP face as a whole: its listeners, TLS, users and rules, made from the configuration and ready to serve.
//!
//! Must never serve a route past the guard.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::http::Method;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use utoipa::openapi::OpenApi;

use super::api::session;
use super::guard::Guard;
use super::guard::acts::Acts;
use super::guard::door::{Door, DoorError};
use super::guard::rules::{Need, Rules};
use super::server::BoundServer;
use crate::access::role::Permission;
use crate::clock::Clock;
use crate::config::model::Config;
use crate::config::web_model::{AccessConfig, HttpLimits, HttpTlsConfig, MetricsAccess};
use crate::journal::Journal;
use crate::tls::{CertificateError, ReloadingTls, TlsFiles};

/// Where the page for Prometheus is.
pub const METRICS_PATH: &str = "/metrics";

/// Why the HTTP face cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum WebError {
    /// An address cannot be had.
    #[error("cannot listen on {address}: {source}")]
    Bind {
        /// Address as configured.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// Certificate or key.
    #[error(transparent)]
    Certificate(#[from] CertificateError),
    /// Users.
    #[error("access.users: {0}")]
    Users(#[from] DoorError),
}

/// Listeners and certificates, bound and read, not serving yet.
#[derive(Debug)]
pub struct BoundWeb {
    server: BoundServer,
    metrics: Option<BoundServer>,
    tls: Option<ReloadingTls>,
    limits: HttpLimits,
    access: Option<AccessConfig>,
    metrics_access: MetricsAccess,
}

/// The HTTP face, ready to serve.
#[derive(Debug)]
pub struct Web {
    bound: BoundWeb,
    door: Option<Arc<Door>>,
    acts: Acts,
}

impl BoundWeb {
    /// Binds every listener and reads the certificates.
    pub async fn bind(config: &Config) -> Result<BoundWeb, WebError> {
        let tls = config.http.tls.as_ref().map(load_tls).transpose()?;
        let server = bind(config.http.listen).await?;
        let metrics = match config.metrics.listen {
            Some(address) => Some(bind(address).await?),
            None => None,
        };
        Ok(BoundWeb {
            server,
            metrics,
            tls,
            limits: config.http.limits.clone(),
            access: config.access.clone(),
            metrics_access: config.metrics.access,
        })
    }

    /// Where the pages are, with the port the system chose for port 0.
    pub fn address(&self) -> SocketAddr {
        self.server.address()
    }

    /// Where the page for Prometheus is, when it has a listener of its own.
    pub fn metrics_address(&self) -> Option<SocketAddr> {
        self.metrics.as_ref().map(BoundServer::address)
    }

    /// Reads the users; what people do goes to the journal.
    pub async fn open(self, journal: Option<Journal>, clock: Clock) -> Result<Web, WebError> {
        let acts = Acts::new(journal, clock);
        let door = match &self.access {
            Some(access) => Some(Arc::new(Door::open(access, acts.clone()).await?)),
            None => None,
        };
        Ok(Web { bound: self, door, acts })
    }
}

impl Web {
    /// Where the pages are.
    pub fn address(&self) -> SocketAddr {
        self.bound.address()
    }

    /// Where the page for Prometheus is, when it has a listener of its own.
    pub fn metrics_address(&self) -> Option<SocketAddr> {
        self.bound.metrics_address()
    }

    /// "http" or "https".
    pub fn scheme(&self) -> &'static str {
        if self.bound.tls.is_some() { "https" } else { "http" }
    }

    /// Puts what people do in the journal, for handlers.
    pub fn acts(&self) -> &Acts {
        &self.acts
    }

    /// Serves until `stop`. `document` says of every route of `pages` who may use it; `metrics` is the router of the page for
    /// Prometheus alone. Sessions are added here.
    pub fn serve(
        self,
        pages: Router,
        document: &OpenApi,
        metrics: Router,
        stop: &CancellationToken,
        tracker: &TaskTracker,
    ) {
        let Web { bound: BoundWeb { server, metrics: metrics_server, tls, limits, metrics_access, .. }, door, acts } =
            self;
        let need = match metrics_access {
            MetricsAccess::Open => Need::Open,
            MetricsAccess::Token => Need::Permission(Permission::View),
        };
        let mut rules = Rules::of(document);
        rules.set(METRICS_PATH, Method::GET, need);
        if let Some(metrics_server) = metrics_server {
            let mut rules = Rules::default();
            rules.set(METRICS_PATH, Method::GET, need);
            let guard = Guard::new(rules, door.clone(), acts.clone(), false);
            let routes = guard.around(metrics, &limits);
            tracker.spawn(metrics_server.serve(routes, limits.clone(), None, stop.clone(), tracker.clone()));
        }
        if let Some(door) = door.clone() {
            let stop = stop.clone();
            tracker.spawn(async move { stop.run_until_cancelled(door.watch()).await });
        }
        let guard = Guard::new(rules, door, acts, tls.is_some());
        let routes = guard.around(pages.merge(session::routes(guard.clone())), &limits);
        tracker.spawn(server.serve(routes, limits, tls, stop.clone(), tracker.clone()));
    }
}

/// Reads the certificate and the key of the HTTP face.
pub fn load_tls(config: &HttpTlsConfig) -> Result<ReloadingTls, CertificateError> {
    ReloadingTls::load(TlsFiles {
        server: "HTTP",
        table: "http.tls",
        certificate: config.certificate.clone(),
        key: config.key.clone(),
        client_authority: None,
        protocols: &[b"http/1.1"],
    })
}

async fn bind(address: SocketAddr) -> Result<BoundServer, WebError> {
    BoundServer::bind(address).await.map_err(|source| WebError::Bind { address, source })
}
