//! Good files give exactly the values they hold, and documented defaults for the rest.

use std::time::Duration;

use super::*;
use crate::config::builtin::MapOrigin;
use crate::config::model::{CtRatio, HistoryConfig, HistoryPlace, LoadKind, RunSource, Service, Transport};
use crate::config::{Config, Problems, load, load_with_maps};
use crate::history::keeper::Limits;
use crate::modbus::map::{
    Blanking, ByteOrder, Channel, Conventions, Encoding, MapSource, MeterMap, Point, PowerFactorSign, PowerSign,
    Quantity, ReactiveSign, ReadFunction, ScaleRegister, Target,
};
use crate::reading::Rotation;

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn config(text: &str) -> Result<Config, Problems> {
    parse("f.toml", text, &MapLibrary::builtin())
}

#[test]
fn a_minimal_file_has_the_documented_defaults() -> Outcome {
    let config = config(MINIMAL)?;
    assert_eq!(config.http.listen, "127.0.0.1:9184".parse()?);
    let station = &config.stations[0];
    assert_eq!((station.name.as_str(), station.service), ("Alder Creek Lift", Service::Wye4));
    assert_eq!(
        (station.nominal_voltage_v, station.nominal_frequency_hz, station.rotation),
        (480.0, 60.0, Rotation::Abc)
    );
    let monitor = &station.monitors[0];
    assert_eq!((monitor.name.as_str(), monitor.address.as_str(), monitor.unit), ("PM-1", "127.0.0.1:15021", 1));
    assert_eq!((monitor.transport, monitor.map_name.as_str()), (Transport::Tcp, "generic-full"));
    assert_eq!((monitor.poll_period, monitor.timeout), (Duration::from_secs(1), Duration::from_millis(500)));
    let circuit = &station.circuits[0];
    assert_eq!((circuit.name.as_str(), circuit.monitor, circuit.slot), ("Pump 1", 0, 0));
    assert_eq!((circuit.load, circuit.run_source), (LoadKind::InductionMotor, RunSource::Current));
    assert_eq!((circuit.rated_power_w, circuit.rated_voltage_v, circuit.full_load_current_a), (None, None, None));
    assert_eq!((circuit.full_load_power_factor, circuit.ct_ratio), (None, None));
    Ok(())
}

#[test]
fn records_are_off_until_asked_for_and_have_documented_defaults() -> Outcome {
    let config_of = |head: &str| config(&format!("{head}{MINIMAL}"));
    let off = config_of("")?;
    assert_eq!((off.journal, off.history), (None, None));
    let plain = config_of("[journal]\nfolder = \"j\"\n[history]\nfolder = \"h\"\n")?;
    assert_eq!(plain.journal, Some("j".into()));
    let place = HistoryPlace::Folder("h".into());
    assert_eq!(plain.history, Some(HistoryConfig { place: place.clone(), limits: Limits::default() }));
    let server = "host=/run/postgresql user=wattassay dbname=wattassay";
    let postgres = config_of(&format!("[history]\npostgres = \"{server}\"\n"))?.history;
    assert_eq!(postgres.map(|history| history.place), Some(HistoryPlace::Postgres(server.to_owned())));
    let full = config_of(
        "[history]\nfolder = \"h\"\nkeep_readings = \"2 d\"\nkeep_minutes = \"48 h\"\n\
         keep_quarter_hours = \"400 d\"\nsize = \"500 MB\"\n",
    )?;
    let day_ms = 86_400_000;
    let limits = Limits { age_ms: [2 * day_ms, 2 * day_ms, 400 * day_ms], size_bytes: 500_000_000 };
    assert_eq!(full.history, Some(HistoryConfig { place, limits }));
    Ok(())
}

#[test]
fn folders_of_records_are_meant_from_the_file() -> Outcome {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("site.toml");
    std::fs::write(&path, format!("[journal]\nfolder = \"j\"\n[history]\nfolder = \"/h\"\n{MINIMAL}"))?;
    let config = load(&path)?;
    assert_eq!(config.journal, Some(folder.path().join("j")));
    assert_eq!(config.history.map(|history| history.place), Some(HistoryPlace::Folder("/h".into())));
    Ok(())
}

