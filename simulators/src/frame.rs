//! Modbus framing of the server side: MBAP over TCP, and RTU frames with CRC carried over TCP.
//!
//! Bytes in, a frame or "not yet" out; no socket here. Must never look into a PDU further than finding its end needs.

/// Longest RTU frame: address, PDU of 253, CRC.
const LONGEST_RTU: usize = 256;

/// What the start of a receive buffer holds.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Parsed {
    /// The beginning of a frame; more bytes are needed.
    Incomplete,
    /// A whole request.
    Request {
        /// MBAP transaction; 0 for RTU.
        transaction: u16,
        /// Unit addressed.
        unit: u8,
        /// Function code and data.
        pdu: Vec<u8>,
        /// Bytes it took.
        used: usize,
    },
    /// Bytes that a device drops without an answer.
    Discard {
        /// How many.
        used: usize,
    },
    /// The stream cannot be followed any more.
    Close,
}

/// Reads one MBAP frame.
pub(crate) fn parse_mbap(bytes: &[u8]) -> Parsed {
    let &[t1, t2, p1, p2, l1, l2, unit, ..] = bytes else { return Parsed::Incomplete };
    let length = usize::from(u16::from_be_bytes([l1, l2]));
    if !(2..=254).contains(&length) {
        return Parsed::Close;
    }
    let used = 6 + length;
    if bytes.len() < used {
        return Parsed::Incomplete;
    }
    if [p1, p2] != [0, 0] {
        return Parsed::Discard { used };
    }
    Parsed::Request { transaction: u16::from_be_bytes([t1, t2]), unit, pdu: bytes[7..used].to_vec(), used }
}

/// Reads one RTU request. Over TCP there is no silence to mark its end, so the function code must tell the length; for
/// codes whose length is not known the whole buffer is a frame as soon as its CRC is right.
pub(crate) fn parse_rtu(bytes: &[u8]) -> Parsed {
    let used = match bytes {
        [] | [_] => return Parsed::Incomplete,
        [_, 1..=6, ..] => 8,
        [_, 15 | 16, rest @ ..] => match rest.get(4) {
            Some(count) => 9 + usize::from(*count),
            None => return Parsed::Incomplete,
        },
        [_, 22, ..] => 10,
        [_, 23, rest @ ..] => match rest.get(8) {
            Some(count) => 13 + usize::from(*count),
            None => return Parsed::Incomplete,
        },
        all if 4 <= all.len() && crc_is_right(all) => all.len(),
        all if LONGEST_RTU <= all.len() => return Parsed::Discard { used: all.len() },
        _ => return Parsed::Incomplete,
    };
    if bytes.len() < used {
        return Parsed::Incomplete;
    }
    let frame = &bytes[..used];
    if !crc_is_right(frame) {
        // Where the next frame begins is unknown after a damaged one; a device waits for silence, here: drop all.
        return Parsed::Discard { used: bytes.len() };
    }
    Parsed::Request { transaction: 0, unit: frame[0], pdu: frame[1..used - 2].to_vec(), used }
}

fn crc_is_right(frame: &[u8]) -> bool {
    let (body, sum) = frame.split_at(frame.len() - 2);
    crc16(body).to_le_bytes() == sum
}

/// CRC-16 of the serial line specification: register 0xFFFF, polynomial 0xA001, low byte first on the wire.
pub(crate) fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |register, byte| {
        (0..8).fold(register ^ u16::from(*byte), |register, _| {
            if register & 1 == 1 { (register >> 1) ^ 0xA001 } else { register >> 1 }
        })
    })
}

/// An MBAP frame.
pub(crate) fn mbap(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = pdu.len() as u16 + 1;
    let mut frame = Vec::with_capacity(7 + pdu.len());
    frame.extend(transaction.to_be_bytes());
    frame.extend([0, 0]);
    frame.extend(length.to_be_bytes());
    frame.push(unit);
    frame.extend(pdu);
    frame
}

/// An RTU frame.
pub(crate) fn rtu(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    frame.extend(crc16(&frame).to_le_bytes());
    frame
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(transaction: u16, unit: u8, pdu: &[u8], used: usize) -> Parsed {
        Parsed::Request { transaction, unit, pdu: pdu.to_vec(), used }
    }

    /// Messaging on TCP/IP guide V1.0b, 4.4.1.2, and the older worked pair.
    #[test]
    fn the_worked_frames_of_the_guides() {
        let frame = [0x15, 0x01, 0, 0, 0, 6, 0xFF, 3, 0, 4, 0, 1];
        assert_eq!(parse_mbap(&frame), request(0x1501, 0xFF, &[3, 0, 4, 0, 1], 12));
        assert_eq!(mbap(0, 9, &[3, 2, 0, 5]), [0, 0, 0, 0, 0, 5, 9, 3, 2, 0, 5]);
    }

    #[test]
    fn a_frame_split_anywhere_is_incomplete_until_its_last_byte() {
        let tcp = mbap(7, 1, &[3, 0, 0x6B, 0, 3]);
        let serial = rtu(0x11, &[3, 0, 0x6B, 0, 3]);
        for end in 0..tcp.len() {
            assert_eq!(parse_mbap(&tcp[..end]), Parsed::Incomplete);
        }
        for end in 0..serial.len() {
            assert_eq!(parse_rtu(&serial[..end]), Parsed::Incomplete);
        }
        assert_eq!(parse_rtu(&serial), request(0, 0x11, &[3, 0, 0x6B, 0, 3], 8));
    }

    #[test]
    fn damaged_headers_are_dropped_or_end_the_stream() {
        assert_eq!(parse_mbap(&[0, 1, 0, 9, 0, 2, 1, 3]), Parsed::Discard { used: 8 }, "protocol id");
        assert_eq!(parse_mbap(&[0, 1, 0, 0, 0, 1, 1]), Parsed::Close, "length 1");
        assert_eq!(parse_mbap(&[0, 1, 0, 0, 1, 0, 1]), Parsed::Close, "length 256");
    }

    /// Serial line specification V1.02, 6.2.2, and the usual check value.
    #[test]
    fn published_crc_vectors() {
        assert_eq!(crc16(&[0x02, 0x07]), 0x1241);
        assert_eq!(rtu(0x01, &[3, 0, 0, 0, 0x0A])[6..], [0xC5, 0xCD]);
        assert_eq!(rtu(0x11, &[3, 0, 0x6B, 0, 3])[6..], [0x76, 0x87]);
        assert_eq!(rtu(0x01, &[3, 0, 2, 0, 1])[6..], [0x25, 0xCA]);
        assert_eq!(crc16(b"123456789"), 0x4B37);
    }

    #[test]
    fn rtu_frames_of_other_functions_find_their_end() {
        let write = rtu(1, &[16, 0, 1, 0, 2, 4, 0, 10, 1, 2]);
        assert_eq!(parse_rtu(&write), request(0, 1, &[16, 0, 1, 0, 2, 4, 0, 10, 1, 2], write.len()));
        assert_eq!(parse_rtu(&write[..6]), Parsed::Incomplete);
        let unknown = rtu(1, &[43, 14, 1, 0]);
        assert_eq!(parse_rtu(&unknown), request(0, 1, &[43, 14, 1, 0], 7));
        let mut damaged = rtu(1, &[3, 0, 0, 0, 1]);
        damaged[7] ^= 1;
        assert_eq!(parse_rtu(&damaged), Parsed::Discard { used: 8 });
        assert_eq!(parse_rtu(&[0x80; 256]), Parsed::Discard { used: 256 });
    }
}
