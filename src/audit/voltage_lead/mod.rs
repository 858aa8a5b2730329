//! Which state of the shared voltage leads a monitor's voltages tell of: sound, a lead off, a fuse, a phase of the supply,
//! a voltage transformer.
//!
//! The way of a reading: [`VoltageEvidence`] keeps a running mean of constant size, `weigh` compares it with what `model`
//! says each [`VoltageState`] would show, `checks` names the measurement that tells the likeliest apart. The currents are
//! not looked at here. Must never judge the order of the leads by itself: three equal voltages tell nothing of it.

mod checks;
mod means;
mod model;
#[cfg(test)]
mod simulated_tests;
mod state;
#[cfg(test)]
mod tests;
mod weigh;

pub use checks::VoltageCheck;
pub use means::{Change, VoltageEvidence, VoltageMeans};
pub use state::{VoltageState, WrongRatio};
pub use weigh::{Group, VoltageDiagnosis, weigh};

/// How the monitor's voltage channels are connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum VoltageSystem {
    /// Three phases and neutral.
    Wye4,
    /// Three phases without neutral; voltages to neutral, if reported, are to the monitor's own star point.
    Delta3,
    /// Three phases on two elements: channels 1-2 and 3-2, lead 2 common.
    TwoElement,
    /// Two voltage transformers in open delta, lead 2 common.
    OpenDelta,
    /// Four-wire delta, the middle of one winding grounded: phase B is the high leg (NFPA 70, 110.15, from memory).
    HighLegDelta,
    /// Two conductors and their midpoint.
    SplitPhase,
    /// One conductor and neutral.
    SinglePhase,
}

/// What is known of the voltage channels in advance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageService {
    /// Connection.
    pub system: VoltageSystem,
    /// Nominal voltage, V: between phases, between the outer conductors (split phase), or to neutral (single phase).
    pub nominal_v: f64,
    /// The channels are fed by voltage transformers. Without them a wrong ratio can still be set in the monitor.
    pub transformers: bool,
}

impl VoltageService {
    /// Nominal voltage to neutral of an ordinary phase, V: the unit of the model.
    fn unit_v(self) -> f64 {
        match self.system {
            VoltageSystem::HighLegDelta | VoltageSystem::SplitPhase => self.nominal_v / 2.0,
            VoltageSystem::SinglePhase => self.nominal_v,
            _ => self.nominal_v / 3f64.sqrt(),
        }
    }
}

impl VoltageSystem {
    /// Voltage channels in use.
    pub fn channels(self) -> usize {
        match self {
            VoltageSystem::SinglePhase => 1,
            VoltageSystem::SplitPhase => 2,
            _ => 3,
        }
    }

    /// The monitor has a neutral lead.
    pub fn has_neutral(self) -> bool {
        !self.is_three_wire()
    }

    fn is_three_wire(self) -> bool {
        matches!(self, VoltageSystem::Delta3 | VoltageSystem::TwoElement | VoltageSystem::OpenDelta)
    }

    /// Lead 2 is the common one of two elements.
    fn is_two_element(self) -> bool {
        matches!(self, VoltageSystem::TwoElement | VoltageSystem::OpenDelta)
    }
}
