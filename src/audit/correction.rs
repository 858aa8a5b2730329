//! Power recomputed for the intended wiring, from what each channel reports.
//!
//! Each channel's own current and angle are carried over to the conductor it really sees; nothing is taken from a
//! nameplate but, at the weaker evidence levels, the branch of an ambiguous sign. Must never choose a wiring.

use num_complex::Complex64;

use super::assessment::CorrectedPower;
use super::context::CircuitContext;
use super::evidence::Features;
use super::hypotheses::{CLASSES, Class, NOTHING};
use super::wiring::{CurrentSeen, Wiring};
use crate::electrical::angle::{arg_deg, polar_deg, wrap_deg};
use crate::electrical::circuit::Circuit;
use crate::electrical::voltage::{DEAD_VOLTAGE_SHARE, Voltages, nominal_angles_deg};
use crate::reading::{Phase, Rotation};

/// Share of S that stays uncertain when every channel's angle is measured: class 1 meter and CTs.
const MEASURED_SHARE: f64 = 0.01;
/// Channel angles stray by this much, degrees, where a common angle had to be assumed for all three.
const ASSUMED_SPREAD_DEG: f64 = 5.0;

/// Corrected power under one class of wirings. `lag_deg` is where the load runs if the class is true; it is used only where
/// a channel's own angle is not measured.
pub fn correct(
    class_index: usize,
    lag_deg: f64,
    features: &Features,
    circuit: &Circuit,
    voltages: &Voltages,
    context: &CircuitContext,
) -> Option<CorrectedPower> {
    let class = &CLASSES[class_index];
    let wiring = class.members.first()?.wiring;
    let mut per_phase: [Option<Complex64>; 3] = [None; 3];
    let mut assumed_va = 0.0;
    let mut sum_va = 0.0;
    for k in 0..3 {
        let Some((phase, own_lag_deg, measured)) =
            own_lag(k, class, &wiring, features, circuit, voltages, context, lag_deg)
        else {
            continue;
        };
        let voltage_v = voltage_of(phase, &wiring, circuit, context);
        let Some(current_a) = circuit.channel[k].current_a else { continue };
        let va = voltage_v * current_a;
        sum_va += va;
        if !measured {
            assumed_va += va * own_lag_deg.to_radians().sin().abs();
        }
        per_phase[phase.index()] = Some(polar_deg(va, own_lag_deg));
    }
    if class.lost_phase {
        for s in &mut per_phase {
            s.get_or_insert(Complex64::ZERO);
        }
    }
    fill_missing(&mut per_phase, &wiring, circuit, context, &mut assumed_va);
    let [Some(a), Some(b), Some(c)] = per_phase else { return None };
    let total = a + b + c;
    let apparent: f64 = [a, b, c].iter().map(|s| s.norm()).sum();
    let uncertainty_w = (MEASURED_SHARE * sum_va).hypot(assumed_va * ASSUMED_SPREAD_DEG.to_radians());
    Some(CorrectedPower {
        per_phase_va: [a, b, c],
        total_w: total.re,
        total_var: total.im,
        power_factor: if apparent > 0.0 { total.re / apparent } else { 0.0 },
        uncertainty_w,
    })
}

