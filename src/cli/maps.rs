//! `wattassay maps`: list the register maps, print one, or try one on a monitor. Reads only, like everything here.

use std::fmt::Write;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::{Args, Subcommand, ValueEnum};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::{Exit, print, signals};
use crate::audit::register_fault::expected::Expected;
use crate::clock::Clock;
use crate::config::model::{MonitorConfig, Transport};
use crate::config::quantity::{self, Dimension};
use crate::config::{MapLibrary, MapOrigin};
use crate::daemon::drain;
use crate::faces::json::quality_key;
use crate::modbus::links::Links;
use crate::modbus::map::{
    ByteOrder, Channel, Encoding, MapSource, MeterMap, Point, PowerFactorSign, PowerSign, Quantity, ReactiveSign,
};
use crate::modbus::poll::{MonitorJob, PollEvent};
use crate::modbus::poller;
use crate::reading::{CircuitReading, Measured, MonitorReading, RunStatus};
use crate::station::register_watch::of_one_reading;
use crate::station::snapshot::answered;

/// One answer is awaited for this long; a monitor tried by hand may sit behind a slow gateway.
const TRY_TIMEOUT: Duration = Duration::from_secs(2);
/// A whole try, with its connection and a search for a SunSpec model, is given up after this.
const TRY_LIMIT: Duration = Duration::from_mins(1);

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Options {
    /// Map to print; without it, all maps are listed
    name: Option<String>,
    /// Folder with further map files
    #[arg(long, value_name = "FOLDER", global = true)]
    folder: Option<PathBuf>,
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Read a monitor once with a map and print every value and its quality
    Try(TryOptions),
}

#[derive(Debug, Args)]
struct TryOptions {
    /// Map to use
    name: String,
    /// Where the monitor is
    #[arg(long, value_name = "HOST:PORT")]
    address: String,
    /// Unit id
    #[arg(long, value_name = "N", default_value_t = 1)]
    unit: u8,
    /// How bytes travel
    #[arg(long, value_enum, default_value_t = Wire::Tcp, value_name = "TRANSPORT")]
    transport: Wire,
    /// Nominal voltage between phases, for example "480 V"; it helps to tell what would fit better
    #[arg(long, value_name = "VOLTAGE", value_parser = nominal_voltage)]
    nominal_voltage: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Wire {
    /// Modbus/TCP
    Tcp,
    /// RTU frames over TCP
    RtuOverTcp,
}

fn nominal_voltage(text: &str) -> Result<f64, String> {
    quantity::parse(text, Dimension::Voltage).map_err(|error| format!("{}; {}", error.message, error.hint))
}

pub(super) async fn run(options: Options) -> anyhow::Result<Exit> {
    let mut library = MapLibrary::builtin();
    if let Some(folder) = &options.folder {
        library = library.with_folder(folder)?;
    }
    match (&options.action, &options.name) {
        (Some(Action::Try(what)), _) => try_map(&library, what).await,
        (None, Some(name)) => {
            print(&map_text(name, find(&library, name)?))?;
            Ok(Exit::Well)
        }
        (None, None) => {
            print(&list_text(&library))?;
            Ok(Exit::Well)
        }
    }
}

fn find<'l>(library: &'l MapLibrary, name: &str) -> anyhow::Result<&'l MapSource> {
    let known = || library.list().into_iter().map(|map| map.name).collect::<Vec<_>>().join(", ");
    library.get(name).with_context(|| format!("there is no map \"{name}\"; there are {}", known()))
}

fn list_text(library: &MapLibrary) -> String {
    let mut out = String::new();
    for map in library.list() {
        let origin = match map.origin {
            MapOrigin::BuiltIn => String::new(),
            MapOrigin::File(path) => format!(" ({})", path.display()),
        };
        let _ = writeln!(out, "{:<20} {}{origin}", map.name, map.title);
    }
    out
}

