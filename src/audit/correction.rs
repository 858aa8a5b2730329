//! Power recomputed for the intended wiring, from what each channel reports.
//!
//! Each channel's own current and angle are carried over to the conductor it really sees; nothing is taken from a
//! nameplate but, at the weaker evidence levels, the branch of an ambiguous sign. Must never choose a wiring.

use num_complex::Complex64;

use super::assessment::CorrectedPower;
use super::context::{CircuitContext, ServiceKind};
use super::evidence::Features;
use super::hypotheses::{Class, classes};
use super::wiring::{Registers, Wiring};
use crate::electrical::angle::{arg_deg, length, magnitude, polar_deg, wrap_deg};
use crate::electrical::circuit::Circuit;
use crate::electrical::voltage::{DEAD_VOLTAGE_SHARE, Voltages, nominal_angles_deg};
use crate::reading::{Phase, Rotation};

/// Share of S that stays uncertain when every channel's angle is measured: class 1 meter and CTs.
const MEASURED_SHARE: f64 = 0.01;
/// Channel angles stray by this much, degrees, where a common angle had to be assumed for all three.
const ASSUMED_SPREAD_DEG: f64 = 5.0;

/// Corrected power under one class of wirings, of which `wiring` is the most probable. `lag_deg` is where the load runs if the
/// class is true; it is used only where a channel's own angle is not measured.
pub fn correct(
    class_index: usize,
    wiring: &Wiring,
    lag_deg: f64,
    features: &Features,
    circuit: &Circuit,
    voltages: &Voltages,
    context: &CircuitContext,
) -> Option<CorrectedPower> {
    let class = &classes(context.service).all[class_index];
    let voltage_deg = [0, 1, 2].map(|k| voltages.phasor_v[k].and(Some(voltages.angle_deg[k])));
    let seen = Seen { class, wiring, features, circuit, voltage_deg, context };
    let mut per_phase: [Option<Complex64>; 3] = [None; 3];
    let mut assumed_va = 0.0;
    let mut sum_va = 0.0;
    for &k in context.service.channels() {
        let Some((phase, own_lag_deg, measured)) = seen.own_lag(k, lag_deg) else { continue };
        let (Some(current_a), Some(factor)) = (circuit.channel[k].current_a, wiring.gain[k].factor()) else { continue };
        let va = seen.voltage_of(phase) * current_a / factor;
        let power_va = polar_deg(va, own_lag_deg);
        sum_va += va;
        if !measured {
            assumed_va += power_va.im.abs();
        }
        per_phase[phase.index()] = Some(power_va);
    }
    if seen.class.pattern.lost_phase {
        for s in &mut per_phase {
            s.get_or_insert(Complex64::ZERO);
        }
    }
    seen.fill_missing(&mut per_phase, &mut assumed_va);
    let [Some(a), Some(b), Some(c)] = per_phase else { return None };
    let total = a + b + c;
    let apparent: f64 = [a, b, c].into_iter().map(magnitude).sum();
    let assumed_w = assumed_va * ASSUMED_SPREAD_DEG.to_radians();
    let uncertainty_w = length(MEASURED_SHARE * sum_va, assumed_w);
    Some(CorrectedPower {
        per_phase_va: [a, b, c],
        total_w: total.re,
        total_var: total.im,
        power_factor: if apparent > 0.0 { total.re / apparent } else { 0.0 },
        uncertainty_w,
    })
}

/// One reading seen through one hypothesis.
struct Seen<'a> {
    class: &'a Class,
    wiring: &'a Wiring,
    features: &'a Features,
    circuit: &'a Circuit,
    /// Angle of each channel's voltage, degrees.
    voltage_deg: [Option<f64>; 3],
    context: &'a CircuitContext,
}

