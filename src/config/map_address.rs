//! The four ways manuals write register addresses, to zero-based protocol addresses.
//!
//! Must never shift an address on a guess: a number that cannot be right in the stated way is a fault.

use crate::modbus::map::ReadFunction;

use super::reader::Fault;

/// How a map file writes its addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Addressing {
    /// As on the wire, from 0.
    Protocol,
    /// Register number, from 1.
    Reference,
    /// Five digits, the first telling the kind.
    Reference5,
    /// Six digits, the first telling the kind.
    Reference6,
}

impl Addressing {
    pub(super) const CHOICES: &[(&str, Addressing)] = &[
        ("protocol", Addressing::Protocol),
        ("reference", Addressing::Reference),
        ("reference-5", Addressing::Reference5),
        ("reference-6", Addressing::Reference6),
    ];

    /// Converts an address that is read with `function`.
    pub(super) fn to_protocol(self, written: i64, function: ReadFunction) -> Result<u16, Fault> {
        let (address, digit) = self.split(written)?;
        match digit {
            Some(digit) if digit != leading_digit(function) => {
                let right = self.write(address, function);
                let other = function_of_digit(digit).map_or(0, ReadFunction::code);
                Err(Fault::new(
                    format!(
                        "{} begins with {digit} ({}, function {other}), but is read with function {}",
                        self.padded(written),
                        kind_of_digit(digit),
                        function.code()
                    ),
                    format!("write {right}, or set function = {other}"),
                ))
            }
            _ => Ok(address),
        }
    }

    /// Converts an inclusive range of addresses whose function is not known.
    pub(super) fn range_to_protocol(self, from: i64, to: i64) -> Result<(u16, u16), Fault> {
        let ((start, first), (end, last)) = (self.split(from)?, self.split(to)?);
        if first != last {
            return Err(Fault::new(
                "the two ends begin with different digits",
                "split the range, one for each kind of register",
            ));
        }
        if start > end {
            return Err(Fault::new("this range ends before it begins", format!("write [{to}, {from}]")));
        }
        Ok((start, end))
    }

    /// Zero-based address and leading digit of an address as written.
    fn split(self, written: i64) -> Result<(u16, Option<i64>), Fault> {
        let (base, digit, number, most) = match self {
            Addressing::Protocol => (0, None, written, 65_535),
            Addressing::Reference => (1, None, written, 65_536),
            Addressing::Reference5 => (1, Some(written.div_euclid(10_000)), written.rem_euclid(10_000), 9_999),
            Addressing::Reference6 => (1, Some(written.div_euclid(100_000)), written.rem_euclid(100_000), 65_536),
        };
        let known_kind = digit.is_none_or(|digit| function_of_digit(digit).is_some());
        if !known_kind || !(base..=most).contains(&number) {
            return Err(Fault::new(
                format!("{written} is not an address in this map's addressing"),
                self.explanation(),
            ));
        }
        u16::try_from(number - base)
            .map(|address| (address, digit))
            .map_err(|_| Fault::new(format!("{written} is past the last address"), self.explanation()))
    }

    fn explanation(self) -> &'static str {
        match self {
            Addressing::Protocol => "addressing = \"protocol\" counts from 0 to 65535",
            Addressing::Reference => "addressing = \"reference\" counts from 1 to 65536",
            Addressing::Reference5 => {
                "addressing = \"reference-5\" has five digits: 1 to 9999 (coils), 10001 to 19999 (discrete inputs), \
                 30001 to 39999 (input registers), 40001 to 49999 (holding registers)"
            }
            Addressing::Reference6 => {
                "addressing = \"reference-6\" has six digits: 1 to 65536 (coils), 100001 to 165536 (discrete inputs), \
                 300001 to 365536 (input registers), 400001 to 465536 (holding registers)"
            }
        }
    }

    /// The right writing of a zero-based address.
    fn write(self, address: u16, function: ReadFunction) -> i64 {
        let number = i64::from(address);
        match self {
            Addressing::Protocol => number,
            Addressing::Reference => number + 1,
            Addressing::Reference5 => leading_digit(function) * 10_000 + number + 1,
            Addressing::Reference6 => leading_digit(function) * 100_000 + number + 1,
        }
    }

    fn padded(self, written: i64) -> String {
        match self {
            Addressing::Reference5 => format!("{written:05}"),
            Addressing::Reference6 => format!("{written:06}"),
            _ => written.to_string(),
        }
    }
}

