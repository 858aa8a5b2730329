//! Packs an engineering number into registers: types, byte orders, saturation.
//!
//! Written from the map format alone, as the opposite of whatever the auditor decodes with. Must never fail: a number
//! that does not fit saturates, as a device's register does.

/// How a value is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Packing {
    /// Unsigned integer over 1, 2 or 4 registers.
    Unsigned { registers: u8 },
    /// Two's complement over 1, 2 or 4 registers.
    Signed { registers: u8 },
    /// IEEE 754 single.
    F32,
    /// IEEE 754 double.
    F64,
    /// Bit field within one register.
    Bits { lowest: u8, width: u8 },
    /// Binary-coded decimal: four digits of four bits each in a register.
    Bcd { registers: u8 },
    /// Four decimal digits in each register, as a plain binary number 0..=9999.
    Base10000 { registers: u8 },
    /// A coil or discrete input.
    Bit,
}

/// Byte order of values over more than one register.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Order {
    /// Low word first.
    pub(crate) low_word_first: bool,
    /// Bytes swapped within each word.
    pub(crate) swap_bytes: bool,
}

impl Order {
    /// Reads "ABCD" and its kin.
    pub(crate) fn from_text(text: &str) -> Option<Order> {
        let (low_word_first, swap_bytes) = match text {
            "ABCD" => (false, false),
            "CDAB" => (true, false),
            "BADC" => (false, true),
            "DCBA" => (true, true),
            _ => return None,
        };
        Some(Order { low_word_first, swap_bytes })
    }
}

impl Packing {
    /// Reads the `type` of a map file; `bits` is its lowest bit and width.
    pub(crate) fn from_text(text: &str, bits: Option<(u8, u8)>) -> Result<Packing, String> {
        let packing = match text {
            "u16" => Packing::Unsigned { registers: 1 },
            "u32" => Packing::Unsigned { registers: 2 },
            "u64" => Packing::Unsigned { registers: 4 },
            "i16" => Packing::Signed { registers: 1 },
            "i32" => Packing::Signed { registers: 2 },
            "i64" => Packing::Signed { registers: 4 },
            "f32" => Packing::F32,
            "f64" => Packing::F64,
            "bcd16" => Packing::Bcd { registers: 1 },
            "bcd32" => Packing::Bcd { registers: 2 },
            "base10000x2" => Packing::Base10000 { registers: 2 },
            "base10000x3" => Packing::Base10000 { registers: 3 },
            "base10000x4" => Packing::Base10000 { registers: 4 },
            "bit" => Packing::Bit,
            "bits" => {
                let (lowest, width) = bits.ok_or("type \"bits\" needs bits = [lowest, width]")?;
                if width == 0 || 16 < u16::from(lowest) + u16::from(width) {
                    return Err(format!("bits = [{lowest}, {width}] does not fit in one register"));
                }
                return Ok(Packing::Bits { lowest, width });
            }
            other => return Err(format!("type \"{other}\" is not known")),
        };
        if bits.is_some() { Err(format!("bits does not go with type \"{text}\"")) } else { Ok(packing) }
    }

    /// Registers (or bits) taken.
    pub(crate) fn registers(self) -> u16 {
        match self {
            Packing::Unsigned { registers }
            | Packing::Signed { registers }
            | Packing::Bcd { registers }
            | Packing::Base10000 { registers } => u16::from(registers),
            Packing::F32 => 2,
            Packing::F64 => 4,
            Packing::Bits { .. } | Packing::Bit => 1,
        }
    }

    /// True for IEEE 754 types, which have a "not a number" of their own.
    pub(crate) fn is_float(self) -> bool {
        matches!(self, Packing::F32 | Packing::F64)
    }

    /// Largest number the type holds.
    pub(crate) fn largest(self) -> f64 {
        match self {
            Packing::Unsigned { registers } => 2f64.powi(16 * i32::from(registers)) - 1.0,
            Packing::Signed { registers } => 2f64.powi(16 * i32::from(registers) - 1) - 1.0,
            Packing::F32 => f64::from(f32::MAX),
            Packing::F64 => f64::MAX,
            Packing::Bits { width, .. } => 2f64.powi(i32::from(width)) - 1.0,
            Packing::Bcd { registers } | Packing::Base10000 { registers } => 1e4f64.powi(i32::from(registers)) - 1.0,
            Packing::Bit => 1.0,
        }
    }

    /// Raw value, right-aligned, most significant register highest. Must not be given NaN for integer types.
    pub(crate) fn raw(self, number: f64) -> u64 {
        let rounded = number.round();
        match self {
            Packing::F32 => u64::from((number as f32).to_bits()),
            Packing::F64 => number.to_bits(),
            Packing::Bit => u64::from(number != 0.0),
            Packing::Unsigned { registers: 4 } => rounded as u64,
            Packing::Signed { registers: 4 } => (rounded as i64).cast_unsigned(),
            Packing::Signed { registers } => {
                let value = rounded.clamp(-self.largest() - 1.0, self.largest()) as i64;
                value.cast_unsigned() & (u64::MAX >> (64 - 16 * u32::from(registers)))
            }
            Packing::Unsigned { .. } | Packing::Bits { .. } => rounded.clamp(0.0, self.largest()) as u64,
            Packing::Bcd { registers } => groups(rounded.clamp(0.0, self.largest()) as u64, registers * 4, 10, 4),
            Packing::Base10000 { registers } => {
                groups(rounded.clamp(0.0, self.largest()) as u64, registers, 10_000, 16)
            }
        }
    }
}

