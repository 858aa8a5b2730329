//! Healthy station-days: starts, sags, light load, capacitor switching, communication faults. Nothing may be called wrong.
//!
//! A second of waveform for every second of ten thousand days is too slow, so each state of a station is metered once from
//! its waveform, and a day is a schedule of these with drift, wander and noise on top, read every ten seconds. Must never
//! make a station that registers wrong.

use std::collections::BTreeMap;

use wattassay::audit::assessment::Verdict;
use wattassay::audit::auditor::CircuitAuditor;
use wattassay::audit::words;
use wattassay::reading::{Measured, MonitorReading};

use super::cases::in_parallel;
use super::faults::{Leads, Possible};
use super::generator::{Draw, Kind, State, draw, normal, uniform};
use super::stations::{Level, Metered, context, meter, reading, station_file};

/// Readings in a day.
const READINGS: usize = 8640;
/// Seconds between readings.
const PERIOD_S: u64 = 10;
/// Loads a pump runs at, fraction of full; the lowest are an idling pump and one against a closed valve.
const LOADS: [f64; 7] = [0.06, 0.2, 0.4, 0.6, 0.8, 1.0, 1.1];
/// Share of runs at the two light loads.
const LIGHT: f64 = 0.15;
/// Events an hour of running, each.
const SAGS: f64 = 0.3;
const BROWNOUTS: f64 = 0.05;
const SWITCHINGS: f64 = 0.3;
/// Communication faults an hour, running or not.
const LINE_FAULTS: f64 = 0.5;
/// A start is caught by a reading this often.
const START_SEEN: f64 = 0.3;

/// What happened on healthy days.
#[derive(Debug, Clone, Default)]
pub struct Healthy {
    /// Days played.
    pub days: u64,
    /// Readings given.
    pub readings: u64,
    /// Days with a verdict of "fault" or a hard finding.
    pub alarmed: u64,
    /// Days that ended sound.
    pub ended_sound: u64,
    /// Each alarm's circumstances, with how often and the first day it was met.
    pub circumstances: BTreeMap<String, (u64, u64)>,
}

/// What a station may show: everything metered once.
struct Album {
    stopped: Metered,
    starting: Vec<Metered>,
    running: Vec<Metered>,
    /// By load, for a few sags each.
    sagging: Vec<Vec<Metered>>,
    /// With the station's capacitor in the other position.
    switched: Vec<Metered>,
    brownout: Vec<Metered>,
}

impl Album {
    fn of(draw: &Draw, random: &mut fastrand::Rng) -> Album {
        let base = draw.states[0];
        let at = |draw: &Draw, state: &State, load: f64, t_s: f64| {
            meter(draw, &station_file(draw, state, &format!("{{ at_s = 0.2, load = {load} }}")), t_s)
        };
        let scaled = |by: [f64; 3]| State { supply: [0, 1, 2].map(|p| base.supply[p] * by[p]), ..base };
        // A bank on the bus raises the voltage; one behind the CTs goes out.
        let switched = match draw.kind {
            Kind::Capacitor => (Draw { kind: Kind::Motor, ..draw.clone() }, base),
            _ => (draw.clone(), scaled([1.015; 3])),
        };
        let mut deep = || uniform(random, (0.55, 0.9));
        let sags: Vec<[f64; 3]> = vec![[deep(), 1.0, 1.0], [1.0, deep(), deep()], [deep(); 3]];
        Album {
            stopped: at(draw, &base, 0.5, 0.0),
            starting: [0.4, 0.8, 1.4, 2.0].iter().map(|t| at(draw, &base, 0.8, *t)).collect(),
            running: LOADS.iter().map(|l| at(draw, &base, *l, 2.4)).collect(),
            sagging: LOADS.iter().map(|l| sags.iter().map(|s| at(draw, &scaled(*s), *l, 2.4)).collect()).collect(),
            switched: LOADS.iter().map(|l| at(&switched.0, &switched.1, *l, 2.4)).collect(),
            brownout: LOADS.iter().map(|l| at(draw, &scaled([0.9; 3]), *l, 2.4)).collect(),
        }
    }
}

/// Plays so many days, from one on.
pub fn run(from: u64, days: u64, possible: &[Possible]) -> Healthy {
    let parts = in_parallel(|thread, threads| {
        let mut sums = Healthy::default();
        let mut n = thread;
        while n < days {
            day(from + n, possible, &mut sums);
            n += threads;
        }
        sums
    });
    let mut all = Healthy::default();
    for part in parts {
        all.days += part.days;
        all.readings += part.readings;
        all.alarmed += part.alarmed;
        all.ended_sound += part.ended_sound;
        for (what, (times, first)) in part.circumstances {
            let entry = all.circumstances.entry(what).or_insert((0, first));
            *entry = (entry.0 + times, entry.1.min(first));
        }
    }
    all
}

