//! How often each kind of mistake is met, relative to none.
//!
//! Common practice, no source: an exchange is the commonest slip, a reversed CT next; a wrong place in all three leads at
//! once is rarer, and independent slips multiply. Must never depend on a reading.

use super::{ROTATES_BACK, VOLTAGE_STATES};
use crate::audit::wiring::{Gain, Registers};

/// Orders of three leads: none moved, the three exchanges, the two rolls.
pub(super) const PERMUTATIONS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [2, 1, 0], [1, 0, 2], [1, 2, 0], [2, 0, 1]];

/// Two CT pairs exchanged (each of three pairs).
const CURRENT_EXCHANGED: f64 = 0.03;
/// CT pairs rolled by one place (each of two ways).
const CURRENT_ROLLED: f64 = 0.01;
/// One CT reversed (each of three).
pub(super) const REVERSED: f64 = 0.03;
/// All three reversed: one mistake (all mounted facing the load), not three.
pub(super) const ALL_REVERSED: f64 = 0.02;
/// One channel without current (each of three).
pub(super) const NOTHING: f64 = 0.01;
/// The load has lost a phase (each of three).
pub(super) const LOST_PHASE: f64 = 0.002;
/// A CT on a conductor that another CT is on as well (each of six ways).
pub(super) const SAME_CONDUCTOR: f64 = 0.002;
/// A CT closed around two conductors (each of nine ways).
pub(super) const TWO_CONDUCTORS: f64 = 0.001;
const SUPPLY_ROTATES_BACK: f64 = 0.01;

/// Ratios that all CTs of a circuit may be wrong by, with their odds: the other tap, the next size, a decimal place.
pub(super) const COMMON_GAINS: [(Gain, f64); 6] = [
    (Gain::Times(1, 2), 0.003),
    (Gain::Times(2, 1), 0.003),
    (Gain::Times(1, 10), 0.001),
    (Gain::Times(10, 1), 0.001),
    (Gain::Times(2, 3), 0.001),
    (Gain::Times(3, 2), 0.001),
];

pub(super) fn is_odd(permutation: [usize; 3]) -> bool {
    matches!(permutation, [0, 2, 1] | [2, 1, 0] | [1, 0, 2])
}

/// A state of the voltage leads.
pub(super) fn voltage(state: usize) -> f64 {
    const ODDS: [f64; VOLTAGE_STATES] = [1.0, 0.02, 0.02, 0.02, 0.006, 0.006, SUPPLY_ROTATES_BACK];
    const { assert!(ODDS[ROTATES_BACK] == SUPPLY_ROTATES_BACK) };
    ODDS[state]
}

/// An order of the CT pairs.
pub(super) fn current(permutation: [usize; 3]) -> f64 {
    if permutation == [0, 1, 2] {
        1.0
    } else if is_odd(permutation) {
        CURRENT_EXCHANGED
    } else {
        CURRENT_ROLLED
    }
}

/// A meaning of the registers other than the map says. A slip between conventions is commoner than one between registers.
pub(super) fn registers(registers: Registers) -> f64 {
    match registers {
        Registers::AsDeclared => 1.0,
        Registers::ReactiveSign
        | Registers::BothSigns
        | Registers::FactorLagPositive
        | Registers::FactorLagNegative => 0.005,
        Registers::ActiveSign | Registers::Exchanged => 0.002,
    }
}