fn map_text(name: &str, source: &MapSource) -> String {
    let map = match source {
        MapSource::Fixed(map) => map,
        MapSource::SunSpec { .. } => {
            return format!(
                "{name}: SunSpec meter models 201-204 and 211-214. The registers are found on the device itself: \
                 `wattassay maps try {name} --address HOST:PORT --unit N` shows what it offers.\n"
            );
        }
    };
    let mut out = format!("{}: {}\n", map.name, map.title);
    rules_text(&mut out, map);
    let _ = writeln!(
        out,
        "  {:<26} {:>4}  {:>7}  {:<17} {:<9} {:<5} {:>12}  not available",
        "value", "slot", "address", "function", "type", "order", "scale"
    );
    for point in &map.points {
        let _ = writeln!(out, "{}", point_text(point));
    }
    out
}

fn rules_text(out: &mut String, map: &MeterMap) {
    let limits = &map.limits;
    let _ = writeln!(
        out,
        "  {} circuit slot{}; at most {} registers a read, gaps up to {}; P {}, Q {}, PF {}",
        map.slots,
        if map.slots == 1 { "" } else { "s" },
        limits.max_registers,
        limits.max_gap,
        match map.conventions.active_power {
            PowerSign::LoadPositive => "load-positive",
            PowerSign::LoadNegative => "load-negative",
        },
        match map.conventions.reactive_power {
            ReactiveSign::InductivePositive => "inductive-positive",
            ReactiveSign::InductiveNegative => "inductive-negative",
            ReactiveSign::Unsigned => "unsigned",
        },
        match map.conventions.power_factor {
            PowerFactorSign::SignOfPower => "sign-of-power",
            PowerFactorSign::LagNegative => "lag-negative",
            PowerFactorSign::LeadNegative => "lead-negative",
            PowerFactorSign::Unsigned => "unsigned",
        },
    );
    for (first, last) in &limits.forbidden {
        let _ = writeln!(out, "  never reads {first} to {last}");
    }
    if map.blanking.when_not_positive {
        out.push_str("  power and PF are blank when power is not positive\n");
    }
    if map.blanking.when_stopped {
        out.push_str("  power and PF are blank while no current flows\n");
    }
    out.push_str("  addresses are zero-based, as on the wire\n");
}

fn point_text(point: &Point) -> String {
    let (name, unit) = quantity_words(point.target.quantity);
    let channel = channel_words(point.target.quantity, point.target.channel);
    let value = [name, channel, unit].into_iter().filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
    let scale = match point.scale_register {
        Some(register) => format!("{} x10^[{}]", point.scale, register.address),
        None if point.offset != 0.0 => format!("{} + {}", point.scale, point.offset),
        None => point.scale.to_string(),
    };
    let absent = point.not_available.iter().map(|raw| format!("{raw:#X}")).collect::<Vec<_>>().join(" ");
    format!(
        "  {value:<26} {:>4}  {:>7}  {:<17} {:<9} {:<5} {scale:>12}  {absent}",
        point.target.slot + 1,
        point.address,
        match point.function.code() {
            1 => "1 coils",
            2 => "2 inputs (bits)",
            3 => "3 holding",
            _ => "4 input",
        },
        encoding_words(point.encoding),
        order_words(point.order),
    )
    .trim_end()
    .to_owned()
}

fn quantity_words(quantity: Quantity) -> (&'static str, &'static str) {
    match quantity {
        Quantity::VoltageLn => ("voltage to neutral", "V"),
        Quantity::VoltageLl => ("voltage between", "V"),
        Quantity::VoltageAngle => ("voltage angle", "deg"),
        Quantity::Frequency => ("frequency", "Hz"),
        Quantity::Current => ("current", "A"),
        Quantity::CurrentAngle => ("current angle", "deg"),
        Quantity::ActivePower => ("active power", "W"),
        Quantity::ReactivePower => ("reactive power", "var"),
        Quantity::ApparentPower => ("apparent power", "VA"),
        Quantity::PowerFactor => ("power factor", ""),
        Quantity::EnergyImport => ("energy import", "Wh"),
        Quantity::EnergyExport => ("energy export", "Wh"),
        Quantity::RunStatus => ("run status", ""),
        Quantity::Flow => ("flow", "m3/s"),
        Quantity::Head => ("head", "m"),
        Quantity::SuctionPressure => ("suction pressure", "Pa"),
        Quantity::DischargePressure => ("discharge pressure", "Pa"),
    }
}

