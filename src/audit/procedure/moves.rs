//! The moves themselves, each from which terminal to which. Only ever between the steps of `prepare` and `restore`.
//!
//! Leads are named by the labels that `prepare` had put on them. A common return of the CTs is told apart, because swapping
//! its X2 would short a CT. Must never tell to move neutral or ground, to short a VT secondary, or to touch a primary that is
//! not for the reader.

use super::job::{Access, Job, Relocation};
#[cfg(test)]
use crate::audit::remedy::Move;
use crate::reading::Phase;

/// One of the two leads of a CT.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lead {
    X1,
    /// Not where the CTs share a return.
    X2,
}

/// A step that moves something. Channels and terminals from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum MoveStep {
    /// What holds for a VT secondary.
    VtSecondary,
    LiftVoltage(usize),
    LandVoltage {
        wire: usize,
        terminal: usize,
    },
    LeaveNeutral,
    LookAtReturn,
    LiftCt(usize, Lead),
    LandCt {
        from: usize,
        to: usize,
        lead: Lead,
    },
    /// This pump's own CT, found on the channels of the pump in this slot.
    LiftOwn {
        channel: usize,
        slot: usize,
        lead: Lead,
    },
    LandOwn {
        channel: usize,
        lead: Lead,
    },
    /// The other pump's CT, into the place where this pump's own was.
    LandForeign {
        channel: usize,
        slot: usize,
        lead: Lead,
    },
    ReverseLeads(usize),
    TurnBody(usize),
    TurnBodyIsForOthers(usize),
    OpenSplitCore(usize),
    CloseSplitCore(usize, Phase),
    FreeConductor(usize),
    ConductorThrough(usize, Phase),
    ConductorBack,
    BareBus,
    OpenCoil(usize),
    CloseCoil(usize, Phase),
    LeadsByMarks(usize),
    LinkLeftIn(usize),
    FindOpenPlace(usize),
    ReplaceIfBurnt(usize),
    TestCt(usize),
    CloseCircuit(usize),
    FindFault(usize),
    RepairLead(usize),
}

impl MoveStep {
    pub(super) fn key(self) -> &'static str {
        match self {
            MoveStep::VtSecondary => "never-short-vt-secondary",
            MoveStep::LiftVoltage(_) => "lift-voltage-wire",
            MoveStep::LandVoltage { .. } => "land-voltage-wire",
            MoveStep::LeaveNeutral => "leave-neutral-and-ground",
            MoveStep::LookAtReturn => "look-at-ct-return",
            MoveStep::LiftCt(..) | MoveStep::LiftOwn { .. } => "lift-ct-lead",
            MoveStep::LandCt { .. } | MoveStep::LandOwn { .. } | MoveStep::LandForeign { .. } => "land-ct-lead",
            MoveStep::ReverseLeads(_) => "reverse-ct-leads",
            MoveStep::TurnBody(_) => "turn-ct",
            MoveStep::TurnBodyIsForOthers(_) => "turn-ct-is-for-others",
            MoveStep::OpenSplitCore(_) | MoveStep::OpenCoil(_) => "open-ct",
            MoveStep::CloseSplitCore(..) | MoveStep::CloseCoil(..) => "close-ct-around-conductor",
            MoveStep::FreeConductor(_) => "free-conductor",
            MoveStep::ConductorThrough(..) => "conductor-through-ct",
            MoveStep::ConductorBack => "conductor-back",
            MoveStep::BareBus => "bare-bus",
            MoveStep::LeadsByMarks(_) => "leads-by-marks",
            MoveStep::LinkLeftIn(_) => "link-left-in",
            MoveStep::FindOpenPlace(_) | MoveStep::FindFault(_) => "find-fault",
            MoveStep::ReplaceIfBurnt(_) => "replace-if-burnt",
            MoveStep::TestCt(_) => "test-ct",
            MoveStep::CloseCircuit(_) | MoveStep::RepairLead(_) => "repair-lead",
        }
    }

    pub(super) fn channels(self) -> Vec<usize> {
        match self {
            MoveStep::VtSecondary
            | MoveStep::LeaveNeutral
            | MoveStep::LookAtReturn
            | MoveStep::ConductorBack
            | MoveStep::BareBus => Vec::new(),
            MoveStep::LandVoltage { wire, terminal } => vec![wire, terminal],
            MoveStep::LandCt { from, to, .. } => vec![from, to],
            MoveStep::LiftVoltage(k)
            | MoveStep::LiftCt(k, _)
            | MoveStep::LiftOwn { channel: k, .. }
            | MoveStep::LandOwn { channel: k, .. }
            | MoveStep::LandForeign { channel: k, .. }
            | MoveStep::ReverseLeads(k)
            | MoveStep::TurnBody(k)
            | MoveStep::TurnBodyIsForOthers(k)
            | MoveStep::OpenSplitCore(k)
            | MoveStep::CloseSplitCore(k, _)
            | MoveStep::FreeConductor(k)
            | MoveStep::ConductorThrough(k, _)
            | MoveStep::OpenCoil(k)
            | MoveStep::CloseCoil(k, _)
            | MoveStep::LeadsByMarks(k)
            | MoveStep::LinkLeftIn(k)
            | MoveStep::FindOpenPlace(k)
            | MoveStep::ReplaceIfBurnt(k)
            | MoveStep::TestCt(k)
            | MoveStep::CloseCircuit(k)
            | MoveStep::FindFault(k)
            | MoveStep::RepairLead(k) => vec![k],
        }
    }
}

