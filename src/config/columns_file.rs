//! A columns file: TOML text to a checked `Columns`, all problems of the file at once.
//!
//! Says which column of a recorded table is which value of which circuit. Must never guess a time zone, a unit or a
//! circuit; where a name may be left out, only one thing can be meant.

use std::path::Path;

use jiff::tz::{Offset, TimeZone};

use crate::audit::misregistration::MAX_GAP_MS;
use crate::replay::columns::{Columns, FilePlan, Layout, TextRules};
use crate::replay::time::{PatternError, TimeFormat, pattern_has_offset};

use super::columns_place::{ColumnDraft, FileDraft, Names, place_columns, read_column, read_names};
use super::conventions::Overrides;
use super::document::{parse_document, read_text};
use super::model::Config;
use super::problem::{Problems, quoted};
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader, nearest, text_of};
use super::report::Report;

const DELIMITERS: &[(&str, u8)] = &[(",", b','), (";", b';'), ("tab", b'\t'), ("|", b'|')];
const DECIMAL_MARKS: &[(&str, bool)] = &[(".", false), (",", true)];

/// Reads and checks a columns file against the stations of a configuration.
pub fn load_columns(path: &Path, config: &Config) -> Result<Columns, Problems> {
    let text = read_text(path).map_err(|problem| Problems::new(vec![*problem]))?;
    parse_columns(&path.display().to_string(), &text, config)
}

/// Checks the text of a columns file against the stations of a configuration.
pub fn parse_columns(file_name: &str, text: &str, config: &Config) -> Result<Columns, Problems> {
    let report = Report::new(file_name, text);
    let document = parse_document(&report, text);
    let columns = document.as_ref().and_then(|document| {
        let root = TableReader::new(&report, "", 0..0, document.get_ref());
        read_columns(&report, root, config)
    });
    match columns {
        Some(columns) if report.is_clean() => Ok(columns),
        _ => Err(Problems::new(report.into_problems())),
    }
}

fn read_columns(report: &Report<'_>, root: TableReader<'_>, config: &Config) -> Option<Columns> {
    let version = root.integer("version", 1..=1);
    root.need("version", version, "write version = 1");
    let text = read_text_rules(&root);
    let time = read_timestamp(&root);
    let layout = read_layout(&root);
    let longest_gap = root.quantity("longest_gap", Dimension::Time, &(1.0..=86_400.0), "from 1 s to 24 h");
    let longest_gap_s = longest_gap.or(MAX_GAP_MS as f64 / 1000.0);
    let overrides = Overrides::read(&root);
    let defaults = read_names(&root);
    let files = read_files(&root);
    let tables = root.tables("columns");
    let tables = root.need("columns", tables, "list the columns, each under its own [[columns]] header");
    let drafts: Vec<ColumnDraft> = tables.value().unwrap_or_default().into_iter().filter_map(read_column).collect();
    root.finish();

    let mut stations = config.stations.clone();
    for monitor in stations.iter_mut().flat_map(|station| &mut station.monitors) {
        monitor.map = overrides.apply(&monitor.map);
    }
    let plans = place_columns(report, &stations, &defaults, &files?, &drafts);
    let (time_column, time_format) = time?;
    Some(Columns {
        text: text?,
        time_column,
        time_format,
        layout: layout?,
        longest_gap_ms: (longest_gap_s? * 1000.0).round() as u64,
        plans: plans.into_iter().map(|(pattern, values)| FilePlan { pattern, values }).collect(),
        stations,
    })
}

