//! `wattassay run`: the daemon.

use clap::Args;

use super::{ConfigFile, Exit, signals};
use crate::config;
use crate::daemon::Daemon;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let config = config::load(&options.config.config)?;
    let stop = signals::stop_token()?;
    let daemon = Daemon::bind(&config).await?;
    daemon.records().started(&options.config.config).await;
    let monitors: usize = config.stations.iter().map(|s| s.monitors.len()).sum();
    tracing::info!(
        "wattassay {} watches {} stations with {monitors} monitors; pages at http://{}/",
        env!("CARGO_PKG_VERSION"),
        config.stations.len(),
        daemon.address()
    );
    if let Some(address) = daemon.modbus_address() {
        tracing::info!("the Modbus server listens on {address}");
    }
    if daemon.run(stop).await {
        tracing::info!("stopped");
    } else {
        tracing::warn!("stopped, with work cut off that did not end in time");
    }
    Ok(Exit::Well)
}
