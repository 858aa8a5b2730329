//! Every way a Modbus transaction fails, naming device, unit, function, registers and cause in one plain sentence.
//!
//! Plain data with words; the client and the poller make these. Must never carry text of a library error as the only
//! explanation, and never say what was not observed.

use std::fmt;

use super::map::ReadFunction;

/// The transaction that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Transaction {
    /// "station / monitor".
    pub device: String,
    /// Address as configured.
    pub address: String,
    /// Unit id.
    pub unit: u8,
    /// Function; `None` when connecting.
    pub function: Option<ReadFunction>,
    /// First zero-based register.
    pub first: u16,
    /// Count.
    pub count: u16,
}

impl fmt::Display for Transaction {
    /// `Alder Creek Lift / PM-1 (127.0.0.1:15021, unit 1): read holding registers 0-59 (reference 400001-400060)`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({}, unit {})", self.device, self.address, self.unit)?;
        match self.function {
            None => Ok(()),
            Some(function) => write!(f, ": read {}", RegisterRange { function, first: self.first, count: self.count }),
        }
    }
}

/// A run of registers or bits in words, with the one-based reference numbers manuals print.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RegisterRange {
    /// Function that reads them.
    pub function: ReadFunction,
    /// First zero-based address.
    pub first: u16,
    /// Count.
    pub count: u16,
}

impl fmt::Display for RegisterRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (one, many, table) = match self.function {
            ReadFunction::Coils => ("coil", "coils", 0),
            ReadFunction::DiscreteInputs => ("discrete input", "discrete inputs", 1),
            ReadFunction::HoldingRegisters => ("holding register", "holding registers", 4),
            ReadFunction::InputRegisters => ("input register", "input registers", 3),
        };
        // A count of zero or a range past 65535 is an error elsewhere; here it must still print.
        let first = u32::from(self.first);
        let last = first + u32::from(self.count).saturating_sub(1);
        if last == first {
            write!(f, "{one} {first} (reference {table}{:05})", first + 1)
        } else {
            write!(f, "{many} {first}-{last} (reference {table}{:05}-{table}{:05})", first + 1, last + 1)
        }
    }
}

/// A failed transaction.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{transaction}: {cause}")]
pub struct ModbusError {
    /// What was asked of whom.
    pub transaction: Transaction,
    /// Why it failed.
    pub cause: Cause,
}

/// Why a transaction failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Cause {
    /// No connection: name not resolved, refused, unreachable, no free socket.
    #[error("could not connect: {reason}")]
    Connect {
        /// Why, in words.
        reason: String,
    },
    /// The connection was not established in time.
    #[error("could not connect within {after_ms} ms")]
    ConnectTimeout {
        /// How long was waited.
        after_ms: u64,
    },
    /// No connection attempt or question now: the last ones failed, and the device is given time.
    #[error("not asked: the next attempt is in {retry_in_ms} ms, after: {last}")]
    Waiting {
        /// Time to the next attempt.
        retry_in_ms: u64,
        /// What failed last.
        last: Box<Cause>,
    },
    /// Not asked because earlier reads of the same poll failed for want of an answer.
    #[error("not asked: earlier reads of this poll got no answer ({last})")]
    Abandoned {
        /// What failed last.
        last: Box<Cause>,
    },
    /// No whole answer before the hard deadline; the connection was closed.
    #[error("no answer within {after_ms} ms")]
    Timeout {
        /// How long was waited.
        after_ms: u64,
    },
    /// A right answer after the soft deadline: the value is not used.
    #[error("answer came after {after_ms} ms, later than the {limit_ms} ms allowed, and is not used")]
    Late {
        /// When it came.
        after_ms: u64,
        /// The soft deadline.
        limit_ms: u64,
    },
    /// The device answered with an exception.
    #[error("{0}")]
    Exception(ExceptionCode),
    /// The connection broke.
    #[error("the connection broke: {0}")]
    Transport(String),
    /// What arrived is not the answer to this question; the connection was closed.
    #[error("the answer does not fit the question: {0}")]
    Protocol(String),
    /// The answer holds another number of registers or bits than asked.
    #[error("asked for {asked}, the answer holds {got}")]
    WrongShape {
        /// Registers or bits asked for.
        asked: u16,
        /// Registers or bits that came.
        got: u16,
    },
    /// The device closed the connection.
    #[error("the device closed the connection")]
    Disconnected,
    /// The device holds no usable SunSpec meter model.
    #[error("no SunSpec meter model: {0}")]
    NoSunSpec(String),
    /// The register map cannot be read as it stands.
    #[error("the register map cannot be read: {0}")]
    Map(String),
}

