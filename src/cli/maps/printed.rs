//! Register maps as text: the list of them, and one in full. Must never show a number other than the map reads by.

use std::fmt::Write;

use crate::config::{MapLibrary, MapOrigin};
use crate::faces::text::plural;
use crate::modbus::map::{
    ByteOrder, Channel, Encoding, MapSource, MeterMap, Point, PowerFactorSign, PowerSign, Quantity, ReactiveSign,
};

pub(super) fn list_text(library: &MapLibrary) -> String {
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

pub(super) fn map_text(name: &str, source: &MapSource) -> String {
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
        plural(map.slots),
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
        Encoding::Base10000 { registers } => format!("base10000x{registers}"),
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
