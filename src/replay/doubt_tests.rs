//! Mistakes in columns named from a sample of readings, and healthy, stopped and miswired recordings left alone.

use super::alteration::Mistake;
use super::sample::Sample;
use super::{Doubt, Explanation, Misfit, weigh, worth_weighing};
use crate::audit::context::{CircuitContext, LoadBehaviour, test_context};
use crate::audit::register_fault::group::Group;
use crate::audit::testbench::{LoadState, Offer, relative_wirings};
use crate::audit::wiring::Wiring;
use crate::modbus::decode::field;
use crate::modbus::map::{Channel, Quantity, Target};
use crate::reading::Measured::{self, Good, NotAvailable, NotMapped};
use crate::reading::{MonitorReading, UnixMs};
use crate::replay::columns::{MonitorKey, ValueColumn};
use crate::station::register_watch::Signs;

const QUANTITIES: [(Quantity, &str); 10] = [
    (Quantity::VoltageLn, "V"),
    (Quantity::VoltageLl, "V"),
    (Quantity::VoltageAngle, "deg"),
    (Quantity::Frequency, "Hz"),
    (Quantity::Current, "A"),
    (Quantity::CurrentAngle, "deg"),
    (Quantity::ActivePower, "W"),
    (Quantity::ReactivePower, "var"),
    (Quantity::ApparentPower, "VA"),
    (Quantity::PowerFactor, "1"),
];

/// A column for every value that a reading has.
fn columns(reading: &MonitorReading) -> Vec<ValueColumn> {
    let mut reading = reading.clone();
    let mut columns = Vec::new();
    for (quantity, unit) in QUANTITIES {
        for (channel, digit) in
            [(Channel::One, "1"), (Channel::Two, "2"), (Channel::Three, "3"), (Channel::Total, " total")]
        {
            let target = Target { quantity, channel, slot: 0 };
            if field(&mut reading, target).is_some_and(|value| *value != NotMapped) {
                let monitor = MonitorKey { station: 0, monitor: 0 };
                columns.push(ValueColumn { column: format!("{unit}{digit}"), monitor, target, unit, scale: 1.0 });
            }
        }
    }
    columns
}

fn sample(readings: impl Iterator<Item = MonitorReading>) -> Sample {
    let mut sample = Sample::default();
    for (n, mut reading) in readings.enumerate() {
        reading.at.wall = UnixMs(1000 * n as i64);
        reading.at.mono.0 = 1000 * n as u64;
        if sample.due() {
            sample.take(&reading, Signs { running: true, ..Signs::default() });
        }
    }
    sample
}

/// What is said of a recording, whether or not anything made it worth weighing.
fn said_of(sample: &Sample, reading: &MonitorReading, context: &CircuitContext) -> Vec<Doubt> {
    let columns = columns(reading);
    weigh(sample, &columns.iter().collect::<Vec<_>>(), context)
}

/// What is said of ten such readings.
fn said(reading: &MonitorReading) -> Vec<Doubt> {
    said_of(&sample((0..10).map(|_| reading.clone())), reading, &test_context())
}

fn named(reading: &MonitorReading) -> Explanation {
    match said(reading).as_slice() {
        [Doubt { misfit: Misfit::Named(named), .. }] => named.clone(),
        other => panic!("{other:?}"),
    }
}

/// The likeliest mistake of the one doubt, surely named or not.
fn likeliest(found: &[Doubt]) -> &Explanation {
    match found {
        [Doubt { misfit: Misfit::Named(named), .. }] => named,
        [Doubt { misfit: Misfit::Unclear { candidates, .. }, .. }] if !candidates.is_empty() => &candidates[0],
        other => panic!("{other:?}"),
    }
}

fn names(of: &Explanation) -> Vec<&str> {
    of.columns.iter().map(|column| column.column.as_str()).collect()
}

fn running() -> MonitorReading {
    LoadState::motor(&test_context(), 0.8).seen(&Wiring::INTENDED, Offer::Full, 0)
}

