//! `wattassay maps`: list the register maps, print one, or try one on a monitor. Reads only, like everything here.

mod printed;
mod tried;

use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::{Args, Subcommand, ValueEnum};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use self::printed::{list_text, map_text};
use self::tried::{Judged, judge, tried_text};
use super::{Exit, print, signals};
use crate::clock::Clock;
use crate::config::MapLibrary;
use crate::config::model::{MonitorConfig, Transport};
use crate::config::quantity::{self, Dimension};
use crate::daemon::drain;
use crate::modbus::links::Links;
use crate::modbus::map::MapSource;
use crate::modbus::poll::MonitorJob;
use crate::modbus::poller;

/// One answer is awaited for this long; a monitor tried by hand may sit behind a slow gateway.
const TRY_TIMEOUT: Duration = Duration::from_secs(2);
/// A whole try, with its connection and a search for a SunSpec model, is given up after this.
const TRY_LIMIT: Duration = Duration::from_mins(1);

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Options {
    /// Map to print; without it, all maps are listed
    name: Option<String>,
    /// Folder with further map files
    #[arg(long, value_name = "FOLDER", global = true)]
    folder: Option<PathBuf>,
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Read a monitor once with a map and print every value and its quality
    Try(TryOptions),
}

#[derive(Debug, Args)]
struct TryOptions {
    /// Map to use
    name: String,
    /// Where the monitor is
    #[arg(long, value_name = "HOST:PORT")]
    address: String,
    /// Unit id
    #[arg(long, value_name = "N", default_value_t = 1)]
    unit: u8,
    /// How bytes travel
    #[arg(long, value_enum, default_value_t = Wire::Tcp, value_name = "TRANSPORT")]
    transport: Wire,
    /// Nominal voltage between phases, for example "480 V"; it helps to tell what would fit better
    #[arg(long, value_name = "VOLTAGE", value_parser = nominal_voltage)]
    nominal_voltage: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Wire {
    /// Modbus/TCP
    Tcp,
    /// RTU frames over TCP
    RtuOverTcp,
}

fn nominal_voltage(text: &str) -> Result<f64, String> {
    quantity::parse(text, Dimension::Voltage).map_err(|error| format!("{}; {}", error.message, error.hint))
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let mut library = MapLibrary::builtin();
    if let Some(folder) = &options.folder {
        library = library.with_folder(folder)?;
    }
    match (&options.action, &options.name) {
        (Some(Action::Try(what)), _) => try_map(&library, what).await,
        (None, Some(name)) => {
            print(&map_text(name, find(&library, name)?))?;
            Ok(Exit::Well)
        }
        (None, None) => {
            print(&list_text(&library))?;
            Ok(Exit::Well)
        }
    }
}

fn find<'l>(library: &'l MapLibrary, name: &str) -> anyhow::Result<&'l MapSource> {
    let known = || library.list().into_iter().map(|map| map.name).collect::<Vec<_>>().join(", ");
    library.get(name).with_context(|| format!("there is no map \"{name}\"; there are {}", known()))
}

async fn try_map(library: &MapLibrary, what: &TryOptions) -> anyhow::Result<Exit> {
    let map = find(library, &what.name)?.clone();
    let stop = signals::stop_token()?;
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    let (events, mut receiver) = mpsc::channel(1);
    let monitor = MonitorConfig {
        name: "monitor".to_owned(),
        address: what.address.clone(),
        unit: what.unit,
        transport: match what.transport {
            Wire::Tcp => Transport::Tcp,
            Wire::RtuOverTcp => Transport::RtuOverTcp,
        },
        map: map.clone(),
        map_name: what.name.clone(),
        poll_period: TRY_LIMIT,
        timeout: TRY_TIMEOUT,
    };
    let job = MonitorJob { station: "try".to_owned(), monitor, events };
    poller::spawn(vec![(job, cancel.clone())], &mut Links::default(), &tracker, &Clock::system());
    let event = tokio::select! {
        () = stop.cancelled() => bail!("stopped before the monitor was read"),
        event = tokio::time::timeout(TRY_LIMIT, receiver.recv()) => event,
    };
    cancel.cancel();
    drain(&tracker).await;
    let event = event
        .with_context(|| format!("no poll finished within {} s", TRY_LIMIT.as_secs()))?
        .context("polling ended without a result")?;
    let judged = judge(&event, &map, what.nominal_voltage);
    print(&(tried_text(&event, &map) + &judged.text()))?;
    Ok(match judged {
        Judged::Usable => Exit::Well,
        Judged::Wrong(_) => Exit::FaultFound,
        Judged::Nothing(_) => Exit::CouldNotTell,
        Judged::NoAnswer => Exit::Error,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_map_is_listed_and_can_be_printed() {
        let library = MapLibrary::builtin();
        let list = list_text(&library);
        for map in library.list() {
            assert!(list.contains(&map.name));
            let text = map_text(&map.name, find(&library, &map.name).unwrap());
            assert!(text.starts_with(&map.name), "{text}");
        }
        let full = map_text("generic-full", find(&library, "generic-full").unwrap());
        assert!(full.contains("active power total W") && full.contains("f32"), "{full}");
        let error = find(&library, "generic-ful").unwrap_err().to_string();
        assert!(error.contains("generic-full"), "{error}");
    }
}
