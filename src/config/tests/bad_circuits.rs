//! Each bad value of a circuit, and of what must hold across tables, gives exactly the words that help to mend it.

use super::*;

#[test]
fn a_bad_circuit_is_told() {
    check(
        told,
        MINIMAL,
        &[
            (
                r#"monitor = "PM-1""#,
                r#"monitor = "PM1""#,
                &[
                    r#"f.toml:14:11: stations.circuits.monitor: this station has no monitor named "PM1"; did you mean "PM-1"?"#,
                ],
            ),
            (
                r#"monitor = "PM-1""#,
                r#"monitor = "west""#,
                &[
                    r#"f.toml:14:11: stations.circuits.monitor: this station has no monitor named "west"; monitors of this station: "PM-1""#,
                ],
            ),
            (
                "monitor = \"PM-1\"\n",
                "",
                &[
                    r#"f.toml:12:1: stations.circuits.monitor: this key is missing; name the monitor whose CTs are on this circuit, for example monitor = "PM-1""#,
                ],
            ),
            (
                r#"monitor = "PM-1""#,
                "monitor = \"PM-1\"\nslot = 0",
                &["f.toml:15:8: stations.circuits.slot: 0 is out of range; slot is a whole number from 1 to 32"],
            ),
            (
                r#"monitor = "PM-1""#,
                "monitor = \"PM-1\"\nslot = 3",
                &[
                    r#"f.toml:15:8: stations.circuits.slot: slot 3 does not exist: map "generic-full" has 2 slots; write a slot from 1 to 2"#,
                ],
            ),
            (
                r#"monitor = "PM-1""#,
                "monitor = \"PM-1\"\nslot = 33",
                &["f.toml:15:8: stations.circuits.slot: 33 is out of range; slot is a whole number from 1 to 32"],
            ),
            (
                "load = \"induction-motor\"\n",
                "",
                &[
                    r#"f.toml:12:1: stations.circuits.load: this key is missing; say what the circuit feeds, for example load = "induction-motor", or "unknown""#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                r#"load = "motor""#,
                &[
                    r#"f.toml:15:8: stations.circuits.load: "motor" is not a choice here; did you mean "induction-motor"? (choices: induction-motor, soft-starter, drive, motor-with-capacitor, resistive, unknown)"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                r#"load = "induction-motr""#,
                &[
                    r#"f.toml:15:8: stations.circuits.load: "induction-motr" is not a choice here; did you mean "induction-motor"? (choices: induction-motor, soft-starter, drive, motor-with-capacitor, resistive, unknown)"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nrated_power = 60",
                &[
                    r#"f.toml:16:15: stations.circuits.rated_power: 60 has no unit; write "60 kW" or "60 hp" (units of active power: W, kW, MW, hp)"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nrated_power = \"60 kVA\"",
                &[
                    r#"f.toml:16:15: stations.circuits.rated_power: "60 kVA" is apparent power, expected active power; active power is written like "60 hp" or "45 kW""#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nrated_power = \"0 hp\"",
                &[
                    r#"f.toml:16:15: stations.circuits.rated_power: "0 hp" is out of range; this active power must be from 1 W to 100 MW"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nrated_voltage = \"460\"",
                &[
                    r#"f.toml:16:17: stations.circuits.rated_voltage: 460 has no unit; write "460 V" (units of voltage: V, kV, mV)"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nfull_load_current = \"77 V\"",
                &[
                    r#"f.toml:16:21: stations.circuits.full_load_current: "77 V" is a voltage, expected a current; a current is written like "77 A""#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nfull_load_current = \"77,5 A\"",
                &[
                    r#"f.toml:16:21: stations.circuits.full_load_current: "77,5 A" has a comma; write the decimal sign as a point, and nothing between thousands"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nfull_load_power_factor = 1.2",
                &[
                    "f.toml:16:26: stations.circuits.full_load_power_factor: a full-load power factor lies above 0 and at most at 1; copy it from the nameplate, for example 0.86",
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nfull_load_power_factor = 0",
                &[
                    "f.toml:16:26: stations.circuits.full_load_power_factor: a full-load power factor lies above 0 and at most at 1; copy it from the nameplate, for example 0.86",
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nfull_load_power_factor = \"0.86\"",
                &[
                    r#"f.toml:16:26: stations.circuits.full_load_power_factor: expected a finite number, found the text "0.86"; write for example full_load_power_factor = 0.86"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nfull_load_power_factor = nan",
                &[
                    "f.toml:16:26: stations.circuits.full_load_power_factor: expected a finite number, found the number nan; write for example full_load_power_factor = 0.86",
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nct_ratio = \"0:5\"",
                &[
                    r#"f.toml:16:12: stations.circuits.ct_ratio: "0:5" has a zero, which would make every current 0 or endless; write primary and secondary as printed on the CTs, for example ct_ratio = "200:5", or ct_ratio = "200 A : 333 mV" for a voltage output"#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nct_ratio = \"5:200\"",
                &[
                    r#"f.toml:16:12: stations.circuits.ct_ratio: "5:200" has its primary below its secondary; the primary comes first: write "200:5""#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nct_ratio = 40",
                &[
                    r#"f.toml:16:12: stations.circuits.ct_ratio: expected text in quotes, found the number 40; write for example ct_ratio = "200:5""#,
                ],
            ),
            (
                r#"load = "induction-motor""#,
                "load = \"unknown\"\nrun_status = \"bit\"",
                &[
                    r#"f.toml:16:14: stations.circuits.run_status: "bit" is not a choice here; did you mean "register"? (choices: current, register)"#,
                ],
            ),
        ],
    );
}

#[test]
fn what_must_hold_across_tables_is_told() {
    check_whole(
        told,
        &[
            (
                "a second station",
                MINIMAL.repeat(2).replacen("15021", "15023", 1),
                &[
                    r#"f.toml:17:8: stations.name: a second station named "Alder Creek Lift"; the first is at line 2; give each station its own name"#,
                ],
            ),
            (
                "a second monitor of one name",
                format!(
                    "{MINIMAL}[[stations.monitors]]\nname = \"PM-1\"\naddress = \"127.0.0.1:15022\"\nunit = 1\nmap = \"sunspec\"\n"
                ),
                &[
                    r#"f.toml:17:8: stations.monitors.name: a second monitor in this station named "PM-1"; the first is at line 7; give each monitor in this station its own name"#,
                ],
            ),
            (
                "one device twice",
                format!(
                    "{MINIMAL}[[stations.monitors]]\nname = \"PM-2\"\naddress = \"127.0.0.1:15021\"\nunit = 1\nmap = \"sunspec\"\n"
                ),
                &[
                    "f.toml:19:8: stations.monitors.unit: the monitor at line 6 has the same address and unit; each device is one monitor; correct address or unit",
                ],
            ),
            (
                "a second circuit of one name",
                format!(
                    "{MINIMAL}[[stations.circuits]]\nname = \"Pump 1\"\nmonitor = \"PM-1\"\nslot = 2\nload = \"drive\"\n"
                ),
                &[
                    r#"f.toml:17:8: stations.circuits.name: a second circuit in this station named "Pump 1"; the first is at line 13; give each circuit in this station its own name"#,
                ],
            ),
            (
                "two circuits on one slot",
                format!("{MINIMAL}[[stations.circuits]]\nname = \"Pump 2\"\nmonitor = \"PM-1\"\nload = \"drive\"\n"),
                &[
                    "f.toml:16:1: stations.circuits.slot: slot 1 of this monitor is taken by the circuit at line 12; each slot has one circuit; correct slot or monitor",
                ],
            ),
            (
                "run status not mapped",
                with(&with(MINIMAL, "generic-full", "generic-watts"), "load =", "run_status = \"register\"\nload ="),
                &[
                    r#"f.toml:15:14: stations.circuits.run_status: the map of this monitor has no run-status point; write run_status = "current""#,
                ],
            ),
            (
                "run status of sunspec",
                with(&with(MINIMAL, "generic-full", "sunspec"), "load =", "run_status = \"register\"\nload ="),
                &[
                    r#"f.toml:15:14: stations.circuits.run_status: the map of this monitor has no run-status point; write run_status = "current""#,
                ],
            ),
            (
                "slot of sunspec",
                with(&with(MINIMAL, "generic-full", "sunspec"), "load =", "slot = 2\nload ="),
                &[
                    "f.toml:15:8: stations.circuits.slot: slot 2 does not exist: a SunSpec meter has 1 slot; write slot = 1",
                ],
            ),
            (
                "listen on all",
                format!("http.listen = \"0.0.0.0:9184\"\n{MINIMAL}"),
                &[
                    "f.toml:1:15: http.listen: 0.0.0.0:9184 can be reached from other machines; listen on 127.0.0.1, or add expose = true when that is meant",
                ],
            ),
            (
                "listen expose false",
                format!("[http]\nlisten = \"[::]:9184\"\nexpose = false\n{MINIMAL}"),
                &[
                    "f.toml:2:10: http.listen: [::]:9184 can be reached from other machines; listen on 127.0.0.1, or add expose = true when that is meant",
                ],
            ),
            (
                "listen name",
                format!("http.listen = \"localhost:9184\"\n{MINIMAL}"),
                &[
                    r#"f.toml:1:15: http.listen: "localhost:9184" is not an address to listen on; write a numeric address and a port, for example "127.0.0.1:9184" or "[::1]:9184""#,
                ],
            ),
            (
                "listen expose bad",
                format!("http = {{ listen = \"0.0.0.0:9184\", expose = \"yes\" }}\n{MINIMAL}"),
                &[r#"f.toml:1:44: http.expose: expected true or false, found the text "yes"; write expose = true"#],
            ),
            (
                "maps folder",
                format!("maps = {{ folder = 7, foldr = 1 }}\n{MINIMAL}"),
                &[
                    r#"f.toml:1:19: maps.folder: expected text in quotes, found the number 7; write for example folder = "maps""#,
                    "f.toml:1:22: maps.foldr: this key is not known; did you mean folder?",
                ],
            ),
            (
                "empty",
                String::new(),
                &[
                    "f.toml:1:1: stations: this key is missing; describe at least one station under a header [[stations]]",
                ],
            ),
            (
                "comment only",
                "# nothing\n".to_owned(),
                &[
                    "f.toml:1:1: stations: this key is missing; describe at least one station under a header [[stations]]",
                ],
            ),
            (
                "unknown root",
                format!("station = 1\n{MINIMAL}"),
                &["f.toml:1:1: station: this key is not known; did you mean stations?"],
            ),
            (
                "quoted key",
                format!("\"odd \\u001b key\" = 1\n{MINIMAL}"),
                &[
                    r#"f.toml:1:1: "odd \u{1b} key": this key is not known; keys known here: access, alarms, history, http, journal, maps, metrics, modbus_server, notifications, stations, tariff"#,
                ],
            ),
            (
                "stations empty",
                "stations = []\n".to_owned(),
                &[
                    "f.toml:1:1: stations: this key is missing; describe at least one station under a header [[stations]]",
                ],
            ),
            (
                "stations mixed",
                "stations = [1, 2]\n".to_owned(),
                &[
                    "f.toml:1:13: stations: expected a table, found the number 1; write the header of each as [[stations]]",
                    "f.toml:1:16: stations: expected a table, found the number 2; write the header of each as [[stations]]",
                ],
            ),
            (
                "syntax",
                with(&with(MINIMAL, "\"PM-1\"", "\"PM-1"), "unit = 1", "unit = = 1"),
                &[
                    r#"f.toml:7:13: not valid TOML: invalid basic string, expected `"`; mend this first; the rest of the file is checked after that"#,
                    "f.toml:9:8: not valid TOML: extra `=`, expected nothing; mend this first; the rest of the file is checked after that",
                ],
            ),
            (
                "duplicate key",
                with(MINIMAL, "unit = 1", "unit = 1\nunit = 2"),
                &[
                    "f.toml:10:1: not valid TOML: duplicate key; mend this first; the rest of the file is checked after that",
                ],
            ),
            (
                "bad monitor name spares circuits",
                with(MINIMAL, "name = \"PM-1\"", "name = 1"),
                &[
                    r#"f.toml:7:8: stations.monitors.name: expected text in quotes, found the number 1; write for example name = "PM-1""#,
                ],
            ),
        ],
    );
}