#[test]
fn bad_records_are_told() {
    let told_of = |head: &str| told(&format!("{head}{MINIMAL}"));
    for (head, told) in [
        ("[journal]\n", "journal.folder: this key is missing"),
        ("journal = 1\n", "journal: expected a table"),
        ("[journal]\nfolder = \"\"\n", "journal.folder: this is not a folder"),
        ("[history]\nfolder = \"h\"\npostgres = \"host=x\"\n", "history.postgres: the history has two places"),
        ("[history]\npostgres = \"hots=x\"\n", "history.postgres: this does not say how to reach a server"),
        ("[history]\npostgres = \"user=x\"\n", "history.postgres: this names no host"),
        ("[history]\nfoldr = \"h\"\n", "did you mean folder?"),
        ("[history]\nfolder = \"h\"\nsize = 8\n", "history.size: 8 has no unit"),
        ("[history]\nfolder = \"h\"\nsize = \"1 MB\"\n", "from 64 MB to 1000 TB"),
        ("[history]\nfolder = \"h\"\nkeep_minutes = \"1 s\"\n", "history.keep_minutes: \"1 s\" is out of range"),
    ] {
        let all = told_of(head);
        assert!(all.len() == 1 && all[0].contains(told), "{head}: {all:?}");
    }
}

const FULL: &str = r#"
[http]
listen = "0.0.0.0:8080"
expose = true
[maps]
folder = "maps"
[[stations]]
name = "Quarry Road Booster"
service = "delta-3-wire"
nominal_voltage = "0.48 kV"
nominal_frequency = "50 Hz"
rotation = "ACB"
[[stations.monitors]]
name = "PM-1"
address = "meter-1.larkmoor.example:502"
unit = 7
map = "generic-totals"
transport = "rtu-over-tcp"
poll_period = "2 s"
timeout = "250 ms"
[stations.monitors.conventions]
active_power = "load-negative"
power_factor = "lag-negative"
[stations.monitors.blanking]
when_not_positive = true
[[stations.monitors]]
name = "PM-2"
address = "meter-1.larkmoor.example:502"
unit = 8
map = "sunspec"
conventions = { reactive_power = "unsigned" }
[[stations.monitors]]
name = "PM-3"
address = "[2001:db8::1]:502"
unit = 255
map = "generic-full"
poll_period = "500 ms"
[[stations.circuits]]
name = "Pump 2"
monitor = "PM-3"
slot = 2
load = "soft-starter"
rated_power = "45 kW"
rated_voltage = "460 V"
full_load_current = "77 A"
full_load_power_factor = 0.86
ct_ratio = "200:5"
run_status = "register"
"#;

#[test]
fn a_full_file_gives_every_value() -> Outcome {
    let config = config(FULL)?;
    assert_eq!(config.http.listen, "0.0.0.0:8080".parse()?);
    let station = &config.stations[0];
    assert_eq!((station.service, station.rotation), (Service::Delta3, Rotation::Acb));
    assert_eq!((station.nominal_voltage_v, station.nominal_frequency_hz), (480.0, 50.0));
    let [first, second, third] = station.monitors.as_slice() else { return Err("three monitors expected".into()) };
    assert_eq!((first.unit, first.transport), (7, Transport::RtuOverTcp));
    assert_eq!((first.poll_period, first.timeout), (Duration::from_secs(2), Duration::from_millis(250)));
    let MapSource::Fixed(map) = &first.map else { return Err("a fixed map expected".into()) };
    assert_eq!(
        map.conventions,
        Conventions {
            active_power: PowerSign::LoadNegative,
            reactive_power: ReactiveSign::InductivePositive,
            power_factor: PowerFactorSign::LagNegative
        }
    );
    assert_eq!(map.blanking, Blanking { when_not_positive: true, when_stopped: false });
    assert_eq!(
        second.map,
        MapSource::SunSpec {
            conventions: Conventions { reactive_power: ReactiveSign::Unsigned, ..Conventions::default() },
            blanking: Blanking::default()
        }
    );
    assert_eq!(
        (third.unit, third.timeout),
        (255, Duration::from_millis(250)),
        "default timeout is half a short period"
    );
    let circuit = &station.circuits[0];
    assert_eq!((circuit.monitor, circuit.slot, circuit.load), (2, 1, LoadKind::SoftStarter));
    assert_eq!((circuit.rated_power_w, circuit.rated_voltage_v), (Some(45_000.0), Some(460.0)));
    assert_eq!((circuit.full_load_current_a, circuit.full_load_power_factor), (Some(77.0), Some(0.86)));
    assert_eq!(circuit.ct_ratio, Some(CtRatio::of_currents(200.0, 5.0)));
    assert_eq!(circuit.run_source, RunSource::Register);
    Ok(())
}

