//! The metering itself: channels sampled in time and integrated numerically, as a monitor's front end does it.
//!
//! Samples per cycle: 128. RMS is sqrt(mean(x^2)), active power mean(v i), apparent power the product of the RMS
//! values. Reactive power is that of the fundamental, Im(V1 I1*), with V1 and I1 from a discrete Fourier sum over the
//! samples (the same as shifting the fundamental voltage by a quarter period and averaging the product). Everything is
//! per channel as wired: this module knows terminals, never phases.

use std::f64::consts::{SQRT_2, TAU};
use std::sync::LazyLock;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use crate::phasor::{C64, Spectrum, wrap_deg};

/// Samples in one cycle.
pub(crate) const SAMPLES_PER_CYCLE: usize = 128;
/// Cycles in a window when there is noise to average; without noise one cycle says all, for the signal is periodic.
pub(crate) const NOISY_CYCLES: usize = 4;

static COSINES: LazyLock<[f64; SAMPLES_PER_CYCLE]> =
    LazyLock::new(|| std::array::from_fn(|index| (TAU * index as f64 / SAMPLES_PER_CYCLE as f64).cos()));

fn cosine(index: usize) -> f64 {
    COSINES[index % SAMPLES_PER_CYCLE]
}

fn sine(index: usize) -> f64 {
    COSINES[(index + SAMPLES_PER_CYCLE * 3 / 4) % SAMPLES_PER_CYCLE]
}

/// What the channels of a monitor are exposed to.
#[derive(Debug, Clone)]
pub(crate) struct Exposure {
    /// Voltage channels 1, 2, 3.
    pub(crate) voltage: [Spectrum; 3],
    /// Current channels 1, 2, 3 of each slot.
    pub(crate) current: Vec<[Spectrum; 3]>,
}

/// Samples of all channels over a whole number of cycles.
#[derive(Debug, Clone)]
pub(crate) struct Samples {
    /// Volts.
    pub(crate) voltage: [Vec<f64>; 3],
    /// Amperes, by slot.
    pub(crate) current: Vec<[Vec<f64>; 3]>,
}

impl Samples {
    /// Samples an exposure; noise is a fraction of each channel's RMS, its generator seeded.
    pub(crate) fn take(exposure: &Exposure, cycles: usize, noise: f64, seed: u64) -> Samples {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        let mut channel = |spectrum: &Spectrum| sample(spectrum, cycles, noise, &mut generator);
        let voltage = [0, 1, 2].map(|index| channel(&exposure.voltage[index]));
        let current = exposure.current.iter().map(|slot| [0, 1, 2].map(|index| channel(&slot[index]))).collect();
        Samples { voltage, current }
    }
}

fn sample(spectrum: &Spectrum, cycles: usize, noise: f64, generator: &mut ChaCha8Rng) -> Vec<f64> {
    let mut cycle = [0.0; SAMPLES_PER_CYCLE];
    for &(order, phasor) in spectrum.terms() {
        let (re, im) = (phasor.re * SQRT_2, phasor.im * SQRT_2);
        let step = usize::from(order);
        for (index, value) in cycle.iter_mut().enumerate() {
            *value += re * cosine(step * index) - im * sine(step * index);
        }
    }
    let mut samples = cycle.repeat(cycles);
    let deviation = noise * spectrum.rms();
    if 0.0 < deviation {
        for value in &mut samples {
            let normal: f64 = StandardNormal.sample(generator);
            *value += deviation * normal;
        }
    }
    samples
}

/// RMS of a whole number of cycles.
pub(crate) fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|value| value * value).sum::<f64>() / samples.len().max(1) as f64).sqrt()
}

/// Mean of the product: active power.
pub(crate) fn mean_product(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum::<f64>() / one.len().max(1) as f64
}

/// RMS phasor of the fundamental.
pub(crate) fn fundamental(samples: &[f64]) -> C64 {
    let mut sum = C64::new(0.0, 0.0);
    for (index, value) in samples.iter().enumerate() {
        sum += C64::new(cosine(index) * value, -sine(index) * value);
    }
    sum * SQRT_2 / samples.len().max(1) as f64
}