impl Cause {
    /// The failure behind a question that was not asked, so that reasons never nest.
    #[must_use]
    pub fn root(self) -> Cause {
        match self {
            Cause::Waiting { last, .. } | Cause::Abandoned { last } => last.root(),
            other => other,
        }
    }

    /// True when the device spoke, in time or late: it is alive, whatever it said.
    pub fn is_answer(&self) -> bool {
        match self {
            Cause::Late { .. } | Cause::WrongShape { .. } | Cause::NoSunSpec(_) => true,
            Cause::Exception(code) => !code.is_gateway(),
            _ => false,
        }
    }

    /// True when nothing was sent to the device.
    pub fn is_unasked(&self) -> bool {
        matches!(
            self,
            Cause::Connect { .. }
                | Cause::ConnectTimeout { .. }
                | Cause::Waiting { .. }
                | Cause::Abandoned { .. }
                | Cause::Map(_)
        )
    }
}

/// A Modbus exception code (MODBUS Application Protocol V1.1b3, clause 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ExceptionCode(pub u8);

impl ExceptionCode {
    /// 01.
    pub const ILLEGAL_FUNCTION: ExceptionCode = ExceptionCode(0x01);
    /// 02.
    pub const ILLEGAL_DATA_ADDRESS: ExceptionCode = ExceptionCode(0x02);
    /// 03.
    pub const ILLEGAL_DATA_VALUE: ExceptionCode = ExceptionCode(0x03);
    /// 04.
    pub const SERVER_DEVICE_FAILURE: ExceptionCode = ExceptionCode(0x04);
    /// 05.
    pub const ACKNOWLEDGE: ExceptionCode = ExceptionCode(0x05);
    /// 06.
    pub const SERVER_DEVICE_BUSY: ExceptionCode = ExceptionCode(0x06);
    /// 08.
    pub const MEMORY_PARITY_ERROR: ExceptionCode = ExceptionCode(0x08);
    /// 0A.
    pub const GATEWAY_PATH_UNAVAILABLE: ExceptionCode = ExceptionCode(0x0A);
    /// 0B.
    pub const GATEWAY_TARGET_FAILED: ExceptionCode = ExceptionCode(0x0B);

    /// The specification's name.
    pub fn name(self) -> &'static str {
        match self.0 {
            0x01 => "ILLEGAL FUNCTION",
            0x02 => "ILLEGAL DATA ADDRESS",
            0x03 => "ILLEGAL DATA VALUE",
            0x04 => "SERVER DEVICE FAILURE",
            0x05 => "ACKNOWLEDGE",
            0x06 => "SERVER DEVICE BUSY",
            0x08 => "MEMORY PARITY ERROR",
            0x0A => "GATEWAY PATH UNAVAILABLE",
            0x0B => "GATEWAY TARGET DEVICE FAILED TO RESPOND",
            _ => "NOT IN THE SPECIFICATION",
        }
    }

    /// What it means, in plain words.
    pub fn meaning(self) -> &'static str {
        match self.0 {
            0x01 => "the device does not offer this function, or not in its present state",
            0x02 => "the device has no such registers, or not all of this range",
            0x03 => "the device finds the request itself malformed, often its count",
            0x04 => "the device failed while it carried out the request",
            0x05 => "the device needs a long time for this request",
            0x06 => "the device is busy; ask again later",
            0x08 => "the device found its memory inconsistent",
            0x0A => "the gateway has no path to the device: it is misconfigured or overloaded",
            0x0B => "the gateway got no answer from the device: it is probably not on the line",
            _ => "a code of the device's own",
        }
    }

    /// True when a gateway speaks because the device behind it did not.
    pub fn is_gateway(self) -> bool {
        matches!(self, ExceptionCode::GATEWAY_PATH_UNAVAILABLE | ExceptionCode::GATEWAY_TARGET_FAILED)
    }

    /// True when the same question may be answered a moment later.
    pub fn is_passing(self) -> bool {
        matches!(
            self,
            ExceptionCode::SERVER_DEVICE_FAILURE | ExceptionCode::ACKNOWLEDGE | ExceptionCode::SERVER_DEVICE_BUSY
        ) || self.is_gateway()
    }

    /// True when a smaller read may be answered where this one was refused: part of the range does not exist, or the
    /// count is more than this device takes.
    pub fn is_refused_range(self) -> bool {
        matches!(self, ExceptionCode::ILLEGAL_DATA_ADDRESS | ExceptionCode::ILLEGAL_DATA_VALUE)
    }
}