#[test]
fn an_override_leaves_the_library_as_it_is() -> Outcome {
    let library = MapLibrary::builtin();
    let before = library.get("generic-totals").cloned();
    parse("f.toml", FULL, &library)?;
    assert_eq!(library.get("generic-totals").cloned(), before);
    Ok(())
}

#[test]
fn a_byte_order_mark_and_windows_line_ends_do_no_harm() -> Outcome {
    let text = format!("\u{feff}{}", MINIMAL.replace('\n', "\r\n"));
    // The warnings show the file as it is.
    let read = |text: &str| config(text).map(|config| Config { warnings: Vec::new(), ..config });
    assert_eq!(read(&text)?, read(MINIMAL)?);
    Ok(())
}

#[test]
fn the_example_is_good() -> Outcome {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/example.toml");
    let config = load(&path)?;
    assert_eq!(config.stations[0].circuits.len(), 2);
    assert_eq!(config.stations[0].circuits[1].run_source, RunSource::Register);
    Ok(())
}

fn builtin(name: &str) -> Result<MeterMap, String> {
    match MapLibrary::builtin().get(name) {
        Some(MapSource::Fixed(map)) => Ok(map.clone()),
        other => Err(format!("{name}: {other:?}")),
    }
}

fn point(map: &MeterMap, quantity: Quantity, channel: Channel, slot: u8) -> Result<&Point, String> {
    let target = Target { quantity, channel, slot };
    map.points.iter().find(|point| point.target == target).ok_or_else(|| format!("{}: no {target:?}", map.name))
}

#[test]
fn every_built_in_map_is_listed_and_loads() {
    let library = MapLibrary::builtin();
    let names: Vec<String> = library.list().into_iter().map(|info| info.name).collect();
    assert_eq!(names, ["generic-blanking", "generic-full", "generic-totals", "generic-watts", "sunspec"]);
    for (name, slots, points) in [
        ("generic-full", 2, 10 + 2 * 27),
        ("generic-watts", 2, 4 + 2 * 8),
        ("generic-totals", 1, 16),
        ("generic-blanking", 1, 12),
    ] {
        let map = builtin(name);
        assert_eq!(map.map(|map| (map.slots, map.points.len())), Ok((slots, points)), "{name}");
    }
    assert!(library.list().iter().all(|info| info.origin == MapOrigin::BuiltIn && !info.title.is_empty()));
}

#[test]
fn built_in_points_stand_at_their_protocol_addresses() -> Outcome {
    let full = builtin("generic-full")?;
    let power = point(&full, Quantity::ActivePower, Channel::Total, 1)?;
    assert_eq!((power.address, power.encoding, power.function), (218, Encoding::F32, ReadFunction::HoldingRegisters));
    assert_eq!(point(&full, Quantity::VoltageLl, Channel::Three, 0)?.address, 10);

    // reference-5, 30101 is protocol address 100 of the input registers.
    let watts = builtin("generic-watts")?;
    let current = point(&watts, Quantity::Current, Channel::One, 0)?;
    assert_eq!((current.address, current.function, current.scale), (100, ReadFunction::InputRegisters, 0.01));
    assert_eq!(point(&watts, Quantity::VoltageLn, Channel::One, 0)?.address, 0);
    let energy = point(&watts, Quantity::EnergyImport, Channel::Total, 1)?;
    assert_eq!((energy.address, energy.scale, energy.order), (162, 10.0, ByteOrder::Cdab));

    // reference-6, 400114 is protocol address 113 of the holding registers.
    let totals = builtin("generic-totals")?;
    let power = point(&totals, Quantity::ActivePower, Channel::Total, 0)?;
    assert_eq!((power.address, power.scale_register), (114, Some(ScaleRegister { address: 113 })));
    assert_eq!(point(&totals, Quantity::EnergyImport, Channel::Total, 0)?.scale, 10.0, "0.01 kWh is 10 Wh");

    let blanking = builtin("generic-blanking")?;
    let power = point(&blanking, Quantity::ActivePower, Channel::Total, 0)?;
    assert_eq!((power.scale, power.not_available.as_slice()), (10.0, [0x8000].as_slice()));
    assert_eq!(blanking.blanking, Blanking { when_not_positive: true, when_stopped: true });
    assert_eq!(blanking.conventions.power_factor, PowerFactorSign::Unsigned);
    assert!(blanking.points.iter().all(|point| point.target.quantity != Quantity::ReactivePower));
    Ok(())
}

