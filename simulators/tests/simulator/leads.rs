//! Leads that are loose, off, blown, fed back, or wrong for a while: each changes what it should and only that.

use wattassay_simulators::{MeterSample, RewireFile, ServiceFile, Station, StationFile};

use crate::common::{close, leads, metered, table_case};

/// Leads with spaces in them, separated by commas.
fn spaced(text: &str) -> [String; 3] {
    let words: Vec<String> = text.split(", ").map(str::to_owned).collect();
    words.try_into().expect("three leads")
}

/// Everything of channel `channel` that two samples agree on, NaN equal to NaN.
fn same_channel(one: &MeterSample, other: &MeterSample, channel: usize, what: &str) {
    let values = |sample: &MeterSample| {
        let circuit = &sample.circuits[0];
        format!(
            "{:.6} {:.6} {:.6} {:.6}",
            sample.voltage_ln_v[channel],
            circuit.current_a[channel],
            circuit.active_power_w[channel],
            circuit.reactive_power_var[channel]
        )
    };
    assert_eq!(values(one), values(other), "{what}: channel {}", channel + 1);
}

/// Every lead fault on channel 2 of a four-wire service leaves channels 1 and 3 as they were.
#[test]
fn a_fault_of_one_lead_changes_its_own_channel_and_no_other() {
    let sound = metered(&table_case());
    let voltages = ["A, -B, C", "A, B*0.5, C", "A, B~0.3, C", "A, blown, C", "A, blown B, C", "A, off B*0.2, C"];
    let voltages = voltages.into_iter().chain(["A, backfed B, C", "A, off, C", "A, A, C"]);
    let currents = ["A, -B, C", "A, B*0.5, C", "A, B~0.3, C", "A, open, C", "A, A+B, C", "A, B+B, C", "A, A, C"];
    let cases = voltages.map(|text| (text, true)).chain(currents.map(|text| (text, false)));
    for (text, is_voltage) in cases {
        let mut file = table_case();
        if is_voltage {
            file.monitors[0].voltage = spaced(text);
        } else {
            file.monitors[0].currents = vec![spaced(text)];
        }
        let spoiled = metered(&file);
        same_channel(&sound, &spoiled, 0, text);
        same_channel(&sound, &spoiled, 2, text);
        let power = |sample: &MeterSample| sample.circuits[0].active_power_w[1];
        assert!(10.0 < (power(&spoiled) - power(&sound)).abs(), "{text} changes nothing");
        let channel = |sample: &MeterSample| (sample.voltage_ln_v[1], sample.circuits[0].current_a[1]);
        if is_voltage {
            assert_eq!(channel(&spoiled).1, channel(&sound).1, "{text}: current");
        } else {
            assert_eq!(channel(&spoiled).0, channel(&sound).0, "{text}: voltage");
        }
    }
}

#[test]
fn a_loose_ct_reads_low_by_another_amount_every_moment_but_at_the_true_angle() {
    let mut file = table_case();
    file.monitors[0].currents = vec![leads("A~0.3 B C")];
    let station = Station::new(&file).expect("a possible station");
    let at = |t_s: f64| station.meter(0, t_s).expect("a monitor").circuits.remove(0);
    let truth = metered(&table_case()).circuits.remove(0);
    let ratios: Vec<f64> = (10..110).map(|t_s| at(f64::from(t_s)).current_a[0] / truth.current_a[0]).collect();
    assert!(ratios.iter().all(|ratio| (0.7..=1.0).contains(ratio)), "within its depth");
    let (least, most) =
        ratios.iter().fold((1.0f64, 0.0f64), |(least, most), ratio| (least.min(*ratio), most.max(*ratio)));
    assert!(0.15 < most - least, "from {least} to {most}");
    close(at(37.0).current_angle_deg[0], truth.current_angle_deg[0], 1e-6, "angle");
    assert_eq!(at(37.0).current_a[0], at(37.0).current_a[0], "the same moment gives the same value");
}

/// What a dead lead picks up is a trade fact without a source: some percent through a blown fuse, more in the air.
#[test]
fn blown_and_hanging_leads_keep_a_residue() {
    for (voltage, volts) in [("A, blown, C", 0.0), ("A, blown B, C", 8.31), ("A, off B*0.2, C", 55.4)] {
        let mut file = table_case();
        file.monitors[0].voltage = spaced(voltage);
        close(metered(&file).voltage_ln_v[1], volts, 0.01, voltage);
    }
    // On three wires a lead that carries no current takes no part in the star point of the other two.
    let mut file = table_case();
    file.source.service = Some(ServiceFile::Delta3Wire);
    file.monitors[0].voltage = spaced("A, blown, C");
    let without = metered(&file);
    file.monitors[0].voltage = spaced("A, off B*0.2, C");
    close(metered(&file).voltage_ln_v[0], without.voltage_ln_v[0], 1e-9, "star point");
}