/// What goes on besides the pump's own cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Line {
    Sound,
    Silent,
    NoCurrents,
    NoPowers,
    Glitch,
    Frozen,
    Gap,
}

const LINE_KINDS: [Line; 6] = [Line::Silent, Line::NoCurrents, Line::NoPowers, Line::Glitch, Line::Frozen, Line::Gap];

struct Play {
    album: Album,
    random: fastrand::Rng,
    /// Load being run at, and readings left of the present part of the cycle.
    load: Option<usize>,
    left: usize,
    /// Readings since the pump started.
    age: usize,
    switched: bool,
    brownout: usize,
    line: (Line, usize),
    /// Phases of the slow drifts.
    phase: [f64; 4],
}

impl Play {
    /// True state of a reading, and what it is called.
    fn next(&mut self, n: usize) -> (Metered, &'static str) {
        let an_hour = PERIOD_S as f64 / 3600.0;
        if self.left == 0 {
            self.age = 0;
            let minutes = match self.load {
                // Runs follow each other at another load (a drive's speed, a valve), or the pump stops.
                Some(_) if self.random.f64() < 0.4 => {
                    self.load = Some(self.pick_load());
                    self.age = 1;
                    uniform(&mut self.random, (5.0, 60.0))
                }
                Some(_) => {
                    self.load = None;
                    uniform(&mut self.random, (2.0, 45.0))
                }
                None => {
                    self.load = Some(self.pick_load());
                    uniform(&mut self.random, (3.0, 90.0))
                }
            };
            self.left = (minutes * 6.0) as usize + 1;
        }
        self.left -= 1;
        self.age += 1;
        self.brownout = self.brownout.saturating_sub(1);
        let Some(load) = self.load else { return (self.residual(), "stopped") };
        if self.age == 1 && self.random.f64() < START_SEEN {
            let which = self.random.usize(..self.album.starting.len());
            return (self.album.starting[which], "start");
        }
        if self.random.f64() < SWITCHINGS * an_hour {
            self.switched = !self.switched;
        }
        if self.random.f64() < BROWNOUTS * an_hour {
            self.brownout = 6 * self.random.usize(1..20);
        }
        if self.random.f64() < SAGS * an_hour {
            let which = self.random.usize(..3);
            return (self.album.sagging[load][which], "sag");
        }
        let (at, what) = if self.brownout > 0 {
            (self.album.brownout[load], "brownout")
        } else if self.switched {
            (self.album.switched[load], "capacitor switched")
        } else {
            (self.album.running[load], if load < 2 { "light load" } else { "running" })
        };
        (self.drifted(at, n), what)
    }

    fn pick_load(&mut self) -> usize {
        if self.random.f64() < LIGHT { self.random.usize(..2) } else { 2 + self.random.usize(..LOADS.len() - 2) }
    }

    /// What a monitor shows of a stopped pump: now and then a last digit of current, with power of either sign.
    fn residual(&mut self) -> Metered {
        let mut at = self.album.stopped;
        for k in 0..3 {
            if self.random.f64() < 0.2 {
                at.current_a[k] = 0.05 * self.random.f64();
                at.active_w[k] = at.current_a[k] * at.voltage_v[k] * (2.0 * self.random.f64() - 1.0);
            }
        }
        at
    }

    /// Supply within 1 % over hours, load within 3 % over minutes.
    fn drifted(&mut self, mut at: Metered, n: usize) -> Metered {
        let t_h = n as f64 / 360.0;
        let load = 1.0 + 0.02 * (self.phase[3] + 40.0 * t_h).sin() + 0.005 * normal(&mut self.random);
        for k in 0..3 {
            let supply = 1.0 + 0.007 * (self.phase[k] + 0.7 * t_h).sin() + 0.003 * (self.phase[k] + 9.0 * t_h).sin();
            at.voltage_v[k] *= supply;
            at.current_a[k] *= load;
            at.active_w[k] *= supply * load;
            at.reactive_var[k] *= supply * load;
        }
        at
    }

