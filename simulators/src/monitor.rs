//! One monitor of a station: its leads as they really are, its gain errors, its energy registers, its register map.
//!
//! Must never know what the right wiring would be: it meters what it is connected to.

use std::sync::{Arc, Mutex, PoisonError};

use crate::draw::{mix, tick_of};
use crate::energy::{Integral, Registers};
use crate::error::SimError;
use crate::face::{self, Face, FaceError};
use crate::image::RegisterImage;
use crate::meter::{Exposure, MeterSample, Metering, NOISY_CYCLES, Samples, mean_product, meter};
use crate::monitor_file::Apparent;
use crate::phasor::Spectrum;
use crate::register_faults::{RegisterFault, Twist};
use crate::sensing::Wiring;
use crate::station::{Station, StationState};
use crate::station_file::{ServiceFile, StationFile, WaterFile};

/// Tick and image last made.
type Made = Option<(u64, Arc<RegisterImage>)>;

/// A monitor, built and checked.
pub(crate) struct Monitor {
    name: String,
    wirings: Vec<Wiring>,
    /// Pump each slot is meant to meter; `None` is the incomer.
    own: Vec<Option<usize>>,
    service: ServiceFile,
    metering: Metering,
    /// Water side of each pump of the station.
    water: Vec<Option<WaterFile>>,
    noise: f64,
    seed: u64,
    voltage_gain: [f64; 3],
    current_gain: Vec<[f64; 3]>,
    energy_start_wh: f64,
    face: Face,
    faults: Vec<RegisterFault>,
    energy: Mutex<Integral>,
    made: Mutex<Made>,
}

