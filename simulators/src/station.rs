//! A station as a pure function of time: supply voltages and pump currents as spectra, and what each monitor meters.
//!
//! No clock and no socket: time is an argument, so a run may go faster than the wall clock, and the same seed and time
//! always give the same answer. The supply is an infinite bus (a start does not pull the voltage down).

use std::sync::{Arc, Mutex, PoisonError};

use crate::error::SimError;
use crate::load::{Admittance, Load};
use crate::meter::MeterSample;
use crate::monitor::Monitor;
use crate::phasor::{C64, Spectrum, Turn, ZERO, polar_deg};
use crate::schedule::{RunPoint, Schedule};
use crate::station_file::{Expect, PumpFile, RotationFile, StationFile};
use crate::taps::phase_index;

/// Meters refresh this often: values within one tick are identical, as on a real monitor with a 200 ms window.
pub(crate) const TICK_S: f64 = 0.2;

/// Highest harmonic that 128 samples per cycle represent without folding, with margin.
const HIGHEST_ORDER: u16 = 50;

/// One pump at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct PumpState {
    /// What it does.
    pub run: RunPoint,
    /// Line currents, A RMS, towards the load.
    pub currents: [Spectrum; 3],
}

/// Everything electrical about a station at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct StationState {
    /// Station time, s.
    pub t_s: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Voltage of each supply conductor to neutral, V RMS.
    pub supply: [Spectrum; 3],
    /// Pumps in file order.
    pub pumps: Vec<PumpState>,
}

struct Pump {
    load: Load,
    schedule: Schedule,
    unbalance: [f64; 3],
    lost: Option<Lost>,
    wander: f64,
    seed: u64,
}

#[derive(Clone, Copy)]
struct Lost {
    phase: usize,
    from_s: f64,
}

/// A station built and checked.
pub struct Station {
    name: String,
    frequency_hz: f64,
    turn: Turn,
    nominal: [Spectrum; 3],
    lost: Option<Lost>,
    wander: f64,
    seed: u64,
    pumps: Vec<Pump>,
    monitors: Vec<Monitor>,
    expect: Option<Expect>,
    recent: Mutex<Option<Arc<StationState>>>,
}

impl Station {
    /// Reads and builds a station.
    pub fn from_toml(text: &str) -> Result<Station, SimError> {
        Station::new(&StationFile::from_toml(text)?)
    }

    /// Builds a station.
    pub fn new(file: &StationFile) -> Result<Station, SimError> {
        let problem = |text: String| SimError::station(&file.name, text);
        let source = &file.source;
        let turn = match source.rotation {
            RotationFile::Abc => Turn::Abc,
            RotationFile::Acb => Turn::Acb,
        };
        for (name, value) in [("line_voltage_v", source.line_voltage_v), ("frequency_hz", source.frequency_hz)] {
            if !value.is_finite() || value <= 0.0 {
                return Err(problem(format!("source.{name} must be a positive number, not {value}")));
            }
        }
        for (name, value) in [("noise", source.noise), ("wander", source.wander)] {
            if !(0.0..0.5).contains(&value) {
                return Err(problem(format!("source.{name} must be 0 to 0.5, not {value}")));
            }
        }
        if source.phase_scale.iter().any(|scale| !(0.0..=2.0).contains(scale)) {
            return Err(problem("source.phase_scale must be 0 to 2".to_owned()));
        }
        let phase_v = source.line_voltage_v / 3f64.sqrt();
        let mut nominal: [Spectrum; 3] = std::array::from_fn(|phase| {
            Spectrum::sine(C64::from_polar(phase_v * source.phase_scale[phase], turn.angle_rad(phase)))
        });
        for &(order, fraction, angle_deg) in &source.harmonics {
            if !(2..=HIGHEST_ORDER).contains(&order) || !(0.0..=1.0).contains(&fraction) || !angle_deg.is_finite() {
                return Err(problem(format!("harmonic order must be 2 to {HIGHEST_ORDER} and its fraction 0 to 1")));
            }
            for (phase, conductor) in nominal.iter_mut().enumerate() {
                let angle = C64::from_polar(1.0, f64::from(order) * turn.angle_rad(phase));
                conductor.add(order, polar_deg(fraction * phase_v * source.phase_scale[phase], angle_deg) * angle);
            }
        }
        let mut pumps = Vec::with_capacity(file.pumps.len());
        for (index, pump) in file.pumps.iter().enumerate() {
            if file.pumps[..index].iter().any(|other| other.name == pump.name) {
                return Err(problem(format!("two pumps are called \"{}\"", pump.name)));
            }
            pumps.push(
                build_pump(pump, file.seed, index)
                    .map_err(|text| problem(format!("pump \"{}\": {text}", pump.name)))?,
            );
        }
        let lost = lost(source.lost_phase.as_deref(), source.lost_from_s).map_err(problem)?;
        let mut monitors: Vec<Monitor> = Vec::with_capacity(file.monitors.len());
        for (index, monitor) in file.monitors.iter().enumerate() {
            if monitors.iter().any(|other| other.name() == monitor.name) {
                return Err(problem(format!("two monitors are called \"{}\"", monitor.name)));
            }
            monitors.push(Monitor::new(file, index)?);
        }
        Ok(Station {
            name: file.name.clone(),
            frequency_hz: source.frequency_hz,
            turn,
            nominal,
            lost,
            wander: source.wander,
            seed: file.seed,
            pumps,
            monitors,
            expect: file.expect.clone(),
            recent: Mutex::new(None),
        })
    }

