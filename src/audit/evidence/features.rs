//! What one steady reading says of a circuit's wiring, per unit of V x I so that the load drops out.
//!
//! Must never weigh a hypothesis, nor take what is not known for nothing.

use serde::{Deserialize, Serialize};

use crate::audit::assessment::EvidenceLevel;
use crate::audit::context::CircuitContext;
use crate::audit::unbalance::SupplyUnbalance;
use crate::electrical::circuit::Circuit;
use crate::electrical::voltage::{DEAD_VOLTAGE_SHARE, Voltages};
use crate::reading::{CircuitReading, Measured};

/// A current below this share of the largest is no current.
pub const DEAD_CURRENT_SHARE: f64 = 0.05;

/// Channels of one load whose currents differ by more than this share are not metered alike: with one phase of the
/// supply 3 % low an idling motor still comes to about 0.67, a CT of twice the ratio entered to 0.5.
pub const UNEVEN_CURRENT_SHARE: f64 = 0.6;

/// A power factor above this does not turn its sign with the load: its angle would have to move by more than 24 degrees.
const MAY_TURN_BLANK: f64 = 0.4;

/// What one steady reading (or the mean of many) says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Features {
    /// Mean current of the channels that carry any, A.
    pub mean_current_a: f64,
    /// Voltage of the channels that carry any, over the nominal one.
    #[serde(default = "nominal")]
    pub voltage_per_unit: f64,
    /// Current per channel, A; zero where a service has no CT.
    pub current_a: [f64; 3],
    /// Taken while the motor runs up: its lag is that of a locked rotor.
    pub starting: bool,
    /// Active power was derived from power factor: its sign means what the sign of power factor means.
    pub from_factor: bool,
    /// Other circuits of the monitor that run, by slot, bit by bit.
    pub others_running: u32,
    /// V x I per channel over their sum.
    pub weight: [f64; 3],
    /// The channel has voltage.
    pub voltage_alive: [bool; 3],
    /// The channel has current.
    pub current_alive: [bool; 3],
    /// How uneven the supply is, where the channels are three even voltages to neutral.
    #[serde(default)]
    pub supply: Option<SupplyUnbalance>,
    /// P / (V I) per channel.
    pub p: [Option<f64>; 3],
    /// Q / (V I) per channel.
    pub q: [Option<f64>; 3],
    /// |PF| per channel where the sign is not known.
    pub unsigned_pf: [Option<f64>; 3],
    /// Total P over the sum of V x I.
    pub total_p: Option<f64>,
    /// Total Q over the sum of V x I.
    pub total_q: Option<f64>,
    /// |PF| in total where the sign is not known.
    pub total_unsigned_pf: Option<f64>,
    /// The monitor blanks P although current flows, and its rule says a blank means P <= 0.
    pub blanked: bool,
}

/// Voltage over the nominal one where it is not known.
fn nominal() -> f64 {
    1.0
}

/// Mean voltage of the usable channels over the nominal one.
fn supplied(usable: [bool; 3], circuit: &Circuit, nominal_v: &[f64; 3]) -> f64 {
    /// What is beyond is no supply's but a ratio's, and says nothing of it.
    const POSSIBLE: std::ops::RangeInclusive<f64> = 0.8..=1.2;
    let (mut sum_v, mut sum_nominal_v) = (0.0, 0.0);
    for k in (0..3).filter(|k| usable[*k]) {
        let Some(v) = circuit.channel[k].voltage_v else { continue };
        sum_v += v;
        sum_nominal_v += nominal_v[k];
    }
    let per_unit = sum_v / sum_nominal_v;
    if POSSIBLE.contains(&per_unit) { per_unit } else { nominal() }
}

