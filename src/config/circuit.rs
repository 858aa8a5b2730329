//! A `[[stations.circuits]]` table: which slot of which monitor, and the nameplate of the load.
//!
//! Must never fill in a nameplate value that is not given; the audit has priors for that.

use crate::alarm::settings::Priority;
use crate::audit::installation::CtSecondary;
use crate::modbus::map::{MapSource, Quantity};

use super::ct::{parse_ct_ratio, parse_ct_secondary};
use super::model::{CircuitConfig, LoadKind, RunSource, WaterSource};
use super::monitor::MonitorDraft;
use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader, nearest};
use super::report::Span;
use super::station::{MAX_NAME_CHARS, Names};

/// What the alarms of a circuit can be raised to.
const RAISED_TO: [Priority; 3] = [Priority::Medium, Priority::High, Priority::Critical];

const RUN_SOURCES: &[(&str, RunSource)] = &[("current", RunSource::Current), ("register", RunSource::Register)];

/// Reads the circuits of a station. `monitors` is none when the monitors are at fault as a whole.
pub(super) fn read_circuits(
    station: &TableReader<'_>,
    monitors: Option<&[MonitorDraft]>,
) -> Option<Vec<CircuitConfig>> {
    let field = station.tables("circuits");
    let field = station.need("circuits", field, "describe at least one circuit under a header [[stations.circuits]]");
    let mut names = Names::new("circuit in this station");
    let mut taken = Vec::new();
    let mut waters = Vec::new();
    let mut all = Some(Vec::new());
    for table in field.value()? {
        match (read_circuit(table, monitors, &mut names, &mut taken, &mut waters), &mut all) {
            (Some(circuit), Some(circuits)) => circuits.push(circuit),
            _ => all = None,
        }
    }
    all
}

/// Monitor index and slot of the circuits read so far, with their lines.
type Taken = Vec<(usize, u8, usize)>;

fn read_circuit(
    table: TableReader<'_>,
    monitors: Option<&[MonitorDraft]>,
    names: &mut Names,
    taken: &mut Taken,
    waters: &mut Taken,
) -> Option<CircuitConfig> {
    let name = table.name("name", MAX_NAME_CHARS, "Pump 1");
    let name = names.take(&table, table.need("name", name, "name the circuit, for example name = \"Pump 1\""));
    let monitor = read_monitor_reference(&table, monitors);
    let map = monitor.and_then(|index| monitors?.get(index)?.map.as_ref());
    let slot = read_slot(&table, monitor, map, taken);
    let load = read_load(&table);
    let rated_power = table.quantity("rated_power", Dimension::ActivePower, &(1.0..=100e6), "from 1 W to 100 MW");
    let rated_voltage = table.quantity("rated_voltage", Dimension::Voltage, &(50.0..=50e3), "from 50 V to 50 kV");
    let full_load_current =
        table.quantity("full_load_current", Dimension::Current, &(0.01..=100e3), "from 10 mA to 100 kA");
    let power_factor = table.number("full_load_power_factor", "0.86");
    let power_factor = table.check("full_load_power_factor", power_factor, |value| {
        if value > 0.0 && value <= 1.0 {
            Ok(value)
        } else {
            Err(Fault::new(
                "a full-load power factor lies above 0 and at most at 1",
                "copy it from the nameplate, for example 0.86",
            ))
        }
    });
    let ct_ratio = table.text("ct_ratio", "200:5");
    let ct_ratio = table.check("ct_ratio", ct_ratio, parse_ct_ratio);
    let ct_secondary = table.text("ct_secondary", "5 A");
    let ct_secondary = table.check("ct_secondary", ct_secondary, parse_ct_secondary);
    let run_source = read_run_source(&table, map, slot);
    let own = monitor.zip(slot).map(|(monitor, slot)| WaterSource { monitor, slot });
    let water = read_water_source(&table, monitors, own, waters);
    let fault_since = table.day("fault_since");
    let alarm_priority = table.choice("alarm_priority", &RAISED_TO.map(|priority| (priority.key(), priority)));
    table.finish();
    let some_bad = rated_power.is_bad()
        || rated_voltage.is_bad()
        || full_load_current.is_bad()
        || power_factor.is_bad()
        || ct_ratio.is_bad()
        || ct_secondary.is_bad()
        || fault_since.is_bad()
        || alarm_priority.is_bad();
    if some_bad {
        return None;
    }
    Some(CircuitConfig {
        name: name?,
        monitor: monitor?,
        slot: slot?,
        load: load?,
        rated_power_w: rated_power.value(),
        rated_voltage_v: rated_voltage.value(),
        full_load_current_a: full_load_current.value(),
        full_load_power_factor: power_factor.value(),
        ct_ratio: ct_ratio.value(),
        ct_secondary: ct_secondary.or(CtSecondary::Unknown)?,
        run_source: run_source?,
        water: water?,
        fault_since: fault_since.value(),
        alarm_priority: alarm_priority.value(),
    })
}

