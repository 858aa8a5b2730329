//! From what the audit concludes to the conditions of alarms: one root cause, one alarm.
//!
//! `circuit` judges each circuit by itself, `shared` what the circuits of a monitor have in common, and takes from them what
//! is told of the monitor already; `lead_order` reads the order of the voltage leads off their diagnoses. Findings that a root
//! explains are attached to it and raise nothing beside it. Where a root hides everything else (a silent monitor, frozen
//! values) the other conditions become unknown: their alarms neither come nor go. Must never weigh evidence: that is the
//! audit's.

mod circuit;
mod daemon;
mod lead_order;
mod shared;

use self::circuit::Causes;
use self::shared::Shared;
use super::id::{AlarmId, AlarmKind};
use super::state::Condition;
use super::words::Story;
use crate::audit::assessment::Assessment;
use crate::audit::register_fault::RegisterFault;

pub use daemon::{CLOCK_JUMP_SHOWN_MS, Room, clock, storage};

/// How polling of a monitor goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Polling<'a> {
    /// The first poll has not finished.
    NotYet,
    /// It answers, at least in part.
    Answers,
    /// Nothing was answered in the latest poll.
    Silent {
        /// Why, as the failed transaction tells.
        cause: &'a str,
    },
}

/// How the audit of a circuit goes.
#[derive(Debug, Clone, Copy)]
pub enum Audit<'a> {
    /// Nothing assessed yet.
    NotYet,
    /// The latest assessment.
    Of(&'a Assessment),
    /// It failed inside on the latest reading.
    Failed {
        /// What it said.
        message: &'a str,
    },
}

impl<'a> Audit<'a> {
    fn assessment(&self) -> Option<&'a Assessment> {
        match self {
            Audit::Of(assessment) => Some(assessment),
            Audit::NotYet | Audit::Failed { .. } => None,
        }
    }
}

/// One monitor with its circuits.
#[derive(Debug, Clone, Copy)]
pub struct MonitorNow<'a> {
    /// Name.
    pub monitor: &'a str,
    /// Polling.
    pub polling: Polling<'a>,
    /// What its map says and the device does not, once that is sure.
    pub register_fault: Option<&'a RegisterFault>,
    /// The alarm of its voltage leads is up (after its delay): only then do its circuits leave what they share to it, so that
    /// at no time nobody tells it.
    pub leads_told: bool,
    /// Circuits: name and audit.
    pub circuits: &'a [(&'a str, Audit<'a>)],
}

/// One alarm's condition, with its story when it is true.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// Which alarm.
    pub id: AlarmId,
    /// Its condition.
    pub condition: Condition,
    /// What is wrong; present when and only when the condition is true.
    pub story: Option<Story>,
    /// The alarm that tells the cause in its stead; only where the condition is false.
    pub told_by: Option<AlarmId>,
}

/// The same before it is known whose alarm it is.
struct Known {
    kind: AlarmKind,
    condition: Condition,
    story: Option<Story>,
    told_by: Option<AlarmId>,
}

impl Known {
    fn new(kind: AlarmKind, condition: Condition) -> Known {
        Known { kind, condition, story: None, told_by: None }
    }

    fn raised(kind: AlarmKind, story: Story) -> Known {
        Known { story: Some(story), ..Known::new(kind, Condition::True) }
    }

    fn told(self, of_kind: impl FnOnce(AlarmKind) -> AlarmId) -> Told {
        Told { id: of_kind(self.kind), condition: self.condition, story: self.story, told_by: self.told_by }
    }
}

/// The alarms that a monitor and its circuits can have: what a set is configured with.
pub fn alarms_of_monitor(station: &str, monitor: &str, circuits: &[&str]) -> Vec<AlarmId> {
    let of_circuits =
        circuits.iter().flat_map(|c| AlarmKind::OF_CIRCUIT.map(|kind| AlarmId::circuit(station, c, kind)));
    AlarmKind::OF_MONITOR.map(|kind| AlarmId::monitor(station, monitor, kind)).into_iter().chain(of_circuits).collect()
}

/// Conditions of a monitor and of all its circuits.
pub fn monitor(station: &str, now: &MonitorNow) -> Vec<Told> {
    let answers = now.polling == Polling::Answers;
    let mut circuits: Vec<(&str, &Audit, Causes)> = now
        .circuits
        .iter()
        .map(|(name, audit)| (*name, audit, if answers { Causes::of(audit) } else { Causes::unknown() }))
        .collect();
    let phase_lost = circuits.iter().any(|(.., causes)| causes.raised(AlarmKind::SupplyPhaseLost));
    let shared = Shared::of(station, now, phase_lost);
    for (_, audit, causes) in &mut circuits {
        shared.take_from(audit, causes);
    }
    let of_circuits: Vec<Told> =
        circuits.into_iter().flat_map(|(name, _, causes)| causes.told(station, name)).collect();
    shared.told(station, now.monitor).chain(of_circuits).collect()
}
