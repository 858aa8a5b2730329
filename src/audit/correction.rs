//! Power recomputed for the intended wiring, from what each channel reports.
//!
//! Each channel's own current and angle are carried over to the conductor it really sees; nothing is taken from a
//! nameplate but, at the weaker evidence levels, the branch of an ambiguous sign. Must never choose a wiring.

use std::cell::LazyCell;

use num_complex::Complex64;

use super::assessment::CorrectedPower;
use super::context::{CircuitContext, ServiceKind};
use super::evidence::Features;
use super::hypotheses::{Class, classes};
use super::wiring::{Registers, Wiring};
use crate::electrical::angle::{direction, length, magnitude, polar_deg, unit_at_step};
use crate::electrical::circuit::Circuit;
use crate::electrical::voltage::{AngleBasis, DEAD_VOLTAGE_SHARE, Voltages, nominal_angles_deg};
use crate::reading::{Phase, Rotation};

/// Share of S that stays uncertain when every channel's angle is measured: class 1 meter and CTs.
const MEASURED_SHARE: f64 = 0.01;
/// Channel angles stray by this much, degrees, where a common angle had to be assumed for all three.
const ASSUMED_SPREAD_DEG: f64 = 5.0;
/// Voltages this far from where the hypothesis has them were not measured but assumed: cosine of 30 degrees.
const ASSUMED_COSINE: f64 = 0.866;

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
    let load_lag = LazyCell::new(|| polar_deg(1.0, lag_deg));
    let seen = Seen { class, wiring, features, circuit, voltages, context };
    let mut per_phase: [Option<Complex64>; 3] = [None; 3];
    let mut assumed_va = 0.0;
    let mut sum_va = 0.0;
    for &k in context.service.channels() {
        let Some((phase, own_lag, measured)) = seen.own_lag(k, || *load_lag) else { continue };
        let (Some(current_a), Some(factor)) = (circuit.channel[k].current_a, wiring.gain[k].factor()) else { continue };
        let va = seen.voltage_of(phase) * current_a / factor;
        let power_va = own_lag * va;
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

/// One reading seen through one hypothesis. A lag is a unit phasor here, as P + jQ has it: what turns it is a product, where an
/// angle would have to be worked out of one and made into the next.
struct Seen<'a> {
    class: &'a Class,
    wiring: &'a Wiring,
    features: &'a Features,
    circuit: &'a Circuit,
    voltages: &'a Voltages,
    context: &'a CircuitContext,
}

