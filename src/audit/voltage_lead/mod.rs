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

use serde::{Deserialize, Serialize};

use super::context::ServiceKind;

pub use checks::VoltageCheck;
pub use means::{Change, VoltageEvidence, VoltageMeans};
pub use state::{VoltageState, WrongRatio};
pub use weigh::{Group, VoltageDiagnosis, weigh};

/// What is known of the voltage channels in advance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VoltageService {
    /// Connection.
    pub system: ServiceKind,
    /// Nominal voltage, V: between phases, between the outer conductors (split phase), or to neutral (single phase).
    pub nominal_v: f64,
    /// The channels are fed by voltage transformers. Without them a wrong ratio can still be set in the monitor.
    pub transformers: bool,
}

impl VoltageService {
    /// Nominal voltage to neutral of an ordinary phase, V: the unit of the model.
    fn unit_v(self) -> f64 {
        match self.system {
            ServiceKind::HighLegDelta | ServiceKind::SplitPhase => self.nominal_v / 2.0,
            ServiceKind::SinglePhase => self.nominal_v,
            _ => self.nominal_v / 3f64.sqrt(),
        }
    }
}