const RICH_MAP: &str = r#"version = 1
name = "rich"
title = "Rich monitor"
addressing = "reference"
slots = 3
slot_stride = 40
byte_order = "CDAB"
[limits]
max_registers = 20
max_bits = 16
max_gap = 0
forbidden = [[500, 510], [1, 9]]
[conventions]
reactive_power = "inductive-negative"
[[points]]
quantity = "frequency"
address = 10
type = "bits"
bits = [4, 12]
unit = "Hz"
scale = 0.1
offset = 5
function = 4
[[points]]
quantity = "active-power"
address = 101
type = "i32"
unit = "kW"
scale = 0.5
offset = 0.25
scale_register = 103
scale_register_repeats = true
not_available = [-1, "0x80000000", 7]
byte_order = "BADC"
function = 3
[[points]]
quantity = "power-factor"
channel = "2"
address = 104
type = "i16"
unit = "%"
function = 3
[[points]]
quantity = "energy-import"
address = 110
type = "base10000x3"
unit = "MWh"
scale_register = 90
function = 3
[[points]]
quantity = "run-status"
address = 20
type = "bit"
function = 2
"#;

#[test]
fn a_rich_map_is_laid_out_in_si_units_and_slots() -> Outcome {
    let map = parse_map("rich.toml", RICH_MAP)?;
    assert_eq!((map.slots, map.points.len()), (3, 1 + 4 * 3));
    assert_eq!((map.limits.max_registers, map.limits.max_bits, map.limits.max_gap), (20, 16, 0));
    assert_eq!(map.limits.forbidden, [(0, 8), (499, 509)]);
    let frequency = point(&map, Quantity::Frequency, Channel::Total, 0)?;
    assert_eq!((frequency.address, frequency.encoding), (9, Encoding::Bits { lowest: 4, width: 12 }));
    assert_eq!((frequency.scale, frequency.offset, frequency.function), (0.1, 5.0, ReadFunction::InputRegisters));
    let power = point(&map, Quantity::ActivePower, Channel::Total, 2)?;
    assert_eq!((power.address, power.scale, power.offset), (180, 500.0, 250.0));
    assert_eq!((power.scale_register, power.order), (Some(ScaleRegister { address: 182 }), ByteOrder::Badc));
    assert_eq!(power.not_available, [0xFFFF_FFFF, 0x8000_0000, 7]);
    assert_eq!(point(&map, Quantity::PowerFactor, Channel::Two, 0)?.scale, 0.01);
    let energy = point(&map, Quantity::EnergyImport, Channel::Total, 1)?;
    assert_eq!((energy.address, energy.scale, energy.order), (149, 1e6, ByteOrder::Cdab));
    assert_eq!(
        (energy.encoding, energy.scale_register),
        (Encoding::Base10000 { registers: 3 }, Some(ScaleRegister { address: 89 }))
    );
    assert_eq!(point(&map, Quantity::RunStatus, Channel::Total, 2)?.address, 99);
    Ok(())
}

#[test]
fn fields_of_bits_may_share_a_register() {
    let text = SMALL_MAP.replace("\"u16\"", "\"bits\"\nbits = [0, 8]")
        + "[[points]]\nquantity = \"current\"\nchannel = \"2\"\naddress = 10\ntype = \"bits\"\nbits = [8, 8]\nunit = \"A\"\n";
    assert_eq!(told_of_map(&text), ["no problem"]);
}

#[test]
fn maps_of_a_folder_join_the_built_in_ones() -> Outcome {
    let folder = tempfile::tempdir()?;
    std::fs::create_dir(folder.path().join("maps"))?;
    std::fs::write(folder.path().join("maps/small.toml"), SMALL_MAP)?;
    std::fs::write(folder.path().join("maps/notes.txt"), "not a map")?;
    let text = with(MINIMAL, "generic-full", "small");
    let file = folder.path().join("site.toml");
    std::fs::write(&file, format!("[maps]\nfolder = \"maps\"\n{text}"))?;
    let (config, library) = load_with_maps(&file, MapLibrary::builtin())?;
    assert_eq!(config.stations[0].monitors[0].map_name, "small");
    assert_eq!(library.list().last().map(|info| info.name.clone()), Some("small".to_owned()));
    let alone = MapLibrary::builtin().with_folder(&folder.path().join("maps"))?;
    assert_eq!(alone.list(), library.list());
    Ok(())
}
