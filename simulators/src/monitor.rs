//! One monitor of a station: its leads as they really are, its gain errors, its energy registers, its register map.
//!
//! Must never know what the right wiring would be: it meters what it is connected to.

use std::sync::{Arc, Mutex, PoisonError};

use crate::encode::{Encoder, Manner};
use crate::energy::{Integral, Registers};
use crate::error::SimError;
use crate::image::RegisterImage;
use crate::map_file;
use crate::meter::{Exposure, MeterSample, NOISY_CYCLES, Samples, mean_product, meter};
use crate::phasor::Spectrum;
use crate::station::{Station, StationState, mix, tick_of};
use crate::station_file::{Apparent, MonitorFile, StationFile, WaterFile};
use crate::sunspec::SunSpec;
use crate::taps::{Tap, current_tap, voltage_tap};

/// How far above full load a device's range must reach: a start is shown, a long overload need not be.
const RANGE_OVER_FULL_LOAD: f64 = 4.0;

/// Leads from a moment on.
#[derive(Debug, Clone)]
struct Wiring {
    from_s: f64,
    voltage: [Tap; 3],
    current: Vec<[Tap; 3]>,
}

#[derive(Debug, Clone)]
enum Face {
    Fixed(Box<Encoder>),
    SunSpec(Box<SunSpec>),
}

/// Tick and image last made.
type Made = Option<(u64, Arc<RegisterImage>)>;

