//! One `[[points]]` table of a map file.
//!
//! Must never look at another point (that is `map_check`), nor decode a value.

use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::DeValue;

use crate::modbus::map::{ByteOrder, Channel, Encoding, Quantity, ReadFunction};

use super::map_address::Addressing;
use super::problem::quoted;
use super::quantity;
use super::reader::{Fault, Field, Located, TableReader, integer_of, nearest, wrong_type};
use super::report::Span;

/// What the head of the file sets for all its points.
pub(super) struct PointDefaults {
    /// None when the head is at fault; addresses are then not checked.
    pub(super) addressing: Option<Addressing>,
    /// None when the head has none, or a bad one.
    pub(super) function: Option<ReadFunction>,
    /// The head's function is at fault, so that a point without one is not to blame.
    pub(super) function_is_bad: bool,
    pub(super) order: ByteOrder,
}

/// A point as the file gives it, before its slots are laid out. Scale and offset are in the SI unit.
#[derive(Debug, Clone)]
pub(super) struct PointDraft {
    pub(super) quantity: Quantity,
    pub(super) channel: Channel,
    pub(super) function: ReadFunction,
    pub(super) address: Located<u16>,
    pub(super) encoding: Encoding,
    pub(super) order: ByteOrder,
    pub(super) scale: f64,
    pub(super) offset: f64,
    pub(super) scale_register: Option<Located<u16>>,
    pub(super) scale_register_repeats: bool,
    pub(super) not_available: Vec<u64>,
    pub(super) place: Span,
}

/// What a quantity may be written with: its word, channels (the first is the default when it is "total") and units
/// (the first is the default for those that need none).
pub(super) struct Kind {
    pub(super) quantity: Quantity,
    word: &'static str,
    name: &'static str,
    channels: &'static [(&'static str, Channel)],
    units: &'static [&'static str],
    unit_needed: bool,
    pub(super) repeats: bool,
}

const PHASES: &[(&str, Channel)] = &[("1", Channel::One), ("2", Channel::Two), ("3", Channel::Three)];
const PAIRS: &[(&str, Channel)] = &[("12", Channel::One), ("23", Channel::Two), ("31", Channel::Three)];
const TOTAL: &[(&str, Channel)] = &[("total", Channel::Total)];
const PHASES_AND_TOTAL: &[(&str, Channel)] =
    &[("total", Channel::Total), ("1", Channel::One), ("2", Channel::Two), ("3", Channel::Three)];

const VOLTS: &[&str] = &["V", "kV", "mV"];
const DEGREES: &[&str] = &["deg"];
const PRESSURES: &[&str] = &["Pa", "kPa", "bar", "psi"];
const WATT_HOURS: &[&str] = &["Wh", "kWh", "MWh"];

macro_rules! kind {
    ($quantity:ident, $word:literal, $name:literal, $channels:expr, $units:expr, $needed:literal, $repeats:literal) => {
        Kind {
            quantity: Quantity::$quantity,
            word: $word,
            name: $name,
            channels: $channels,
            units: $units,
            unit_needed: $needed,
            repeats: $repeats,
        }
    };
}

const KINDS: &[Kind] = &[
    kind!(VoltageLn, "voltage-ln", "voltage", PHASES, VOLTS, true, false),
    kind!(VoltageLl, "voltage-ll", "voltage", PAIRS, VOLTS, true, false),
    kind!(VoltageAngle, "voltage-angle", "an angle", PHASES, DEGREES, true, false),
    kind!(Frequency, "frequency", "frequency", TOTAL, &["Hz"], true, false),
    kind!(Current, "current", "current", PHASES, &["A", "mA"], true, true),
    kind!(CurrentAngle, "current-angle", "an angle", PHASES, DEGREES, true, true),
    kind!(ActivePower, "active-power", "active power", PHASES_AND_TOTAL, &["W", "kW", "MW"], true, true),
    kind!(ReactivePower, "reactive-power", "reactive power", PHASES_AND_TOTAL, &["var", "kvar"], true, true),
    kind!(ApparentPower, "apparent-power", "apparent power", PHASES_AND_TOTAL, &["VA", "kVA", "MVA"], true, true),
    kind!(PowerFactor, "power-factor", "power factor", PHASES_AND_TOTAL, &["1", "%"], false, true),
    kind!(EnergyImport, "energy-import", "energy", TOTAL, WATT_HOURS, true, true),
    kind!(EnergyExport, "energy-export", "energy", TOTAL, WATT_HOURS, true, true),
    kind!(RunStatus, "run-status", "run status", TOTAL, &["1"], false, true),
    kind!(Flow, "flow", "flow", TOTAL, &["m3/s", "m3/h", "l/s", "l/min", "gpm", "MGD"], true, true),
    kind!(Head, "head", "head", TOTAL, &["m", "ft"], true, true),
    kind!(SuctionPressure, "suction-pressure", "pressure", TOTAL, PRESSURES, true, true),
    kind!(DischargePressure, "discharge-pressure", "pressure", TOTAL, PRESSURES, true, true),
];

