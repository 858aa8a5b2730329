//! `wattassay history`: what is kept, and a span of it as CSV. Works beside a running daemon.

use std::fmt::Write as _;
use std::io::{self, BufWriter, Write as _};
use std::path::PathBuf;

use anyhow::{Context, bail};
use clap::{Args, Subcommand, ValueEnum};
use jiff::Timestamp;

use super::{Exit, print};
use crate::history::export;
use crate::history::quantity::{self, QUANTITIES};
use crate::history::sqlite::SqliteStore;
use crate::history::store::{Query, Source, SourceId, Statistic, Store, Tier};
use crate::journal::export::{csv_field, time};

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// List what is kept: stations with their monitors and circuits, and the quantities
    List {
        /// Folder of the history
        folder: PathBuf,
    },
    /// Write a span of values to standard output as CSV; times are UTC
    Export(Span),
    /// Write the changes of findings and diagnoses in a span as CSV
    Changes(Span),
}

#[derive(Debug, Args)]
struct Span {
    /// Folder of the history
    folder: PathBuf,
    /// Station
    #[arg(long)]
    station: String,
    /// Circuit of the station
    #[arg(long, required_unless_present = "monitor", conflicts_with = "monitor")]
    circuit: Option<String>,
    /// Monitor of the station, for voltages and frequency
    #[arg(long)]
    monitor: Option<String>,
    /// From when, such as 2026-11-25T00:00:00Z [default: the beginning]
    #[arg(long, value_name = "TIME")]
    from: Option<Timestamp>,
    /// Before when [default: the end]
    #[arg(long, value_name = "TIME")]
    to: Option<Timestamp>,
    /// How much detail
    #[arg(long, value_enum, default_value_t = TierWord::Minute)]
    tier: TierWord,
    /// What a row tells of its interval
    #[arg(long, value_enum, default_value_t = StatisticWord::Mean)]
    statistic: StatisticWord,
    /// Quantities, as `history list` names them, with commas between [default: all]
    #[arg(long, value_delimiter = ',', value_name = "NAMES")]
    quantities: Vec<String>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum TierWord {
    /// Every reading
    Readings,
    /// A row a minute
    Minute,
    /// A row a quarter of an hour
    QuarterHour,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum StatisticWord {
    /// The mean; of angles that of the directions, of counters the last
    Mean,
    /// The lowest
    Lowest,
    /// The highest
    Highest,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    match &options.action {
        Action::List { folder } => list(&mut SqliteStore::open_to_read(folder)?),
        Action::Export(span) => export(span),
        Action::Changes(span) => changes(span),
    }
}

fn list(store: &mut dyn Store) -> anyhow::Result<Exit> {
    let mut text = String::new();
    for (_, source) in store.sources()? {
        writeln!(text, "{}", named(&source))?;
    }
    writeln!(text, "\nQuantities:")?;
    for quantity in QUANTITIES {
        writeln!(text, "  {}", quantity.key)?;
    }
    print(&text)?;
    Ok(Exit::Well)
}

fn named(source: &Source) -> String {
    let what = if source.is_monitor { "monitor" } else { "circuit" };
    format!("{} / {what} {}", source.station, source.name)
}

fn find(store: &mut dyn Store, span: &Span) -> anyhow::Result<SourceId> {
    let name = span.circuit.as_ref().or(span.monitor.as_ref()).cloned().unwrap_or_default();
    let wanted = Source { station: span.station.clone(), is_monitor: span.monitor.is_some(), name };
    let sources = store.sources()?;
    if let Some((id, _)) = sources.iter().find(|(_, source)| *source == wanted) {
        return Ok(*id);
    }
    let known: Vec<String> = sources.iter().map(|(_, source)| named(source)).collect();
    bail!("nothing is kept of {}; there are: {}", named(&wanted), known.join(", "))
}

impl Span {
    fn ends_ms(&self) -> (i64, i64) {
        let ms = |at: Option<Timestamp>, otherwise| at.map_or(otherwise, Timestamp::as_millisecond);
        (ms(self.from, i64::MIN), ms(self.to, i64::MAX))
    }

    fn places(&self) -> anyhow::Result<Vec<usize>> {
        if self.quantities.is_empty() {
            return Ok((0..QUANTITIES.len()).collect());
        }
        let place = |key: &String| {
            quantity::find(key).with_context(|| format!("no quantity is named \"{key}\"; `history list` shows them"))
        };
        self.quantities.iter().map(place).collect()
    }
}

fn export(span: &Span) -> anyhow::Result<Exit> {
    let quantities = span.places()?;
    let mut store = SqliteStore::open_to_read(&span.folder)?;
    let source = find(&mut store, span)?;
    let (from_ms, to_ms) = span.ends_ms();
    let tier = match span.tier {
        TierWord::Readings => Tier::Detail,
        TierWord::Minute => Tier::Minute,
        TierWord::QuarterHour => Tier::QuarterHour,
    };
    let statistic = match span.statistic {
        StatisticWord::Mean => Statistic::Mean,
        StatisticWord::Lowest => Statistic::Lowest,
        StatisticWord::Highest => Statistic::Highest,
    };
    let rows = store.rows(&Query { source, tier, statistic, from_ms, to_ms, quantities })?;
    let mut out = BufWriter::new(io::stdout().lock());
    match export::csv(&rows, &mut out).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(Exit::Well),
    }
}

fn changes(span: &Span) -> anyhow::Result<Exit> {
    let mut store = SqliteStore::open_to_read(&span.folder)?;
    let source = find(&mut store, span)?;
    let (from_ms, to_ms) = span.ends_ms();
    let mut text = "at,kind,subject,state,text\n".to_owned();
    for e in store.events(source, from_ms, to_ms)? {
        writeln!(text, "{},{},{},{},{}", time(e.at_ms), e.kind, csv_field(&e.subject), e.state, csv_field(&e.text))?;
    }
    print(&text)?;
    Ok(Exit::Well)
}
