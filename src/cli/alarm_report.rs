//! `wattassay alarms report`: how well the alarms served the operator, from a journal. Works beside a running daemon.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::Timestamp;

use super::{Exit, print};
use crate::alarm_report::{Collected, Report};
use crate::faces::alarm_report_text::{period, text};
use crate::journal::file::{self, FILE_NAME, JournalError};

#[derive(Debug, Args)]
pub(super) struct Options {
    /// Folder of the journal
    folder: PathBuf,
    /// From when, such as 2026-11-01T00:00:00Z [default: 30 days before the end]
    #[arg(long, value_name = "TIME")]
    since: Option<Timestamp>,
    /// Before when [default: now]
    #[arg(long, value_name = "TIME")]
    until: Option<Timestamp>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let Options { folder, since, until, json } = options;
    let millisecond = |at: &Option<Timestamp>| at.map(Timestamp::as_millisecond);
    let period = period(millisecond(since), millisecond(until), Timestamp::now().as_millisecond())?;
    let mut collected = Collected::new(period);
    read(folder, &mut collected)?;
    let report: Report = collected.report();
    if *json {
        print(&(serde_json::to_string_pretty(&report)? + "\n"))?;
    } else {
        print(&text(&report))?;
    }
    Ok(Exit::Well)
}

fn read(folder: &Path, collected: &mut Collected) -> Result<(), JournalError> {
    file::read(&folder.join(FILE_NAME), 0, |record| {
        collected.take_record(&record);
        true
    })
}
