//! The samples of a moment, beside what was metered from them, for checks by other programs.
//!
//! Must never round: outside programs recompute from these samples.

use std::fmt::Write as _;

use serde::Serialize;

use crate::error::SimError;
use crate::meter::{MeterSample, SAMPLES_PER_CYCLE};
use crate::station::Station;

/// Samples of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DumpChannel {
    /// "v1".."v3" for voltage channels, "slot 1 i1".. for current channels.
    pub name: String,
    /// "V" or "A".
    pub unit: &'static str,
    /// The samples.
    pub samples: Vec<f64>,
}

/// All channels of a monitor over a few cycles.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Dump {
    /// Station name.
    pub station: String,
    /// Monitor name.
    pub monitor: String,
    /// Station time of the window, s.
    pub t_s: f64,
    /// Samples per second.
    pub sample_rate_hz: f64,
    /// Samples per cycle.
    pub samples_per_cycle: usize,
    /// Channels as wired.
    pub channels: Vec<DumpChannel>,
    /// What the monitor metered from these samples; a value without meaning is null.
    pub metered: serde_json::Value,
}

impl Dump {
    /// Takes the samples of a monitor at a time.
    pub fn take(station: &Station, monitor: &str, t_s: f64, cycles: usize) -> Result<Dump, SimError> {
        let found = station
            .monitor_names()
            .position(|name| name == monitor)
            .and_then(|index| station.monitor(index))
            .ok_or_else(|| SimError::station(station.name(), format!("there is no monitor \"{monitor}\"")))?;
        let (samples, sample) = found.window(station, t_s, Some(cycles.clamp(1, 600)));
        let mut channels = Vec::new();
        for (index, voltage) in samples.voltage.into_iter().enumerate() {
            channels.push(DumpChannel { name: format!("v{}", index + 1), unit: "V", samples: voltage });
        }
        for (slot, currents) in samples.current.into_iter().enumerate() {
            for (index, current) in currents.into_iter().enumerate() {
                let name = format!("slot {} i{}", slot + 1, index + 1);
                channels.push(DumpChannel { name, unit: "A", samples: current });
            }
        }
        let frequency_hz = station.at(t_s).frequency_hz;
        Ok(Dump {
            station: station.name().to_owned(),
            monitor: monitor.to_owned(),
            t_s: sample.t_s,
            sample_rate_hz: frequency_hz * SAMPLES_PER_CYCLE as f64,
            samples_per_cycle: SAMPLES_PER_CYCLE,
            channels,
            metered: metered(&sample),
        })
    }

    /// One row per sample: time and all channels.
    pub fn to_csv(&self) -> String {
        let mut text = String::from("t_s");
        for channel in &self.channels {
            let _ = write!(text, ",{} [{}]", channel.name, channel.unit);
        }
        text.push('\n');
        let rows = self.channels.first().map_or(0, |channel| channel.samples.len());
        for row in 0..rows {
            let _ = write!(text, "{:.9}", self.t_s + row as f64 / self.sample_rate_hz);
            for channel in &self.channels {
                let _ = write!(text, ",{}", channel.samples[row]);
            }
            text.push('\n');
        }
        text
    }
}

fn metered(sample: &MeterSample) -> serde_json::Value {
    let circuits: Vec<serde_json::Value> = sample
        .circuits
        .iter()
        .map(|circuit| {
            serde_json::json!({
                "current_a": circuit.current_a,
                "current_angle_deg": circuit.current_angle_deg,
                "active_power_w": circuit.active_power_w,
                "reactive_power_var": circuit.reactive_power_var,
                "apparent_power_va": circuit.apparent_power_va,
                "power_factor": circuit.power_factor,
                "total_active_power_w": circuit.total_active_power_w,
                "total_reactive_power_var": circuit.total_reactive_power_var,
                "total_apparent_power_va": circuit.total_apparent_power_va,
                "total_power_factor": circuit.total_power_factor,
                "energy_import_wh": circuit.energy_import_wh,
                "energy_export_wh": circuit.energy_export_wh,
                "running": circuit.running,
            })
        })
        .collect();
    serde_json::json!({
        "voltage_ln_v": sample.voltage_ln_v,
        "voltage_ll_v": sample.voltage_ll_v,
        "voltage_angle_deg": sample.voltage_angle_deg,
        "frequency_hz": sample.frequency_hz,
        "circuits": circuits,
    })
}