impl Seen<'_> {
    /// Phase that channel `k` really sees, the lag of that phase's current behind its own voltage, and whether the lag was
    /// measured. `None` when the channel sees nothing of this circuit.
    fn own_lag(&self, k: usize, load_lag: impl Fn() -> Complex64) -> Option<(Phase, Complex64, bool)> {
        if !self.features.current_alive[k] {
            return None;
        }
        let (phase, reversed) = self.wiring.current[k].shows()?;
        if self.class.pattern.lost_phase {
            // The metering is right here: what the channel shows is the phase's own angle, 30 degrees off the load's.
            let mirrored = self.context.rotation == Rotation::Acb;
            let expected = || load_lag() * unit_at_step(self.class.pattern.shift_for(k, mirrored).into());
            let seen = self.seen_lag(k, expected);
            return Some((phase, seen.unwrap_or_else(expected), seen.is_some()));
        }
        if !self.features.voltage_alive[k] {
            return Some((phase, load_lag(), false));
        }
        let gap = self.gap(k, phase)?;
        let shift = if reversed { -gap } else { gap };
        let own = self.seen_lag(k, || load_lag() * shift).map(|seen| seen * shift.conj());
        Some((phase, own.unwrap_or_else(load_lag), own.is_some()))
    }

    /// Direction of channel `k`'s voltage against that of the phase it should have been compared with.
    fn gap(&self, k: usize, phase: Phase) -> Option<Complex64> {
        let service = self.context.service;
        let steps = service.voltage_step(k, self.wiring.voltage) - service.current_step(phase);
        let nominal = unit_at_step(if self.context.rotation == Rotation::Acb { -steps } else { steps });
        if !service.symmetrical() {
            return Some(nominal);
        }
        let own_channel = self.wiring.voltage_channel_of(phase)?;
        if self.voltages.basis == AngleBasis::Nominal {
            return Some(nominal);
        }
        let phasors = self.voltages.phasor_v[k].zip(self.voltages.phasor_v[own_channel]);
        let measured = phasors.map(|(seen, own)| direction(seen * own.conj()));
        // Voltages whose angles were assumed follow the channel numbers, not the hypothesis: keep to the nominal gap then.
        Some(measured.filter(|gap| (gap * nominal.conj()).re > ASSUMED_COSINE).unwrap_or(nominal))
    }

    /// The lag that channel `k` shows once its registers are read as the hypothesis has them; on the branch nearer to what is
    /// `expected` where only a cosine is known.
    fn seen_lag(&self, k: usize, expected: impl Fn() -> Complex64) -> Option<Complex64> {
        let channel = &self.circuit.channel[k];
        let registers = self.wiring.registers;
        match (channel.active_w, channel.reactive_var) {
            (Some(_), Some(_)) if self.features.from_factor && registers != Registers::AsDeclared => {
                Some(by_load(channel.p_per_unit()?, expected()))
            }
            // Each of these meanings undoes itself.
            (Some(p), Some(q)) => {
                let (p, q) = registers.registered(p, q);
                Some(direction(Complex64::new(p, q)))
            }
            _ => {
                let p = channel.p_per_unit()?;
                Some(match registers {
                    Registers::AsDeclared | Registers::ReactiveSign => nearest_branch(p, expected()),
                    Registers::ActiveSign | Registers::BothSigns => nearest_branch(-p, expected()),
                    Registers::Exchanged => {
                        // What is shown is the sine: the same seen from the other axis.
                        let swap = |z: Complex64| Complex64::new(z.im, z.re);
                        swap(nearest_branch(p, swap(expected())))
                    }
                    Registers::FactorLagPositive | Registers::FactorLagNegative => by_load(p, expected()),
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

/// The direction whose cosine is `p`, on the branch nearer to what is expected: a cosine does not tell lag from lead, the load's
/// own behaviour does.
fn nearest_branch(p: f64, expected: Complex64) -> Complex64 {
    let p = p.clamp(-1.0, 1.0);
    Complex64::new(p, (1.0 - p * p).sqrt().copysign(expected.im))
}

/// The same where not even the cosine's sign is told, which is the load's then too.
fn by_load(p: f64, expected: Complex64) -> Complex64 {
    nearest_branch(p.abs().copysign(expected.re), expected)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::assessment::RankedWiring;
    use crate::audit::testbench::{LoadState, Offer, context_for};
    use crate::audit::wiring::CurrentSeen;
    use crate::electrical::angle::{arg_deg, wrap_deg};
    use crate::electrical::circuit::{self, Meaning};
    use crate::electrical::voltage;

    /// A state seen through a wiring, corrected for it; `lag_deg` is where the load is expected.
    fn corrected(state: &LoadState, wiring: &Wiring, offer: Offer, lag_deg: f64) -> CorrectedPower {
        let context = context_for(offer);
        let reading = state.seen(wiring, offer, 0);
        let voltages = voltage::reconstruct(&reading, context.nominal_ln_v(), context.rotation);
        let meaning = Meaning { power_factor_signed: true, ..Meaning::default() };
        let circuit = circuit::reconstruct(&reading, &reading.circuits[0], &voltages, meaning);
        let features = Features::of(&reading.circuits[0], &circuit, &voltages, &context, [false; 3]).unwrap();
        let class = RankedWiring::of(*wiring, 1.0, context.service).class;
        correct(class, wiring, lag_deg, &features, &circuit, &voltages, &context).unwrap()
    }

    /// Where the angles between the voltages are measured they are used: uneven ones are no error of the correction.
    #[test]
    fn uneven_voltages_leave_the_correction_exact() {
        let mut state = LoadState::with(&context_for(Offer::Full), 60.0, 35.0);
        state.voltage_v[1] *= polar_deg(1.0, 4.0);
        state.voltage_v[2] *= polar_deg(1.01, -3.0);
        let seen = [Phase::B, Phase::C, Phase::A];
        let wiring = Wiring {
            current: seen.map(|phase| CurrentSeen::Conductor { phase, reversed: phase == Phase::C }),
            ..Wiring::INTENDED
        };
        let found = corrected(&state, &wiring, Offer::Full, 20.0);
        let truth = state.true_power();
        assert!(
            magnitude(Complex64::new(found.total_w, found.total_var) - truth) < 1e-6 * magnitude(truth),
            "{found:?}"
        );
    }

    /// Watts alone, whatever they mean: the load's own behaviour tells lag from lead.
    #[test]
    fn watts_of_another_meaning_are_put_right() {
        let state = LoadState::with(&context_for(Offer::Watts), 60.0, 35.0);
        let truth = state.true_power();
        let meanings = [Registers::ReactiveSign, Registers::ActiveSign, Registers::BothSigns, Registers::Exchanged];
        for registers in meanings {
            let found = corrected(&state, &Wiring { registers, ..Wiring::INTENDED }, Offer::Watts, 30.0);
            let off = Complex64::new(found.total_w, found.total_var) - truth;
            assert!(magnitude(off) < 1e-6 * magnitude(truth), "{registers:?}: {found:?}");
        }
    }

    /// Of the two angles with one cosine, the one nearer to what is expected; all around the circle.
    #[test]
    fn a_cosine_is_on_the_branch_nearer_to_what_is_expected() {
        for seen_deg in (-170..=170).step_by(20).map(f64::from) {
            for expected_deg in (-170..=170).step_by(20).map(f64::from) {
                let found = arg_deg(nearest_branch(seen_deg.to_radians().cos(), polar_deg(1.0, expected_deg)));
                let off = |deg: f64| wrap_deg(deg - expected_deg).abs();
                let nearer = if off(seen_deg) <= off(-seen_deg) { seen_deg } else { -seen_deg };
                assert!((found - nearer).abs() < 1e-6, "{seen_deg} {expected_deg}: {found}");
            }
        }
    }

    #[test]
    fn a_factor_without_a_sign_has_the_loads() {
        let found = by_load(0.5, polar_deg(1.0, -170.0));
        assert!((arg_deg(found) + 120.0).abs() < 1e-9);
    }
}
