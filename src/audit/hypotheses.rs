//! Every wiring the diagnosis considers for a service, how likely each is before any evidence, and what each would make
//! the channels show.
//!
//! What a channel shows depends only on its shift: the angle it adds to the load's own lag, in steps of 30 degrees.
//! Wirings with the same three shifts are one class: no reading can ever separate them, so evidence is weighed once
//! a class. Must never look at a reading.

mod enumerate;
mod odds;

use std::sync::LazyLock;

use super::context::ServiceKind;
use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

/// Shift of one channel in steps of 30 degrees (0..12), or [`NOTHING`].
pub type Shift = u8;

/// The channel sees no current.
pub const NOTHING: Shift = 12;

/// What all circuits of a monitor share: six orders of the voltage leads, and a supply that rotates back.
pub const VOLTAGE_STATES: usize = 7;
/// The state of [`VOLTAGE_STATES`] in which the leads are right and the supply rotates back.
pub const ROTATES_BACK: usize = 6;

/// Whether a state of the voltage leads, other than [`ROTATES_BACK`], turns the rotation of the channels.
pub const PERMUTATION_IS_ODD: [bool; 6] = [false, true, true, true, false, false];

/// Prior probability that none of the wirings considered is true.
pub const UNEXPLAINED_PRIOR: f64 = 1e-3;

/// Wirings that make the channels show the same thing.
#[derive(Debug, Clone)]
pub struct Class {
    /// What they make the power registers show.
    pub pattern: Pattern,
    /// Index of that among [`Classes::patterns`].
    pub pattern_index: usize,
    /// The voltage channels rotate against the expected rotation.
    pub rotation_reversed: bool,
    /// True when it registers the load's true power.
    pub power_right: bool,
    /// The wirings, most likely first.
    pub members: Vec<Member>,
    /// Sum of the members' prior probabilities.
    pub prior: f64,
    /// The same by state of the voltage leads.
    pub prior_by_voltage: [f64; VOLTAGE_STATES],
}

/// A wiring and its prior probability.
#[derive(Debug, Clone, Copy)]
pub struct Member {
    /// The wiring.
    pub wiring: Wiring,
    /// Its state of the voltage leads, one of [`VOLTAGE_STATES`].
    pub voltage: usize,
    /// Prior probability.
    pub prior: f64,
}

/// What a class makes the power registers show, whatever the rotation: classes that share it share their likelihood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Pattern {
    /// Shift per channel, for a supply that rotates ABC.
    pub shift: [Shift; 3],
    /// The load itself has lost a supply conductor.
    pub lost_phase: bool,
    /// What the power registers mean.
    pub registers: Registers,
    /// Ratio common to all channels.
    pub common_gain: Gain,
}

impl Pattern {
    /// Shift of a channel for a supply that rotates ACB: the mirror image.
    pub fn shift_for(&self, channel: usize, mirrored: bool) -> Shift {
        match self.shift[channel] {
            NOTHING => NOTHING,
            shift if mirrored => (12 - shift) % 12,
            shift => shift,
        }
    }
}

/// All classes of a service.
#[derive(Debug)]
pub struct Classes {
    /// What they make the registers show, each once.
    pub patterns: Vec<Pattern>,
    /// The classes.
    pub all: Vec<Class>,
    /// Index of the class of the intended wiring.
    pub intended: usize,
    /// Shifts that occur, without [`NOTHING`].
    pub shifts_in_use: Vec<Shift>,
}

/// The classes of a service, built once.
pub fn classes(service: ServiceKind) -> &'static Classes {
    static THREE_CTS: LazyLock<Classes> = LazyLock::new(|| enumerate::build(ServiceKind::Wye4));
    static TWO_CTS: LazyLock<Classes> = LazyLock::new(|| enumerate::build(ServiceKind::TwoElement));
    static HIGH_LEG: LazyLock<Classes> = LazyLock::new(|| enumerate::build(ServiceKind::HighLegDelta));
    static SPLIT: LazyLock<Classes> = LazyLock::new(|| enumerate::build(ServiceKind::SplitPhase));
    static SINGLE: LazyLock<Classes> = LazyLock::new(|| enumerate::build(ServiceKind::SinglePhase));
    match service {
        ServiceKind::Wye4 | ServiceKind::Delta3 => &THREE_CTS,
        ServiceKind::TwoElement | ServiceKind::OpenDelta => &TWO_CTS,
        ServiceKind::HighLegDelta => &HIGH_LEG,
        ServiceKind::SplitPhase => &SPLIT,
        ServiceKind::SinglePhase => &SINGLE,
    }
}

/// Prior probability of what a monitor's circuits share, up to a factor: a state of the voltage leads and a meaning of the
/// registers.
pub fn shared_odds(voltage: usize, registers: Registers) -> f64 {
    odds::voltage(voltage) * odds::registers(registers)
}

/// True when this wiring registers the load's true power.
pub fn power_right(wiring: &Wiring, service: ServiceKind) -> bool {
    if !wiring.ratios_right() || wiring.current.iter().any(|seen| matches!(seen, CurrentSeen::OtherCircuit { .. })) {
        return false;
    }
    let shift = shifts_of(wiring, service);
    let intended = shifts_of(&service.intended(), service);
    let turned = intended.map(|s| if s == NOTHING { s } else { (s + 6) % 12 });
    match wiring.registers {
        Registers::AsDeclared => wiring.lost_phase.is_some() || shift == intended,
        // Two mistakes that undo each other.
        Registers::BothSigns => shift == turned,
        _ => false,
    }
}

/// Shifts of a wiring, channel by channel, for rotation ABC.
pub fn shifts_of(wiring: &Wiring, service: ServiceKind) -> [Shift; 3] {
    [0, 1, 2].map(|k| {
        let Some((phase, reversed)) = wiring.current[k].shows() else { return NOTHING };
        let current = match wiring.lost_phase {
            None => service.current_step(phase),
            Some(lost) if lost == phase => return NOTHING,
            // With a conductor lost the other two carry one current between them, in step with their line voltage.
            Some(lost) => {
                let other = Phase::ALL.into_iter().find(|p| *p != lost && *p != phase).unwrap_or(phase);
                super::service::line_step(phase, other)
            }
        };
        let step = service.voltage_step(k, wiring.voltage) - current + if reversed { 6 } else { 0 };
        step.rem_euclid(12) as Shift
    })
}

#[cfg(test)]
mod tests;
