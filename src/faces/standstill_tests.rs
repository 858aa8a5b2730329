//! What is printed while a pump is stopped: the last steady running reading, marked as such, and why power is not corrected.

use std::sync::Arc;

use crate::audit::context::ServiceKind;
use crate::audit::testbench::{LoadState, Offer, context_for};
use crate::audit::wiring::Wiring;
use crate::faces::picture::{Expected, pictures};
use crate::faces::{json, report, sheet, sheet_text};
use crate::reading::Rotation;
use crate::station::fixtures::{exchanged, good_event, instant, reading, station_config};
use crate::station::snapshot::StationSnapshot;
use crate::station::state::StationState;

const EXPECTED: Expected = Expected { service: ServiceKind::Wye4, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };

/// Ran for eight seconds, and has been stopped since.
fn stopped(wiring: &Wiring) -> StationState {
    let mut state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
    for second in 0..8 {
        state.take(0, good_event(reading(wiring, 1000 * second)));
    }
    let still = LoadState::with(&context_for(Offer::Full), 0.0, 30.0);
    for second in 8..20 {
        state.take(0, good_event(still.seen(wiring, Offer::Full, 1000 * second)));
    }
    state
}

fn snapshot(state: &StationState) -> StationSnapshot {
    state.snapshot(instant(19_200))
}

#[test]
fn a_stopped_pump_shows_its_last_steady_run_with_the_time() {
    let running = crate::station::fixtures::snapshot_after("Alder Creek Lift", &exchanged());
    let station = snapshot(&stopped(&exchanged()));
    let circuit = &station.circuits[0];
    let last = circuit.last_run.as_ref().unwrap();
    assert_eq!(last.at, instant(7000).wall);
    let text = sheet_text::text(&sheet::sheet(&station, circuit, EXPECTED, instant(19_200)));
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("of the last steady run, 2023-11-14T22:13:27Z; the pump is not running steadily now"),
        "{text}"
    );
    let (of_run, _) = pictures(&running, &running.circuits[0], EXPECTED);
    let (of_stop, _) = pictures(&station, circuit, EXPECTED);
    assert_eq!((of_run.voltage, of_run.current), (of_stop.voltage, of_stop.current));
    assert!(of_run.note.is_empty(), "{}", of_run.note);
    let report = report::text(&[Arc::new(station.clone())], instant(19_200));
    assert!(report.contains("Last steady reading of the running pump, 2023-11-14T22:13:27Z (not of now)"), "{report}");
    assert!(report.contains("Corrected power: none (the pump is stopped)"), "{report}");
    let json = serde_json::to_value(json::circuit(&station, circuit, instant(19_200))).unwrap();
    assert_eq!(json["last_steady_run"]["at"], "2023-11-14T22:13:27Z");
    assert_eq!(json["corrected_withheld"]["reason"], "stopped");
    let json = serde_json::to_value(json::circuit(&running, &running.circuits[0], instant(7200))).unwrap();
    assert_eq!(
        (&json["last_steady_run"], &json["corrected_withheld"]),
        (&serde_json::Value::Null, &serde_json::Value::Null)
    );
}

#[test]
fn the_last_steady_run_outlives_a_restart() {
    let before = stopped(&exchanged());
    let image = before.image(0, instant(20_000)).unwrap();
    let mut after = StationState::new(&station_config("Alder Creek Lift")).unwrap();
    after.take_up(&[Some(image)], instant(30_000));
    assert_eq!(after.snapshot(instant(30_000)).circuits[0].last_run, snapshot(&before).circuits[0].last_run);
}
