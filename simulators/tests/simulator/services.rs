//! Services other than four-wire wye, against the closed forms of handbooks.

use std::f64::consts::PI;

use wattassay_simulators::{LoadKind, MeterSample, ServiceFile, Station, StationFile};

use crate::common::{close, leads, metered, table_case};

/// Line voltage and current of the table case, and its angle.
const LINE_V: f64 = 479.778_073_7;
const LINE_A: f64 = 100.0;

fn on(service: ServiceFile) -> StationFile {
    let mut file = table_case();
    file.source.service = Some(service);
    file
}

fn element_kw(sample: &MeterSample) -> [f64; 2] {
    [sample.circuits[0].active_power_w[0] / 1000.0, sample.circuits[0].active_power_w[2] / 1000.0]
}

/// Two-wattmeter method, in several textbooks: W1 = VL IL cos(30 + phi) on A, W2 = VL IL cos(30 - phi) on C;
/// P = W1 + W2 and Q = root three times (W2 - W1). Blondel: the total is that of three elements.
#[test]
fn two_elements_read_the_two_wattmeter_relations_at_any_load() {
    for load in [0.0, 0.3, 1.0] {
        let mut file = table_case();
        file.pumps[0].schedule[0].load = Some(load);
        let three = metered(&file).circuits.remove(0);
        file.source.service = Some(ServiceFile::TwoElement);
        let sample = metered(&file);
        let two = &sample.circuits[0];
        let phi = -three.current_angle_deg[0].to_radians();
        let line_va = LINE_V * three.current_a[0];
        close(two.active_power_w[0], line_va * (PI / 6.0 + phi).cos(), 1e-3, "element AB");
        close(two.active_power_w[2], line_va * (PI / 6.0 - phi).cos(), 1e-3, "element CB");
        close(two.total_active_power_w, three.total_active_power_w, 1e-6, "total P");
        close(two.total_reactive_power_var, three.total_reactive_power_var, 1e-6, "total Q");
        let q = 3f64.sqrt() * (two.active_power_w[2] - two.active_power_w[0]);
        close(two.total_reactive_power_var, q, 1e-3, "Q from the two wattmeters");
        // Classic curve, formula from memory: PF = (1 + r) / (2 root(1 - r + r^2)) with r = W1 / W2.
        let r = two.active_power_w[0] / two.active_power_w[2];
        close(two.total_power_factor, (1.0 + r) / (2.0 * (1.0 - r + r * r).sqrt()), 1e-9, "PF from the ratio");
    }
}

/// Blondel (Chicago congress 1893): two elements suffice for three wires, balanced or not, sinusoidal or not.
#[test]
fn two_elements_meter_an_unbalanced_and_distorted_three_wire_load_exactly() {
    for load in [LoadKind::InductionMotor, LoadKind::Drive] {
        let mut file = table_case();
        file.source.phase_scale = [0.95, 1.0, 1.03];
        file.source.harmonics = vec![(5, 0.04, 20.0), (7, 0.02, 70.0)];
        file.pumps[0].load = load;
        let three = metered(&file).circuits.remove(0);
        file.source.service = Some(ServiceFile::TwoElement);
        let two = metered(&file).circuits.remove(0);
        close(two.total_active_power_w, three.total_active_power_w, 1e-6, "P");
        close(two.total_reactive_power_var, three.total_reactive_power_var, 1e-6, "Q of the fundamental");
    }
}

/// Registers of a SunSpec delta meter: the middle channel is not implemented, totals and energy are of the elements.
#[test]
fn registers_of_two_elements_leave_the_middle_channel_out() {
    let mut file = on(ServiceFile::TwoElement);
    file.monitors[0].map = "sunspec-214".to_owned();
    file.monitors[0].blanking.when_stopped = Some(true);
    file.pumps[0].schedule.push(wattassay_simulators::StepFile { at_s: 3700.0, load: None, stop: true });
    let station = Station::new(&file).expect("a possible station");
    let float = |t_s: f64, address: u16| {
        let words = station.registers(0, t_s).expect("a monitor").holding_registers.read(address, 2).expect("there");
        f64::from(f32::from_bits((u32::from(words[0]) << 16) | u32::from(words[1])))
    };
    let phases = [40_074, 40_076, 40_078].map(|address| float(10.0, address));
    assert!(phases[1].is_nan(), "{phases:?}");
    close(float(10.0, 40_072), phases[0] + phases[2], 1e-3, "A is the sum of what there is");
    close(float(10.0, 40_098), 70_635.0, 20.0, "W");
    assert!(float(10.0, 40_102).is_nan(), "WphB");
    close(float(3610.0, 40_138) - float(10.0, 40_138), 70_635.0, 30.0, "Wh in an hour");
    assert!(float(3800.0, 40_098).is_nan(), "blank while stopped");
}

