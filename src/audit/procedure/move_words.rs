//! The moves in words. Must never be called but by [`super::Procedure::lines`], which gives the steps around them as well.

use super::job::{Access, Job};
use super::moves::{Lead, MoveStep};
use super::words::{conductor, pump_in, refusal};

impl MoveStep {
    pub(super) fn words(self, job: &Job) -> String {
        let pump = &job.place.pump;
        let other = |slot| pump_in(slot, &job.place);
        match self {
            MoveStep::VtSecondary => {
                "VT secondary: never short it. Work only on the monitor's side of its fuses and its ground.".to_owned()
            }
            MoveStep::LiftVoltage(k) => format!(
                "Lift the wire labeled V{0} from voltage terminal {0} of the monitor, on the monitor's side of fuses and ground.",
                k + 1
            ),
            MoveStep::LandVoltage { wire, terminal } => {
                let fuse = if job.access == Access::Direct { ", an in-line fuse with it" } else { "" };
                format!("Land the wire labeled V{} on voltage terminal {}{fuse}.", wire + 1, terminal + 1)
            }
            MoveStep::LeaveNeutral if job.place.installation.service.has_neutral() => {
                "Leave the neutral and the ground wires where they are.".to_owned()
            }
            MoveStep::LeaveNeutral => "Leave the ground wires where they are.".to_owned(),
            MoveStep::LookAtReturn => {
                "Look how the CT leads return: each CT with its own pair of wires, or a common return (one \
                                       wire for the X2 of several). Tick which: own pairs [ ] or common return [ ]."
                    .to_owned()
            }
            MoveStep::LiftCt(k, lead) => {
                format!("{}Lift {} of channel {} at the monitor.", own_pairs(lead, job), lead.name(), k + 1)
            }
            MoveStep::LandCt { from, to, lead } => format!(
                "{}Land the lead labeled CT {} {name} on channel {}, {name}.",
                own_pairs(lead, job),
                from + 1,
                to + 1,
                name = lead.name()
            ),
            MoveStep::LiftOwn { channel, slot, lead } => format!(
                "{}On the channels of {}: find by wire number {pump}'s own CT {}, and lift its {}.",
                own_pairs(lead, job),
                other(slot),
                channel + 1,
                lead.name()
            ),
            MoveStep::LandOwn { channel, lead } => {
                format!(
                    "{}Land that {name} on channel {} of {pump}, {name}.",
                    own_pairs(lead, job),
                    channel + 1,
                    name = lead.name()
                )
            }
            MoveStep::LandForeign { channel, slot, lead } => format!(
                "{}Land the lead labeled CT {} {name} of {pump} in its place on {}, {name}.",
                own_pairs(lead, job),
                channel + 1,
                other(slot),
                name = lead.name()
            ),
            MoveStep::ReverseLeads(k) => format!(
                "{}Swap X1 and X2 of the CT on channel {}, on the CT side of the ground point.",
                own_pairs(Lead::X2, job),
                k + 1
            ),
            MoveStep::TurnBody(k) => format!(
                "INSTEAD, where {}the ground point is in the way, or the body is visibly turned: turn the CT of channel {} on its \
                 conductor, marked side to the source by its own label, and leave the leads. Never both.",
                common_return(job),
                k + 1
            ),
            MoveStep::TurnBodyIsForOthers(k) => format!(
                "Where {}the ground point is in the way, or the body of the CT of channel {} is turned: stop, put back, enter it. {}",
                common_return(job),
                k + 1,
                refusal(job)
            ),
            MoveStep::OpenSplitCore(k) => format!("Split core: unlatch CT {} and wipe its faces clean.", k + 1),
            MoveStep::CloseSplitCore(k, phase) => format!(
                "Split core: close CT {} around all conductors of {}, and no other, no ground wire, no shield; marked side to the \
                 source by its own label; the latch clicks.",
                k + 1,
                conductor(phase)
            ),
            MoveStep::FreeConductor(k) => format!(
                "Solid core: mark the power conductor in CT {} and its terminal, note the order of the motor leads, take it out.",
                k + 1
            ),
            MoveStep::ConductorThrough(k, phase) => format!(
                "Solid core: put all conductors of {} through CT {}, marked side to the source by its own label.",
                conductor(phase),
                k + 1
            ),
            MoveStep::ConductorBack => {
                "Solid core: put each power conductor back on the SAME terminal; tighten it to the marked torque."
                    .to_owned()
            }
            MoveStep::BareBus => "Bare bus: only with insulation that is rated for it; else stop.".to_owned(),
            MoveStep::OpenCoil(k) => format!("Open the joint of coil {}.", k + 1),
            MoveStep::CloseCoil(k, phase) => format!(
                "Close coil {} around all conductors of {}, and no other, centered, joint closed, arrow by its own label.",
                k + 1,
                conductor(phase)
            ),
            MoveStep::LeadsByMarks(k) => format!(
                "CT {} now has its marked side to the source: see that its X1 is on X1 and its X2 on X2 (land them so if not), and \
                 reverse nothing else.",
                k + 1
            ),
            MoveStep::LinkLeftIn(k) => format!(
                "A link found left in at the block of CT {}, besides yours: do not remove it yet. First lift one lead at the block, \
                 measure ohms toward the monitor and toward the CT (both closed), land it; then remove the link.",
                k + 1
            ),
            MoveStep::FindOpenPlace(k) => format!(
                "Look at every lead, crimp, screw, block and splice of CT {}, and at the monitor's input, for the open place.",
                k + 1
            ),
            MoveStep::ReplaceIfBurnt(k) => format!("CT {}: burnt or chalked insulation: replace the CT.", k + 1),
            MoveStep::TestCt(k) => {
                format!("CT {}: test its insulation and its ratio, and demagnetize it; else replace it.", k + 1)
            }
            MoveStep::CloseCircuit(k) => {
                format!("Close the open place of CT {}: repair or replace the lead, land it, tighten it.", k + 1)
            }
            MoveStep::FindFault(k) if job.is_rogowski() => format!(
                "Look at the joint of coil {0}, every lead and splice of it, its integrator's supply, and the monitor's input.",
                k + 1
            ),
            MoveStep::FindFault(k) => format!(
                "Look at every lead, screw and splice of CT {}, and at the monitor's input, for an open lead or leads that touch.",
                k + 1
            ),
            MoveStep::RepairLead(k) => {
                format!("Repair or replace what was found on CT {}; land its leads by their marks.", k + 1)
            }
        }
    }
}

impl Lead {
    fn name(self) -> &'static str {
        match self {
            Lead::X1 => "X1",
            Lead::X2 => "X2",
        }
    }
}

fn own_pairs(lead: Lead, job: &Job) -> &'static str {
    if lead == Lead::X2 && job.return_may_be_common() { "Own pairs only: " } else { "" }
}

fn common_return(job: &Job) -> &'static str {
    if job.return_may_be_common() { "the return is common, " } else { "" }
}
