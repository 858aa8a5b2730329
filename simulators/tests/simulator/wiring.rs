//! Wiring faults: what theory predicts in closed form against what the sampled waveforms meter.

use std::f64::consts::PI;

use crate::common::{close, leads, metered, table_case};

/// Voltage leads, current leads, kW per channel, kvar per channel, ratio to true power.
type Row = (&'static str, &'static str, [f64; 3], [f64; 3], f64);

/// Rows of the published table for 277/480 V, 100 A, 0.85 lagging.
#[test]
fn signatures_of_wrong_connections_are_those_of_the_table() {
    let (p, q) = (23.545, 14.592);
    let (u, v, w, x) = (24.409, 0.864, 13.095, 27.687);
    let rows: [Row; 12] = [
        ("A B C", "A B C", [p, p, p], [q, q, q], 1.0),
        ("A B C", "-A B C", [-p, p, p], [-q, q, q], 1.0 / 3.0),
        ("A B C", "-A -B C", [-p, -p, p], [-q, -q, q], -1.0 / 3.0),
        ("A B C", "-A -B -C", [-p, -p, -p], [-q, -q, -q], -1.0),
        ("A B C", "A C B", [p, -u, v], [q, w, -x], 0.0),
        ("A C B", "A B C", [p, v, -u], [q, -x, w], 0.0),
        ("A B C", "B C A", [-u, -u, -u], [w, w, w], -1.0367),
        ("A B C", "C A B", [v, v, v], [-x, -x, -x], 0.0367),
        ("A B C", "-A C B", [-p, -u, v], [-q, w, -x], -2.0 / 3.0),
        ("A B C", "open B C", [0.0, p, p], [0.0, q, q], 2.0 / 3.0),
        ("A B C", "shorted B C", [0.0, p, p], [0.0, q, q], 2.0 / 3.0),
        ("A C B", "A C B", [p, p, p], [q, q, q], 1.0),
    ];
    for (voltage, current, kilowatts, kilovars, ratio) in rows {
        let mut file = table_case();
        file.monitors[0].voltage = leads(voltage);
        file.monitors[0].currents = vec![leads(current)];
        let sample = metered(&file);
        let circuit = &sample.circuits[0];
        for channel in 0..3 {
            let what = format!("{voltage} / {current} channel {}", channel + 1);
            close(circuit.active_power_w[channel] / 1000.0, kilowatts[channel], 0.02, &what);
            close(circuit.reactive_power_var[channel] / 1000.0, kilovars[channel], 0.02, &what);
        }
        close(circuit.total_active_power_w / 70_635.0, ratio, 0.0008, current);
    }
}

/// Closed form: a rolled set registers cos(phi + 120) / cos(phi) or cos(phi - 120) / cos(phi) of the true power.
#[test]
fn rolled_sets_register_the_closed_form_at_any_load() {
    for load in [0.1, 0.5, 1.0] {
        let mut file = table_case();
        file.pumps[0].schedule[0].load = Some(load);
        let truth = metered(&file);
        let phi = -truth.circuits[0].current_angle_deg[0].to_radians();
        for (current, turn) in [("B C A", 2.0 * PI / 3.0), ("C A B", -2.0 * PI / 3.0)] {
            file.monitors[0].currents = vec![leads(current)];
            let ratio = metered(&file).circuits[0].total_active_power_w / truth.circuits[0].total_active_power_w;
            close(ratio, (phi + turn).cos() / phi.cos(), 1e-6, current);
        }
    }
}

/// Every permutation and polarity of voltage leads against every one of currents: 48 times 48 connections.
#[test]
fn all_permutations_and_polarities_follow_the_phasors() {
    let all = all_connections();
    assert_eq!(all.len(), 48);
    let mut file = table_case();
    let truth = metered(&file);
    let phi = -truth.circuits[0].current_angle_deg[0].to_radians();
    file.monitors[0].circuits = vec!["Pump 1".to_owned(); all.len()];
    file.monitors[0].currents = all.iter().map(|connection| connection.map(lead)).collect();
    for voltage in &all {
        file.monitors[0].voltage = voltage.map(lead);
        let sample = metered(&file);
        for (current, circuit) in all.iter().zip(&sample.circuits) {
            for channel in 0..3 {
                let ((v, v_sign), (i, i_sign)) = (voltage[channel], current[channel]);
                // Phase n stands at -120 n degrees; the current lags its own voltage by phi.
                let between = phi + (i as f64 - v as f64) * 2.0 * PI / 3.0;
                let expected = v_sign * i_sign * 27_700.0 * between.cos();
                close(circuit.active_power_w[channel], expected, 20.0, "active power");
                let expected = v_sign * i_sign * 27_700.0 * between.sin();
                close(circuit.reactive_power_var[channel], expected, 20.0, "reactive power");
            }
        }
    }
}

type Connection = [(usize, f64); 3];

fn lead((phase, sign): (usize, f64)) -> String {
    format!("{}{}", if sign < 0.0 { "-" } else { "" }, ["A", "B", "C"][phase])
}

fn all_connections() -> Vec<Connection> {
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    orders
        .iter()
        .flat_map(|order| {
            (0..8u8).map(move |signs| {
                [0, 1, 2].map(|channel| (order[channel], if signs >> channel & 1 == 1 { -1.0 } else { 1.0 }))
            })
        })
        .collect()
}