    /// Name of the station.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The truth about it, as its file says.
    pub fn expect(&self) -> Option<&Expect> {
        self.expect.as_ref()
    }

    /// Names of its monitors, in file order.
    pub fn monitor_names(&self) -> impl Iterator<Item = &str> {
        self.monitors.iter().map(Monitor::name)
    }

    pub(crate) fn monitor(&self, index: usize) -> Option<&Monitor> {
        self.monitors.get(index)
    }

    /// State at a moment (start of the tick it falls in). The last tick is remembered for all monitors of the station.
    pub fn at(&self, t_s: f64) -> Arc<StationState> {
        let t_s = tick_start_s(t_s);
        // A poisoned lock only means another thread died while it held a finished state; the state is still whole.
        let mut recent = self.recent.lock().unwrap_or_else(PoisonError::into_inner);
        match &*recent {
            Some(state) if state.t_s == t_s => Arc::clone(state),
            _ => {
                let state = Arc::new(self.solve(t_s));
                *recent = Some(Arc::clone(&state));
                state
            }
        }
    }

    /// What monitor `index` meters at a moment; `None` when there is no such monitor.
    pub fn meter(&self, index: usize, t_s: f64) -> Option<MeterSample> {
        self.monitors.get(index).map(|monitor| monitor.meter(self, t_s))
    }

    /// State at an exact time, not remembered.
    pub(crate) fn solve(&self, t_s: f64) -> StationState {
        let level = 1.0 + self.wander * drift(self.seed, t_s);
        let frequency_hz = self.frequency_hz * (1.0 + 0.05 * self.wander * drift(self.seed ^ 0xF0, t_s));
        let mut supply = self.nominal.clone().map(|conductor| conductor.scaled(level));
        let runs: Vec<RunPoint> = self
            .pumps
            .iter()
            .map(|pump| swing(pump.schedule.at(t_s), 1.0 + pump.wander * drift(pump.seed, t_s)))
            .collect();
        let station_open = self.lost.filter(|lost| lost.from_s <= t_s).map(|lost| lost.phase);
        if let Some(open) = station_open {
            let all: Vec<(&Load, RunPoint)> =
                self.pumps.iter().map(|pump| &pump.load).zip(runs.iter().copied()).collect();
            let terminals = self.open_terminals(fundamentals(&supply), open, &all);
            supply[open] = Spectrum::sine(terminals[open]);
        }
        let pumps = self
            .pumps
            .iter()
            .zip(&runs)
            .map(|(pump, &run)| {
                let own_open = pump.lost.filter(|lost| lost.from_s <= t_s).map(|lost| lost.phase);
                let mut terminals = fundamentals(&supply);
                if let Some(open) = own_open {
                    terminals = self.open_terminals(terminals, open, &[(&pump.load, run)]);
                }
                let mut currents = pump.load.currents(&supply, &terminals, own_open, run, self.turn);
                for (current, scale) in currents.iter_mut().zip(pump.unbalance) {
                    *current = std::mem::take(current).scaled(scale);
                }
                PumpState { run, currents }
            })
            .collect();
        StationState { t_s, frequency_hz, supply, pumps }
    }

