//! The best any method could do: Bayes' rule by brute force over the generator's own distributions.
//!
//! For every case a large sample of what is not known (class, gain errors, unbalance, plate error, load) is drawn so that it
//! explains the volts and amps read; each sample gives every conductor's current by the simulator's load models, and with it
//! the likelihood of what was read under every wiring, summed over the sample. Gaussian errors (CT displacement, drift) are
//! integrated in closed form. Shares no code with the core; must never be told the truth of a case.

use std::f64::consts::{PI, TAU};

use wattassay_simulators::C64;

use super::generator::{
    CLASS_PERCENT, DISPLACEMENT_DEG_PER_CLASS, Draw, Kind, LOAD, LOAD_DRIFT, LOAD_UNBALANCE, MapMistake, Plate,
    Possible, Relative, SUPPLY_UNBALANCE, normal, uniform,
};
use super::loads::{LoadTable, phase_v};
use super::score::{Judged, Ranked};
use super::stations::Metered;

/// Samples a case; numerical resolution of angles in degrees and of per-unit powers that goes with it.
const SAMPLES: usize = 700;
const RESOLUTION_DEG: f64 = 0.4;
const RESOLUTION: f64 = 0.004;
/// A channel below this share of the largest current is dead: the least real current is far above it.
const DEAD: f64 = 0.05;
/// Two wirings whose likelihoods differ by less than this factor are one group: the core's published rule.
const GROUP: f64 = 3.0;

/// Wirings that no reading can tell apart.
struct Class {
    relative: Relative,
    prior: f64,
    members: Vec<usize>,
    power_right: bool,
}

/// What one channel may see: shares of the conductors, and what the map makes of it.
#[derive(Clone, Copy, PartialEq)]
struct Row {
    shares: [f64; 3],
    map: MapMistake,
}

/// Everything known in advance.
pub struct Optimum {
    possible: Vec<Possible>,
    classes: Vec<Class>,
    tables: Vec<(Kind, Plate, LoadTable)>,
}

/// Logarithm of a sum, built up term by term.
#[derive(Clone, Copy)]
struct LnSum {
    peak: f64,
    sum: f64,
}

impl LnSum {
    const EMPTY: LnSum = LnSum { peak: f64::NEG_INFINITY, sum: 0.0 };

    fn add(&mut self, ln: f64) {
        if ln <= self.peak - 40.0 || ln == f64::NEG_INFINITY {
            return;
        }
        if ln > self.peak {
            self.sum = self.sum * (self.peak - ln).exp() + 1.0;
            self.peak = ln;
        } else {
            self.sum += (ln - self.peak).exp();
        }
    }

    fn ln(self) -> f64 {
        self.peak + self.sum.ln()
    }
}

/// Normal integral (Abramowitz and Stegun 26.2.17, error below 1e-7; from memory).
fn below(z: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let poly =
        t * (0.319_381_53 + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * z * z).exp() / TAU.sqrt() * poly;
    if z > 0.0 { 1.0 - tail } else { tail }
}

fn ln_normal(x: f64, variance: f64) -> f64 {
    -0.5 * (x * x / variance + (TAU * variance).ln())
}

/// Mean over the states, and the log density of the deviations from it.
fn mean_and_deviation(values: impl Iterator<Item = f64> + Clone, variance: f64) -> (f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n;
    let square: f64 = values.map(|x| (x - mean).powi(2)).sum();
    (mean, -0.5 * (square / variance + (n - 1.0) * (TAU * variance).ln()))
}

