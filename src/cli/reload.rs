//! `wattassay reload`: has the running daemon read its configuration again.

use clap::Args;

use super::{ConfigFile, Exit, print};
use crate::control;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let file = &options.config.config;
    let (done, text) = control::reload(file).await.map_err(|error| {
        anyhow::anyhow!("no daemon that runs by {} can be reached from here: {error}", file.display())
    })?;
    if !done {
        anyhow::bail!("{text}");
    }
    print(&(text + "\n"))?;
    Ok(Exit::Well)
}