    /// What the line makes of a reading; `None` when none arrives. `frozen` is what the device showed when it stood still.
    fn over_the_line(
        &mut self,
        mut reading: MonitorReading,
        frozen: Option<&MonitorReading>,
    ) -> Option<MonitorReading> {
        if self.line.1 == 0 {
            self.line.0 = Line::Sound;
            if self.random.f64() < LINE_FAULTS * PERIOD_S as f64 / 3600.0 {
                self.line = (LINE_KINDS[self.random.usize(..LINE_KINDS.len())], self.random.usize(1..40));
            }
        }
        self.line.1 = self.line.1.saturating_sub(1);
        let circuit = &mut reading.circuits[0];
        let fail = |value: &mut Measured| {
            if value.is_mapped() {
                *value = Measured::Failed;
            }
        };
        let powers = |circuit: &mut wattassay::reading::CircuitReading, f: &dyn Fn(&mut Measured)| {
            circuit.active_power_w.iter_mut().for_each(f);
            circuit.reactive_power_var.iter_mut().for_each(f);
            f(&mut circuit.total_active_power_w);
            f(&mut circuit.total_reactive_power_var);
            f(&mut circuit.total_power_factor);
        };
        match self.line.0 {
            Line::Sound => {}
            Line::Gap => return None,
            Line::Frozen => {
                let at = reading.at;
                reading = frozen.cloned().unwrap_or(reading);
                reading.at = at;
            }
            // One damaged value: 65535 read as tenths of an ampere.
            Line::Glitch => {
                circuit.current_a[self.random.usize(..3)] = Measured::OutOfRange(6553.5);
                self.line.1 = 0;
            }
            Line::NoCurrents => circuit.current_a.iter_mut().for_each(fail),
            Line::NoPowers => powers(circuit, &fail),
            Line::Silent => {
                circuit.current_a.iter_mut().for_each(fail);
                powers(circuit, &fail);
                reading.voltage_ln_v.iter_mut().for_each(fail);
                reading.voltage_angle_deg.iter_mut().for_each(fail);
            }
        }
        if !matches!(self.line.0, Line::Sound | Line::Frozen | Line::Glitch) {
            reading.failures.push("registers 0 to 40: no answer within 500 ms".to_owned());
        }
        Some(reading)
    }
}

fn day(n: u64, possible: &[Possible], sums: &mut Healthy) {
    let mut draw = draw(n ^ 0x4845_414C, possible, 1);
    draw.truth.leads = Leads::INTENDED;
    let level = Level::ALL[(n % 4) as usize];
    let mut random = fastrand::Rng::with_seed(draw.seed ^ n);
    let album = Album::of(&draw, &mut random);
    let phase = [0; 4].map(|_| std::f64::consts::TAU * random.f64());
    let mut play = Play {
        album,
        random: random.clone(),
        load: None,
        left: 0,
        age: 0,
        switched: false,
        brownout: 0,
        line: (Line::Sound, 0),
        phase,
    };
    let mut auditor = CircuitAuditor::new(context(&draw, level));
    let (mut frozen, mut before) = (None, None);
    let (mut alarmed, mut any, mut sound) = (false, false, false);
    for at in 0..READINGS {
        let (now, what) = play.next(at);
        let mut seen = now;
        let torn = random.f64() < 0.05;
        if let Some(before) = before.replace(now)
            && torn
        {
            // Two requests a poll: the powers were read a moment before the amps, across whatever changed in between.
            let earlier: Metered = before;
            (seen.active_w, seen.reactive_var) = (earlier.active_w, earlier.reactive_var);
        }
        let made = reading(&seen, level, 1000 * PERIOD_S * at as u64, &mut random);
        // A device that stands still shows one moment: it cannot be torn between two polls.
        if play.line.0 != Line::Frozen && !torn {
            frozen = Some(made.clone());
        }
        let Some(arrived) = play.over_the_line(made, frozen.as_ref()) else { continue };
        sums.readings += 1;
        let assessment = auditor.observe(&arrived);
        let hard = words::hard_findings(&assessment.findings);
        let alarm = assessment.diagnosis.verdict == Verdict::Fault || !hard.is_empty();
        if alarm && !alarmed {
            any = true;
            let checks: Vec<&str> = hard.iter().map(|f| words::check_id(f.check)).collect();
            let leader = || assessment.diagnosis.groups.first().map(|g| words::describe_wiring(&g.members[0].wiring));
            let why = if checks.is_empty() { leader().unwrap_or_default() } else { checks.join(" ") };
            let circumstance = format!("level {level:?}, {:?}, {what}, line {:?}: {why}", draw.kind, play.line.0);
            sums.circumstances.entry(circumstance).or_insert((0, n)).0 += 1;
        }
        alarmed = alarm;
        sound = assessment.diagnosis.verdict == Verdict::Sound;
    }
    sums.days += 1;
    sums.alarmed += u64::from(any);
    sums.ended_sound += u64::from(sound);
}