/// True for what each circuit has for itself; false for what the monitor has once.
pub(super) fn repeats_per_slot(quantity: Quantity) -> bool {
    KINDS.iter().any(|kind| kind.quantity == quantity && kind.repeats)
}

const ENCODINGS: &[(&str, Encoding)] = &[
    ("u16", Encoding::U16),
    ("i16", Encoding::I16),
    ("u32", Encoding::U32),
    ("i32", Encoding::I32),
    ("u64", Encoding::U64),
    ("i64", Encoding::I64),
    ("f32", Encoding::F32),
    ("f64", Encoding::F64),
    ("bit", Encoding::Bit),
    ("bits", Encoding::Bits { lowest: 0, width: 0 }),
    ("bcd16", Encoding::Bcd { registers: 1 }),
    ("bcd32", Encoding::Bcd { registers: 2 }),
    ("mod10k32", Encoding::Mod10k { registers: 2 }),
    ("mod10k48", Encoding::Mod10k { registers: 3 }),
    ("mod10k64", Encoding::Mod10k { registers: 4 }),
];

pub(super) const BYTE_ORDERS: &[(&str, ByteOrder)] =
    &[("ABCD", ByteOrder::Abcd), ("CDAB", ByteOrder::Cdab), ("BADC", ByteOrder::Badc), ("DCBA", ByteOrder::Dcba)];

/// Reads a function code.
pub(super) fn read_function(table: &TableReader<'_>) -> Field<ReadFunction> {
    let field = table.integer("function", 1..=4);
    table.check("function", field, |code| {
        Ok(match code {
            1 => ReadFunction::Coils,
            2 => ReadFunction::DiscreteInputs,
            3 => ReadFunction::HoldingRegisters,
            _ => ReadFunction::InputRegisters,
        })
    })
}

/// Reads one point. All faults are in the report; none is returned unless every key is right.
pub(super) fn read_point(table: TableReader<'_>, defaults: &PointDefaults) -> Option<PointDraft> {
    let kind = read_kind(&table);
    let channel = read_channel(&table, kind);
    let function = match read_function(&table) {
        Field::Absent if defaults.function.is_none() && !defaults.function_is_bad => {
            let hint = "write function = 3 here, or once at the head of the file";
            table.need("function", Field::<ReadFunction>::Absent, hint).value()
        }
        Field::Absent => defaults.function,
        field => field.value(),
    };
    let encoding = read_encoding(&table, kind, function);
    let address = read_address(&table, "address", function, defaults);
    let address = table.need("address", address, "write the address of the first register, for example address = 10");
    let factor = read_unit(&table, kind);
    let scale = table.number("scale", "0.1");
    let scale = table.check("scale", scale, |scale| {
        if scale == 0.0 {
            Err(Fault::new("a scale of 0 makes every value 0", "leave scale out for 1"))
        } else {
            Ok(scale)
        }
    });
    let scale_place = if let Field::Good(scale) = &scale { scale.span.clone() } else { table.place().clone() };
    let (scale, offset) = (scale.or(1.0), table.number("offset", "0.0").or(0.0));
    let scale_register = read_scale_register(&table, function, defaults);
    let repeats = read_scale_repeats(&table, &scale_register);
    let not_available = read_not_available(&table, encoding);
    let order = table.choice("byte_order", BYTE_ORDERS).or(defaults.order);
    let place = table.place().clone();

    let (scale, offset) = match (scale, offset, factor) {
        (Some(scale), Some(offset), Some(factor)) => (scale * factor, offset * factor),
        _ => (1.0, 0.0),
    };
    if !scale.is_finite() || scale == 0.0 || !offset.is_finite() {
        table.fault(
            "scale",
            &scale_place,
            Fault::new("scale or offset is beyond what a number can hold", "check scale, offset and unit"),
        );
    }
    table.finish();
    Some(PointDraft {
        quantity: kind?.quantity,
        channel: channel?,
        function: function?,
        address: address.located()?,
        encoding: encoding?,
        order: order?,
        scale,
        offset,
        scale_register: scale_register.located(),
        scale_register_repeats: repeats,
        not_available,
        place,
    })
}

