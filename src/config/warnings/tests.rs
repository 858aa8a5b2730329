//! Each oddity from a file that has it, the files of this project and the nameplates of the field without any.

use proptest::prelude::*;

use crate::config::{MapLibrary, parse};

/// A station without any oddity.
const SOUND: &str = r#"[[stations]]
name = "Alder Creek Lift"
service = "wye-4-wire"
nominal_voltage = "480 V"
voltage_connection = "direct"

[[stations.monitors]]
name = "PM-1"
address = "127.0.0.1:15021"
unit = 1
map = "generic-full"

[[stations.circuits]]
name = "Pump 1"
monitor = "PM-1"
load = "induction-motor"
rated_power = "60 hp"
rated_voltage = "460 V"
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "100:5"
"#;

fn warnings(text: &str) -> Vec<String> {
    let config = parse("f.toml", text, &MapLibrary::builtin()).unwrap();
    config.warnings.iter().map(|warning| warning.to_string().lines().next().unwrap_or_default().to_owned()).collect()
}

/// The warnings of the sound station with some lines replaced; a line that is replaced by nothing is gone.
fn changed(lines: &[(&str, &str)]) -> Vec<String> {
    let mut text = SOUND.to_owned();
    for (from, to) in lines {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    warnings(&text)
}

#[test]
fn a_sound_station_has_no_warning() {
    assert_eq!(warnings(SOUND), Vec::<String>::new());
}

/// Every line: what is changed in the sound station, and all that is then said.
#[test]
fn each_oddity_is_told_once_with_its_place_and_what_to_write() {
    type Case<'a> = (&'a str, usize, &'a [(&'a str, &'a str)]);
    let cases: &[Case] = &[
        ("current of another motor", 1, &[("77 A", "770 A"), ("100:5", "1000:5")]),
        ("current of the other voltage", 1, &[("77 A", "154 A"), ("100:5", "200:5")]),
        ("kW written as hp", 1, &[("60 hp", "200 kW")]),
        ("CTs below the full load", 1, &[("100:5", "50:5")]),
        ("CTs below the full load, by its power", 2, &[("full_load_current = \"77 A\"\n", ""), ("100:5", "50:5")]),
        ("CTs far above the full load", 1, &[("100:5", "800:5")]),
        ("nominal voltage to neutral", 1, &[("480 V", "277 V")]),
        (
            "VT secondary",
            1,
            &[("480 V", "120 V"), ("\"direct\"", "\"transformers\""), ("rated_voltage = \"460 V\"\n", "")],
        ),
        (
            "nominal to neutral by the plate",
            1,
            &[
                ("480 V", "2400 V"),
                ("460 V", "4000 V"),
                ("77 A", "8.5 A"),
                ("\"direct\"", "\"transformers\""),
                ("100:5", "15:5"),
            ],
        ),
        ("rated voltage to neutral", 1, &[("460 V", "277 V"), ("77 A", "128 A"), ("100:5", "150:5")]),
        ("a motor of the other voltage", 1, &[("460 V", "230 V"), ("77 A", "154 A"), ("100:5", "200:5")]),
        (
            "high leg",
            1,
            &[
                ("wye-4-wire", "high-leg-delta"),
                ("480 V", "208 V"),
                ("460 V", "230 V"),
                ("77 A", "154 A"),
                ("100:5", "200:5"),
            ],
        ),
        (
            "split phase",
            1,
            &[
                ("wye-4-wire", "split-phase"),
                ("480 V", "120 V"),
                ("460 V", "230 V"),
                ("60 hp", "3 hp"),
                ("77 A", "17 A"),
                ("100:5", "50:5"),
            ],
        ),
        ("open delta without VTs", 1, &[("wye-4-wire", "open-delta")]),
        (
            "high voltage without VTs",
            1,
            &[("480 V", "4160 V"), ("460 V", "4000 V"), ("77 A", "8.5 A"), ("100:5", "15:5")],
        ),
        ("VTs not declared", 1, &[("voltage_connection = \"direct\"\n", "")]),
        (
            "no plate",
            1,
            &[(
                "rated_power = \"60 hp\"\nrated_voltage = \"460 V\"\nfull_load_current = \"77 A\"\nfull_load_power_factor = 0.86\n",
                "",
            )],
        ),
        (
            "no plate, no CTs",
            2,
            &[(
                "rated_power = \"60 hp\"\nrated_voltage = \"460 V\"\nfull_load_current = \"77 A\"\nfull_load_power_factor = 0.86\nct_ratio = \"100:5\"\n",
                "",
            )],
        ),
        ("a drive without its current", 1, &[("induction-motor", "drive"), ("full_load_current = \"77 A\"\n", "")]),
        ("no power factor", 1, &[("full_load_power_factor = 0.86\n", "")]),
        ("a power factor of another load", 1, &[("0.86", "0.086")]),
        ("a motor with a heater's power factor", 1, &[("0.86", "1.0")]),
        ("a heater with a motor's", 1, &[("induction-motor", "resistive"), ("77 A", "56 A")]),
        ("two secondaries", 1, &[("ct_ratio = \"100:5\"", "ct_ratio = \"100:5\"\nct_secondary = \"333 mV\"")]),
        (
            "frequency",
            1,
            &[("voltage_connection = \"direct\"", "voltage_connection = \"direct\"\nnominal_frequency = \"55 Hz\"")],
        ),
        ("two currents", 1, &[("ct_ratio = \"100:5\"", "ct_ratio = \"100:5\"\nct_secondary = \"1 A\"")]),
    ];
    let mut told = String::new();
    for (what, count, lines) in cases {
        let warnings = changed(lines);
        assert_eq!(warnings.len(), *count, "{what}: {warnings:#?}");
        told.push_str(&format!("# {what}\n{}\n", warnings.join("\n")));
    }
    insta::assert_snapshot!(told);
}

#[test]
fn what_is_no_contradiction_is_no_warning() {
    for lines in [
        &[("ct_ratio = \"100:5\"", "ct_ratio = \"100 A : 333 mV\"")][..],
        &[("ct_ratio = \"100:5\"", "ct_ratio = \"100 A : 333 mV\"\nct_secondary = \"rogowski\"")],
        &[("ct_ratio = \"100:5\"", "ct_ratio = \"100:5\"\nct_secondary = \"5 A\"")],
        &[("ct_ratio = \"100:5\"", "ct_secondary = \"rogowski\"")],
        // 230 V motors run on 208 V, and 440 V ones on 480 V.
        &[("480 V", "208 V"), ("460 V", "230 V"), ("77 A", "154 A"), ("100:5", "200:5")],
        &[("460 V", "440 V"), ("77 A", "80 A")],
        // An incomer has no plate.
        &[(
            "load = \"induction-motor\"\nrated_power = \"60 hp\"\nrated_voltage = \"460 V\"\nfull_load_current = \"77 A\"\nfull_load_power_factor = 0.86",
            "load = \"unknown\"",
        )],
        // There are VTs whatever the file says.
        &[("wye-4-wire", "open-delta"), ("voltage_connection = \"direct\"\n", "")],
        &[("induction-motor", "drive"), ("full_load_power_factor = 0.86\n", "")],
    ] {
        assert_eq!(changed(lines), Vec::<String>::new(), "{lines:?}");
    }
}

#[test]
fn the_files_of_this_project_have_no_warning() {
    assert_eq!(warnings(include_str!("../../../config/example.toml")), Vec::<String>::new());
    assert_eq!(warnings(include_str!("../../../config/demo.toml")), Vec::<String>::new());
}

/// A warning has the place of its own station and circuit, and those of a file are in order of place.
#[test]
fn warnings_of_several_stations_have_their_own_places() {
    let second = SOUND.replace("Alder Creek", "Mill Race").replace(":15021", ":15022").replace("100:5", "50:5");
    let told = warnings(&(SOUND.replace("0.86", "0.1") + "\n" + &second));
    let places: Vec<_> = told.iter().filter_map(|line| line.split(": warning: ").next()).collect();
    assert_eq!(places, ["f.toml:20:26", "f.toml:43:12"]);
}

/// Horsepower and full-load currents at 460 V of three-phase induction motors: National Electrical Code, table 430.250 (from
/// memory). Other voltages of the table are in proportion within a few percent, which the test lets vary more.
const FULL_LOAD_460_V: [(f64, f64); 27] = [
    (0.5, 1.1),
    (0.75, 1.6),
    (1.0, 2.1),
    (1.5, 3.0),
    (2.0, 3.4),
    (3.0, 4.8),
    (5.0, 7.6),
    (7.5, 11.0),
    (10.0, 14.0),
    (15.0, 21.0),
    (20.0, 27.0),
    (25.0, 34.0),
    (30.0, 40.0),
    (40.0, 52.0),
    (50.0, 65.0),
    (60.0, 77.0),
    (75.0, 96.0),
    (100.0, 124.0),
    (125.0, 156.0),
    (150.0, 180.0),
    (200.0, 240.0),
    (250.0, 302.0),
    (300.0, 361.0),
    (350.0, 414.0),
    (400.0, 477.0),
    (450.0, 515.0),
    (500.0, 590.0),
];

/// Nominal voltage of the supply and rated voltage of the motors for it, V.
const VOLTAGES: [(f64, f64); 8] = [
    (208.0, 200.0),
    (208.0, 230.0),
    (240.0, 230.0),
    (480.0, 460.0),
    (480.0, 440.0),
    (600.0, 575.0),
    (2400.0, 2300.0),
    (4160.0, 4000.0),
];

/// Primary ratings of CTs, A.
const CT_PRIMARIES_A: [f64; 22] = [
    5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 75.0, 100.0, 150.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0, 800.0,
    1000.0, 1200.0, 1600.0, 2000.0,
];

proptest! {
    /// No nameplate of the field is warned of: any size at any voltage, plates a quarter above or a fifth below the table, any
    /// power factor of such motors, CTs of the next ratings above the full load, three-phase services of all kinds.
    #[test]
    fn nameplates_of_the_field_have_no_warning(
        size in 0..FULL_LOAD_460_V.len(),
        voltage in 0..VOLTAGES.len(),
        plate in 0.8f64..1.25,
        factor in 0.6f64..0.93,
        above in 0usize..4,
        load in prop::sample::select(vec!["induction-motor", "soft-starter", "motor-with-capacitor", "drive"]),
        service in prop::sample::select(vec!["wye-4-wire", "delta-3-wire", "delta-3-wire-two-element"]),
    ) {
        let ((hp, amps), (nominal, rated)) = (FULL_LOAD_460_V[size], VOLTAGES[voltage]);
        // Motors of medium voltage begin at some 100 hp; at low voltage the largest would draw more than CTs here have.
        prop_assume!(if nominal > 1000.0 { hp >= 100.0 } else { amps * 460.0 / rated < 1400.0 });
        let full = amps * 460.0 / rated * plate;
        let next = CT_PRIMARIES_A.iter().position(|primary| *primary >= full);
        prop_assume!(next.is_some());
        let primary = CT_PRIMARIES_A[(next.unwrap() + above).min(CT_PRIMARIES_A.len() - 1)];
        prop_assume!(full >= 0.1 * primary);
        let connection = if nominal > 1000.0 { "transformers" } else { "direct" };
        let text = SOUND
            .replace("wye-4-wire", service)
            .replace("480 V", &format!("{nominal} V"))
            .replace("\"direct\"", &format!("{connection:?}"))
            .replace("induction-motor", load)
            .replace("60 hp", &format!("{hp} hp"))
            .replace("460 V", &format!("{rated} V"))
            .replace("77 A", &format!("{full} A"))
            .replace("0.86", &format!("{factor}"))
            .replace("100:5", &format!("{primary}:5"));
        prop_assert_eq!(warnings(&text), Vec::<String>::new(), "{}", text);
    }
}
