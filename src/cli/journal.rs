//! `wattassay journal`: verify the chain of a journal, or export it. Works beside a running daemon.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use anyhow::Context;
use clap::{Args, Subcommand, ValueEnum};

use super::{Exit, print};
use crate::journal::chain::{Hash, Head, Walk};
use crate::journal::export;
use crate::journal::file::{self, FILE_NAME};

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Recompute the hash of every entry; prints the newest one's place and hash, to be kept elsewhere
    Verify {
        /// Folder of the journal
        folder: PathBuf,
        /// Place and hash noted earlier: also find out whether entries up to there were cut off or written anew
        #[arg(long, value_name = "PLACE:HASH")]
        holds: Option<Kept>,
    },
    /// Write all entries to standard output
    Export {
        /// Folder of the journal
        folder: PathBuf,
        /// How
        #[arg(long, value_enum, default_value_t = Format::Csv)]
        format: Format,
        /// Only entries after this place
        #[arg(long, value_name = "PLACE", default_value_t = 0)]
        after: i64,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// A table with a head line
    Csv,
    /// One list of objects
    Json,
}

/// A head noted earlier.
#[derive(Debug, Clone, Copy)]
struct Kept(Head);

impl FromStr for Kept {
    type Err = String;

    fn from_str(text: &str) -> Result<Kept, String> {
        let parse = || {
            let (place, hash) = text.split_once(':')?;
            Some(Kept(Head { sequence: place.parse().ok()?, hash: Hash::parse(hash)? }))
        };
        parse()
            .ok_or_else(|| "write the place, a colon and the 64 digits of the hash, as verify prints them".to_owned())
    }
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    match &options.action {
        Action::Verify { folder, holds } => verify(folder, *holds),
        Action::Export { folder, format, after } => export(folder, *format, *after),
    }
}

fn verify(folder: &Path, holds: Option<Kept>) -> anyhow::Result<Exit> {
    let mut walk = Walk::default();
    let mut held = holds.is_none();
    file::read(&folder.join(FILE_NAME), 0, |record| {
        walk.step(&record);
        held |= holds.is_some_and(|Kept(head)| head == record.head());
        true
    })?;
    let (entries, head) = (walk.entries(), walk.head());
    if let Some(broken) = walk.broken() {
        print(&format!("altered: {broken}\n{entries} entries\n"))?;
        return Ok(Exit::FaultFound);
    }
    if !held {
        print(&format!("altered: the entry noted earlier is not in this journal\n{entries} entries\n"))?;
        return Ok(Exit::FaultFound);
    }
    print(&format!("{entries} entries, unaltered\nnewest {}:{}\n", head.sequence, head.hash))?;
    Ok(Exit::Well)
}

fn export(folder: &Path, format: Format, after: i64) -> anyhow::Result<Exit> {
    let mut out = BufWriter::new(io::stdout().lock());
    match write_all(&mut out, &folder.join(FILE_NAME), format, after) {
        // A reader that has gone away is not an error.
        Err(error) if error.downcast_ref().is_some_and(|e: &io::Error| e.kind() == io::ErrorKind::BrokenPipe) => {}
        result => result?,
    }
    Ok(Exit::Well)
}

fn write_all(out: &mut impl Write, path: &Path, format: Format, after: i64) -> anyhow::Result<()> {
    let mut written = Ok(());
    let mut first = true;
    out.write_all(if format == Format::Csv { export::CSV_HEAD.as_bytes() } else { b"[" })?;
    file::read(path, after, |record| {
        written = match format {
            Format::Csv => export::csv(&record, out),
            Format::Json => {
                let lead: &[u8] = if first { b"\n" } else { b",\n" };
                out.write_all(lead).and_then(|()| export::json(&record, out))
            }
        };
        first = false;
        written.is_ok()
    })?;
    written?;
    if format == Format::Json {
        out.write_all(b"\n]\n")?;
    }
    out.flush().context("standard output")
}
