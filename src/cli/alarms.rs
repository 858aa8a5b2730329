//! `wattassay alarms`: what alarms there are and what each asks for, and how well they served. Must never need a
//! configuration for that.

use clap::{Args, Subcommand, ValueEnum};

use super::{Exit, alarm_report, print};
use crate::alarm::rationale::guide;
use crate::faces::api::alarm_kinds::kinds_json;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Every kind of alarm, work order and event: cause, consequence, action, time to respond, priority and why
    Kinds(KindsOptions),
    /// Rates, floods, standing, chattering and most frequent alarms, and priorities, beside the guidance of ISA-18.2 / IEC 62682
    Report(alarm_report::Options),
}

#[derive(Debug, Args)]
struct KindsOptions {
    /// How to write it: md for the guide, csv for a spreadsheet, json as the API
    #[arg(long, value_enum, default_value_t = Format::Md)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Md,
    Csv,
    Json,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let options = match &options.action {
        Action::Kinds(options) => options,
        Action::Report(options) => return alarm_report::run(options),
    };
    let text = match options.format {
        Format::Md => guide::markdown(),
        Format::Csv => guide::csv(),
        Format::Json => serde_json::to_string_pretty(&kinds_json())? + "\n",
    };
    print(&text)?;
    Ok(Exit::Well)
}