/// Phase that channel `k` really sees, the lag of that phase's current behind its own voltage, and whether the lag was
/// measured. `None` when the channel sees nothing.
#[expect(clippy::too_many_arguments, reason = "one reading seen through one hypothesis: all of it is needed")]
fn own_lag(
    k: usize,
    class: &Class,
    wiring: &Wiring,
    features: &Features,
    circuit: &Circuit,
    voltages: &Voltages,
    context: &CircuitContext,
    lag_deg: f64,
) -> Option<(Phase, f64, bool)> {
    if class.shift[k] == NOTHING || !features.current_alive[k] {
        return None;
    }
    let CurrentSeen::Conductor { phase, reversed } = wiring.current[k] else { return None };
    if class.lost_phase {
        // The metering is right here: what the channel shows is the phase's own angle, 30 degrees off the load's.
        let mirrored = context.rotation == Rotation::Acb;
        let expected_deg = wrap_deg(lag_deg + 30.0 * f64::from(class.shift_for(k, mirrored)));
        let channel = &circuit.channel[k];
        let from_power = channel.p_per_unit().map(|p| nearest_branch(p, 0.0, expected_deg));
        let seen_deg = channel.lag_deg().or(from_power);
        return Some((phase, seen_deg.unwrap_or(expected_deg), seen_deg.is_some()));
    }
    // Angle of the channel's voltage against that of the phase it should have been compared with.
    let nominal = nominal_angles_deg(context.rotation);
    let angle_of_channel = |j: usize| voltages.phasor_v[j].map(arg_deg);
    let own_channel = wiring.voltage_channel_of(phase)?;
    let nominal_gap = nominal[wiring.voltage[k].index()] - nominal[phase.index()];
    let measured_gap = angle_of_channel(k).zip(angle_of_channel(own_channel)).map(|(a, b)| wrap_deg(a - b));
    // Voltages whose angles were assumed follow the channel numbers, not the hypothesis: keep to the nominal gap then.
    let gap = measured_gap.filter(|gap| wrap_deg(gap - nominal_gap).abs() < 30.0).unwrap_or(nominal_gap);
    let shift = gap + if reversed { 180.0 } else { 0.0 };
    let channel = &circuit.channel[k];
    if !features.voltage_alive[k] {
        return Some((phase, lag_deg, false));
    }
    if let Some(seen_deg) = channel.lag_deg() {
        return Some((phase, wrap_deg(seen_deg - shift), true));
    }
    if let Some(p) = channel.p_per_unit() {
        let best = nearest_branch(p, shift, lag_deg);
        return Some((phase, best, true));
    }
    Some((phase, lag_deg, false))
}

/// The angle whose cosine is `p`, less `shift_deg`, on the branch nearer to what the load is expected to do: a cosine does
/// not tell lag from lead, the load's own behaviour does.
fn nearest_branch(p: f64, shift_deg: f64, expected_deg: f64) -> f64 {
    let opening_deg = p.clamp(-1.0, 1.0).acos().to_degrees();
    let branches = [wrap_deg(opening_deg - shift_deg), wrap_deg(-opening_deg - shift_deg)];
    let off = |branch: f64| wrap_deg(branch - expected_deg).abs();
    if off(branches[0]) <= off(branches[1]) { branches[0] } else { branches[1] }
}

/// Voltage magnitude of a phase: from the channel on it, else from the others, else nominal.
fn voltage_of(phase: Phase, wiring: &Wiring, circuit: &Circuit, context: &CircuitContext) -> f64 {
    let floor = DEAD_VOLTAGE_SHARE * context.nominal_ln_v();
    let alive = |v: &f64| *v > floor;
    let own = wiring.voltage_channel_of(phase).and_then(|j| circuit.channel[j].voltage_v).filter(alive);
    own.unwrap_or_else(|| {
        let others: Vec<f64> = circuit.channel.iter().filter_map(|c| c.voltage_v).filter(alive).collect();
        if others.is_empty() { context.nominal_ln_v() } else { others.iter().sum::<f64>() / others.len() as f64 }
    })
}

/// A phase whose CT gives nothing: its current is what the other two leave over (a motor has no neutral).
fn fill_missing(
    per_phase: &mut [Option<Complex64>; 3],
    wiring: &Wiring,
    circuit: &Circuit,
    context: &CircuitContext,
    assumed_va: &mut f64,
) {
    let Some(missing) = (0..3).find(|k| per_phase[*k].is_none()) else { return };
    let nominal = nominal_angles_deg(context.rotation);
    let mut sum = Complex64::ZERO;
    for (k, s) in per_phase.iter().enumerate() {
        if k == missing {
            continue;
        }
        let Some(s) = s else { return };
        let voltage = polar_deg(voltage_of(Phase::from_index(k), wiring, circuit, context), nominal[k]);
        sum += (s / voltage).conj();
    }
    let voltage = polar_deg(voltage_of(Phase::from_index(missing), wiring, circuit, context), nominal[missing]);
    let s = voltage * (-sum).conj();
    // Unbalance of supply and load goes into this phase: a tenth of it stays open.
    *assumed_va += s.norm();
    per_phase[missing] = Some(s);
}
