//! `wattassay registers`: the registers of the Modbus server, for people, for manuals and for tag import.

use std::path::PathBuf;

use anyhow::Context;
use clap::{Args, ValueEnum};

use super::{Exit, print};
use crate::config;
use crate::faces::modbus::documentation;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// How to write it: text for a terminal, markdown for the manual, csv for tag import
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Configuration file (TOML): gives the addresses and names of its circuits instead of those of block 1
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    Markdown,
    Csv,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let config = options.config.as_ref().map(|path| config::load(path)).transpose()?;
    let configured = match &config {
        None => None,
        Some(config) => {
            let server = config.modbus_server.as_ref();
            Some((config, server.context("this configuration has no [modbus_server], so there are no registers")?))
        }
    };
    let text = match options.format {
        Format::Text => documentation::text(&documentation::tags(configured)),
        Format::Markdown => documentation::markdown(),
        Format::Csv => documentation::csv(&documentation::tags(configured)),
    };
    print(&text)?;
    Ok(Exit::Well)
}
