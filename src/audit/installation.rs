//! What a person meets at a station's panel: voltage, how the monitor gets it, what the CTs' secondaries are, what the load
//! stores. Field checks, remedies and cautions follow from it.
//!
//! Plain data. Must never change a diagnosis, nor take what is not declared for the harmless case.

use std::fmt;

use super::context::{LoadBehaviour, ServiceKind};

/// Above this nominal voltage between conductors (AC) an installation is high voltage: IEC 60038 and IEC 61140 draw the line
/// here, and measurement categories of IEC 61010 end here. V.
pub const LOW_VOLTAGE_LIMIT_V: f64 = 1000.0;

/// How the monitor's voltage inputs get the voltage of the supply.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum VoltageConnection {
    /// From the conductors themselves, at most through fuses.
    Direct,
    /// Through voltage transformers (VTs).
    Transformers,
    /// Not declared: a VT may be there.
    #[default]
    Unknown,
}

/// What the secondary of a circuit's CTs gives at rated current.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum CtSecondary {
    /// A current, mA (5,000 for "5 A"). Dangerous when open under load.
    Current {
        /// Rated secondary current, mA.
        rated_ma: u32,
    },
    /// A voltage across a burden inside the CT, mV (333 for "333 mV").
    Voltage {
        /// Rated secondary voltage, mV.
        rated_mv: u32,
    },
    /// A coil without iron, with or without its integrator.
    Rogowski,
    /// Not declared: counts as 5 A.
    #[default]
    Unknown,
}

impl fmt::Display for CtSecondary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            CtSecondary::Current { rated_ma } if rated_ma < 1000 => write!(f, "{rated_ma} mA"),
            CtSecondary::Current { rated_ma } => write!(f, "{} A", f64::from(rated_ma) / 1000.0),
            CtSecondary::Voltage { rated_mv } if rated_mv < 1000 => write!(f, "{rated_mv} mV"),
            CtSecondary::Voltage { rated_mv } => write!(f, "{} V", f64::from(rated_mv) / 1000.0),
            CtSecondary::Rogowski => f.write_str("rogowski"),
            CtSecondary::Unknown => f.write_str("unknown"),
        }
    }
}

impl CtSecondary {
    /// True when the secondary may be a current: it is never opened under load, and is shorted before work. So is one that is
    /// not declared.
    pub fn may_be_current(self) -> bool {
        matches!(self, CtSecondary::Current { .. } | CtSecondary::Unknown)
    }
}

/// One circuit's installation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Installation {
    /// Voltage system.
    pub service: ServiceKind,
    /// Nominal voltage of the service between phases (across the load of a single phase), V.
    pub nominal_voltage_v: f64,
    /// How the monitor gets it.
    pub voltage_connection: VoltageConnection,
    /// Secondary of the circuit's CTs.
    pub ct_secondary: CtSecondary,
    /// Load, for what it stores and how it starts.
    pub load: LoadBehaviour,
}

impl Installation {
    /// Of which only the voltage system and the nominal voltage between phases are known.
    pub fn unknown(service: ServiceKind, nominal_voltage_v: f64) -> Installation {
        Installation {
            service,
            nominal_voltage_v,
            voltage_connection: VoltageConnection::Unknown,
            ct_secondary: CtSecondary::Unknown,
            load: LoadBehaviour::Unknown,
        }
    }

    /// True when the primary is above 1,000 V, or not known to be below: its parts are for the high-voltage crew alone.
    pub fn is_high_voltage(&self) -> bool {
        // A value that is no number counts as high voltage.
        self.nominal_voltage_v.is_nan() || self.nominal_voltage_v > LOW_VOLTAGE_LIMIT_V
    }

    /// True when voltage transformers stand before the monitor: declared, an open-delta service, or any high voltage.
    pub fn has_voltage_transformers(&self) -> bool {
        self.voltage_connection == VoltageConnection::Transformers
            || self.service == ServiceKind::OpenDelta
            || self.is_high_voltage()
    }

    /// True when a conductor of the service may be touched by a tester at all: low voltage, and the monitor's terminals are
    /// known to be at that voltage.
    pub fn direct_low_voltage(&self) -> bool {
        self.voltage_connection == VoltageConnection::Direct && !self.has_voltage_transformers()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_declared_is_not_the_harmless_case() {
        let unknown = Installation::unknown(ServiceKind::Wye4, 480.0);
        assert!(!unknown.direct_low_voltage());
        assert!(unknown.ct_secondary.may_be_current());
        assert!(Installation::unknown(ServiceKind::Wye4, f64::NAN).is_high_voltage());
    }

    #[test]
    fn transformers_are_there_when_declared_by_service_or_by_voltage() {
        let direct = Installation {
            voltage_connection: VoltageConnection::Direct,
            ..Installation::unknown(ServiceKind::Wye4, 480.0)
        };
        assert!(direct.direct_low_voltage());
        let declared = Installation { voltage_connection: VoltageConnection::Transformers, ..direct };
        let open_delta = Installation { service: ServiceKind::OpenDelta, ..direct };
        let medium_voltage = Installation { nominal_voltage_v: 4160.0, ..direct };
        for through in [declared, open_delta, medium_voltage] {
            assert!(through.has_voltage_transformers() && !through.direct_low_voltage(), "{through:?}");
        }
        assert!(!open_delta.is_high_voltage() && medium_voltage.is_high_voltage());
    }

    #[test]
    fn only_a_secondary_known_to_be_none_is_no_current() {
        for (secondary, current) in [
            (CtSecondary::Current { rated_ma: 5000 }, true),
            (CtSecondary::Current { rated_ma: 1000 }, true),
            (CtSecondary::Unknown, true),
            (CtSecondary::Voltage { rated_mv: 333 }, false),
            (CtSecondary::Rogowski, false),
        ] {
            assert_eq!(secondary.may_be_current(), current, "{secondary:?}");
        }
    }
}
