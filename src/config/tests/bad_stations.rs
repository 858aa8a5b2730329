//! Each bad value of a station or monitor gives exactly the words that help to mend it.

use super::*;

#[test]
fn a_bad_station_is_told() {
    check(
        told,
        MINIMAL,
        &[
            (
                "service = \"wye-4-wire\"\n",
                "",
                &[
                    r#"f.toml:1:1: stations.service: this key is missing; name the voltage system: service = "wye-4-wire" or "delta-3-wire""#,
                ],
            ),
            (
                "name = \"Alder Creek Lift\"\n",
                "",
                &[
                    r#"f.toml:1:1: stations.name: this key is missing; name the station, for example name = "Alder Creek Lift""#,
                ],
            ),
            (
                r#"name = "Alder Creek Lift""#,
                r#"name = """#,
                &[r#"f.toml:2:8: stations.name: this name is empty; write for example name = "Alder Creek Lift""#],
            ),
            (
                r#"name = "Alder Creek Lift""#,
                r#"name = " Alder""#,
                &[
                    r#"f.toml:2:8: stations.name: this name begins or ends with a blank; write for example name = "Alder Creek Lift""#,
                ],
            ),
            (
                r#"name = "Alder Creek Lift""#,
                r#"name = "Al\u0007der""#,
                &[
                    r#"f.toml:2:8: stations.name: this name holds a character that cannot be shown; write for example name = "Alder Creek Lift""#,
                ],
            ),
            (
                r#"name = "Alder Creek Lift""#,
                "name = 7",
                &[
                    r#"f.toml:2:8: stations.name: expected text in quotes, found the number 7; write for example name = "Alder Creek Lift""#,
                ],
            ),
            (
                r#"name = "Alder Creek Lift""#,
                r#"name = "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx""#,
                &[
                    r#"f.toml:2:8: stations.name: this name is longer than 64 characters; write for example name = "Alder Creek Lift""#,
                ],
            ),
            (
                r#"service = "wye-4-wire""#,
                r#"service = "wye""#,
                &[r#"f.toml:3:11: stations.service: "wye" is not a choice here; did you mean "wye-4-wire"?"#],
            ),
            (
                r#"service = "wye-4-wire""#,
                r#"servce = "wye-4-wire""#,
                &["f.toml:3:1: stations.servce: this key is not known; did you mean service?"],
            ),
            (
                "nominal_voltage = \"480 V\"\n",
                "",
                &[
                    r#"f.toml:1:1: stations.nominal_voltage: this key is missing; write the voltage between phases, for example nominal_voltage = "480 V""#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                "nominal_voltage = 480",
                &[
                    r#"f.toml:4:19: stations.nominal_voltage: 480 has no unit; write "480 V" (units of voltage: V, kV, mV)"#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                r#"nominal_voltage = "480""#,
                &[
                    r#"f.toml:4:19: stations.nominal_voltage: 480 has no unit; write "480 V" (units of voltage: V, kV, mV)"#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                r#"nominal_voltage = "480 A""#,
                &[
                    r#"f.toml:4:19: stations.nominal_voltage: "480 A" is a current, expected a voltage; a voltage is written like "480 V" or "0.48 kV""#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                r#"nominal_voltage = "480 kV""#,
                &[
                    r#"f.toml:4:19: stations.nominal_voltage: "480 kV" is out of range; this voltage must be from 50 V to 50 kV"#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                r#"nominal_voltage = "-480 V""#,
                &[
                    r#"f.toml:4:19: stations.nominal_voltage: "-480 V" is out of range; this voltage must be from 50 V to 50 kV"#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                r#"nominal_voltage = ["480 V"]"#,
                &[
                    r#"f.toml:4:19: stations.nominal_voltage: expected a quantity with its unit in quotes, found a list; a voltage is written like "480 V" or "0.48 kV""#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                "nominal_voltage = \"480 V\"\nnominal_frequency = 60",
                &[r#"f.toml:5:21: stations.nominal_frequency: 60 has no unit; write "60 Hz" (units of frequency: Hz)"#],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                "nominal_voltage = \"480 V\"\nnominal_frequency = \"400 Hz\"",
                &[
                    r#"f.toml:5:21: stations.nominal_frequency: "400 Hz" is out of range; this frequency must be from 40 Hz to 70 Hz"#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                "nominal_voltage = \"480 V\"\nrotation = \"abc\"",
                &[
                    r#"f.toml:5:12: stations.rotation: "abc" is not a choice here; did you mean "ABC"? (choices: ABC, ACB)"#,
                ],
            ),
            (
                r#"nominal_voltage = "480 V""#,
                "nominal_voltage = \"480 V\"\ncolour = \"red\"",
                &[
                    "f.toml:5:1: stations.colour: this key is not known; keys known here: circuits, monitors, name, nominal_frequency, nominal_voltage, rotation, service, tariff, voltage_connection",
                ],
            ),
            (
                "[[stations]]",
                "[stations]",
                &[
                    "f.toml:1:1: stations: expected a list of tables, found a table; write the header of each as [[stations]]",
                ],
            ),
            (
                "[[stations.monitors]]",
                "[stations.monitors]",
                &[
                    "f.toml:6:1: stations.monitors: expected a list of tables, found a table; write the header of each as [[stations.monitors]]",
                ],
            ),
            (
                "[[stations.monitors]]",
                "[[stations.monitor]]",
                &["f.toml:6:12: stations.monitor: this key is not known; did you mean monitors?"],
            ),
        ],
    );
}

#[test]
fn a_bad_monitor_is_told() {
    check(
        told,
        MINIMAL,
        &[
            (
                "address = \"127.0.0.1:15021\"\n",
                "",
                &[
                    r#"f.toml:6:1: stations.monitors.address: this key is missing; write host and port, for example address = "192.0.2.10:502""#,
                ],
            ),
            (
                r#"address = "127.0.0.1:15021""#,
                r#"address = "127.0.0.1""#,
                &[
                    r#"f.toml:8:11: stations.monitors.address: "127.0.0.1" has no port; write host and port, for example "192.0.2.10:502", "meter-1.example:502" or "[2001:db8::1]:502""#,
                ],
            ),
            (
                "unit = 1\n",
                "",
                &[
                    "f.toml:6:1: stations.monitors.unit: this key is missing; write the unit id (slave address) of the monitor, for example unit = 1",
                ],
            ),
            (
                "unit = 1",
                "unit = 256",
                &["f.toml:9:8: stations.monitors.unit: 256 is out of range; unit is a whole number from 0 to 255"],
            ),
            (
                "unit = 1",
                "unit = -1",
                &["f.toml:9:8: stations.monitors.unit: -1 is out of range; unit is a whole number from 0 to 255"],
            ),
            (
                "unit = 1",
                r#"unit = "1""#,
                &[
                    r#"f.toml:9:8: stations.monitors.unit: expected a whole number, found the text "1"; unit is a whole number from 0 to 255"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1.0",
                &[
                    "f.toml:9:8: stations.monitors.unit: expected a whole number, found the number 1.0; unit is a whole number from 0 to 255",
                ],
            ),
            (
                "unit = 1",
                "unit = 99999999999999999999999",
                &[
                    "f.toml:9:8: stations.monitors.unit: 99999999999999999999999 is out of range; unit is a whole number from 0 to 255",
                ],
            ),
            (
                "unit = 1",
                "unit = 0\ntransport = \"rtu-over-tcp\"",
                &["f.toml:9:8: stations.monitors.unit: 0 is out of range; unit is a whole number from 1 to 247"],
            ),
            (
                "unit = 1",
                "unit = 248\ntransport = \"rtu-over-tcp\"",
                &["f.toml:9:8: stations.monitors.unit: 248 is out of range; unit is a whole number from 1 to 247"],
            ),
            (
                "unit = 1",
                "unit = 1\ntransport = \"rtu\"",
                &[
                    r#"f.toml:10:13: stations.monitors.transport: "rtu" is not a choice here; did you mean "rtu-over-tcp"? (choices: tcp, rtu-over-tcp)"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\npoll_period = \"1 ms\"",
                &[
                    r#"f.toml:10:15: stations.monitors.poll_period: "1 ms" is out of range; this time must be from 100 ms to 1 h"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\npoll_period = \"1 day\"",
                &[
                    r#"f.toml:10:15: stations.monitors.poll_period: "day" is not a unit known here; time is written like "500 ms", "1 s" or "1 min""#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\npoll_period = 1",
                &[
                    r#"f.toml:10:15: stations.monitors.poll_period: 1 has no unit; write "1 ms" or "1 s" (units of time: ms, s, min, h, d)"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\npoll_period = \"2 h\"",
                &[
                    r#"f.toml:10:15: stations.monitors.poll_period: "2 h" is out of range; this time must be from 100 ms to 1 h"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\ntimeout = \"2 s\"",
                &[
                    r#"f.toml:10:11: stations.monitors.timeout: the timeout is longer than the poll period, so that polls would overlap; make it at most "1000 ms", or poll less often"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\ntimeout = \"1 ms\"",
                &[
                    r#"f.toml:10:11: stations.monitors.timeout: "1 ms" is out of range; this time must be from 10 ms to 1 min"#,
                ],
            ),
            (
                "unit = 1",
                "unit = 1\npoll_period = \"1 hour\"\ntimeout = \"5 s\"",
                &[
                    r#"f.toml:10:15: stations.monitors.poll_period: "hour" is not a unit known here; time is written like "500 ms", "1 s" or "1 min""#,
                ],
            ),
            (
                "map = \"generic-full\"\n",
                "",
                &[
                    r#"f.toml:6:1: stations.monitors.map: this key is missing; name the register map, for example map = "generic-full" or "sunspec""#,
                ],
            ),
            (
                r#"map = "generic-full""#,
                r#"map = "generic-fill""#,
                &[
                    r#"f.toml:10:7: stations.monitors.map: there is no map named "generic-fill"; did you mean "generic-full"?"#,
                ],
            ),
            (
                r#"map = "generic-full""#,
                r#"map = "acme""#,
                &[
                    r#"f.toml:10:7: stations.monitors.map: there is no map named "acme"; maps known here: generic-blanking, generic-full, generic-totals, generic-watts, sunspec; add others as files in the folder of [maps]"#,
                ],
            ),
            (
                r#"map = "generic-full""#,
                "map = \"generic-full\"\nconventions = { active_power = \"positive\", power = 1 }\nblanking = { when_stopped = \"yes\" }",
                &[
                    r#"f.toml:11:32: stations.monitors.conventions.active_power: "positive" is not a choice here; choose one of load-positive, load-negative"#,
                    "f.toml:11:44: stations.monitors.conventions.power: this key is not known; keys known here: active_power, power_factor, reactive_power",
                    r#"f.toml:12:29: stations.monitors.blanking.when_stopped: expected true or false, found the text "yes"; write when_stopped = true"#,
                ],
            ),
            (
                r#"map = "generic-full""#,
                "map = \"generic-full\"\nconventions = \"load-negative\"",
                &[
                    r#"f.toml:11:15: stations.monitors.conventions: expected a table, found the text "load-negative"; write a header [stations.monitors.conventions] and its keys below it"#,
                ],
            ),
        ],
    );
}
