//! The `[modbus_server]` table: defaults, every value, and the words for each mistake.

use std::time::Duration;

use super::*;
use crate::config::model::{ModbusServerConfig, PassThrough, ServedCircuit};

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn server(table: &str) -> Result<ModbusServerConfig, Box<dyn std::error::Error>> {
    let config = parse("f.toml", &format!("{MINIMAL}\n{table}"), &MapLibrary::builtin())?;
    config.modbus_server.ok_or_else(|| "no server".into())
}

#[test]
fn without_the_table_there_is_no_server() -> Outcome {
    assert_eq!(parse("f.toml", MINIMAL, &MapLibrary::builtin())?.modbus_server, None);
    Ok(())
}

#[test]
fn an_empty_table_has_the_documented_defaults() -> Outcome {
    let server = server("[modbus_server]\n")?;
    assert_eq!(server.listen, "127.0.0.1:1502".parse()?);
    let allow: Vec<String> = server.allow.iter().map(ToString::to_string).collect();
    assert_eq!(allow, ["127.0.0.0/8", "::1/128"]);
    assert_eq!((server.max_connections, server.max_connections_per_address), (32, 8));
    assert_eq!((server.requests_per_second, server.idle_timeout), (200, Duration::from_mins(1)));
    assert_eq!(server.audit_unit, 1);
    assert_eq!(server.circuits, [ServedCircuit { station: 0, circuit: 0, block: 1, sunspec_unit: None }]);
    assert_eq!(server.pass_through, []);
    Ok(())
}

const FULL: &str = r#"
[modbus_server]
listen = "0.0.0.0:502"
expose = true
allow = ["10.20.1.15", "10.20.8.0/24", "2001:db8::/32"]
max_connections = 50
max_connections_per_address = 4
requests_per_second = 1000
idle_timeout = "5 s"
audit_unit = 247
[[modbus_server.circuits]]
station = "Alder Creek Lift"
circuit = "Pump 1"
block = 326
sunspec_unit = 11
[[modbus_server.pass_through]]
unit = 101
station = "Alder Creek Lift"
monitor = "PM-1"
max_age = "500 ms"
"#;

#[test]
fn a_full_table_gives_every_value() -> Outcome {
    let server = server(FULL)?;
    assert_eq!(server.listen, "0.0.0.0:502".parse()?);
    assert_eq!(server.allow, ["10.20.1.15/32".parse()?, "10.20.8.0/24".parse()?, "2001:db8::/32".parse()?]);
    assert_eq!((server.max_connections, server.max_connections_per_address), (50, 4));
    assert_eq!((server.requests_per_second, server.idle_timeout), (1000, Duration::from_secs(5)));
    assert_eq!(server.audit_unit, 247);
    assert_eq!(server.circuits, [ServedCircuit { station: 0, circuit: 0, block: 326, sunspec_unit: Some(11) }]);
    let max_age = Duration::from_millis(500);
    assert_eq!(server.pass_through, [PassThrough { unit: 101, station: 0, monitor: 0, max_age }]);
    Ok(())
}

fn told_of_table(table: &str) -> Vec<String> {
    // Above the stations, so that line numbers do not depend on them.
    told(&format!("{}\n{MINIMAL}", table.trim_start()))
}

#[test]
fn each_mistake_has_its_words() {
    check(
        told_of_table,
        FULL,
        &[
            (
                "expose = true",
                "expose = false",
                &[
                    "f.toml:2:10: modbus_server.listen: 0.0.0.0:502 can be reached from other machines; listen on 127.0.0.1, or add expose = true when that is meant",
                ],
            ),
            (
                "\"0.0.0.0:502\"",
                "\"scada:502\"",
                &[
                    "f.toml:2:10: modbus_server.listen: \"scada:502\" is not an address to listen on; write a numeric address and a port, for example \"127.0.0.1:1502\" or \"10.20.1.2:502\"",
                ],
            ),
            (
                "allow = [\"10.20.1.15\", \"10.20.8.0/24\", \"2001:db8::/32\"]\n",
                "",
                &[
                    "f.toml:1:1: modbus_server.allow: this key is missing; name the masters that may connect: allow = [\"10.20.1.15\", \"10.20.8.0/24\"]",
                ],
            ),
            (
                "\"10.20.1.15\"",
                "\"10.20.1.15/24\"",
                &[
                    "f.toml:4:10: modbus_server.allow: \"10.20.1.15/24\" has bits set past its prefix length; write an address or a network, for example \"10.20.1.15\" or \"10.20.8.0/24\"",
                ],
            ),
            (
                "\"10.20.1.15\"",
                "\"rtu.larkmoor.example\"",
                &[
                    "f.toml:4:10: modbus_server.allow: \"rtu.larkmoor.example\" is not a numeric address; write an address or a network, for example \"10.20.1.15\" or \"10.20.8.0/24\"",
                ],
            ),
            (
                "audit_unit = 247",
                "audit_unit = 11",
                &[
                    "f.toml:14:16: modbus_server.circuits.sunspec_unit: unit 11 is taken at line 9; give each purpose a unit id of its own",
                ],
            ),
            (
                "unit = 101",
                "unit = 248",
                &[
                    "f.toml:16:8: modbus_server.pass_through.unit: 248 is out of range; unit is a whole number from 1 to 247",
                ],
            ),
            (
                "block = 326",
                "block = 327",
                &[
                    "f.toml:13:9: modbus_server.circuits.block: 327 is out of range; block is a whole number from 1 to 326",
                ],
            ),
            (
                "block = 326\n",
                "",
                &[
                    "f.toml:10:1: modbus_server.circuits.block: this key is missing; write the number of its block, for example block = 1",
                ],
            ),
            (
                "circuit = \"Pump 1\"",
                "circuit = \"Pump 2\"",
                &[
                    "f.toml:12:11: modbus_server.circuits.circuit: there is no circuit named \"Pump 2\"; did you mean \"Pump 1\"?",
                ],
            ),
            (
                "station = \"Alder Creek Lift\"\ncircuit",
                "station = \"Quarry Road\"\ncircuit",
                &[
                    "f.toml:11:11: modbus_server.circuits.station: there is no station named \"Quarry Road\"; the configuration has \"Alder Creek Lift\"",
                ],
            ),
            (
                "monitor = \"PM-1\"",
                "monitor = \"PM-7\"",
                &[
                    "f.toml:18:11: modbus_server.pass_through.monitor: there is no monitor named \"PM-7\"; did you mean \"PM-1\"?",
                ],
            ),
            (
                "idle_timeout = \"5 s\"",
                "idle_timeout = \"100 ms\"",
                &[
                    "f.toml:8:16: modbus_server.idle_timeout: \"100 ms\" is out of range; this time must be from 1 s to 24 h",
                ],
            ),
            (
                "max_age",
                "maxage",
                &["f.toml:19:1: modbus_server.pass_through.maxage: this key is not known; did you mean max_age?"],
            ),
        ],
    );
}