#[test]
fn a_scale_is_named_for_each_quantity() {
    for power in [-3i8, -1, 1, 3] {
        let scaled = |group: Group| {
            let mut reading = running();
            group.for_each(&mut reading, |v| *v = v.map(|v| v * 10f64.powi(i32::from(power))));
            named(&reading)
        };
        for (group, fits) in [
            (Group::Voltage, "voltage comes to 277.1"),
            (Group::Current, "current comes to 61.60"),
            (Group::ActivePower, "active power comes to"),
            (Group::ReactivePower, "reactive power comes to"),
            (Group::ApparentPower, "apparent power comes to 17.07"),
        ] {
            let found = scaled(group);
            assert_eq!(found.mistake, Mistake::Scale(-power), "{group:?}: {found:?}");
            assert!(found.values.starts_with(fits), "{found:?}");
        }
    }
}

#[test]
fn one_column_of_another_unit_is_named_alone() {
    let mut reading = running();
    reading.circuits[0].active_power_w[1] = reading.circuits[0].active_power_w[1].map(|w| w / 1000.0);
    let found = named(&reading);
    assert_eq!((found.mistake, names(&found)), (Mistake::Scale(3), vec!["W2"]));
    let mut reading = running();
    reading.circuits[0].total_active_power_w = reading.circuits[0].total_active_power_w.map(|w| w / 1000.0);
    // Where the channels stand beside it a total adds little of its own: told, and the likeliest by far.
    let found = said(&reading);
    let leader = likeliest(&found);
    assert_eq!((leader.mistake, names(leader)), (Mistake::Scale(3), vec!["W total"]));
    assert!(leader.probability > 0.8, "{found:?}");
}

#[test]
fn watts_alone_in_another_unit_are_named() {
    for (power, surely) in [(3i8, true), (-3, true), (1, false), (-1, true), (2, false), (-2, true)] {
        let mut reading = LoadState::motor(&test_context(), 0.8).seen(&Wiring::INTENDED, Offer::Watts, 0);
        Group::ActivePower.for_each(&mut reading, |v| *v = v.map(|v| v * 10f64.powi(-i32::from(power))));
        let found = said(&reading);
        // A tenth or less of the power may be a load at 85 degrees and more, which rotated leads show.
        if surely || !found.is_empty() {
            assert_eq!(likeliest(&found).mistake, Mistake::Scale(power), "10^{power}: {found:?}");
        }
    }
}

#[test]
fn powers_taken_for_each_other_are_named() {
    let swap = |reading: &mut MonitorReading| {
        let circuit = &mut reading.circuits[0];
        std::mem::swap(&mut circuit.active_power_w, &mut circuit.apparent_power_va);
        std::mem::swap(&mut circuit.total_active_power_w, &mut circuit.total_apparent_power_va);
    };
    let mut reading = running();
    swap(&mut reading);
    let found = named(&reading);
    assert_eq!(found.mistake, Mistake::Quantity { is: Group::ApparentPower, swapped: true, power: 0 });

    let mut reading = running();
    let circuit = &mut reading.circuits[0];
    std::mem::swap(&mut circuit.active_power_w, &mut circuit.apparent_power_va);
    circuit.active_power_w = [NotMapped; 3];
    (circuit.total_active_power_w, circuit.total_apparent_power_va) = (NotMapped, NotMapped);
    let found = named(&reading);
    assert_eq!(found.mistake, Mistake::Quantity { is: Group::ActivePower, swapped: false, power: 0 });
}

#[test]
fn percent_and_lost_signs_are_named() {
    let mut percent = running();
    let circuit = &mut percent.circuits[0];
    let factor = |k: usize| circuit.active_power_w[k].good().unwrap() / circuit.apparent_power_va[k].good().unwrap();
    circuit.power_factor = [0, 1, 2].map(|k| Measured::OutOfRange(100.0 * factor(k)));
    let found = named(&percent);
    assert_eq!((found.mistake, found.columns.len()), (Mistake::Scale(-2), 3));

    let mut unsigned = LoadState::motor(&test_context(), 0.8).seen(&relative_wirings()[7], Offer::Full, 0);
    let circuit = &mut unsigned.circuits[0];
    for value in circuit.active_power_w.iter_mut().chain([&mut circuit.total_active_power_w]) {
        *value = value.map(|w| if w < 0.0 { w + 655_360.0 } else { w });
    }
    assert_eq!(named(&unsigned).mistake, Mistake::Unsigned(655_360.0));
}

#[test]
fn a_column_that_holds_something_else_is_named() {
    let mut reading = running();
    reading.circuits[0].current_a[1] = Good(4.2e-14);
    let found = named(&reading);
    assert_eq!((found.mistake, names(&found)), (Mistake::Meaningless, vec!["A2"]));
}

