//! What people read of energies and pump figures.

use super::*;
use crate::audit::wiring::{CurrentSeen, Wiring};
use crate::reading::{MonoMs, Phase};
use crate::station::fixtures::{instant, priced_snapshot_after};

/// CT 2 is the wrong way round: a third is registered.
fn reversed() -> Wiring {
    let sees = |phase, reversed| CurrentSeen::Conductor { phase, reversed };
    Wiring { current: [sees(Phase::A, false), sees(Phase::B, true), sees(Phase::C, false)], ..Wiring::INTENDED }
}

fn told(station: &StationSnapshot, now: Instant2) -> String {
    let mut out = String::new();
    energies(&mut out, &station.circuits[0], station.tariff.as_ref(), now);
    pump(&mut out, station, &station.circuits[0], now);
    out
}

#[test]
fn the_energies_of_a_miswired_pump() {
    insta::assert_snapshot!(told(&priced_snapshot_after("Alder Creek Lift", &reversed()), instant(60_200)));
}

#[test]
fn an_undecided_wiring_withholds_every_figure_that_rests_on_it() {
    let mut station = priced_snapshot_after("Alder Creek Lift", &reversed()).as_ref().clone();
    let mut assessment = station.circuits[0].assessment.as_deref().unwrap().clone();
    assessment.diagnosis.verdict = Verdict::Undecided;
    station.circuits[0].assessment = Some(std::sync::Arc::new(assessment));
    let text = told(&station, instant(60_200));
    assert!(!text.contains("by corrected power 0") && !text.contains("USD") && !text.contains("kWh/m3"), "{text}");
    assert_eq!(text.matches("withheld").count(), 4, "{text}");
    assert!(text.contains("the readings do not decide"), "{text}");
}

#[test]
fn old_values_make_no_pump_figure() {
    let station = priced_snapshot_after("Alder Creek Lift", &reversed());
    let text = told(&station, Instant2 { mono: MonoMs(100_000), ..instant(60_200) });
    assert!(text.contains("flow old 504.0 m3/h"), "{text}");
    assert_eq!(text.matches("the monitor gives no values of now").count(), 2, "{text}");
}

#[test]
fn a_rate_is_carried_back_to_a_date_only_from_an_hour_on() {
    let mut station = priced_snapshot_after("Alder Creek Lift", &reversed()).as_ref().clone();
    assert!(told(&station, instant(60_200)).contains("less than an hour is audited"));
    let sums = &mut station.circuits[0].energy.since_change.sums;
    *sums = Misregistration {
        registered_wh: 15_000.0,
        true_wh: 45_000.0,
        uncertainty_wh: 450.0,
        covered_ms: 3_600_000,
        running_ms: 3_600_000,
        left_out_ms: 0,
    };
    let day_later = UnixMs(1_698_796_800_000 + 86_400_000);
    let text = told(&station, Instant2 { wall: day_later, ..instant(60_200) });
    let joined = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        joined.contains(
            "ESTIMATE since 2023-11-01, the date given for the fault: difference -720.00 kWh (between -741.60 and 0.00), \
             -79.20 USD (between -81.58 and 0.00) at 0.11 USD per kWh. Not measured"
        ),
        "{joined}"
    );
}

#[test]
fn a_rounded_nothing_has_no_sign() {
    assert_eq!((kwh(-0.4), kwh(-1234.0)), ("0.00".to_owned(), "-1.23".to_owned()));
}

#[test]
fn instruments_that_are_not_wired_take_no_room() {
    let mut station = priced_snapshot_after("Alder Creek Lift", &reversed()).as_ref().clone();
    let mut reading = station.monitors[0].reading.as_deref().unwrap().clone();
    reading.circuits[0].water.flow_m3_per_s = Measured::NotAvailable;
    reading.circuits[0].water.head_m = Measured::NotAvailable;
    station.monitors[0].reading = Some(std::sync::Arc::new(reading.clone()));
    assert!(!told(&station, instant(60_200)).contains("Pump figures"));
    reading.circuits[0].water.head_m = Measured::Good(20.0);
    station.monitors[0].reading = Some(std::sync::Arc::new(reading));
    let text = told(&station, instant(60_200));
    assert_eq!(text.matches("withheld: the flow cannot be read now").count(), 2, "{text}");
    assert!(!text.contains("+/-"), "{text}");
}
