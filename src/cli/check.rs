//! `wattassay check`: every problem of some configuration files, or what was understood of them.

use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;

use super::{Exit, complain, print};
use crate::access::accounts::Accounts;
use crate::access::store::{self, StoreError};
use crate::alarm::rationale::Class;
use crate::config;
use crate::config::model::{CircuitConfig, Config, ModbusServerConfig, StationConfig, WaterSource};
use crate::faces::json::rfc3339;
use crate::faces::modbus::tls::Tls;
use crate::faces::text::plural;
use crate::faces::web;
use crate::notify::send::file_problems;
use crate::station::context::circuit_context;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// Configuration files (TOML)
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let (mut problems, mut warnings) = (0, 0);
    for file in &options.files {
        match config::load(file) {
            Ok(config) => {
                let mut refused = not_audited(&config);
                let tls = config.modbus_server.as_ref().and_then(|server| server.tls.as_ref());
                refused.extend(tls.and_then(|tls| Tls::load(tls).err()).map(|error| error.to_string()));
                refused.extend(
                    config.http.tls.as_ref().and_then(|tls| web::load_tls(tls).err()).map(|error| error.to_string()),
                );
                let users = config.access.as_ref().map(|access| store::read(&access.users));
                match &users {
                    Some(Err(StoreError::Missing(path))) => refused.push(format!(
                        "access.users: {}: there is no such file; make the first user, and the file with it: \
                         wattassay users add NAME --role engineer --config {}",
                        path.display(),
                        file.display()
                    )),
                    Some(Err(error)) => refused.push(format!("access.users: {error}")),
                    _ => {}
                }
                let targets = config.notifications.iter().flat_map(|settings| &settings.targets);
                refused.extend(targets.flat_map(file_problems));
                for reason in &refused {
                    complain(&format!("{}: {reason}", file.display()));
                }
                problems += refused.len();
                for warning in &config.warnings {
                    complain(&warning.to_string());
                }
                warnings += config.warnings.len();
                if refused.is_empty() {
                    let accounts = users.and_then(Result::ok);
                    let found = match config.warnings.len() {
                        0 => "nothing wrong".to_owned(),
                        count => format!("no problem, {count} warning{}", plural(count)),
                    };
                    print(&format!("{}: {found}\n{}", file.display(), understood(&config, accounts.as_ref())))?;
                }
            }
            Err(found) => {
                problems += found.len();
                complain(&found.to_string());
            }
        }
    }
    if problems == 0 {
        return Ok(Exit::Well);
    }
    match warnings {
        0 => complain(&format!("{problems} problem{}", plural(problems))),
        _ => complain(&format!("{problems} problem{}, {warnings} warning{}", plural(problems), plural(warnings))),
    }
    Ok(Exit::FaultFound)
}

fn not_audited(config: &Config) -> Vec<String> {
    let mut reasons: Vec<String> = Vec::new();
    for station in &config.stations {
        for circuit in &station.circuits {
            if let Err(error) = circuit_context(station, circuit) {
                let reason = error.to_string();
                if !reasons.contains(&reason) {
                    reasons.push(reason);
                }
            }
        }
    }
    reasons
}

/// What was understood, so that a person can see a wrong number that no check can know.
fn understood(config: &Config, accounts: Option<&Accounts>) -> String {
    let scheme = if config.http.tls.is_some() { "https" } else { "http" };
    let mut out = format!("  pages at {scheme}://{}/\n", config.http.listen);
    access_text(&mut out, config, accounts);
    if let Some(server) = &config.modbus_server {
        modbus_text(&mut out, config, server);
    }
    for target in config.notifications.iter().flat_map(|settings| &settings.targets) {
        let priorities: Vec<&str> = target.priorities.iter().rev().map(|priority| priority.key()).collect();
        let (kind, place) = (target.kind(), target.place());
        let _ = writeln!(out, "  notifications to \"{}\": {kind} {place}, {}", target.name, priorities.join(", "));
        let words =
            |classes: &BTreeSet<Class>| classes.iter().rev().map(|class| class.key()).collect::<Vec<_>>().join(", ");
        let _ = write!(out, "    at once: {}", words(&target.at_once));
        if !target.digest.is_empty() {
            let _ = write!(out, "; once a day at {}: {}", target.digest_at.strftime("%H:%M"), words(&target.digest));
        }
        out.push('\n');
    }
    for station in &config.stations {
        station_text(&mut out, station);
    }
    out
}

