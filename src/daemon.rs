//! The daemon: every listener bound first, then stations, polling and pages running until told to stop.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::alarm::from_audit::Room;
use crate::check_book::CheckBook;
use crate::clock::Clock;
use crate::config::model::{Config, ModbusServerConfig};
use crate::desk::Desk;
use crate::desk::record::AlarmRecord;
use crate::desk::task::{DeskTask, FreeSpace};
use crate::desk::watched::{Reconfigure, Watched};
use crate::disk::DiskWatch;
use crate::faces::api::Api;
use crate::faces::api::events::{self, Events};
use crate::faces::api::readers::Readers;
use crate::faces::http::{self, Pages};
use crate::faces::modbus::server::{BindError, BoundModbusServer};
use crate::faces::modbus::units::Units;
use crate::faces::web::{BoundWeb, Web, WebError};
use crate::history::recorder::Recorder;
use crate::history::status::Status;
use crate::notify::Notifier;
use crate::notify::outbox_file::OutboxError;
use crate::records::{Records, RecordsError};
use crate::reload::{ConfigSource, ReloadError, ReloadOrders, Reloaded, Reloader, at_next_start, log_warnings};
use crate::station::context::ContextError;
use crate::station::fleet::{Changed, Fleet};
use crate::station::snapshot::SnapshotReader;

