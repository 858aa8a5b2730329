//! Requests and answers as the protocol lays them out (MODBUS Application Protocol V1.1b3), less header and unit id.
//!
//! Pure: bytes in, meaning out. The order of checks is the specification's: function (01), quantity and shape (03),
//! address (02). Only reading exists here; every function that writes is unknown and gets exception 01.

use crate::modbus::error::ExceptionCode;
use crate::modbus::map::ReadFunction;
use crate::modbus::plan::ReadRequest;

/// Read Device Identification: function 43 with this transport (clause 6.21).
pub const ENCAPSULATED: u8 = 0x2B;
/// The only encapsulated interface that is offered.
pub const DEVICE_IDENTIFICATION: u8 = 0x0E;

const MOST_BITS: u16 = 2000;
const MOST_REGISTERS: u16 = 125;

/// A request that may be answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asked {
    /// Functions 01 to 04.
    Read(ReadRequest),
    /// Function 43/14: the access code, 1 to 4, and the object to begin with.
    Identify {
        /// 1 basic, 2 regular, 3 extended, 4 one object.
        code: u8,
        /// Object id.
        object: u8,
    },
}

/// What is asked, or with which exception it is refused. `pdu` is not empty.
pub fn parse(pdu: &[u8]) -> Result<Asked, ExceptionCode> {
    let function = match pdu.first() {
        Some(1) => ReadFunction::Coils,
        Some(2) => ReadFunction::DiscreteInputs,
        Some(3) => ReadFunction::HoldingRegisters,
        Some(4) => ReadFunction::InputRegisters,
        Some(&ENCAPSULATED) => return parse_identify(pdu),
        _ => return Err(ExceptionCode::ILLEGAL_FUNCTION),
    };
    let &[_, first_high, first_low, count_high, count_low] = pdu else {
        return Err(ExceptionCode::ILLEGAL_DATA_VALUE);
    };
    let (first, count) = (u16::from_be_bytes([first_high, first_low]), u16::from_be_bytes([count_high, count_low]));
    let most = if function.is_bit() { MOST_BITS } else { MOST_REGISTERS };
    if count == 0 || count > most {
        return Err(ExceptionCode::ILLEGAL_DATA_VALUE);
    }
    if first.checked_add(count - 1).is_none() {
        return Err(ExceptionCode::ILLEGAL_DATA_ADDRESS);
    }
    Ok(Asked::Read(ReadRequest { function, first, count }))
}

fn parse_identify(pdu: &[u8]) -> Result<Asked, ExceptionCode> {
    match *pdu {
        [_, DEVICE_IDENTIFICATION, code @ 1..=4, object] => Ok(Asked::Identify { code, object }),
        [_, DEVICE_IDENTIFICATION, ..] | [_] => Err(ExceptionCode::ILLEGAL_DATA_VALUE),
        _ => Err(ExceptionCode::ILLEGAL_FUNCTION),
    }
}

/// The answer that refuses.
pub fn exception(function: u8, code: ExceptionCode) -> Vec<u8> {
    vec![function | 0x80, code.0]
}

/// The answer to a read of registers.
pub fn registers(function: u8, words: &[u16]) -> Vec<u8> {
    let mut pdu = Vec::with_capacity(2 + 2 * words.len());
    pdu.extend([function, (2 * words.len()) as u8]);
    pdu.extend(words.iter().flat_map(|word| word.to_be_bytes()));
    pdu
}

