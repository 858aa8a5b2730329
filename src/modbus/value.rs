//! From raw registers of one point to a number: encodings, byte orders, sentinels, scale.
//!
//! Pure. Says what the registers hold, nothing about what it means electrically; that is `modbus::decode`.
//! Must never turn a pattern it cannot read into a number.

use super::map::{ByteOrder, Encoding, Point};

/// What the registers of a point hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// A finite number in the SI unit, scale and offset applied.
    Number(f64),
    /// A sentinel, NaN or infinity.
    NotAvailable,
    /// The registers do not hold what the map says they do.
    Undecodable(Undecodable),
}

/// Why registers could not be read as the map says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Undecodable {
    /// A packed-decimal digit above 9, or a decimal group above 9999.
    NotDecimal {
        /// The raw value.
        raw: u64,
    },
    /// The scale register holds a power of ten beyond -10..=10.
    ScaleBeyondRange {
        /// What it holds.
        exponent: i16,
    },
    /// Fewer registers arrived than the value takes.
    TooFewRegisters,
}

/// Powers of ten a scale register may ask for, from 10^-10.
const POWERS: [f64; 21] = [
    1e-10, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10,
];

/// "Not implemented" of a SunSpec scale factor; no device can mean ten to the power of -32768.
const SCALE_NOT_IMPLEMENTED: u16 = 0x8000;

/// Reads the value of `point` from its own registers and, when it has one, its scale register.
pub fn value(point: &Point, registers: &[u16], scale_register: Option<u16>) -> Value {
    let Some(registers) = registers.get(..usize::from(point.encoding.width())) else {
        return Value::Undecodable(Undecodable::TooFewRegisters);
    };
    let raw = assemble(registers, point.order);
    let raw = match point.encoding {
        Encoding::Bits { lowest, width } => field(raw, lowest, width),
        _ => raw,
    };
    if point.not_available.contains(&raw) {
        return Value::NotAvailable;
    }
    let number = match number(raw, point.encoding) {
        Ok(number) if number.is_finite() => number,
        Ok(_) => return Value::NotAvailable,
        Err(undecodable) => return Value::Undecodable(undecodable),
    };
    let power = match scale_register {
        None => 1.0,
        Some(SCALE_NOT_IMPLEMENTED) => return Value::NotAvailable,
        Some(word) => {
            let exponent = word.cast_signed();
            match usize::try_from(i32::from(exponent) + 10).ok().and_then(|index| POWERS.get(index)) {
                Some(power) => *power,
                None => return Value::Undecodable(Undecodable::ScaleBeyondRange { exponent }),
            }
        }
    };
    // Adding zero turns a negative zero, which would print as "-0", into zero.
    let scaled = number * point.scale * power + point.offset + 0.0;
    if scaled.is_finite() { Value::Number(scaled) } else { Value::NotAvailable }
}

/// Reads the value of a coil or discrete input.
pub fn bit_value(point: &Point, bit: bool) -> Value {
    let raw = u64::from(bit);
    if point.not_available.contains(&raw) {
        return Value::NotAvailable;
    }
    Value::Number(f64::from(u8::from(bit)) * point.scale + point.offset)
}

/// Puts registers together, most significant first, after byte order.
///
/// A single register is big-endian on the wire by the protocol itself (V1.1b3, clause 4.2), so the byte order of a map
/// says something about values of two registers or more only.
fn assemble(registers: &[u16], order: ByteOrder) -> u64 {
    if let [word] = registers {
        return u64::from(*word);
    }
    let swap = matches!(order, ByteOrder::Badc | ByteOrder::Dcba);
    let low_first = matches!(order, ByteOrder::Cdab | ByteOrder::Dcba);
    let join = |raw: u64, word: &u16| (raw << 16) | u64::from(if swap { word.swap_bytes() } else { *word });
    if low_first { registers.iter().rev().fold(0, join) } else { registers.iter().fold(0, join) }
}

/// Bits `lowest..lowest + width`.
fn field(raw: u64, lowest: u8, width: u8) -> u64 {
    let shifted = raw.checked_shr(u32::from(lowest)).unwrap_or(0);
    let mask = 1u64.checked_shl(u32::from(width)).map_or(u64::MAX, |bit| bit - 1);
    shifted & mask
}

/// The number a raw value stands for. 64-bit integers beyond 2^53 lose their last digits, far below any meter class.
fn number(raw: u64, encoding: Encoding) -> Result<f64, Undecodable> {
    Ok(match encoding {
        Encoding::U16 | Encoding::U32 | Encoding::U64 | Encoding::Bits { .. } | Encoding::Bit => raw as f64,
        Encoding::I16 => f64::from((raw as u16).cast_signed()),
        Encoding::I32 => f64::from((raw as u32).cast_signed()),
        Encoding::I64 => raw.cast_signed() as f64,
        Encoding::F32 => f64::from(f32::from_bits(raw as u32)),
        Encoding::F64 => f64::from_bits(raw),
        Encoding::Bcd { registers } => decimal(raw, u32::from(registers) * 4, 4, 10)?,
        Encoding::Base10000 { registers } => decimal(raw, u32::from(registers), 16, 10_000)?,
    })
}

/// Reads `groups` groups of `bits` bits each, every one below `base`, most significant first.
fn decimal(raw: u64, groups: u32, bits: u32, base: u64) -> Result<f64, Undecodable> {
    let mut sum = 0;
    for group in (0..groups).rev() {
        let digit = (raw >> (group * bits)) & ((1 << bits) - 1);
        if digit >= base {
            return Err(Undecodable::NotDecimal { raw });
        }
        sum = sum * base + digit;
    }
    Ok(sum as f64)
}

#[cfg(test)]
#[path = "value_tests.rs"]
mod tests;
