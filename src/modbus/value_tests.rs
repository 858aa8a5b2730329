//! Tests of value decoding. Every expected register image is built here from bytes, by its own rules.

use proptest::prelude::*;

use super::*;
use crate::modbus::map::{Channel, Quantity, ReadFunction, ScaleRegister, Target};

const ORDERS: [ByteOrder; 4] = [ByteOrder::Abcd, ByteOrder::Cdab, ByteOrder::Badc, ByteOrder::Dcba];

fn point(encoding: Encoding, order: ByteOrder) -> Point {
    Point {
        target: Target { quantity: Quantity::ActivePower, channel: Channel::Total, slot: 0 },
        function: ReadFunction::HoldingRegisters,
        address: 0,
        encoding,
        order,
        scale: 1.0,
        offset: 0.0,
        scale_register: None,
        not_available: Vec::new(),
    }
}

/// Registers as they arrive for big-endian `bytes` sent in `order`: bytes are moved one by one, as the letters say.
fn on_the_wire(bytes: &[u8], order: ByteOrder) -> Vec<u16> {
    let mut words: Vec<[u8; 2]> = bytes.chunks(2).map(|pair| [pair[0], pair[1]]).collect();
    if words.len() > 1 {
        match order {
            ByteOrder::Abcd => {}
            ByteOrder::Cdab => words.reverse(),
            ByteOrder::Badc => words.iter_mut().for_each(|word| word.reverse()),
            ByteOrder::Dcba => {
                let mut all: Vec<u8> = bytes.to_vec();
                all.reverse();
                words = all.chunks(2).map(|pair| [pair[0], pair[1]]).collect();
            }
        }
    }
    words.into_iter().map(u16::from_be_bytes).collect()
}

fn read(encoding: Encoding, order: ByteOrder, bytes: &[u8]) -> Value {
    value(&point(encoding, order), &on_the_wire(bytes, order), None)
}

#[test]
fn the_four_letters_mean_what_they_say() {
    // 0x0A0B0C0D: A is 0A, the most significant byte.
    let u32_of = |order, words: [u16; 2]| value(&point(Encoding::U32, order), &words, None);
    let expected = Value::Number(f64::from(0x0A0B_0C0D_u32));
    assert_eq!(u32_of(ByteOrder::Abcd, [0x0A0B, 0x0C0D]), expected);
    assert_eq!(u32_of(ByteOrder::Cdab, [0x0C0D, 0x0A0B]), expected);
    assert_eq!(u32_of(ByteOrder::Badc, [0x0B0A, 0x0D0C]), expected);
    assert_eq!(u32_of(ByteOrder::Dcba, [0x0D0C, 0x0B0A]), expected);
}

#[test]
fn a_single_register_is_big_endian_whatever_the_order() {
    for order in ORDERS {
        assert_eq!(value(&point(Encoding::U16, order), &[0x0102], None), Value::Number(258.0));
        assert_eq!(value(&point(Encoding::I16, order), &[0xFFFE], None), Value::Number(-2.0));
    }
}

#[test]
fn not_a_number_and_infinity_are_not_available() {
    for order in ORDERS {
        for single in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::from_bits(0x7FC0_0000)] {
            assert_eq!(read(Encoding::F32, order, &single.to_be_bytes()), Value::NotAvailable);
        }
        assert_eq!(read(Encoding::F64, order, &f64::NAN.to_be_bytes()), Value::NotAvailable);
        // Finite, but not once scaled.
        let mut huge = point(Encoding::F64, order);
        huge.scale = 1000.0;
        assert_eq!(value(&huge, &on_the_wire(&f64::MAX.to_be_bytes(), order), None), Value::NotAvailable);
    }
}

#[test]
fn sentinels_are_raw_values_after_byte_order() {
    for order in ORDERS {
        let mut signed = point(Encoding::I32, order);
        signed.not_available = vec![0x8000_0000];
        assert_eq!(value(&signed, &on_the_wire(&i32::MIN.to_be_bytes(), order), None), Value::NotAvailable);
        assert_eq!(value(&signed, &on_the_wire(&5i32.to_be_bytes(), order), None), Value::Number(5.0));
    }
    let mut short = point(Encoding::I16, ByteOrder::Abcd);
    short.not_available = vec![0x8000];
    assert_eq!(value(&short, &[0x8000], None), Value::NotAvailable);
    // A sentinel wins over a pattern that is not decimal.
    let mut packed = point(Encoding::Bcd { registers: 1 }, ByteOrder::Abcd);
    packed.not_available = vec![0xFFFF];
    assert_eq!(value(&packed, &[0xFFFF], None), Value::NotAvailable);
}

#[test]
fn a_scale_register_multiplies_by_its_power_of_ten_and_the_offset_comes_last() {
    let mut scaled = point(Encoding::I16, ByteOrder::Abcd);
    scaled.scale_register = Some(ScaleRegister { address: 1 });
    scaled.scale = 2.0;
    scaled.offset = 0.5;
    let at = |word: u16| value(&scaled, &[30], Some(word));
    assert_eq!(at(0), Value::Number(60.5));
    assert_eq!(at(3), Value::Number(60_000.5));
    assert_eq!(at((-1i16).cast_unsigned()), Value::Number(6.5));
    assert_eq!(at(0x8000), Value::NotAvailable);
    let refused = |exponent| Value::Undecodable(Undecodable::ScaleBeyondRange { exponent });
    assert_eq!(at(11), refused(11));
    assert_eq!(at((-11i16).cast_unsigned()), refused(-11));
    assert!(matches!(at(10), Value::Number(_)));
    assert!(matches!(at((-10i16).cast_unsigned()), Value::Number(_)));
}

