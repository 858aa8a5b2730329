//! Tests of whole files: what is read from a good one, and the exact words for each bad one.

mod alarms;
mod arbitrary;
mod bad_circuits;
mod bad_maps;
mod bad_points;
mod bad_stations;
mod columns;
mod energy;
mod good_files;
mod modbus_server;
mod notifications;
mod together;
mod users;
mod web;

use super::{MapLibrary, parse, parse_map};

/// The smallest useful configuration; bad values are put in by replacing one of its lines.
const MINIMAL: &str = r#"[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"

[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:15021"
unit = 1
map = "generic-full"

[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
"#;

/// A small map; bad values are put in by replacing one of its lines.
const SMALL_MAP: &str = r#"version = 1
name = "small"
title = "Small monitor"
addressing = "protocol"
function = 3

[[points]]
quantity = "current"
channel = "1"
address = 10
type = "u16"
unit = "A"
scale = 0.1
"#;

/// The text with one piece replaced; the piece must be there, or the test would test nothing.
fn with(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from} is not in the text");
    text.replacen(from, to, 1)
}

/// The problems of a configuration, as printed, without excerpts.
fn told(text: &str) -> Vec<String> {
    match parse("f.toml", text, &MapLibrary::builtin()) {
        Ok(_) => vec!["no problem".to_owned()],
        Err(problems) => first_lines(&problems),
    }
}

/// The problems of a map, as printed, without excerpts.
fn told_of_map(text: &str) -> Vec<String> {
    match parse_map("m.toml", text) {
        Ok(_) => vec!["no problem".to_owned()],
        Err(problems) => first_lines(&problems),
    }
}

fn first_lines(problems: &super::Problems) -> Vec<String> {
    problems.iter().map(|problem| problem.to_string().lines().next().unwrap_or_default().to_owned()).collect()
}

/// One line of a good file, what stands there instead, and all problems that follow.
type Case = (&'static str, &'static str, &'static [&'static str]);

fn check(told: fn(&str) -> Vec<String>, good: &str, cases: &[Case]) {
    for (from, to, problems) in cases {
        assert_eq!(told(&with(good, from, to)), *problems, "{to}");
    }
}

/// A name for the case, the whole file, and all its problems.
type WholeCase = (&'static str, String, &'static [&'static str]);

fn check_whole(told: fn(&str) -> Vec<String>, cases: &[WholeCase]) {
    for (name, text, problems) in cases {
        assert_eq!(told(text), *problems, "{name}");
    }
}