/// What one set of CTs reads, by channel as wired. A value that has no meaning now (an angle of nothing) is NaN, and so
/// is every value of a channel the service does not have.
#[derive(Debug, Clone, PartialEq)]
pub struct CircuitSample {
    /// RMS current, A.
    pub current_a: [f64; 3],
    /// Angle of each current against voltage channel 1, degrees, lag negative.
    pub current_angle_deg: [f64; 3],
    /// Active power per channel, W.
    pub active_power_w: [f64; 3],
    /// Reactive power of the fundamental per channel, var.
    pub reactive_power_var: [f64; 3],
    /// Apparent power per channel, VA.
    pub apparent_power_va: [f64; 3],
    /// Active over apparent power per channel.
    pub power_factor: [f64; 3],
    /// Total active power, W.
    pub total_active_power_w: f64,
    /// Total reactive power, var.
    pub total_reactive_power_var: f64,
    /// Total apparent power, VA.
    pub total_apparent_power_va: f64,
    /// Total active over total apparent power.
    pub total_power_factor: f64,
    /// Import register, Wh.
    pub energy_import_wh: f64,
    /// Export register, Wh.
    pub energy_export_wh: f64,
    /// Auxiliary contact of the starter: true while the contactor of the circuit's own pump is closed.
    pub running: bool,
    /// Flow of the circuit's own pump, m3/s; NaN without an instrument.
    pub flow_m3_per_s: f64,
    /// Head of that pump, m; NaN without an instrument.
    pub head_m: f64,
}

/// What a monitor meters at one moment, by channel as wired. Where two elements meter three wires, channel 1 is A to B
/// with CT A and channel 3 is C to B with CT C, and the totals are the sums of the two.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterSample {
    /// Station time of the window, s.
    pub t_s: f64,
    /// Channel to reference, V RMS; the element's voltage where two elements meter three wires.
    pub voltage_ln_v: [f64; 3],
    /// Between channels 1-2, 2-3, 3-1, V RMS.
    pub voltage_ll_v: [f64; 3],
    /// Angle against channel 1, degrees; NaN without voltage.
    pub voltage_angle_deg: [f64; 3],
    /// Frequency, Hz; NaN without voltage.
    pub frequency_hz: f64,
    /// One per slot.
    pub circuits: Vec<CircuitSample>,
}

/// Below this a channel has no angle: V or A RMS.
const NOTHING: f64 = 1e-3;

fn angle_deg(phasor: C64, reference: C64) -> f64 {
    if phasor.norm() < NOTHING || reference.norm() < NOTHING {
        return f64::NAN;
    }
    wrap_deg((phasor / reference).arg().to_degrees())
}

fn ratio(active_w: f64, apparent_va: f64) -> f64 {
    if apparent_va < NOTHING { f64::NAN } else { (active_w / apparent_va).clamp(-1.0, 1.0) }
}

/// How a device meters: which channels it has, which line voltages, and how it forms total apparent power.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Metering {
    /// Channels 1, 2, 3 exist.
    pub(crate) channels: [bool; 3],
    /// Voltages 1-2, 2-3, 3-1 exist.
    pub(crate) line_voltages: [bool; 3],
    /// Total apparent power is the root of the squares of total active and reactive power.
    pub(crate) vector_apparent: bool,
}

fn only(present: [bool; 3], values: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|index| if present[index] { values[index] } else { f64::NAN })
}

/// Meters a set of samples. Energy and run state are the monitor's to fill in. The exposure of a channel that does not
/// exist must be nothing, so that it adds nothing to a total.
pub(crate) fn meter(samples: &Samples, t_s: f64, frequency_hz: f64, metering: Metering) -> MeterSample {
    let voltage = &samples.voltage;
    let voltage_ln_v = [0, 1, 2].map(|channel| rms(&voltage[channel]));
    let phasors = [0, 1, 2].map(|channel| fundamental(&voltage[channel]));
    let between = |one: usize, other: usize| {
        let difference: Vec<f64> = voltage[one].iter().zip(&voltage[other]).map(|(a, b)| a - b).collect();
        rms(&difference)
    };
    let circuits =
        samples.current.iter().map(|current| circuit(current, voltage, &voltage_ln_v, &phasors, metering)).collect();
    MeterSample {
        t_s,
        voltage_ln_v: only(metering.channels, voltage_ln_v),
        voltage_ll_v: only(metering.line_voltages, [between(0, 1), between(1, 2), between(2, 0)]),
        voltage_angle_deg: only(metering.channels, phasors.map(|phasor| angle_deg(phasor, phasors[0]))),
        frequency_hz: if phasors.iter().all(|phasor| phasor.norm() < NOTHING) { f64::NAN } else { frequency_hz },
        circuits,
    }
}