impl Monitor {
    /// Builds monitor `index` of a station.
    pub(crate) fn new(station: &StationFile, index: usize) -> Result<Monitor, SimError> {
        let file = &station.monitors[index];
        let problem = |text: String| SimError::station(&station.name, format!("monitor \"{}\": {text}", file.name));
        let pump = |name: &str| station.pumps.iter().position(|pump| pump.name == name);
        let mut own = Vec::with_capacity(file.circuits.len());
        for name in &file.circuits {
            own.push(match name.as_str() {
                "*" => None,
                name => Some(pump(name).ok_or_else(|| problem(format!("there is no pump \"{name}\"")))?),
            });
        }
        if own.is_empty() {
            return Err(problem("circuits is empty".to_owned()));
        }
        let service = station.source.service();
        let read = |voltage: &[String; 3], currents: &[[String; 3]], from_s: f64| {
            Wiring::read((voltage, currents), from_s, service, &own, pump).map_err(problem)
        };
        let mut wirings = vec![read(&file.voltage, &file.currents, 0.0)?];
        let (mut voltage, mut currents) = (file.voltage.clone(), file.currents.clone());
        for change in &file.rewire {
            if wirings.last().is_some_and(|last| change.at_s <= last.from_s) || !change.at_s.is_finite() {
                return Err(problem(format!("rewire times must rise, {} s does not", change.at_s)));
            }
            voltage = change.voltage.clone().unwrap_or(voltage);
            currents = change.currents.clone().unwrap_or(currents);
            wirings.push(read(&voltage, &currents, change.at_s)?);
        }
        if !(0.0..=20.0).contains(&file.accuracy) {
            return Err(problem("accuracy must be 0 to 20 percent".to_owned()));
        }
        let seed = mix(station.seed ^ mix(index as u64 + 101));
        // Each channel's gain error is uniform within the class and fixed for the life of the device.
        let gain = |channel: u64| {
            let unit = (mix(seed ^ mix(channel)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
            1.0 + file.accuracy / 100.0 * unit
        };
        let face = face::build(station, file, &own).map_err(|error| match error {
            FaceError::Sentence(text) => problem(text),
            FaceError::Map(error) => error,
        })?;
        let faults: Vec<RegisterFault> =
            file.register_faults.iter().map(RegisterFault::new).collect::<Result<_, _>>().map_err(problem)?;
        faults.iter().try_for_each(|fault| face.check(fault)).map_err(problem)?;
        let metering = Metering {
            channels: service.channels(),
            line_voltages: match service {
                ServiceFile::SplitPhase => [true, false, false],
                ServiceFile::SinglePhase => [false; 3],
                _ => [true; 3],
            },
            vector_apparent: file.apparent == Apparent::Vector || service.is_two_element(),
        };
        Ok(Monitor {
            name: file.name.clone(),
            wirings,
            service,
            metering,
            noise: station.source.noise,
            seed,
            voltage_gain: [0, 1, 2].map(gain),
            current_gain: (0..own.len() as u64).map(|slot| [3, 4, 5].map(|channel| gain(channel + 3 * slot))).collect(),
            own,
            water: station.pumps.iter().map(|pump| pump.water).collect(),
            energy_start_wh: file.energy_start_wh,
            face,
            faults,
            energy: Mutex::default(),
            made: Mutex::new(None),
        })
    }

    /// Name of the monitor.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    fn wiring(&self, t_s: f64) -> &Wiring {
        self.wirings.iter().rev().find(|wiring| wiring.from_s <= t_s).unwrap_or(&self.wirings[0])
    }

    /// True when at some time a lead of this monitor is fed back behind a blown fuse of this conductor.
    pub(crate) fn is_back_fed(&self, phase: usize) -> bool {
        self.wirings.iter().any(|wiring| wiring.is_back_fed(phase))
    }

    /// What the channels are exposed to, gain errors included.
    pub(crate) fn exposure(&self, state: &StationState) -> Exposure {
        let mut exposure = self.wiring(state.t_s).exposure(self.service, state, self.seed);
        scale(&mut exposure.voltage, &self.voltage_gain);
        for (slot, gains) in exposure.current.iter_mut().zip(&self.current_gain) {
            scale(slot, gains);
        }
        exposure
    }

    /// Samples and what is metered from them, noise included.
    pub(crate) fn window(&self, station: &Station, t_s: f64, cycles: Option<usize>) -> (Samples, MeterSample) {
        let state = station.at(t_s);
        let cycles = cycles.unwrap_or(if 0.0 < self.noise { NOISY_CYCLES } else { 1 });
        let seed = mix(self.seed ^ mix(tick_of(t_s)));
        let samples = Samples::take(&self.exposure(&state), cycles, self.noise, seed);
        let mut sample = meter(&samples, state.t_s, state.frequency_hz, self.metering);
        let energy = self.energy(station, state.t_s);
        for (slot, circuit) in sample.circuits.iter_mut().enumerate() {
            circuit.energy_import_wh = self.energy_start_wh + energy[slot].import_wh;
            circuit.energy_export_wh = energy[slot].export_wh;
            circuit.running = match self.own[slot] {
                Some(pump) => state.pumps[pump].run.is_energized(),
                None => state.pumps.iter().any(|pump| pump.run.is_energized()),
            };
            if let Some((pump, water)) = self.own[slot].and_then(|pump| Some((pump, self.water[pump]?))) {
                (circuit.flow_m3_per_s, circuit.head_m) = water.at(state.pumps[pump].run);
            }
        }
        (samples, sample)
    }

    /// What it meters at a moment.
    pub(crate) fn meter(&self, station: &Station, t_s: f64) -> MeterSample {
        self.window(station, t_s, None).1
    }

    fn energy(&self, station: &Station, t_s: f64) -> Vec<Registers> {
        let power_w = |t_s: f64| -> Vec<f64> {
            let samples = Samples::take(&self.exposure(&station.solve(t_s)), 1, 0.0, 0);
            let total = |slot: &[Vec<f64>; 3]| {
                slot.iter().zip(&samples.voltage).map(|(current, voltage)| mean_product(voltage, current)).sum()
            };
            samples.current.iter().map(total).collect()
        };
        // A poisoned lock leaves the integral at a whole second, from which it can go on.
        let mut energy = self.energy.lock().unwrap_or_else(PoisonError::into_inner);
        energy.at(t_s, self.own.len(), power_w)
    }

    /// Its registers at a moment; made once per tick however often they are read.
    pub(crate) fn image(&self, station: &Station, t_s: f64) -> Arc<RegisterImage> {
        let tick = tick_of(t_s);
        let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((at, image)) = &*made
            && *at == tick
        {
            return Arc::clone(image);
        }
        let sample = self.meter(station, t_s);
        let twist = Twist::at(&self.faults, sample.t_s);
        let sample = twist.freeze(sample, |t_s| self.meter(station, t_s));
        let image = self.face.image(&sample, &twist);
        let image = Arc::new(if twist.shift() == 0 { image } else { image.shifted(twist.shift()) });
        *made = Some((tick, Arc::clone(&image)));
        image
    }
}

fn scale(channels: &mut [Spectrum; 3], gains: &[f64; 3]) {
    for (channel, gain) in channels.iter_mut().zip(gains) {
        *channel = std::mem::take(channel).scaled(*gain);
    }
}
