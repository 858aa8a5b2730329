//! `wattassay replay`: recorded readings through the same audit as live ones, and what it finds, as text or JSON.

use std::cell::Cell;
use std::fs::File;
use std::io::{self, BufRead, BufReader, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};
use std::rc::Rc;

use anyhow::Context;
use clap::Args;
use flate2::bufread::MultiGzDecoder;

use super::{ConfigFile, Exit, print};
use crate::audit::assessment::Verdict;
use crate::config;
use crate::faces::replay as face;
use crate::replay::rows::RowReader;
use crate::replay::session::{FileOutcome, Outcome, Session};
use crate::replay::{Columns, notes::Notes};

/// A longer line is not a row of any table; it is skipped without being held in memory.
const LONGEST_LINE: usize = 1024 * 1024;
/// First bytes of every gzip file.
const GZIP: [u8; 2] = [0x1f, 0x8b];
const BUFFER: usize = 128 * 1024;
/// Lines between two looks at the progress bar.
const LINES_BETWEEN_SHOWS: u64 = 20_000;

const LONG_HELP: &str = "\
The columns file (TOML) says what each column of the recorded tables is:

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
[conventions] and [blanking] as in register maps, in place of those of the configured maps.

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
    /// Recorded tables, plain or gzip; those of one station in order of time
    #[arg(required = true, value_name = "FILE.csv[.gz]")]
    files: Vec<PathBuf>,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let config = config::load(&options.config.config)?;
    let columns = config::load_columns(&options.columns, &config)?;
    // All names are looked at before the first file is read: it may take long to get to the last one.
    let plans = options.files.iter().map(|path| plan(&columns, path)).collect::<anyhow::Result<Vec<_>>>()?;
    let mut session = Session::new(&columns)?;
    let mut progress = Progress::new(&options.files);
    let mut files = Vec::with_capacity(options.files.len());
    for (path, plan) in options.files.iter().zip(plans) {
        files.push(read_file(path, plan, &mut session, &mut progress));
    }
    progress.clear();
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
    let mut verdicts = outcome.circuits.iter().map(crate::replay::session::CircuitOutcome::verdict);
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

fn read_file(path: &Path, plan: usize, session: &mut Session<'_>, progress: &mut Progress) -> FileOutcome {
    let name = path.display().to_string();
    let mut reader = session.reader(plan);
    let error = match read_lines(path, &mut reader, session, progress) {
        Ok(()) => None,
        Err(error) => Some(format!("{error:#}")),
    };
    session.finished(&reader);
    let (rows, readings, notes): (u64, u64, Notes) = (reader.rows(), reader.readings(), reader.notes().clone());
    FileOutcome { name, rows, readings, notes, error }
}

fn read_lines(
    path: &Path,
    reader: &mut RowReader<'_>,
    session: &mut Session<'_>,
    progress: &mut Progress,
) -> anyhow::Result<()> {
    let file = File::open(path).context("cannot be opened")?;
    let mut plain = BufReader::with_capacity(BUFFER, Counted { file, count: Rc::clone(&progress.read) });
    let zipped = plain.fill_buf().context("cannot be read")?.starts_with(&GZIP);
    let mut lines: Box<dyn BufRead> =
        if zipped { Box::new(BufReader::with_capacity(BUFFER, MultiGzDecoder::new(plain))) } else { Box::new(plain) };
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
        if number % LINES_BETWEEN_SHOWS == 0 {
            progress.show(path, number);
        }
    }
    if !reader.finish(|key, reading| session.take(key, reading)) {
        anyhow::bail!("holds no line of column names");
    }
    Ok(())
}

#[derive(Debug, PartialEq, Eq)]
enum Line {
    Whole,
    Overlong,
    End,
}

/// Reads one line without its end into `line`; what is beyond the longest line is thrown away.
fn next_line(input: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<Line> {
    line.clear();
    let read = input.by_ref().take(LONGEST_LINE as u64 + 2).read_until(b'\n', line)?;
    if read == 0 {
        return Ok(Line::End);
    }
    if line.pop_if(|last| *last == b'\n').is_some() {
        line.pop_if(|last| *last == b'\r');
    } else if read > LONGEST_LINE {
        input.skip_until(b'\n')?;
        return Ok(Line::Overlong);
    }
    Ok(if line.len() > LONGEST_LINE { Line::Overlong } else { Line::Whole })
}

/// Counts bytes as they leave the disk, before they are unpacked: that is what the size of a file can be compared with.
struct Counted {
    file: File,
    count: Rc<Cell<u64>>,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read(buffer)?;
        self.count.set(self.count.get() + read as u64);
        Ok(read)
    }
}

/// A line of progress on a terminal, and nothing elsewhere.
struct Progress {
    read: Rc<Cell<u64>>,
    total: u64,
    shown: bool,
    terminal: bool,
}

impl Progress {
    fn new(files: &[PathBuf]) -> Progress {
        let total = files.iter().filter_map(|path| path.metadata().ok()).map(|data| data.len()).sum();
        Progress { read: Rc::default(), total, shown: false, terminal: io::stderr().is_terminal() }
    }

    fn show(&mut self, path: &Path, line: u64) {
        if self.terminal {
            let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            let text = bar(self.read.get(), self.total, line, &name);
            self.shown = write!(io::stderr().lock(), "\r\x1b[K{text}").is_ok();
        }
    }

    fn clear(&mut self) {
        if self.shown {
            let _ = write!(io::stderr().lock(), "\r\x1b[K");
        }
    }
}

fn bar(read: u64, total: u64, line: u64, name: &str) -> String {
    const WIDTH: usize = 30;
    let share = if total == 0 { 0.0 } else { (read as f64 / total as f64).min(1.0) };
    let full = (share * WIDTH as f64) as usize;
    let name: String = name.chars().filter(|c| !c.is_control()).take(30).collect();
    format!(
        "[{}{}] {:>3.0} %  {name}: line {}",
        "#".repeat(full),
        ".".repeat(WIDTH - full),
        100.0 * share,
        face::grouped(line)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_read_whole_and_never_held_when_too_long() {
        let mut text = b"a,b\r\nc\n".to_vec();
        text.extend(vec![b'x'; 3 * LONGEST_LINE]);
        text.extend(b"\nlast");
        let (mut input, mut line, mut seen) = (&text[..], Vec::new(), Vec::new());
        loop {
            match next_line(&mut input, &mut line).unwrap() {
                Line::Whole => seen.push(String::from_utf8(line.clone()).unwrap()),
                Line::Overlong => seen.push("overlong".to_owned()),
                Line::End => break,
            }
            assert!(line.len() <= LONGEST_LINE + 2);
        }
        assert_eq!(seen, ["a,b", "c", "overlong", "last"]);
    }

    #[test]
    fn the_bar_shows_the_share_read() {
        let shown = bar(50, 100, 1_234_567, "alder\x1b.csv");
        assert_eq!(shown, "[###############...............]  50 %  alder.csv: line 1,234,567");
        assert!(bar(7, 0, 1, "").contains("  0 %"));
        assert!(bar(500, 100, 1, "").contains("100 %"));
    }
}
