//! What an alarm is called: a place and a kind, the same after every restart. Must never hold anything that changes.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::rationale::{self, Class};

/// What an alarm is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// The daemon itself.
    Daemon,
    /// A whole station.
    Station {
        /// Its name.
        station: String,
    },
    /// One power monitor.
    Monitor {
        /// Its station.
        station: String,
        /// Its name.
        monitor: String,
    },
    /// One circuit, which is one pump.
    Circuit {
        /// Its station.
        station: String,
        /// Its name.
        circuit: String,
    },
}

impl Place {
    /// Station that it is in; none for the daemon.
    pub fn station(&self) -> Option<&str> {
        match self {
            Place::Daemon => None,
            Place::Station { station } | Place::Monitor { station, .. } | Place::Circuit { station, .. } => {
                Some(station)
            }
        }
    }

    /// Monitor or circuit of the station.
    pub fn part(&self) -> Option<&str> {
        match self {
            Place::Daemon | Place::Station { .. } => None,
            Place::Monitor { monitor: name, .. } | Place::Circuit { circuit: name, .. } => Some(name),
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Daemon => f.write_str("wattassay"),
            Place::Station { station } => f.write_str(station),
            Place::Monitor { station, monitor: name } | Place::Circuit { station, circuit: name } => {
                write!(f, "{station}, {name}")
            }
        }
    }
}

/// What can be wrong. One of these is one root cause; what it explains is attached to it. What each asks of whom stands in
/// [`rationale`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmKind {
    /// A monitor answers nothing.
    MonitorSilent,
    /// Most monitors of the daemon, or of a station, fell silent at the same moment.
    MetersSilentTogether,
    /// A monitor's registers mean something else than its map says.
    RegisterMapWrong,
    /// A voltage lead, fuse or voltage transformer of a monitor is at fault, and the supply is proven good.
    VoltageLeadsWrong,
    /// A monitor sees no voltage on a phase and no running pump proves the supply.
    PhaseMissingStopped,
    /// A phase of the supply to a pump is lost: it runs on two phases.
    SupplyPhaseLost,
    /// A CT reads zero, or jumps, while the others carry current: its secondary may be open.
    CtNoCurrent,
    /// A circuit's power is registered wrong because leads are on the wrong terminals.
    MeteringMiswired,
    /// A circuit's numbers are wrong or missing whatever the wiring (a wrong scale, a contradiction).
    MeteringNumbersWrong,
    /// A circuit's values are frozen as live ones never are.
    ValuesFrozen,
    /// The readings fit no wiring that the audit knows.
    FitsNoWiring,
    /// The computer's clock was stepped.
    ClockJumped,
    /// The audit of a circuit failed and was restarted.
    AuditFailed,
    /// The same again and again within a day.
    AuditFailsOften,
    /// The disk for records is full or nearly so.
    StorageFull,
}

impl AlarmKind {
    /// All of them.
    pub const ALL: [AlarmKind; 15] = [
        AlarmKind::MonitorSilent,
        AlarmKind::MetersSilentTogether,
        AlarmKind::RegisterMapWrong,
        AlarmKind::VoltageLeadsWrong,
        AlarmKind::PhaseMissingStopped,
        AlarmKind::SupplyPhaseLost,
        AlarmKind::CtNoCurrent,
        AlarmKind::MeteringMiswired,
        AlarmKind::MeteringNumbersWrong,
        AlarmKind::ValuesFrozen,
        AlarmKind::FitsNoWiring,
        AlarmKind::ClockJumped,
        AlarmKind::AuditFailed,
        AlarmKind::AuditFailsOften,
        AlarmKind::StorageFull,
    ];

    /// Those a monitor can have.
    pub const OF_MONITOR: [AlarmKind; 4] = [
        AlarmKind::MonitorSilent,
        AlarmKind::RegisterMapWrong,
        AlarmKind::VoltageLeadsWrong,
        AlarmKind::PhaseMissingStopped,
    ];

    /// Those a circuit can have.
    pub const OF_CIRCUIT: [AlarmKind; 7] = [
        AlarmKind::SupplyPhaseLost,
        AlarmKind::CtNoCurrent,
        AlarmKind::MeteringMiswired,
        AlarmKind::MeteringNumbersWrong,
        AlarmKind::ValuesFrozen,
        AlarmKind::FitsNoWiring,
        AlarmKind::AuditFailed,
    ];

    /// Stable word for records, metrics and addresses.
    pub fn key(self) -> &'static str {
        match self {
            AlarmKind::MonitorSilent => "monitor_silent",
            AlarmKind::MetersSilentTogether => "meters_silent_together",
            AlarmKind::RegisterMapWrong => "register_map_wrong",
            AlarmKind::VoltageLeadsWrong => "voltage_leads_wrong",
            AlarmKind::PhaseMissingStopped => "phase_missing_stopped",
            AlarmKind::SupplyPhaseLost => "supply_phase_lost",
            AlarmKind::CtNoCurrent => "ct_no_current",
            AlarmKind::MeteringMiswired => "metering_miswired",
            AlarmKind::MeteringNumbersWrong => "metering_numbers_wrong",
            AlarmKind::ValuesFrozen => "values_frozen",
            AlarmKind::FitsNoWiring => "fits_no_wiring",
            AlarmKind::ClockJumped => "clock_jumped",
            AlarmKind::AuditFailed => "audit_failed",
            AlarmKind::AuditFailsOften => "audit_fails_often",
            AlarmKind::StorageFull => "storage_full",
        }
    }

    /// What the kind asks of people: an alarm of an operator, a work order of a technician, an event of nobody.
    pub fn class(self) -> Class {
        rationale::of(self).class
    }
}

/// Name of one alarm.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct AlarmId {
    /// What it is about.
    pub place: Place,
    /// What is wrong there.
    pub kind: AlarmKind,
}

impl AlarmId {
    /// An alarm of the daemon itself.
    pub fn daemon(kind: AlarmKind) -> AlarmId {
        AlarmId { place: Place::Daemon, kind }
    }

    /// An alarm of a station.
    pub fn station(station: &str, kind: AlarmKind) -> AlarmId {
        AlarmId { place: Place::Station { station: station.to_owned() }, kind }
    }

    /// An alarm of a monitor.
    pub fn monitor(station: &str, monitor: &str, kind: AlarmKind) -> AlarmId {
        AlarmId { place: Place::Monitor { station: station.to_owned(), monitor: monitor.to_owned() }, kind }
    }

    /// An alarm of a circuit.
    pub fn circuit(station: &str, circuit: &str, kind: AlarmKind) -> AlarmId {
        AlarmId { place: Place::Circuit { station: station.to_owned(), circuit: circuit.to_owned() }, kind }
    }
}

impl fmt::Display for AlarmId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.kind.key())
    }
}
