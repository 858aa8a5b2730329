//! A wiring lead by lead, for a person at the panel: what each lead sees, and whether that is right.
//!
//! Whoever prints a lead prints the cautions first. Must never be printed of a wiring that is not settled.

use crate::audit::context::ServiceKind;
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::audit::words;
use crate::reading::Phase;

/// One lead of a wiring.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lead {
    /// It is not as it should be.
    pub wrong: bool,
    /// What it sees, in words.
    pub words: String,
}

/// What each lead that the service has sees under a wiring, one after the other.
pub(super) fn lead_by_lead(wiring: &Wiring, service: ServiceKind) -> Vec<Lead> {
    let mut leads = Vec::with_capacity(7);
    let mut add = |wrong: bool, words: String| leads.push(Lead { wrong, words });
    for (k, (seen, meant)) in wiring.voltage.iter().zip(Phase::ALL).enumerate().take(service.voltage_channels()) {
        let words = if *seen == meant {
            format!("voltage lead {}: on phase {}, as it should be", k + 1, meant.label())
        } else {
            format!("voltage lead {}: WRONG, on phase {}, should be on {}", k + 1, seen.label(), meant.label())
        };
        add(*seen != meant, words);
    }
    for (k, (seen, meant)) in wiring.current.iter().zip(Phase::ALL).enumerate() {
        let lead = match *seen {
            CurrentSeen::Nothing => "WRONG, reads zero: open, shorted, a lead off, or on another pump".to_owned(),
            CurrentSeen::Conductor { phase, reversed: false } if phase == meant => {
                format!("sees phase {}, as it should", meant.label())
            }
            CurrentSeen::Unused => continue,
            CurrentSeen::AllBut { .. } => {
                format!("WRONG, around two conductors ({})", words::current_label(*seen))
            }
            CurrentSeen::OtherCircuit { slot, .. } => {
                format!("WRONG, on another pump (slot {} of this monitor)", slot + 1)
            }
            CurrentSeen::Conductor { phase, reversed } => {
                let mut wrong = Vec::new();
                if phase != meant {
                    wrong.push(format!("sees phase {}, should see {}", phase.label(), meant.label()));
                }
                if reversed {
                    wrong.push("reversed polarity".to_owned());
                }
                format!("WRONG, {}", wrong.join(", and "))
            }
        };
        let ratio = match wiring.gain[k] {
            Gain::AsRated => String::new(),
            gain => format!("; reads {} of its current", words::gain_words(gain)),
        };
        let right =
            *seen == CurrentSeen::Conductor { phase: meant, reversed: false } && wiring.gain[k] == Gain::AsRated;
        add(!right, format!("CT {}: {lead}{ratio}", k + 1));
    }
    if wiring.registers != Registers::AsDeclared {
        add(true, format!("meter map: {}", words::registers_words(wiring.registers)));
    }
    if wiring.supply_rotates_back {
        add(true, "supply: phase rotation is reversed from the configuration".to_owned());
    }
    if let Some(lost) = wiring.lost_phase {
        add(true, format!("supply to the pump: phase {} carries no current (not a metering fault)", lost.label()));
    }
    leads
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_lead_is_named() {
        let sees = |phase, reversed| CurrentSeen::Conductor { phase, reversed };
        let wiring = Wiring {
            voltage: [Phase::A, Phase::C, Phase::B],
            current: [sees(Phase::A, true), CurrentSeen::Nothing, sees(Phase::B, true)],
            lost_phase: Some(Phase::C),
            ..Wiring::INTENDED
        };
        let leads = lead_by_lead(&wiring, ServiceKind::Wye4);
        assert_eq!(
            leads.iter().map(|lead| lead.wrong).collect::<Vec<_>>(),
            [false, true, true, true, true, true, true]
        );
        assert_eq!(
            leads.iter().map(|lead| lead.words.as_str()).collect::<Vec<_>>(),
            [
                "voltage lead 1: on phase A, as it should be",
                "voltage lead 2: WRONG, on phase C, should be on B",
                "voltage lead 3: WRONG, on phase B, should be on C",
                "CT 1: WRONG, reversed polarity",
                "CT 2: WRONG, reads zero: open, shorted, a lead off, or on another pump",
                "CT 3: WRONG, sees phase B, should see C, and reversed polarity",
                "supply to the pump: phase C carries no current (not a metering fault)",
            ]
        );
    }
}
