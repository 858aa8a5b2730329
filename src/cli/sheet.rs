//! `wattassay sheet`: one printable page about one circuit, or the plan of checks for it.

use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;

use super::audit::{chosen, exit, watch};
use super::{ConfigFile, Exit, print, span};
use crate::config;
use crate::faces::findings_format::format_help;
use crate::faces::picture::Expected;
use crate::faces::plan_text::plan_text;
use crate::faces::sheet::sheet;
use crate::faces::{sheet_html, sheet_text};
use crate::station::checks::with_checks;

#[derive(Debug, Args)]
#[command(after_help = format_help(), max_term_width = 100)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
    /// Station the circuit belongs to
    #[arg(long, value_name = "NAME")]
    station: String,
    /// Circuit the sheet is about
    #[arg(long, value_name = "NAME")]
    circuit: String,
    /// How long to read, for example 30s or 2min
    #[arg(long = "for", value_name = "SPAN", default_value = "30s", value_parser = span::parse)]
    span: Duration,
    /// Findings file: what was found at the panel counts beside the readings; its format is below
    #[arg(long, value_name = "FILE")]
    checks: Option<PathBuf>,
    /// Write the page to this file as HTML, for the printer
    #[arg(long, value_name = "FILE", conflicts_with_all = ["text", "plan"])]
    html: Option<PathBuf>,
    /// Print the page as text (what happens without --html)
    #[arg(long)]
    text: bool,
    /// Print the whole plan of checks instead: what to do after each result
    #[arg(long, conflicts_with = "text")]
    plan: bool,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let config = config::load(&options.config.config)?;
    let checks = match &options.checks {
        Some(path) => config::load_checks(path, &config)?,
        None => Vec::new(),
    };
    let stations = chosen(config, Some(&options.station))?;
    if let Some(station) = stations.first()
        && !station.circuits.iter().any(|c| c.name == options.circuit)
    {
        let known = station.circuits.iter().map(|c| format!("\"{}\"", c.name)).collect::<Vec<_>>().join(", ");
        bail!("station \"{}\" has no circuit \"{}\"; it has {known}", station.name, options.circuit);
    }
    let (snapshots, now) = watch(&stations, options.span, false).await?;
    let (Some(config), Some(snapshot)) = (stations.first(), snapshots.first()) else {
        bail!("station \"{}\" has no state to show", options.station);
    };
    let snapshot = with_checks(snapshot, &checks);
    let Some(circuit) = snapshot.circuits.iter().find(|c| c.name == options.circuit) else {
        bail!("circuit \"{}\" has no state to show", options.circuit)
    };
    let expected = Expected::of(config);
    if options.plan {
        print(&plan_text(&snapshot, circuit))?;
    } else {
        let page = sheet(&snapshot, circuit, expected, now);
        match &options.html {
            Some(path) => std::fs::write(path, sheet_html::html(&page))
                .with_context(|| format!("the sheet cannot be written to {}", path.display()))?,
            None => print(&sheet_text::text(&page))?,
        }
    }
    // The exit code is about the circuit of the sheet.
    let mut about = snapshot.as_ref().clone();
    about.circuits.retain(|c| c.name == options.circuit);
    Ok(exit(&[Box::new(about)]))
}