fn access_text(out: &mut String, config: &Config, accounts: Option<&Accounts>) {
    let _ = match accounts {
        Some(Accounts { users, tokens }) => {
            writeln!(out, "    {} users and {} tokens may come in", users.len(), tokens.len())
        }
        None => writeln!(out, "    whoever reaches it may read, nobody may change anything: there is no [access]"),
    };
    if config.http.tls.is_none() && !config.http.listen.ip().is_loopback() {
        let _ = writeln!(out, "    without TLS: passwords and readings can be overheard on the way");
    }
    if let Some(listen) = config.metrics.listen {
        let _ = writeln!(out, "  metrics at http://{listen}/metrics");
    }
}

fn modbus_text(out: &mut String, config: &Config, server: &ModbusServerConfig) {
    let allow: Vec<String> = server.allow.iter().map(ToString::to_string).collect();
    let transport = if server.tls.is_some() { " over TLS" } else { "" };
    let _ = writeln!(
        out,
        "  Modbus server at {}{transport}, for {}; audit blocks at unit {}",
        server.listen,
        allow.join(", "),
        server.audit_unit
    );
    for role in server.tls.iter().flat_map(|tls| &tls.roles) {
        let units = role.units.iter().flatten().map(ToString::to_string).collect::<Vec<_>>().join(", ");
        let may_read = if role.units.is_none() { "every unit".to_owned() } else { format!("units {units}") };
        let _ = writeln!(out, "    role \"{}\" may read {may_read}", role.name);
    }
    for served in &server.circuits {
        let station = &config.stations[served.station];
        let meter = served.sunspec_unit.map_or_else(String::new, |unit| format!(", SunSpec meter at unit {unit}"));
        let circuit = &station.circuits[served.circuit].name;
        let _ = writeln!(out, "    block {}: {} / {circuit}{meter}", served.block, station.name);
    }
    for passed in &server.pass_through {
        let station = &config.stations[passed.station];
        let monitor = &station.monitors[passed.monitor].name;
        let _ = writeln!(out, "    unit {}: {} / {monitor}, read through", passed.unit, station.name);
    }
}

fn station_text(out: &mut String, station: &StationConfig) {
    let _ = writeln!(
        out,
        "  station \"{}\": {}, {} V between phases, {} Hz, rotation {}",
        station.name,
        station.service.key(),
        station.nominal_voltage_v,
        station.nominal_frequency_hz,
        station.rotation.label()
    );
    if let Some(tariff) = &station.tariff {
        let _ = writeln!(out, "    energy at {} {} a kWh", tariff.price_per_kwh, tariff.currency);
    }
    for monitor in &station.monitors {
        let _ = writeln!(
            out,
            "    monitor \"{}\": {} unit {}, map {}, polled every {} ms, answers awaited {} ms",
            monitor.name,
            monitor.address,
            monitor.unit,
            monitor.map_name,
            monitor.poll_period.as_millis(),
            monitor.timeout.as_millis()
        );
    }
    for circuit in &station.circuits {
        let monitor = station.monitors.get(circuit.monitor).map_or("?", |m| m.name.as_str());
        let _ = writeln!(
            out,
            "    circuit \"{}\": {} slot {}, {}{}{}",
            circuit.name,
            monitor,
            circuit.slot + 1,
            circuit.load.key(),
            nameplate(circuit),
            beside_nameplate(station, circuit)
        );
    }
}

fn beside_nameplate(station: &StationConfig, circuit: &CircuitConfig) -> String {
    let mut out = String::new();
    let own = WaterSource { monitor: circuit.monitor, slot: circuit.slot };
    if circuit.water != own {
        let device = station.monitors.get(circuit.water.monitor).map_or("?", |m| m.name.as_str());
        let _ = write!(out, ", flow and head from {device} slot {}", circuit.water.slot + 1);
    }
    if let Some(since) = circuit.fault_since {
        let _ = write!(out, ", believed wrong since {}", rfc3339(since));
    }
    out
}

fn nameplate(circuit: &CircuitConfig) -> String {
    let mut out = String::new();
    if let Some(watts) = circuit.rated_power_w {
        let _ = write!(out, ", {:.1} kW", watts / 1000.0);
    }
    if let Some(volts) = circuit.rated_voltage_v {
        let _ = write!(out, ", {volts} V");
    }
    if let Some(amps) = circuit.full_load_current_a {
        let _ = write!(out, ", full load {amps} A");
    }
    if let Some(factor) = circuit.full_load_power_factor {
        let _ = write!(out, " at PF {factor}");
    }
    if let Some(ratio) = circuit.ct_ratio {
        let _ = write!(out, ", CTs {ratio}");
    }
    out
}
