//! Everything before the first move: agree, stop, open and lock, verify absence of voltage, short the CT secondaries, compare.
//!
//! The order is that of an electrically safe work condition; the short is a second barrier behind it and never in its place.
//! Must never tell to short a secondary that is known to be no current, nor to touch a primary that is not for the reader.

use super::job::{Access, Ct, Job};
use super::words::{all_pumps, ct, list, primary_crew, pump_in, refusal, tester};
use crate::audit::context::LoadBehaviour;
use crate::audit::words::describe_wiring;

/// A source to be opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Source {
    Main,
    Generator,
    SecondFeeder,
    ControlPower,
    VoltageTaps,
}

/// Where absence of voltage is verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Point {
    VoltageTerminals,
    CtTerminals,
    /// Conductor of a CT that is touched.
    Conductors,
}

/// A pump to be stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pump {
    This,
    /// The one at this place among the neighbors.
    Neighbor(usize),
    /// One of the monitor whose name is not known, by slot.
    InSlot(usize),
}

/// A step before the first move.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Prepare {
    AgreeOutage,
    ProveStandby,
    /// The voltage leads serve other pumps too.
    SheetsOfAll,
    OtherUsers(Ct),
    Stop(Pump),
    /// A CT that may be open sits on a main or feeder, perhaps.
    StopAllLoads,
    BlockStarts,
    /// Isolation of the primary by those who may.
    CrewIsolates,
    Open(Source),
    SeeBladesOpen,
    LockAndTag,
    BlockRotation,
    DischargeCapacitor {
        if_fitted: bool,
    },
    WaitForDcLink {
        if_fitted: bool,
    },
    TryToStart,
    ProveTester,
    VerifyAbsence(Point),
    ProveTesterAgain,
    LookForBackFeed,
    Photograph,
    Label,
    Short(Ct),
    Compare,
}

