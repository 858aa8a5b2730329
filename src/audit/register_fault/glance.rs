//! A glance at a reading as the map gives it: is it worth weighing alternatives? A healthy monitor pays for no more.
//!
//! Looks also at what the usual checks leave alone while the pump seems to stand, since a wrong map makes it seem so.

use super::expected::{Expected, ExpectedCircuit};
use crate::reading::{CircuitReading, Measured, MonitorReading};

/// Cheap and coarse: is there something that the usual checks do not look at while the pump seems to stand? A healthy
/// monitor pays for no more than this.
pub fn looks_wrong(reading: &MonitorReading, expected: &Expected) -> bool {
    let impossible = |v: &Measured| matches!(v, Measured::OutOfRange(_));
    if reading.voltage_ln_v.iter().chain(&reading.voltage_ll_v).any(impossible) || impossible(&reading.frequency_hz) {
        return true;
    }
    let far = |values: &[Measured; 3], nominal: f64| {
        let mut level = values.iter().filter_map(|v| v.good()).fold(0.0, f64::max);
        // Nothing at all is a dead supply, which no map makes right.
        if level == 0.0 {
            level = nominal;
        }
        !(0.6 * nominal..=1.5 * nominal).contains(&level)
    };
    if let Some(nominal) = expected.nominal_ln_v
        && (expected.four_wire && far(&reading.voltage_ln_v, nominal)
            || far(&reading.voltage_ll_v, nominal * 3f64.sqrt()))
    {
        return true;
    }
    if reading.frequency_hz.good().is_some_and(|f| f != 0.0 && !(45.0..=65.0).contains(&f)) {
        return true;
    }
    expected.circuits.iter().any(|known| {
        reading.circuits.get(known.slot).is_some_and(|circuit| circuit_looks_wrong(circuit, known, reading))
    })
}

fn circuit_looks_wrong(circuit: &CircuitReading, known: &ExpectedCircuit, reading: &MonitorReading) -> bool {
    let impossible = |v: &Measured| matches!(v, Measured::OutOfRange(_));
    if circuit.current_a.iter().chain(&circuit.power_factor).any(impossible)
        || circuit.apparent_power_va.iter().any(impossible)
        || impossible(&circuit.total_power_factor)
        || impossible(&circuit.total_apparent_power_va)
    {
        return true;
    }
    let mut sum_va = Some(0.0);
    let mut slack_va = 0.0;
    for k in 0..3 {
        let product = reading.voltage_ln_v[k].good().zip(circuit.current_a[k].good());
        sum_va = sum_va.zip(product).map(|(sum, (v, i))| sum + v * i);
        let Some((v, i)) = product else { continue };
        if i > 8.0 * known.running_a.1 {
            return true;
        }
        let idle_va = v * known.idle_a;
        slack_va += idle_va;
        let (p, q) = (circuit.active_power_w[k].good(), circuit.reactive_power_var[k].good());
        let larger = p.unwrap_or(0.0).hypot(q.unwrap_or(0.0)).max(circuit.apparent_power_va[k].good().unwrap_or(0.0));
        if larger > 1.2 * v * i + idle_va {
            return true;
        }
        // With both P and Q given, far less than V I is no load there is, not even a drive.
        if let Some((p, q)) = p.zip(q)
            && v * i > 2.0 * idle_va
            && p.hypot(q) < 0.5 * v * i
        {
            return true;
        }
    }
    let total = circuit.total_active_power_w.good().unwrap_or(0.0).abs();
    sum_va.is_some_and(|va| total > 1.2 * va + slack_va)
}