fn channel_words(quantity: Quantity, channel: Channel) -> &'static str {
    match (quantity, channel) {
        (Quantity::VoltageLl, Channel::One) => "12",
        (Quantity::VoltageLl, Channel::Two) => "23",
        (Quantity::VoltageLl, Channel::Three) => "31",
        (_, Channel::One) => "1",
        (_, Channel::Two) => "2",
        (_, Channel::Three) => "3",
        (Quantity::ActivePower | Quantity::ReactivePower | Quantity::ApparentPower | Quantity::PowerFactor, _) => {
            "total"
        }
        (_, Channel::Total) => "",
    }
}

fn encoding_words(encoding: Encoding) -> String {
    match encoding {
        Encoding::U16 => "u16".to_owned(),
        Encoding::I16 => "i16".to_owned(),
        Encoding::U32 => "u32".to_owned(),
        Encoding::I32 => "i32".to_owned(),
        Encoding::U64 => "u64".to_owned(),
        Encoding::I64 => "i64".to_owned(),
        Encoding::F32 => "f32".to_owned(),
        Encoding::F64 => "f64".to_owned(),
        Encoding::Bits { lowest, width } => format!("bits {lowest}+{width}"),
        Encoding::Bcd { registers } => format!("bcd{}", 16 * registers),
        Encoding::Mod10k { registers } => format!("mod10k{}", 16 * registers),
        Encoding::Bit => "bit".to_owned(),
    }
}

fn order_words(order: ByteOrder) -> &'static str {
    match order {
        ByteOrder::Abcd => "ABCD",
        ByteOrder::Cdab => "CDAB",
        ByteOrder::Badc => "BADC",
        ByteOrder::Dcba => "DCBA",
    }
}

async fn try_map(library: &MapLibrary, what: &TryOptions) -> anyhow::Result<Exit> {
    let map = find(library, &what.name)?.clone();
    let stop = signals::stop_token()?;
    let (cancel, tracker) = (CancellationToken::new(), TaskTracker::new());
    let (events, mut receiver) = mpsc::channel(1);
    let monitor = MonitorConfig {
        name: "monitor".to_owned(),
        address: what.address.clone(),
        unit: what.unit,
        transport: match what.transport {
            Wire::Tcp => Transport::Tcp,
            Wire::RtuOverTcp => Transport::RtuOverTcp,
        },
        map,
        map_name: what.name.clone(),
        poll_period: TRY_LIMIT,
        timeout: TRY_TIMEOUT,
    };
    let job = MonitorJob { station: "try".to_owned(), monitor, events };
    poller::spawn(vec![(job, cancel.clone())], &mut Links::default(), &tracker, &Clock::system());
    let event = tokio::select! {
        () = stop.cancelled() => bail!("stopped before the monitor was read"),
        event = tokio::time::timeout(TRY_LIMIT, receiver.recv()) => event,
    };
    cancel.cancel();
    drain(&tracker).await;
    let event = event
        .with_context(|| format!("no poll finished within {} s", TRY_LIMIT.as_secs()))?
        .context("polling ended without a result")?;
    print(&(tried_text(&event) + &better_text(&event, what.nominal_voltage)))?;
    Ok(if answered(&event.reading) { Exit::Well } else { Exit::Error })
}

fn tried_text(event: &PollEvent) -> String {
    let mut out = format!(
        "{} transaction{} in {:.0} ms, {} failed\n",
        event.transactions,
        if event.transactions == 1 { "" } else { "s" },
        event.took_ms,
        event.errors.len()
    );
    for failure in &event.reading.failures {
        let _ = writeln!(out, "failed: {failure}");
    }
    if !answered(&event.reading) {
        return out;
    }
    monitor_values(&mut out, &event.reading);
    for (slot, circuit) in event.reading.circuits.iter().enumerate() {
        let mut values = String::new();
        circuit_values(&mut values, circuit);
        if !values.is_empty() {
            let _ = writeln!(out, "circuit slot {}", slot + 1);
            out.push_str(&values);
        }
    }
    out
}

/// Another reading of the same words that fits better, if there is one.
fn better_text(event: &PollEvent, nominal_voltage_v: Option<f64>) -> String {
    let Some(raw) = &event.raw else { return String::new() };
    let expected = Expected::unknown(nominal_voltage_v, event.reading.circuits.len());
    match of_one_reading(&event.reading, raw, &expected) {
        Some(fault) => format!("\nWould fit better: {}\n", fault.text()),
        None => String::new(),
    }
}

