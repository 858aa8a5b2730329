//! Wiring hypotheses: for every channel, the conductor it sees and its polarity.
//!
//! Pure data. Must never weigh evidence: that is `diagnosis`.

use crate::reading::Phase;

/// What one current channel sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum CurrentSeen {
    /// The channel sees this phase's conductor.
    Conductor {
        /// The phase.
        phase: Phase,
        /// True when the CT or its pair is the wrong way round.
        reversed: bool,
    },
    /// Nothing arrives: CT open, shorted, a lead off, or on another pump.
    Nothing,
}

/// A hypothesis about one circuit: shared voltage channels and its own current channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Wiring {
    /// Phase each voltage channel is on.
    pub voltage: [Phase; 3],
    /// What each current channel sees.
    pub current: [CurrentSeen; 3],
    /// A supply conductor of the load that carries no current (blown fuse, open contactor pole): not a metering
    /// mistake, but it looks like one and must be told apart.
    pub lost_phase: Option<Phase>,
}

impl Wiring {
    /// Every lead on its own phase, every CT the right way round.
    pub const INTENDED: Wiring = Wiring {
        voltage: Phase::ALL,
        current: [
            CurrentSeen::Conductor { phase: Phase::A, reversed: false },
            CurrentSeen::Conductor { phase: Phase::B, reversed: false },
            CurrentSeen::Conductor { phase: Phase::C, reversed: false },
        ],
        lost_phase: None,
    };

    /// The current channel that sees `phase`, if any.
    pub fn channel_of(&self, phase: Phase) -> Option<usize> {
        self.current.iter().position(|seen| matches!(seen, CurrentSeen::Conductor { phase: p, .. } if *p == phase))
    }

    /// The voltage channel on `phase`.
    pub fn voltage_channel_of(&self, phase: Phase) -> Option<usize> {
        self.voltage.iter().position(|p| *p == phase)
    }
}
