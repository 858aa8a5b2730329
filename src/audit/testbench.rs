//! A small phasor bench for the core's unit tests: true phasors seen through a wiring. The sampled-waveform simulator
//! and the circuit-simulator fixtures are the independent proof; this only gives quick, exact cases.

use num_complex::Complex64;

use super::assessment::Assessment;
use super::auditor::CircuitAuditor;
use super::context::CircuitContext;
use super::evidence::Features;
use super::wiring::{CurrentSeen, Wiring};
use crate::electrical::angle::{arg_deg, polar_deg, wrap_deg};
use crate::electrical::motor;
use crate::electrical::voltage::nominal_angles_deg;
use crate::reading::Measured::{self, Good, NotAvailable, NotMapped};
use crate::reading::{CircuitReading, Instant2, MonitorReading, MonoMs, Phase, UnixMs};

/// What the bench's monitor offers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Offer {
    /// V, I, P, Q per channel and voltage angles.
    Full,
    /// V, I, P per channel.
    Watts,
    /// V, I per channel, totals.
    Totals,
    /// As `Totals` without Q, PF unsigned, blank when P is not positive.
    Blanking,
}

/// True phasors of one load state.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LoadState {
    pub voltage_v: [Complex64; 3],
    pub current_a: [Complex64; 3],
}

impl LoadState {
    /// A balanced motor at `per_unit` of full-load current on the context's supply.
    pub(crate) fn motor(context: &CircuitContext, per_unit: f64) -> LoadState {
        let lag = motor::expected_lag_deg(per_unit, context.full_load_power_factor.unwrap_or(0.86)).unwrap();
        LoadState::with(context, per_unit * context.full_load_current_a.unwrap_or(77.0), lag)
    }

    /// A balanced load of given current and lag.
    pub(crate) fn with(context: &CircuitContext, current_a: f64, lag_deg: f64) -> LoadState {
        let nominal = nominal_angles_deg(context.rotation);
        LoadState {
            voltage_v: nominal.map(|deg| polar_deg(context.nominal_voltage_v / 3f64.sqrt(), deg)),
            current_a: nominal.map(|deg| polar_deg(current_a, deg - lag_deg)),
        }
    }

    pub(crate) fn true_power(&self) -> Complex64 {
        (0..3).map(|k| self.voltage_v[k] * self.current_a[k].conj()).sum()
    }

    /// The reading of a monitor wired so.
    pub(crate) fn seen(&self, wiring: &Wiring, offer: Offer, at_ms: u64) -> MonitorReading {
        let v = [0, 1, 2].map(|k| self.voltage_v[wiring.voltage[k].index()]);
        let i = wiring.current.map(|seen| match seen {
            CurrentSeen::Conductor { phase, reversed } => {
                self.current_a[phase.index()] * if reversed { -1.0 } else { 1.0 }
            }
            CurrentSeen::AllBut { phase, reversed } => {
                let others = Phase::ALL.into_iter().filter(|p| *p != phase);
                others.map(|p| self.current_a[p.index()]).sum::<Complex64>() * if reversed { -1.0 } else { 1.0 }
            }
            CurrentSeen::OtherCircuit { .. } | CurrentSeen::Nothing | CurrentSeen::Unused => Complex64::ZERO,
        });
        let i = [0, 1, 2].map(|k| i[k] * wiring.gain[k].factor().unwrap_or(1.0));
        let s = [0, 1, 2].map(|k| {
            let true_va = v[k] * i[k].conj();
            let (p, q) = wiring.registers.registered(true_va.re, true_va.im);
            Complex64::new(p, q)
        });
        let total: Complex64 = s.iter().sum();
        let apparent: f64 = s.iter().map(|s| s.norm()).sum();
        let mut circuit = CircuitReading { current_a: i.map(|i| Good(i.norm())), ..CircuitReading::default() };
        let mut reading = MonitorReading {
            at: Instant2 { wall: UnixMs(1_700_000_000_000 + at_ms as i64), mono: MonoMs(at_ms) },
            // All else is exact, and a live device never shows the same twice: the last digits of the volts move.
            voltage_ln_v: v.map(|v| Good(v.norm() * (1.0 + 1e-15 * (at_ms % 1009) as f64))),
            ..MonitorReading::default()
        };
        match offer {
            Offer::Full => {
                reading.voltage_angle_deg = v.map(|phasor| Good(wrap_deg(arg_deg(phasor) - arg_deg(v[0]))));
                circuit.active_power_w = s.map(|s| Good(s.re));
                circuit.reactive_power_var = s.map(|s| Good(s.im));
                circuit.apparent_power_va = s.map(|s| Good(s.norm()));
                circuit.total_active_power_w = Good(total.re);
            }
            Offer::Watts => circuit.active_power_w = s.map(|s| Good(s.re)),
            Offer::Totals => {
                circuit.total_active_power_w = Good(total.re);
                circuit.total_reactive_power_var = Good(total.im);
            }
            Offer::Blanking => {
                // A pair exchanged gives exactly nothing: rounding must not decide its sign.
                let shown = |value: f64| if total.re > 1e-9 * apparent { Good(value) } else { NotAvailable };
                circuit.total_active_power_w = shown(total.re);
                circuit.total_power_factor = shown((total.re / apparent).abs());
            }
        }
        circuit.total_apparent_power_va = if offer == Offer::Watts { NotMapped } else { Good(apparent) };
        reading.circuits = vec![circuit];
        reading
    }
}

/// The context that goes with an offer.
pub(crate) fn context_for(offer: Offer) -> CircuitContext {
    let mut context = super::context::test_context();
    if offer == Offer::Blanking {
        context.blanking.when_not_positive = true;
        context.power_factor.signed_by_power = false;
    }
    context
}