impl Features {
    /// Extracts what a reading of a running circuit says; `None` when a current is not known, or when there is no
    /// current or no voltage to speak of. A `foreign` channel shows another circuit's current.
    pub fn of(
        reading: &CircuitReading,
        circuit: &Circuit,
        voltages: &Voltages,
        context: &CircuitContext,
        foreign: [bool; 3],
    ) -> Option<Features> {
        let mut current = [0.0; 3];
        for &k in context.service.channels() {
            // A current that is not known is not a current of nothing: a failed read must never look like an open CT.
            current[k] = circuit.channel[k].current_a?;
        }
        let own = || (0..3).filter(|k| !foreign[*k]);
        let largest = own().map(|k| current[k]).fold(0.0, f64::max);
        if largest <= 0.0 || !largest.is_finite() {
            return None;
        }
        let used = [0, 1, 2].map(|k| context.service.channels().contains(&k));
        let nominal_v = [0, 1, 2].map(|k| context.service.nominal_channel_v(k, context.nominal_voltage_v));
        let voltage_alive = [0, 1, 2].map(|k| {
            let by_channel = circuit.channel[k].voltage_v.is_some_and(|v| v >= DEAD_VOLTAGE_SHARE * nominal_v[k]);
            used[k] && if context.service.symmetrical() { voltages.phasor_v[k].is_some() } else { by_channel }
        });
        // What another circuit's current does says nothing of this one.
        let current_alive = [0, 1, 2].map(|k| !foreign[k] && current[k] > DEAD_CURRENT_SHARE * largest);
        let usable = [0, 1, 2].map(|k| voltage_alive[k] && current_alive[k]);
        let va = [0, 1, 2].map(|k| if usable[k] { circuit.channel[k].volt_amps.unwrap_or(0.0) } else { 0.0 });
        let sum_va: f64 = va.iter().sum();
        if sum_va <= 0.0 {
            return None;
        }
        let pick = |value: Option<f64>, k: usize| value.filter(|v| usable[k] && v.is_finite());
        let per_channel_any = (0..3).any(|k| circuit.channel[k].p_per_unit().is_some());
        let blank = |m: Measured| m == Measured::NotAvailable;
        let blanked = context.blanking.when_not_positive
            && (blank(reading.total_active_power_w)
                || (!per_channel_any
                    && blank(reading.total_power_factor)
                    && reading.total_active_power_w.good().is_none()));
        let all_own = foreign == [false; 3];
        let carrying = || (0..3).filter(|k| current_alive[*k]);
        let alive = carrying().count().max(1) as f64;
        let from_factor = reading.active_power_w.iter().all(|w| w.good().is_none())
            && reading.total_active_power_w.good().is_none()
            && context.power_factor.signed_by_power;
        Some(Features {
            mean_current_a: carrying().map(|k| current[k]).sum::<f64>() / alive,
            voltage_per_unit: supplied(usable, circuit, &nominal_v),
            current_a: current,
            starting: false,
            from_factor,
            others_running: 0,
            weight: va.map(|v| v / sum_va),
            voltage_alive,
            current_alive,
            supply: SupplyUnbalance::of(voltages, context.rotation).filter(|_| context.service.symmetrical()),
            p: [0, 1, 2].map(|k| pick(circuit.channel[k].p_per_unit(), k)),
            q: [0, 1, 2].map(|k| pick(circuit.channel[k].q_per_unit(), k)),
            unsigned_pf: [0, 1, 2].map(|k| pick(circuit.channel[k].unsigned_power_factor, k)),
            // A total holds the other circuit's part as well.
            total_p: circuit.total.active_w.map(|w| w / sum_va).filter(|_| all_own),
            total_q: circuit.total.reactive_var.map(|var| var / sum_va).filter(|_| all_own),
            total_unsigned_pf: circuit.total.unsigned_power_factor.filter(|_| all_own),
            blanked,
        })
    }

    /// Mean current at which the same load would lag as much on its nominal voltage, A: a motor and a capacitor at one slip draw
    /// currents in proportion to the voltage, so their whole circle diagram is drawn to its scale.
    pub fn mean_at_nominal_a(&self) -> f64 {
        self.mean_current_a / self.voltage_per_unit
    }

    /// Natural logarithm of each channel's current against the geometric mean of all that carry any; `None` for a channel
    /// that carries none.
    pub fn ln_share(&self) -> [Option<f64>; 3] {
        about_mean([0, 1, 2].map(|k| self.current_alive[k].then(|| self.current_a[k].ln())))
    }

    /// True when power is told channel by channel.
    pub fn tells_channels(&self) -> bool {
        matches!(self.level(), EvidenceLevel::PerChannelPq | EvidenceLevel::PerChannelP)
    }

    /// What these features allow a diagnosis to use.
    pub fn level(&self) -> EvidenceLevel {
        let usable = (0..3).filter(|k| self.voltage_alive[*k] && self.current_alive[*k]).count();
        let with_p = self.p.iter().flatten().count();
        let with_pq = (0..3).filter(|k| self.p[*k].is_some() && self.q[*k].is_some()).count();
        if usable == 0 {
            EvidenceLevel::Insufficient
        } else if with_pq == usable {
            EvidenceLevel::PerChannelPq
        } else if with_p == usable || self.unsigned_pf.iter().flatten().count() == usable {
            EvidenceLevel::PerChannelP
        } else if self.total_p.is_some() && self.total_q.is_some() {
            EvidenceLevel::Totals
        } else if self.total_p.is_some() || self.total_unsigned_pf.is_some() || self.blanked {
            EvidenceLevel::BlankedTotals
        } else {
            EvidenceLevel::Insufficient
        }
    }

