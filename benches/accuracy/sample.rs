//! One sample of everything a case leaves unknown, made to explain the volts and amps read, and the likelihood of the rest.
//!
//! Shares no code with the core. Must never be told the truth of a case.

use std::f64::consts::{PI, TAU};

use wattassay_simulators::C64;

use super::faults::{MapMistake, Relative};
use super::generator::{
    CLASS_PERCENT, DISPLACEMENT_DEG_PER_CLASS, LOAD, LOAD_DRIFT, LOAD_UNBALANCE, SUPPLY_UNBALANCE, normal, uniform,
};
use super::loads::{LoadTable, phase_v};
use super::numbers::{below, ln_normal, mean_and_deviation, wrap};
use super::stations::Metered;

/// Resolution of the sample: of angles in degrees, and of per-unit powers.
const RESOLUTION_DEG: f64 = 0.4;
const RESOLUTION: f64 = 0.004;

/// What one channel may see: shares of the conductors, and what the map makes of it.
#[derive(Clone, Copy, PartialEq)]
pub struct Row {
    /// Share of each conductor's current.
    pub shares: [f64; 3],
    /// Mistake in the map.
    pub map: MapMistake,
}

/// One state as read, per unit.
pub struct Seen {
    voltage_v: [f64; 3],
    ln_current: [f64; 3],
    weight: [f64; 3],
    angle: [f64; 3],
    p: [f64; 3],
    total_p: f64,
    total_q: f64,
}

impl Seen {
    /// Of what was metered.
    pub fn of(metered: &Metered) -> Seen {
        let va = [0, 1, 2].map(|k| metered.voltage_v[k] * metered.current_a[k]);
        let all = metered.apparent_va();
        Seen {
            voltage_v: metered.voltage_v,
            ln_current: metered.current_a.map(f64::ln),
            weight: va.map(|s| s / all),
            angle: [0, 1, 2].map(|k| metered.reactive_var[k].atan2(metered.active_w[k])),
            p: [0, 1, 2].map(|k| metered.active_w[k] / va[k]),
            total_p: metered.total_w() / all,
            total_q: metered.total_var() / all,
        }
    }
}

/// What one sample makes a channel show under one row, over the states.
#[derive(Clone, Copy, Default)]
pub struct Shown {
    ln_size: f64,
    ln_angle: f64,
    ln_p: f64,
    mean_ln_off: f64,
    /// Weighted cos and sin a state.
    p: [f64; MOST_STATES],
    q: [f64; MOST_STATES],
}

/// Most states of a case.
pub const MOST_STATES: usize = 3;

/// One sample of what is not known, made to explain the volts and amps read.
pub struct Sample {
    ln_weight: f64,
    /// Current of each voltage channel's conductor, by state, against that channel's angle frame.
    current: Vec<[C64; 3]>,
    /// Unit phasor of each voltage channel.
    frame: [C64; 3],
    displacement_rad: f64,
    drawn_rad: [f64; 3],
    half_share: f64,
    gain_variance: f64,
    distortion: f64,
}