    /// Terminal voltages behind an open conductor, where the running loads decide what the open terminal floats to.
    fn open_terminals(&self, healthy: [C64; 3], open: usize, loads: &[(&Load, RunPoint)]) -> [C64; 3] {
        let mut terminals = healthy;
        // Slip depends on the voltages and the open voltage on slip: a damped fixed point, which settles in a few
        // rounds because a running motor holds its open terminal close to the healthy voltage.
        for _ in 0..25 {
            let total = loads
                .iter()
                .map(|(load, run)| load.admittance(&terminals, *run, self.turn))
                .fold(Admittance::NONE, Admittance::beside);
            let wanted = total.open_terminal_v(&terminals, open, self.turn);
            let step = (wanted - terminals[open]) * 0.6;
            terminals[open] += step;
            if total == Admittance::NONE {
                terminals[open] = ZERO;
                break;
            }
            if step.norm() < 1e-7 * terminals[(open + 1) % 3].norm() {
                break;
            }
        }
        terminals
    }
}

fn build_pump(pump: &PumpFile, seed: u64, index: usize) -> Result<Pump, String> {
    if pump.unbalance.iter().any(|scale| !(0.0..=3.0).contains(scale)) {
        return Err("unbalance must be 0 to 3".to_owned());
    }
    if !(0.0..0.5).contains(&pump.wander) {
        return Err("wander must be 0 to 0.5".to_owned());
    }
    Ok(Pump {
        load: Load::new(pump).map_err(|error| error.to_string())?,
        schedule: Schedule::new(pump)?,
        unbalance: pump.unbalance,
        lost: lost(pump.lost_phase.as_deref(), pump.lost_from_s)?,
        wander: pump.wander,
        seed: seed.wrapping_mul(0x9E37_79B9).wrapping_add(index as u64 + 1),
    })
}

fn lost(phase: Option<&str>, from_s: f64) -> Result<Option<Lost>, String> {
    match phase {
        None => Ok(None),
        Some(text) => match phase_index(text) {
            Some(phase) => Ok(Some(Lost { phase, from_s })),
            None => Err(format!("lost_phase is A, B or C, not \"{text}\"")),
        },
    }
}

fn fundamentals(supply: &[Spectrum; 3]) -> [C64; 3] {
    std::array::from_fn(|phase| supply[phase].fundamental())
}

fn swing(run: RunPoint, factor: f64) -> RunPoint {
    match run {
        RunPoint::Stopped => RunPoint::Stopped,
        RunPoint::Starting { progress, load } => RunPoint::Starting { progress, load: load * factor },
        RunPoint::Running { load } => RunPoint::Running { load: load * factor },
    }
}

/// Number of the tick a time falls in; the small addition keeps 0.6 / 0.2 in tick 3 whatever the rounding.
pub(crate) fn tick_of(t_s: f64) -> u64 {
    (t_s.max(0.0) / TICK_S + 1e-6).floor() as u64
}

fn tick_start_s(t_s: f64) -> f64 {
    tick_of(t_s) as f64 * TICK_S
}

/// Slow irregular motion within -1..1: three incommensurable sines, and a small step that changes every tick.
fn drift(seed: u64, t_s: f64) -> f64 {
    let phase = |salt: u64| (mix(seed ^ salt) >> 11) as f64 / (1u64 << 53) as f64 * std::f64::consts::TAU;
    let slow: f64 = [(1u64, 7.31), (2, 17.93), (3, 61.7)]
        .iter()
        .map(|&(salt, period_s)| (std::f64::consts::TAU * t_s / period_s + phase(salt)).sin())
        .sum();
    let step = (mix(seed.wrapping_add(tick_of(t_s))) >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
    0.3 * slow + 0.1 * step
}

/// A fixed 64-bit mixing function (splitmix64), so that draws do not change with a library.
pub(crate) fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}
