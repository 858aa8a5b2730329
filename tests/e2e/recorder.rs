//! Recordings of simulated stations, made faster than time passes, and the columns files that say what they hold.

use std::fmt::Write as _;

use wattassay_simulators::{CircuitSample, MeterSample, Station};

use crate::support::Scene;

/// 2025-11-19T21:43:00Z, ms.
pub const START_MS: i64 = 1_763_588_580_000;

/// A column: its name, quantity, channel, unit, and its number in a sample.
type Column = (String, &'static str, &'static str, &'static str, fn(&MeterSample, usize) -> f64, usize);

const CHANNELS: [&str; 3] = ["1", "2", "3"];

fn circuit(sample: &MeterSample) -> &CircuitSample {
    &sample.circuits[0]
}

/// What a map of the daemon offers, as columns.
fn columns(map: &str) -> Vec<Column> {
    let mut all: Vec<Column> = Vec::new();
    let mut three = |name: &str, quantity, channels: [&'static str; 3], unit, value: fn(&MeterSample, usize) -> f64| {
        for (n, channel) in channels.into_iter().enumerate() {
            all.push((format!("{name}{channel}"), quantity, channel, unit, value, n));
        }
    };
    three("V", "voltage-ln", CHANNELS, "V", |s, n| s.voltage_ln_v[n]);
    three("I", "current", CHANNELS, "A", |s, n| circuit(s).current_a[n]);
    if map != "generic-watts" {
        three("U", "voltage-ll", ["12", "23", "31"], "V", |s, n| s.voltage_ll_v[n]);
    }
    if map != "generic-blanking" {
        three("kW", "active-power", CHANNELS, "kW", |s, n| circuit(s).active_power_w[n] / 1000.0);
    }
    if map == "generic-full" {
        three("V angle ", "voltage-angle", CHANNELS, "deg", |s, n| s.voltage_angle_deg[n]);
        three("I angle ", "current-angle", CHANNELS, "deg", |s, n| circuit(s).current_angle_deg[n]);
        three("kvar", "reactive-power", CHANNELS, "kvar", |s, n| circuit(s).reactive_power_var[n] / 1000.0);
        three("kVA", "apparent-power", CHANNELS, "kVA", |s, n| circuit(s).apparent_power_va[n] / 1000.0);
        three("PF", "power-factor", CHANNELS, "1", |s, n| circuit(s).power_factor[n]);
    }
    let mut total = |name: &str, quantity, unit, value: fn(&MeterSample, usize) -> f64| {
        all.push((name.to_owned(), quantity, "total", unit, value, 0));
    };
    match map {
        "generic-blanking" => {
            total("kW", "active-power", "kW", |s, _| blank(s, circuit(s).total_active_power_w / 1000.0));
            total("PF", "power-factor", "1", |s, _| blank(s, circuit(s).total_power_factor));
            total("kVA", "apparent-power", "kVA", |s, _| circuit(s).total_apparent_power_va / 1000.0);
        }
        "generic-watts" => {
            total("kW", "active-power", "kW", |s, _| circuit(s).total_active_power_w / 1000.0);
            total("Hz", "frequency", "Hz", |s, _| s.frequency_hz);
        }
        _ => {
            total("kW", "active-power", "kW", |s, _| circuit(s).total_active_power_w / 1000.0);
            total("kvar", "reactive-power", "kvar", |s, _| circuit(s).total_reactive_power_var / 1000.0);
            total("kVA", "apparent-power", "kVA", |s, _| circuit(s).total_apparent_power_va / 1000.0);
            total("PF", "power-factor", "1", |s, _| circuit(s).total_power_factor);
            total("Hz", "frequency", "Hz", |s, _| s.frequency_hz);
        }
    }
    all
}

/// A blanking monitor shows nothing of power that is not positive.
fn blank(sample: &MeterSample, value: f64) -> f64 {
    if circuit(sample).total_active_power_w > 0.0 { value } else { f64::NAN }
}

/// The columns file for recordings of a map, with `head` before its first table.
pub fn columns_file(map: &str, head: &str) -> String {
    let mut text = format!(
        "version = 1\nnot_available = [\"\", \"Bad\"]\n{head}\n[timestamp]\ncolumn = \"Time\"\nformat = \"unix-milliseconds\"\n"
    );
    for (column, quantity, channel, unit, _, _) in columns(map) {
        write!(
            text,
            "[[columns]]\ncolumn = \"{column}\"\nquantity = \"{quantity}\"\nchannel = \"{channel}\"\nunit = \"{unit}\"\n"
        )
        .unwrap();
    }
    text
}

/// What the monitor of the scene records in `rows` rows, one each `period_ms`.
pub fn record(scene: &Scene, rows: u32, period_ms: u32) -> String {
    let station = Station::from_toml(&scene.station_file(1)).unwrap();
    let columns = columns(scene.map);
    let names: Vec<&str> = columns.iter().map(|column| column.0.as_str()).collect();
    let mut text = format!("Time,{}\n", names.join(","));
    for row in 0..rows {
        let elapsed_ms = row * period_ms;
        let sample = station.meter(0, f64::from(elapsed_ms) / 1000.0).unwrap();
        write!(text, "{}", START_MS + i64::from(elapsed_ms)).unwrap();
        for (_, _, _, _, value, n) in &columns {
            let value = value(&sample, *n);
            if value.is_nan() {
                text.push_str(",Bad");
            } else {
                write!(text, ",{value:.4}").unwrap();
            }
        }
        text.push('\n');
    }
    text
}
