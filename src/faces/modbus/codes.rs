//! What a wiring and the voltage leads are in numbers. Pure. A number is never given another meaning.

use crate::audit::voltage_lead::VoltageState;
use crate::audit::wiring::{CurrentSeen, Registers};
use crate::reading::Phase;

/// Number of a phase: 1, 2, 3 for A, B, C.
pub fn phase_code(phase: Phase) -> u16 {
    phase.index() as u16 + 1
}

/// Number of what a CT sees, as [`CURRENT_CODES`] says.
pub fn current_code(seen: CurrentSeen) -> u16 {
    let turned = |base: u16, phase: Phase, reversed: bool| base + phase_code(phase) + if reversed { 10 } else { 0 };
    match seen {
        CurrentSeen::Conductor { phase, reversed } => turned(0, phase, reversed),
        CurrentSeen::AllBut { phase, reversed } => turned(20, phase, reversed),
        CurrentSeen::OtherCircuit { phase, reversed, .. } => turned(40, phase, reversed),
        CurrentSeen::Nothing => 60,
        CurrentSeen::Unused => 61,
    }
}

/// What the numbers of [`current_code`] mean.
pub const CURRENT_CODES: &str = "0 not settled; 1 2 3 on A B C; 11 12 13 the same reversed; 21 22 23 around the two others \
     than A B C; 31 32 33 the same reversed; 41 42 43 on A B C of another circuit; 51 52 53 the same reversed; 60 reads \
     zero; 61 no CT in this service";

/// Number of a state of the voltage leads, as [`VOLTAGE_CODES`] says.
pub fn voltage_code(state: VoltageState) -> u16 {
    match state {
        VoltageState::Sound => 0,
        VoltageState::LeadOff(_) => 1,
        VoltageState::FuseBlown(_) => 2,
        VoltageState::BackFed(_) => 3,
        VoltageState::PhaseLost(_) => 4,
        VoltageState::PrimaryLost(_) => 5,
        VoltageState::TransformerReversed(_) => 6,
        VoltageState::RatioWrong(..) => 7,
        VoltageState::RatioWrongOnAll(_) => 8,
        VoltageState::LeadOnNeutral(_) => 9,
        VoltageState::SamePhase(..) => 10,
        VoltageState::NeutralExchanged(_) => 11,
        VoltageState::NeutralOpen => 12,
        VoltageState::EarthFault => 13,
        VoltageState::HighLegOn(_) => 14,
        VoltageState::AllDead => 15,
    }
}

/// What the numbers of [`voltage_code`] mean.
pub const VOLTAGE_CODES: &str = "voltage leads and supply: 0 no one fault settled; 1 lead off; 2 fuse blown; 3 back-fed by motors; \
     4 phase lost; 5 phase lost before a transformer; 6 VT reversed; 7 ratio wrong; 8 ratio wrong on all; 9 lead on neutral; 10 \
     two leads on one phase; 11 lead and neutral swapped; 12 neutral open; 13 ground fault; 14 high leg elsewhere; 15 all dead";

/// Number of a meaning of the registers: 1 as declared, then in the order of [`Registers::ALL`].
pub fn registers_code(registers: Registers) -> u16 {
    registers.index() as u16 + 1
}
