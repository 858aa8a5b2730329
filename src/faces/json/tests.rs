//! The promise of the document, key by key.

use super::*;
use crate::audit::assessment::Verdict;
use crate::audit::wiring::Wiring;
use crate::station::fixtures::{exchanged, instant, priced_snapshot_after, snapshot_after};

/// Rounds every number, so that the last digits of a computation are not part of the promise.
fn rounded(value: serde_json::Value) -> serde_json::Value {
    use serde_json::Value as V;
    match value {
        V::Number(n) if n.is_f64() => V::from((n.as_f64().unwrap() * 1000.0).round() / 1000.0),
        V::Array(items) => V::Array(items.into_iter().map(rounded).collect()),
        V::Object(map) => V::Object(map.into_iter().map(|(k, v)| (k, rounded(v))).collect()),
        other => other,
    }
}

fn json(wiring: &Wiring, now_ms: u64) -> serde_json::Value {
    let snapshot = snapshot_after("Alder Creek Lift", wiring);
    rounded(serde_json::to_value(document(&[snapshot], instant(now_ms))).unwrap())
}

#[test]
fn the_document_of_a_miswired_pump() {
    insta::assert_json_snapshot!(json(&exchanged(), 7200));
}

#[test]
fn cautions_are_the_first_text_of_the_document() {
    let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
    let text = serde_json::to_string(&document(&[snapshot], instant(7200))).unwrap();
    let cautions = text.find("authorizes nobody").unwrap();
    assert!(cautions < text.find("swapped").unwrap());
    assert_eq!(json(&Wiring::INTENDED, 7200)["cautions"], serde_json::json!([]));
}

#[test]
fn old_values_are_marked_and_what_speaks_of_now_is_withheld() {
    let old = json(&exchanged(), 60_000);
    let station = &old["stations"][0];
    assert_eq!(station["monitors"][0]["state"], "stale");
    assert_eq!(station["monitors"][0]["age_ms"], 53_000);
    assert_eq!(station["monitors"][0]["voltage_ln_v"][0]["quality"], "stale");
    assert_eq!(station["circuits"][0]["reported"]["current_a"][0]["quality"], "stale");
    assert_eq!(station["circuits"][0]["corrected"], serde_json::Value::Null);
    assert_eq!(station["circuits"][0]["run_state"], "unknown");
    assert_eq!(station["circuits"][0]["verdict"], "fault");
}

#[test]
fn no_number_is_ever_written_that_json_cannot_hold() {
    let mut snapshot = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
    let mut reading = snapshot.monitors[0].reading.as_deref().unwrap().clone();
    reading.voltage_ln_v[0] = Measured::OutOfRange(f64::NAN);
    snapshot.monitors[0].reading = Some(std::sync::Arc::new(reading));
    let value = serde_json::to_value(document(&[Box::new(snapshot)], instant(7200))).unwrap();
    let shown = &value["stations"][0]["monitors"][0]["voltage_ln_v"][0];
    assert_eq!(shown, &serde_json::json!({"value": null, "quality": "out_of_range"}));
}

#[test]
fn the_energies_and_pump_figures_of_a_miswired_pump() {
    let station = priced_snapshot_after("Alder Creek Lift", &exchanged());
    let document = rounded(serde_json::to_value(document(&[station], instant(60_200))).unwrap());
    let circuit = &document["stations"][0]["circuits"][0];
    insta::assert_json_snapshot!(serde_json::json!({ "energy": circuit["energy"], "pump": circuit["pump"] }));
}

#[test]
fn what_is_withheld_is_null_beside_its_reason() {
    let mut station = priced_snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
    let mut assessment = station.circuits[0].assessment.as_deref().unwrap().clone();
    assessment.diagnosis.verdict = Verdict::Undecided;
    station.circuits[0].assessment = Some(std::sync::Arc::new(assessment));
    let document = serde_json::to_value(document(&[Box::new(station)], instant(60_200))).unwrap();
    let circuit = &document["stations"][0]["circuits"][0];
    let energy = &circuit["energy"]["since_start"];
    assert_eq!(energy["withheld"]["reason"], "undecided", "{energy}");
    assert_eq!(circuit["energy"]["since_fault"]["withheld"]["reason"], "undecided");
    for key in ["true_wh", "difference_wh", "difference_lowest_wh", "difference_highest_wh", "cost"] {
        assert_eq!(energy[key], serde_json::Value::Null, "{key}");
    }
    let pump = &circuit["pump"];
    assert_eq!(pump["specific_energy"]["withheld"]["reason"], "power_in_doubt", "{pump}");
    for figure in [
        &pump["specific_energy"]["kwh_per_m3"],
        &pump["specific_energy"]["kwh_per_million_gallons"],
        &pump["wire_to_water_efficiency"]["ratio"],
        &pump["power_uncertainty_ratio"],
    ] {
        assert_eq!(figure, &serde_json::Value::Null);
    }
    assert_eq!(json(&exchanged(), 7200)["stations"][0]["circuits"][0]["pump"], serde_json::Value::Null);
}
