//! Quantities as maps and columns files write them: their words, channels and units.
//!
//! Must never guess a unit, nor take one of another quantity.

use super::problem::quoted;
use super::quantity;
use super::reader::{Fault, TableReader, nearest};
use crate::modbus::map::{Channel, Quantity};

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

/// The word of a quantity in maps and columns files.
pub fn quantity_word(quantity: Quantity) -> &'static str {
    KINDS.iter().find(|kind| kind.quantity == quantity).map_or("", |kind| kind.word)
}

/// The unit in which a quantity may be written that is `factor` SI units, if there is one.
pub fn unit_of_factor(quantity: Quantity, factor: f64) -> Option<&'static str> {
    let units = KINDS.iter().find(|kind| kind.quantity == quantity)?.units;
    let is = |unit: &&&str| quantity::unit(unit).is_some_and(|(_, of)| (of / factor - 1.0).abs() < 1e-9);
    units.iter().find(is).copied()
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

/// The factor from the written unit to the SI unit.
pub(super) fn read_unit(table: &TableReader<'_>, kind: Option<&Kind>) -> Option<f64> {
    read_named_unit(table, kind).map(|(_, factor)| factor)
}

/// The unit as written, and the factor from it to the SI unit.
pub(super) fn read_named_unit(table: &TableReader<'_>, kind: Option<&Kind>) -> Option<(&'static str, f64)> {
    let field = table.text("unit", kind.and_then(|kind| kind.units.first().copied()).unwrap_or("V"));
    let kind = kind?;
    let si_unit = kind.units.first().copied().unwrap_or_default();
    let field = table.check("unit", field, |text| {
        if let Some(unit) = kind.units.iter().find(|unit| **unit == text) {
            return Ok((*unit, quantity::unit(unit).map_or(1.0, |(_, factor)| factor)));
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
        return field.or((si_unit, 1.0));
    }
    table.need("unit", field, &format!("write the unit of the scaled value: {}", kind.units.join(", "))).value()
}
