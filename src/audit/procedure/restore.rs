//! Everything after the last move: measure, land, torque, remove the shorts, covers, locks, energize, and the readings that are
//! the proof. Must never leave a short in uncounted, nor call the work proven by its ticks.

use super::job::{Access, Ct, Job};
use super::words::{ct, list, numbers, primary_crew};
use crate::audit::context::{LoadBehaviour, ServiceKind};

/// A step after the last move.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Restore {
    OhmsTowardMonitor(Ct),
    OhmsTowardCt(Ct),
    LandLast(Ct),
    Torque,
    RemoveShort(Ct),
    CountShorts(usize),
    CorrectLabels,
    ToolsOut,
    CoversOn,
    PeopleClear,
    LocksOff,
    CrewRestores,
    Energize,
    BumpTest,
    Start,
    Readings,
    StopAtOnce,
    NumbersWrong,
    Prove,
    OtherPumps,
    ControlsBack,
    ProtectionBack,
    CountLocks,
    NoteDone,
}

impl Restore {
    pub(super) fn key(self) -> &'static str {
        match self {
            Restore::OhmsTowardMonitor(_) => "ohms-toward-monitor",
            Restore::OhmsTowardCt(_) => "ohms-toward-ct",
            Restore::LandLast(_) => "land-last-lead",
            Restore::Torque => "torque",
            Restore::RemoveShort(_) => "remove-short",
            Restore::CountShorts(_) => "count-shorts",
            Restore::CorrectLabels => "correct-labels",
            Restore::ToolsOut => "tools-out",
            Restore::CoversOn => "covers-on",
            Restore::PeopleClear => "people-clear",
            Restore::LocksOff => "locks-off",
            Restore::CrewRestores => "primary-restored-by-crew",
            Restore::Energize => "energize",
            Restore::BumpTest => "bump-test",
            Restore::Start => "start-from-scada",
            Restore::Readings => "readings-to-expect",
            Restore::StopAtOnce => "stop-at-once",
            Restore::NumbersWrong => "numbers-wrong",
            Restore::Prove => "prove",
            Restore::OtherPumps => "other-pumps",
            Restore::ControlsBack => "controls-back",
            Restore::ProtectionBack => "protection-back",
            Restore::CountLocks => "count-locks",
            Restore::NoteDone => "note-done",
        }
    }

    pub(super) fn channels(self) -> Vec<usize> {
        match self {
            Restore::OhmsTowardMonitor(ct)
            | Restore::OhmsTowardCt(ct)
            | Restore::LandLast(ct)
            | Restore::RemoveShort(ct) => vec![ct.channel()],
            _ => Vec::new(),
        }
    }

    pub(super) fn words(self, job: &Job) -> String {
        let place = &job.place;
        match self {
            Restore::OhmsTowardMonitor(of) => format!(
                "For {}: at the block, with the lead toward the monitor lifted, measure ohms from that lead to the return: leads \
                 and burden read closed.",
                ct(of, place)
            ),
            Restore::OhmsTowardCt(of) => format!(
                "For {}: at the block, with the lead toward the CT lifted, measure ohms from that lead to the return: the winding \
                 reads closed. A reading across a short proves nothing.",
                ct(of, place)
            ),
            Restore::LandLast(of) => format!("Land the leads lifted for measuring {}.", ct(of, place)),
            Restore::Torque => "Tighten every terminal touched to the torque marked for it, with a torque tool; tug each wire.".to_owned(),
            Restore::RemoveShort(of) => format!("Remove the short of {}.", ct(of, place)),
            Restore::CountShorts(n) => {
                format!("Count: {n} short{} placed and ticked above, {n} removed, none left in.", if n == 1 { "" } else { "s" })
            }
            Restore::CorrectLabels => "Correct labels and drawing; photograph the terminals.".to_owned(),
            Restore::ToolsOut => "Tools, jumpers and grounds out: have a second qualified person look.".to_owned(),
            Restore::CoversOn => "Covers on, doors closed.".to_owned(),
            Restore::PeopleClear => "Warn everybody; see that all are clear.".to_owned(),
            Restore::LocksOff => "Each lock and tag off by its owner.".to_owned(),
            Restore::CrewRestores => format!(
                "Hand back to {}, who removes the grounds and restores the primary under its own procedure.",
                primary_crew(job)
            ),
            Restore::Energize if job.access != Access::Direct => {
                "Close the control power and what else was opened above, standing aside.".to_owned()
            }
            Restore::Energize => "Energize, standing aside.".to_owned(),
            Restore::BumpTest => {
                "A power conductor was taken off: bump the pump, and see that it turns the right way before it is trusted.".to_owned()
            }
            Restore::Start if job.suspected_open().next().is_some() => {
                format!("Start {} from SCADA, nobody at the panel; watch the amps of all channels.", place.pump)
            }
            Restore::Start => format!("Start {} from SCADA.", place.pump),
            Restore::Readings => readings(job),
            Restore::StopAtOnce if job.current_output => {
                "A channel at zero or jumping: STOP AT ONCE (a link left in, or an open lead). Nobody opens the panel.".to_owned()
            }
            Restore::StopAtOnce => "A channel at zero: stop the pump, its phase itself may carry no current; enter it.".to_owned(),
            Restore::NumbersWrong => {
                "Any other number wrong: let the pump run, nobody opens anything, enter what it shows.".to_owned()
            }
            Restore::Prove => "Run at the usual load for 5 minutes and print this sheet again: the verdict OK is the proof, not \
                               the ticks. Until then it is not yet proven."
                .to_owned(),
            Restore::OtherPumps => {
                let names: Vec<&String> = place.neighbors.iter().map(|n| &n.name).collect();
                format!("Then the same start, readings and verdict for {}.", list(&names))
            }
            Restore::ControlsBack => "Controls back to automatic, blocked starts released, alarms and shelving as before.".to_owned(),
            Restore::ProtectionBack => {
                "Operations confirms that overloads, relays and meters on the same CTs are in service.".to_owned()
            }
            Restore::CountLocks => "Count locks and tags: none left on.".to_owned(),
            Restore::NoteDone => "Note time and name of the work here and in the log of the station.".to_owned(),
        }
    }
}