#[test]
fn a_block_and_a_circuit_are_used_once() {
    let again = "[[modbus_server.circuits]]\nstation = \"Alder Creek Lift\"\ncircuit = \"Pump 1\"\nblock = 326\n";
    assert_eq!(
        told_of_table(&format!("{FULL}{again}")),
        [
            "f.toml:22:11: modbus_server.circuits.circuit: this circuit has a block already, at line 10; name each circuit once",
            "f.toml:23:9: modbus_server.circuits.block: block 326 is taken at line 13; give each circuit a block of its own",
        ]
    );
}

#[test]
fn faults_of_stations_do_not_bring_faults_of_the_server() {
    let text = with(&format!("{FULL}{MINIMAL}"), "map = \"generic-full\"", "map = \"generic-fulll\"");
    assert_eq!(told(&text).len(), 1, "{:?}", told(&text));
}

const TLS: &str = r#"
[modbus_server]
[modbus_server.tls]
certificate = "server.pem"
key = "/etc/wattassay/server.key"
client_authority = "clients.pem"
[[modbus_server.tls.roles]]
name = "scada"
[[modbus_server.tls.roles]]
name = "meter reader"
units = [1]
"#;

#[test]
fn tls_has_its_files_and_roles() -> Outcome {
    let tls = server(TLS)?.tls.ok_or("no TLS")?;
    assert_eq!(tls.certificate.to_str(), Some("server.pem"));
    assert_eq!(tls.key.to_str(), Some("/etc/wattassay/server.key"));
    let roles: Vec<_> = tls.roles.iter().map(|role| (role.name.as_str(), role.units.clone())).collect();
    assert_eq!(roles, [("scada", None), ("meter reader", Some(vec![1]))]);
    assert_eq!(server("[modbus_server]\n")?.tls, None);
    Ok(())
}

#[test]
fn mistakes_about_tls_have_their_words() {
    check(
        told_of_table,
        TLS,
        &[
            (
                "key = \"/etc/wattassay/server.key\"\n",
                "",
                &[
                    "f.toml:2:1: modbus_server.tls.key: this key is missing; name the file (PEM), for example key = \"server.key\"",
                ],
            ),
            (
                "\"clients.pem\"",
                "\"\"",
                &[
                    "f.toml:5:20: modbus_server.tls.client_authority: this is not a file; write for example client_authority = \"clients.pem\"",
                ],
            ),
            (
                "units = [1]",
                "units = [1, 99]",
                &[
                    "f.toml:10:13: modbus_server.tls.roles.units: unit 99 is nothing here; name units of this server, or leave units out",
                ],
            ),
            (
                "units = [1]",
                "units = []",
                &[
                    "f.toml:10:9: modbus_server.tls.roles.units: a role without units may read nothing; leave units out where all may be read",
                ],
            ),
            (
                "units = [1]",
                "units = [\"all\"]",
                &[
                    "f.toml:10:10: modbus_server.tls.roles.units: expected a whole number, found the text \"all\"; units is a whole number from 1 to 247",
                ],
            ),
            (
                "client_authority",
                "client_autority",
                &[
                    "f.toml:5:1: modbus_server.tls.client_autority: this key is not known; did you mean client_authority?",
                ],
            ),
            (
                "\"meter reader\"",
                "\"scada\"",
                &[
                    "f.toml:9:8: modbus_server.tls.roles.name: a second role named \"scada\"; the first is at line 7; give each role its own name",
                ],
            ),
        ],
    );
    assert_eq!(
        told_of_table(TLS.split("[[").next().unwrap_or_default()),
        [
            "f.toml:2:1: modbus_server.tls.roles: this key is missing; say what a role may read, under a header [[modbus_server.tls.roles]]"
        ]
    );
}
