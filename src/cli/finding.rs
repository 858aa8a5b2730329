//! `wattassay finding`: one finding of a person at the panel into the findings file, and how it moves the diagnosis.
//!
//! The finding is kept before anything is read. Must never guess what was found, nor tell anybody how a check is done: that is
//! the sheet's, behind its cautions.

mod ask;

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use jiff::Timestamp;

use self::ask::Asker;
use super::audit::{chosen, watch};
use super::{ConfigFile, Exit, complain, print, span};
use crate::audit::check_words::{CheckKind, Measure, kinds};
use crate::check_book::{CheckBookError, Entry, Found, Volts, parsed};
use crate::clock::Clock;
use crate::config;
use crate::config::model::Config;
use crate::control;
use crate::faces::findings_format::{accepted_words, format_help};
use crate::faces::moved_text::moved_text;
use crate::findings_file;
use crate::journal::export::time;
use crate::station::checks::with_checks;

/// A clock that is slow on one side makes a finding seem later than it is.
const FUTURE_MS: i64 = 60_000;

#[derive(Debug, Args)]
#[command(after_help = format_help(), max_term_width = 100)]
pub(super) struct Options {
    #[command(flatten)]
    config: ConfigFile,
    /// Findings file that the entry is added to (TOML, [[checks]]); it begins with the first one
    #[arg(long, value_name = "FILE")]
    checks: PathBuf,
    /// Station; asked for when it is left out, as everything below
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// Circuit
    #[arg(long, value_name = "NAME")]
    circuit: Option<String>,
    /// Word of the check, as the sheet prints it
    #[arg(long, value_name = "WORD")]
    check: Option<String>,
    /// Channel or terminal of the monitor, from 1
    #[arg(long, value_name = "N")]
    channel: Option<i64>,
    /// What was found, as a word
    #[arg(long, value_name = "WORD")]
    shows: Option<String>,
    /// What was found, as ohms
    #[arg(long, value_name = "OHMS")]
    ohms: Option<f64>,
    /// What was found, as volts from the terminal to phases A, B, C at the same breaker, such as 481,0.4,479
    #[arg(long, value_name = "V,V,V", value_delimiter = ',')]
    volts: Option<Vec<f64>>,
    /// What was found, as amps by clamp meter
    #[arg(long, value_name = "A", requires = "channel_amps")]
    amps: Option<f64>,
    /// Amps that the monitor showed on the channel at the same moment
    #[arg(long, value_name = "A", requires = "amps")]
    channel_amps: Option<f64>,
    /// Who looked
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// When, such as 2026-11-25T10:00:00Z [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<Timestamp>,
    /// How long to read afterwards, to show how the diagnosis moved; for example 30s or 2min
    #[arg(long = "for", value_name = "SPAN", default_value = "30s", value_parser = span::parse)]
    span: Duration,
    /// Only add the finding; read no monitor
    #[arg(long, conflicts_with = "span")]
    no_reading: bool,
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let config = config::load(&options.config.config)?;
    // A file that is at fault is told before anybody answers a question.
    findings_file::read(&options.checks, &config)?;
    let entry = entry_of(&options, &config, &mut Asker::new(io::stdin().lock(), io::stderr()))?;
    let added = findings_file::add(&options.checks, &config, &entry)?;
    let new: Vec<_> = added.after.iter().skip(added.before.len()).collect();
    for check in &new {
        let (title, found) = (check.outcome.check.title(), check.outcome.finding.words());
        print(&format!("added to {}: {title}: {found}, by {}\n", options.checks.display(), check.by))?;
    }
    tell_of_daemon(&options.config.config, &entry);
    if options.no_reading {
        return Ok(Exit::Well);
    }
    complain(&format!("reading {} for {} s; Ctrl-C ends it early", entry.station, options.span.as_secs_f64()));
    let stations = chosen(config, Some(&entry.station))?;
    let read = watch(&stations, options.span, false).await;
    let (snapshots, _) = read.context("the finding is in the file; the monitors could not be read")?;
    for snapshot in &snapshots {
        let (before, after) = (with_checks(snapshot, &added.before), with_checks(snapshot, &added.after));
        for (old, new) in before.circuits.iter().zip(&after.circuits).filter(|(old, _)| old.name == entry.circuit) {
            print(&format!("\n{}", moved_text(&entry.station, old, new)))?;
        }
    }
    print("\nNext: print the sheet again, with the same --checks.\n")?;
    Ok(Exit::Well)
}

/// A daemon keeps findings of its own: whoever entered one here must not think that it counts there.
fn tell_of_daemon(config: &Path, entry: &Entry) {
    if !control::is_running(config).unwrap_or(false) {
        return;
    }
    let found = serde_json::to_string(&entry.found).unwrap_or_default();
    complain(&format!(
        "A daemon runs by {}. It keeps findings of its own: there this one counts once a user with the role field or engineer\n\
         sends it: POST /api/v1/stations/{}/circuits/{}/field-checks with {found}",
        config.display(),
        percent_encoded(&entry.station),
        percent_encoded(&entry.circuit),
    ));
}