impl Seen<'_> {
    /// Phase that channel `k` really sees, the lag of that phase's current behind its own voltage, and whether the lag was
    /// measured. `None` when the channel sees nothing of this circuit.
    fn own_lag(&self, k: usize, lag_deg: f64) -> Option<(Phase, f64, bool)> {
        if !self.features.current_alive[k] {
            return None;
        }
        let (phase, reversed) = self.wiring.current[k].shows()?;
        let mirrored = self.context.rotation == Rotation::Acb;
        let shift_deg = 30.0 * f64::from(self.class.pattern.shift_for(k, mirrored));
        if self.class.pattern.lost_phase {
            // The metering is right here: what the channel shows is the phase's own angle, 30 degrees off the load's.
            let expected_deg = wrap_deg(lag_deg + shift_deg);
            let seen_deg = self.seen_lag_deg(k, expected_deg);
            return Some((phase, seen_deg.unwrap_or(expected_deg), seen_deg.is_some()));
        }
        if !self.features.voltage_alive[k] {
            return Some((phase, lag_deg, false));
        }
        let shift_deg = self.gap_deg(k, phase)? + if reversed { 180.0 } else { 0.0 };
        let own = self.seen_lag_deg(k, lag_deg + shift_deg).map(|seen| wrap_deg(seen - shift_deg));
        Some((phase, own.unwrap_or(lag_deg), own.is_some()))
    }

    /// Angle of channel `k`'s voltage against that of the phase it should have been compared with.
    fn gap_deg(&self, k: usize, phase: Phase) -> Option<f64> {
        let service = self.context.service;
        let steps = service.voltage_step(k, self.wiring.voltage) - service.current_step(phase);
        let mirror = if self.context.rotation == Rotation::Acb { -1.0 } else { 1.0 };
        let nominal_gap = wrap_deg(mirror * 30.0 * f64::from(steps));
        if !service.symmetrical() {
            return Some(nominal_gap);
        }
        let own_channel = self.wiring.voltage_channel_of(phase)?;
        let measured_gap = self.voltage_deg[k].zip(self.voltage_deg[own_channel]).map(|(a, b)| wrap_deg(a - b));
        // Voltages whose angles were assumed follow the channel numbers, not the hypothesis: keep to the nominal gap then.
        Some(measured_gap.filter(|gap| wrap_deg(gap - nominal_gap).abs() < 30.0).unwrap_or(nominal_gap))
    }

    /// The lag that channel `k` shows once its registers are read as the hypothesis has them, degrees; on the branch nearer to
    /// `expected_deg` where only a cosine is known.
    fn seen_lag_deg(&self, k: usize, expected_deg: f64) -> Option<f64> {
        let channel = &self.circuit.channel[k];
        let registers = self.wiring.registers;
        match (channel.active_w, channel.reactive_var) {
            (Some(_), Some(_)) if self.features.from_factor && registers != Registers::AsDeclared => {
                let p = channel.p_per_unit()?.abs().copysign(expected_deg.to_radians().cos());
                Some(nearest_branch(p, expected_deg))
            }
            (Some(_), Some(_)) if registers == Registers::AsDeclared => channel.lag_deg(),
            // Each of these meanings undoes itself.
            (Some(p), Some(q)) => {
                let (p, q) = registers.registered(p, q);
                Some(arg_deg(Complex64::new(p, q)))
            }
            _ => {
                let p = channel.p_per_unit()?;
                Some(match registers {
                    Registers::AsDeclared | Registers::ReactiveSign => nearest_branch(p, expected_deg),
                    Registers::ActiveSign | Registers::BothSigns => nearest_branch(-p, expected_deg),
                    Registers::Exchanged => {
                        // What is shown is the sine.
                        wrap_deg(90.0 - nearest_branch(p, 90.0 - expected_deg))
                    }
                    Registers::FactorLagPositive | Registers::FactorLagNegative => {
                        nearest_branch(p.abs().copysign(expected_deg.to_radians().cos()), expected_deg)
                    }
                })
            }
        }
    }

    /// Voltage of a phase to neutral, or to the centre of the line voltages: from the channel on it, else from what the others
    /// come to of their nominal, else nominal.
    fn voltage_of(&self, phase: Phase) -> f64 {
        let (service, nominal_v) = (self.context.service, self.context.nominal_voltage_v);
        let of_channel = |k: usize| {
            let nominal = service.nominal_channel_v(k, nominal_v);
            self.circuit.channel[k].voltage_v.filter(|v| *v > DEAD_VOLTAGE_SHARE * nominal).map(|v| v / nominal)
        };
        let nominal_phase_v = match service {
            ServiceKind::SinglePhase => nominal_v,
            ServiceKind::SplitPhase => 0.5 * nominal_v,
            _ => self.context.nominal_ln_v(),
        };
        let own = self.wiring.voltage_channel_of(phase).filter(|_| service.symmetrical()).and_then(of_channel);
        let share = own.unwrap_or_else(|| {
            let others: Vec<f64> = service.channels().iter().filter_map(|k| of_channel(*k)).collect();
            if others.is_empty() { 1.0 } else { others.iter().sum::<f64>() / others.len() as f64 }
        });
        share * nominal_phase_v
    }

    /// Phases whose CTs give nothing usable. One of three is what the other two leave over (a motor has no neutral); beyond
    /// that the load is taken as balanced. Conductors that the service does not have carry nothing.
    fn fill_missing(&self, per_phase: &mut [Option<Complex64>; 3], assumed_va: &mut f64) {
        let phases = self.context.service.phases();
        for phase in Phase::ALL.into_iter().filter(|p| !phases.contains(p)) {
            per_phase[phase.index()] = Some(Complex64::ZERO);
        }
        let missing: Vec<usize> = (0..3).filter(|k| per_phase[*k].is_none()).collect();
        if missing.is_empty() {
            return;
        }
        let known: Vec<usize> = phases.iter().map(|p| p.index()).filter(|k| !missing.contains(k)).collect();
        let Some(&one) = known.first() else { return };
        let balanced = per_phase[one];
        for &k in &missing {
            per_phase[k] = balanced;
        }
        if let ([gone], true) = (missing.as_slice(), phases.len() == 3) {
            let nominal = nominal_angles_deg(self.context.rotation);
            let phasor = |k: usize| polar_deg(self.voltage_of(Phase::from_index(k)), nominal[k]);
            let sum: Complex64 = known.iter().filter_map(|k| Some((per_phase[*k]? / phasor(*k)).conj())).sum();
            per_phase[*gone] = Some(phasor(*gone) * (-sum).conj());
        }
        // Two-element metering measures the third phase's current by its sum: that is its principle, not an assumption.
        if !self.context.service.between_lines() || missing.len() > 1 {
            // Unbalance of supply and load goes into these phases: a tenth of each stays open.
            *assumed_va += missing.iter().filter_map(|k| per_phase[*k]).map(magnitude).sum::<f64>();
        }
    }
}

/// The angle whose cosine is `p`, on the branch nearer to what is expected: a cosine does not tell lag from lead, the load's
/// own behaviour does.
fn nearest_branch(p: f64, expected_deg: f64) -> f64 {
    let opening_deg = p.clamp(-1.0, 1.0).acos().to_degrees();
    let off = |branch: f64| wrap_deg(branch - expected_deg).abs();
    if off(opening_deg) <= off(-opening_deg) { opening_deg } else { -opening_deg }
}