#[test]
fn half_ratio_halves_and_two_conductors_add_as_phasors() {
    let mut file = table_case();
    file.monitors[0].currents = vec![leads("A*0.5 A+B C")];
    let circuit = metered(&file).circuits.remove(0);
    close(circuit.current_a[0], 50.0, 0.05, "half ratio");
    close(circuit.active_power_w[0], 11_772.0, 20.0, "half ratio power");
    close(circuit.current_a[1], 100.0, 0.1, "A plus B is minus C");
    // Channel 2 sees -I_C against V_B: C stands 120 degrees behind B, reversed.
    let phi = 0.85f64.acos();
    close(circuit.active_power_w[1], -27_700.0 * (phi + 2.0 * PI / 3.0).cos(), 30.0, "power of minus C");
}

#[test]
fn a_pair_crossed_between_pumps_follows_the_other_pump() {
    let mut file = table_case();
    let mut other = file.pumps[0].clone();
    other.name = "Pump 2".to_owned();
    other.schedule.clear();
    file.pumps.push(other);
    file.monitors[0].circuits = vec!["Pump 1".to_owned(), "Pump 2".to_owned()];
    file.monitors[0].currents = vec![leads("A B C"), leads("A B C")];
    file.monitors[0].currents[0][1] = "Pump 2:B".to_owned();
    file.monitors[0].currents[1][1] = "Pump 1:B".to_owned();
    let sample = metered(&file);
    assert!(sample.circuits[0].running && !sample.circuits[1].running);
    close(sample.circuits[0].current_a[1], 0.0, 1e-9, "pump 2 stands still");
    close(sample.circuits[1].current_a[1], 100.0, 0.1, "current on the stopped pump's CT");
    close(sample.circuits[1].total_active_power_w, 23_545.0, 20.0, "power of the stopped pump");
}

#[test]
fn a_blown_fuse_takes_one_voltage_and_its_line_voltages_down() {
    let mut file = table_case();
    file.monitors[0].voltage = leads("A blown C");
    let sample = metered(&file);
    close(sample.voltage_ln_v[1], 0.0, 1e-9, "blown");
    close(sample.voltage_ll_v[0], 277.0, 0.01, "between A and nothing");
    close(sample.voltage_ll_v[2], 479.78, 0.01, "C to A is whole");
    assert!(sample.voltage_angle_deg[1].is_nan());
    close(sample.circuits[0].total_active_power_w / 70_635.0, 2.0 / 3.0, 0.001, "a third is missing");
}

/// Blondel: on a three-wire load the total does not depend on where the reference is.
#[test]
fn three_wire_totals_are_exact_whatever_the_reference() {
    let mut file = table_case();
    file.source.phase_scale = [0.95, 1.0, 1.02];
    let with_neutral = metered(&file);
    file.source.neutral = false;
    let without = metered(&file);
    close(
        without.circuits[0].total_active_power_w,
        with_neutral.circuits[0].total_active_power_w,
        1e-6,
        "total active power",
    );
    assert!(5.0 < (without.voltage_ln_v[0] - with_neutral.voltage_ln_v[0]).abs(), "the references do differ");
    file.monitors[0].voltage = leads("A B blown");
    let two = metered(&file);
    close(two.voltage_ln_v[0], two.voltage_ll_v[0] / 2.0, 1e-6, "star point between the two that are left");
}

#[test]
fn a_source_that_turns_the_other_way_mirrors_the_angles() {
    let mut file = table_case();
    file.source.rotation = toml::from_str::<Turned>("rotation = \"ACB\"").expect("a rotation").rotation;
    let sample = metered(&file);
    close(sample.voltage_angle_deg[1], 120.0, 1e-6, "B leads");
    close(sample.circuits[0].total_active_power_w, 70_635.0, 20.0, "the pump still turns the right way");
}

#[derive(serde::Deserialize)]
struct Turned {
    rotation: wattassay_simulators::RotationFile,
}

#[test]
fn rewiring_takes_effect_at_its_time() {
    let mut file = table_case();
    file.monitors[0].rewire =
        vec![wattassay_simulators::RewireFile { at_s: 20.0, voltage: None, currents: Some(vec![leads("-A B C")]) }];
    let station = wattassay_simulators::Station::new(&file).expect("a possible station");
    let total = |t_s| station.meter(0, t_s).expect("a monitor").circuits[0].total_active_power_w;
    close(total(19.0), 70_635.0, 20.0, "before");
    close(total(21.0), 23_545.0, 20.0, "after");
}

#[test]
fn impossible_stations_are_refused_with_their_reason() {
    let refused = |change: fn(&mut wattassay_simulators::StationFile)| {
        let mut file = table_case();
        change(&mut file);
        match wattassay_simulators::Station::new(&file) {
            Ok(_) => String::from("accepted"),
            Err(error) => error.to_string(),
        }
    };
    for (error, words) in [
        (refused(|file| file.monitors[0].circuits[0] = "Pump 9".to_owned()), "no pump \"Pump 9\""),
        (refused(|file| file.monitors[0].currents.clear()), "currents for 0"),
        (refused(|file| file.monitors[0].currents[0][0] = "Q".to_owned()), "A, B or C"),
        (refused(|file| file.monitors[0].map = "no-such-map".to_owned()), "cannot read"),
        (refused(|file| file.source.line_voltage_v = -1.0), "positive"),
        (refused(|file| file.source.lost_phase = Some("N".to_owned())), "A, B or C"),
        (refused(|file| file.monitors[0].sunspec_base = 65_500), "no room"),
        (refused(|file| file.monitors[0].map = "generic-totals".to_owned()), "accepted"),
        (
            refused(|file| {
                file.monitors[0].map = "generic-totals".to_owned();
                file.monitors[0].circuits.push("Pump 1".to_owned());
                let again = file.monitors[0].currents[0].clone();
                file.monitors[0].currents.push(again);
            }),
            "1 slots",
        ),
    ] {
        assert!(error.contains(words), "{error} does not say {words}");
    }
}
