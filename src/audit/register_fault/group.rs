//! Groups of values that one line of a manual speaks of, and that one mistake in a map makes wrong together.

use crate::reading::{Measured, MonitorReading};

/// A group of values that one line of a manual speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Group {
    /// Voltages, to neutral and between phases.
    Voltage,
    /// Currents.
    Current,
    /// Active power, channels and total.
    ActivePower,
    /// Reactive power.
    ReactivePower,
    /// Apparent power.
    ApparentPower,
    /// Power factor.
    PowerFactor,
    /// Frequency.
    Frequency,
    /// Active, reactive and apparent power together: kilo-units taken for units.
    Powers,
}

impl Group {
    /// All groups.
    pub const ALL: [Group; 8] = [
        Group::Voltage,
        Group::Current,
        Group::ActivePower,
        Group::ReactivePower,
        Group::ApparentPower,
        Group::PowerFactor,
        Group::Frequency,
        Group::Powers,
    ];

    /// What people call it.
    pub fn words(self) -> &'static str {
        match self {
            Group::Voltage => "voltage",
            Group::Current => "current",
            Group::ActivePower => "active power",
            Group::ReactivePower => "reactive power",
            Group::ApparentPower => "apparent power",
            Group::PowerFactor => "power factor",
            Group::Frequency => "frequency",
            Group::Powers => "active, reactive and apparent power",
        }
    }

    /// Powers of ten that a scale of this group may be wrong by, with their relative odds.
    pub fn scale_odds(self) -> &'static [(i8, f64)] {
        match self {
            // Percent, thousandths; a factor above 1 is never shown too small by design.
            Group::PowerFactor => &[(-2, 4.0), (-3, 3.0), (-1, 1.0), (1, 0.5), (2, 0.5)],
            Group::Powers => &[(3, 5.0), (-3, 5.0), (1, 2.0), (-1, 2.0), (2, 1.0), (-2, 1.0)],
            _ => &[(1, 3.0), (-1, 3.0), (2, 1.5), (-2, 1.5), (3, 3.0), (-3, 3.0)],
        }
    }

    /// Applies `change` to every value of the group.
    pub fn for_each(self, reading: &mut MonitorReading, mut change: impl FnMut(&mut Measured)) {
        match self {
            Group::Voltage => {
                reading.voltage_ln_v.iter_mut().chain(&mut reading.voltage_ll_v).for_each(&mut change);
            }
            Group::Frequency => change(&mut reading.frequency_hz),
            _ => {}
        }
        for circuit in &mut reading.circuits {
            let all = self == Group::Powers;
            if self == Group::Current {
                circuit.current_a.iter_mut().for_each(&mut change);
            }
            if self == Group::PowerFactor {
                circuit.power_factor.iter_mut().chain([&mut circuit.total_power_factor]).for_each(&mut change);
            }
            if all || self == Group::ActivePower {
                circuit.active_power_w.iter_mut().chain([&mut circuit.total_active_power_w]).for_each(&mut change);
            }
            if all || self == Group::ReactivePower {
                let total = &mut circuit.total_reactive_power_var;
                circuit.reactive_power_var.iter_mut().chain([total]).for_each(&mut change);
            }
            if all || self == Group::ApparentPower {
                circuit
                    .apparent_power_va
                    .iter_mut()
                    .chain([&mut circuit.total_apparent_power_va])
                    .for_each(&mut change);
            }
        }
    }

    /// A value again with the quality that its size allows.
    pub(crate) fn qualified(self, value: f64) -> Measured {
        let possible = match self {
            Group::Voltage | Group::Current | Group::ApparentPower | Group::Frequency => value >= 0.0,
            Group::PowerFactor => value.abs() <= 1.005,
            Group::ActivePower | Group::ReactivePower | Group::Powers => value.is_finite(),
        };
        if possible { Measured::Good(value) } else { Measured::OutOfRange(value) }
    }

    /// The values of the group as people would read them out; empty when there are none.
    pub fn read_out(self, reading: &MonitorReading) -> String {
        let mut copy = reading.clone();
        let mut values = Vec::new();
        self.for_each(&mut copy, |value| values.extend(value.good()));
        let (unit, divisor, decimals) = match self {
            Group::Voltage => ("V", 1.0, 1),
            Group::Current => ("A", 1.0, 2),
            Group::ActivePower | Group::Powers => ("kW", 1000.0, 2),
            Group::ReactivePower => ("kvar", 1000.0, 2),
            Group::ApparentPower => ("kVA", 1000.0, 2),
            Group::PowerFactor => ("", 1.0, 3),
            Group::Frequency => ("Hz", 1.0, 2),
        };
        let told: Vec<String> = values.iter().take(3).map(|v| format!("{:.decimals$}", v / divisor)).collect();
        match told.split_last() {
            None => String::new(),
            Some((last, [])) => format!("{} comes to {last} {unit}", self.words()).trim_end().to_owned(),
            Some((last, first)) => {
                format!("{} comes to {} and {last} {unit}", self.words(), first.join(", ")).trim_end().to_owned()
            }
        }
    }
}

/// "10", "1000", "0.001".
pub fn factor(power: i8) -> String {
    if power >= 0 {
        format!("{}", 10f64.powi(i32::from(power)))
    } else {
        format!("0.{:0>1$}", 1, usize::from(power.unsigned_abs()))
    }
}
