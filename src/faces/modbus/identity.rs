//! Read Device Identification (function 43/14; V1.1b3, clause 6.21): what this is, told to whoever asks.
//!
//! Pure. Objects are indivisible: what does not fit in one answer is announced and given on the next request.

use super::request::{DEVICE_IDENTIFICATION, ENCAPSULATED};
use super::words::fitting;
use crate::modbus::error::ExceptionCode;

/// Regular identification, by stream and by object.
const CONFORMITY: u8 = 0x82;
/// Longest answer.
const MOST_BYTES: usize = 253;
/// Longest object, so that one always fits.
const MOST_TEXT: usize = 120;

/// The texts of one unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// Object 5: what this unit is ("audit blocks").
    pub model: String,
    /// Object 6: whose ("Alder Creek Lift / Pump 1").
    pub application: String,
}

impl Identity {
    fn objects(&self) -> [(u8, &str); 6] {
        [
            (0, "wattassay"),
            (1, "wattassay"),
            (2, env!("CARGO_PKG_VERSION")),
            (4, "wattassay metering audit"),
            (5, fitting(&self.model, MOST_TEXT)),
            (6, fitting(&self.application, MOST_TEXT)),
        ]
    }

    /// The answer, or why there is none.
    pub fn answer(&self, code: u8, object: u8) -> Result<Vec<u8>, ExceptionCode> {
        let objects = self.objects();
        let known = objects.iter().any(|(id, _)| *id == object);
        let wanted: Vec<(u8, &str)> = match code {
            4 if !known => return Err(ExceptionCode::ILLEGAL_DATA_ADDRESS),
            4 => objects.into_iter().filter(|(id, _)| *id == object).collect(),
            // An unknown object starts the stream anew; a level above ours is answered at ours.
            _ => {
                let from = if known { object } else { 0 };
                let last = if code == 1 { 2 } else { 6 };
                objects.into_iter().filter(|(id, _)| (from..=last).contains(id)).collect()
            }
        };
        let mut pdu = vec![ENCAPSULATED, DEVICE_IDENTIFICATION, code, CONFORMITY, 0, 0, 0];
        for (id, text) in wanted {
            if pdu.len() + 2 + text.len() > MOST_BYTES {
                pdu[4] = 0xFF;
                pdu[5] = id;
                break;
            }
            pdu[6] += 1;
            pdu.extend([id, text.len() as u8]);
            pdu.extend(text.as_bytes());
        }
        Ok(pdu)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn identity(model: &str, application: &str) -> Identity {
        Identity { model: model.into(), application: application.into() }
    }

    /// Ids of the objects in an answer, after checking that it holds what it announces.
    fn ids(pdu: &[u8]) -> Vec<u8> {
        assert_eq!(pdu[..2], [0x2B, 0x0E]);
        assert!(pdu.len() <= 253);
        let (mut ids, mut rest) = (Vec::new(), &pdu[7..]);
        while let [id, length, after @ ..] = rest {
            ids.push(*id);
            rest = &after[usize::from(*length)..];
        }
        assert_eq!(ids.len(), usize::from(pdu[6]));
        ids
    }

    #[test]
    fn each_access_gives_its_objects() {
        let unit = identity("audit blocks", "Larkmoor Water");
        let answer = |code, object| unit.answer(code, object).map(|pdu| ids(&pdu));
        assert_eq!(answer(1, 0), Ok(vec![0, 1, 2]));
        assert_eq!(answer(2, 0), Ok(vec![0, 1, 2, 4, 5, 6]));
        assert_eq!(answer(3, 0), Ok(vec![0, 1, 2, 4, 5, 6]), "ours is the regular level");
        assert_eq!(answer(2, 4), Ok(vec![4, 5, 6]));
        assert_eq!(answer(2, 0x90), Ok(vec![0, 1, 2, 4, 5, 6]), "an unknown object starts anew");
        assert_eq!(answer(4, 5), Ok(vec![5]));
        assert_eq!(answer(4, 3), Err(ExceptionCode::ILLEGAL_DATA_ADDRESS));
    }

    #[test]
    fn what_does_not_fit_is_given_on_the_next_request() {
        let unit = identity(&"m".repeat(300), &"a".repeat(300));
        let first = unit.answer(2, 0).unwrap();
        assert_eq!((first[4], first[5]), (0xFF, 6));
        assert_eq!(ids(&first), [0, 1, 2, 4, 5]);
        let second = unit.answer(2, first[5]).unwrap();
        assert_eq!((second[4], second[5]), (0, 0));
        assert_eq!(ids(&second), [6]);
    }
}
