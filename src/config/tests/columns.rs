//! Columns files: the exact words for each bad one, with place and key.

use super::{Case, check, check_whole, first_lines, with};
use crate::config::{MapLibrary, parse, parse_columns};
use crate::modbus::map::{Channel, MapSource, PowerSign, Quantity};
use crate::replay::columns::{Columns, Layout, MonitorKey};

const STATIONS: &str = r#"
[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"
[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:15021"
unit = 1
map = "generic-full"
[[stations.monitors]]
name = "PM-2"
address = "127.0.0.1:15022"
unit = 1
map = "generic-full"
[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
[[stations.circuits]]
name = "Pump 2"
monitor = "PM-2"
slot = 2
load = "induction-motor"
[[stations]]
name = "Mill Race Pumping"
service = "wye-4-wire"
nominal_voltage = "480 V"
[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:15023"
unit = 1
map = "generic-full"
[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
"#;

const GOOD: &str = r#"version = 1
station = "Alder Creek Lift"
circuit = "Pump 1"
longest_gap = "5 min"

[timestamp]
column = "Time"
format = "%Y-%m-%d %H:%M:%S"
zone = "America/New_York"

[[columns]]
column = "I1"
quantity = "current"
channel = "1"
unit = "A"

[[columns]]
column = "V1"
quantity = "voltage-ln"
channel = "1"
unit = "V"
"#;

fn read(text: &str) -> Result<Columns, crate::config::Problems> {
    let config = parse("stations.toml", STATIONS, &MapLibrary::builtin()).unwrap();
    parse_columns("c.toml", text, &config)
}

fn told(text: &str) -> Vec<String> {
    match read(text) {
        Ok(_) => vec!["no problem".to_owned()],
        Err(problems) => first_lines(&problems),
    }
}

#[test]
fn a_good_file_is_read() {
    let columns = read(GOOD).unwrap();
    assert_eq!((columns.longest_gap_ms, columns.layout), (300_000, Layout::Wide));
    assert_eq!((columns.text.delimiter, columns.text.not_available), (b',', vec![String::new()]));
    let [plan] = &columns.plans[..] else { panic!("{} plans", columns.plans.len()) };
    assert_eq!(plan.pattern, None);
    assert!(plan.values.iter().all(|value| value.monitor == MonitorKey { station: 0, monitor: 0 }));
    assert_eq!(plan.values[0].target.quantity, Quantity::Current);
    assert_eq!(plan.values[1].target.channel, Channel::One);
}

#[test]
fn files_and_columns_narrow_what_the_head_says() {
    let text = with(GOOD, "station = \"Alder Creek Lift\"\n", "")
        + "\n[[files]]\nname = \"alder-*\"\nstation = \"Alder Creek Lift\"\ncircuit = \"Pump 2\"\n\
           [[files]]\nname = \"mill-*\"\nstation = \"Mill Race Pumping\"\n\
           [conventions]\nactive_power = \"load-negative\"\n";
    let columns = read(&text).unwrap();
    let places: Vec<Vec<(usize, usize, u8)>> = columns
        .plans
        .iter()
        .map(|p| p.values.iter().map(|v| (v.monitor.station, v.monitor.monitor, v.target.slot)).collect())
        .collect();
    assert_eq!(places, [vec![(0, 1, 1), (0, 1, 0)], vec![(1, 0, 0), (1, 0, 0)]]);
    assert_eq!(columns.plan_for("mill-2025.csv"), Ok(1));
    let error = columns.plan_for("heron.csv").unwrap_err().to_string();
    assert!(error.contains("heron.csv") && error.contains("\"alder-*\", \"mill-*\""), "{error}");
    let MapSource::Fixed(map) = &columns.stations[1].monitors[0].map else { panic!("a fixed map") };
    assert_eq!(map.conventions.active_power, PowerSign::LoadNegative);
}

const CASES: &[Case] = &[
    ("version = 1\n", "", &["c.toml:1:1: version: this key is missing; write version = 1"]),
    (
        "station = \"Alder Creek Lift\"",
        "station = \"Alder Creek Lfit\"",
        &[
            "c.toml:2:11: station: the configuration has no station \"Alder Creek Lfit\"; did you mean \"Alder Creek Lift\"?",
        ],
    ),
    (
        "circuit = \"Pump 1\"",
        "circuit = \"Blower\"",
        &[
            "c.toml:3:11: circuit: station \"Alder Creek Lift\" has no circuit \"Blower\"; known there: \"Pump 1\", \"Pump 2\"",
        ],
    ),
    (
        "longest_gap = \"5 min\"",
        "longest_gap = 5",
        &["c.toml:4:15: longest_gap: 5 has no unit; write \"5 ms\" or \"5 s\" (units of time: ms, s, min, h, d)"],
    ),
    (
        "longest_gap = \"5 min\"",
        "running = [\"Off\"]",
        &[
            "c.toml:4:11: running: \"Off\" is among the words for running and among those for stopped; a word can mean only one of them; where one list is given, check the other",
        ],
    ),
    (
        "longest_gap = \"5 min\"",
        "stopped = [0]",
        &[
            "c.toml:4:12: stopped: expected text in quotes, found the number 0; write a list of texts, for example stopped = [\"OFF\", \"0\"]",
        ],
    ),
    (
        "zone = \"America/New_York\"",
        "zone = \"Larkmoor\"",
        &[
            "c.toml:9:8: timestamp.zone: \"Larkmoor\" is not a time zone; write a name of the time zone database such as \"America/New_York\", \"UTC\", or an offset such as \"-05:00\"",
        ],
    ),
    (
        "zone = \"America/New_York\"\n",
        "",
        &[
            "c.toml:6:1: timestamp.zone: this key is missing; the pattern does not hold an offset, so say in which zone the times are, for example zone = \"America/New_York\" or zone = \"-05:00\"",
        ],
    ),
    (
        "\"%Y-%m-%d %H:%M:%S\"",
        "\"rfc3339\"",
        &["c.toml:9:8: timestamp.zone: times in this format hold their own offset; take this key out"],
    ),
    (
        "\"%Y-%m-%d %H:%M:%S\"",
        "\"unix-second\"",
        &["c.toml:8:10: timestamp.format: \"unix-second\" is not a format of times; did you mean \"unix-seconds\"?"],
    ),
    (
        "\"%Y-%m-%d %H:%M:%S\"",
        "\"%H:%M:%S\"",
        &[
            "c.toml:8:10: timestamp.format: the pattern does not hold a whole date and time; it needs year, month, day, hour and minute, and %p beside %I; for example \"%Y-%m-%d %H:%M:%S\"",
        ],
    ),
    ("unit = \"A\"", "unit = \"kW\"", &["c.toml:15:8: columns.unit: current is in A, not kW; units of current: A, mA"]),
    (
        "quantity = \"current\"",
        "quantity = \"curent\"\nscale = 2",
        &[
            "c.toml:13:12: columns.quantity: \"curent\" is not a choice here; did you mean \"current\"? (choices: voltage-ln, voltage-ll, voltage-angle, frequency, current, current-angle, active-power, reactive-power, apparent-power, power-factor, energy-import, energy-export, run-status, flow, head, suction-pressure, discharge-pressure)",
            "c.toml:14:1: columns.scale: this key is not known; keys known here: channel, circuit, column, monitor, quantity, station, unit",
        ],
    ),
    (
        "longest_gap = \"5 min\"",
        "decimal_mark = \",\"",
        &[
            "c.toml:4:16: decimal_mark: the comma is also the delimiter; say what is between the fields, for example delimiter = \";\"",
        ],
    ),
    (
        "circuit = \"Pump 1\"\n",
        "",
        &[
            "c.toml:10:1: columns: this column does not say which circuit it is of, and station \"Alder Creek Lift\" has more than one circuit; write circuit = \"Pump 1\" at this column, in its [[files]] table, or once at the head of the file",
            "c.toml:16:1: columns: this column does not say which monitor it is of, and station \"Alder Creek Lift\" has more than one monitor; write monitor = \"PM-1\" at this column, in its [[files]] table, or once at the head of the file",
        ],
    ),
    (
        "quantity = \"voltage-ln\"\nchannel = \"1\"\nunit = \"V\"",
        "quantity = \"current\"\nchannel = \"1\"\nunit = \"A\"",
        &[
            "c.toml:17:1: columns: another column gives the same value of \"Alder Creek Lift\"; two columns cannot be the same value; check quantity, channel and circuit of both",
        ],
    ),
];

#[test]
fn each_fault_is_told_with_its_place_and_the_right_writing() {
    check(told, GOOD, CASES);
}

#[test]
fn faults_of_whole_files() {
    check_whole(
        told,
        &[
            (
                "nothing",
                "version = 1\n".to_owned(),
                &[
                    "c.toml:1:1: timestamp: this key is missing; say which column holds the time and how it is written: [timestamp] with column and format",
                    "c.toml:1:1: columns: this key is missing; list the columns, each under its own [[columns]] header",
                ],
            ),
            (
                "a path for a name",
                format!("{GOOD}[[files]]\nname = \"a/b.csv\"\n[long]\ntag_column = \"Tag\"\n"),
                &[
                    "c.toml:23:8: files.name: this is a path; write the file's name without its folder; * stands for anything",
                    "c.toml:24:1: long.value_column: this key is missing; name the column that holds the value",
                ],
            ),
        ],
    );
}

#[test]
fn a_fixed_offset_is_a_zone() {
    for (zone, good) in
        [("-05:00", true), ("+05:30", true), ("UTC", true), ("+25:00", false), ("-5:00", false), ("", false)]
    {
        let text = with(GOOD, "America/New_York", zone);
        assert_eq!(read(&text).is_ok(), good, "{zone}: {:?}", told(&text));
    }
}

mod arbitrary {
    use proptest::prelude::*;

    use super::{GOOD, told};

    proptest! {
        #[test]
        fn a_damaged_file_never_panics(at in 0usize..600, cut in 0usize..40, put in "\\PC{0,8}") {
            let chars: Vec<char> = GOOD.chars().collect();
            let at = at.min(chars.len());
            let end = (at + cut).min(chars.len());
            let text: String = chars[..at].iter().copied().chain(put.chars()).chain(chars[end..].iter().copied()).collect();
            prop_assert!(!told(&text).is_empty());
        }
    }
}
