//! `wattassay history`: what is kept, and a span of it as CSV or Parquet. Works beside a running daemon, and changes nothing.

use std::fmt::Write as _;
use std::io::{self, BufWriter, IsTerminal as _, Write as _};
use std::path::PathBuf;

use anyhow::{Context, bail};
use clap::{Args, Subcommand, ValueEnum};
use jiff::Timestamp;

use super::{Exit, print};
use crate::history::export;
use crate::history::parquet::ParquetFile;
use crate::history::postgres::{PostgresStore, SCHEMA};
use crate::history::quantity::{self, QUANTITIES};
use crate::history::sqlite::SqliteStore;
use crate::history::store::{Query, Source, SourceId, Statistic, Store, StoreError, Tier};
use crate::journal::export::{csv_field, time};

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// List what is kept: stations with their monitors and circuits, and the quantities
    List(Place),
    /// Write a span of values to standard output as CSV or Parquet; times are UTC
    Export(Export),
    /// Write the changes of findings and diagnoses in a span as CSV
    Changes(Span),
}

/// Where the history is.
#[derive(Debug, Args)]
struct Place {
    /// Folder of the history
    #[arg(required_unless_present = "postgres", conflicts_with = "postgres")]
    folder: Option<PathBuf>,
    /// History in a PostgreSQL server, as the configuration names it; a password is taken from the environment (PGPASSWORD)
    #[arg(long, value_name = "CONNECTION")]
    postgres: Option<String>,
}

#[derive(Debug, Args)]
struct Export {
    #[command(flatten)]
    span: Span,
    /// How much detail
    #[arg(long, value_enum, default_value_t = TierWord::Minute)]
    tier: TierWord,
    /// What a row tells of its interval
    #[arg(long, value_enum, default_value_t = StatisticWord::Mean)]
    statistic: StatisticWord,
    /// Quantities, as `history list` names them, with commas between [default: all]
    #[arg(long, value_delimiter = ',', value_name = "NAMES")]
    quantities: Vec<String>,
    /// What is written
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Text, a row a line
    Csv,
    /// Apache Parquet, with the unit of each column in the file's metadata
    Parquet,
}

#[derive(Debug, Args)]
struct Span {
    #[command(flatten)]
    place: Place,
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
        Action::List(place) => list(place.open()?.as_mut()),
        Action::Export(options) => export(options),
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

fn find(store: &mut dyn Store, span: &Span) -> anyhow::Result<(SourceId, Source)> {
    let name = span.circuit.as_ref().or(span.monitor.as_ref()).cloned().unwrap_or_default();
    let wanted = Source { station: span.station.clone(), is_monitor: span.monitor.is_some(), name };
    let sources = store.sources()?;
    if let Some((id, _)) = sources.iter().find(|(_, source)| *source == wanted) {
        return Ok((*id, wanted));
    }
    let known: Vec<String> = sources.iter().map(|(_, source)| named(source)).collect();
    bail!("nothing is kept of {}; there are: {}", named(&wanted), known.join(", "))
}

impl Span {
    fn ends_ms(&self) -> (i64, i64) {
        let ms = |at: Option<Timestamp>, otherwise| at.map_or(otherwise, Timestamp::as_millisecond);
        (ms(self.from, i64::MIN), ms(self.to, i64::MAX))
    }
}

impl Place {
    fn open(&self) -> Result<Box<dyn Store>, StoreError> {
        Ok(match (&self.folder, &self.postgres) {
            (_, Some(connection)) => Box::new(PostgresStore::open_to_read(connection, SCHEMA)?),
            (Some(folder), None) => Box::new(SqliteStore::open_to_read(folder)?),
            (None, None) => return Err(StoreError::Failed("say where it is".to_owned())),
        })
    }
}

impl Export {
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

fn export(options: &Export) -> anyhow::Result<Exit> {
    let quantities = options.places()?;
    if options.format == Format::Parquet && io::stdout().is_terminal() {
        bail!("Parquet is not text: write it to a file, for example with > history.parquet");
    }
    let mut store = options.span.place.open()?;
    let (id, source) = find(store.as_mut(), &options.span)?;
    let (from_ms, to_ms) = options.span.ends_ms();
    let tier = match options.tier {
        TierWord::Readings => Tier::Detail,
        TierWord::Minute => Tier::Minute,
        TierWord::QuarterHour => Tier::QuarterHour,
    };
    let statistic = match options.statistic {
        StatisticWord::Mean => Statistic::Mean,
        StatisticWord::Lowest => Statistic::Lowest,
        StatisticWord::Highest => Statistic::Highest,
    };
    let query = Query { source: id, tier, statistic, from_ms, to_ms, quantities };
    let written = match options.format {
        Format::Csv => write_csv(store.as_mut(), &query),
        Format::Parquet => write_parquet(store.as_mut(), &source, &query),
    };
    match written {
        Err(error) if !is_broken_pipe(&error) => Err(error),
        _ => Ok(Exit::Well),
    }
}

fn write_csv(store: &mut dyn Store, query: &Query) -> anyhow::Result<()> {
    let mut out = BufWriter::new(io::stdout().lock());
    export::csv_head(&query.quantities, &mut out)?;
    export::pieces(store, query, |rows| export::csv_rows(rows, &mut out).map_err(anyhow::Error::from))?;
    Ok(out.flush()?)
}

fn write_parquet(store: &mut dyn Store, source: &Source, query: &Query) -> anyhow::Result<()> {
    let mut file = ParquetFile::begin(io::stdout(), source, query)?;
    export::pieces(store, query, |rows| file.write(rows).map_err(anyhow::Error::from))?;
    Ok(file.end()?)
}

/// True when the reader has gone away (`| head`), at whatever depth that is said.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    let broken = |cause: &(dyn std::error::Error + 'static)| {
        cause.downcast_ref::<io::Error>().is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe)
    };
    error.chain().any(broken)
}

fn changes(span: &Span) -> anyhow::Result<Exit> {
    let mut store = span.place.open()?;
    let (source, _) = find(store.as_mut(), span)?;
    let (from_ms, to_ms) = span.ends_ms();
    let mut text = "at,kind,subject,state,text\n".to_owned();
    for e in store.events(source, from_ms, to_ms)? {
        writeln!(text, "{},{},{},{},{}", time(e.at_ms), e.kind, csv_field(&e.subject), e.state, csv_field(&e.text))?;
    }
    print(&text)?;
    Ok(Exit::Well)
}