impl Prepare {
    pub(super) fn key(self) -> &'static str {
        match self {
            Prepare::AgreeOutage => "agree-outage",
            Prepare::ProveStandby => "prove-standby",
            Prepare::SheetsOfAll => "sheets-of-all-pumps",
            Prepare::OtherUsers(_) => "other-users-of-ct",
            Prepare::Stop(_) => "stop-pump",
            Prepare::StopAllLoads => "stop-all-loads",
            Prepare::BlockStarts => "block-starts",
            Prepare::CrewIsolates => "primary-isolated-by-crew",
            Prepare::Open(_) => "open-source",
            Prepare::SeeBladesOpen => "see-blades-open",
            Prepare::LockAndTag => "lock-and-tag",
            Prepare::BlockRotation => "block-rotation",
            Prepare::DischargeCapacitor { .. } => "discharge-capacitor",
            Prepare::WaitForDcLink { .. } => "wait-for-dc-link",
            Prepare::TryToStart => "try-to-start",
            Prepare::ProveTester => "prove-tester",
            Prepare::VerifyAbsence(_) => "verify-absence-of-voltage",
            Prepare::ProveTesterAgain => "prove-tester-again",
            Prepare::LookForBackFeed => "look-for-back-feed",
            Prepare::Photograph => "photograph",
            Prepare::Label => "label-leads",
            Prepare::Short(_) => "short-ct",
            Prepare::Compare => "compare-with-suspicion",
        }
    }

    pub(super) fn channels(self) -> Vec<usize> {
        match self {
            Prepare::OtherUsers(ct) | Prepare::Short(ct) => vec![ct.channel()],
            _ => Vec::new(),
        }
    }

    pub(super) fn words(self, job: &Job) -> String {
        let place = &job.place;
        match self {
            Prepare::AgreeOutage => {
                "Take this sheet along. Agree the outage with operations: who stops what, who watches the level."
                    .to_owned()
            }
            Prepare::ProveStandby => format!(
                "Before the outage, prove that the inflow can be carried or stored without {}.",
                list(&all_pumps(place))
            ),
            Prepare::SheetsOfAll => format!(
                "These voltage leads serve {}. Print the sheet of each: their readings change together, and a pump that reads \
                 right now because its CT leads are moved the same way becomes wrong.",
                list(&all_pumps(place))
            ),
            Prepare::OtherUsers(of) => format!(
                "Look on the drawing what else the secondary of {} feeds (overload, relay, ammeter), and tell operations: \
                 shorting it disables or trips them.",
                ct(of, place)
            ),
            Prepare::Stop(pump) => {
                let name = match pump {
                    Pump::This => place.pump.clone(),
                    Pump::Neighbor(n) => place.neighbors.get(n).map_or_else(String::new, |n| n.name.clone()),
                    Pump::InSlot(slot) => pump_in(slot, place),
                };
                let from =
                    if job.suspected_open().next().is_some() { " from SCADA, not at the panel front" } else { "" };
                format!("Stop {name}{from}.")
            }
            Prepare::StopAllLoads => {
                "If the CT is on a main or a feeder, stop all its loads too: a stopped pump alone is not enough."
                    .to_owned()
            }
            Prepare::BlockStarts => format!(
                "Block automatic, timer, remote and backup-float starts of {}. A selector in OFF is not isolation.",
                list(&all_pumps(place))
            ),
            Prepare::CrewIsolates => format!(
                "{} Before anybody goes on, {} isolates, locks out, verifies absence of voltage on and grounds the primary, takes \
                 out the VT secondary fuses against back-feed, and hands over.",
                refusal(job),
                primary_crew(job)
            ),
            Prepare::Open(source) => source.words().to_owned(),
            Prepare::SeeBladesOpen => "See that the blades of each are open, where they can be seen.".to_owned(),
            Prepare::LockAndTag => "Lock and tag each isolating point, each person with their own lock.".to_owned(),
            Prepare::BlockRotation => {
                "Block what can turn: back-flow through a check valve turns a pump, and a turning motor can generate."
                    .to_owned()
            }
            Prepare::DischargeCapacitor { if_fitted } => {
                format!("Capacitor{}: wait 5 minutes, test for DC, discharge and short it.", fitted(if_fitted))
            }
            Prepare::WaitForDcLink { if_fitted } => format!(
                "Drive{}: wait the time on its label, at least 5 minutes, and test the DC bus below 50 V. Never short the DC bus.",
                fitted(if_fitted)
            ),
            Prepare::TryToStart => {
                "Try to start each pump by every control, then return the controls to off.".to_owned()
            }
            Prepare::ProveTester => {
                format!("Prove a two-pole voltage tester of fixed range, {}, on a known source.", tester(job))
            }
            Prepare::VerifyAbsence(point) => point.words(job),
            Prepare::ProveTesterAgain => "Prove the tester again on the known source.".to_owned(),
            Prepare::LookForBackFeed => {
                "Look for back-feed and induced voltage: VT, control transformer, generator, a motor that \
                                         turns. Ground where it could return."
                    .to_owned()
            }
            Prepare::Photograph => "Photograph the terminals.".to_owned(),
            Prepare::Label => label(job),
            Prepare::Short(of) => {
                let open = job.suspected_open().any(|k| Ct::On(k) == of);
                let whereabouts = if open {
                    "first at its own terminals, else at its shorting block on the CT side"
                } else {
                    "at its shorting block, on the CT side of where its leads are lifted"
                };
                format!(
                    "Short the secondary of {} {whereabouts}, with a rated link or screws, never clips or wrapped wire; see that \
                     the link is on this circuit. Where there is no block, write \"no block\" here.",
                    ct(of, place)
                )
            }
            Prepare::Compare => format!(
                "Compare labels, wire numbers and marks with the suspicion: {}. ANYTHING DIFFERENT: stop, put back, enter it, \
                 print this sheet again.",
                describe_wiring(&job.wiring)
            ),
        }
    }
}

impl Source {
    fn words(self) -> &'static str {
        match self {
            Source::Main => {
                "Open the station main (or, where the site allows it, the disconnects of all pumps on this monitor together with \
                 that of the monitor's voltage taps)."
            }
            Source::Generator => {
                "Generator, where there is one: switch it to off, open both sources of the transfer switch and any portable inlet."
            }
            Source::SecondFeeder => "Second feeder, where there is one: open it.",
            Source::ControlPower => "Open control power, telemetry UPS and motor space heaters.",
            Source::VoltageTaps => {
                "Open the monitor's voltage taps (disconnect or fuse holder): they may be ahead of the pump's breaker."
            }
        }
    }
}

