//! How a point's value is packed in its registers, and which raw values mean that there is none.
//!
//! Must never decode a value.

use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::DeValue;

use super::map_quantity::Kind;
use super::reader::{Fault, Field, Located, TableReader, integer_of, wrong_type};
use crate::modbus::map::{ByteOrder, Encoding, Quantity, ReadFunction};

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
    ("base10000x2", Encoding::Base10000 { registers: 2 }),
    ("base10000x3", Encoding::Base10000 { registers: 3 }),
    ("base10000x4", Encoding::Base10000 { registers: 4 }),
];

pub(super) const BYTE_ORDERS: &[(&str, ByteOrder)] =
    &[("ABCD", ByteOrder::Abcd), ("CDAB", ByteOrder::Cdab), ("BADC", ByteOrder::Badc), ("DCBA", ByteOrder::Dcba)];

pub(super) fn read_encoding(
    table: &TableReader<'_>,
    kind: Option<&Kind>,
    function: Option<ReadFunction>,
) -> Option<Encoding> {
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

/// Raw values that mean "not available", as unsigned numbers of the encoding's width.
pub(super) fn read_not_available(table: &TableReader<'_>, encoding: Option<Encoding>) -> Vec<u64> {
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
