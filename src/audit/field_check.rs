//! The checks a person can do at a station, and what each may show under every wiring.
//!
//! `offered` says which exist at an installation, `rank` which of them settles most for the least effort and risk, `words` how each
//! is done. Must never be shown without the cautions first.

mod offered;
mod rank;
mod shown;
#[cfg(test)]
mod tests;
mod words;

use crate::reading::Phase;

pub use rank::{Worth, chance, ct_possibly_open, rank, update};
pub use shown::{Chances, ERROR_RATE};

/// Something a person can do. Channels and terminals are 0-based.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FieldCheck {
    /// CT ratio, VT ratio and service set in the monitor beside drawing, nameplates and photos.
    Settings,
    /// Power and PF on the monitor's own display beside what its registers say.
    Display,
    /// Phase sequence that the monitor itself shows.
    Sequence,
    /// Amps of another instrument of the same phase (overload relay, starter, door ammeter) beside the channel's.
    PanelAmmeter(usize),
    /// Ohms from a voltage terminal of the monitor to each phase's tap.
    VoltageLeadTrace(usize),
    /// The same as far as the fuse or VT test block only: proves that wire and no more.
    VoltageBlockTrace(usize),
    /// A CT's leads from the monitor to the conductor its CT is on.
    CtLeadTrace(usize),
    /// The same as far as the block only.
    CtBlockTrace(usize),
    /// Resistance of a CT's loop.
    LoopResistance(usize),
    /// Mark of the CT against the source side, and its leads against the terminals, noted apart.
    Polarity(usize),
    /// A CT's leads against the terminals, from the monitor to the block only.
    CtLeadPolarity(usize),
    /// Volts from a voltage terminal of the monitor to all three phases at the breaker.
    VoltageIdentity(usize),
    /// Clamp meter on the conductor that the channel's CT should be on, beside what the channel shows at that moment.
    ClampCurrent(usize),
    /// Phase-rotation meter at the monitor's voltage terminals.
    Rotation,
}

/// What has to be opened for a check, least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Access {
    /// Nothing.
    NothingOpened,
    /// The panel, de-energized and locked out.
    DeEnergized,
    /// The panel, beside energized parts.
    Live,
}

/// What a check may show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Finding {
    /// Settings are as drawing, nameplates and photos say.
    SettingsAgree,
    /// They are not.
    SettingsDiffer,
    /// The display says what the registers say.
    DisplayAgrees,
    /// It says something else.
    DisplayDiffers,
    /// The voltage terminals rotate as configured.
    RotationExpected,
    /// They rotate in reverse.
    RotationReversed,
    /// The other instrument or the clamp meter and the channel show the same current, be it none.
    CurrentAgrees,
    /// One shows current, the other none.
    CurrentMissing,
    /// Both show current, but not the same.
    CurrentDiffers,
    /// The voltage lead is on this phase.
    LeadOnPhase(Phase),
    /// The voltage lead leads to no phase.
    LeadOpen,
    /// The volts fit no phase: lead open, fuse, or a back-fed phase.
    LeadUnclear,
    /// The wire is on this phase's position of the block.
    BlockPosition(Phase),
    /// The CT is on this phase.
    FromPhase(Phase),
    /// The CT is on another pump.
    FromOtherPump,
    /// The CT is closed around more than one conductor.
    FromSeveral,
    /// No CT is found at the end of the leads, or it is around no conductor.
    CtNotFound,
    /// The loop is closed: OK, or shorted.
    LoopClosed,
    /// The loop is open.
    LoopOpen,
    /// Closed, and unlike its neighbors by a factor of 2 or more.
    LoopUnlike,
    /// Body and leads as intended.
    PolarityRight,
    /// The CT's body is reversed, its leads are not.
    BodyReversed,
    /// The CT's leads are reversed, its body is not.
    LeadsReversed,
    /// Both: the two cancel.
    BothReversed,
}

use Finding as F;

impl FieldCheck {
    /// Every check there is at any installation.
    pub fn all() -> Vec<FieldCheck> {
        let mut all = vec![FieldCheck::Settings, FieldCheck::Display, FieldCheck::Sequence];
        for of_channel in [
            FieldCheck::PanelAmmeter,
            FieldCheck::VoltageLeadTrace,
            FieldCheck::VoltageBlockTrace,
            FieldCheck::CtLeadTrace,
            FieldCheck::CtBlockTrace,
            FieldCheck::LoopResistance,
            FieldCheck::Polarity,
            FieldCheck::CtLeadPolarity,
            FieldCheck::VoltageIdentity,
            FieldCheck::ClampCurrent,
        ] {
            all.extend((0..3).map(of_channel));
        }
        all.push(FieldCheck::Rotation);
        all
    }