/// Whatever the wiring, the load and the columns, right columns are right.
#[test]
fn healthy_stopped_blank_and_miswired_recordings_are_left_alone() {
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
    let circuit = &mut dead.circuits[0];
    for values in [&mut circuit.active_power_w, &mut circuit.reactive_power_var, &mut circuit.apparent_power_va] {
        values[1] = Good(0.0);
    }
    for total in [&mut circuit.total_active_power_w, &mut circuit.total_apparent_power_va] {
        *total = total.map(|v| v * 2.0 / 3.0);
    }
    let mut other_ratio = running();
    let circuit = &mut other_ratio.circuits[0];
    for values in [
        &mut circuit.current_a,
        &mut circuit.active_power_w,
        &mut circuit.reactive_power_var,
        &mut circuit.apparent_power_va,
    ] {
        values[0] = values[0].map(|v| 2.0 * v);
    }
    for total in [&mut circuit.total_active_power_w, &mut circuit.total_apparent_power_va] {
        *total = total.map(|v| v * 4.0 / 3.0);
    }
    // A device without a sign shows nothing of a reversed CT; one that adds phasors shows nothing of swapped leads.
    let mut clipped = running();
    clipped.circuits[0].active_power_w = [Good(0.0); 3];
    clipped.circuits[0].total_active_power_w = Good(0.0);
    let mut cancelled = running();
    let circuit = &mut cancelled.circuits[0];
    (circuit.active_power_w, circuit.reactive_power_var) = ([NotMapped; 3], [NotMapped; 3]);
    circuit.apparent_power_va = [NotMapped; 3];
    circuit.total_active_power_w = Good(1e-9);
    (circuit.total_reactive_power_var, circuit.total_apparent_power_va) = (Good(0.0), Good(0.0));
    for reading in [running(), stopped, blank, dead, other_ratio, clipped, cancelled] {
        assert_eq!(said(&reading), [], "{reading:?}");
    }
    for wiring in relative_wirings() {
        for offer in [Offer::Full, Offer::Watts, Offer::Totals, Offer::Blanking] {
            // With 60 degrees rotated leads give P = V I to the last digit, as apparent power would.
            for lag_deg in [15.0, 30.0, 31.0, 45.0, 55.0, 75.0] {
                let reading = LoadState::with(&test_context(), 50.0, lag_deg).seen(&wiring, offer, 0);
                assert_eq!(said(&reading), [], "{wiring:?} {offer:?} {lag_deg}");
            }
        }
    }
}

/// Its watts are its volt-amperes to the last digit, and its metering is right.
#[test]
fn a_resistive_load_is_not_taken_for_apparent_power() {
    let context = CircuitContext { load: LoadBehaviour::Resistive, ..test_context() };
    let reading = LoadState::with(&context, 50.0, 0.0).seen(&Wiring::INTENDED, Offer::Watts, 0);
    assert_eq!(said_of(&sample((0..10).map(|_| reading.clone())), &reading, &context), []);
}

#[test]
fn units_that_change_within_a_file_are_told_with_their_time() {
    let right = running();
    let mut wrong = running();
    Group::ActivePower.for_each(&mut wrong, |v| *v = v.map(|v| v / 1000.0));
    let readings = (0..4000).map(|n| if n < 2400 { right.clone() } else { wrong.clone() });
    let found = said_of(&sample(readings), &right, &test_context());
    let [Doubt { period, misfit: Misfit::Named(named) }] = found.as_slice() else { panic!("{found:?}") };
    assert_eq!(named.mistake, Mistake::Scale(3));
    assert!(period.0.0 > 1_000_000, "{period:?}");
}

#[test]
fn what_no_mistake_explains_is_doubted_without_a_name() {
    let nonsense = |n: i32| Good(10f64.powi(n) * 1.7);
    let mut reading = running();
    reading.voltage_ln_v = [nonsense(-8), nonsense(5), nonsense(-3)];
    reading.circuits[0].current_a = [nonsense(7), nonsense(-9), nonsense(9)];
    reading.circuits[0].active_power_w = [nonsense(12), nonsense(-4), nonsense(10)];
    let found = said(&reading);
    let [Doubt { misfit: Misfit::Unclear { right, .. }, .. }] = found.as_slice() else { panic!("{found:?}") };
    assert!(*right < 0.01, "{right}");
    assert!(worth_weighing(&sample((0..10).map(|_| reading.clone())), &test_context()));
}
