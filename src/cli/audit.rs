//! `wattassay audit`: poll for a while, then say what is wrong, as text or JSON.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::bail;
use clap::Args;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::{ConfigFile, Exit, print, signals, span};
use crate::audit::assessment::Verdict;
use crate::clock::Clock;
use crate::config;
use crate::config::model::{Config, StationConfig};
use crate::daemon::drain;
use crate::faces::{json, report};
use crate::reading::Instant2;
use crate::station::checks::with_checks;
use crate::station::fleet::Fleet;
use crate::station::snapshot::{SnapshotReader, StationSnapshot};

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
    /// How long to read, for example 30s or 2min
    #[arg(long = "for", value_name = "SPAN", default_value = "30s", value_parser = span::parse)]
    span: Duration,
    /// Stop reading as soon as every circuit has been called sound or faulty
    #[arg(long)]
    until_decided: bool,
    /// Only this station
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// Findings file: what was found at the panel counts beside the readings (format: wattassay finding --help)
    #[arg(long, value_name = "FILE")]
    checks: Option<PathBuf>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let config = config::load(&options.config.config)?;
    let checks = match &options.checks {
        Some(path) => config::load_checks(path, &config)?,
        None => Vec::new(),
    };
    let stations = chosen(config, options.station.as_deref())?;
    let (snapshots, now) = watch(&stations, options.span, options.until_decided).await?;
    let snapshots: Vec<_> = snapshots.iter().map(|s| with_checks(s, &checks)).collect();
    if options.json {
        print(&(serde_json::to_string_pretty(&json::document(&snapshots, now))? + "\n"))?;
    } else {
        print(&report::text(&snapshots, now))?;
    }
    Ok(exit(&snapshots))
}

/// Reads the stations for a while, or until all is decided or somebody interrupts; what they show then, and when that was.
pub(super) async fn watch(
    stations: &[StationConfig],
    span: Duration,
    until_decided: bool,
) -> anyhow::Result<(Vec<Arc<StationSnapshot>>, Instant2)> {
    let clock = Clock::system();
    let mut fleet = Fleet::new(stations, clock.clone())?;
    let mut readers = fleet.readers();
    let interrupted = signals::stop_token()?;
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    fleet.start(&cancel, &tracker);
    tokio::select! {
        () = interrupted.cancelled() => {}
        () = tokio::time::sleep(span) => {}
        () = all_decided(&mut readers), if until_decided => {}
    }
    let now = clock.now();
    let snapshots: Vec<Arc<StationSnapshot>> = readers.iter().map(SnapshotReader::get).collect();
    cancel.cancel();
    drain(&tracker).await;
    Ok((snapshots, now))
}

pub(super) fn chosen(config: Config, name: Option<&str>) -> anyhow::Result<Vec<StationConfig>> {
    let Some(name) = name else { return Ok(config.stations) };
    let known = config.stations.iter().map(|s| format!("\"{}\"", s.name)).collect::<Vec<_>>().join(", ");
    let found: Vec<_> = config.stations.into_iter().filter(|s| s.name == name).collect();
    if found.is_empty() {
        bail!("there is no station \"{name}\"; the configuration has {known}");
    }
    Ok(found)
}

/// Waits until every circuit of every station has a verdict that says something. A reader that ends never decides.
async fn all_decided(readers: &mut [SnapshotReader]) {
    for reader in readers {
        while !decided(&reader.get()) {
            if !reader.changed().await {
                std::future::pending::<()>().await;
            }
        }
    }
}

fn decided(station: &StationSnapshot) -> bool {
    station
        .circuits
        .iter()
        .all(|c| c.assessment.as_ref().is_some_and(|a| matches!(a.diagnosis.verdict, Verdict::Sound | Verdict::Fault)))
}

/// A fault anywhere outweighs what could not be judged elsewhere: it is the thing to act on.
pub(super) fn exit<S: AsRef<StationSnapshot>>(stations: &[S]) -> Exit {
    let verdicts: Vec<Verdict> = stations
        .iter()
        .flat_map(|s| &s.as_ref().circuits)
        .map(|c| c.assessment.as_ref().map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict))
        .collect();
    if verdicts.contains(&Verdict::Fault) {
        Exit::FaultFound
    } else if verdicts.iter().all(|v| *v == Verdict::Sound) {
        Exit::Well
    } else {
        Exit::CouldNotTell
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{exchanged, instant, snapshot_after, station_config};
    use crate::station::state::StationState;

    #[test]
    fn a_fault_outweighs_the_undecided_and_silence_is_not_sound() {
        let sound = snapshot_after("Alder Creek Lift", &Wiring::INTENDED);
        let fault = snapshot_after("Quarry Road Booster", &exchanged());
        let unseen = Arc::new(StationState::new(&station_config("Mill Race Pumping")).unwrap().snapshot(instant(0)));
        assert_eq!(exit(std::slice::from_ref(&sound)), Exit::Well);
        assert_eq!(exit(&[sound.clone(), unseen.clone()]), Exit::CouldNotTell);
        assert_eq!(exit(&[sound.clone(), fault.clone(), unseen.clone()]), Exit::FaultFound);
        assert!(decided(&sound) && decided(&fault) && !decided(&unseen));
    }

    #[test]
    fn an_unknown_station_is_named_beside_the_known_ones() {
        let config = Config::of(vec![station_config("Alder Creek Lift"), station_config("Mill Race Pumping")]);
        let error = chosen(config.clone(), Some("Nowhere")).unwrap_err().to_string();
        assert!(error.contains("Nowhere") && error.contains("Mill Race Pumping"), "{error}");
        assert_eq!(chosen(config, Some("Mill Race Pumping")).unwrap().len(), 1);
    }
}