/// Runs load states past an auditor, eight readings each, one second apart.
pub(crate) fn audit(context: &CircuitContext, wiring: &Wiring, offer: Offer, states: &[LoadState]) -> Assessment {
    let mut auditor = CircuitAuditor::new(context.clone());
    let mut last = None;
    for (n, state) in states.iter().enumerate() {
        for second in 0..8u64 {
            last = Some(auditor.observe(&state.seen(wiring, offer, 1000 * (8 * n as u64 + second))));
        }
    }
    last.unwrap()
}

/// The 48 wirings of the currents with voltage leads as intended.
pub(crate) fn relative_wirings() -> Vec<Wiring> {
    let mut all = Vec::new();
    for order in [[0, 1, 2], [0, 2, 1], [2, 1, 0], [1, 0, 2], [1, 2, 0], [2, 0, 1]] {
        for polarity in 0..8u8 {
            let current = [0, 1, 2].map(|k| CurrentSeen::Conductor {
                phase: Phase::from_index(order[k]),
                reversed: polarity & (1 << k) != 0,
            });
            all.push(Wiring { current, ..Wiring::INTENDED });
        }
    }
    all
}

/// Features of an even load that shows no power yet.
pub(crate) fn even_features(current_a: f64) -> Features {
    Features {
        mean_current_a: current_a,
        voltage_per_unit: 1.0,
        current_a: [current_a; 3],
        starting: false,
        from_factor: false,
        others_running: 0,
        weight: [1.0 / 3.0; 3],
        voltage_alive: [true; 3],
        current_alive: [true; 3],
        supply: None,
        p: [None; 3],
        q: [None; 3],
        unsigned_pf: [None; 3],
        total_p: None,
        total_q: None,
        total_unsigned_pf: None,
        blanked: false,
    }
}

/// A value as a monitor would give it, for tests that spoil one.
pub(crate) fn spoil(reading: &mut MonitorReading, with: Measured) {
    reading.voltage_ln_v[1] = with;
}

/// Random posteriors over real wirings of a service: groups, members and what is left unexplained, with the verdict that follows.
pub(crate) mod posterior {
    use proptest::prelude::*;

    use crate::audit::assessment::{Diagnosis, EvidenceLevel, RankedWiring, WiringGroup};
    use crate::audit::context::ServiceKind;
    use crate::audit::diagnosis::verdict;
    use crate::audit::hypotheses::classes;
    use crate::audit::wiring::Wiring;
    use crate::audit::words::describe_wiring;

    /// A service and a posterior over some of its wirings, a few of them or many, one of them clearly ahead or none.
    pub(crate) fn drawn() -> impl Strategy<Value = (ServiceKind, Diagnosis)> {
        let service = prop::sample::select(ServiceKind::ALL.to_vec());
        let members = prop::collection::vec((any_index(), 0usize..4, 1u32..1_000_000), 1..12);
        // The first weighs what is drawn here beside all others, so that settled and open posteriors both come up.
        let ahead = prop_oneof![Just(0.0), 0.5..0.88f64, 0.92..0.99f64];
        let unexplained = prop_oneof![Just(0.0), 0.0..0.1f64, 0.0..1.0f64];
        let level =
            prop::sample::select(vec![EvidenceLevel::PerChannelPq, EvidenceLevel::PerChannelP, EvidenceLevel::Totals]);
        (service, members, ahead, unexplained, level).prop_map(|(service, members, ahead, unexplained, level)| {
            (service, diagnosis(service, &members, ahead, unexplained, level))
        })
    }

    fn any_index() -> impl Strategy<Value = prop::sample::Index> {
        any::<prop::sample::Index>()
    }

    fn diagnosis(
        service: ServiceKind,
        drawn: &[(prop::sample::Index, usize, u32)],
        ahead: f64,
        unexplained: f64,
        level: EvidenceLevel,
    ) -> Diagnosis {
        let known: Vec<Wiring> = classes(service).all.iter().flat_map(|c| &c.members).map(|m| m.wiring).collect();
        let mut members: Vec<(Wiring, usize, f64)> = Vec::new();
        for (index, group, weight) in drawn {
            let wiring = *index.get(&known);
            // Two wirings of one description would be one statement of two probabilities.
            if members.iter().all(|(other, ..)| describe_wiring(other) != describe_wiring(&wiring)) {
                members.push((wiring, *group, f64::from(*weight)));
            }
        }
        let sum: f64 = members.iter().map(|(.., weight)| weight).sum();
        let left = (1.0 - unexplained) * if members.len() > 1 { 1.0 - ahead } else { 1.0 };
        for (n, (.., weight)) in members.iter_mut().enumerate() {
            *weight *= left / sum;
            if n == 0 && left < 1.0 - unexplained {
                *weight += (1.0 - unexplained) * ahead;
            }
        }
        let mut groups: Vec<WiringGroup> = (0..4)
            .map(|of| {
                let of_group = members.iter().filter(|(_, group, _)| *group == of);
                let mut members: Vec<RankedWiring> =
                    of_group.map(|(wiring, _, probability)| RankedWiring::of(*wiring, *probability, service)).collect();
                members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
                WiringGroup {
                    probability: members.iter().map(|m| m.probability).sum(),
                    power_right: members.iter().all(|m| m.power_right),
                    members,
                }
            })
            .filter(|group| !group.members.is_empty())
            .collect();
        groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        let right = groups.iter().flat_map(|g| &g.members).filter(|m| m.power_right);
        let sound: f64 = right.map(|m| m.probability).sum();
        Diagnosis {
            level,
            verdict: verdict(level, sound, unexplained, 10),
            groups: groups.into(),
            sound_probability: sound,
            unexplained_probability: unexplained,
            readings_used: 10,
            load_levels: 1,
            ..Diagnosis::none()
        }
    }
}
