//! One `[[points]]` table of a map file.
//!
//! Must never look at another point (that is `map_check`), nor decode a value.

use crate::modbus::map::{ByteOrder, Channel, Encoding, Quantity, ReadFunction};

use super::map_address::Addressing;
use super::map_encoding::{BYTE_ORDERS, read_encoding, read_not_available};
use super::map_quantity::{read_channel, read_kind, read_unit};
use super::reader::{Fault, Field, Located, TableReader};
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