#[test]
fn two_elements_stand_on_channels_1_and_3_and_the_middle_one_is_not_available() {
    let sample = metered(&on(ServiceFile::TwoElement));
    close(sample.voltage_ln_v[0], LINE_V, 1e-3, "A to B");
    close(sample.voltage_ln_v[2], LINE_V, 1e-3, "C to B");
    close(sample.voltage_angle_deg[2], 60.0, 1e-6, "C to B leads A to B by 60 degrees");
    for (line, voltage_v) in sample.voltage_ll_v.iter().enumerate() {
        close(*voltage_v, LINE_V, 1e-3, &format!("line voltage {}", line + 1));
    }
    let circuit = &sample.circuits[0];
    close(circuit.current_a[0], LINE_A, 0.01, "CT A");
    close(circuit.current_a[2], LINE_A, 0.01, "CT C");
    close(circuit.total_active_power_w, circuit.active_power_w[0] + circuit.active_power_w[2], 1e-9, "sum of elements");
    let middle = [sample.voltage_ln_v[1], sample.voltage_angle_deg[1], circuit.current_a[1], circuit.active_power_w[1]];
    assert!(middle.iter().all(|value| value.is_nan()), "{middle:?}");
}

/// Computed table of wrong connections of two elements at 480 V, 100 A, 0.85: W1 and W2, kW.
#[test]
fn wrong_connections_of_two_elements_are_those_of_the_table() {
    for (currents, expected) in [
        ("A none C", [22.681, 47.954]),
        ("-A none C", [-22.681, 47.954]),
        ("A none -C", [22.681, -47.954]),
        ("C none A", [25.274, -25.274]),
        ("open none C", [0.0, 47.954]),
        ("A B C", [22.681, 47.954]),
    ] {
        let mut file = on(ServiceFile::TwoElement);
        file.monitors[0].currents = vec![leads(currents)];
        let got = element_kw(&metered(&file));
        for element in 0..2 {
            close(got[element], expected[element], 0.03, &format!("{currents} element {}", element + 1));
        }
    }
}

/// Handbooks: with one of two VTs in open delta reversed, the third line voltage is root three times nominal.
#[test]
fn one_reversed_vt_of_an_open_delta_shows_on_the_third_line_voltage() {
    let straight = metered(&on(ServiceFile::OpenDelta));
    assert!(straight.voltage_ll_v.iter().all(|volts| (volts - LINE_V).abs() < 1e-3), "{:?}", straight.voltage_ll_v);
    for voltage in ["-A B C", "A B -C"] {
        let mut file = on(ServiceFile::OpenDelta);
        file.monitors[0].voltage = leads(voltage);
        let sample = metered(&file);
        close(sample.voltage_ll_v[0], LINE_V, 1e-3, "AB keeps its magnitude");
        close(sample.voltage_ll_v[1], LINE_V, 1e-3, "BC keeps its magnitude");
        close(sample.voltage_ll_v[2], 3f64.sqrt() * LINE_V, 1e-3, "CA");
        let (whole, got) = (element_kw(&straight), element_kw(&sample));
        close(got[0].abs(), whole[0].abs(), 1e-6, "only a sign changes");
        close(got[0] * got[1], -whole[0] * whole[1], 1e-3, "of one element");
    }
    let mut both = on(ServiceFile::OpenDelta);
    both.monitors[0].voltage = leads("-A B -C");
    close(metered(&both).voltage_ll_v[2], LINE_V, 1e-3, "both reversed hide each other");
}

/// Vector sums: a VT of half ratio halves its element, and the third voltage is |1 - 0.5 at 60 degrees| = 0.866.
#[test]
fn ratio_and_fuse_of_one_vt_change_its_element_and_the_third_voltage() {
    let straight = element_kw(&metered(&on(ServiceFile::OpenDelta)));
    for (voltage, expected_v, factors) in [
        ("A*0.5 B C", [0.5, 1.0, 0.75f64.sqrt()], [0.5, 1.0]),
        ("blown B C", [0.0, 1.0, 1.0], [0.0, 1.0]),
        ("A B blown", [1.0, 0.0, 1.0], [1.0, 0.0]),
    ] {
        let mut file = on(ServiceFile::OpenDelta);
        file.monitors[0].voltage = leads(voltage);
        let sample = metered(&file);
        for line in 0..3 {
            close(sample.voltage_ll_v[line] / LINE_V, expected_v[line], 1e-6, &format!("{voltage} line {line}"));
        }
        let got = element_kw(&sample);
        for element in 0..2 {
            close(got[element], straight[element] * factors[element], 1e-6, &format!("{voltage} element {element}"));
        }
    }
    // Fuse of the common lead: the two are in series across A and C, half of the line voltage each.
    let mut file = on(ServiceFile::OpenDelta);
    file.monitors[0].voltage = leads("A blown C");
    let sample = metered(&file);
    close(sample.voltage_ll_v[0] / LINE_V, 0.5, 1e-6, "half");
    close(sample.voltage_ll_v[1] / LINE_V, 0.5, 1e-6, "half");
    close(sample.voltage_ll_v[2] / LINE_V, 1.0, 1e-6, "whole");
}

