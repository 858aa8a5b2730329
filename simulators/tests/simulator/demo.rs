//! The bundled stations: readable, different, alive within a minute, and as the demonstration configuration says.

use std::collections::BTreeSet;

use wattassay_simulators::{RunPoint, Station, StationFile, Verdict, demo_stations, demo_texts};

fn named(name: &str) -> Station {
    let file = demo_stations().into_iter().find(|file| file.name == name).expect("a bundled station");
    Station::new(&file).expect("a possible station")
}

/// First moment at which the pump has run for a while, s.
fn running_at(station: &Station, pump: usize) -> f64 {
    (0..600)
        .map(|step| f64::from(step) * 0.2)
        .find(|t_s| matches!(station.at(*t_s).pumps[pump].run, RunPoint::Running { .. }))
        .expect("the pump runs within two minutes")
        + 1.0
}

#[test]
fn all_are_readable_possible_and_on_their_own_ports() {
    let stations = demo_stations();
    assert_eq!(stations.len(), demo_texts().len());
    assert!(7 <= stations.len());
    let ports: BTreeSet<&str> =
        stations.iter().flat_map(|file| &file.monitors).map(|monitor| monitor.listen.as_str()).collect();
    assert_eq!(ports.len(), stations.len());
    assert!(ports.iter().all(|port| port.starts_with("127.0.0.1:1502")));
    for (name, text) in demo_texts() {
        let file = StationFile::from_toml(text).unwrap_or_else(|error| panic!("{name}: {error}"));
        let station = Station::new(&file).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(file.expect.is_some(), "{name} states its truth");
        let (mut started, mut stopped) = (false, false);
        for second in 0..70 {
            let run = station.at(f64::from(second)).pumps[0].run;
            started |= run.is_energized();
            stopped |= started && !run.is_energized();
        }
        assert!(started && stopped, "{name} starts and stops within 70 s");
    }
    let sound =
        stations.iter().filter(|file| file.expect.as_ref().is_some_and(|truth| truth.verdict == Verdict::Sound));
    assert_eq!(sound.count(), 2);
}

#[test]
fn each_fault_shows_the_signature_of_its_note() {
    let circuit = |name: &str, pump: usize| {
        let station = named(name);
        let t_s = running_at(&station, pump);
        station.meter(0, t_s).expect("a monitor").circuits.remove(pump)
    };
    let share =
        |circuit: &wattassay_simulators::CircuitSample| circuit.total_active_power_w / circuit.total_apparent_power_va;
    let sound = circuit("Alder Creek Lift", 0);
    assert!(0.7 < share(&sound));
    assert!(share(&circuit("Quarry Road Booster", 0)).abs() < 0.02, "exchanged: nearly nothing");
    assert!(0.6 < share(&circuit("Mill Race Pumping", 0)));
    let third = circuit("Mill Race Pumping", 1);
    assert!(third.active_power_w[1] < 0.0 && (0.2..0.35).contains(&share(&third)));
    let open = circuit("Heron Point Lift", 0);
    assert!(open.current_a[2] == 0.0 && 10.0 < open.current_a[0]);
    assert!(share(&circuit("Saltgrass Intake", 0)).abs() < 0.02 && share(&circuit("Saltgrass Intake", 1)).abs() < 0.02);
    assert!(share(&circuit("Fenwick Hill Booster", 0)) < -0.8);
    let reversed = circuit("Tannery Street Lift", 0);
    assert!(reversed.active_power_w.iter().all(|power| *power < 0.0) && share(&reversed) < -0.7);
    let low = circuit("Cooper Flats Pumping", 0);
    let mean = low.current_a.iter().sum::<f64>() / 3.0;
    let unbalance = low.current_a.iter().map(|amps| (amps - mean).abs()).fold(0.0, f64::max) / mean;
    assert!((0.05..0.1).contains(&unbalance) && 0.7 < share(&low), "odd but sound: {unbalance}");
}

/// The daemon's demonstration configuration carries the nameplates and addresses of the station files.
#[test]
fn the_demonstration_configuration_agrees_with_the_stations() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../config/demo.toml");
    let text = std::fs::read_to_string(path).expect("config/demo.toml");
    let config: toml::Table = text.parse().expect("good TOML");
    let configured = config["stations"].as_array().expect("stations");
    let stations = demo_stations();
    assert_eq!(configured.len(), stations.len());
    for (configured, station) in configured.iter().zip(&stations) {
        let name = &station.name;
        assert_eq!(configured["name"].as_str(), Some(name.as_str()));
        let monitors = configured["monitors"].as_array().expect("monitors");
        assert_eq!(monitors.len(), station.monitors.len());
        for (configured, monitor) in monitors.iter().zip(&station.monitors) {
            assert_eq!(configured["name"].as_str(), Some(monitor.name.as_str()), "{name}");
            assert_eq!(configured["address"].as_str(), Some(monitor.listen.as_str()), "{name}");
            let map = configured["map"].as_str().expect("a map");
            assert!(map == monitor.map || (map == "sunspec" && monitor.map.starts_with("sunspec-")), "{name}");
            let serial = configured.get("transport").and_then(toml::Value::as_str) == Some("rtu-over-tcp");
            assert_eq!(serial, monitor.transport == wattassay_simulators::Transport::RtuOverTcp, "{name}");
        }
        let circuits = configured["circuits"].as_array().expect("circuits");
        assert_eq!(circuits.len(), station.pumps.len());
        for (configured, pump) in circuits.iter().zip(&station.pumps) {
            let number = |key: &str, unit: &str| -> f64 {
                let text = configured[key].as_str().expect("text with a unit");
                text.strip_suffix(unit).expect(unit).trim().parse().expect("a number")
            };
            assert_eq!(configured["name"].as_str(), Some(pump.name.as_str()), "{name}");
            assert!((number("rated_power", "hp") * 745.7 - pump.rated_power_w).abs() < 1.0, "{name}");
            assert_eq!(number("rated_voltage", "V"), pump.rated_voltage_v, "{name}");
            assert_eq!(number("full_load_current", "A"), pump.full_load_current_a, "{name}");
            assert_eq!(configured["full_load_power_factor"].as_float(), Some(pump.full_load_power_factor), "{name}");
        }
    }
}
