//! `wattassay run`: the daemon.

use clap::Args;

use super::{ConfigFile, Exit, signals};
use crate::daemon::Daemon;
use crate::reload::{ConfigSource, log_warnings};
use crate::{config, control};

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let file = &options.config.config;
    let config = config::load(file)?;
    log_warnings(&config);
    let stop = signals::stop_token()?;
    let daemon = Daemon::bind(&config).await?;
    daemon.records().started(file).await;
    let reloader = daemon.reloader();
    signals::reload_on_hangup(reloader.clone())?;
    match control::bind(file) {
        Ok(listener) => drop(tokio::spawn(control::serve(listener, reloader, stop.clone()))),
        Err(error) => tracing::warn!("`wattassay reload` cannot reach this daemon (SIGHUP can): {error}"),
    }
    let monitors: usize = config.stations.iter().map(|s| s.monitors.len()).sum();
    tracing::info!(
        "wattassay {} watches {} stations with {monitors} monitors; pages at {}://{}/",
        env!("CARGO_PKG_VERSION"),
        config.stations.len(),
        daemon.web().scheme(),
        daemon.address()
    );
    if let Some(address) = daemon.web().metrics_address() {
        tracing::info!("metrics at http://{address}/metrics");
    }
    if let Some(address) = daemon.modbus_address() {
        tracing::info!("the Modbus server listens on {address}");
    }
    if daemon.run(stop, Some(ConfigSource::new(file))).await {
        tracing::info!("stopped");
    } else {
        tracing::warn!("stopped, with work cut off that did not end in time");
    }
    Ok(Exit::Well)
}
