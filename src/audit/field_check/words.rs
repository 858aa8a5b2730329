//! How each check is done at an installation, what misleads there, and what a person would say was found: short sentences for an
//! electrician. Must never tell of a step on the primary that is not a technician's, nor state as a fact that anything is dead.

use super::{Access, FieldCheck, Finding};
use crate::audit::context::ServiceKind;
use crate::audit::installation::{CtSecondary, Installation};
use crate::reading::Phase;

/// Opens every check for which the panel is opened without voltage.
const DEAD: &str = "De-energize and lock out";

impl Access {
    /// Heading of the checks of this kind.
    pub fn title(self) -> &'static str {
        match self {
            Access::NothingOpened => "With nothing opened",
            Access::DeEnergized => "In one outage, de-energized and locked out",
            Access::Live => "LIVE, last",
        }
    }

    /// Stable word for JSON.
    pub fn key(self) -> &'static str {
        match self {
            Access::NothingOpened => "nothing-opened",
            Access::DeEnergized => "de-energized",
            Access::Live => "live",
        }
    }
}

impl FieldCheck {
    /// A short name, channels numbered from 1.
    pub fn title(self) -> String {
        let number = self.channel().map_or(0, |k| k + 1);
        match self {
            FieldCheck::Settings => "Settings of the monitor".to_owned(),
            FieldCheck::Display => "Values on the monitor's display".to_owned(),
            FieldCheck::Sequence => "Phase sequence on the monitor's display".to_owned(),
            FieldCheck::PanelAmmeter(_) => format!("Another ammeter beside channel {number}"),
            FieldCheck::VoltageLeadTrace(_) => format!("Trace of voltage lead {number}"),
            FieldCheck::VoltageBlockTrace(_) => format!("Trace of voltage lead {number} to the block"),
            FieldCheck::CtLeadTrace(_) => format!("Trace of the CT {number} leads"),
            FieldCheck::CtBlockTrace(_) => format!("Trace of the CT {number} leads to the block"),
            FieldCheck::LoopResistance(_) => format!("Loop resistance of CT {number}"),
            FieldCheck::Polarity(_) => format!("Polarity of CT {number}"),
            FieldCheck::CtLeadPolarity(_) => format!("Polarity of the CT {number} leads to the block"),
            FieldCheck::VoltageIdentity(_) => format!("Volts from voltage terminal {number} to the phases"),
            FieldCheck::ClampCurrent(_) => format!("Clamp meter beside channel {number}"),
            FieldCheck::Rotation => "Rotation at the monitor's voltage terminals".to_owned(),
        }
    }

