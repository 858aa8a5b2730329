//! From what the audit concludes to the conditions of alarms: one root cause, one alarm.
//!
//! `circuit` judges each circuit by itself, `shared` what the circuits of a monitor have in common, and takes from them what
//! is told of the monitor already; `voltage` tells whether the supply of a monitor is proven; `lead_order` reads the order of
//! the voltage leads off the diagnoses; `supply` and `network` tell once what several show at the same time. Findings that a
//! root explains are attached to it and raise nothing beside it. Where a root hides everything else (a silent monitor, frozen
//! values) the other conditions become unknown: their alarms neither come nor go. Must never weigh evidence: that is the
//! audit's.

mod circuit;
mod daemon;
mod failures;
mod lead_order;
mod network;
mod shared;
mod supply;
mod voltage;

use std::fmt;

use self::circuit::Causes;
use self::shared::Shared;
use super::availability::Poor;
use super::id::{AlarmId, AlarmKind};
use super::state::Condition;
use super::words::Story;
use crate::audit::assessment::Assessment;
use crate::audit::installation::Installation;
use crate::audit::register_fault::RegisterFault;
use crate::reading::Phase;

pub use daemon::{CLOCK_JUMP_SHOWN_MS, Room, clock, storage};
pub use failures::Failures;
pub use network::{Silence, SilentMonitor, SilentTogether, silent_together};
pub use supply::{alarms_of_station, station};

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
    /// It failed on the latest reading.
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

/// One circuit.
#[derive(Debug, Clone, Copy)]
pub struct CircuitNow<'a> {
    /// Name.
    pub name: &'a str,
    /// Its audit.
    pub audit: Audit<'a>,
    /// What a person meets at its panel.
    pub installation: &'a Installation,
}

/// Which alarms are up (after their delay), also beneath a shelving or a suppression: one leaves what it shares to another
/// only once that is up, so that at no time nobody tells it.
#[derive(Clone, Copy)]
pub struct Up<'a>(pub &'a dyn Fn(&AlarmId) -> bool);

impl Up<'_> {
    /// None is.
    pub const NONE: Up<'static> = Up(&|_| false);

    fn is(self, id: &AlarmId) -> bool {
        (self.0)(id)
    }
}

impl fmt::Debug for Up<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Up")
    }
}

/// One monitor with its circuits.
#[derive(Debug, Clone, Copy)]
pub struct MonitorNow<'a> {
    /// Name.
    pub monitor: &'a str,
    /// Polling.
    pub polling: Polling<'a>,
    /// The alarm that tells the silence of many monitors at once, this one among them.
    pub silent_with: Option<&'a AlarmId>,
    /// How little it has answered of late, while that is too little.
    pub poor: Option<Poor>,
    /// What its map says and the device does not, once that is sure.
    pub register_fault: Option<&'a RegisterFault>,
    /// Alarms that are up.
    pub up: Up<'a>,
    /// The alarm of its voltage leads is up because a voltage is missing while a running pump proved the supply.
    pub supply_was_proven: bool,
    /// Circuits.
    pub circuits: &'a [CircuitNow<'a>],
}

/// One station.
#[derive(Debug, Clone, Copy)]
pub struct StationNow<'a> {
    /// Name.
    pub station: &'a str,
    /// Alarms that are up.
    pub up: Up<'a>,
    /// Its circuits by name.
    pub installations: &'a [(&'a str, &'a Installation)],
}

impl<'a> StationNow<'a> {
    fn installation(&self, circuit: &str) -> Option<&'a Installation> {
        self.installations.iter().find(|(name, _)| *name == circuit).map(|(_, installation)| *installation)
    }
}

/// A phase that a pump has lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lost {
    /// Phase.
    pub phase: Phase,
    /// Probability.
    pub probability: f64,
}

/// One alarm's condition, with its story when it is true.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Which alarm.
    pub id: AlarmId,
    /// Its condition.
    pub condition: Condition,
    /// What is wrong; present when and only when the condition is true.
    pub story: Option<Story>,
    /// The alarm that tells the cause in its stead; only where the condition is false.
    pub told_by: Option<AlarmId>,
    /// The pump is stopped, or is not any more; `None` where that is not known or changes nothing.
    pub pump_stopped: Option<bool>,
    /// The phase that the pump has lost, also once it is stopped.
    pub lost: Option<Lost>,
}

impl Told {
    /// A condition alone.
    pub fn new(id: AlarmId, condition: Condition) -> Told {
        Told { id, condition, story: None, told_by: None, pump_stopped: None, lost: None }
    }

    /// A cause that is there.
    pub fn raised(id: AlarmId, story: Story) -> Told {
        Told { story: Some(story), ..Told::new(id, Condition::True) }
    }
}

/// The same before it is known whose alarm it is.
struct Known {
    kind: AlarmKind,
    condition: Condition,
    story: Option<Story>,
    told_by: Option<AlarmId>,
    pump_stopped: Option<bool>,
    lost: Option<Lost>,
}

impl Known {
    fn new(kind: AlarmKind, condition: Condition) -> Known {
        Known { kind, condition, story: None, told_by: None, pump_stopped: None, lost: None }
    }

    fn raised(kind: AlarmKind, story: Story) -> Known {
        Known { story: Some(story), ..Known::new(kind, Condition::True) }
    }

    /// Its cause is there, and another alarm tells it.
    fn left_to(kind: AlarmKind, other: AlarmId) -> Known {
        Known { told_by: Some(other), ..Known::new(kind, Condition::False) }
    }

    fn told(self, of_kind: impl FnOnce(AlarmKind) -> AlarmId) -> Told {
        let Known { kind, condition, mut story, told_by, pump_stopped, lost } = self;
        if let (Some(stopped), Some(story)) = (pump_stopped, &mut story) {
            story.pump_stopped = stopped && story.when_stopped.is_some();
        }
        Told { id: of_kind(kind), condition, story, told_by, pump_stopped, lost }
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
    let mut circuits: Vec<(&CircuitNow, Causes)> = now
        .circuits
        .iter()
        .map(|circuit| {
            let causes = if answers { Causes::of(station, circuit, now.up) } else { Causes::unknown() };
            (circuit, causes)
        })
        .collect();
    let shared = Shared::of(station, now, &circuits);
    for (circuit, causes) in &mut circuits {
        shared.take_from(circuit, causes);
    }
    let of_circuits: Vec<Told> =
        circuits.into_iter().flat_map(|(circuit, causes)| causes.told(station, circuit.name)).collect();
    shared.told(station, now.monitor).chain(of_circuits).collect()
}
