//! How well one decoded reading fits what is known: nominal voltage, size of the circuits, S = V I, P^2 + Q^2 <= S^2,
//! PF = P / S, channels and totals, frequency, angles.
//!
//! Wrong wiring must not look like a wrong map: signs, and which of the powers is large, count for nothing here.

use super::density::{Seen, band, beside, near};
use super::expected::{Expected, ExpectedCircuit};
use crate::reading::{CircuitReading, Measured, MonitorReading};

pub use super::density::Score;

/// Scatter of a supply about nominal, decades (5 %; ANSI C84.1 range A, from memory).
const SUPPLY: f64 = 0.02;
/// Scatter of one phase about the others, decades (1.5 %).
const PHASE: f64 = 0.0065;
/// Error of a product or sum of two quantities of class 1, decades and per unit.
const CLASS: f64 = 0.006;
const CLASS_PU: f64 = 0.015;
/// The same where a device computes one value from the others: only rounding is left. Words of two neighbours mixed up
/// give values that are nearly right; this tells them from right ones.
const COMPUTED: f64 = 2e-4;
/// PF is often given to two digits.
const FACTOR_PU: f64 = 0.015;
/// Least |P| / S that counts as a power: wrong wiring may put it at any angle, 90 degrees among them.
const LEAST_RATIO: f64 = 1e-6;
/// Share of powers that are at right angles to S for a reason, such as wrong wiring.
const AT_RIGHT_ANGLES: f64 = 0.005;
/// Least |P| / S of a load that is metered right: below it a pump does no work.
const LEAST_FACTOR: f64 = 0.15;
/// Share of circuits whose leads are wrong, in which powers may be at any angle. One cause for all three channels.
const MISWIRED: f64 = 0.1;
/// Scatter of |P| / S about that of the first channel, decades (12 %).
const ALIKE: f64 = 0.05;
/// One channel reads nothing while others carry load: an open CT, a blown fuse.
const DEAD: f64 = 0.005;
/// Largest ratio to S that two class 1 quantities leave room for.
const LARGEST_RATIO: f64 = 1.03;

/// Scores one reading.
pub fn score(reading: &MonitorReading, expected: &Expected) -> Score {
    let mut score = Score::default();
    let volts = voltages(&mut score, reading, expected);
    angles(&mut score, reading);
    score.add(Seen::of(reading.frequency_hz), 0.02, 0.02, |f| {
        // 50 or 60 Hz within half a hertz; a generator or a drive's output strays further.
        let close = near(f, 50.0, 0.003) + near(f, 60.0, 0.003);
        0.45 * close + 0.1 * band(f, 45.0, 65.0)
    });
    for known in &expected.circuits {
        if let Some(circuit) = reading.circuits.get(known.slot) {
            circuit_score(&mut score, circuit, known, volts, expected);
        }
    }
    score
}

/// The middle one of the magnitudes and its channel; of two the larger, as the smaller may be a dead channel.
fn middle(values: [Seen; 3]) -> Option<(usize, f64)> {
    let mut known: Vec<(usize, f64)> = values
        .iter()
        .enumerate()
        .filter_map(|(k, v)| if let Seen::Number(v) = v { Some((k, v.abs())) } else { None })
        .collect();
    known.sort_by(|a, b| a.1.total_cmp(&b.1));
    known.get(known.len() / 2).copied()
}

/// Returns volts to neutral by channel, as reported or else as the line voltages make likely.
fn voltages(score: &mut Score, reading: &MonitorReading, expected: &Expected) -> [Option<f64>; 3] {
    let neutral = reading.voltage_ln_v.map(Seen::of);
    let line = reading.voltage_ll_v.map(Seen::of);
    let nominal = |v: f64, factor: f64| match expected.nominal_ln_v {
        Some(nominal) => 0.9 * near(v, factor * nominal, SUPPLY) + 0.05 * band(v, 0.5 * nominal, 2.0 * nominal),
        // From control voltage to medium voltage.
        None => band(v, 50.0 * factor, 25_000.0 * factor),
    };
    let level = middle(neutral);
    three(score, neutral, level, &|v| nominal(v, 1.0));
    let from_neutral = level.filter(|_| expected.four_wire).map(|(_, v)| v * 3f64.sqrt());
    let line_level = middle(line);
    three(score, line, line_level, &|v| match from_neutral {
        Some(reference) => 0.85 * near(v, reference, PHASE) + 0.1 * band(v, 0.3 * reference, 1.2 * reference),
        None => nominal(v, 3f64.sqrt()),
    });
    [0, 1, 2].map(|k| {
        neutral[k]
            .number()
            .or_else(|| line_level.filter(|_| neutral[k] == Seen::NotMapped).map(|(_, v)| v / 3f64.sqrt()))
    })
}

