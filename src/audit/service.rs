//! The voltage systems the audit knows: which channels each uses, and at what angle a channel's voltage stands to the
//! conductors whose current it meets.
//!
//! Angles are in steps of 30 degrees for a supply that rotates ABC, phase A to neutral at 0. Must never look at a reading.

use super::context::ServiceKind;
use super::wiring::{CurrentSeen, Registers, Wiring};
use crate::reading::Phase;

/// Angle of a phase of a three-phase supply, steps of 30 degrees.
const PHASE_STEP: [i32; 3] = [0, -4, 4];

impl ServiceKind {
    /// All of them.
    pub const ALL: [ServiceKind; 7] = [
        ServiceKind::Wye4,
        ServiceKind::Delta3,
        ServiceKind::TwoElement,
        ServiceKind::OpenDelta,
        ServiceKind::HighLegDelta,
        ServiceKind::SplitPhase,
        ServiceKind::SinglePhase,
    ];

    /// Channels that carry a current, from 0. Two-element metering has none on B: its current follows from the others.
    pub fn channels(self) -> &'static [usize] {
        match self {
            ServiceKind::Wye4 | ServiceKind::Delta3 | ServiceKind::HighLegDelta => &[0, 1, 2],
            ServiceKind::TwoElement | ServiceKind::OpenDelta => &[0, 2],
            ServiceKind::SplitPhase => &[0, 1],
            ServiceKind::SinglePhase => &[0],
        }
    }

    /// Conductors that carry a load's current.
    pub fn phases(self) -> &'static [Phase] {
        match self {
            ServiceKind::SplitPhase => &Phase::ALL[..2],
            ServiceKind::SinglePhase => &Phase::ALL[..1],
            _ => &Phase::ALL,
        }
    }

    /// True when a channel's voltage is that between two leads.
    pub fn between_lines(self) -> bool {
        matches!(self, ServiceKind::TwoElement | ServiceKind::OpenDelta)
    }

    /// True when the three voltage channels are a set of three equal voltages 120 degrees apart.
    pub fn symmetrical(self) -> bool {
        matches!(self, ServiceKind::Wye4 | ServiceKind::Delta3)
    }

    /// True when a load is fed by three phases.
    pub fn three_phase(self) -> bool {
        self.phases().len() == 3
    }

    /// The wiring as intended: every lead on its own phase, every CT the right way round.
    pub fn intended(self) -> Wiring {
        let current = [0, 1, 2].map(|k| {
            if self.channels().contains(&k) {
                CurrentSeen::Conductor { phase: Phase::ALL[k], reversed: false }
            } else {
                CurrentSeen::Unused
            }
        });
        Wiring { current, registers: Registers::AsDeclared, ..Wiring::INTENDED }
    }

    /// Voltage channels in use: on two elements the three leads, whose voltages are taken between them.
    pub fn voltage_channels(self) -> usize {
        match self {
            ServiceKind::SinglePhase => 1,
            ServiceKind::SplitPhase => 2,
            _ => 3,
        }
    }

    /// Voltages between channels 1-2, 2-3, 3-1 that exist.
    pub fn line_voltages(self) -> &'static [usize] {
        match self {
            ServiceKind::SinglePhase => &[],
            ServiceKind::SplitPhase => &[0],
            _ => &[0, 1, 2],
        }
    }

    /// The monitor has a neutral lead.
    pub fn has_neutral(self) -> bool {
        !self.is_three_wire()
    }

    /// Three phases without a neutral.
    pub fn is_three_wire(self) -> bool {
        matches!(self, ServiceKind::Delta3 | ServiceKind::TwoElement | ServiceKind::OpenDelta)
    }

    /// Nominal voltage of channel `k`, V, of a service whose nominal voltage (between phases; across the load when there is
    /// one phase only) is `nominal_v`. High leg: the mid-tap lies between A and C, so B stands sqrt(3)/2 of it above neutral.
    pub fn nominal_channel_v(self, k: usize, nominal_v: f64) -> f64 {
        match self {
            ServiceKind::Wye4 | ServiceKind::Delta3 => nominal_v / 3f64.sqrt(),
            ServiceKind::TwoElement | ServiceKind::OpenDelta | ServiceKind::SinglePhase => nominal_v,
            ServiceKind::HighLegDelta if k == 1 => 0.5 * 3f64.sqrt() * nominal_v,
            ServiceKind::HighLegDelta | ServiceKind::SplitPhase => 0.5 * nominal_v,
        }
    }

    /// Angle of channel `k`'s voltage when its leads are on these phases.
    pub fn voltage_step(self, k: usize, leads: [Phase; 3]) -> i32 {
        match self {
            ServiceKind::Wye4 | ServiceKind::Delta3 => PHASE_STEP[leads[k].index()],
            // Elements A-B and C-B: lead 2 is common to both.
            ServiceKind::TwoElement | ServiceKind::OpenDelta => line_step(leads[k], leads[1]),
            // The neutral is the mid-point of A and C, so A and C stand opposite and B across.
            ServiceKind::HighLegDelta => [-1, -4, 5][leads[k].index()],
            ServiceKind::SplitPhase => [0, 6, 0][leads[k].index()],
            ServiceKind::SinglePhase => 0,
        }
    }

    /// Angle of the current in a conductor of a resistive load. A motor between the two legs of a split phase returns
    /// through the second.
    pub fn current_step(self, phase: Phase) -> i32 {
        match self {
            ServiceKind::SplitPhase => [0, 6, 0][phase.index()],
            ServiceKind::SinglePhase => 0,
            _ => PHASE_STEP[phase.index()],
        }
    }
}

