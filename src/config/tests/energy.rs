//! Tariffs, the day of a fault, and where flow and head come from.

use super::*;
use crate::config::model::{Tariff, WaterSource};
use crate::config::{Config, Problems};
use crate::modbus::map::{Channel, MapSource, Quantity};
use crate::reading::UnixMs;

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn config(text: &str) -> Result<Config, Problems> {
    parse("f.toml", text, &MapLibrary::builtin())
}

const UTILITY: &str = "[tariff]\ncurrency = \"USD\"\nprice_per_kwh = 0.11\n";

#[test]
fn a_station_has_its_own_tariff_else_the_utilitys_else_none() -> Outcome {
    assert_eq!(config(MINIMAL)?.stations[0].tariff, None);
    let of_utility = Tariff { currency: "USD".to_owned(), price_per_kwh: 0.11 };
    assert_eq!(config(&format!("{UTILITY}{MINIMAL}"))?.stations[0].tariff, Some(of_utility));
    let own = with(
        MINIMAL,
        "nominal_voltage = \"480 V\"\n",
        "nominal_voltage = \"480 V\"\ntariff = { currency = \"CAD\", price_per_kwh = 2 }\n",
    );
    let of_station = Tariff { currency: "CAD".to_owned(), price_per_kwh: 2.0 };
    assert_eq!(config(&format!("{UTILITY}{own}"))?.stations[0].tariff, Some(of_station));
    Ok(())
}