/// Three voltages: their level, and the others beside it, dead ones (a blown fuse) among them.
fn three(score: &mut Score, values: [Seen; 3], level: Option<(usize, f64)>, of_level: &dyn Fn(f64) -> f64) {
    for (k, value) in values.into_iter().enumerate() {
        score.add(value, if level.is_some() { DEAD } else { 0.02 }, 0.02, |v| {
            let v = v.abs();
            match level {
                Some((leader, level)) if leader != k => {
                    0.9 * near(v, level, PHASE)
                        + 0.05 * band(v, 0.5 * level, 2.0 * level)
                        + 0.03 * band(v, 1e-5 * level, 0.5 * level)
                }
                _ => of_level(v),
            }
        });
    }
}

fn angles(score: &mut Score, reading: &MonitorReading) {
    for value in reading.voltage_angle_deg {
        score.add(Seen::of(value), 0.3, 0.02, |a| {
            let apart = beside(a.abs(), 120.0, 2.0);
            // Channel 1 is the reference: a hair off zero. Anything else is a wrong or missing lead.
            0.7 * apart + 0.1 * band(a.abs(), 1e-6, 1.0) + 0.1 * band(a.abs(), 1.0, 180.0)
        });
    }
    for circuit in &reading.circuits {
        for value in circuit.current_angle_deg {
            score.add(Seen::of(value), 0.3, 0.2, |a| band(a.abs(), 0.1, 180.5));
        }
    }
}

/// The size of what a power is compared with.
#[derive(Clone, Copy)]
struct Size {
    /// V I, or S in its place, VA.
    volt_amps: Option<f64>,
    /// Below this a stopped pump, VA.
    idle_va: f64,
    /// What an ordinary run can reach, VA.
    largest_va: f64,
}

impl Size {
    fn running(self) -> Option<f64> {
        self.volt_amps.filter(|va| *va > self.idle_va)
    }

    fn idle(self) -> bool {
        self.volt_amps.is_some_and(|va| va <= self.idle_va)
    }

    fn times(self, count: f64, volt_amps: Option<f64>) -> Size {
        Size { volt_amps, idle_va: count * self.idle_va, largest_va: count * self.largest_va }
    }

    /// Density of a power that may be anything up to S.
    fn any_power(self, power: f64) -> f64 {
        match self.running() {
            Some(va) => band(power.abs() / va, LEAST_RATIO, LARGEST_RATIO),
            None if self.idle() => self.idle_power(power),
            None => band(power.abs(), LEAST_RATIO * self.idle_va, self.largest_va),
        }
    }

    fn idle_power(self, power: f64) -> f64 {
        band(power.abs(), 1e-4 * self.idle_va, 1.1 * self.idle_va)
    }

    /// How often apparent power is zero: never while volts and amps are there.
    fn no_apparent(self) -> f64 {
        if self.running().is_some() { DEAD } else { 0.5 }
    }

    /// How often P or Q is zero: also while current flows, where a device shows nothing of negative power, or where
    /// wrong wiring makes the channels cancel. Several zeros have one cause, so each counts for little.
    fn no_power(self) -> f64 {
        if self.running().is_some() { 0.2 } else { 0.5 }
    }

    /// Density of a total. Wrong wiring may make the channels cancel down to the last digit.
    fn any_total(self, total: f64) -> f64 {
        let least = self.running().map_or(0.0, |va| LEAST_RATIO * va);
        self.any_power(total.abs().max(least))
    }
}

