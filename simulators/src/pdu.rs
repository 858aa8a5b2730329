//! Answers a Modbus request from a register image: reads only.
//!
//! Checks in the order of the standard's state diagrams: function (exception 01), quantity (03), address (02). Must
//! never change anything: there is no write here to be reached.

use crate::image::RegisterImage;

/// Function not supported.
pub(crate) const ILLEGAL_FUNCTION: u8 = 1;
/// Address, or address plus quantity, does not exist.
pub(crate) const ILLEGAL_DATA_ADDRESS: u8 = 2;
/// Quantity or structure of the request is wrong.
pub(crate) const ILLEGAL_DATA_VALUE: u8 = 3;
/// A gateway's target device does not answer: the exception for a unit that is not there.
pub(crate) const TARGET_FAILED_TO_RESPOND: u8 = 0x0B;

const MOST_BITS: u16 = 2000;
const MOST_REGISTERS: u16 = 125;

/// An exception response.
pub(crate) fn exception(function: u8, code: u8) -> Vec<u8> {
    vec![function | 0x80, code]
}

/// The response to a request.
pub(crate) fn respond(request: &[u8], image: &RegisterImage) -> Vec<u8> {
    let Some((&function, data)) = request.split_first() else { return exception(0, ILLEGAL_FUNCTION) };
    match read(function, data, image) {
        Ok(response) => response,
        Err(code) => exception(function, code),
    }
}

fn read(function: u8, data: &[u8], image: &RegisterImage) -> Result<Vec<u8>, u8> {
    let bank = image.bank(function).ok_or(ILLEGAL_FUNCTION)?;
    let &[a1, a2, q1, q2] = data else { return Err(ILLEGAL_DATA_VALUE) };
    let (address, quantity) = (u16::from_be_bytes([a1, a2]), u16::from_be_bytes([q1, q2]));
    let bits = function <= 2;
    let most =
        if bits { MOST_BITS } else { image.max_registers.map_or(MOST_REGISTERS, |most| most.min(MOST_REGISTERS)) };
    if !(1..=most).contains(&quantity) {
        return Err(ILLEGAL_DATA_VALUE);
    }
    let values = bank.read(address, quantity).ok_or(ILLEGAL_DATA_ADDRESS)?;
    Ok(if bits { bit_response(function, &values) } else { register_response(function, &values) })
}

/// Registers, high byte first.
pub(crate) fn register_response(function: u8, values: &[u16]) -> Vec<u8> {
    let mut response = vec![function, (values.len() * 2) as u8];
    response.extend(values.iter().flat_map(|value| value.to_be_bytes()));
    response
}

/// Bits, lowest first, the unused high bits of the last byte zero.
fn bit_response(function: u8, values: &[u16]) -> Vec<u8> {
    let bytes = values.chunks(8).map(|chunk| {
        chunk.iter().enumerate().fold(0u8, |byte, (index, value)| byte | (u8::from(*value != 0) << index))
    });
    let mut response = vec![function, values.len().div_ceil(8) as u8];
    response.extend(bytes);
    response
}

/// A response with half the values asked for, consistent in itself.
pub(crate) fn short_response(request: &[u8], image: &RegisterImage) -> Vec<u8> {
    let mut fewer = request.to_vec();
    if let [1..=4, _, _, q1, q2] = fewer.as_mut_slice() {
        let half = u16::from_be_bytes([*q1, *q2]) / 2;
        if half == 0 {
            return vec![request[0], 0];
        }
        [*q1, *q2] = half.to_be_bytes();
    }
    respond(&fewer, image)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::Bank;

    fn image() -> RegisterImage {
        let bits = |first: u16, bytes: &[u8], count: u16| {
            Bank::from_cells(
                (0..count).map(|index| (first + index, u16::from(bytes[usize::from(index / 8)] >> (index % 8) & 1))),
            )
        };
        RegisterImage {
            coils: bits(0x13, &[0xCD, 0x6B, 0x05], 19),
            discrete_inputs: bits(0xC4, &[0xAC, 0xDB, 0x35], 22),
            holding_registers: Bank::from_cells([(0x6B, 555), (0x6C, 0), (0x6D, 100)]),
            input_registers: Bank::from_cells([(8, 10)]),
            max_registers: None,
        }
    }

    /// Application protocol V1.1b3, clauses 6.1 to 6.4 and 7, byte for byte.
    #[test]
    fn the_worked_examples_of_the_standard() {
        for (request, response) in [
            (&[1, 0, 0x13, 0, 0x13][..], &[1, 3, 0xCD, 0x6B, 0x05][..]),
            (&[2, 0, 0xC4, 0, 0x16], &[2, 3, 0xAC, 0xDB, 0x35]),
            (&[3, 0, 0x6B, 0, 3], &[3, 6, 2, 0x2B, 0, 0, 0, 0x64]),
            (&[4, 0, 8, 0, 1], &[4, 2, 0, 0x0A]),
            (&[1, 4, 0xA1, 0, 1], &[0x81, 2]),
        ] {
            assert_eq!(respond(request, &image()), response);
        }
    }

    #[test]
    fn faulty_requests_get_the_exception_the_standard_names() {
        for (request, response) in [
            (&[3, 0, 0x6B, 0, 0][..], [0x83, 3]),
            (&[3, 0, 0x6B, 0, 126], [0x83, 3]),
            (&[1, 0, 0x13, 7, 0xD1], [0x81, 3]),
            (&[3, 0, 0x6B, 0], [0x83, 3]),
            (&[3, 0, 0x6B, 0, 4], [0x83, 2]),
            (&[4, 0xFF, 0xFF, 0, 2], [0x84, 2]),
            // Quantity is judged before the address.
            (&[3, 0xFF, 0, 0, 0], [0x83, 3]),
        ] {
            assert_eq!(respond(request, &image()), response);
        }
    }

    #[test]
    fn a_hundred_registers_end_where_clause_7_says() {
        let image = RegisterImage {
            holding_registers: Bank::from_cells((0..100).map(|address| (address, address))),
            ..RegisterImage::default()
        };
        assert_eq!(respond(&[3, 0, 96, 0, 4], &image)[..2], [3, 8]);
        assert_eq!(respond(&[3, 0, 96, 0, 5], &image), [0x83, 2]);
    }

    #[test]
    fn nothing_can_be_written() {
        for request in [
            &[5, 0, 0xAC, 0xFF, 0][..],
            &[6, 0, 1, 0, 3],
            &[15, 0, 0x13, 0, 0x0A, 2, 0xCD, 1],
            &[16, 0, 1, 0, 2, 4, 0, 10, 1, 2],
            &[22, 0, 4, 0, 0xF2, 0, 0x25],
            &[23, 0, 3, 0, 1, 0, 14, 0, 1, 2, 0, 0xFF],
            &[0x2B, 0x0E, 1, 0],
        ] {
            assert_eq!(respond(request, &image()), [request[0] | 0x80, 1]);
        }
    }

    #[test]
    fn a_device_limit_below_the_standards_is_a_value_error() {
        let image = RegisterImage { max_registers: Some(2), ..image() };
        assert_eq!(respond(&[3, 0, 0x6B, 0, 3], &image), [0x83, 3]);
        assert_eq!(respond(&[3, 0, 0x6B, 0, 2], &image)[0], 3);
    }

    #[test]
    fn a_short_response_is_well_formed() {
        assert_eq!(short_response(&[3, 0, 0x6B, 0, 3], &image()), [3, 2, 2, 0x2B]);
        assert_eq!(short_response(&[4, 0, 8, 0, 1], &image()), [4, 0]);
    }
}