fn read_text_rules(root: &TableReader<'_>) -> Option<TextRules> {
    let delimiter = root.choice("delimiter", DELIMITERS).or(b',');
    let decimal = root.choice("decimal_mark", DECIMAL_MARKS);
    let decimal = root.check("decimal_mark", decimal, |comma| {
        if comma && delimiter == Some(b',') {
            return Err(Fault::new(
                "the comma is also the delimiter",
                "say what is between the fields, for example delimiter = \";\"",
            ));
        }
        Ok(comma)
    });
    let skip_lines = root.integer("skip_lines", 0..=1000).or(0);
    let usual = TextRules::default();
    let not_available = read_words(root, "not_available", usual.not_available, &["", "NaN", "Bad"]);
    let running = read_words(root, "running", usual.running, &["ON", "1"]);
    let stopped = read_words(root, "stopped", usual.stopped, &["OFF", "0"]);
    let (running, stopped) = (running?, stopped?);
    if let Some(both) = running.iter().find(|word| stopped.iter().any(|other| other.eq_ignore_ascii_case(word))) {
        let fault = Fault::new(
            format!("{} is among the words for running and among those for stopped", quoted(both)),
            "a word can mean only one of them; where one list is given, check the other",
        );
        let written = ["stopped", "running"].into_iter().find_map(|key| Some((key, root.raw(key)?.span())));
        let (key, place) = written.unwrap_or(("running", root.place().clone()));
        root.fault(key, &place, fault);
        return None;
    }
    Some(TextRules {
        delimiter: delimiter?,
        decimal_comma: decimal.or(false)?,
        not_available: not_available?,
        running,
        stopped,
        skip_lines: skip_lines?.unsigned_abs(),
    })
}

/// A list of words; `usual` where the file has none.
fn read_words(root: &TableReader<'_>, key: &'static str, usual: Vec<String>, example: &[&str]) -> Option<Vec<String>> {
    let example = format!("{example:?}");
    let items = match root.array(key, &example) {
        Field::Absent => return Some(usual),
        Field::Bad => return None,
        Field::Good(Located { value, .. }) => value,
    };
    let mut words = Vec::with_capacity(items.len());
    for item in items {
        match text_of(key, item.get_ref(), "NaN") {
            Ok(word) => words.push(word.trim().to_owned()),
            Err(fault) => root.fault(
                key,
                &item.span(),
                Fault::new(fault.message, format!("write a list of texts, for example {key} = {example}")),
            ),
        }
    }
    Some(words)
}

fn read_timestamp(root: &TableReader<'_>) -> Option<(String, TimeFormat)> {
    let Some(table) = root.table("timestamp") else {
        let hint = "say which column holds the time and how it is written: [timestamp] with column and format";
        root.need("timestamp", Field::<()>::Absent, hint);
        return None;
    };
    let column = table.name("column", 200, "Time");
    let column = table.need("column", column, "name the column that holds the time, for example column = \"Time\"");
    let format = table.text("format", "rfc3339");
    let format = table.check("format", format, check_format);
    let format = table.need(
        "format",
        format,
        "say how times are written: \"rfc3339\", \"unix-seconds\", \"unix-milliseconds\" or a pattern such as \"%Y-%m-%d %H:%M:%S\"",
    );
    let zone = table.text("zone", "America/New_York");
    let zone = table.check("zone", zone, check_zone);
    let format = match format {
        Field::Good(Located { value: Format::Pattern(pattern), .. }) => {
            let hint = "the pattern does not hold an offset, so say in which zone the times are, for example zone = \"America/New_York\" or zone = \"-05:00\"";
            let zone = table.need("zone", zone, hint).value();
            zone.map(|zone| TimeFormat::Pattern { pattern, zone: Some(zone) })
        }
        Field::Good(Located { value: Format::WithOffset(format), .. }) => {
            table.check("zone", zone, |_| -> Result<(), Fault> {
                Err(Fault::new("times in this format hold their own offset", "take this key out"))
            });
            Some(format)
        }
        Field::Absent | Field::Bad => None,
    };
    table.finish();
    Some((column.value()?, format?))
}

enum Format {
    WithOffset(TimeFormat),
    Pattern(String),
}