/// A monitor, built and checked.
pub(crate) struct Monitor {
    name: String,
    wirings: Vec<Wiring>,
    /// Pump each slot is meant to meter; `None` is the incomer.
    own: Vec<Option<usize>>,
    /// Water side of each pump of the station.
    water: Vec<Option<WaterFile>>,
    neutral: bool,
    noise: f64,
    seed: u64,
    voltage_gain: [f64; 3],
    current_gain: Vec<[f64; 3]>,
    vector_apparent: bool,
    energy_start_wh: f64,
    face: Face,
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
        let read = |voltage: &[String; 3], currents: &[[String; 3]], from_s: f64| -> Result<Wiring, SimError> {
            if currents.len() != own.len() {
                return Err(problem(format!("{} circuits but currents for {}", own.len(), currents.len())));
            }
            let named = |error: SimError| problem(error.to_string());
            let mut current = Vec::with_capacity(currents.len());
            for (slot, leads) in currents.iter().enumerate() {
                let [a, b, c] = leads.each_ref().map(|lead| current_tap(lead, own[slot], pump).map_err(named));
                current.push([a?, b?, c?]);
            }
            let [a, b, c] = voltage.each_ref().map(|lead| voltage_tap(lead).map_err(named));
            Ok(Wiring { from_s, voltage: [a?, b?, c?], current })
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
        let face = face(station, file, &own).map_err(|error| match error {
            FaceError::Sentence(text) => problem(text),
            FaceError::Map(error) => error,
        })?;
        Ok(Monitor {
            name: file.name.clone(),
            wirings,
            neutral: station.source.neutral,
            noise: station.source.noise,
            seed,
            voltage_gain: [0, 1, 2].map(gain),
            current_gain: (0..own.len() as u64).map(|slot| [3, 4, 5].map(|channel| gain(channel + 3 * slot))).collect(),
            own,
            water: station.pumps.iter().map(|pump| pump.water).collect(),
            vector_apparent: file.apparent == Apparent::Vector,
            energy_start_wh: file.energy_start_wh,
            face,
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

    /// What the channels are exposed to, gain errors included.
    pub(crate) fn exposure(&self, state: &StationState) -> Exposure {
        let wiring = self.wiring(state.t_s);
        // Without a neutral the inputs of the monitor form a star of equal impedances, whose point is the mean of
        // what is connected.
        let mut star = Spectrum::default();
        if !self.neutral {
            let connected: Vec<usize> = wiring.voltage.iter().flatten().map(|term| term.phase).collect();
            for phase in &connected {
                star.add_scaled(&state.supply[*phase], 1.0 / connected.len() as f64);
            }
        }
        let voltage = [0, 1, 2].map(|channel| {
            let mut seen = Spectrum::default();
            for term in &wiring.voltage[channel] {
                seen.add_scaled(&state.supply[term.phase], term.gain);
                seen.add_scaled(&star, -term.gain);
            }
            seen.scaled(self.voltage_gain[channel])
        });
        let current = wiring
            .current
            .iter()
            .zip(&self.current_gain)
            .map(|(taps, gains)| [0, 1, 2].map(|channel| conductors(&taps[channel], state).scaled(gains[channel])))
            .collect();
        Exposure { voltage, current }
    }

    /// Samples and what is metered from them, noise included.
    pub(crate) fn window(&self, station: &Station, t_s: f64, cycles: Option<usize>) -> (Samples, MeterSample) {
        let state = station.at(t_s);
        let cycles = cycles.unwrap_or(if 0.0 < self.noise { NOISY_CYCLES } else { 1 });
        let seed = mix(self.seed ^ mix(tick_of(t_s)));
        let samples = Samples::take(&self.exposure(&state), cycles, self.noise, seed);
        let mut sample = meter(&samples, state.t_s, state.frequency_hz, self.vector_apparent);
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
        let image = Arc::new(match &self.face {
            Face::Fixed(encoder) => encoder.image(&sample),
            Face::SunSpec(sunspec) => sunspec.image(&sample),
        });
        *made = Some((tick, Arc::clone(&image)));
        image
    }
}

/// Sum of the conductors a CT is around.
fn conductors(tap: &Tap, state: &StationState) -> Spectrum {
    let mut seen = Spectrum::default();
    for term in tap {
        match term.pump {
            Some(pump) => seen.add_scaled(&state.pumps[pump].currents[term.phase], term.gain),
            None => state.pumps.iter().for_each(|pump| seen.add_scaled(&pump.currents[term.phase], term.gain)),
        }
    }
    seen
}

enum FaceError {
    Sentence(String),
    Map(SimError),
}

fn face(station: &StationFile, file: &MonitorFile, own: &[Option<usize>]) -> Result<Face, FaceError> {
    let full_load_a = own
        .iter()
        .map(|pump| match pump {
            Some(pump) => station.pumps[*pump].full_load_current_a,
            None => station.pumps.iter().map(|pump| pump.full_load_current_a).sum(),
        })
        .fold(0.0, f64::max);
    let largest_a = RANGE_OVER_FULL_LOAD * full_load_a;
    let largest_va = 3f64.sqrt() * station.source.line_voltage_v * largest_a;
    let overrides = (file.conventions, file.blanking);
    if let Some(model) = SunSpec::model_of(&file.map) {
        let manner = Manner::new(Default::default(), overrides);
        return SunSpec::new(
            (file.sunspec_base, model, file.sunspec_optional),
            own.len(),
            manner,
            (largest_a, largest_va),
            &file.name,
        )
        .map(|sunspec| Face::SunSpec(Box::new(sunspec)))
        .map_err(FaceError::Sentence);
    }
    let map = if let Some(text) = map_file::builtin(&file.map) {
        map_file::read(&file.map, text)
    } else {
        let path = station.folder.as_deref().unwrap_or(std::path::Path::new(".")).join(&file.map);
        match std::fs::read_to_string(&path) {
            Ok(text) => map_file::read(&file.map, &text),
            Err(source) => Err(SimError::Read { path, source }),
        }
    }
    .map_err(FaceError::Map)?;
    if map.slots < own.len() {
        return Err(FaceError::Sentence(format!(
            "map \"{}\" has {} slots, but {} circuits are given",
            file.map,
            map.slots,
            own.len()
        )));
    }
    let manner = Manner::new((map.conventions, map.blanking), overrides);
    Ok(Face::Fixed(Box::new(Encoder::new(map, manner, largest_a, largest_va))))
}
