//! The MBAP header (MODBUS Messaging on TCP/IP V1.0b, clause 3.1.3): frames cut out of a stream, and put around answers.
//!
//! Our own few lines, because the Modbus library's server decodes before anyone can look: a quantity that does not fit its
//! bytes ends its task in a panic, a header may announce 65,535 bytes, and a request that is merely wrong costs the
//! connection. Pure. Must never wait for more bytes than the longest legal frame.

/// Header with the unit id.
pub const HEADER: usize = 7;
/// Longest PDU (V1.1b3, clause 4.1).
pub const MOST_PDU: usize = 253;

/// A whole request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// Copied into the answer.
    pub transaction: u16,
    /// Unit id, copied into the answer.
    pub unit: u8,
    /// Bytes of the PDU, 1 to 253.
    pub length: usize,
    /// False when the protocol id is not 0: the frame is passed over in silence (clause 4.4.2.2).
    pub is_modbus: bool,
}

/// A header that announces an impossible length: where the next frame begins can no longer be known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a header announces {0} bytes; 2 to 254 are possible")]
pub struct BadLength(pub u16);

/// Reads a header.
pub fn header(bytes: [u8; HEADER]) -> Result<Header, BadLength> {
    let [t0, t1, p0, p1, l0, l1, unit] = bytes;
    let announced = u16::from_be_bytes([l0, l1]);
    let length = usize::from(announced).saturating_sub(1);
    if (1..=MOST_PDU).contains(&length) {
        let is_modbus = [p0, p1] == [0, 0];
        Ok(Header { transaction: u16::from_be_bytes([t0, t1]), unit, length, is_modbus })
    } else {
        Err(BadLength(announced))
    }
}

/// The frame of an answer. `pdu` is at most [`MOST_PDU`] bytes.
pub fn answer(header: Header, pdu: &[u8], into: &mut Vec<u8>) {
    into.extend(header.transaction.to_be_bytes());
    into.extend([0, 0]);
    into.extend((pdu.len() as u16 + 1).to_be_bytes());
    into.push(header.unit);
    into.extend(pdu);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked frame of V1.0b, clause 4.4.1.2: read register 5 of unit 255.
    #[test]
    fn the_guides_example() {
        let frame = [0x15, 1, 0, 0, 0, 6, 0xFF, 3, 0, 4, 0, 1];
        let read = header(frame[..7].try_into().unwrap()).unwrap();
        assert_eq!(read, Header { transaction: 0x1501, unit: 0xFF, length: 5, is_modbus: true });
        let mut out = Vec::new();
        answer(read, &frame[7..], &mut out);
        assert_eq!(out, frame);
    }

    #[test]
    fn impossible_lengths_are_refused_and_other_protocols_marked() {
        for length in [0, 1, 255, 256, 65_535u16] {
            let [high, low] = length.to_be_bytes();
            assert_eq!(header([0, 0, 0, 0, high, low, 1]), Err(BadLength(length)));
        }
        for length in [2u8, 254] {
            assert_eq!(header([0, 0, 0, 0, 0, length, 1]).map(|h| h.length), Ok(usize::from(length) - 1));
        }
        assert_eq!(header([0, 0, 0, 1, 0, 6, 1]).map(|h| h.is_modbus), Ok(false));
    }
}
