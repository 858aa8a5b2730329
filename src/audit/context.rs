//! What the audit knows about a circuit before the first reading: service, nameplate, and what the map offers.
//!
//! Plain data, built by `station` from the configuration; the audit never sees a configuration file.

use serde::{Deserialize, Serialize};

use crate::reading::Rotation;

/// Voltage systems; what each means for the channels is in `service`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum ServiceKind {
    /// Three-phase four-wire wye: a neutral current is possible.
    Wye4,
    /// Three-phase three-wire, three CTs: phase currents sum to zero.
    Delta3,
    /// Three-phase three-wire, two CTs (on A and C), elements A-B and C-B.
    TwoElement,
    /// The same behind two voltage transformers in open delta.
    OpenDelta,
    /// Three-phase four-wire delta, neutral at the mid-point between A and C, B the high leg; three CTs.
    HighLegDelta,
    /// Single-phase three-wire: two legs opposite to each other about the neutral.
    SplitPhase,
    /// One phase.
    SinglePhase,
}

/// Kind of load, for what is expected of its power factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum LoadBehaviour {
    /// Induction motor, direct on line.
    InductionMotor,
    /// Induction motor started through thyristors, which are bypassed once it runs.
    SoftStarter,
    /// Drive front end.
    Drive,
    /// Motor with capacitor.
    MotorWithCapacitor,
    /// Resistive.
    Resistive,
    /// Not known: the widest prior.
    Unknown,
}

/// What the power-factor registers mean after decoding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct PowerFactorMeaning {
    /// The sign of PF is the sign of P. When false, PF is only a magnitude to the audit.
    pub signed_by_power: bool,
}

/// When the monitor blanks P and PF by its own rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct BlankingRule {
    /// Blank when P is not positive: a blank while running is then evidence of P <= 0.
    pub when_not_positive: bool,
    /// Blank while stopped.
    pub when_stopped: bool,
}

/// Everything known in advance about one circuit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CircuitContext {
    /// Voltage system.
    pub service: ServiceKind,
    /// Nominal voltage between phases, V.
    pub nominal_voltage_v: f64,
    /// Expected rotation at the monitor's terminals.
    pub rotation: Rotation,
    /// Circuit slot on its monitor, from 0.
    pub slot: usize,
    /// Load.
    pub load: LoadBehaviour,
    /// Full-load current, A.
    pub full_load_current_a: Option<f64>,
    /// Full-load power factor, 0..1.
    pub full_load_power_factor: Option<f64>,
    /// CT rated primary current, A.
    pub ct_primary_a: Option<f64>,
    /// True when run state comes from the status register.
    pub run_from_register: bool,
    /// Meaning of PF registers.
    pub power_factor: PowerFactorMeaning,
    /// The device reports reactive power without a sign.
    pub reactive_unsigned: bool,
    /// Blanking rule.
    pub blanking: BlankingRule,
}

impl CircuitContext {
    /// A four-wire circuit on the first slot of which only the nominal voltage between phases is known: the start from which
    /// what is known is filled in.
    pub fn unknown(nominal_voltage_v: f64) -> CircuitContext {
        CircuitContext {
            service: ServiceKind::Wye4,
            nominal_voltage_v,
            rotation: Rotation::Abc,
            slot: 0,
            load: LoadBehaviour::Unknown,
            full_load_current_a: None,
            full_load_power_factor: None,
            ct_primary_a: None,
            run_from_register: false,
            power_factor: PowerFactorMeaning { signed_by_power: true },
            reactive_unsigned: false,
            blanking: BlankingRule::default(),
        }
    }

    /// Nominal voltage to neutral, V.
    pub fn nominal_ln_v(&self) -> f64 {
        self.nominal_voltage_v / 3f64.sqrt()
    }
}

/// A 60 hp, 460 V motor on a 480 V wye: the circuit that unit tests speak of.
#[cfg(test)]
pub(crate) fn test_context() -> CircuitContext {
    CircuitContext {
        load: LoadBehaviour::InductionMotor,
        full_load_current_a: Some(77.0),
        full_load_power_factor: Some(0.86),
        ct_primary_a: Some(200.0),
        ..CircuitContext::unknown(480.0)
    }
}