/// 240 V delta with the neutral at the middle of the A-C winding: 120, 208 and 120 V (common practice; 240 sin 60).
#[test]
fn the_high_leg_of_a_240_v_delta_stands_at_208_v() {
    let mut file = on(ServiceFile::HighLegDelta);
    file.source.line_voltage_v = 240.0;
    file.pumps[0].rated_voltage_v = 230.0;
    file.pumps[0].rated_power_w = 25_000.0;
    let sample = metered(&file);
    for (channel, volts) in [120.0, 207.846, 120.0].into_iter().enumerate() {
        close(sample.voltage_ln_v[channel], volts, 1e-3, "to neutral");
        close(sample.voltage_ll_v[channel], 240.0, 1e-6, "between lines");
    }
    // A to neutral is half of A to C, 30 degrees behind A; the high leg is 90 degrees behind that.
    close(sample.voltage_angle_deg[1], -90.0, 1e-6, "high leg");
    close(sample.voltage_angle_deg[2].abs(), 180.0, 1e-6, "C opposite to A");
    let true_w = sample.circuits[0].total_active_power_w;
    file.source.service = Some(ServiceFile::Wye4Wire);
    close(true_w, metered(&file).circuits[0].total_active_power_w, 1e-6, "the load does not see the neutral");
}

fn on_two_wires(service: ServiceFile) -> StationFile {
    let mut file = on(service);
    file.source.line_voltage_v = 240.0;
    // A 5 hp single-phase motor, 28 A at 230 V: NEC table 430.248, from memory.
    file.pumps[0].rated_voltage_v = 240.0;
    file.pumps[0].rated_power_w = 3730.0;
    file.pumps[0].full_load_current_a = 28.0;
    file.pumps[0].full_load_power_factor = 0.85;
    file
}

#[test]
fn split_phase_totals_are_those_of_the_load_between_the_legs() {
    let mut file = on_two_wires(ServiceFile::SplitPhase);
    file.monitors[0].voltage = leads("A B none");
    file.monitors[0].currents = vec![leads("A B none")];
    let sample = metered(&file);
    close(sample.voltage_ln_v[0], 120.0, 1e-9, "leg 1");
    close(sample.voltage_ln_v[1], 120.0, 1e-9, "leg 2");
    close(sample.voltage_ll_v[0], 240.0, 1e-9, "between the legs");
    close(sample.voltage_angle_deg[1].abs(), 180.0, 1e-9, "opposite");
    let circuit = &sample.circuits[0];
    close(circuit.current_a[0], 28.0, 0.01, "plate current at full load");
    close(circuit.active_power_w[0], circuit.active_power_w[1], 1e-6, "each leg half");
    close(circuit.total_active_power_w, 240.0 * 28.0 * 0.85, 2.0, "V I PF");
    close(circuit.total_power_factor, 0.85, 1e-3, "PF");
    assert!(sample.voltage_ln_v[2].is_nan() && sample.voltage_ll_v[1].is_nan() && circuit.current_a[2].is_nan());
    for (currents, factor) in [("-A B none", 0.0), ("B A none", -1.0), ("open B none", 0.5)] {
        file.monitors[0].currents = vec![leads(currents)];
        let got = metered(&file).circuits[0].total_active_power_w;
        close(got / circuit.total_active_power_w, factor, 1e-6, currents);
    }
}