impl Sample {
    /// Draws one for volts that turn as said and a load that has lost a conductor or none; `None` where it cannot explain
    /// what was read.
    pub fn draw(
        table: &LoadTable,
        seen: &[Seen],
        alive: [bool; 3],
        (reversed, lost): (bool, Option<usize>),
        random: &mut fastrand::Rng,
    ) -> Option<Sample> {
        let class = 0.01 * uniform(random, CLASS_PERCENT);
        let gain = [0; 3].map(|_| 1.0 + uniform(random, (-class, class)));
        let factor = random.f64();
        let half_share = LOAD_UNBALANCE * random.f64();
        let displacement_rad = (100.0 * class * DISPLACEMENT_DEG_PER_CLASS).to_radians();
        let drawn_rad = [0; 3].map(|_| displacement_rad * normal(random));
        let states = seen.len() as f64;
        // The voltages read and the gains drawn give the supply; its unbalance is integrated over what allows it.
        let furthest = (0..3)
            .map(|k| (seen.iter().map(|s| s.voltage_v[k]).sum::<f64>() / states / gain[k] / phase_v() - 1.0).abs())
            .fold(0.0, f64::max);
        let u = random.f64();
        if furthest >= SUPPLY_UNBALANCE {
            return None;
        }
        let half = furthest + (SUPPLY_UNBALANCE - furthest) * u;
        let mut ln_weight = (SUPPLY_UNBALANCE - furthest).ln() - 3.0 * (2.0 * half).ln();
        // Channel order to phases of the load, which always turns with the supply.
        let channel = if reversed { [0, 2, 1] } else { [0, 1, 2] };
        let a = C64::from_polar(1.0, TAU / 3.0);
        let gain_variance = class * class / 3.0;
        let common = f64::midpoint(half_share * half_share / 3.0, gain_variance);
        let own = LOAD_DRIFT * LOAD_DRIFT / 2.0;
        let shared = common.sqrt() * normal(random);
        let offsets: Vec<f64> = seen.iter().map(|_| shared + own.sqrt() * normal(random)).collect();
        let (mean, ln_deviation) = mean_and_deviation(offsets.iter().copied(), own);
        ln_weight -= ln_normal(mean, common + own / states) + ln_deviation;
        let mut current = Vec::with_capacity(seen.len());
        for (state, offset) in seen.iter().zip(&offsets) {
            let volts = [0, 1, 2].map(|n| state.voltage_v[channel[n]] / gain[channel[n]]);
            let phasor = [volts[0] * C64::new(1.0, 0.0), volts[1] * a.conj(), volts[2] * a];
            let main = (phasor[0] + phasor[1] * a + phasor[2] * a.conj()) / 3.0;
            let opposing = (phasor[0] + phasor[1] * a.conj() + phasor[2] * a) / 3.0;
            let mut sizes: Vec<f64> = (0..3).filter(|k| alive[*k]).map(|k| state.ln_current[k]).collect();
            sizes.sort_by(f64::total_cmp);
            let typical = if sizes.len() == 2 { f64::midpoint(sizes[0], sizes[1]) } else { sizes[sizes.len() / 2] };
            let target = typical - offset - table.distortion.ln();
            let over = table.over_load(factor, main.norm());
            let mut by_channel = [C64::new(0.0, 0.0); 3];
            let slope;
            if let Some(open) = lost {
                let open = channel.iter().position(|c| *c == open)?;
                let (next, last) = ((open + 1) % 3, (open + 2) % 3);
                let between = phasor[next] - phasor[last];
                let ln_v = between.norm().ln();
                let (y, load, of_ln) = LoadTable::solve(&over, |y| ln_v + y.single_phase.norm().ln(), target)?;
                slope = within(load)? * of_ln;
                let line = between * y.single_phase;
                (by_channel[channel[next]], by_channel[channel[last]]) = (line, -line);
            } else {
                let ln_v = main.norm().ln();
                let (y, load, of_ln) = LoadTable::solve(&over, |y| ln_v + y.main.norm().ln(), target)?;
                slope = within(load)? * of_ln;
                let (i1, i2) = (main * y.main, opposing * y.opposing);
                let lines = [i1 + i2, i1 * a.conj() + i2 * a, i1 * a + i2 * a.conj()];
                for n in 0..3 {
                    by_channel[channel[n]] = lines[n];
                }
            }
            ln_weight += slope.max(1e-12).ln();
            current.push(by_channel);
        }
        let mut frame = [C64::new(1.0, 0.0); 3];
        (frame[channel[1]], frame[channel[2]]) = (a.conj(), a);
        Some(Sample {
            ln_weight,
            current,
            frame,
            displacement_rad,
            drawn_rad,
            half_share,
            gain_variance,
            distortion: table.distortion,
        })
    }

    /// What channel `k` shows if it sees `row`.
    pub fn shown(&self, row: &Row, k: usize, seen: &[Seen]) -> Shown {
        let states = seen.len();
        let drift = LOAD_DRIFT * LOAD_DRIFT;
        let mut angle = [0.0; MOST_STATES];
        let mut off = [0.0; MOST_STATES];
        let mut shown = Shown::default();
        for s in 0..states {
            let current: C64 = (0..3).map(|j| self.current[s][j] * row.shares[j]).sum();
            off[s] = seen[s].ln_current[k] - (current.norm() * self.distortion).max(1e-9).ln();
            let lag = (self.frame[k] / current).arg();
            angle[s] = match row.map {
                MapMistake::None => lag,
                MapMistake::SignOfP => PI - lag,
                MapMistake::SignOfQ => -lag,
                MapMistake::Exchanged => PI / 2.0 - lag,
            };
            shown.p[s] = seen[s].weight[k] * angle[s].cos() / self.distortion;
            shown.q[s] = seen[s].weight[k] * angle[s].sin() / self.distortion;
        }
        let (mean, ln_deviation) = mean_and_deviation(off[..states].iter().copied(), drift);
        shown.mean_ln_off = mean;
        // The load's share is even within its bounds, blurred by the gain error and by drift.
        let sigma = (self.gain_variance + drift / states as f64).sqrt();
        let half = self.half_share.max(1e-4);
        let inside = below((mean + half) / sigma) - below((mean - half) / sigma);
        shown.ln_size = (inside / (2.0 * half)).max(1e-300).ln() + ln_deviation;
        let fine = RESOLUTION_DEG.to_radians().powi(2);
        let (mean, ln_deviation) = mean_and_deviation((0..states).map(|s| wrap(seen[s].angle[k] - angle[s])), fine);
        shown.ln_angle = ln_normal(mean, self.displacement_rad.powi(2) + fine / states as f64) + ln_deviation;
        let fine = RESOLUTION * RESOLUTION;
        let mean_of = |f: fn(f64) -> f64| angle[..states].iter().map(|a| f(*a)).sum::<f64>() / states as f64;
        let (sin, cos) = (mean_of(f64::sin) / self.distortion, mean_of(f64::cos) / self.distortion);
        let blur = (sin * self.displacement_rad).powi(2) + (0.5 * cos * self.displacement_rad.powi(2)).powi(2);
        let gap = |s: usize| seen[s].p[k] - angle[s].cos() / self.distortion;
        let (mean, ln_deviation) = mean_and_deviation((0..states).map(gap), fine + 0.05 * blur);
        shown.ln_p = ln_normal(mean, blur + fine / states as f64) + ln_deviation;
        shown
    }

