//! Joins run state, checks, evidence, diagnosis and correction of one circuit into one step per reading.

use super::assessment::Assessment;
use super::context::CircuitContext;
use crate::reading::MonitorReading;

/// The audit of one circuit: constant-size state, one step per reading.
#[derive(Debug, Clone)]
pub struct CircuitAuditor {
    context: CircuitContext,
}

impl CircuitAuditor {
    /// Starts with nothing seen.
    pub fn new(context: CircuitContext) -> Self {
        CircuitAuditor { context }
    }

    /// What it was told in advance.
    pub fn context(&self) -> &CircuitContext {
        &self.context
    }

    /// Takes one reading of the circuit's monitor and returns the assessment it leads to. Never fails: what is
    /// missing or impossible in the reading becomes a finding.
    pub fn observe(&mut self, reading: &MonitorReading) -> Assessment {
        let _ = reading;
        unreachable!("skeleton")
    }
}