#[test]
fn digits_above_nine_are_refused_not_guessed() {
    let packed = Encoding::Bcd { registers: 1 };
    assert_eq!(read(packed, ByteOrder::Abcd, &[0x12, 0x34]), Value::Number(1234.0));
    assert!(matches!(read(packed, ByteOrder::Abcd, &[0x12, 0x3A]), Value::Undecodable(_)));
    let groups = Encoding::Base10000 { registers: 2 };
    let words = |high: u16, low: u16| value(&point(groups, ByteOrder::Abcd), &[high, low], None);
    assert_eq!(words(12, 3456), Value::Number(123_456.0));
    assert!(matches!(words(12, 10_000), Value::Undecodable(Undecodable::NotDecimal { .. })));
}

#[test]
fn too_few_registers_are_no_value() {
    assert_eq!(
        value(&point(Encoding::F32, ByteOrder::Abcd), &[1], None),
        Value::Undecodable(Undecodable::TooFewRegisters)
    );
}

#[test]
fn zero_has_no_sign() {
    let Value::Number(zero) = read(Encoding::F32, ByteOrder::Abcd, &(-0.0f32).to_be_bytes()) else {
        panic!("a number");
    };
    assert!(zero.is_sign_positive());
}

#[test]
fn coils_are_one_or_zero() {
    let coil = point(Encoding::Bit, ByteOrder::Abcd);
    assert_eq!(bit_value(&coil, true), Value::Number(1.0));
    assert_eq!(bit_value(&coil, false), Value::Number(0.0));
}

/// Decimal digits of `number` packed four to a register.
fn packed(number: u64, registers: usize) -> Vec<u8> {
    let text = format!("{number:0width$}", width = registers * 4);
    text.as_bytes().chunks(2).map(|pair| ((pair[0] - b'0') << 4) | (pair[1] - b'0')).collect()
}

/// `number` in groups of 10 000, most significant first.
fn grouped(mut number: u64, registers: usize) -> Vec<u8> {
    let mut groups = Vec::new();
    for _ in 0..registers {
        groups.push(u16::try_from(number % 10_000).unwrap());
        number /= 10_000;
    }
    groups.iter().rev().flat_map(|group| group.to_be_bytes()).collect()
}

proptest! {
    #[test]
    fn every_encoding_comes_back_in_every_order(raw in any::<u64>(), single in any::<f32>(), double in any::<f64>()) {
        for order in ORDERS {
            let number = |encoding, bytes: &[u8]| match read(encoding, order, bytes) {
                Value::Number(number) => Some(number),
                _ => None,
            };
            let (small, medium) = (raw as u16, raw as u32);
            prop_assert_eq!(number(Encoding::U16, &small.to_be_bytes()), Some(f64::from(small)));
            prop_assert_eq!(number(Encoding::I16, &small.to_be_bytes()), Some(f64::from(small as i16)));
            prop_assert_eq!(number(Encoding::U32, &medium.to_be_bytes()), Some(f64::from(medium)));
            prop_assert_eq!(number(Encoding::I32, &medium.to_be_bytes()), Some(f64::from(medium as i32)));
            prop_assert_eq!(number(Encoding::U64, &raw.to_be_bytes()), Some(raw as f64));
            prop_assert_eq!(number(Encoding::I64, &raw.to_be_bytes()), Some(raw as i64 as f64));
            let finite = Some(f64::from(single)).filter(|v| v.is_finite());
            prop_assert_eq!(number(Encoding::F32, &single.to_be_bytes()), finite);
            prop_assert_eq!(number(Encoding::F64, &double.to_be_bytes()), Some(double).filter(|v| v.is_finite()));
            for registers in 1..=2 {
                let digits = raw % 10u64.pow(4 * u32::try_from(registers).unwrap());
                let encoding = Encoding::Bcd { registers: u8::try_from(registers).unwrap() };
                prop_assert_eq!(number(encoding, &packed(digits, registers)), Some(digits as f64));
            }
            for registers in 2..=4 {
                let digits = raw % 10u64.pow(4 * u32::try_from(registers).unwrap());
                let encoding = Encoding::Base10000 { registers: u8::try_from(registers).unwrap() };
                prop_assert_eq!(number(encoding, &grouped(digits, registers)), Some(digits as f64));
            }
        }
    }

    #[test]
    fn a_bit_field_is_what_its_bits_spell(word in any::<u16>(), lowest in 0u8..16, width in 1u8..=16) {
        let text = format!("{word:016b}");
        let high = 16usize.saturating_sub(usize::from(lowest) + usize::from(width));
        let spelled = u64::from_str_radix(&text[high..16 - usize::from(lowest)], 2).unwrap();
        let encoding = Encoding::Bits { lowest, width };
        prop_assert_eq!(value(&point(encoding, ByteOrder::Abcd), &[word], None), Value::Number(spelled as f64));
    }

    #[test]
    fn no_registers_whatsoever_panic(words in prop::collection::vec(any::<u16>(), 0..5), scale in any::<u16>()) {
        for encoding in [Encoding::F64, Encoding::Bcd { registers: 2 }, Encoding::Base10000 { registers: 4 }] {
            value(&point(encoding, ByteOrder::Dcba), &words, Some(scale));
        }
    }
}