    /// Stable word for files and JSON.
    pub fn key(self) -> &'static str {
        match self {
            FieldCheck::Settings => "settings",
            FieldCheck::Display => "display",
            FieldCheck::Sequence => "phase-sequence",
            FieldCheck::PanelAmmeter(_) => "panel-ammeter",
            FieldCheck::VoltageLeadTrace(_) => "voltage-lead-trace",
            FieldCheck::VoltageBlockTrace(_) => "voltage-block-trace",
            FieldCheck::CtLeadTrace(_) => "ct-lead-trace",
            FieldCheck::CtBlockTrace(_) => "ct-block-trace",
            FieldCheck::LoopResistance(_) => "loop-resistance",
            FieldCheck::Polarity(_) => "polarity",
            FieldCheck::CtLeadPolarity(_) => "ct-lead-polarity",
            FieldCheck::VoltageIdentity(_) => "voltage-identity",
            FieldCheck::ClampCurrent(_) => "clamp-current",
            FieldCheck::Rotation => "rotation",
        }
    }

    /// Channel or terminal it is about, from 0; `None` when it is about the whole monitor.
    pub fn channel(self) -> Option<usize> {
        Some(match self {
            FieldCheck::PanelAmmeter(k)
            | FieldCheck::VoltageLeadTrace(k)
            | FieldCheck::VoltageBlockTrace(k)
            | FieldCheck::CtLeadTrace(k)
            | FieldCheck::CtBlockTrace(k)
            | FieldCheck::LoopResistance(k)
            | FieldCheck::Polarity(k)
            | FieldCheck::CtLeadPolarity(k)
            | FieldCheck::VoltageIdentity(k)
            | FieldCheck::ClampCurrent(k) => k,
            FieldCheck::Settings | FieldCheck::Display | FieldCheck::Sequence | FieldCheck::Rotation => return None,
        })
    }

    /// True when it is about the voltage leads, which all circuits of a monitor share.
    pub fn is_of_voltage_leads(self) -> bool {
        matches!(
            self,
            FieldCheck::Sequence
                | FieldCheck::VoltageLeadTrace(_)
                | FieldCheck::VoltageBlockTrace(_)
                | FieldCheck::VoltageIdentity(_)
                | FieldCheck::Rotation
        )
    }

    /// What has to be opened for it.
    pub fn access(self) -> Access {
        match self {
            FieldCheck::Settings | FieldCheck::Display | FieldCheck::Sequence | FieldCheck::PanelAmmeter(_) => {
                Access::NothingOpened
            }
            FieldCheck::VoltageLeadTrace(_)
            | FieldCheck::VoltageBlockTrace(_)
            | FieldCheck::CtLeadTrace(_)
            | FieldCheck::CtBlockTrace(_)
            | FieldCheck::LoopResistance(_)
            | FieldCheck::Polarity(_)
            | FieldCheck::CtLeadPolarity(_) => Access::DeEnergized,
            FieldCheck::VoltageIdentity(_) | FieldCheck::ClampCurrent(_) | FieldCheck::Rotation => Access::Live,
        }
    }

    /// True when clips are fitted and taken off de-energized, and read live in between.
    pub fn needs_clips(self) -> bool {
        matches!(self, FieldCheck::VoltageIdentity(_) | FieldCheck::Rotation)
    }

    /// Everything the check may show.
    pub fn possible(self) -> &'static [Finding] {
        const SETTINGS: [Finding; 2] = [F::SettingsAgree, F::SettingsDiffer];
        const DISPLAY: [Finding; 2] = [F::DisplayAgrees, F::DisplayDiffers];
        const ROTATION: [Finding; 2] = [F::RotationExpected, F::RotationReversed];
        const CURRENT: [Finding; 3] = [F::CurrentAgrees, F::CurrentMissing, F::CurrentDiffers];
        const LEAD: [Finding; 4] =
            [F::LeadOnPhase(Phase::A), F::LeadOnPhase(Phase::B), F::LeadOnPhase(Phase::C), F::LeadOpen];
        const IDENTITY: [Finding; 4] =
            [F::LeadOnPhase(Phase::A), F::LeadOnPhase(Phase::B), F::LeadOnPhase(Phase::C), F::LeadUnclear];
        const BLOCK: [Finding; 4] =
            [F::BlockPosition(Phase::A), F::BlockPosition(Phase::B), F::BlockPosition(Phase::C), F::LeadOpen];
        const CT: [Finding; 6] = [
            F::FromPhase(Phase::A),
            F::FromPhase(Phase::B),
            F::FromPhase(Phase::C),
            F::FromOtherPump,
            F::FromSeveral,
            F::CtNotFound,
        ];
        const CT_BLOCK: [Finding; 5] = [
            F::BlockPosition(Phase::A),
            F::BlockPosition(Phase::B),
            F::BlockPosition(Phase::C),
            F::FromOtherPump,
            F::CtNotFound,
        ];
        const LOOP: [Finding; 3] = [F::LoopClosed, F::LoopOpen, F::LoopUnlike];
        const POLARITY: [Finding; 4] = [F::PolarityRight, F::BodyReversed, F::LeadsReversed, F::BothReversed];
        const LEAD_POLARITY: [Finding; 2] = [F::PolarityRight, F::LeadsReversed];
        match self {
            FieldCheck::Settings => &SETTINGS,
            FieldCheck::Display => &DISPLAY,
            FieldCheck::Sequence | FieldCheck::Rotation => &ROTATION,
            FieldCheck::PanelAmmeter(_) | FieldCheck::ClampCurrent(_) => &CURRENT,
            FieldCheck::VoltageLeadTrace(_) => &LEAD,
            FieldCheck::VoltageIdentity(_) => &IDENTITY,
            FieldCheck::VoltageBlockTrace(_) => &BLOCK,
            FieldCheck::CtLeadTrace(_) => &CT,
            FieldCheck::CtBlockTrace(_) => &CT_BLOCK,
            FieldCheck::LoopResistance(_) => &LOOP,
            FieldCheck::Polarity(_) => &POLARITY,
            FieldCheck::CtLeadPolarity(_) => &LEAD_POLARITY,
        }
    }
}