impl fmt::Display for ExceptionCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "exception {:02X} {}: {}", self.0, self.name(), self.meaning())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(function: Option<ReadFunction>, first: u16, count: u16) -> Transaction {
        Transaction {
            device: "Alder Creek Lift / PM-1".into(),
            address: "127.0.0.1:15021".into(),
            unit: 1,
            function,
            first,
            count,
        }
    }

    #[test]
    fn names_device_unit_function_registers_reference_and_cause() {
        let error = ModbusError {
            transaction: asked(Some(ReadFunction::HoldingRegisters), 0, 60),
            cause: Cause::Exception(ExceptionCode::ILLEGAL_DATA_ADDRESS),
        };
        assert_eq!(
            error.to_string(),
            "Alder Creek Lift / PM-1 (127.0.0.1:15021, unit 1): read holding registers 0-59 (reference 400001-400060): \
             exception 02 ILLEGAL DATA ADDRESS: the device has no such registers, or not all of this range"
        );
    }

    #[test]
    fn a_failed_connection_names_no_registers() {
        let error = ModbusError {
            transaction: asked(None, 0, 0),
            cause: Cause::Connect { reason: "connection refused".into() },
        };
        assert_eq!(
            error.to_string(),
            "Alder Creek Lift / PM-1 (127.0.0.1:15021, unit 1): could not connect: connection refused"
        );
    }

    #[test]
    fn one_register_is_singular_and_every_table_has_its_leading_digit() {
        let text = |function, first, count| RegisterRange { function, first, count }.to_string();
        assert_eq!(text(ReadFunction::InputRegisters, 8, 1), "input register 8 (reference 300009)");
        assert_eq!(text(ReadFunction::Coils, 0x13, 0x13), "coils 19-37 (reference 000020-000038)");
        assert_eq!(text(ReadFunction::DiscreteInputs, 0xC4, 22), "discrete inputs 196-217 (reference 100197-100218)");
        assert_eq!(text(ReadFunction::HoldingRegisters, 65535, 1), "holding register 65535 (reference 465536)");
    }

    #[test]
    fn every_code_of_the_specification_has_name_and_meaning() {
        for code in [0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x08, 0x0A, 0x0B] {
            assert_ne!(ExceptionCode(code).name(), ExceptionCode(0x70).name(), "{code:02X}");
            assert_ne!(ExceptionCode(code).meaning(), ExceptionCode(0x70).meaning(), "{code:02X}");
        }
        assert_eq!(
            ExceptionCode(0x70).to_string(),
            "exception 70 NOT IN THE SPECIFICATION: a code of the device's own"
        );
    }

    #[test]
    fn only_an_answer_counts_as_a_sign_of_life() {
        assert!(Cause::Exception(ExceptionCode::SERVER_DEVICE_BUSY).is_answer());
        assert!(Cause::Late { after_ms: 700, limit_ms: 500 }.is_answer());
        assert!(!Cause::Exception(ExceptionCode::GATEWAY_TARGET_FAILED).is_answer());
        assert!(!Cause::Timeout { after_ms: 1000 }.is_answer());
    }
}
