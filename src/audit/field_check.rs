//! The checks a person can do at a station, and what each may show under every wiring.
//!
//! `offered` says which exist at an installation, `rank` which of them settles most for the least effort and risk, `words` how each
//! is done. Must never be shown without the cautions first.

mod offered;
mod rank;
mod words;

use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

pub use rank::{Worth, chance, ct_possibly_open, rank, update};

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

/// How often a careful person gets each kind of check wrong. Common practice, no source.
pub const ERROR_RATE: f64 = 0.02;
/// A mistake between the monitor and the block, among the mistakes that put a lead on another phase or reverse it. The rest is
/// beyond the block. Common practice, no source.
const MADE_BEFORE_BLOCK: f64 = 0.7;
/// A reversed CT has its leads reversed as often as its body; where power is right both are reversed this often.
const BOTH_REVERSED: f64 = 0.05;

use Finding as F;

/// What a check may show, each with its probability.
pub type Chances = Vec<(Finding, f64)>;

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

    /// What the check shows under a wiring when it is done without error, each with its probability. More than one where the wiring
    /// leaves open what is behind it: a CT that reads zero may be open or shorted.
    pub fn chances(self, wiring: &Wiring) -> Chances {
        let sure = |finding| vec![(finding, 1.0)];
        match self {
            FieldCheck::Settings => settings(wiring),
            FieldCheck::Display if wiring.registers == Registers::AsDeclared => sure(F::DisplayAgrees),
            FieldCheck::Display => sure(F::DisplayDiffers),
            // What the terminals show, whether leads or the supply are behind it.
            FieldCheck::Sequence | FieldCheck::Rotation => {
                let reversed = is_odd(wiring.voltage) != wiring.supply_rotates_back;
                sure(if reversed { F::RotationReversed } else { F::RotationExpected })
            }
            FieldCheck::PanelAmmeter(k) | FieldCheck::ClampCurrent(k) => sure(compared_current(wiring, k)),
            FieldCheck::VoltageLeadTrace(k) | FieldCheck::VoltageIdentity(k) => sure(F::LeadOnPhase(wiring.voltage[k])),
            FieldCheck::VoltageBlockTrace(k) => before_block(F::BlockPosition(wiring.voltage[k]), k),
            FieldCheck::CtLeadTrace(k) => match wiring.current[k] {
                CurrentSeen::Conductor { phase, .. } => sure(F::FromPhase(phase)),
                CurrentSeen::AllBut { .. } => sure(F::FromSeveral),
                CurrentSeen::OtherCircuit { .. } => sure(F::FromOtherPump),
                // Leads of a CT that reads zero come from somewhere: the phase no other channel sees, else from no conductor.
                CurrentSeen::Nothing | CurrentSeen::Unused => {
                    vec![(F::FromPhase(unseen_phase(wiring, k)), 0.8), (F::CtNotFound, 0.2)]
                }
            },
            FieldCheck::CtBlockTrace(k) => match wiring.current[k] {
                CurrentSeen::Conductor { phase, .. } => before_block(F::BlockPosition(phase), k),
                CurrentSeen::OtherCircuit { .. } => before_block(F::FromOtherPump, k),
                CurrentSeen::AllBut { .. } => sure(F::BlockPosition(Phase::ALL[k])),
                CurrentSeen::Nothing | CurrentSeen::Unused => {
                    vec![(F::BlockPosition(unseen_phase(wiring, k)), 0.9), (F::CtNotFound, 0.1)]
                }
            },
            FieldCheck::LoopResistance(k) => match (wiring.current[k], wiring.gain[k]) {
                // Open, or shorted, or a CT around no conductor.
                (CurrentSeen::Nothing, _) => vec![(F::LoopOpen, 0.6), (F::LoopClosed, 0.38), (F::LoopUnlike, 0.02)],
                (_, Gain::Unsteady) => vec![(F::LoopUnlike, 0.4), (F::LoopOpen, 0.3), (F::LoopClosed, 0.3)],
                _ => sure(F::LoopClosed),
            },
            FieldCheck::Polarity(k) if is_reversed(wiring, k) => vec![(F::LeadsReversed, 0.5), (F::BodyReversed, 0.5)],
            FieldCheck::Polarity(_) => {
                vec![(F::PolarityRight, 1.0 - BOTH_REVERSED), (F::BothReversed, BOTH_REVERSED)]
            }
            FieldCheck::CtLeadPolarity(k) if is_reversed(wiring, k) => {
                vec![(F::LeadsReversed, 0.5), (F::PolarityRight, 0.5)]
            }
            FieldCheck::CtLeadPolarity(_) => sure(F::PolarityRight),
        }
    }

    /// What the check most probably shows under a wiring, when done without error.
    pub fn shows(self, wiring: &Wiring) -> Finding {
        let most = self.chances(wiring).into_iter().reduce(|a, b| if b.1 > a.1 { b } else { a });
        most.map_or(self.possible()[0], |(finding, _)| finding)
    }

    /// Probability of `finding` under `wiring`, errors counted.
    pub fn likelihood(self, finding: Finding, wiring: &Wiring) -> f64 {
        self.likelihood_with(finding, wiring, ERROR_RATE)
    }

    /// As [`FieldCheck::likelihood`], for a person who gets this check wrong at `error_rate`.
    pub fn likelihood_with(self, finding: Finding, wiring: &Wiring, error_rate: f64) -> f64 {
        let chances = self.chances(wiring);
        let shown = |f: Finding| chances.iter().find(|(shown, _)| *shown == f).map(|(_, chance)| *chance);
        let by_error: f64 = self.possible().iter().filter(|f| shown(**f).is_none()).map(|f| error_weight(*f)).sum();
        if by_error <= 0.0 {
            return shown(finding).unwrap_or(0.0);
        }
        match shown(finding) {
            Some(chance) => (1.0 - error_rate) * chance,
            None => error_rate * error_weight(finding) / by_error,
        }
    }
}

