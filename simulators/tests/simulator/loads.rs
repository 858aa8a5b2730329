//! Loads: response to unbalance, starts, lost phases, drives, capacitors, heaters.

use wattassay_simulators::{LoadKind, Nameplate, Station};

use crate::common::{close, metered, table_case};

fn unbalance_percent(currents: [f64; 3]) -> f64 {
    let mean = currents.iter().sum::<f64>() / 3.0;
    currents.iter().map(|current| (current - mean).abs()).fold(0.0, f64::max) / mean * 100.0
}

/// DOE and handbooks: current unbalance is several times voltage unbalance.
#[test]
fn three_percent_low_on_one_phase_unbalances_the_current_by_several_percent() {
    for load in [0.8, 1.0] {
        let mut file = table_case();
        file.pumps[0].schedule[0].load = Some(load);
        file.source.phase_scale = [0.97, 1.0, 1.0];
        let sample = metered(&file);
        let unbalance = unbalance_percent(sample.circuits[0].current_a);
        assert!((5.0..=9.0).contains(&unbalance), "current unbalance {unbalance} % at load {load}");
        let factors = sample.circuits[0].power_factor;
        let spread = factors.iter().fold(0.0, |most: f64, factor| most.max(*factor))
            - factors.iter().fold(1.0, |least: f64, factor| least.min(*factor));
        assert!((0.02..0.12).contains(&spread), "power factors {factors:?} spread as the motor responds");
    }
    close(unbalance_percent(metered(&table_case()).circuits[0].current_a), 0.0, 1e-6, "balanced supply");
}

#[test]
fn a_start_draws_the_locked_rotor_current_at_low_power_factor_and_then_settles() {
    let mut file = table_case();
    file.pumps[0].schedule[0].at_s = 1.0;
    let station = Station::new(&file).expect("a possible station");
    let at = |t_s| station.meter(0, t_s).expect("a monitor").circuits.remove(0);
    close(at(0.4).current_a[0], 0.0, 1e-9, "stopped");
    assert!(at(0.4).power_factor[0].is_nan());
    let plate = Nameplate {
        rated_power_w: 59_656.0,
        rated_voltage_v: 479.778,
        full_load_current_a: 100.0,
        full_load_power_factor: 0.85,
        locked_rotor_current_a: None,
    };
    let start = at(1.0);
    close(start.current_a[0] / plate.locked_rotor_a(), 1.0, 0.01, "locked rotor");
    assert!((0.15..0.3).contains(&start.power_factor[0]), "power factor at standstill {}", start.power_factor[0]);
    assert!(300.0 < at(2.0).current_a[0], "still high half way up");
    close(at(4.0).current_a[0], 100.0, 0.1, "running");
}

#[test]
fn a_motor_that_loses_a_phase_draws_nearly_twice_the_current_on_the_other_two() {
    let mut file = table_case();
    file.pumps[0].schedule[0].load = Some(0.5);
    let before = metered(&file).circuits.remove(0);
    file.pumps[0].lost_phase = Some("B".to_owned());
    let after = metered(&file).circuits.remove(0);
    close(after.current_a[1], 0.0, 1e-9, "the lost phase");
    close(after.current_a[0], after.current_a[2], 1e-3, "what goes in comes out");
    let ratio = after.current_a[0] / before.current_a[0];
    assert!((1.5..2.3).contains(&ratio), "current rises {ratio} times");
    let turned = (after.current_angle_deg[0] - after.current_angle_deg[2]).rem_euclid(360.0);
    close(turned, 180.0, 1e-3, "opposite currents");
    let power = after.total_active_power_w / before.total_active_power_w;
    assert!((0.95..1.25).contains(&power), "the pump still needs its power: {power}");
}

#[test]
fn a_supply_phase_lost_for_the_station_is_held_up_by_the_running_motor() {
    let mut file = table_case();
    file.pumps[0].schedule[0].load = Some(0.4);
    file.source.lost_phase = Some("C".to_owned());
    let sample = metered(&file);
    close(sample.circuits[0].current_a[2], 0.0, 1e-3, "no current in the lost phase");
    let fed_back = sample.voltage_ln_v[2] / 277.0;
    assert!((0.5..1.1).contains(&fed_back), "the motor feeds back {fed_back} of nominal");
    file.pumps[0].schedule.clear();
    close(metered(&file).voltage_ln_v[2], 0.0, 1e-9, "nothing runs, nothing feeds back");
}

#[test]
fn a_drive_has_harmonic_current_and_a_displacement_near_one() {
    let mut file = table_case();
    file.pumps[0].load = LoadKind::Drive;
    let circuit = metered(&file).circuits.remove(0);
    close(circuit.current_a[0], 100.0, 0.5, "RMS current at full load is the plate's");
    let displacement = circuit.current_angle_deg[0].to_radians().cos();
    close(displacement, 0.97, 1e-6, "displacement power factor");
    assert!((0.86..0.94).contains(&circuit.power_factor[0]), "true power factor {}", circuit.power_factor[0]);
    let square = circuit.active_power_w[0].powi(2) + circuit.reactive_power_var[0].powi(2);
    assert!(square < circuit.apparent_power_va[0].powi(2) * 0.9, "distortion power is apparent");
}

#[test]
fn a_capacitor_brings_the_motor_circuit_to_0_95_and_leads_at_no_load_when_too_large() {
    let mut file = table_case();
    file.pumps[0].load = LoadKind::MotorWithCapacitor;
    close(metered(&file).circuits[0].total_power_factor, 0.95, 0.003, "full load");
    file.pumps[0].capacitor_var = Some(60_000.0);
    file.pumps[0].schedule[0].load = Some(0.0);
    assert!(metered(&file).circuits[0].total_reactive_power_var < 0.0, "leading");
}

#[test]
fn a_heater_is_in_phase_and_follows_its_voltage() {
    let mut file = table_case();
    file.pumps[0].load = LoadKind::Resistive;
    let circuit = metered(&file).circuits.remove(0);
    close(circuit.total_active_power_w, 59_656.0, 1.0, "rated power at rated voltage");
    close(circuit.total_power_factor, 1.0, 1e-9, "power factor");
}

#[test]
fn a_soft_starter_limits_the_inrush() {
    let mut file = table_case();
    file.pumps[0].load = LoadKind::SoftStarter;
    file.pumps[0].schedule[0].at_s = 1.0;
    let station = Station::new(&file).expect("a possible station");
    let at = |t_s: f64| station.meter(0, t_s).expect("a monitor").circuits[0].current_a[0];
    close(at(1.2), 350.0, 0.5, "3.5 times full load");
    close(at(5.0), 100.0, 0.1, "bypassed");
}

#[test]
fn supply_harmonics_reach_the_motor_through_its_leakage_only() {
    let mut file = table_case();
    file.source.harmonics = vec![(5, 0.05, 0.0), (3, 0.05, 0.0)];
    let station = Station::new(&file).expect("a possible station");
    let current = &station.at(10.0).pumps[0].currents[0];
    // Leakage at the fifth is about five times that of standstill, through which 571 A would flow at full voltage.
    let fifth = current.order(5).norm();
    let expected = 0.05 * 571.0 / 5.0;
    assert!((0.8 * expected..1.2 * expected).contains(&fifth), "fifth harmonic {fifth} A");
    assert!(current.order(3).norm() < 1e-9, "a motor without neutral takes no third harmonic");
}