/// What the readings must show once the pump runs.
fn readings(job: &Job) -> String {
    let installation = &job.place.installation;
    let service = installation.service;
    let channels = service.channels();
    let mut expected = match channels {
        [one] => vec![format!("channel {} carries current", one + 1)],
        _ => vec![format!("channels {} carry currents within 10 % of each other", numbers(channels.iter().copied()))],
    };
    // Two elements have no voltage of their own on channel 2: its lead is common to both.
    let volts = if service.between_lines() { channels.to_vec() } else { (0..service.voltage_channels()).collect() };
    expected.push(format!("volts on {}", numbers(volts)));
    expected.push(
        match service {
            ServiceKind::Wye4 | ServiceKind::Delta3 => "kW of each phase positive and near a third of the total",
            ServiceKind::SplitPhase => "kW of each leg positive and near half of the total",
            // The two elements, and the high leg, carry unlike shares of a balanced load.
            ServiceKind::TwoElement | ServiceKind::OpenDelta | ServiceKind::HighLegDelta | ServiceKind::SinglePhase => {
                "total kW positive"
            }
        }
        .to_owned(),
    );
    expected.extend(match installation.load {
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter => {
            Some("PF of the total lagging, 0.7 to 0.92 for a loaded motor".to_owned())
        }
        LoadBehaviour::Drive => Some("displacement PF near 1".to_owned()),
        LoadBehaviour::Resistive => Some("PF near 1".to_owned()),
        LoadBehaviour::MotorWithCapacitor | LoadBehaviour::Unknown => None,
    });
    format!("From outside, covers on: {}.", expected.join("; "))
}

pub(super) fn steps(job: &Job) -> Vec<Restore> {
    let mut steps = Vec::new();
    let shorted = if job.current_output { job.cts() } else { Vec::new() };
    if job.current_output {
        for of in job.opened() {
            steps.extend([Restore::OhmsTowardMonitor(of), Restore::OhmsTowardCt(of), Restore::LandLast(of)]);
        }
    }
    steps.push(Restore::Torque);
    steps.extend(shorted.iter().copied().map(Restore::RemoveShort));
    if !shorted.is_empty() {
        steps.push(Restore::CountShorts(shorted.len()));
    }
    steps.extend([
        Restore::CorrectLabels,
        Restore::ToolsOut,
        Restore::CoversOn,
        Restore::PeopleClear,
        Restore::LocksOff,
    ]);
    if job.access != Access::Direct {
        steps.push(Restore::CrewRestores);
    }
    steps.push(Restore::Energize);
    if job.relocations().next().is_some() && !job.is_rogowski() {
        steps.push(Restore::BumpTest);
    }
    steps.extend([Restore::Start, Restore::Readings, Restore::StopAtOnce, Restore::NumbersWrong, Restore::Prove]);
    if !job.place.neighbors.is_empty() {
        steps.push(Restore::OtherPumps);
    }
    steps.push(Restore::ControlsBack);
    if !shorted.is_empty() {
        steps.push(Restore::ProtectionBack);
    }
    steps.extend([Restore::CountLocks, Restore::NoteDone]);
    steps
}