fn monitor_values(out: &mut String, reading: &MonitorReading) {
    for (name, values) in [
        ("voltage to neutral (V)", &reading.voltage_ln_v),
        ("voltage 12, 23, 31 (V)", &reading.voltage_ll_v),
        ("voltage angle (deg)", &reading.voltage_angle_deg),
    ] {
        channels(out, name, values);
    }
    single(out, "frequency (Hz)", reading.frequency_hz);
}

fn circuit_values(out: &mut String, circuit: &CircuitReading) {
    for (name, values) in [
        ("current (A)", &circuit.current_a),
        ("current angle (deg)", &circuit.current_angle_deg),
        ("active power (W)", &circuit.active_power_w),
        ("reactive power (var)", &circuit.reactive_power_var),
        ("apparent power (VA)", &circuit.apparent_power_va),
        ("power factor", &circuit.power_factor),
    ] {
        channels(out, name, values);
    }
    for (name, value) in [
        ("total active power (W)", circuit.total_active_power_w),
        ("total reactive power (var)", circuit.total_reactive_power_var),
        ("total apparent power (VA)", circuit.total_apparent_power_va),
        ("total power factor", circuit.total_power_factor),
        ("energy import (Wh)", circuit.energy_import_wh),
        ("energy export (Wh)", circuit.energy_export_wh),
    ] {
        single(out, name, value);
    }
    for (name, value) in [
        ("flow (m3/s)", circuit.water.flow_m3_per_s),
        ("head (m)", circuit.water.head_m),
        ("suction pressure (Pa)", circuit.water.suction_pressure_pa),
        ("discharge pressure (Pa)", circuit.water.discharge_pressure_pa),
    ] {
        single(out, name, value);
    }
    match circuit.run_status {
        RunStatus::NotMapped => {}
        RunStatus::Running => out.push_str("  run status                   running\n"),
        RunStatus::Stopped => out.push_str("  run status                   stopped\n"),
        RunStatus::Failed => out.push_str("  run status                   (failed)\n"),
    }
}

fn channels(out: &mut String, name: &str, values: &[Measured; 3]) {
    if values.iter().any(|value| value.is_mapped()) {
        let shown = values.map(tried_value);
        let _ = writeln!(out, "  {name:<28} {:<22} {:<22} {}", shown[0], shown[1], shown[2]);
    }
}

fn single(out: &mut String, name: &str, value: Measured) {
    if value.is_mapped() {
        let _ = writeln!(out, "  {name:<28} {}", tried_value(value));
    }
}

fn tried_value(value: Measured) -> String {
    match value {
        Measured::Good(v) => format!("{v:.3}"),
        Measured::Stale(v) | Measured::OutOfRange(v) => format!("{v:.3} ({})", quality_key(value)),
        Measured::NotMapped | Measured::NotAvailable | Measured::Failed => format!("({})", quality_key(value)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::station::fixtures::{failed_event, good_event, reading};

    #[test]
    fn every_map_is_listed_and_can_be_printed() {
        let library = MapLibrary::builtin();
        let list = list_text(&library);
        for map in library.list() {
            assert!(list.contains(&map.name));
            let text = map_text(&map.name, find(&library, &map.name).unwrap());
            assert!(text.starts_with(&map.name), "{text}");
        }
        let full = map_text("generic-full", find(&library, "generic-full").unwrap());
        assert!(full.contains("active power total W") && full.contains("f32"), "{full}");
        let error = find(&library, "generic-ful").unwrap_err().to_string();
        assert!(error.contains("generic-full"), "{error}");
    }

    #[test]
    fn a_try_shows_every_mapped_value_with_its_quality() {
        let mut event = good_event(reading(&Wiring::INTENDED, 0));
        event.reading.circuits[0].total_power_factor = Measured::OutOfRange(3.2);
        let text = tried_text(&event);
        assert!(text.contains("2 transactions in 12 ms, 0 failed"), "{text}");
        assert!(text.contains("277.128") && text.contains("3.200 (out_of_range)"), "{text}");
        assert!(!text.contains("energy"), "what is not mapped is not shown: {text}");
        let text = tried_text(&failed_event(0));
        assert!(text.contains("1 failed\nfailed: ") && !text.contains("current"), "{text}");
    }
}