    /// True when `other` has the same values alive and available, so that the two can be averaged.
    pub(super) fn same_shape(&self, other: &Features) -> bool {
        let both = |a: &Option<f64>, b: &Option<f64>| a.is_some() == b.is_some();
        self.starting == other.starting
            && self.voltage_alive == other.voltage_alive
            && self.current_alive == other.current_alive
            && (0..3).all(|k| both(&self.p[k], &other.p[k]) && both(&self.q[k], &other.q[k]))
            && both(&self.total_p, &other.total_p)
            && both(&self.total_q, &other.total_q)
            && self.blanked == other.blanked
    }

    /// True when `other` differs only by being blank, or by showing so little that another load may blank it: a total near zero
    /// changes its sign with the load.
    pub(super) fn may_be_blank_beside(&self, other: &Features) -> bool {
        let shown = if self.blanked { other } else { self };
        let little = |value: Option<f64>| value.is_none_or(|v| v.abs() < MAY_TURN_BLANK);
        self.blanked != other.blanked
            && (self.voltage_alive, self.current_alive) == (other.voltage_alive, other.current_alive)
            && little(shown.total_p)
            && little(shown.total_unsigned_pf)
    }

    /// Largest difference of any per-unit power against `other`.
    pub(super) fn distance(&self, other: &Features) -> f64 {
        let gap = |a: Option<f64>, b: Option<f64>| a.zip(b).map_or(0.0, |(a, b)| (a - b).abs());
        let per_channel = (0..3).map(|k| gap(self.p[k], other.p[k]).max(gap(self.q[k], other.q[k])));
        let totals = gap(self.total_p, other.total_p).max(gap(self.total_q, other.total_q));
        per_channel.fold(totals, f64::max)
    }

    /// Moves towards newer features by a share of the way.
    pub(super) fn blend(&mut self, newer: &Features, share: f64) {
        let mix = |old: &mut f64, new: f64| *old += share * (new - *old);
        let mix_some = |old: &mut Option<f64>, new: Option<f64>| match (old.as_mut(), new) {
            (Some(old), Some(new)) => *old += share * (new - *old),
            (None, Some(new)) => *old = Some(new),
            _ => {}
        };
        mix(&mut self.mean_current_a, newer.mean_current_a);
        mix(&mut self.voltage_per_unit, newer.voltage_per_unit);
        self.others_running = newer.others_running;
        match (self.supply.as_mut(), &newer.supply) {
            (Some(supply), Some(newer)) => supply.blend(newer, share),
            (_, newer) => self.supply = *newer,
        }
        for k in 0..3 {
            mix(&mut self.current_a[k], newer.current_a[k]);
            mix(&mut self.weight[k], newer.weight[k]);
            mix_some(&mut self.p[k], newer.p[k]);
            mix_some(&mut self.q[k], newer.q[k]);
            mix_some(&mut self.unsigned_pf[k], newer.unsigned_pf[k]);
        }
        mix_some(&mut self.total_p, newer.total_p);
        mix_some(&mut self.total_q, newer.total_q);
        mix_some(&mut self.total_unsigned_pf, newer.total_unsigned_pf);
    }
}

/// Each value less the mean of those there are.
pub(super) fn about_mean(values: [Option<f64>; 3]) -> [Option<f64>; 3] {
    let there = values.iter().flatten().count();
    let mean = values.iter().flatten().sum::<f64>() / there.max(1) as f64;
    values.map(|value| value.map(|value| value - mean))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::testbench::{LoadState, Offer, context_for};
    use crate::audit::wiring::Wiring;
    use crate::electrical::{circuit, voltage};

    /// A sag is the supply's and draws the load's circle smaller; twice the volts are a transformer's ratio, and say nothing.
    #[test]
    fn only_what_a_supply_may_have_is_its_voltage() {
        let context = context_for(Offer::Full);
        let of = |scale: f64| {
            let mut state = LoadState::motor(&context, 0.8);
            state.voltage_v = state.voltage_v.map(|v| v * scale);
            let reading = state.seen(&Wiring::INTENDED, Offer::Full, 0);
            let voltages = voltage::reconstruct(&reading, context.nominal_ln_v(), context.rotation);
            let meaning = circuit::Meaning {
                power_factor_signed: true,
                reactive_unsigned: false,
                between_lines: false,
                unused: [false; 3],
            };
            let circuit = circuit::reconstruct(&reading, &reading.circuits[0], &voltages, meaning);
            Features::of(&reading.circuits[0], &circuit, &voltages, &context, [false; 3]).unwrap()
        };
        let amps = of(1.0).mean_current_a;
        for (scale, as_if) in [(0.9, amps / 0.9), (1.1, amps / 1.1), (2.0, amps), (0.5, amps)] {
            let found = of(scale).mean_at_nominal_a();
            assert!((found / as_if - 1.0).abs() < 1e-6, "{scale}: {found} A for {as_if}");
        }
    }
}