/// Angle of the voltage from `to` up to `from`; zero between a phase and itself, where there is no voltage.
pub fn line_step(from: Phase, to: Phase) -> i32 {
    match (from.index() + 3 - to.index()) % 3 {
        // The phase before it in the rotation: 30 degrees ahead of `from`.
        2 => PHASE_STEP[from.index()] + 1,
        1 => PHASE_STEP[from.index()] - 1,
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use num_complex::Complex64;

    use super::*;
    use crate::electrical::angle::{arg_deg, polar_deg, wrap_deg};

    fn phase_v(p: Phase) -> Complex64 {
        polar_deg(1.0, 30.0 * f64::from(PHASE_STEP[p.index()]))
    }

    fn close(step: i32, phasor: Complex64) {
        let off = wrap_deg(30.0 * f64::from(step) - arg_deg(phasor));
        assert!(off.abs() < 1e-9, "{step} for {}", arg_deg(phasor));
    }

    #[test]
    fn line_voltages_stand_thirty_degrees_off() {
        for from in Phase::ALL {
            for to in Phase::ALL.into_iter().filter(|to| *to != from) {
                close(line_step(from, to), phase_v(from) - phase_v(to));
            }
        }
    }

    /// High-leg delta, 240 V: 120 V, 208 V, 120 V to the mid-tap (common practice; any code handbook), angles from geometry.
    #[test]
    fn the_high_leg_follows_from_the_mid_tap() {
        let tap = 0.5 * (phase_v(Phase::A) + phase_v(Phase::C));
        let service = ServiceKind::HighLegDelta;
        for (k, phase) in Phase::ALL.into_iter().enumerate() {
            let to_tap = phase_v(phase) - tap;
            close(service.voltage_step(k, Phase::ALL), to_tap);
            let volts = 240.0 / 3f64.sqrt() * to_tap.norm();
            assert!((service.nominal_channel_v(k, 240.0) - volts).abs() < 1e-9);
        }
        assert!((service.nominal_channel_v(1, 240.0) - 207.846).abs() < 1e-3);
    }

    #[test]
    fn every_service_knows_its_intended_wiring() {
        for service in ServiceKind::ALL {
            let wiring = service.intended();
            let used = wiring.current.iter().filter(|seen| **seen != CurrentSeen::Unused).count();
            assert_eq!(used, service.channels().len());
        }
    }
}