/// The answer to a read of bits: the first bit is the lowest of the first byte, the last byte is padded with zeros.
pub fn bits(function: u8, bits: &[bool]) -> Vec<u8> {
    let mut pdu = vec![function, bits.len().div_ceil(8) as u8];
    pdu.extend(bits.chunks(8).map(|byte| byte.iter().rev().fold(0, |bits, bit| bits << 1 | u8::from(*bit))));
    pdu
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(function: ReadFunction, first: u16, count: u16) -> Asked {
        Asked::Read(ReadRequest { function, first, count })
    }

    /// The examples printed in V1.1b3, clauses 6.1 to 6.4 and 6.21.
    #[test]
    fn the_specifications_examples() {
        assert_eq!(parse(&[1, 0, 0x13, 0, 0x13]), Ok(read(ReadFunction::Coils, 19, 19)));
        assert_eq!(parse(&[2, 0, 0xC4, 0, 0x16]), Ok(read(ReadFunction::DiscreteInputs, 196, 22)));
        assert_eq!(parse(&[3, 0, 0x6B, 0, 3]), Ok(read(ReadFunction::HoldingRegisters, 107, 3)));
        assert_eq!(parse(&[4, 0, 8, 0, 1]), Ok(read(ReadFunction::InputRegisters, 8, 1)));
        assert_eq!(parse(&[0x2B, 0x0E, 1, 0]), Ok(Asked::Identify { code: 1, object: 0 }));
        assert_eq!(registers(3, &[0x022B, 0, 100]), [3, 6, 2, 0x2B, 0, 0, 0, 0x64]);
        assert_eq!(registers(4, &[10]), [4, 2, 0, 10]);
        let example = [0xCDu8, 0x6B, 0x05];
        let all: Vec<bool> = (0..19).map(|n| example[n / 8] >> (n % 8) & 1 == 1).collect();
        assert_eq!(bits(1, &all), [1, 3, 0xCD, 0x6B, 0x05]);
        assert_eq!(exception(1, ExceptionCode::ILLEGAL_DATA_ADDRESS), [0x81, 2]);
    }

    #[test]
    fn function_is_looked_at_first_then_quantity_then_address() {
        const FUNCTION: Result<Asked, ExceptionCode> = Err(ExceptionCode::ILLEGAL_FUNCTION);
        const QUANTITY: Result<Asked, ExceptionCode> = Err(ExceptionCode::ILLEGAL_DATA_VALUE);
        const ADDRESS: Result<Asked, ExceptionCode> = Err(ExceptionCode::ILLEGAL_DATA_ADDRESS);
        for (pdu, told) in [
            // Every kind of write, well formed and not.
            (&[5, 0, 0xAC, 0xFF, 0][..], FUNCTION),
            (&[6, 0, 1, 0, 3], FUNCTION),
            (&[15, 0, 0x13, 0, 10, 2, 0xCD, 1], FUNCTION),
            (&[15, 0, 0, 0xFF, 0xFF, 1, 0], FUNCTION),
            (&[16, 0, 1, 0xFF, 0xFF, 2, 0, 0], FUNCTION),
            (&[22, 0, 4, 0, 0xF2, 0, 0x25], FUNCTION),
            (&[23, 0, 3, 0, 6, 0, 14, 0x80, 0, 6, 0, 0], FUNCTION),
            (&[0], FUNCTION),
            (&[0x83, 2], FUNCTION),
            (&[8, 0, 0, 0xA5, 0x37], FUNCTION),
            (&[0x2B, 0x0D, 1, 0], FUNCTION),
            (&[3, 0xFF, 0xFF, 0, 0], QUANTITY),
            (&[3, 0xFF, 0xFF, 0, 126], QUANTITY),
            (&[4, 0, 0, 0, 126], QUANTITY),
            (&[1, 0, 0, 0x07, 0xD1], QUANTITY),
            (&[3], QUANTITY),
            (&[3, 0, 0, 0], QUANTITY),
            (&[3, 0, 0, 0, 1, 0], QUANTITY),
            (&[0x2B], QUANTITY),
            (&[0x2B, 0x0E, 0, 0], QUANTITY),
            (&[0x2B, 0x0E, 5, 0], QUANTITY),
            (&[0x2B, 0x0E, 1], QUANTITY),
            (&[3, 0xFF, 0xFF, 0, 2], ADDRESS),
            (&[1, 0xFF, 0xF8, 0, 9], ADDRESS),
        ] {
            assert_eq!(parse(pdu), told, "{pdu:02X?}");
        }
        assert_eq!(parse(&[3, 0xFF, 0xFF, 0, 1]), Ok(read(ReadFunction::HoldingRegisters, 65535, 1)));
        assert_eq!(parse(&[1, 0, 0, 0x07, 0xD0]), Ok(read(ReadFunction::Coils, 0, 2000)));
    }

    proptest! {
        #[test]
        fn any_bytes_are_understood_or_refused(pdu in proptest::collection::vec(any::<u8>(), 1..=253)) {
            if let Ok(Asked::Read(ReadRequest { first, count, .. })) = parse(&pdu) {
                prop_assert!(pdu.len() == 5 && count >= 1 && u32::from(first) + u32::from(count) <= 65_536);
            }
        }
    }
}