impl Point {
    fn words(self, job: &Job) -> String {
        let every = "each conductor phase to phase and phase to ground";
        match self {
            Point::VoltageTerminals => format!(
                "Verify absence of voltage at the monitor's voltage terminals: {every}, both sides of open fuses. Test as if live, \
                 with the protection that the panel's label asks for."
            ),
            Point::CtTerminals => {
                "Verify absence of voltage at the monitor's CT terminals: each to ground and to the others.".to_owned()
            }
            Point::Conductors => {
                let cts: Vec<String> = job.cts().into_iter().map(|of| ct(of, &job.place)).collect();
                format!("Verify absence of voltage at the conductor of {}: {every}.", list(&cts))
            }
        }
    }
}

fn unique(channels: impl Iterator<Item = usize>) -> Vec<usize> {
    let mut channels: Vec<usize> = channels.collect();
    channels.sort_unstable();
    channels.dedup();
    channels
}

fn fitted(if_fitted: bool) -> &'static str {
    if if_fitted { ", if fitted" } else { "" }
}

fn label(job: &Job) -> String {
    let mut leads: Vec<String> = job.voltage_terminals().map(|k| format!("V{}", k + 1)).collect();
    for of in job.cts() {
        match of {
            Ct::On(k) => leads.push(format!("CT {} X1, CT {} X2", k + 1, k + 1)),
            Ct::Elsewhere { slot, .. } => leads.push(format!("the same on {}", pump_in(slot, &job.place))),
        }
    }
    format!("Label each lead with the terminal it is on now: {}.", leads.join(", "))
}

pub(super) fn steps(job: &Job) -> Vec<Prepare> {
    let cts = job.cts();
    let mut steps = vec![Prepare::AgreeOutage, Prepare::ProveStandby];
    if job.voltage_terminals().next().is_some() && !job.place.neighbors.is_empty() {
        steps.push(Prepare::SheetsOfAll);
    }
    if job.current_output {
        steps.extend(cts.iter().copied().map(Prepare::OtherUsers));
    }
    steps.push(Prepare::Stop(Pump::This));
    steps.extend((0..job.place.neighbors.len()).map(|n| Prepare::Stop(Pump::Neighbor(n))));
    let unnamed = |slot: &usize| !job.place.neighbors.iter().any(|n| n.slot == *slot);
    let slots = unique(job.brought_back().map(|(_, slot)| slot));
    steps.extend(slots.into_iter().filter(unnamed).map(|slot| Prepare::Stop(Pump::InSlot(slot))));
    if job.suspected_open().next().is_some() {
        steps.push(Prepare::StopAllLoads);
    }
    steps.push(Prepare::BlockStarts);
    if job.access == Access::Direct {
        let sources =
            [Source::Main, Source::Generator, Source::SecondFeeder, Source::ControlPower, Source::VoltageTaps];
        steps.extend(sources.map(Prepare::Open));
        steps.push(Prepare::SeeBladesOpen);
    } else {
        steps.extend([Prepare::CrewIsolates, Prepare::Open(Source::ControlPower)]);
    }
    steps.extend([Prepare::LockAndTag, Prepare::BlockRotation]);
    steps.extend(stored_energy(job.place.installation.load));
    steps.extend([
        Prepare::TryToStart,
        Prepare::ProveTester,
        Prepare::VerifyAbsence(Point::VoltageTerminals),
        Prepare::VerifyAbsence(Point::CtTerminals),
    ]);
    if job.access == Access::Direct && !cts.is_empty() {
        steps.push(Prepare::VerifyAbsence(Point::Conductors));
    }
    steps.extend([Prepare::ProveTesterAgain, Prepare::LookForBackFeed, Prepare::Photograph, Prepare::Label]);
    if job.current_output {
        steps.extend(cts.into_iter().map(Prepare::Short));
    }
    steps.push(Prepare::Compare);
    steps
}

/// Waiting and discharging, where the load stores energy or may do so.
fn stored_energy(load: LoadBehaviour) -> Vec<Prepare> {
    match load {
        LoadBehaviour::MotorWithCapacitor => vec![Prepare::DischargeCapacitor { if_fitted: false }],
        LoadBehaviour::Drive => vec![Prepare::WaitForDcLink { if_fitted: false }],
        LoadBehaviour::Unknown => {
            vec![Prepare::DischargeCapacitor { if_fitted: true }, Prepare::WaitForDcLink { if_fitted: true }]
        }
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter | LoadBehaviour::Resistive => Vec::new(),
    }
}