#[test]
fn a_single_phase_has_one_channel() {
    let mut file = on_two_wires(ServiceFile::SinglePhase);
    let sample = metered(&file);
    let circuit = &sample.circuits[0];
    close(sample.voltage_ln_v[0], 240.0, 1e-9, "line to neutral");
    close(circuit.total_active_power_w, 240.0 * 28.0 * 0.85, 2.0, "V I PF");
    assert!(sample.voltage_ll_v.iter().all(|volts| volts.is_nan()) && circuit.active_power_w[1].is_nan());
    file.pumps[0].load = LoadKind::Resistive;
    close(metered(&file).circuits[0].total_active_power_w, 3730.0, 1e-6, "a heater at its rated voltage");
    file.pumps[0].load = LoadKind::MotorWithCapacitor;
    close(metered(&file).circuits[0].total_power_factor, 0.95, 0.003, "corrected to 0.95");
    file.source.harmonics = vec![(3, 0.05, 0.0)];
    file.pumps[0].load = LoadKind::Resistive;
    close(metered(&file).circuits[0].current_a[0], 3730.0 / 240.0 * 1.0025f64.sqrt(), 1e-9, "third harmonic too");
}

#[test]
fn a_lost_leg_stops_the_current_and_floats_to_the_other_leg_while_the_motor_is_on() {
    let mut file = on_two_wires(ServiceFile::SplitPhase);
    file.source.lost_phase = Some("B".to_owned());
    file.source.lost_to_s = Some(20.0);
    let station = Station::new(&file).expect("a possible station");
    let at = |t_s| station.meter(0, t_s).expect("a monitor");
    close(at(10.0).circuits[0].current_a[0], 0.0, 1e-9, "no return");
    close(at(10.0).voltage_ln_v[1], 120.0, 1e-9, "through the motor");
    close(at(10.0).voltage_ll_v[0], 0.0, 1e-9, "the same leg twice");
    close(at(20.0).voltage_ll_v[0], 240.0, 1e-9, "repaired");
    file.pumps[0].schedule.clear();
    close(metered(&file).voltage_ln_v[1], 0.0, 1e-9, "nothing on");
}

#[test]
fn a_file_names_its_service_and_neutral_still_works() {
    // A motor that two wires could feed as well.
    let text = crate::common::TABLE_CASE.replace("59656.0", "30000.0");
    for (keys, expected) in [
        ("", ServiceFile::Wye4Wire),
        ("neutral = false", ServiceFile::Delta3Wire),
        ("service = \"wye-4-wire\"", ServiceFile::Wye4Wire),
        ("service = \"delta-3-wire\"", ServiceFile::Delta3Wire),
        ("service = \"two-element\"", ServiceFile::TwoElement),
        ("service = \"delta-3-wire-two-element\"\nneutral = false", ServiceFile::TwoElement),
        ("service = \"open-delta\"", ServiceFile::OpenDelta),
        ("service = \"high-leg-delta\"", ServiceFile::HighLegDelta),
        ("service = \"split-phase\"", ServiceFile::SplitPhase),
        ("service = \"single-phase\"", ServiceFile::SinglePhase),
    ] {
        let station = Station::from_toml(&text.replacen("[source]", &format!("[source]\n{keys}"), 1)).expect(keys);
        assert_eq!(station.service(), expected, "{keys}");
    }
}

#[test]
fn what_a_service_does_not_have_is_refused() {
    let refused = |service, change: fn(&mut StationFile)| {
        let mut file = on(service);
        file.pumps[0].rated_power_w = 30_000.0;
        change(&mut file);
        Station::new(&file).map_or_else(|error| error.to_string(), |_| "accepted".to_owned())
    };
    for (error, words) in [
        (refused(ServiceFile::SplitPhase, |file| file.monitors[0].voltage = leads("A C none")), "no conductor C"),
        (
            refused(ServiceFile::SinglePhase, |file| file.monitors[0].currents = vec![leads("A -B none")]),
            "no channel 2",
        ),
        (refused(ServiceFile::TwoElement, |file| file.monitors[0].currents = vec![leads("A open C")]), "no channel 2"),
        (refused(ServiceFile::OpenDelta, |file| file.monitors[0].voltage = leads("A -B C")), "common lead"),
        (refused(ServiceFile::OpenDelta, |file| file.monitors[0].voltage = leads("A none C")), "A, B or C"),
        (refused(ServiceFile::SplitPhase, |file| file.source.lost_phase = Some("C".to_owned())), "not a conductor"),
        (refused(ServiceFile::SplitPhase, |file| file.pumps[0].load = LoadKind::Drive), "three phases"),
        (refused(ServiceFile::HighLegDelta, |file| file.source.neutral = false), "contradicts"),
        (refused(ServiceFile::Wye4Wire, |file| file.pumps[0].lost_to_s = Some(-1.0)), "accepted"),
        (
            refused(ServiceFile::Wye4Wire, |file| {
                file.pumps[0].lost_phase = Some("A".to_owned());
                file.pumps[0].lost_to_s = Some(-1.0);
            }),
            "must come after",
        ),
    ] {
        assert!(error.contains(words), "{error} does not say {words}");
    }
}