pub(super) fn steps(job: &Job) -> Vec<MoveStep> {
    let mut steps = voltage(job);
    for k in job.restored() {
        steps.extend(restored(k, job.current_output));
    }
    let leads_move =
        job.moved_channels().next().is_some() || job.brought_back().next().is_some() || job.reversed().next().is_some();
    if leads_move && job.return_may_be_common() {
        steps.push(MoveStep::LookAtReturn);
    }
    for (channel, slot) in job.brought_back() {
        for lead in [Lead::X1, Lead::X2] {
            steps.push(MoveStep::LiftCt(channel, lead));
            steps.push(MoveStep::LiftOwn { channel, slot, lead });
            steps.push(MoveStep::LandOwn { channel, lead });
            steps.push(MoveStep::LandForeign { channel, slot, lead });
        }
    }
    for relocation in job.relocations() {
        steps.extend(relocated(relocation, job.is_rogowski()));
    }
    let leads = || job.moved_channels().flat_map(|k| [(k, Lead::X1), (k, Lead::X2)]);
    steps.extend(leads().map(|(k, lead)| MoveStep::LiftCt(k, lead)));
    steps.extend(leads().map(|(k, lead)| MoveStep::LandCt { from: k, to: job.leads_to[k], lead }));
    for k in job.reversed() {
        let direct = job.access == Access::Direct;
        steps.push(MoveStep::ReverseLeads(k));
        steps.push(if direct { MoveStep::TurnBody(k) } else { MoveStep::TurnBodyIsForOthers(k) });
    }
    steps
}

fn voltage(job: &Job) -> Vec<MoveStep> {
    let terminals: Vec<usize> = job.voltage_terminals().collect();
    if terminals.is_empty() {
        return Vec::new();
    }
    let mut steps = Vec::new();
    if job.access != Access::Direct {
        steps.push(MoveStep::VtSecondary);
    }
    steps.extend(terminals.iter().map(|k| MoveStep::LiftVoltage(*k)));
    steps.extend(terminals.iter().map(|k| MoveStep::LandVoltage { wire: *k, terminal: job.voltage_to[*k] }));
    steps.push(MoveStep::LeaveNeutral);
    steps
}

fn restored(k: usize, current_output: bool) -> Vec<MoveStep> {
    if !current_output {
        return vec![MoveStep::FindFault(k), MoveStep::RepairLead(k)];
    }
    vec![
        MoveStep::LinkLeftIn(k),
        MoveStep::FindOpenPlace(k),
        MoveStep::ReplaceIfBurnt(k),
        MoveStep::TestCt(k),
        MoveStep::CloseCircuit(k),
    ]
}

fn relocated(relocation: Relocation, is_rogowski: bool) -> Vec<MoveStep> {
    let Relocation { channel, phase, reversed } = relocation;
    let mut steps = if is_rogowski {
        vec![MoveStep::OpenCoil(channel), MoveStep::CloseCoil(channel, phase)]
    } else {
        vec![
            MoveStep::OpenSplitCore(channel),
            MoveStep::CloseSplitCore(channel, phase),
            MoveStep::FreeConductor(channel),
            MoveStep::ConductorThrough(channel, phase),
            MoveStep::ConductorBack,
        ]
    };
    steps.push(MoveStep::BareBus);
    if reversed {
        steps.push(MoveStep::LeadsByMarks(channel));
    }
    steps
}

/// True of a move that a panel step of some kind carries out; held by a test for every move of every remedy.
#[cfg(test)]
pub(super) fn is_carried_out(step: Move, steps: &[MoveStep], job: &Job) -> bool {
    let is = |wanted: &dyn Fn(&MoveStep) -> bool| steps.iter().any(wanted);
    match step {
        Move::SwapVoltageLeads(..) => job.voltage_terminals().all(|k| {
            is(&|s| *s == MoveStep::LiftVoltage(k))
                && is(&|s| *s == MoveStep::LandVoltage { wire: k, terminal: job.voltage_to[k] })
        }),
        Move::SwapCtLeads(..) => job.moved_channels().all(|k| {
            [Lead::X1, Lead::X2].into_iter().all(|lead| {
                is(&|s| *s == MoveStep::LiftCt(k, lead))
                    && is(&|s| *s == MoveStep::LandCt { from: k, to: job.leads_to[k], lead })
            })
        }),
        Move::ReverseCtLeads(k) => {
            let by_marks = |s: &MoveStep| matches!(s, MoveStep::LeadsByMarks(from) if job.leads_to[*from] == k);
            is(&|s| *s == MoveStep::ReverseLeads(k)) || is(&by_marks)
        }
        Move::RestoreCurrent(k) | Move::Tighten(k) => {
            is(&|s| *s == MoveStep::CloseCircuit(k) || *s == MoveStep::RepairLead(k))
        }
        Move::Relocate(k, phase) => {
            is(&|s| *s == MoveStep::CloseSplitCore(k, phase) || *s == MoveStep::CloseCoil(k, phase))
        }
        Move::BringBack(k, slot) => {
            is(&|s| *s == MoveStep::LiftOwn { channel: k, slot, lead: Lead::X1 })
                && is(&|s| *s == MoveStep::LandOwn { channel: k, lead: Lead::X1 })
        }
        Move::CorrectMap(_) | Move::CorrectRatio(..) | Move::CorrectRatios(_) | Move::ConfirmRotation => true,
    }
}
