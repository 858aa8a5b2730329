//! A new configuration for a running daemon: read and checked in full, then carried out station by station.
//!
//! Must never leave anything half changed: a file that is not right changes nothing and says why.

use std::fmt;
use std::path::{Path, PathBuf};

use tokio::sync::{mpsc, oneshot};

use crate::config;
use crate::config::model::{Config, ModbusServerConfig};
use crate::station::fleet::Changed;

/// Somebody asks for the configuration to be read again.
#[derive(Debug)]
pub struct ReloadOrder {
    /// Who asks, for the journal.
    pub by: String,
    /// Gets what came of it, in words.
    pub done: oneshot::Sender<Result<Reloaded, ReloadError>>,
}

/// The daemon's end of the way that orders take.
pub type ReloadOrders = mpsc::Receiver<ReloadOrder>;

/// Where such orders are handed in.
#[derive(Debug, Clone)]
pub struct Reloader(mpsc::Sender<ReloadOrder>);

impl Reloader {
    /// A way to the daemon, and the daemon's end of it.
    pub fn new() -> (Reloader, ReloadOrders) {
        let (sender, receiver) = mpsc::channel(4);
        (Reloader(sender), receiver)
    }

    /// Has the configuration read again; returns when it is in force, or why it is not.
    pub async fn reload(&self, by: impl Into<String>) -> Result<Reloaded, ReloadError> {
        let (done, answer) = oneshot::channel();
        self.0.send(ReloadOrder { by: by.into(), done }).await.map_err(|_| ReloadError::Stopping)?;
        answer.await.map_err(|_| ReloadError::Stopping)?
    }
}

/// Why nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum ReloadError {
    /// The file is not right; every problem with its place.
    #[error("nothing is changed, the configuration is not right:\n{0}")]
    Config(#[from] config::Problems),
    /// A station cannot be audited as configured.
    #[error("nothing is changed: {0}")]
    Context(#[from] crate::station::context::ContextError),
    /// The daemon runs by no file.
    #[error("nothing is changed: this daemon was not started from a configuration file")]
    NoFile,
    /// The daemon is stopping.
    #[error("the daemon is stopping")]
    Stopping,
}

/// What came of it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reloaded {
    /// Stations.
    pub stations: Changed,
    /// Tables of the file that differ and take effect at the next start only.
    pub at_next_start: Vec<&'static str>,
    /// Warnings about the file.
    pub warnings: usize,
}

impl fmt::Display for Reloaded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Changed { kept, altered, added, removed } = &self.stations;
        write!(f, "Configuration read again: {} stations go on untouched", kept.len())?;
        for (what, names) in [("altered", altered), ("new", added), ("gone", removed)] {
            if !names.is_empty() {
                write!(f, "; {what}: {}", names.join(", "))?;
            }
        }
        write!(f, ".")?;
        if !self.at_next_start.is_empty() {
            write!(f, " At the next start only: {}.", self.at_next_start.join(", "))?;
        }
        match self.warnings {
            0 => {}
            1 => f.write_str(" 1 warning: \"wattassay check\" shows it.")?,
            many => write!(f, " {many} warnings: \"wattassay check\" shows them.")?,
        }
        Ok(())
    }
}

/// The file that a daemon runs by, read again on demand.
#[derive(Debug, Clone)]
pub struct ConfigSource(PathBuf);

impl ConfigSource {
    /// This file.
    pub fn new(path: &Path) -> ConfigSource {
        ConfigSource(path.to_owned())
    }

    /// Reads and checks it.
    pub async fn load(&self) -> Result<Config, ReloadError> {
        let path = self.0.clone();
        match tokio::task::spawn_blocking(move || config::load(&path)).await {
            Ok(loaded) => Ok(loaded?),
            Err(_) => Err(ReloadError::Stopping),
        }
    }
}

/// Warnings logged one by one; a utility that forgot one key at each of its stations reads the rest elsewhere.
const WARNINGS_LOGGED: usize = 20;

/// Says in the log what a configuration says and can hardly mean.
pub fn log_warnings(config: &Config) {
    for warning in config.warnings.iter().take(WARNINGS_LOGGED) {
        // The line of the file is in `check`; a log has one line an entry.
        let text = warning.to_string();
        tracing::warn!("{}", text.lines().next().unwrap_or_default());
    }
    if let Some(more) = config.warnings.len().checked_sub(WARNINGS_LOGGED).filter(|more| *more > 0) {
        tracing::warn!("{more} more warnings about the configuration: \"wattassay check\" shows all");
    }
}

/// Tables that differ and that a running daemon does not take up.
pub fn at_next_start(old: &Config, new: &Config) -> Vec<&'static str> {
    let listener = |server: &ModbusServerConfig| ModbusServerConfig {
        audit_unit: 0,
        circuits: Vec::new(),
        pass_through: Vec::new(),
        ..server.clone()
    };
    let differs = [
        ("[http]", old.http != new.http),
        ("[access]", old.access != new.access),
        ("[metrics]", old.metrics != new.metrics),
        (
            "[modbus_server] (all but its circuits and monitors)",
            old.modbus_server.as_ref().map(listener) != new.modbus_server.as_ref().map(listener),
        ),
        ("[journal]", old.journal != new.journal),
        ("[history]", old.history != new.history),
        ("[notifications]", old.notifications != new.notifications),
    ];
    differs.into_iter().filter(|(_, differs)| *differs).map(|(table, _)| table).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::station_config;

    #[test]
    fn what_came_of_it_names_every_station_that_is_different() {
        let names = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
        let reloaded = Reloaded {
            stations: Changed {
                kept: names(&["A", "B"]),
                altered: names(&["Alder Creek Lift"]),
                added: Vec::new(),
                removed: names(&["Mill Race Pumping"]),
            },
            at_next_start: vec!["[http]"],
            warnings: 2,
        };
        assert_eq!(
            reloaded.to_string(),
            "Configuration read again: 2 stations go on untouched; altered: Alder Creek Lift; gone: Mill Race Pumping. \
             At the next start only: [http]. 2 warnings: \"wattassay check\" shows them."
        );
    }

    #[test]
    fn only_what_differs_waits_for_the_next_start() {
        let old = Config::of(vec![station_config("Alder Creek Lift")]);
        let mut new = Config::of(vec![station_config("Mill Race Pumping")]);
        assert_eq!(at_next_start(&old, &new), Vec::<&str>::new());
        new.http.listen.set_port(1);
        new.journal = Some("j".into());
        assert_eq!(at_next_start(&old, &new), ["[http]", "[journal]"]);
    }
}