fn check_format(text: &str) -> Result<Format, Fault> {
    let words = ["rfc3339", "unix-seconds", "unix-milliseconds"];
    Ok(match text {
        "rfc3339" => Format::WithOffset(TimeFormat::Rfc3339),
        "unix-seconds" => Format::WithOffset(TimeFormat::UnixSeconds),
        "unix-milliseconds" => Format::WithOffset(TimeFormat::UnixMilliseconds),
        pattern if pattern.contains('%') => match pattern_has_offset(pattern) {
            Ok(true) => Format::WithOffset(TimeFormat::Pattern { pattern: pattern.to_owned(), zone: None }),
            Ok(false) => Format::Pattern(pattern.to_owned()),
            Err(error @ PatternError::Unusable) => {
                return Err(Fault::new(error.to_string(), "write for example \"%Y-%m-%d %H:%M:%S\""));
            }
            Err(error @ PatternError::Incomplete) => {
                return Err(Fault::new(
                    error.to_string(),
                    "it needs year, month, day, hour and minute, and %p beside %I; for example \"%Y-%m-%d %H:%M:%S\"",
                ));
            }
        },
        other => {
            let hint = match nearest(other, words) {
                Some(near) => format!("did you mean {near:?}?"),
                None => format!("choose one of {}, or write a pattern such as \"%Y-%m-%d %H:%M:%S\"", words.join(", ")),
            };
            return Err(Fault::new(format!("{} is not a format of times", quoted(text)), hint));
        }
    })
}

fn check_zone(text: &str) -> Result<TimeZone, Fault> {
    if let Some(zone) = fixed_offset(text) {
        return Ok(zone);
    }
    TimeZone::get(text).map_err(|_| {
        Fault::new(
            format!("{} is not a time zone", quoted(text)),
            "write a name of the time zone database such as \"America/New_York\", \"UTC\", or an offset such as \"-05:00\"",
        )
    })
}

/// "+05:30" or "-05:00": hours and minutes east of UTC.
fn fixed_offset(text: &str) -> Option<TimeZone> {
    let (sign, rest) = match text.as_bytes().first()? {
        b'+' => (1, &text[1..]),
        b'-' => (-1, &text[1..]),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let two = |digits: &str, below: i32| {
        (digits.len() == 2 && digits.bytes().all(|b| b.is_ascii_digit()))
            .then(|| digits.parse::<i32>().ok())
            .flatten()
            .filter(|number| *number < below)
    };
    let seconds = sign * (two(hours, 15)? * 3600 + two(minutes, 60)? * 60);
    Some(TimeZone::fixed(Offset::from_seconds(seconds).ok()?))
}

fn read_layout(root: &TableReader<'_>) -> Option<Layout> {
    let Some(table) = root.table("long") else {
        // A bad `long` has its own problem in the report, so that what is returned here is not used.
        return Some(Layout::Wide);
    };
    let tag = table.name("tag_column", 200, "Tag");
    let tag = table.need("tag_column", tag, "name the column that says which value a row holds");
    let value = table.name("value_column", 200, "Value");
    let value = table.need("value_column", value, "name the column that holds the value");
    let hold = table.quantity("hold", Dimension::Time, &(0.0..=86_400.0), "from 0 s to 24 h").or(0.0);
    table.finish();
    Some(Layout::Long {
        tag_column: tag.value()?,
        value_column: value.value()?,
        hold_ms: (hold? * 1000.0).round() as u64,
    })
}

/// The `[[files]]` tables; one without a pattern when there are none. `None` when one of them is at fault.
fn read_files(root: &TableReader<'_>) -> Option<Vec<FileDraft>> {
    let tables = match root.tables("files") {
        Field::Absent => return Some(vec![FileDraft { pattern: None, names: Names::default() }]),
        Field::Bad => return None,
        Field::Good(Located { value, .. }) => value,
    };
    let mut files = Vec::with_capacity(tables.len());
    let mut bad = false;
    for table in tables {
        let name = table.name("name", 200, "alder-creek-*.csv.gz");
        let name = table.check("name", name, |name| {
            if name.contains(['/', '\\']) {
                return Err(Fault::new(
                    "this is a path",
                    "write the file's name without its folder; * stands for anything",
                ));
            }
            Ok(name)
        });
        let name = table.need("name", name, "name the file, for example name = \"alder-creek-*.csv.gz\"").value();
        let names = read_names(&table);
        table.finish();
        match name {
            Some(pattern) => files.push(FileDraft { pattern: Some(pattern), names }),
            None => bad = true,
        }
    }
    (!bad).then_some(files)
}
