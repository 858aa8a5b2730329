//! `wattassay demo`: the bundled simulated stations and the daemon on them, in one process. Touches no real monitor.

use std::collections::HashMap;
use std::fmt::Write;
use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, ensure};
use clap::Args;
use tokio_util::sync::CancellationToken;
use wattassay_simulators::{Running, SimError, StationFile, demo_stations};

use super::{Exit, print, signals, span};
use crate::audit::words;
use crate::config;
use crate::config::{Config, MapLibrary};
use crate::daemon::Daemon;
use crate::faces::{cautions, report};
use crate::station::snapshot::{SnapshotReader, StationSnapshot};

const CONFIG: &str = include_str!("../../config/demo.toml");
const CONFIG_NAME: &str = "config/demo.toml";

#[derive(Debug, Args)]
pub(super) struct Options {
    /// Stop by itself after this long, for example 60s; until Ctrl-C when left out
    #[arg(long = "for", value_name = "SPAN", value_parser = span::parse)]
    span: Option<Duration>,
    /// Port of the pages on 127.0.0.1; 0 takes a free one
    #[arg(long, value_name = "N", conflicts_with = "listen")]
    port: Option<u16>,
    /// Address of the pages, on loopback
    #[arg(long, value_name = "IP:PORT")]
    listen: Option<SocketAddr>,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let mut config = config::parse(CONFIG_NAME, CONFIG, &MapLibrary::builtin())?;
    if let Some(listen) = options.listen {
        ensure!(
            listen.ip().is_loopback(),
            "--listen {listen}: the demo only listens on loopback, such as 127.0.0.1:9184"
        );
        config.http.listen = listen;
    }
    if let Some(port) = options.port {
        config.http.listen.set_port(port);
    }
    let stop = signals::stop_token()?;
    let stations = demo_stations();
    let simulated = CancellationToken::new();
    let running = start_simulator(&stations, &simulated).await?;
    point_to(&mut config, &running)?;
    let daemon = Daemon::bind(&config).await?;
    let readers = daemon.readers();
    print(&banner(&stations, &config, daemon.address(), options.span))?;
    if let Some(span) = options.span {
        let stop = stop.clone();
        tokio::spawn(async move {
            tokio::time::sleep(span).await;
            stop.cancel();
        });
    }
    daemon.run(stop, None).await;
    simulated.cancel();
    let snapshots: Vec<_> = readers.iter().map(SnapshotReader::get).collect();
    print(&summary(&snapshots))?;
    Ok(Exit::Well)
}

/// Starts the simulated monitors on the ports of their files, so that they can be tried by hand under known addresses;
/// on free ports when any of those is taken.
async fn start_simulator(stations: &[StationFile], cancel: &CancellationToken) -> anyhow::Result<Running> {
    match wattassay_simulators::start(stations.to_vec(), cancel.clone()).await {
        Err(SimError::Bind { address, .. }) => {
            tracing::info!("{address} is taken; the simulated monitors use free ports instead");
            let moved = on_free_ports(stations).context("looking for free ports")?;
            wattassay_simulators::start(moved, cancel.clone()).await.context("starting the simulated stations")
        }
        started => started.context("starting the simulated stations"),
    }
}

/// The stations with every listener on a free port; monitors that shared a listener still do.
fn on_free_ports(stations: &[StationFile]) -> std::io::Result<Vec<StationFile>> {
    let mut moved = stations.to_vec();
    let mut ports: HashMap<String, (TcpListener, String)> = HashMap::new();
    for monitor in moved.iter_mut().flat_map(|station| &mut station.monitors) {
        if !ports.contains_key(&monitor.listen) {
            // Held until all are found, so that none is given twice.
            let held = TcpListener::bind("127.0.0.1:0")?;
            let address = held.local_addr()?.to_string();
            ports.insert(monitor.listen.clone(), (held, address));
        }
        if let Some((_, address)) = ports.get(&monitor.listen) {
            monitor.listen.clone_from(address);
        }
    }
    Ok(moved)
}