fn circuit_score(
    score: &mut Score,
    circuit: &CircuitReading,
    known: &ExpectedCircuit,
    volts: [Option<f64>; 3],
    expected: &Expected,
) {
    let current = circuit.current_a.map(Seen::of);
    currents(score, current, known);
    let nominal_v = expected.nominal_ln_v.or(volts[0]).filter(|v| *v > 0.0).unwrap_or(277.0);
    let size = Size { volt_amps: None, idle_va: nominal_v * known.idle_a, largest_va: nominal_v * known.running_a.1 };
    let mut sum_va = Some(0.0);
    let mut ratios = Vec::with_capacity(3);
    for k in 0..3 {
        let product = volts[k].zip(current[k].number()).map(|(v, i)| v * i);
        let apparent = Seen::of(circuit.apparent_power_va[k]);
        apparent_score(score, apparent, &size.times(1.0, product));
        let size = size.times(1.0, product.or(apparent.number()));
        let (p, q) = (Seen::of(circuit.active_power_w[k]), Seen::of(circuit.reactive_power_var[k]));
        match size.running().zip(p.number()).filter(|(_, p)| *p != 0.0 && !expected.any_angle) {
            Some((va, p)) => ratios.push((p.abs() / va).max(LEAST_RATIO)),
            None => score.add(p, size.no_power(), 0.2, |p| size.any_power(p)),
        }
        reactive_score(score, q, p, size);
        factor_score(score, Seen::of(circuit.power_factor[k]), p, size);
        sum_va = sum_va.zip(size.volt_amps).map(|(sum, va)| sum + va);
    }
    active_score(score, &ratios);
    totals(score, circuit, size.times(3.0, sum_va), expected.any_angle);
}

/// |P| / S of the channels together: as a load has them, or as wrong leads show them. The channels of a load are much alike,
/// and leads rotated by one position keep that, at another angle; other wrong leads put each channel at its own.
fn active_score(score: &mut Score, ratios: &[f64]) {
    let any_angle = |ratio: f64| {
        (1.0 - AT_RIGHT_ANGLES) * cosine(ratio) + AT_RIGHT_ANGLES * band(ratio, LEAST_RATIO, LARGEST_RATIO)
    };
    let working = |ratio: f64| 0.97 * band(ratio, LEAST_FACTOR, LARGEST_RATIO) + 0.03 * cosine(ratio);
    let alike = |k: usize, ratio: f64, by_itself: f64| match ratios.first().filter(|_| k > 0) {
        Some(first) if ratio <= LARGEST_RATIO => 0.7 * near(ratio, *first, ALIKE) + 0.3 * by_itself,
        _ => by_itself,
    };
    let metered = |k: usize, ratio: f64| alike(k, ratio, working(ratio));
    let rotated = |k: usize, ratio: f64| alike(k, ratio, any_angle(ratio));
    let each = |_: usize, ratio: f64| any_angle(ratio);
    score.add_together(ratios, &[(1.0 - MISWIRED, &metered), (0.5 * MISWIRED, &each), (0.5 * MISWIRED, &rotated)]);
}

/// Density per decade of |cos| of an angle that may be anything.
fn cosine(ratio: f64) -> f64 {
    if ratio > LARGEST_RATIO {
        return 0.0;
    }
    // Errors of the quantities blur the peak at 1.
    let sine = (1.0 - ratio * ratio).max(0.0).sqrt().max(0.25);
    std::f64::consts::FRAC_2_PI * std::f64::consts::LN_10 * ratio / sine
}

fn currents(score: &mut Score, values: [Seen; 3], known: &ExpectedCircuit) {
    let level = middle(values);
    let (low, high) = known.running_a;
    for (k, value) in values.into_iter().enumerate() {
        score.add(value, if level.is_some() { DEAD } else { 0.3 }, 0.05, |i| {
            let i = i.abs();
            let idle = band(i, 1e-5 * high, known.idle_a);
            match level {
                // Unbalance, one CT of another ratio, an open one.
                Some((leader, level)) if leader != k => {
                    0.8 * near(i, level, 0.02) + 0.1 * band(i, 0.1 * level, 3.0 * level) + 0.1 * idle
                }
                // Several times full load while starting.
                _ => 0.78 * band(i, low, high) + 0.01 * band(i, high, 6.0 * high) + 0.2 * idle,
            }
        });
    }
}

