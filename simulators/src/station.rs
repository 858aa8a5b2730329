//! A station as a pure function of time: supply voltages and pump currents as spectra, and what each monitor meters.
//!
//! No clock and no socket: time is an argument, so a run may go faster than the wall clock, and the same seed and time
//! always give the same answer. The supply is an infinite bus (a start does not pull the voltage down).

use std::sync::{Arc, Mutex, PoisonError};

use crate::draw::{drift, tick_start_s};
use crate::error::SimError;
use crate::image::RegisterImage;
use crate::load::{Admittance, Load};
use crate::meter::MeterSample;
use crate::monitor::Monitor;
use crate::phasor::{C64, Spectrum, Turn, ZERO};
use crate::schedule::{RunPoint, Schedule};
use crate::station_file::{Expect, PumpFile, ServiceFile, StationFile};
use crate::supply::{self, Lost};

/// One pump at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct PumpState {
    /// What it does.
    pub run: RunPoint,
    /// Line currents, A RMS, towards the load.
    pub currents: [Spectrum; 3],
    /// Voltage to neutral behind the pump's fuses and before its contactor, V RMS: the supply, but for a conductor lost.
    pub behind_fuses: [Spectrum; 3],
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
    /// What each supply conductor would float to behind a blown fuse shared with motors like those that run now, V RMS
    /// to neutral; nothing where no monitor's lead is there.
    pub back_fed: [Spectrum; 3],
}

struct Pump {
    load: Load,
    schedule: Schedule,
    unbalance: [f64; 3],
    lost: Option<Lost>,
    wander: f64,
    seed: u64,
}

/// A station built and checked.
pub struct Station {
    name: String,
    frequency_hz: f64,
    turn: Turn,
    service: ServiceFile,
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
        let service = source.service();
        let nominal = supply::nominal(source).map_err(problem)?;
        let mut pumps = Vec::with_capacity(file.pumps.len());
        for (index, pump) in file.pumps.iter().enumerate() {
            if file.pumps[..index].iter().any(|other| other.name == pump.name) {
                return Err(problem(format!("two pumps are called \"{}\"", pump.name)));
            }
            pumps.push(
                build_pump(pump, file.seed, index, service)
                    .map_err(|text| problem(format!("pump \"{}\": {text}", pump.name)))?,
            );
        }
        let lost =
            Lost::new(source.lost_phase.as_deref(), source.lost_from_s, source.lost_to_s, service).map_err(problem)?;
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
            turn: supply::turn(source),
            service,
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

    /// Registers of monitor `index` at a moment, its register faults among them but not its protocol faults; `None` when
    /// there is no such monitor.
    pub fn registers(&self, index: usize, t_s: f64) -> Option<Arc<RegisterImage>> {
        self.monitors.get(index).map(|monitor| monitor.image(self, t_s))
    }

    /// The voltage system.
    pub fn service(&self) -> ServiceFile {
        self.service
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
        let all: Vec<(&Load, RunPoint)> = self.pumps.iter().map(|pump| &pump.load).zip(runs.iter().copied()).collect();
        let healthy = supply.clone();
        if let Some(open) = Lost::open_at(self.lost, t_s) {
            supply[open] = self.behind_open(&healthy, open, &all);
        }
        let pumps = self
            .pumps
            .iter()
            .zip(&runs)
            .map(|(pump, &run)| {
                let open = Lost::open_at(pump.lost, t_s);
                let mut behind_fuses = supply.clone();
                if let Some(open) = open {
                    behind_fuses[open] = self.behind_open(&supply, open, &[(&pump.load, run)]);
                }
                let mut currents = if self.service.is_two_wire_load() {
                    let across = behind_fuses[0].less(&behind_fuses[1]);
                    let current =
                        if open.is_some() { Spectrum::default() } else { pump.load.two_wire_current(&across, run) };
                    self.two_wire_lines(current)
                } else {
                    pump.load.currents(&supply, &fundamentals(&behind_fuses), open, run, self.turn)
                };
                for (current, scale) in currents.iter_mut().zip(pump.unbalance) {
                    *current = std::mem::take(current).scaled(scale);
                }
                PumpState { run, currents, behind_fuses }
            })
            .collect();
        let back_fed = std::array::from_fn(|phase| {
            let is_asked = self.monitors.iter().any(|monitor| monitor.is_back_fed(phase));
            if is_asked { self.behind_open(&healthy, phase, &all) } else { Spectrum::default() }
        });
        StationState { t_s, frequency_hz, supply, pumps, back_fed }
    }

    /// Line currents of a load on two wires. A single phase returns through the neutral, which is not a conductor here.
    fn two_wire_lines(&self, current: Spectrum) -> [Spectrum; 3] {
        let back = match self.service {
            ServiceFile::SplitPhase => current.clone().scaled(-1.0),
            _ => Spectrum::default(),
        };
        [current, back, Spectrum::default()]
    }

    /// What an open conductor floats to behind the break, given the loads that are there.
    fn behind_open(&self, healthy: &[Spectrum; 3], open: usize, loads: &[(&Load, RunPoint)]) -> Spectrum {
        match self.service {
            // Nothing flows through a load with one leg open, so both its ends are at the voltage of the other leg.
            ServiceFile::SplitPhase if loads.iter().any(|(_, run)| run.is_energized()) => healthy[1 - open].clone(),
            ServiceFile::SplitPhase | ServiceFile::SinglePhase => Spectrum::default(),
            _ => Spectrum::sine(self.open_terminals(fundamentals(healthy), open, loads)[open]),
        }
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

fn build_pump(pump: &PumpFile, seed: u64, index: usize, service: ServiceFile) -> Result<Pump, String> {
    if pump.unbalance.iter().any(|scale| !(0.0..=3.0).contains(scale)) {
        return Err("unbalance must be 0 to 3".to_owned());
    }
    if !(0.0..0.5).contains(&pump.wander) {
        return Err("wander must be 0 to 0.5".to_owned());
    }
    Ok(Pump {
        load: if service.is_two_wire_load() { Load::two_wire(pump) } else { Load::new(pump) }
            .map_err(|error| error.to_string())?,
        schedule: Schedule::new(pump)?,
        unbalance: pump.unbalance,
        lost: Lost::new(pump.lost_phase.as_deref(), pump.lost_from_s, pump.lost_to_s, service)?,
        wander: pump.wander,
        seed: seed.wrapping_mul(0x9E37_79B9).wrapping_add(index as u64 + 1),
    })
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