/// How much more often than another a finding is the result of an error: one phase is mistaken for another far more easily than for
/// another pump, for two conductors, or for none.
fn error_weight(finding: Finding) -> f64 {
    match finding {
        F::FromOtherPump | F::FromSeveral | F::CtNotFound | F::LeadOpen | F::LeadUnclear => 0.1,
        _ => 1.0,
    }
}

/// A ratio that is wrong on all channels is a setting more often than not; on one channel it is a CT or a conductor as well.
fn settings(wiring: &Wiring) -> Chances {
    let used = || (0..3).filter(|k| wiring.current[*k] != CurrentSeen::Unused);
    let wrong = |k: usize| matches!(wiring.gain[k], Gain::Times(..));
    match (used().any(wrong), used().all(wrong)) {
        (_, true) => vec![(F::SettingsDiffer, 0.9), (F::SettingsAgree, 0.1)],
        (true, false) => vec![(F::SettingsDiffer, 0.4), (F::SettingsAgree, 0.6)],
        (false, false) => vec![(F::SettingsAgree, 1.0)],
    }
}

fn compared_current(wiring: &Wiring, k: usize) -> Finding {
    let conductor = wiring.lost_phase != Some(Phase::ALL[k]);
    let channel = match wiring.current[k] {
        CurrentSeen::Nothing | CurrentSeen::Unused => false,
        seen => seen.shows().is_none_or(|(phase, _)| wiring.lost_phase != Some(phase)),
    };
    let other_pump = matches!(wiring.current[k], CurrentSeen::OtherCircuit { .. });
    if conductor != channel {
        F::CurrentMissing
    } else if wiring.gain[k] == Gain::AsRated && !other_pump {
        F::CurrentAgrees
    } else {
        F::CurrentDiffers
    }
}

/// A lead that is not on its own phase shows so at the block only when the mistake was made before it.
fn before_block(finding: Finding, k: usize) -> Chances {
    let own = F::BlockPosition(Phase::ALL[k]);
    if finding == own {
        vec![(own, 1.0)]
    } else {
        vec![(finding, MADE_BEFORE_BLOCK), (own, 1.0 - MADE_BEFORE_BLOCK)]
    }
}

fn unseen_phase(wiring: &Wiring, k: usize) -> Phase {
    let own = Phase::ALL[k];
    let unseen = |p: &Phase| wiring.channel_of(*p).is_none();
    std::iter::once(own).chain(Phase::ALL).find(unseen).unwrap_or(own)
}

fn is_reversed(wiring: &Wiring, k: usize) -> bool {
    matches!(
        wiring.current[k],
        CurrentSeen::Conductor { reversed: true, .. }
            | CurrentSeen::AllBut { reversed: true, .. }
            | CurrentSeen::OtherCircuit { reversed: true, .. }
    )
}

/// True of an order of the leads that reverses the rotation at the terminals: one swap of two.
fn is_odd(order: [Phase; 3]) -> bool {
    let i = order.map(Phase::index);
    let inversions = usize::from(i[0] > i[1]) + usize::from(i[0] > i[2]) + usize::from(i[1] > i[2]);
    inversions % 2 == 1
}

#[cfg(test)]
mod tests;
