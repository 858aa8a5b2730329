//! A reading and what the audit says of it, as the columns of the history. Must never put a value there that was not good.

use crate::audit::assessment::{Assessment, RunState};
use crate::history::quantity::{COUNT, place};
use crate::history::store::Values;
use crate::reading::{CircuitReading, Measured, MonitorReading};

fn put(values: &mut Values, first: usize, measured: &[Measured]) {
    for (at, value) in measured.iter().enumerate() {
        values[first + at] = value.good().unwrap_or(f64::NAN);
    }
}

pub(super) fn monitor_values(reading: &MonitorReading) -> Box<Values> {
    let mut values = Box::new([f64::NAN; COUNT]);
    put(&mut values, place::VOLTAGE_LN_V, &reading.voltage_ln_v);
    put(&mut values, place::VOLTAGE_LL_V, &reading.voltage_ll_v);
    put(&mut values, place::VOLTAGE_ANGLE_DEG, &reading.voltage_angle_deg);
    put(&mut values, place::FREQUENCY_HZ, &[reading.frequency_hz]);
    values
}

pub(super) fn circuit_values(reported: &CircuitReading, assessment: Option<&Assessment>) -> Box<Values> {
    let mut values = Box::new([f64::NAN; COUNT]);
    let r = reported;
    put(&mut values, place::CURRENT_A, &r.current_a);
    put(&mut values, place::CURRENT_ANGLE_DEG, &r.current_angle_deg);
    put(&mut values, place::ACTIVE_POWER_W, &r.active_power_w);
    put(&mut values, place::REACTIVE_POWER_VAR, &r.reactive_power_var);
    put(&mut values, place::APPARENT_POWER_VA, &r.apparent_power_va);
    put(&mut values, place::POWER_FACTOR, &r.power_factor);
    put(&mut values, place::TOTAL_ACTIVE_POWER_W, &[r.total_active_power_w]);
    put(&mut values, place::TOTAL_REACTIVE_POWER_VAR, &[r.total_reactive_power_var]);
    put(&mut values, place::TOTAL_APPARENT_POWER_VA, &[r.total_apparent_power_va]);
    put(&mut values, place::TOTAL_POWER_FACTOR, &[r.total_power_factor]);
    put(&mut values, place::ENERGY_IMPORT_WH, &[r.energy_import_wh]);
    put(&mut values, place::ENERGY_EXPORT_WH, &[r.energy_export_wh]);
    let Some(a) = assessment else { return values };
    values[place::RUNNING] = match a.run_state {
        RunState::Running | RunState::Starting => 1.0,
        RunState::Stopped => 0.0,
        RunState::Unknown => f64::NAN,
    };
    if let Some(corrected) = a.corrected {
        for (phase, power) in corrected.per_phase_va.iter().enumerate() {
            values[place::CORRECTED_ACTIVE_POWER_W + phase] = power.re;
            values[place::CORRECTED_REACTIVE_POWER_VAR + phase] = power.im;
        }
        values[place::CORRECTED_TOTAL_ACTIVE_POWER_W] = corrected.total_w;
        values[place::CORRECTED_TOTAL_REACTIVE_POWER_VAR] = corrected.total_var;
        values[place::CORRECTED_POWER_FACTOR] = corrected.power_factor;
        values[place::CORRECTED_UNCERTAINTY_W] = corrected.uncertainty_w;
    }
    if let Some(leading) = a.diagnosis.groups.first() {
        values[place::SOUND_PROBABILITY] = a.diagnosis.sound_probability;
        values[place::UNEXPLAINED_PROBABILITY] = a.diagnosis.unexplained_probability;
        values[place::LEADING_PROBABILITY] = leading.probability;
    }
    values
}
