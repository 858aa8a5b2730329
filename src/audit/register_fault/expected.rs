//! What is known of a monitor's values before they are read: nominal voltage, and the size of each circuit.

use crate::audit::context::{CircuitContext, ServiceKind};

/// What is known of one monitor.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Expected {
    /// Nominal voltage to neutral, V. Unknown when only a map is tried.
    pub nominal_ln_v: Option<f64>,
    /// Voltages to neutral mean something: four-wire.
    pub four_wire: bool,
    /// Powers at any angle to S are nothing unusual, since leads may be wrong: nothing is blamed for what wrong leads show.
    /// Where false, wrong leads are weighed as the exception they are.
    pub any_angle: bool,
    /// The circuits that are configured; other slots are not looked at.
    pub circuits: Vec<ExpectedCircuit>,
}

/// What is known of one circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExpectedCircuit {
    /// Slot on the monitor, from 0.
    pub slot: usize,
    /// Least and largest current of an ordinary run, A.
    pub running_a: (f64, f64),
    /// Currents up to here may be a stopped pump, A.
    pub idle_a: f64,
}

impl ExpectedCircuit {
    /// A circuit of which nothing is known: anything from a small motor to a large one.
    pub fn unknown(slot: usize) -> ExpectedCircuit {
        ExpectedCircuit { slot, running_a: (0.5, 5000.0), idle_a: 0.5 }
    }

    fn of(context: &CircuitContext) -> ExpectedCircuit {
        let slot = context.slot;
        if let Some(full) = context.full_load_current_a {
            // A motor's current does not fall below about a quarter of full load; drives and heaters go lower.
            ExpectedCircuit { slot, running_a: (0.05 * full, 1.5 * full), idle_a: 0.05 * full }
        } else if let Some(primary) = context.ct_primary_a {
            ExpectedCircuit { slot, running_a: (0.02 * primary, 1.2 * primary), idle_a: 0.02 * primary }
        } else {
            ExpectedCircuit::unknown(slot)
        }
    }
}

impl Expected {
    /// What the circuits of one monitor tell together.
    pub fn of<'a>(contexts: impl IntoIterator<Item = &'a CircuitContext>) -> Expected {
        let mut expected = Expected { any_angle: true, ..Expected::default() };
        // Two elements, a high leg and one-phase services relate channels in other ways than are weighed here: there a
        // diagnosis of the registers would accuse sound maps.
        for context in contexts.into_iter().filter(|context| context.service.symmetrical()) {
            expected.nominal_ln_v = Some(context.nominal_ln_v());
            expected.four_wire = context.service == ServiceKind::Wye4;
            expected.circuits.push(ExpectedCircuit::of(context));
        }
        expected
    }

    /// A monitor with this many slots of which at most the nominal voltage between phases (V) is known.
    pub fn unknown(nominal_voltage_v: Option<f64>, slots: usize) -> Expected {
        Expected {
            nominal_ln_v: nominal_voltage_v.map(|v| v / 3f64.sqrt()),
            four_wire: true,
            any_angle: true,
            circuits: (0..slots).map(ExpectedCircuit::unknown).collect(),
        }
    }
}