/// Splits a number into groups of a base, each in its own run of bits.
fn groups(mut value: u64, count: u8, base: u64, bits: u32) -> u64 {
    let mut raw = 0;
    for group in 0..u32::from(count) {
        raw |= (value % base) << (group * bits);
        value /= base;
    }
    raw
}

/// Registers of a raw value in the order they are addressed. The order of bytes says something about values of two
/// registers or more only: one register is big-endian on the wire by the protocol itself.
pub(crate) fn words(raw: u64, registers: u16, order: Order) -> Vec<u16> {
    let mut words: Vec<u16> = (0..registers).rev().map(|index| (raw >> (16 * index)) as u16).collect();
    if 1 < registers {
        if order.low_word_first {
            words.reverse();
        }
        if order.swap_bytes {
            for word in &mut words {
                *word = word.swap_bytes();
            }
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(text: &str, number: f64, order: &str) -> Vec<u16> {
        let packing = Packing::from_text(text, None).unwrap();
        words(packing.raw(number), packing.registers(), Order::from_text(order).unwrap())
    }

    /// 123456.0 as IEEE 754 single is 0x47F12000.
    #[test]
    fn the_four_orders_of_one_float() {
        assert_eq!(packed("f32", 123_456.0, "ABCD"), [0x47F1, 0x2000]);
        assert_eq!(packed("f32", 123_456.0, "CDAB"), [0x2000, 0x47F1]);
        assert_eq!(packed("f32", 123_456.0, "BADC"), [0xF147, 0x0020]);
        assert_eq!(packed("f32", 123_456.0, "DCBA"), [0x0020, 0xF147]);
    }

    #[test]
    fn integers_of_every_width() {
        assert_eq!(packed("u16", 40_000.4, "DCBA"), [40_000]);
        assert_eq!(packed("i16", -2.0, "ABCD"), [0xFFFE]);
        assert_eq!(packed("u32", 305_419_896.0, "ABCD"), [0x1234, 0x5678]);
        assert_eq!(packed("i32", -2.0, "CDAB"), [0xFFFE, 0xFFFF]);
        assert_eq!(packed("u64", 81_985_529_216_486_895.0, "ABCD")[..3], [0x0123, 0x4567, 0x89AB]);
        assert_eq!(packed("u64", 4_295_032_833.0, "DCBA"), [0x0100, 0x0100, 0x0100, 0]);
        assert_eq!(packed("i64", -1.0, "BADC"), [0xFFFF; 4]);
        assert_eq!(packed("f64", 1.0, "ABCD"), [0x3FF0, 0, 0, 0]);
    }

    #[test]
    fn decimal_packings() {
        assert_eq!(packed("bcd16", 1234.0, "ABCD"), [0x1234]);
        assert_eq!(packed("bcd32", 12_345_678.0, "ABCD"), [0x1234, 0x5678]);
        assert_eq!(packed("bcd32", 12_345_678.0, "CDAB"), [0x5678, 0x1234]);
        assert_eq!(packed("base10000x2", 12_345_678.0, "ABCD"), [1234, 5678]);
        assert_eq!(packed("base10000x3", 123_456_789_012.0, "CDAB"), [9012, 5678, 1234]);
        assert_eq!(packed("base10000x4", 1_234_567_890_123_456.0, "ABCD"), [1234, 5678, 9012, 3456]);
    }

    #[test]
    fn numbers_that_do_not_fit_saturate() {
        assert_eq!(packed("u16", 70_000.0, "ABCD"), [0xFFFF]);
        assert_eq!(packed("u16", -3.0, "ABCD"), [0]);
        assert_eq!(packed("i16", -40_000.0, "ABCD"), [0x8000]);
        assert_eq!(packed("i32", 3e9, "ABCD"), [0x7FFF, 0xFFFF]);
        assert_eq!(packed("bcd16", 12_345.0, "ABCD"), [0x9999]);
        assert_eq!(packed("base10000x2", 1e9, "ABCD"), [9999, 9999]);
        assert_eq!(packed("u64", 1e30, "ABCD"), [0xFFFF; 4]);
    }

    #[test]
    fn bit_fields_are_checked() {
        assert_eq!(Packing::from_text("bits", Some((4, 2))), Ok(Packing::Bits { lowest: 4, width: 2 }));
        assert!(Packing::from_text("bits", Some((15, 2))).is_err());
        assert!(Packing::from_text("bits", Some((0, 0))).is_err());
        assert!(Packing::from_text("bits", None).is_err());
        assert!(Packing::from_text("u16", Some((0, 1))).is_err());
        assert!(Packing::from_text("u24", None).is_err());
    }
}