fn percent_encoded(name: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    name.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

/// The entry, from the options and from answers for what they leave out.
fn entry_of<R: io::BufRead, W: io::Write>(
    options: &Options,
    config: &Config,
    asker: &mut Asker<R, W>,
) -> anyhow::Result<Entry> {
    let now = Clock::system().now().wall.0;
    let at = options.at.map_or(now, Timestamp::as_millisecond);
    if at > now + FUTURE_MS {
        bail!("--at {} has not come yet; it is {} now", time(at), time(now));
    }
    let stations: Vec<&str> = config.stations.iter().map(|s| s.name.as_str()).collect();
    let station = asker.pick("Station", "--station", options.station.as_deref(), &stations)?;
    let station = &config.stations[station];
    let circuits: Vec<&str> = station.circuits.iter().map(|c| c.name.as_str()).collect();
    let circuit = asker.pick("Circuit", "--circuit", options.circuit.as_deref(), &circuits)?;
    let kinds = kinds();
    let words: Vec<&str> = kinds.iter().map(|kind| kind.key).collect();
    let kind = &kinds[asker.pick("Check", "--check", options.check.as_deref(), &words)?];
    let mut found = Found { check: kind.key.to_owned(), ..Found::default() };
    found.channel = channel(options, kind, asker)?;
    let mut entry = Entry {
        id: 0,
        station: station.name.clone(),
        circuit: circuits[circuit].to_owned(),
        by: String::new(),
        at: time(at),
        found,
    };
    what_was_found(options, kind, &mut entry, config, asker)?;
    entry.by = match &options.by {
        Some(by) => by.clone(),
        None => asker.ask("Who looked", "--by", |answer| named(&entry, answer, config))?,
    };
    parsed(&entry, config)?;
    Ok(entry)
}

fn channel<R: io::BufRead, W: io::Write>(
    options: &Options,
    kind: &CheckKind,
    asker: &mut Asker<R, W>,
) -> anyhow::Result<Option<i64>> {
    match (kind.of_channel, options.channel) {
        (false, Some(_)) => bail!("{} is about the whole monitor: leave --channel out", kind.key),
        (false, None) => Ok(None),
        (true, Some(channel)) => Ok(Some(channel)),
        (true, None) => asker
            .ask("Channel or terminal, from 1", "--channel", |answer| match answer.parse() {
                Ok(channel @ 1..=3) => Ok(channel),
                _ => Err("a number from 1 to 3, as on the monitor's terminals".to_owned()),
            })
            .map(Some),
    }
}

/// Fills in what was found, and holds it against the rules of the file as it is answered.
fn what_was_found<R: io::BufRead, W: io::Write>(
    options: &Options,
    kind: &CheckKind,
    entry: &mut Entry,
    config: &Config,
    asker: &mut Asker<R, W>,
) -> anyhow::Result<()> {
    let given = Found {
        shows: options.shows.clone(),
        ohms: options.ohms,
        volts: options.volts.clone().map(Volts::Row),
        amps: options.amps,
        channel_amps: options.channel_amps,
        ..entry.found.clone()
    };
    if given != entry.found {
        entry.found = given;
        return Ok(right(entry, config)?);
    }
    let question = format!("What was found ({})", accepted_words(kind.example));
    let base = entry.clone();
    entry.found = asker.ask(&question, "--shows", |answer| {
        let found = read_found(&base.found, kind.measure, answer);
        right(&Entry { found: found.clone(), ..base.clone() }, config).map_err(|error| error.to_string())?;
        Ok(found)
    })?;
    Ok(())
}

/// What was found, from one answer: a number where the check has one and it begins with a digit, else a word.
fn read_found(base: &Found, measure: Option<Measure>, answer: &str) -> Found {
    // "amps = 61.5", "61.5 A" and "61.5" say the same; what is left over is for the rules to refuse.
    let numbers: Vec<f64> = answer
        .split(|c: char| c.is_whitespace() || matches!(c, ',' | '/' | '=' | '[' | ']'))
        .filter_map(|part| part.trim_end_matches(|c: char| c.is_ascii_alphabetic()).parse().ok())
        .collect();
    match (measure, numbers.as_slice()) {
        (Some(Measure::Ohms), [ohms]) => Found { ohms: Some(*ohms), ..base.clone() },
        (Some(Measure::Volts), volts @ [_, ..]) => Found { volts: Some(Volts::Row(volts.to_vec())), ..base.clone() },
        (Some(Measure::Amps), [clamp, channel]) => {
            Found { amps: Some(*clamp), channel_amps: Some(*channel), ..base.clone() }
        }
        _ => Found { shows: Some(answer.to_owned()), ..base.clone() },
    }
}

/// The rules of the file, for an entry whose person is not known yet.
fn right(entry: &Entry, config: &Config) -> Result<(), CheckBookError> {
    parsed(&Entry { by: "J. Alvarez".to_owned(), ..entry.clone() }, config).map(drop)
}

fn named(entry: &Entry, name: &str, config: &Config) -> Result<String, String> {
    let by = name.to_owned();
    parsed(&Entry { by: by.clone(), ..entry.clone() }, config).map_err(|error| error.to_string())?;
    Ok(by)
}

#[cfg(test)]
mod tests;