    /// What to write in the box of the sheet.
    pub fn box_words(self, installation: &Installation) -> &'static str {
        match self {
            FieldCheck::Settings => "agree / differ",
            FieldCheck::Display => "kW, kvar, PF with signs",
            FieldCheck::Sequence | FieldCheck::Rotation => "ABC / ACB",
            FieldCheck::PanelAmmeter(_) => "ammeter A / monitor A",
            FieldCheck::ClampCurrent(_) => "clamp A / monitor A",
            FieldCheck::VoltageIdentity(_) if installation.service.phases().len() == 2 => "volts to A, B",
            FieldCheck::VoltageIdentity(_) => "volts to A, B, C",
            FieldCheck::LoopResistance(_) => "ohms",
            FieldCheck::Polarity(_) => "body, leads: right / reversed",
            FieldCheck::CtLeadPolarity(_) => "leads: right / reversed",
            FieldCheck::VoltageLeadTrace(_)
            | FieldCheck::VoltageBlockTrace(_)
            | FieldCheck::CtLeadTrace(_)
            | FieldCheck::CtBlockTrace(_) => "phase",
        }
    }

    /// What to do, in plain words, channels numbered from 1.
    pub fn words(self, installation: &Installation) -> String {
        let number = self.channel().map_or(0, |k| k + 1);
        let phase = self.channel().map_or("", |k| Phase::from_index(k).label());
        let transformers = installation.has_voltage_transformers();
        let short_first = installation.ct_secondary.may_be_current();
        match self {
            FieldCheck::Settings => format!(
                "Nothing opened: compare the CT ratio{} and the service set in the monitor with the drawing, the nameplates on it, \
                 and photos from commissioning. Change no setting. Misleading: two places that scale the same ratio.",
                if transformers { ", the VT ratio" } else { "" }
            ),
            FieldCheck::Display => "Nothing opened, only if the display is on a closed door: with the pump running read kW, kvar and \
                                    PF with their signs, and compare with the values here of the same 10 seconds (2 %, or 1 digit). \
                                    Change no setting. Misleading: W for kW, averages."
                .to_owned(),
            FieldCheck::Sequence => "Nothing opened: read on the monitor's own display which phase sequence it shows, ABC or ACB. \
                                     Misleading: the motor turning right proves nothing."
                .to_owned(),
            FieldCheck::PanelAmmeter(_) => format!(
                "Nothing opened, only if an overload relay, a starter or a door ammeter shows amps: read phase {phase} there and \
                 channel {number} here at the same moment, with the pump running."
            ),
            FieldCheck::VoltageLeadTrace(_) => format!(
                "{DEAD}, voltage fuses pulled: measure ohms from the monitor's voltage terminal {number} to each phase's tap, and read \
                 the wire numbers at both ends. Below 1 ohm to one phase, above 1 kohm to the others. Misleading: motor and \
                 transformer windings join phases, so open their fuses."
            ),
            FieldCheck::VoltageBlockTrace(_) if transformers => format!(
                "{DEAD}, VT secondary fuses out (tell operations first): follow the wire from the monitor's voltage terminal {number} \
                 to the VT test block by its number. This proves only the wire: which primary phase the block is on is for the \
                 high-voltage crew."
            ),
            FieldCheck::VoltageBlockTrace(_) => format!(
                "{DEAD}, voltage fuses pulled: follow the wire from the monitor's voltage terminal {number} to its fuse or test block \
                 by its number, and no further: it is not declared whether voltage transformers are there. This proves only the wire."
            ),
            FieldCheck::CtLeadTrace(_) => format!(
                "{DEAD}: follow X1 and X2 of channel {number} from the monitor {}to the CT by their numbers, and note which phase's \
                 conductor it is around.{} Misleading: lead colors, bundles, leads that cross at the block.",
                if short_first { "over the shorting block " } else { "" },
                if short_first { " Short the CT at the block before a lead is lifted." } else { "" }
            ),
            FieldCheck::CtBlockTrace(_) => format!(
                "{DEAD}: follow X1 and X2 of channel {number} from the monitor to the {} by their numbers, and no further. Lift no \
                 lead. This proves only the wires; what the CT is around is {}.",
                if short_first { "shorting block" } else { "terminal block" },
                primary_work(installation)
            ),
            FieldCheck::LoopResistance(_) => loop_words(number, installation.ct_secondary),
            FieldCheck::Polarity(_) => format!(
                "{DEAD}: see whether the CT of channel {number} has its mark (H1, P1, dot; an arrow as its own label says) on the \
                 source side, and whether its lead X1 is on the monitor's X1 terminal. Note body and leads apart. Misleading: two \
                 reversals cancel; a bottom-fed panel has its source side below."
            ),
            FieldCheck::CtLeadPolarity(_) => format!(
                "{DEAD}: see by the wire numbers whether X1 of channel {number} is on X1 at the monitor and at the {}. Lift no lead. \
                 This proves only the wires; the mark on the CT is {}.",
                if short_first { "shorting block" } else { "terminal block" },
                primary_work(installation)
            ),
            FieldCheck::VoltageIdentity(_) => format!(
                "LIVE, motors stopped: fit the tester's clips while de-energized, close the door as far as it goes, energize, read, \
                 de-energize; so from the monitor's voltage terminal {number} to each of phases {} at the same breaker, tester proved \
                 before and after. Below 5 V to one and line voltage to {}: that phase. Anything else: lead open, fuse, or a \
                 back-fed phase.",
                if installation.service == ServiceKind::SplitPhase { "A and B" } else { "A, B and C" },
                if installation.service == ServiceKind::SplitPhase { "the other" } else { "the two others" }
            ),
            FieldCheck::ClampCurrent(_) => format!(
                "LIVE, pump running, only where the insulated conductor is reached without passing bare parts: clamp meter around the \
                 phase {phase} conductor alone, jaws shut, centered; note the mean of 10 seconds and of channel {number} meanwhile. \
                 Misleading: the output of a drive, one of several parallel conductors."
            ),
            FieldCheck::Rotation => "LIVE, motors stopped: fit the three clips of a phase-rotation meter to the monitor's voltage \
                                     terminals while de-energized, close the door as far as it goes, energize, read ABC or ACB, \
                                     de-energize. Misleading: a missing phase; the motor turning right proves nothing."
                .to_owned(),
        }
    }
}