#[test]
fn a_bad_tariff_is_told() {
    let told_of_utility = |text: &str| told(&format!("{text}{MINIMAL}"));
    check(
        |text| told(&format!("{text}{MINIMAL}")),
        UTILITY,
        &[
            (
                "price_per_kwh = 0.11\n",
                "",
                &[
                    r"f.toml:1:1: tariff.price_per_kwh: this key is missing; write the price of a kWh, for example price_per_kwh = 0.11",
                ],
            ),
            (
                "0.11",
                "\"0.11 USD\"",
                &[
                    r#"f.toml:3:17: tariff.price_per_kwh: expected a finite number, found the text "0.11 USD"; write for example price_per_kwh = 0.11"#,
                ],
            ),
            (
                "0.11",
                "0",
                &[
                    r"f.toml:3:17: tariff.price_per_kwh: a price lies above 0 and at most at 1000000; write the price of one kWh in the currency's main unit, for example price_per_kwh = 0.11",
                ],
            ),
            (
                "0.11",
                "nan",
                &[
                    r"f.toml:3:17: tariff.price_per_kwh: expected a finite number, found the number nan; write for example price_per_kwh = 0.11",
                ],
            ),
            (
                "\"USD\"",
                "\"\"",
                &[r#"f.toml:2:12: tariff.currency: this name is empty; write for example currency = "USD""#],
            ),
            (
                "price_per_kwh",
                "price_per_kw",
                &["f.toml:3:1: tariff.price_per_kw: this key is not known; did you mean price_per_kwh?"],
            ),
        ],
    );
    assert_eq!(
        told_of_utility("tariff = 0.11\n"),
        ["f.toml:1:10: tariff: expected a table, found the number 0.11; write a header [tariff] and its keys below it"]
    );
}

#[test]
fn the_day_of_a_fault_is_a_day_alone() -> Outcome {
    let circuit = |value: &str| format!("{MINIMAL}fault_since = {value}\n");
    // 2026-03-01T00:00:00Z is 1 772 323 200 s after the epoch (date -ud 2026-03-01 +%s).
    assert_eq!(config(&circuit("2026-03-01"))?.stations[0].circuits[0].fault_since, Some(UnixMs(1_772_323_200_000)));
    let hint = "write the day without quotes, for example fault_since = 2026-03-01";
    for (value, message) in [
        ("\"2026-03-01\"", "expected a day, found the text \"2026-03-01\""),
        ("2026-03-01T10:00:00Z", "this is not a day alone"),
        ("10:00:00", "this is not a day alone"),
        ("3", "expected a day, found the number 3"),
    ] {
        let expected = format!("f.toml:16:15: stations.circuits.fault_since: {message}; {hint}");
        assert_eq!(told(&circuit(value)), [expected], "{value}");
    }
    Ok(())
}

const RTU: &str = r#"
[[stations.monitors]]
name = "RTU"
address = "127.0.0.1:15022"
unit = 1
map = "generic-full"
"#;

fn with_rtu(keys: &str) -> String {
    format!("{MINIMAL}{keys}{RTU}")
}

#[test]
fn flow_and_head_come_from_the_circuits_own_slot_or_one_that_is_named() -> Outcome {
    let water = |text: &str| -> Result<WaterSource, Problems> { Ok(config(text)?.stations[0].circuits[0].water) };
    assert_eq!(water(MINIMAL)?, WaterSource { monitor: 0, slot: 0 });
    assert_eq!(water(&with_rtu("water_monitor = \"RTU\"\nwater_slot = 2\n"))?, WaterSource { monitor: 1, slot: 1 });
    assert_eq!(water(&with_rtu("water_monitor = \"RTU\"\n"))?, WaterSource { monitor: 1, slot: 0 });
    Ok(())
}

#[test]
fn a_bad_source_of_water_is_told() {
    assert_eq!(
        told(&with_rtu("water_monitor = \"RTU1\"\n")),
        [
            r#"f.toml:16:17: stations.circuits.water_monitor: this station has no monitor named "RTU1"; did you mean "RTU"?"#
        ]
    );
    assert_eq!(
        told(&with_rtu("water_slot = 1\n")),
        [
            "f.toml:16:14: stations.circuits.water_slot: there is no water_monitor that this slot is of; name it, or take this key out"
        ]
    );
    assert_eq!(
        told(&with(
            &with_rtu("water_monitor = \"RTU\"\n"),
            "unit = 1\nmap = \"generic-full\"\n\n[[stations.circuits]]",
            "unit = 1\nmap = \"generic-watts\"\n\n[[stations.circuits]]"
        )),
        ["no problem"],
        "the circuit's own map need not give it"
    );
    let text = with_rtu("water_monitor = \"PM-1\"\nwater_slot = 1\n");
    let text = with(&text, "map = \"generic-full\"", "map = \"generic-watts\"");
    assert_eq!(
        told(&text),
        [
            r#"f.toml:17:14: stations.circuits.water_slot: slot 1 of that monitor's map has no flow, head or pressure; name a device whose map has a point with quantity = "flow", and its slot"#
        ]
    );
    let second = "[[stations.circuits]]\nname = \"Pump 2\"\nmonitor = \"PM-1\"\nslot = 2\nload = \"unknown\"\nwater_monitor = \"RTU\"\n";
    assert_eq!(
        told(&with_rtu(&format!("water_monitor = \"RTU\"\n{second}"))),
        [
            "f.toml:17:1: stations.circuits.water_slot: the water of slot 1 is taken by the circuit at line 12; each pump needs a flow of its own"
        ]
    );
}

#[test]
fn the_units_of_the_trade_are_read_on_the_water_side() -> Outcome {
    let point = |quantity: &str, unit: &str| {
        let text = with(SMALL_MAP, "quantity = \"current\"\nchannel = \"1\"", &format!("quantity = \"{quantity}\""));
        with(&with(&text, "unit = \"A\"", &format!("unit = \"{unit}\"")), "scale = 0.1\n", "")
    };
    for (quantity, unit, kind, factor) in [
        ("flow", "gpm", Quantity::Flow, 6.309_019_64e-5),
        ("flow", "MGD", Quantity::Flow, 0.043_812_636_388_888_89),
        ("flow", "m3/h", Quantity::Flow, 1.0 / 3600.0),
        ("flow", "l/s", Quantity::Flow, 0.001),
        ("head", "ft", Quantity::Head, 0.3048),
        ("suction-pressure", "psi", Quantity::SuctionPressure, 6_894.757_293_168_361),
        ("discharge-pressure", "bar", Quantity::DischargePressure, 1e5),
    ] {
        let map = parse_map("m.toml", &point(quantity, unit))?;
        let found = &map.points[0];
        assert_eq!((found.target.quantity, found.target.channel), (kind, Channel::Total));
        assert!((found.scale / factor - 1.0).abs() < 1e-12, "{quantity} in {unit}: {}", found.scale);
    }
    assert_eq!(
        told_of_map(&point("flow", "psi")),
        ["m.toml:11:8: points.unit: flow is in m3/s, not psi; units of flow: m3/s, m3/h, l/s, l/min, gpm, MGD"]
    );
    assert_eq!(
        told_of_map(&point("head", "FT")),
        ["m.toml:11:8: points.unit: \"FT\" is not a unit known here; write \"ft\" (case matters)"]
    );
    let Some(MapSource::Fixed(full)) = MapLibrary::builtin().get("generic-full").cloned() else {
        return Err("a fixed map expected".into());
    };
    let flows: Vec<u16> =
        full.points.iter().filter(|p| p.target.quantity == Quantity::Flow).map(|p| p.address).collect();
    assert_eq!(flows, [154, 254]);
    Ok(())
}