pub(super) fn read_kind(table: &TableReader<'_>) -> Option<&'static Kind> {
    let choices: Vec<(&'static str, usize)> =
        KINDS.iter().enumerate().map(|(index, kind)| (kind.word, index)).collect();
    let field = table.choice("quantity", &choices);
    let field = table.need("quantity", field, "say what the point measures, for example quantity = \"current\"");
    field.value().and_then(|index| KINDS.get(index))
}

pub(super) fn read_channel(table: &TableReader<'_>, kind: Option<&Kind>) -> Option<Channel> {
    let field = table.text("channel", "1");
    let kind = kind?;
    let words = kind.channels.iter().map(|(word, _)| format!("\"{word}\"")).collect::<Vec<_>>().join(", ");
    let field = table.check("channel", field, |text| {
        kind.channels.iter().find(|(word, _)| *word == text).map(|(_, channel)| *channel).ok_or_else(|| {
            Fault::new(
                format!("{} is not a channel of {}", quoted(text), kind.word),
                format!("channels of {}: {words}", kind.word),
            )
        })
    });
    match kind.channels.first() {
        Some((_, Channel::Total)) => field.or(Channel::Total),
        _ => table.need("channel", field, &format!("write the channel: {words}")).value(),
    }
}

fn read_encoding(table: &TableReader<'_>, kind: Option<&Kind>, function: Option<ReadFunction>) -> Option<Encoding> {
    let field = table.choice("type", ENCODINGS);
    let field = table.need("type", field, "say how the value is packed, for example type = \"f32\"");
    let field = table.check("type", field, |encoding| match (encoding == Encoding::Bit, function) {
        (true, Some(function)) if !function.is_bit() => {
            let hint = "for one bit of a register use type = \"bits\" with bits = [number, 1]; coils and discrete inputs are functions 1 and 2";
            Err(Fault::new(format!("function {} reads registers, not single bits", function.code()), hint))
        }
        (false, Some(function)) if function.is_bit() => {
            Err(Fault::new(format!("function {} reads single bits", function.code()), "write type = \"bit\", or use function 3 or 4"))
        }
        (true, _) if kind.is_some_and(|kind| kind.quantity != Quantity::RunStatus) => {
            Err(Fault::new("a single bit cannot hold a measured value", "type = \"bit\" is for quantity = \"run-status\""))
        }
        _ => Ok(encoding),
    });
    let bits = table.array("bits", "[4, 2]");
    let bits = table.check("bits", bits, bit_field);
    match field {
        Field::Good(Located { value: Encoding::Bits { .. }, .. }) => {
            table.need("bits", bits, "write the lowest bit and the number of bits, for example bits = [4, 2]").value()
        }
        Field::Good(Located { value, .. }) => {
            table.check("bits", bits, |_| -> Result<(), Fault> {
                Err(Fault::new("only type = \"bits\" has a bit field", "take this key out, or write type = \"bits\""))
            });
            Some(value)
        }
        Field::Absent | Field::Bad => None,
    }
}

fn bit_field(items: &[Spanned<DeValue<'_>>]) -> Result<Encoding, Fault> {
    let number = |index: usize, range: RangeInclusive<i64>| {
        items
            .get(index)
            .and_then(|item| integer_of("bits", item.get_ref(), &range).ok())
            .and_then(|value| u8::try_from(value).ok())
    };
    match (number(0, 0..=15), number(1, 1..=16)) {
        (Some(lowest), Some(width)) if items.len() == 2 && lowest + width <= 16 => Ok(Encoding::Bits { lowest, width }),
        _ => Err(Fault::new(
            "this is not a field of bits in one register",
            "write the lowest bit (0 to 15) and the number of bits, together at most 16, for example bits = [4, 2]",
        )),
    }
}

fn read_address(
    table: &TableReader<'_>,
    key: &'static str,
    function: Option<ReadFunction>,
    defaults: &PointDefaults,
) -> Field<u16> {
    let field = table.integer(key, 0..=999_999);
    let (Some(addressing), Some(function)) = (defaults.addressing, function) else {
        // The address cannot be judged; the fault that makes it so is in the report.
        return if matches!(field, Field::Absent) { Field::Absent } else { Field::Bad };
    };
    table.check(key, field, |written| addressing.to_protocol(written, function))
}

/// The factor from the written unit to the SI unit.
pub(super) fn read_unit(table: &TableReader<'_>, kind: Option<&Kind>) -> Option<f64> {
    let field = table.text("unit", kind.and_then(|kind| kind.units.first().copied()).unwrap_or("V"));
    let kind = kind?;
    let si_unit = kind.units.first().copied().unwrap_or_default();
    let field = table.check("unit", field, |text| {
        if kind.units.contains(&text) {
            return Ok(quantity::unit(text).map_or(1.0, |(_, factor)| factor));
        }
        let units = kind.units.join(", ");
        let hint = match nearest(text, kind.units.iter().copied()).filter(|near| near.eq_ignore_ascii_case(text)) {
            Some(near) => format!("write \"{near}\" (case matters)"),
            None => format!("units of {}: {units}", kind.word),
        };
        match quantity::unit(text) {
            Some(_) => Err(Fault::new(format!("{} is in {si_unit}, not {text}", kind.name), hint)),
            None => Err(Fault::new(format!("{} is not a unit known here", quoted(text)), hint)),
        }
    });
    if !kind.unit_needed {
        return field.or(1.0);
    }
    table.need("unit", field, &format!("write the unit of the scaled value: {}", kind.units.join(", "))).value()
}

fn read_scale_register(
    table: &TableReader<'_>,
    function: Option<ReadFunction>,
    defaults: &PointDefaults,
) -> Field<u16> {
    let field = read_address(table, "scale_register", function, defaults);
    table.check("scale_register", field, |address| match function {
        Some(function) if function.is_bit() => {
            Err(Fault::new("a single bit has no scale register", "take this key out, or use function 3 or 4"))
        }
        _ => Ok(address),
    })
}

/// Whether the scale register moves with the slot. By default it does not: only the address of the point repeats, and
/// one scale register serves all circuits.
fn read_scale_repeats(table: &TableReader<'_>, scale_register: &Field<u16>) -> bool {
    let key = "scale_register_repeats";
    let field = table.boolean(key);
    if matches!(scale_register, Field::Absent) {
        table.check(key, field, |_| -> Result<(), Fault> {
            Err(Fault::new("this point has no scale_register", "take this key out"))
        });
        return false;
    }
    field.value().unwrap_or(false)
}

/// Raw values that mean "not available", as unsigned numbers of the encoding's width.
fn read_not_available(table: &TableReader<'_>, encoding: Option<Encoding>) -> Vec<u64> {
    let field = table.array("not_available", "[\"0x8000\"]");
    let Field::Good(Located { value: items, .. }) = field else { return Vec::new() };
    let bits = match encoding {
        Some(Encoding::Bits { width, .. }) => u32::from(width),
        Some(Encoding::Bit) => 1,
        Some(encoding) => u32::from(encoding.width()) * 16,
        None => 64,
    };
    let signed = matches!(encoding, None | Some(Encoding::I16 | Encoding::I32 | Encoding::I64));
    let mut values = Vec::with_capacity(items.len());
    for item in items {
        match raw_value(item.get_ref(), bits, signed) {
            Ok(value) => values.push(value),
            Err(fault) => table.fault("not_available", &item.span(), fault),
        }
    }
    values
}

fn raw_value(value: &DeValue<'_>, bits: u32, signed: bool) -> Result<u64, Fault> {
    let hint = || {
        format!(
            "write raw values of {bits} bits as whole numbers or hexadecimal text, for example [\"0x{:X}\"]",
            1_u64 << (bits - 1)
        )
    };
    let parsed = match value {
        DeValue::Integer(integer) => i128::from_str_radix(integer.as_str(), integer.radix()).ok(),
        DeValue::String(text) => text
            .strip_prefix("0x")
            .or_else(|| text.strip_prefix("0X"))
            .filter(|digits| digits.chars().all(|c| c.is_ascii_hexdigit()))
            .and_then(|digits| i128::from_str_radix(digits, 16).ok()),
        _ => return Err(wrong_type(value, "a raw register value", hint())),
    };
    let Some(number) = parsed else { return Err(Fault::new("this is not a raw register value", hint())) };
    let (span, lowest) = (1_i128 << bits, if signed { -(1_i128 << (bits - 1)) } else { 0 });
    if !(lowest..span).contains(&number) {
        return Err(Fault::new(format!("this raw value does not fit in {bits} bits"), hint()));
    }
    // A negative number of a signed type is its two's complement.
    u64::try_from(number.rem_euclid(span)).map_err(|_| Fault::new("this raw value does not fit", hint()))
}