fn apparent_score(score: &mut Score, value: Seen, size: &Size) {
    score.add(value, size.no_apparent(), 0.2, |s| match size.running() {
        Some(va) => {
            0.43 * near(s.abs(), va, CLASS)
                + 0.5 * near(s.abs(), va, COMPUTED)
                + 0.05 * band(s.abs(), 0.5 * va, 2.0 * va)
        }
        None => size.any_power(s),
    });
}

/// Q beside P: for sine waves P^2 + Q^2 = S^2; distortion leaves less.
fn reactive_score(score: &mut Score, q: Seen, p: Seen, size: Size) {
    score.add(q, size.no_power(), 0.2, |q| {
        let Some((va, p)) = size.running().zip(p.number()) else { return size.any_power(q) };
        let whole = p.hypot(q);
        let sine = (0.6 * near(whole, va, CLASS) + 0.4 * near(whole, va, COMPUTED)) * (q / whole).powi(2);
        let less = if whole <= LARGEST_RATIO * va { size.any_power(q) } else { 0.0 };
        0.7 * sine + 0.25 * less
    });
}

fn factor_score(score: &mut Score, factor: Seen, p: Seen, size: Size) {
    score.add(factor, 0.2, 0.3, |factor| {
        let free = band(factor.abs(), 0.001, 1.005);
        match size.running().zip(p.number()) {
            Some((va, p)) => 0.85 * beside(factor.abs(), (p / va).abs(), FACTOR_PU) + 0.1 * free,
            None => free,
        }
    });
}

fn totals(score: &mut Score, circuit: &CircuitReading, size: Size, any_angle: bool) {
    let sum = |values: [Measured; 3]| values.iter().map(|v| Seen::of(*v).number()).sum::<Option<f64>>();
    let total_p = Seen::of(circuit.total_active_power_w);
    let total_q = Seen::of(circuit.total_reactive_power_var);
    for (total, channels) in [(total_p, sum(circuit.active_power_w)), (total_q, sum(circuit.reactive_power_var))] {
        score.add(total, size.no_power(), 0.2, |total| {
            let free = size.any_total(total);
            match size.running().zip(channels) {
                Some((va, channels)) if any_angle => 0.9 * beside(total, channels, CLASS_PU * va) + 0.08 * free,
                // Not by how small the sum is beside S: that counts once, for the channels.
                Some((_, channels)) if total * channels > 0.0 => {
                    0.9 * near(total.abs(), channels.abs(), CLASS) + 0.08 * free
                }
                Some(_) => 0.08 * free,
                None => free,
            }
        });
    }
    let total_s = Seen::of(circuit.total_apparent_power_va);
    score.add(total_s, size.no_power(), 0.2, |s| {
        let s = s.abs();
        let vector = total_p.number().zip(total_q.number()).map(|(p, q)| p.hypot(q)).filter(|va| *va > 0.0);
        match (size.running(), vector) {
            (Some(va), Some(vector)) => {
                0.45 * near(s, va, CLASS) + 0.45 * near(s, vector, CLASS) + 0.05 * size.any_total(s)
            }
            (Some(va), None) => 0.7 * near(s, va, CLASS) + 0.25 * size.any_total(s),
            (None, Some(vector)) if !size.idle() => 0.9 * near(s, vector, CLASS) + 0.05 * size.any_power(s),
            (None, _) => size.any_power(s),
        }
    });
    // PF of a total is P over whichever S the device makes: arithmetic, or of the vector.
    let by_total = size.times(1.0, total_s.number().filter(|s| *s > 0.0).or(size.volt_amps));
    factor_score(score, Seen::of(circuit.total_power_factor), total_p, by_total);
}