fn fed_back(change: impl Fn(&mut StationFile)) -> (MeterSample, MeterSample) {
    let mut file = table_case();
    file.pumps[0].schedule[0].load = Some(0.8);
    file.pumps[0].schedule.push(wattassay_simulators::StepFile { at_s: 40.0, load: None, stop: true });
    change(&mut file);
    let station = Station::new(&file).expect("a possible station");
    (station.meter(0, 20.0).expect("a monitor"), station.meter(0, 50.0).expect("a monitor"))
}

/// Handbooks of motor protection: a motor that has lost a phase holds it up at 60 to 95 percent, from memory.
fn assert_held_up(running: &MeterSample, stopped: &MeterSample, what: &str) {
    let held = running.voltage_ln_v[1] / 277.0;
    let shift_deg = (running.voltage_angle_deg[1] + 120.0).abs();
    assert!((0.6..=0.95).contains(&held), "{what}: held at {held}");
    assert!((2.0..40.0).contains(&shift_deg), "{what}: shifted by {shift_deg} degrees");
    close(stopped.voltage_ln_v[1], 0.0, 1e-9, &format!("{what}: collapses"));
    for sample in [running, stopped] {
        close(sample.voltage_ln_v[0], 277.0, 1e-3, &format!("{what}: A is whole"));
        close(sample.voltage_ln_v[2], 277.0, 1e-3, &format!("{what}: C is whole"));
    }
}

#[test]
fn a_running_motor_feeds_an_open_phase_back_and_lets_it_fall_when_it_stops() {
    let (running, stopped) = fed_back(|file| file.monitors[0].voltage = spaced("A, backfed B, C"));
    assert_held_up(&running, &stopped, "fuse of the monitor");
    close(running.circuits[0].current_a[1], running.circuits[0].current_a[0], 1e-6, "the pump keeps its three phases");

    let (running, stopped) = fed_back(|file| {
        file.pumps[0].lost_phase = Some("B".to_owned());
        file.monitors[0].voltage = spaced("Pump 1:A, Pump 1:B, Pump 1:C");
    });
    assert_held_up(&running, &stopped, "behind the fuses of the pump");
    close(running.circuits[0].current_a[1], 0.0, 1e-9, "the pump runs on two");

    let (running, stopped) = fed_back(|file| file.source.lost_phase = Some("B".to_owned()));
    assert_held_up(&running, &stopped, "fuse of the station");
}

/// Nothing, then a fault, then its repair: voltage leads and CTs alike, and a conductor lost for a while.
#[test]
fn faults_come_and_go_at_their_times() {
    let mut file = table_case();
    let voltage = |text: &str| Some(spaced(text));
    let current = |text: &str| Some(vec![spaced(text)]);
    file.monitors[0].rewire = vec![
        RewireFile { at_s: 20.0, voltage: voltage("A, blown B, C"), currents: None },
        RewireFile { at_s: 30.0, voltage: voltage("A, B, C"), currents: current("A, C, B") },
        RewireFile { at_s: 40.0, voltage: None, currents: current("A, B, C") },
    ];
    file.pumps[0].lost_phase = Some("C".to_owned());
    file.pumps[0].lost_from_s = 50.0;
    file.pumps[0].lost_to_s = Some(60.0);
    file.pumps[0].schedule[0].load = Some(0.5);
    let station = Station::new(&file).expect("a possible station");
    let at = |t_s: f64| station.meter(0, t_s).expect("a monitor");
    let sound = at(19.8);
    for t_s in [40.0, 49.8, 60.0, 90.0] {
        assert_eq!(at(t_s).circuits[0].active_power_w, sound.circuits[0].active_power_w, "whole at {t_s} s");
        assert_eq!(at(t_s).voltage_ln_v, sound.voltage_ln_v, "whole at {t_s} s");
    }
    for t_s in [20.0, 29.8] {
        close(at(t_s).voltage_ln_v[1], 0.03 * 277.0, 0.01, "blown");
        assert_eq!(at(t_s).circuits[0].current_a, sound.circuits[0].current_a);
    }
    for t_s in [30.0, 39.8] {
        close(at(t_s).voltage_ln_v[1], 277.0, 0.01, "mended");
        close(at(t_s).circuits[0].total_active_power_w, 0.0, 1.0, "two CTs exchanged");
    }
    close(at(55.0).circuits[0].current_a[2], 0.0, 1e-9, "lost");
}
