//! Readings replayed a second on one core: a row of text to a reading, and a row of text through the whole audit.
//!
//! `cargo bench --bench replay`. The recording is of a simulated station whose CTs are rotated, one reading a second at
//! three load levels, so that nothing is saved by seeing the same numbers again. Throughput is in rows a second, each
//! of them one reading of one circuit.

use std::fmt::Write as _;

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use wattassay::config::{MapLibrary, parse, parse_columns};
use wattassay::replay::rows::RowReader;
use wattassay::replay::time::Timeline;
use wattassay::replay::{Columns, Session};
use wattassay_simulators::Station;

fn main() {
    divan::main();
}

const ROWS: u32 = 3000;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Level {
    /// V, I, P, Q per channel.
    PerChannelPq,
    /// V, I, P per channel.
    PerChannelP,
}

const STATION: &str = r#"
name = "Alder Creek Lift"
[source]
line_voltage_v = 480.0
noise = 0.001
[[pumps]]
name = "Pump 1"
load = "induction-motor"
rated_power_w = 44742.0
rated_voltage_v = 460.0
full_load_current_a = 77.0
full_load_power_factor = 0.86
schedule = [{ at_s = 0.0, load = 1.0 }, { at_s = 300.0, load = 0.7 }, { at_s = 600.0, load = 0.42 }]
repeat_s = 900.0
[[monitors]]
name = "PM-1"
listen = "127.0.0.1:0"
map = "generic-full"
circuits = ["Pump 1"]
voltage = ["A", "B", "C"]
currents = [["B", "C", "A"]]
"#;

const CONFIG: &str = r#"
[[stations]]
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
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "200:5"
"#;

fn columns(level: Level) -> Columns {
    let mut text = "version = 1\n[timestamp]\ncolumn = \"Time\"\nformat = \"rfc3339\"\n".to_owned();
    let mut three = |quantity: &str, unit: &str| {
        for channel in 1..=3 {
            let _ = write!(
                text,
                "[[columns]]\ncolumn = \"{quantity} {channel}\"\nquantity = \"{quantity}\"\nchannel = \"{channel}\"\nunit = \"{unit}\"\n"
            );
        }
    };
    three("voltage-ln", "V");
    three("current", "A");
    three("active-power", "kW");
    if level == Level::PerChannelPq {
        three("reactive-power", "kvar");
    }
    let config = parse("stations.toml", CONFIG, &MapLibrary::builtin()).unwrap();
    parse_columns("columns.toml", &text, &config).unwrap()
}

/// The lines of the recording: the heading, then one a second.
fn lines(level: Level) -> Vec<String> {
    let station = Station::from_toml(STATION).unwrap();
    let mut heading = "Time".to_owned();
    let pq = level == Level::PerChannelPq;
    for quantity in ["voltage-ln", "current", "active-power", "reactive-power"].iter().take(if pq { 4 } else { 3 }) {
        for channel in 1..=3 {
            let _ = write!(heading, ",{quantity} {channel}");
        }
    }
    let mut lines = vec![heading];
    for second in 0..ROWS {
        let sample = station.meter(0, f64::from(second)).unwrap();
        let circuit = &sample.circuits[0];
        let mut line = format!("2025-11-19T{:02}:{:02}:{:02}Z", second / 3600, second / 60 % 60, second % 60);
        let mut three = |values: [f64; 3]| {
            for value in values {
                let _ = write!(line, ",{value:.3}");
            }
        };
        three(sample.voltage_ln_v);
        three(circuit.current_a);
        three(circuit.active_power_w.map(|w| w / 1000.0));
        if pq {
            three(circuit.reactive_power_var.map(|var| var / 1000.0));
        }
        lines.push(line);
    }
    lines
}

#[divan::bench(args = [Level::PerChannelPq, Level::PerChannelP])]
fn rows_to_readings(bencher: Bencher, level: Level) {
    let (columns, lines) = (columns(level), lines(level));
    bencher.counter(ItemsCount::new(ROWS)).bench_local(|| {
        let mut reader = RowReader::new(&columns, 0, Timeline::default());
        for (n, line) in lines.iter().enumerate() {
            reader
                .line(n as u64 + 1, line.as_bytes(), |key, reading| {
                    black_box((key, reading));
                })
                .unwrap();
        }
        assert_eq!(reader.readings(), u64::from(ROWS));
    });
}

#[divan::bench(args = [Level::PerChannelPq, Level::PerChannelP])]
fn rows_through_the_audit(bencher: Bencher, level: Level) {
    let (columns, lines) = (columns(level), lines(level));
    bencher.counter(ItemsCount::new(ROWS)).bench_local(|| {
        let mut session = Session::new(&columns).unwrap();
        let mut reader = session.reader(0);
        for (n, line) in lines.iter().enumerate() {
            reader.line(n as u64 + 1, line.as_bytes(), |key, reading| session.take(key, reading)).unwrap();
        }
        black_box(session.ranked())
    });
}
