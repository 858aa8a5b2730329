//! `wattassay replay`: recorded readings through the same audit as live ones, and what it finds, as text or JSON.

pub(super) mod lines;
mod progress;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Mutex, PoisonError};
use std::thread;
use std::time::Duration;

use anyhow::Context;
use clap::Args;

use self::lines::{LONGEST_LINE, Line, next_line};
use self::progress::{Counts, Progress};
use super::{ConfigFile, Exit, print};
use crate::audit::assessment::Verdict;
use crate::config;
use crate::faces::replay as face;
use crate::replay::Columns;
use crate::replay::outcome::{CircuitOutcome, FileOutcome, Outcome};
use crate::replay::rows::RowReader;
use crate::replay::session::Session;

/// Lines between two looks at the count.
const LINES_BETWEEN_COUNTS: u64 = 20_000;
const BETWEEN_SHOWS: Duration = Duration::from_millis(200);

const LONG_HELP: &str = "\
The columns file (TOML) says what each column of the recorded tables is; `wattassay columns` drafts one:

  version = 1
  delimiter = \",\"                      # \",\" \";\" \"tab\" \"|\"
  decimal_mark = \".\"
  not_available = [\"\", \"NaN\", \"Bad\"]
  longest_gap = \"5 min\"                # longer gaps are left out of energies; 1 min when not said
  station = \"Alder Creek Lift\"         # here, in [[files]] or in [[columns]]
  circuit = \"Pump 1\"

  [timestamp]
  column = \"Time\"
  format = \"%Y-%m-%d %H:%M:%S\"         # or rfc3339, unix-seconds, unix-milliseconds
  zone = \"America/New_York\"            # for patterns without %z

  [[columns]]
  column = \"P1 kW\"
  quantity = \"active-power\"            # words and units as in register maps
  channel = \"1\"
  unit = \"kW\"

Files of many stations: one [[files]] table each, with name = \"alder-creek-*.csv.gz\" and station, monitor or circuit.
Tables of one value a row: [long] with tag_column, value_column and, if wanted, hold = \"10 s\"; column then is the tag.
Rows in order of time, or grouped by tag and in order of time within each (at most 10,000,000 values).
[conventions] and [blanking] as in register maps, in place of those of the configured maps.

Columns that do not fit their circuit are told first, and no lead of that circuit is judged.

Exit codes: 0 every circuit is sound, 1 a fault was found, 2 no fault but not all could be judged, 3 bad arguments,
or a file that could not be read (what the others hold is still printed).";

#[derive(Debug, Args)]
#[command(after_long_help = LONG_HELP)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
    /// Columns file (TOML): which column of the tables is which value; see --help
    #[arg(long, value_name = "FILE")]
    columns: PathBuf,
    /// Print, after the table, what was concluded of each circuit, lead by lead
    #[arg(long)]
    details: bool,
    /// Print JSON instead of text
    #[arg(long, conflicts_with = "details")]
    json: bool,
    /// Recorded tables, plain or gzip; those of one station in order of time. Stations are read in parallel
    #[arg(required = true, value_name = "FILE.csv[.gz]")]
    files: Vec<PathBuf>,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let config = config::load(&options.config.config)?;
    let columns = config::load_columns(&options.columns, &config)?;
    // All names are looked at before the first file is read: it may take long to get to the last one.
    let plans = options.files.iter().map(|path| plan(&columns, path)).collect::<anyhow::Result<Vec<_>>>()?;
    let mut session = Session::new(&columns)?;
    let files = read_files(&options.files, &plans, &mut session);
    let outcome = Outcome { files, circuits: session.ranked() };
    if options.json {
        print(&(serde_json::to_string_pretty(&face::document(&outcome))? + "\n"))?;
    } else {
        print(&face::text(&outcome, options.details))?;
    }
    for file in &outcome.files {
        if let Some(error) = &file.error {
            super::complain(&format!("{}: {error}", file.name));
        }
    }
    Ok(exit(&outcome))
}

fn plan(columns: &Columns, path: &Path) -> anyhow::Result<usize> {
    let name = path.file_name().with_context(|| format!("{} is not a file", path.display()))?;
    Ok(columns.plan_for(&name.to_string_lossy())?)
}

/// A file that could not be read leaves the result incomplete, whatever the others say.
fn exit(outcome: &Outcome) -> Exit {
    let mut verdicts = outcome.circuits.iter().map(CircuitOutcome::verdict);
    if outcome.files.iter().any(|file| file.error.is_some()) {
        Exit::Error
    } else if verdicts.clone().any(|verdict| verdict == Verdict::Fault) {
        Exit::FaultFound
    } else if outcome.circuits.is_empty() || verdicts.any(|verdict| verdict != Verdict::Sound) {
        Exit::CouldNotTell
    } else {
        Exit::Well
    }
}