fn leading_digit(function: ReadFunction) -> i64 {
    match function {
        ReadFunction::Coils => 0,
        ReadFunction::DiscreteInputs => 1,
        ReadFunction::InputRegisters => 3,
        ReadFunction::HoldingRegisters => 4,
    }
}

fn function_of_digit(digit: i64) -> Option<ReadFunction> {
    match digit {
        0 => Some(ReadFunction::Coils),
        1 => Some(ReadFunction::DiscreteInputs),
        3 => Some(ReadFunction::InputRegisters),
        4 => Some(ReadFunction::HoldingRegisters),
        _ => None,
    }
}

fn kind_of_digit(digit: i64) -> &'static str {
    match digit {
        0 => "coils",
        1 => "discrete inputs",
        3 => "input registers",
        _ => "holding registers",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn protocol(addressing: Addressing, written: i64, function: ReadFunction) -> Result<u16, String> {
        addressing.to_protocol(written, function).map_err(|fault| format!("{}; {}", fault.message, fault.hint))
    }

    #[test]
    fn each_writing_gives_its_protocol_address() {
        use ReadFunction::{Coils, DiscreteInputs, HoldingRegisters, InputRegisters};
        for (addressing, written, function, address) in [
            (Addressing::Protocol, 0, HoldingRegisters, 0),
            (Addressing::Protocol, 65_535, InputRegisters, 65_535),
            (Addressing::Reference, 1, HoldingRegisters, 0),
            (Addressing::Reference, 65_536, HoldingRegisters, 65_535),
            (Addressing::Reference5, 40_001, HoldingRegisters, 0),
            (Addressing::Reference5, 40_108, HoldingRegisters, 107),
            (Addressing::Reference5, 39_999, InputRegisters, 9_998),
            (Addressing::Reference5, 10_017, DiscreteInputs, 16),
            (Addressing::Reference5, 17, Coils, 16),
            (Addressing::Reference6, 400_001, HoldingRegisters, 0),
            (Addressing::Reference6, 465_536, HoldingRegisters, 65_535),
            (Addressing::Reference6, 300_010, InputRegisters, 9),
            (Addressing::Reference6, 100_001, DiscreteInputs, 0),
            (Addressing::Reference6, 65_536, Coils, 65_535),
        ] {
            assert_eq!(protocol(addressing, written, function), Ok(address), "{addressing:?} {written}");
        }
    }

    #[test]
    fn a_number_that_cannot_be_right_is_refused() {
        use ReadFunction::{HoldingRegisters, InputRegisters};
        for (addressing, written) in [
            (Addressing::Protocol, -1),
            (Addressing::Protocol, 65_536),
            (Addressing::Reference, 0),
            (Addressing::Reference, 65_537),
            (Addressing::Reference5, 40_000),
            (Addressing::Reference5, 50_001),
            (Addressing::Reference5, 20_001),
            (Addressing::Reference5, 400_001),
            (Addressing::Reference6, 465_537),
            (Addressing::Reference6, 40_001),
            (Addressing::Reference6, -400_001),
            (Addressing::Reference6, i64::MIN),
            (Addressing::Reference6, i64::MAX),
        ] {
            assert!(protocol(addressing, written, HoldingRegisters).is_err(), "{addressing:?} {written}");
        }
        assert_eq!(
            protocol(Addressing::Reference5, 40_011, InputRegisters),
            Err("40011 begins with 4 (holding registers, function 3), but is read with function 4; write 30011, or set function = 3".to_owned())
        );
        assert_eq!(
            protocol(Addressing::Reference5, 17, HoldingRegisters),
            Err("00017 begins with 0 (coils, function 1), but is read with function 3; write 40017, or set function = 1".to_owned())
        );
    }

    proptest! {
        #[test]
        fn writing_and_reading_an_address_agree(address in any::<u16>(), which in 0..4usize, code in 0..4usize) {
            let addressing = Addressing::CHOICES[which].1;
            let function = [ReadFunction::Coils, ReadFunction::DiscreteInputs, ReadFunction::HoldingRegisters, ReadFunction::InputRegisters][code];
            let address = if addressing == Addressing::Reference5 { address % 9_999 } else { address };
            prop_assert_eq!(protocol(addressing, addressing.write(address, function), function), Ok(address));
        }

        #[test]
        fn no_number_panics(written in any::<i64>(), to in any::<i64>(), which in 0..4usize) {
            let addressing = Addressing::CHOICES[which].1;
            let _ = addressing.to_protocol(written, ReadFunction::Coils);
            let _ = addressing.range_to_protocol(written, to);
        }
    }
}
