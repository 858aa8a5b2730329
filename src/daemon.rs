//! The daemon: every listener bound first, then stations, polling and pages running until told to stop.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::clock::Clock;
use crate::config::model::{Config, ModbusServerConfig};
use crate::faces::http::{Pages, router};
use crate::faces::modbus::server::{BindError, BoundModbusServer};
use crate::faces::modbus::units::Units;
use crate::faces::server::BoundServer;
use crate::records::{Records, RecordsError};
use crate::station::context::ContextError;
use crate::station::fleet::Fleet;
use crate::station::roster::Roster;
use crate::station::snapshot::SnapshotReader;

/// What everything that runs gets to end by itself after a stop; with the rest of the way out it stays below a second.
pub const GRACE: Duration = Duration::from_millis(800);

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The address of the pages cannot be had.
    #[error("cannot listen on {address}: {source}")]
    Bind {
        /// Address as configured.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// The Modbus server cannot start.
    #[error("the Modbus server: {0}")]
    Modbus(#[from] BindError),
    /// A circuit cannot be audited as configured.
    #[error(transparent)]
    Context(#[from] ContextError),
    /// The journal or the history cannot be had.
    #[error(transparent)]
    Records(#[from] RecordsError),
}

/// A daemon that has its listener and has not polled anything yet.
#[derive(Debug)]
pub struct Daemon {
    server: BoundServer,
    modbus: Option<(BoundModbusServer, Arc<Units>)>,
    fleet: Fleet,
    clock: Clock,
    records: Records,
}

impl Daemon {
    /// Binds the listener, makes every station's state, and opens journal and history where configured.
    pub async fn bind(config: &Config) -> Result<Daemon, StartError> {
        let clock = Clock::system();
        let mut fleet = Fleet::new(&config.stations, clock.clone())?;
        let address = config.http.listen;
        let server = BoundServer::bind(address).await.map_err(|source| StartError::Bind { address, source })?;
        let modbus = match &config.modbus_server {
            Some(modbus) => Some(bind_modbus(config, modbus, &mut fleet, &clock).await?),
            None => None,
        };
        let (records, of_stations) = Records::open(config, &clock).await?;
        fleet.keep_records(of_stations);
        Ok(Daemon { server, modbus, fleet, clock, records })
    }

    /// Where the pages are, with the port the system chose for port 0.
    pub fn address(&self) -> SocketAddr {
        self.server.address()
    }

    /// Where the Modbus server is, when there is one.
    pub fn modbus_address(&self) -> Option<SocketAddr> {
        self.modbus.as_ref().map(|(server, _)| server.address())
    }

    /// One reader a station.
    pub fn readers(&self) -> Vec<SnapshotReader> {
        self.fleet.readers()
    }

    /// The journal and the history.
    pub fn records(&self) -> &Records {
        &self.records
    }

    /// Runs until `stop`, then waits up to [`GRACE`] for everything to end; true when all of it did.
    pub async fn run(self, stop: CancellationToken) -> bool {
        let tracker = TaskTracker::new();
        let pages = router(Pages::new(Roster::fixed(self.fleet.readers()), self.clock));
        tracker.spawn(self.server.serve(
            pages,
            crate::config::web_model::HttpLimits::default(),
            None,
            stop.clone(),
            tracker.clone(),
        ));
        if let Some((server, units)) = self.modbus {
            tracker.spawn(server.serve(units, stop.clone(), tracker.clone()));
        }
        self.fleet.spawn(&stop, &tracker);
        stop.cancelled().await;
        let ended = drain(&tracker).await;
        self.records.close().await && ended
    }
}

async fn bind_modbus(
    config: &Config,
    modbus: &ModbusServerConfig,
    fleet: &mut Fleet,
    clock: &Clock,
) -> Result<(BoundModbusServer, Arc<Units>), StartError> {
    let server = BoundModbusServer::bind(modbus).await?;
    let readers = fleet.readers();
    let units = Units::new(config, modbus, readers, fleet.links(), clock.clone());
    Ok((server, Arc::new(units)))
}

/// Waits up to [`GRACE`] for the tasks of a tracker; true when all have ended.
pub async fn drain(tracker: &TaskTracker) -> bool {
    tracker.close();
    tokio::time::timeout(GRACE, tracker.wait()).await.is_ok()
}