/// Points every configured monitor to its simulated one.
fn point_to(config: &mut Config, running: &Running) -> anyhow::Result<()> {
    for station in &mut config.stations {
        for monitor in &mut station.monitors {
            let simulated = running
                .monitors
                .iter()
                .find(|s| s.station == station.name && s.monitor == monitor.name)
                .with_context(|| format!("{CONFIG_NAME}: {} / {} is not simulated", station.name, monitor.name))?;
            monitor.address = simulated.address.to_string();
            monitor.unit = simulated.unit;
        }
    }
    Ok(())
}

fn banner(stations: &[StationFile], config: &Config, pages: SocketAddr, span: Option<Duration>) -> String {
    let mut out = format!(
        "wattassay demo: {} simulated pump stations of \"Larkmoor Water\", some of them wired wrong on purpose.\n\
         Nothing here touches a real monitor.\n\nWhat is simulated\n",
        stations.len()
    );
    for station in stations {
        let truth = station.expect.as_ref().map_or("", |expect| expect.note.as_str());
        let _ = writeln!(out, "  {:<24} {truth}", station.name);
        let configured = config.stations.iter().find(|s| s.name == station.name);
        for monitor in configured.iter().flat_map(|s| &s.monitors) {
            let _ = writeln!(
                out,
                "  {:<24}   {} at {}, unit {}, map {}",
                "", monitor.name, monitor.address, monitor.unit, monitor.map_name
            );
        }
    }
    let _ = write!(
        out,
        "\nWhere to look\n  http://{pages}/\n  http://{pages}/metrics\n  http://{pages}/api/v1/snapshot\n  \
         the log below: one line for each finding, most of them within half a minute\n\n"
    );
    match span {
        Some(span) => {
            let _ = writeln!(out, "Stops by itself after {} s, or with Ctrl-C.\n", span.as_secs_f64());
        }
        None => out.push_str("Stop with Ctrl-C.\n\n"),
    }
    out
}

/// What was found by the end, one line a circuit.
fn summary(stations: &[Arc<StationSnapshot>]) -> String {
    let mut out = String::from("\n");
    let cautions = cautions::of_stations(stations);
    if !cautions.is_empty() {
        out.push_str(&report::caution_text(&cautions));
        out.push('\n');
    }
    out.push_str("What was found\n");
    for station in stations {
        for circuit in &station.circuits {
            let found = circuit.assessment.as_deref().map_or_else(
                || "no reading".to_owned(),
                |a| words::headline_with_check(a, &circuit.installation, &circuit.done()),
            );
            let _ = writeln!(out, "  {} / {}: {found}", station.station, circuit.name);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn the_bundled_configuration_and_the_bundled_stations_agree() {
        let config = config::parse(CONFIG_NAME, CONFIG, &MapLibrary::builtin()).unwrap();
        let key = |station: &str, monitor: &str, unit: u8| (station.to_owned(), monitor.to_owned(), unit);
        let configured: HashSet<_> = config
            .stations
            .iter()
            .flat_map(|s| s.monitors.iter().map(|m| (key(&s.name, &m.name, m.unit), m.address.clone())))
            .collect();
        let simulated: HashSet<_> = demo_stations()
            .iter()
            .flat_map(|s| s.monitors.iter().map(|m| (key(&s.name, &m.name, m.unit), m.listen.clone())))
            .collect();
        assert_eq!(configured, simulated);
        for station in demo_stations() {
            let audited = &config.stations.iter().find(|s| s.name == station.name).unwrap().circuits;
            assert!(!audited.is_empty(), "{}", station.name);
        }
    }

    #[test]
    fn free_ports_keep_shared_listeners_together() {
        let stations = demo_stations();
        let before: HashSet<_> = stations.iter().flat_map(|s| &s.monitors).map(|m| m.listen.clone()).collect();
        let moved = on_free_ports(&stations).unwrap();
        let after: HashSet<_> = moved.iter().flat_map(|s| &s.monitors).map(|m| m.listen.clone()).collect();
        assert_eq!(before.len(), after.len());
        assert!(before.is_disjoint(&after));
    }

    #[test]
    fn the_summary_puts_cautions_first() {
        let text = summary(&[snapshot_after("Alder Creek Lift", &exchanged())]);
        assert!(text.find("CAUTION").unwrap() < text.find("swapped").unwrap(), "{text}");
        assert!(!summary(&[snapshot_after("Alder Creek Lift", &Wiring::INTENDED)]).contains("CAUTION"));
    }
}
