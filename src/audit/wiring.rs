//! Wiring hypotheses: for every channel, what it sees, which way round and at what ratio; and what the registers mean.
//!
//! Pure data. Must never weigh evidence: that is `diagnosis`.

use serde::{Deserialize, Serialize};

use crate::reading::Phase;

/// What one current channel sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum CurrentSeen {
    /// The channel sees this phase's conductor.
    Conductor {
        /// The phase.
        phase: Phase,
        /// True when the CT or its pair is the wrong way round.
        reversed: bool,
    },
    /// The CT is around the two conductors other than this one. They sum to this one's current reversed.
    AllBut {
        /// The conductor left out.
        phase: Phase,
        /// True when the CT or its pair is the wrong way round as well.
        reversed: bool,
    },
    /// The channel sees a conductor of another circuit of the same monitor.
    OtherCircuit {
        /// Slot of that circuit on the monitor, from 0.
        slot: usize,
        /// The phase.
        phase: Phase,
        /// True when the CT or its pair is the wrong way round.
        reversed: bool,
    },
    /// Nothing arrives: CT open, shorted, or a lead off.
    Nothing,
    /// The service has no CT here.
    Unused,
}

impl CurrentSeen {
    /// The conductor of this circuit whose current it shows, and whether that current shows reversed.
    pub fn shows(self) -> Option<(Phase, bool)> {
        match self {
            CurrentSeen::Conductor { phase, reversed } => Some((phase, reversed)),
            CurrentSeen::AllBut { phase, reversed } => Some((phase, !reversed)),
            CurrentSeen::OtherCircuit { .. } | CurrentSeen::Nothing | CurrentSeen::Unused => None,
        }
    }
}

/// The ratio at which a channel shows what its CT sees, against what the monitor was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Gain {
    /// As it was told.
    AsRated,
    /// This many times as much (numerator, denominator): another ratio than entered, or some of several parallel conductors.
    Times(u8, u8),
    /// Changing by itself: a loose connection.
    Unsteady,
}

impl Gain {
    /// Factor between what is shown and what flows; `None` when it keeps changing.
    pub fn factor(self) -> Option<f64> {
        match self {
            Gain::AsRated => Some(1.0),
            Gain::Times(num, den) => Some(f64::from(num) / f64::from(den)),
            Gain::Unsteady => None,
        }
    }
}

/// What the power registers mean, against what the map says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Registers {
    /// As the map says.
    AsDeclared,
    /// The sign of reactive power is the other way round.
    ReactiveSign,
    /// The sign of active power is the other way round.
    ActiveSign,
    /// Both signs are the other way round: generator instead of load convention.
    BothSigns,
    /// Active and reactive power are exchanged.
    Exchanged,
    /// The sign of power factor tells lag (+) from lead (-), not the direction of power.
    FactorLagPositive,
    /// The sign of power factor tells lead (+) from lag (-), not the direction of power.
    FactorLagNegative,
}

impl Registers {
    /// All of them, as declared first.
    pub const ALL: [Registers; 7] = [
        Registers::AsDeclared,
        Registers::ReactiveSign,
        Registers::ActiveSign,
        Registers::BothSigns,
        Registers::Exchanged,
        Registers::FactorLagPositive,
        Registers::FactorLagNegative,
    ];

    /// Place in [`Registers::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }

    /// What is registered as (P, Q) when the true values are these.
    pub fn registered(self, p: f64, q: f64) -> (f64, f64) {
        match self {
            Registers::AsDeclared => (p, q),
            Registers::ReactiveSign => (p, -q),
            Registers::ActiveSign => (-p, q),
            Registers::BothSigns => (-p, -q),
            Registers::Exchanged => (q, p),
            Registers::FactorLagPositive => (p.abs().copysign(q), q),
            Registers::FactorLagNegative => (p.abs().copysign(-q), q),
        }
    }
}

/// A hypothesis about one circuit: shared voltage channels and registers, its own current channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Wiring {
    /// Phase each voltage channel is on.
    pub voltage: [Phase; 3],
    /// What each current channel sees.
    pub current: [CurrentSeen; 3],
    /// The ratio of each current channel.
    pub gain: [Gain; 3],
    /// A supply conductor of the load that carries no current (blown fuse, open contactor pole): not a metering
    /// mistake, but it looks like one and must be told apart.
    pub lost_phase: Option<Phase>,
    /// The supply rotates against what was expected; the leads are right.
    pub supply_rotates_back: bool,
    /// What the power registers mean.
    pub registers: Registers,
}

impl Wiring {
    /// Every lead of a three-phase circuit with three CTs on its own phase, every CT the right way round.
    pub const INTENDED: Wiring = Wiring {
        voltage: Phase::ALL,
        current: [
            CurrentSeen::Conductor { phase: Phase::A, reversed: false },
            CurrentSeen::Conductor { phase: Phase::B, reversed: false },
            CurrentSeen::Conductor { phase: Phase::C, reversed: false },
        ],
        gain: [Gain::AsRated; 3],
        lost_phase: None,
        supply_rotates_back: false,
        registers: Registers::AsDeclared,
    };

    /// The wiring that was intended on the channels this one uses.
    #[must_use]
    pub fn intended(&self) -> Wiring {
        let mut intended = Wiring::INTENDED;
        for (meant, seen) in intended.current.iter_mut().zip(self.current) {
            if seen == CurrentSeen::Unused {
                *meant = CurrentSeen::Unused;
            }
        }
        intended
    }

    /// The current channel that sees `phase`, if any.
    pub fn channel_of(&self, phase: Phase) -> Option<usize> {
        self.current.iter().position(|seen| matches!(seen, CurrentSeen::Conductor { phase: p, .. } if *p == phase))
    }

    /// The voltage channel on `phase`.
    pub fn voltage_channel_of(&self, phase: Phase) -> Option<usize> {
        self.voltage.iter().position(|p| *p == phase)
    }

    /// True when every used channel shows its current at the ratio the monitor was told.
    pub fn ratios_right(&self) -> bool {
        self.gain == [Gain::AsRated; 3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn meanings_are_numbered_in_the_order_of_their_list() {
        for (index, registers) in Registers::ALL.into_iter().enumerate() {
            assert_eq!(registers.index(), index);
        }
    }
}