fn circuit(
    current: &[Vec<f64>; 3],
    voltage: &[Vec<f64>; 3],
    voltage_v: &[f64; 3],
    voltage_phasors: &[C64; 3],
    metering: Metering,
) -> CircuitSample {
    let only = |values: [f64; 3]| only(metering.channels, values);
    let current_a = [0, 1, 2].map(|channel| rms(&current[channel]));
    let phasors = [0, 1, 2].map(|channel| fundamental(&current[channel]));
    let active_power_w = [0, 1, 2].map(|channel| mean_product(&voltage[channel], &current[channel]));
    let reactive_power_var = [0, 1, 2].map(|channel| (voltage_phasors[channel] * phasors[channel].conj()).im);
    let apparent_power_va = [0, 1, 2].map(|channel| voltage_v[channel] * current_a[channel]);
    let total_active_power_w: f64 = active_power_w.iter().sum();
    let total_reactive_power_var: f64 = reactive_power_var.iter().sum();
    let total_apparent_power_va = if metering.vector_apparent {
        total_active_power_w.hypot(total_reactive_power_var)
    } else {
        apparent_power_va.iter().sum()
    };
    CircuitSample {
        current_a: only(current_a),
        current_angle_deg: only(phasors.map(|phasor| angle_deg(phasor, voltage_phasors[0]))),
        active_power_w: only(active_power_w),
        reactive_power_var: only(reactive_power_var),
        apparent_power_va: only(apparent_power_va),
        power_factor: only([0, 1, 2].map(|channel| ratio(active_power_w[channel], apparent_power_va[channel]))),
        total_active_power_w,
        total_reactive_power_var,
        total_apparent_power_va,
        total_power_factor: ratio(total_active_power_w, total_apparent_power_va),
        energy_import_wh: 0.0,
        energy_export_wh: 0.0,
        running: false,
        flow_m3_per_s: f64::NAN,
        head_m: f64::NAN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phasor::polar_deg;

    const WHOLE: Metering = Metering { channels: [true; 3], line_voltages: [true; 3], vector_apparent: false };

    fn exposure(shift_deg: f64) -> Exposure {
        let at = |magnitude: f64, angle: f64| Spectrum::sine(polar_deg(magnitude, angle));
        Exposure {
            voltage: [at(277.0, 0.0), at(277.0, -120.0), at(277.0, 120.0)],
            current: vec![[0.0, -120.0, 120.0].map(|angle| at(100.0, angle - shift_deg))],
        }
    }

    #[test]
    fn sampled_sines_meter_as_their_closed_forms() {
        let samples = Samples::take(&exposure(30.0), 1, 0.0, 1);
        let metered = meter(&samples, 0.0, 60.0, WHOLE);
        let circuit = &metered.circuits[0];
        assert!((metered.voltage_ll_v[0] - 277.0 * 3f64.sqrt()).abs() < 1e-9);
        assert!((circuit.active_power_w[1] - 27_700.0 * 30f64.to_radians().cos()).abs() < 1e-6);
        assert!((circuit.reactive_power_var[2] - 13_850.0).abs() < 1e-6);
        assert!((circuit.current_angle_deg[1] + 150.0).abs() < 1e-9);
        assert!((metered.voltage_angle_deg[2] - 120.0).abs() < 1e-9);
        assert!((circuit.total_power_factor - 30f64.to_radians().cos()).abs() < 1e-12);
    }

    /// IEEE 1459: P = sum of Vh Ih cos(theta h), S from RMS, Q here that of the fundamental.
    #[test]
    fn harmonics_enter_rms_and_active_power_but_not_reactive_power() {
        let mut exposure = exposure(0.0);
        exposure.voltage[0].add(5, polar_deg(20.0, 10.0));
        exposure.current[0][0].add(5, polar_deg(30.0, 70.0));
        let metered = meter(&Samples::take(&exposure, 1, 0.0, 1), 0.0, 60.0, WHOLE);
        let circuit = &metered.circuits[0];
        assert!((metered.voltage_ln_v[0] - 277f64.hypot(20.0)).abs() < 1e-9);
        assert!((circuit.current_a[0] - 100f64.hypot(30.0)).abs() < 1e-9);
        assert!((circuit.active_power_w[0] - (27_700.0 + 300.0)).abs() < 1e-6);
        assert!(circuit.reactive_power_var[0].abs() < 1e-6);
    }

    #[test]
    fn noise_is_the_same_for_the_same_seed_and_differs_for_another() {
        let take = |seed| Samples::take(&exposure(30.0), NOISY_CYCLES, 0.01, seed).voltage[0].clone();
        assert_eq!(take(7), take(7));
        assert_ne!(take(7), take(8));
        let noisy = take(7);
        let clean = Samples::take(&exposure(30.0), NOISY_CYCLES, 0.0, 7).voltage[0].clone();
        let difference: Vec<f64> = noisy.iter().zip(&clean).map(|(a, b)| a - b).collect();
        assert!((rms(&difference) / 2.77 - 1.0).abs() < 0.15, "noise of one percent, got {}", rms(&difference));
    }

    #[test]
    fn nothing_has_no_angle_and_no_power_factor() {
        let mut exposure = exposure(30.0);
        exposure.current[0][1] = Spectrum::default();
        exposure.voltage[0] = Spectrum::default();
        let metered = meter(&Samples::take(&exposure, 1, 0.0, 1), 0.0, 60.0, WHOLE);
        assert!(metered.circuits[0].power_factor[1].is_nan());
        assert!(metered.voltage_angle_deg[1].is_nan(), "no reference voltage");
        assert_eq!(metered.frequency_hz, 60.0);
    }
}