fn wrap(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

/// One state as read, per unit.
struct Seen {
    voltage_v: [f64; 3],
    ln_current: [f64; 3],
    weight: [f64; 3],
    angle: [f64; 3],
    p: [f64; 3],
    total_p: f64,
    total_q: f64,
}

impl Seen {
    fn of(metered: &Metered) -> Seen {
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
struct Shown {
    ln_size: f64,
    ln_angle: f64,
    ln_p: f64,
    mean_ln_off: f64,
    /// Weighted cos and sin a state.
    p: [f64; MOST_STATES],
    q: [f64; MOST_STATES],
}

const MOST_STATES: usize = 3;

impl Optimum {
    /// Prepares for the wirings that may be drawn.
    pub fn new(possible: &[Possible]) -> Optimum {
        let mut classes: Vec<Class> = Vec::new();
        for (n, candidate) in possible.iter().enumerate() {
            let relative = candidate.leads.relative();
            match classes.iter_mut().find(|c| c.relative == relative) {
                Some(class) => {
                    class.prior += candidate.weight;
                    class.members.push(n);
                }
                None => classes.push(Class {
                    relative,
                    prior: candidate.weight,
                    members: vec![n],
                    power_right: candidate.leads.power_right(),
                }),
            }
        }
        Optimum { possible: possible.to_vec(), classes, tables: LoadTable::all() }
    }

    /// Judges one case at the four levels. Of the draw only the nameplate is looked at.
    pub fn judge(&self, draw: &Draw, metered: &[Metered]) -> [Judged; 4] {
        let seen: Vec<Seen> = metered.iter().map(Seen::of).collect();
        let largest = metered[0].current_a.iter().copied().fold(0.0, f64::max);
        let alive = metered[0].current_a.map(|i| i > DEAD * largest);
        let table = &self.tables.iter().find(|(k, p, _)| *k == draw.kind && *p == draw.plate).expect("a table").2;
        let mut sums = vec![[LnSum::EMPTY; 4]; self.classes.len()];
        let losses: [Option<usize>; 4] = [None, Some(0), Some(1), Some(2)];
        for reversed in [false, true] {
            for lost in losses {
                let fits = |r: &Relative| {
                    let dead = |k: usize| match r.lost {
                        Some(x) => r.current[k][x] != 0.0 || r.current[k] == [0.0; 3],
                        None => r.current[k] == [0.0; 3],
                    };
                    r.reversed == reversed && r.lost == lost && (0..3).all(|k| alive[k] != dead(k))
                };
                let list: Vec<usize> = (0..self.classes.len()).filter(|c| fits(&self.classes[*c].relative)).collect();
                if !list.is_empty() {
                    self.sample(table, &seen, alive, (reversed, lost), &list, &mut sums);
                }
            }
        }
        let b = metered[0].voltage_angle_deg[1];
        // Told by the angles at level (a) only: a second voltage that leads turns the other way.
        let rotation_read = b > 0.0;
        [0, 1, 2, 3].map(|level| {
            let ln_likelihood: Vec<f64> = (0..self.classes.len())
                .map(|c| {
                    let wrong_way = level == 0 && self.classes[c].relative.reversed != rotation_read;
                    if wrong_way || sums[c][level].sum == 0.0 { f64::NEG_INFINITY } else { sums[c][level].ln() }
                })
                .collect();
            self.judged(&ln_likelihood)
        })
    }

    /// Adds the likelihoods under the listed classes over one sample of everything unknown.
    fn sample(
        &self,
        table: &LoadTable,
        seen: &[Seen],
        alive: [bool; 3],
        (reversed, lost): (bool, Option<usize>),
        list: &[usize],
        sums: &mut [[LnSum; 4]],
    ) {
        let mut rows: Vec<Row> = Vec::new();
        let places: Vec<[Option<usize>; 3]> = list
            .iter()
            .map(|c| {
                let relative = &self.classes[*c].relative;
                [0, 1, 2].map(|k| {
                    let row = Row { shares: relative.current[k], map: relative.map };
                    alive[k].then(|| {
                        rows.iter().position(|r| *r == row).unwrap_or_else(|| {
                            rows.push(row);
                            rows.len() - 1
                        })
                    })
                })
            })
            .collect();
        let mut random = fastrand::Rng::with_seed(7);
        for _ in 0..SAMPLES {
            let Some(sample) = Sample::draw(table, seen, alive, (reversed, lost), &mut random) else { continue };
            let mut shown = vec![[Shown::default(); 3]; rows.len()];
            for (row, shown) in rows.iter().zip(&mut shown) {
                for k in (0..3).filter(|k| alive[*k]) {
                    shown[k] = sample.shown(row, k, seen);
                }
            }
            for (class, places) in list.iter().zip(&places) {
                let parts = [0, 1, 2].map(|k| places[k].map(|r| &shown[r][k]));
                let ln = sample.ln_likelihoods(&self.classes[*class].relative, parts, seen);
                for (sum, ln) in sums[*class].iter_mut().zip(ln) {
                    sum.add(ln);
                }
            }
        }
    }

    fn judged(&self, ln_likelihood: &[f64]) -> Judged {
        let ln_posterior: Vec<f64> = ln_likelihood.iter().zip(&self.classes).map(|(ln, c)| ln + c.prior.ln()).collect();
        let peak = ln_posterior.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if peak == f64::NEG_INFINITY {
            return Judged::default();
        }
        let mass: Vec<f64> = ln_posterior.iter().map(|ln| (ln - peak).exp()).collect();
        let total: f64 = mass.iter().sum();
        let leader = (0..mass.len()).max_by(|a, b| mass[*a].total_cmp(&mass[*b])).unwrap_or(0);
        let together = |c: usize| (ln_likelihood[c] - ln_likelihood[leader]).abs() < GROUP.ln();
        let mut judged = Judged::default();
        for (c, class) in self.classes.iter().enumerate().filter(|(c, _)| mass[*c] > 1e-9 * total) {
            judged.sound += if class.power_right { mass[c] / total } else { 0.0 };
            for member in &class.members {
                let probability = mass[c] / total * self.possible[*member].weight / class.prior;
                judged.ranked.push(Ranked { leads: self.possible[*member].leads, probability, in_group: together(c) });
            }
        }
        judged.sort();
        judged
    }
}

/// One sample of what is not known, made to explain the volts and amps read.
struct Sample {
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
    fn draw(
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
        let common = (half_share * half_share / 3.0 + gain_variance) / 2.0;
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
    fn shown(&self, row: &Row, k: usize, seen: &[Seen]) -> Shown {
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
    fn ln_likelihoods(&self, relative: &Relative, parts: [Option<&Shown>; 3], seen: &[Seen]) -> [f64; 4] {
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