/// Whose work it is to look at the primary.
fn primary_work(installation: &Installation) -> &'static str {
    if installation.has_voltage_transformers() {
        "for the high-voltage crew"
    } else {
        "left out until the configuration says how the monitor gets its voltage"
    }
}

fn loop_words(number: usize, secondary: CtSecondary) -> String {
    let expected = match secondary {
        CtSecondary::Current { rated_ma } if rated_ma > 2000 => "0.1 to 1 ohm",
        CtSecondary::Current { .. } => "0.5 to 10 ohm",
        CtSecondary::Unknown => "0.1 to 1 ohm (5 A), up to 10 ohm (1 A)",
        CtSecondary::Voltage { .. } => "1 to 300 ohm",
        CtSecondary::Rogowski => "50 to 1,000 ohm",
    };
    if secondary.may_be_current() {
        format!(
            "{DEAD}: short the CT of channel {number} at its shorting block, lift both leads at the monitor, remove the short, measure \
             the ohms of the leads with a low-ohm meter (test leads nulled), restore the short, land both leads, remove the short. All \
             channels alike. {expected}: closed, which is OK or shorted; with zero amps while the pump runs it is shorted, or around \
             no conductor. Above 100 ohm: open. Misleading: the monitor's burden in parallel, a link left in."
        )
    } else {
        format!(
            "{DEAD}: lift both leads of channel {number} at the monitor, measure their ohms, land them. All channels alike. \
             {expected}: closed. Overrange: open. Unlike its neighbors by a factor of 2: look."
        )
    }
}

impl Finding {
    /// What a person would say was found.
    pub fn words(self) -> String {
        match self {
            Finding::SettingsAgree => "settings agree".to_owned(),
            Finding::SettingsDiffer => "a setting differs".to_owned(),
            Finding::DisplayAgrees => "display and registers agree".to_owned(),
            Finding::DisplayDiffers => "the display says something else".to_owned(),
            Finding::RotationExpected => "rotation as configured".to_owned(),
            Finding::RotationReversed => "rotation reversed".to_owned(),
            Finding::CurrentAgrees => "both show the same amps".to_owned(),
            Finding::CurrentMissing => "one shows amps, the other none".to_owned(),
            Finding::CurrentDiffers => "both show amps, but not the same".to_owned(),
            Finding::LeadOnPhase(phase) => format!("the lead is on phase {}", phase.label()),
            Finding::LeadOpen => "the lead leads to no phase: open, or fuse".to_owned(),
            Finding::LeadUnclear => "no phase fits: lead open, fuse, or a back-fed phase".to_owned(),
            Finding::BlockPosition(phase) => format!("on the phase {} position of the block", phase.label()),
            Finding::FromPhase(phase) => format!("its CT is on phase {}", phase.label()),
            Finding::FromOtherPump => "its CT is on another pump".to_owned(),
            Finding::FromSeveral => "its CT is closed around two conductors".to_owned(),
            Finding::CtNotFound => "no CT found, or it is around no conductor".to_owned(),
            Finding::LoopClosed => "loop closed: OK or shorted".to_owned(),
            Finding::LoopOpen => "loop open".to_owned(),
            Finding::LoopUnlike => "loop closed, unlike its neighbors".to_owned(),
            Finding::PolarityRight => "polarity right".to_owned(),
            Finding::BodyReversed => "CT body reversed, leads right".to_owned(),
            Finding::LeadsReversed => "leads reversed, CT body right".to_owned(),
            Finding::BothReversed => "body and leads both reversed: they cancel".to_owned(),
        }
    }
}