/// Where flow and head come from: the device and slot named, else the circuit's own.
fn read_water_source(
    table: &TableReader<'_>,
    monitors: Option<&[MonitorDraft]>,
    own: Option<WaterSource>,
    waters: &mut Taken,
) -> Option<WaterSource> {
    let named = table.text("water_monitor", "RTU");
    let field = table.integer("water_slot", 1..=32);
    if matches!(named, Field::Absent) {
        let lone = table.check("water_slot", field, |_| -> Result<(), Fault> {
            Err(Fault::new("there is no water_monitor that this slot is of", "name it, or take this key out"))
        });
        return if lone.is_bad() { None } else { own };
    }
    let place = if let Field::Good(slot) = &field { slot.span.clone() } else { table.place().clone() };
    let monitor = find_monitor(table, "water_monitor", named.located()?, monitors)?;
    let slot = u8::try_from(field.or(1)? - 1).ok()?;
    let offers_water = match monitors?.get(monitor)?.map.as_ref() {
        Some(MapSource::Fixed(map)) => {
            map.points.iter().any(|point| is_water(point.target.quantity) && point.target.slot == slot)
        }
        Some(MapSource::SunSpec { .. }) => false,
        None => true,
    };
    if !offers_water {
        let message = format!("slot {} of that monitor's map has no flow, head or pressure", slot + 1);
        let hint = "name a device whose map has a point with quantity = \"flow\", and its slot";
        table.fault("water_slot", &place, Fault::new(message, hint));
        return None;
    }
    // One flow for two pumps is the flow of the station, and would make either look better than it is.
    if let Some((_, _, line)) = waters.iter().find(|(other, used, _)| *other == monitor && *used == slot) {
        let message = format!("the water of slot {} is taken by the circuit at line {line}", slot + 1);
        table.fault("water_slot", &place, Fault::new(message, "each pump needs a flow of its own"));
        return None;
    }
    waters.push((monitor, slot, table.report().line(table.place())));
    Some(WaterSource { monitor, slot })
}

fn is_water(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Flow | Quantity::Head | Quantity::SuctionPressure | Quantity::DischargePressure)
}

fn read_monitor_reference(table: &TableReader<'_>, monitors: Option<&[MonitorDraft]>) -> Option<usize> {
    let field = table.text("monitor", "PM-1");
    let field =
        table.need("monitor", field, "name the monitor whose CTs are on this circuit, for example monitor = \"PM-1\"");
    find_monitor(table, "monitor", field.located()?, monitors)
}

/// Index of the monitor of this station that has the name.
fn find_monitor(
    table: &TableReader<'_>,
    key: &str,
    Located { value: wanted, span }: Located<&str>,
    monitors: Option<&[MonitorDraft]>,
) -> Option<usize> {
    let monitors = monitors?;
    let found = monitors.iter().position(|monitor| monitor.name.as_deref() == Some(wanted));
    // A monitor whose own name is at fault may be the one that is meant.
    if found.is_none() && monitors.iter().all(|monitor| monitor.name.is_some()) {
        let names: Vec<&str> = monitors.iter().filter_map(|monitor| monitor.name.as_deref()).collect();
        let hint = match nearest(wanted, names.iter().copied()) {
            Some(near) => format!("did you mean {near:?}?"),
            None => format!(
                "monitors of this station: {}",
                names.iter().map(|name| quoted(name)).collect::<Vec<_>>().join(", ")
            ),
        };
        table.fault(key, &span, Fault::new(format!("this station has no monitor named {}", quoted(wanted)), hint));
    }
    found
}

/// The slot, from 0; none when it is at fault or taken. Slots in the file count from 1, as printed on monitors.
fn read_slot(
    table: &TableReader<'_>,
    monitor: Option<usize>,
    map: Option<&MapSource>,
    taken: &mut Taken,
) -> Option<u8> {
    let field = table.integer("slot", 1..=32);
    let place: Span = if let Field::Good(slot) = &field { slot.span.clone() } else { table.place().clone() };
    let slot = u8::try_from(field.or(1)? - 1).ok()?;
    let (slots, whose) = match map {
        Some(MapSource::Fixed(map)) => (map.slots, format!("map \"{}\"", map.name)),
        Some(MapSource::SunSpec { .. }) => (1, "a SunSpec meter".to_owned()),
        None => (32, String::new()),
    };
    if slot >= slots {
        let message = format!("slot {} does not exist: {whose} has {}", slot + 1, counted(slots));
        let hint = if slots == 1 { "write slot = 1".to_owned() } else { format!("write a slot from 1 to {slots}") };
        table.fault("slot", &place, Fault::new(message, hint));
        return None;
    }
    let monitor = monitor?;
    if let Some((_, _, line)) = taken.iter().find(|(other, used, _)| *other == monitor && *used == slot) {
        let message = format!("slot {} of this monitor is taken by the circuit at line {line}", slot + 1);
        table.fault("slot", &place, Fault::new(message, "each slot has one circuit; correct slot or monitor"));
        return None;
    }
    taken.push((monitor, slot, table.report().line(table.place())));
    Some(slot)
}

fn counted(slots: u8) -> String {
    if slots == 1 { "1 slot".to_owned() } else { format!("{slots} slots") }
}

fn read_load(table: &TableReader<'_>) -> Option<LoadKind> {
    let choices: Vec<(&'static str, LoadKind)> = LoadKind::ALL.iter().map(|load| (load.key(), *load)).collect();
    let field = table.choice("load", &choices);
    let hint = "say what the circuit feeds, for example load = \"induction-motor\", or \"unknown\"";
    table.need("load", field, hint).value()
}

fn read_run_source(table: &TableReader<'_>, map: Option<&MapSource>, slot: Option<u8>) -> Option<RunSource> {
    let field = table.choice("run_status", RUN_SOURCES);
    let field = table.check("run_status", field, |source| {
        let has_status = match (map, slot) {
            (Some(MapSource::Fixed(map)), Some(slot)) => {
                map.points.iter().any(|point| point.target.quantity == Quantity::RunStatus && point.target.slot == slot)
            }
            (Some(MapSource::SunSpec { .. }), _) => false,
            _ => true,
        };
        if source == RunSource::Register && !has_status {
            return Err(Fault::new(
                "the map of this monitor has no run-status point",
                "write run_status = \"current\"",
            ));
        }
        Ok(source)
    });
    field.or(RunSource::Current)
}
