//! `wattassay columns`: a draft of the columns file that `replay` needs, from the heading of a recorded table.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use anyhow::{Context, bail};
use clap::Args;

use super::replay::lines::{Line, next_line, open};
use super::{Exit, print};
use crate::config;
use crate::config::model::StationConfig;
use crate::replay::draft::{For, LINES, draft};

const LONG_HELP: &str = "\
Reads the heading and the first rows, and writes a columns file to standard output:

  wattassay columns --config stations.toml export.csv > columns.toml

Names are taken as the trade writes them (V1, Van, Vab, Ia, kW, kW_A, kVAR total, PF, \"Pump 1 kW (kW)\"). Every line that
was guessed is marked CHECK; what could not be placed stands as a comment with the reason. Nothing is known of the panel:
check each line before anybody acts on a replay.

Exit codes: 0 a draft was written, 3 no draft can be made (the reason is on standard error).";

#[derive(Debug, Args)]
#[command(after_long_help = LONG_HELP)]
pub(super) struct Options {
    /// Configuration file (TOML), to name its stations and circuits in the draft
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Station of the table, where the configuration has more than one
    #[arg(long, value_name = "NAME", requires = "config")]
    station: Option<String>,
    /// Recorded table, plain or gzip
    #[arg(value_name = "FILE.csv[.gz]")]
    file: PathBuf,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let config = options.config.as_deref().map(config::load).transpose()?;
    let stations = config.as_ref().map_or(&[][..], |config| &config.stations);
    let station = station(stations, options.station.as_deref())?;
    let names = |of: &mut dyn Iterator<Item = &String>| of.cloned().collect::<Vec<_>>();
    let circuits = station.map_or_else(Vec::new, |s| names(&mut s.circuits.iter().map(|circuit| &circuit.name)));
    let monitors = station.map_or_else(Vec::new, |s| names(&mut s.monitors.iter().map(|monitor| &monitor.name)));
    let file = options.file.display().to_string();
    let lines = first_lines(&options.file).with_context(|| file.clone())?;
    let of = For {
        file: &file,
        station: station.filter(|_| stations.len() > 1).map(|station| station.name.as_str()),
        circuits: &circuits,
        monitors: &monitors,
    };
    let text = draft(&lines, &of).with_context(|| file.clone())?;
    print(&text)?;
    Ok(Exit::Well)
}

fn station<'a>(stations: &'a [StationConfig], name: Option<&str>) -> anyhow::Result<Option<&'a StationConfig>> {
    let known = || stations.iter().map(|station| format!("\"{}\"", station.name)).collect::<Vec<_>>().join(", ");
    match (name, stations) {
        (None, []) => Ok(None),
        (None, [only]) => Ok(Some(only)),
        (None, _) => bail!("the configuration has more than one station: say which with --station; known: {}", known()),
        (Some(name), _) => match stations.iter().find(|station| station.name == name) {
            Some(station) => Ok(Some(station)),
            None => bail!("the configuration has no station \"{name}\"; known: {}", known()),
        },
    }
}

/// The first lines as text; bytes that are none are shown as such and never taken for a name.
fn first_lines(path: &std::path::Path) -> anyhow::Result<Vec<String>> {
    let mut input = open(path, &Arc::new(AtomicU64::new(0)), false)?;
    let mut line = Vec::new();
    let mut lines = Vec::new();
    while lines.len() <= LINES {
        match next_line(&mut input, &mut line).context("cannot be read")? {
            Line::Whole => {
                let text = if lines.is_empty() { line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&line) } else { &line };
                if lines.is_empty() && (text.starts_with(b"\xff\xfe") || text.starts_with(b"\xfe\xff")) {
                    bail!("this is UTF-16 text; save the file as UTF-8");
                }
                lines.push(String::from_utf8_lossy(text).into_owned());
            }
            // Not a row of any table; its place is kept, since lines before the heading are counted.
            Line::Overlong => lines.push(String::new()),
            Line::End => break,
        }
    }
    Ok(lines)
}