    /// Log likelihood at each level under one class, the sample's weight included.
    pub fn ln_likelihoods(&self, relative: &Relative, parts: [Option<&Shown>; 3], seen: &[Seen]) -> [f64; 4] {
        let live = || parts.iter().flatten();
        let mut ln = self.ln_weight + live().map(|s| s.ln_size).sum::<f64>();
        for (one, other) in [(0, 1), (0, 2), (1, 2)] {
            // Two CTs on one conductor share its load: only their gain errors differ.
            if let (Some(x), Some(y)) = (parts[one], parts[other])
                && relative.current[one].map(f64::abs) == relative.current[other].map(f64::abs)
            {
                let apart = 2.0 * (self.gain_variance + LOAD_DRIFT * LOAD_DRIFT / seen.len() as f64);
                ln += ln_normal(x.mean_ln_off - y.mean_ln_off, apart) - y.ln_size;
            }
        }
        let a = ln + live().map(|s| s.ln_angle).sum::<f64>();
        let b = ln + live().map(|s| s.ln_p).sum::<f64>();
        let states = seen.len();
        let fine = RESOLUTION * RESOLUTION;
        let variance = self.displacement_rad.powi(2);
        let of = |f: fn(&Shown) -> &[f64; MOST_STATES], s: usize| live().map(|shown| f(shown)[s]).sum::<f64>();
        // Displacement moves P by -Q and Q by P of each channel.
        let mean_square = |f: fn(&Shown) -> &[f64; MOST_STATES]| {
            live().map(|shown| (f(shown)[..states].iter().sum::<f64>() / states as f64).powi(2)).sum::<f64>()
        };
        let (of_p, of_q) = (mean_square(|s| &s.q) * variance, mean_square(|s| &s.p) * variance);
        let cross: f64 = -live()
            .map(|x| {
                let mean = |v: &[f64; MOST_STATES]| v[..states].iter().sum::<f64>() / states as f64;
                mean(&x.p) * mean(&x.q)
            })
            .sum::<f64>()
            * variance;
        let gap_p = |s: usize| seen[s].total_p - of(|s| &s.p, s);
        let gap_q = |s: usize| seen[s].total_q - of(|s| &s.q, s);
        let (mean_p, ln_p) = mean_and_deviation((0..states).map(gap_p), fine + 0.05 * of_p);
        let (mean_q, ln_q) = mean_and_deviation((0..states).map(gap_q), fine + 0.05 * of_q);
        let rest = fine / states as f64;
        let (vp, vq) = (of_p + rest, of_q + rest);
        let det = (vp * vq - cross * cross).max(1e-16);
        let square = (mean_p * mean_p * vq - 2.0 * mean_p * mean_q * cross + mean_q * mean_q * vp) / det;
        let c = ln + ln_p + ln_q - 0.5 * (square + det.ln()) - TAU.ln();
        // Blank where power is not positive: judged with the displacement that was drawn.
        let is_shown = |s: usize| seen[s].total_p > 0.0;
        let mut d = ln;
        if (0..states).any(is_shown) {
            let (mean, ln_p) = mean_and_deviation((0..states).filter(|s| is_shown(*s)).map(gap_p), fine + 0.05 * of_p);
            d += ln_normal(mean, vp) + ln_p;
        }
        for s in (0..states).filter(|s| !is_shown(*s)) {
            let moved: f64 = (0..3).filter_map(|k| parts[k].map(|x| x.p[s] - x.q[s] * self.drawn_rad[k])).sum();
            d += below(-moved / RESOLUTION).max(1e-300).ln();
        }
        [a, b, c, d]
    }
}

/// Density of a load within what is drawn; nothing outside.
fn within(load: f64) -> Option<f64> {
    (LOAD.0..=LOAD.1).contains(&load).then_some(1.0 / (LOAD.1 - LOAD.0))
}