/// What everything that runs gets to end by itself after a stop; with the rest of the way out it stays below a second.
pub const GRACE: Duration = Duration::from_millis(800);

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The HTTP face cannot be had.
    #[error(transparent)]
    Web(#[from] WebError),
    /// The Modbus server cannot start.
    #[error("the Modbus server: {0}")]
    Modbus(#[from] BindError),
    /// A circuit cannot be audited as configured.
    #[error(transparent)]
    Context(#[from] ContextError),
    /// The journal or the history cannot be had.
    #[error(transparent)]
    Records(#[from] RecordsError),
    /// The outbox of notifications cannot be had.
    #[error("notifications: {0}")]
    Notifications(#[from] OutboxError),
}

/// A daemon that has its listeners and has not polled anything yet.
#[derive(Debug)]
pub struct Daemon {
    config: watch::Sender<Arc<Config>>,
    web: Web,
    modbus: Option<(BoundModbusServer, Arc<Units>)>,
    fleet: Fleet,
    desk: (DeskTask, Desk, Reconfigure),
    notifier: Option<Notifier>,
    checks: CheckBook,
    reloads: (Reloader, ReloadOrders),
    clock: Clock,
    records: Records,
}

impl Daemon {
    /// Binds the listeners, makes every station's state, and opens journal and history where configured.
    pub async fn bind(config: &Config) -> Result<Daemon, StartError> {
        let clock = Clock::system();
        let mut fleet = Fleet::new(&config.stations, clock.clone())?;
        let web = BoundWeb::bind(config).await?;
        let modbus = match &config.modbus_server {
            Some(modbus) => {
                let server = BoundModbusServer::bind(modbus).await?;
                Some((server, units(config, modbus, &mut fleet, &clock)))
            }
            None => None,
        };
        let (records, of_stations) = Records::open(config, &clock).await?;
        let web = web.open(records.journal().cloned(), clock.clone()).await?;
        fleet.keep_records(of_stations);
        let watched = Watched::new(&config.alarms, &config.stations);
        let record = AlarmRecord::new(records.journal().cloned(), config.journal.clone());
        let mut desk = DeskTask::new(&watched, fleet.roster(), record, clock.clone());
        if let Some(space) =
            space_for_records(config.journal.as_deref(), records.history().map(Recorder::shared_status))
        {
            desk.0.watch_space(space);
        }
        let notifier = match &config.notifications {
            Some(settings) => Some(Notifier::open(settings, clock.clone()).await?),
            None => None,
        };
        if let Some(notifier) = &notifier {
            desk.0.tell(notifier.clone());
        }
        let (config, in_force) = watch::channel(Arc::new(config.clone()));
        let folder = in_force.borrow().journal.clone();
        let checks = CheckBook::open(in_force, records.journal().cloned(), folder.as_deref(), clock.now().wall);
        fleet.count_checks(&checks.counted());
        Ok(Daemon { config, web, modbus, fleet, desk, notifier, checks, reloads: Reloader::new(), clock, records })
    }

    /// Where the pages are, with the port the system chose for port 0.
    pub fn address(&self) -> SocketAddr {
        self.web.address()
    }

    /// The HTTP face.
    pub fn web(&self) -> &Web {
        &self.web
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

    /// A way to have the configuration read again while it runs.
    pub fn reloader(&self) -> Reloader {
        self.reloads.0.clone()
    }

    /// Runs until `stop`, then waits up to [`GRACE`] for everything to end; true when all of it did. Meanwhile the
    /// configuration is read again from `source` as often as asked for.
    pub async fn run(self, stop: CancellationToken, source: Option<ConfigSource>) -> bool {
        let tracker = TaskTracker::new();
        let Daemon { config, web, modbus, mut fleet, desk, notifier, checks, reloads, clock, records } = self;
        let (reloader, orders) = reloads;
        let (desk_task, desk, reconfigure) = desk;
        let events = Events::new(clock.now().wall);
        let watched = events::Watched {
            roster: fleet.roster(),
            desk: desk.clone(),
            journal: records.journal().cloned(),
            clock: clock.clone(),
        };
        tracker.spawn(events.clone().run(watched, stop.clone()));
        let api = Api {
            roster: fleet.roster(),
            desk: desk.clone(),
            checks: checks.clone(),
            config: config.subscribe(),
            reloader,
            readers: Readers::of(&config.borrow()),
            events,
            clock: clock.clone(),
        };
        let pages = Pages::new(fleet.roster(), desk, clock.clone());
        let pages = pages.with_history(records.history().map(Recorder::shared_status)).with_notifier(notifier.clone());
        if let Some(notifier) = notifier {
            notifier.spawn(&stop, &tracker);
        }
        let metrics = http::metrics_router(pages.clone());
        web.serve(http::router(pages, api), &http::document(), metrics, &stop, &tracker);
        let units = modbus.map(|(server, units)| {
            let (sender, receiver) = watch::channel(units);
            tracker.spawn(server.serve(receiver, stop.clone(), tracker.clone()));
            sender
        });
        tracker.spawn(desk_task.run(stop.clone()));
        fleet.start(&stop, &tracker);
        let mut running = Running { config, fleet, units, reconfigure, checks, clock, records };
        running.take_orders(source, orders, &stop, &tracker).await;
        let ended = drain(&tracker).await;
        running.records.close().await && ended
    }
}

/// What a change of the configuration reaches.
struct Running {
    config: watch::Sender<Arc<Config>>,
    fleet: Fleet,
    units: Option<watch::Sender<Arc<Units>>>,
    reconfigure: Reconfigure,
    checks: CheckBook,
    clock: Clock,
    records: Records,
}

impl Running {
    async fn take_orders(
        &mut self,
        source: Option<ConfigSource>,
        mut orders: ReloadOrders,
        stop: &CancellationToken,
        tracker: &TaskTracker,
    ) {
        loop {
            let order = tokio::select! {
                biased;
                () = stop.cancelled() => return,
                Some(order) = orders.recv() => order,
                else => return stop.cancelled().await,
            };
            let done = match &source {
                Some(source) => self.reload(source, &order.by, stop, tracker).await,
                None => Err(ReloadError::NoFile),
            };
            match &done {
                Ok(reloaded) => tracing::info!("{reloaded}"),
                Err(error) => tracing::error!("{error}"),
            }
            // Whoever asked may have gone.
            let _ = order.done.send(done);
        }
    }

    async fn reload(
        &mut self,
        source: &ConfigSource,
        by: &str,
        stop: &CancellationToken,
        tracker: &TaskTracker,
    ) -> Result<Reloaded, ReloadError> {
        let new = source.load().await?;
        let plan = self.fleet.plan(&new.stations)?;
        // From here on nothing can fail.
        log_warnings(&new);
        let warnings = new.warnings.len();
        let at_next_start = at_next_start(&self.config.borrow(), &new);
        let records = &self.records;
        let stations = self.fleet.carry_out(plan, |station| records.of_station(station), stop, tracker).await;
        if let (Some(units_in_use), Some(modbus)) = (&self.units, &new.modbus_server) {
            units_in_use.send_replace(units(&new, modbus, &mut self.fleet, &self.clock));
        }
        self.reconfigure.take(Watched::new(&new.alarms, &new.stations)).await;
        self.config.send_replace(Arc::new(new));
        self.checks.reconfigured().await;
        let reloaded = Reloaded { stations, at_next_start, warnings };
        let Changed { altered, added, removed, .. } = &reloaded.stations;
        let data = serde_json::json!({ "by": by, "altered": altered, "added": added, "removed": removed });
        self.records.reloaded(format!("{reloaded} Asked for by {by}."), &data).await;
        Ok(reloaded)
    }
}

/// How much room there is where records go: on the disk of the journal and on that of the history.
fn space_for_records(journal: Option<&Path>, history: Option<Arc<Status>>) -> Option<FreeSpace> {
    let journal = journal.map(|folder| DiskWatch::new(folder.to_owned()));
    if journal.is_none() && history.is_none() {
        return None;
    }
    Some(Box::new(move || {
        let of_journal = journal.as_ref().and_then(DiskWatch::room).map(|room| Room {
            free_bytes: Some(room.free_bytes),
            least_bytes: room.least_bytes,
            dropping: false,
        });
        let of_history = history.as_ref().map(|status| {
            let storage = status.storage();
            Room { free_bytes: storage.free_bytes, least_bytes: storage.least_bytes, dropping: storage.full }
        });
        Room::together(of_journal.into_iter().chain(of_history))
    }))
}

fn units(config: &Config, modbus: &ModbusServerConfig, fleet: &mut Fleet, clock: &Clock) -> Arc<Units> {
    let readers = fleet.readers();
    Arc::new(Units::new(config, modbus, readers, fleet.links(), clock.clone()))
}

/// Waits up to [`GRACE`] for the tasks of a tracker; true when all have ended.
pub async fn drain(tracker: &TaskTracker) -> bool {
    tracker.close();
    tokio::time::timeout(GRACE, tracker.wait()).await.is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn the_disk_of_the_journal_is_watched_without_a_history() {
        let folder = tempfile::tempdir().unwrap();
        let space = space_for_records(Some(folder.path()), None).unwrap();
        while space().free_bytes.is_none() {
            tokio::task::yield_now().await;
        }
        assert!(space().least_bytes > 0 && !space().dropping);
        assert!(space_for_records(None, None).is_none());
    }
}
