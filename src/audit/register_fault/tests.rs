//! Tests of register faults on decoded values, where no raw words are at hand.

use super::RegisterFault;
use super::decoded::DecodedWatch;
use super::expected::Expected;
use super::glance::looks_wrong;
use super::plausibility::score;
use crate::audit::context::test_context;
use crate::audit::testbench::{LoadState, Offer, relative_wirings};
use crate::audit::wiring::Wiring;
use crate::reading::Measured::{self, Good, NotAvailable};
use crate::reading::MonitorReading;

fn running() -> MonitorReading {
    LoadState::motor(&test_context(), 0.8).seen(&Wiring::INTENDED, Offer::Full, 0)
}

fn expected() -> Expected {
    Expected::of([&test_context()])
}

/// What is said after ten such readings.
fn said(reading: &MonitorReading) -> Option<RegisterFault> {
    let mut watch = DecodedWatch::new(expected());
    (0..10).map(|_| watch.observe(reading)).last().flatten()
}

#[test]
fn a_scale_is_named_for_each_quantity() {
    for power in [-3, -1, 1, 3] {
        let times = 10f64.powi(power);
        let scaled = |spoil: &dyn Fn(&mut MonitorReading)| {
            let mut reading = running();
            spoil(&mut reading);
            said(&reading).unwrap_or_else(|| panic!("nothing said of 10^{power}"))
        };
        let by = |values: &mut [Measured; 3]| *values = values.map(|v| v.map(|v| v * times));
        let volts = scaled(&|r| by(&mut r.voltage_ln_v));
        assert!(volts.kind == "scale" && volts.fits.contains("voltage comes to 277.1"), "{volts:?}");
        let amps = scaled(&|r| by(&mut r.circuits[0].current_a));
        assert!(amps.kind == "scale" && amps.fits.contains("current comes to 61.60"), "{amps:?}");
        let apparent = scaled(&|r| {
            by(&mut r.circuits[0].apparent_power_va);
            r.circuits[0].total_apparent_power_va = r.circuits[0].total_apparent_power_va.map(|v| v * times);
        });
        assert!(apparent.fits.contains("apparent power comes to 17.07"), "{apparent:?}");
    }
}

#[test]
fn percent_and_lost_signs_are_named() {
    let mut percent = running();
    let circuit = &mut percent.circuits[0];
    let factor = |k: usize| circuit.active_power_w[k].good().unwrap() / circuit.apparent_power_va[k].good().unwrap();
    circuit.power_factor = [0, 1, 2].map(|k| Measured::OutOfRange(100.0 * factor(k)));
    let fault = said(&percent).unwrap();
    assert!(fault.map_says.contains("power factor") && fault.fits.contains("times 0.01"), "{fault:?}");

    let mut unsigned = LoadState::motor(&test_context(), 0.8).seen(&relative_wirings()[7], Offer::Full, 0);
    let circuit = &mut unsigned.circuits[0];
    for value in circuit.active_power_w.iter_mut().chain([&mut circuit.total_active_power_w]) {
        *value = value.map(|w| if w < 0.0 { w + 655_360.0 } else { w });
    }
    let fault = said(&unsigned).unwrap();
    assert!(fault.kind == "signedness" && fault.fits.contains("less 655360"), "{fault:?}");
}

#[test]
fn sound_stopped_blank_and_miswired_readings_are_not_suspected() {
    let mut stopped = running();
    let circuit = &mut stopped.circuits[0];
    for values in [&mut circuit.current_a, &mut circuit.active_power_w, &mut circuit.reactive_power_var] {
        *values = [Good(0.0); 3];
    }
    circuit.apparent_power_va = [Good(0.0); 3];
    circuit.total_active_power_w = Good(0.0);
    circuit.total_reactive_power_var = Good(0.0);
    circuit.total_apparent_power_va = Good(0.0);
    let mut blank = running();
    blank.circuits[0].active_power_w = [NotAvailable; 3];
    blank.circuits[0].total_active_power_w = NotAvailable;
    let mut dead = running();
    dead.voltage_ln_v[1] = Good(0.0);
    let mut other_ratio = running();
    other_ratio.circuits[0].current_a[0] = other_ratio.circuits[0].current_a[0].map(|a| 2.0 * a);
    // A device without a sign shows nothing of a reversed CT; one that adds phasors shows nothing of an exchange.
    let mut clipped = running();
    clipped.circuits[0].active_power_w = [Good(0.0); 3];
    clipped.circuits[0].total_active_power_w = Good(0.0);
    let mut cancelled = running();
    let circuit = &mut cancelled.circuits[0];
    (circuit.active_power_w, circuit.reactive_power_var) = ([Measured::NotMapped; 3], [Measured::NotMapped; 3]);
    circuit.apparent_power_va = [Measured::NotMapped; 3];
    circuit.total_active_power_w = Good(1e-9);
    (circuit.total_reactive_power_var, circuit.total_apparent_power_va) = (Good(0.0), Good(0.0));
    for reading in [running(), stopped.clone(), blank, dead, other_ratio, clipped, cancelled] {
        assert_eq!(said(&reading), None);
    }
    for wiring in relative_wirings() {
        let reading = LoadState::motor(&test_context(), 0.8).seen(&wiring, Offer::Full, 0);
        assert_eq!(said(&reading), None);
        assert!(!looks_wrong(&reading, &expected()), "{wiring:?}");
    }
    assert!(!looks_wrong(&stopped, &expected()));
}

#[test]
fn nonsense_everywhere_is_none_of_these() {
    let nonsense = |n: i32| Good(10f64.powi(n) * 1.7);
    let mut reading = running();
    reading.voltage_ln_v = [nonsense(-8), nonsense(5), nonsense(-3)];
    reading.circuits[0].current_a = [nonsense(7), nonsense(-9), nonsense(9)];
    reading.circuits[0].active_power_w = [nonsense(12), nonsense(-4), nonsense(10)];
    assert_eq!(said(&reading), None);
    assert!(looks_wrong(&reading, &expected()));
    let told = score(&reading, &expected());
    assert!(told.nothing > told.fits, "{told:?}");
}