/// Files that share a station, and their part of the session.
struct Batch<'c> {
    part: Session<'c>,
    files: Vec<usize>,
}

/// What a thread tells of its work.
enum News<'c> {
    File(usize, FileOutcome),
    Part(Session<'c>),
}

/// Reads all files: those of one station one after the other, stations side by side on every core.
fn read_files(paths: &[PathBuf], plans: &[usize], session: &mut Session<'_>) -> Vec<FileOutcome> {
    let batches = session.independent(plans);
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let workers = cores.min(batches.len());
    let waiting: VecDeque<Batch<'_>> = batches
        .into_iter()
        .map(|files| {
            let of_batch: Vec<usize> = files.iter().map(|file| plans[*file]).collect();
            Batch { part: session.part(&of_batch), files }
        })
        .collect();
    let waiting = Mutex::new(waiting);
    let counts = Counts::default();
    let mut progress = Progress::new(paths, counts.clone());
    let mut outcomes: Vec<Option<FileOutcome>> = vec![None; paths.len()];
    thread::scope(|scope| {
        let (sender, news) = channel();
        for _ in 0..workers {
            // Where cores are left over, unpacking has one to itself.
            let work = Work { paths, plans, counts: counts.clone(), unpack_beside: workers < cores };
            let (sender, waiting) = (sender.clone(), &waiting);
            scope.spawn(move || {
                loop {
                    let batch = waiting.lock().unwrap_or_else(PoisonError::into_inner).pop_front();
                    let Some(batch) = batch else { return };
                    work.read_batch(batch, &sender);
                }
            });
        }
        drop(sender);
        let mut done = 0;
        loop {
            match news.recv_timeout(BETWEEN_SHOWS) {
                Ok(News::File(file, outcome)) => {
                    done += 1;
                    outcomes[file] = Some(outcome);
                }
                Ok(News::Part(part)) => session.put_back(part),
                Err(RecvTimeoutError::Timeout) => progress.show(done),
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
    });
    progress.clear();
    outcomes.into_iter().flatten().collect()
}

/// What every thread that reads knows.
struct Work<'a> {
    paths: &'a [PathBuf],
    plans: &'a [usize],
    counts: Counts,
    unpack_beside: bool,
}

impl Work<'_> {
    fn read_batch<'c>(&self, batch: Batch<'c>, news: &Sender<News<'c>>) {
        let Batch { mut part, files } = batch;
        for file in files {
            let outcome = self.read_file(file, &mut part);
            // Nobody listens only while the program ends.
            let _ = news.send(News::File(file, outcome));
        }
        let _ = news.send(News::Part(part));
    }

    fn read_file(&self, file: usize, session: &mut Session<'_>) -> FileOutcome {
        let path = &self.paths[file];
        let mut reader = session.reader(self.plans[file]);
        let error = self.read_lines(path, &mut reader, session).err().map(|error| format!("{error:#}"));
        let name = path.display().to_string();
        session.finished(&reader, &name);
        FileOutcome {
            name,
            rows: reader.rows(),
            readings: reader.readings(),
            notes: reader.notes().clone(),
            too_short: reader.too_short(),
            error,
        }
    }

    fn read_lines(&self, path: &Path, reader: &mut RowReader<'_>, session: &mut Session<'_>) -> anyhow::Result<()> {
        let mut lines = lines::open(path, &self.counts.bytes, self.unpack_beside)?;
        let mut line = Vec::new();
        let mut number = 0;
        loop {
            number += 1;
            match next_line(&mut lines, &mut line) {
                Ok(Line::Whole) => reader.line(number, &line, |key, reading| session.take(key, reading))?,
                Ok(Line::Overlong) => reader.overlong(number, LONGEST_LINE),
                Ok(Line::End) => break,
                Err(error) => {
                    reader.finish(|key, reading| session.take(key, reading));
                    return Err(error).with_context(|| format!("cannot be read beyond line {}", number - 1));
                }
            }
            if number % LINES_BETWEEN_COUNTS == 0 {
                self.counts.lines.fetch_add(LINES_BETWEEN_COUNTS, Ordering::Relaxed);
            }
        }
        if !reader.finish(|key, reading| session.take(key, reading)) {
            anyhow::bail!("holds no line of column names");
        }
        Ok(())
    }
}
