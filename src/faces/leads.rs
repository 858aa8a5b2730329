//! Wirings lead by lead, for a person at the panel: which are worth naming, and what each lead of one sees.
//!
//! Whoever prints a lead prints the cautions first. Must never weigh one wiring against another.

use crate::audit::assessment::WiringGroup;
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::audit::words;
use crate::reading::Phase;

/// Wirings less probable than this are left out of a text for people; the JSON has them all.
pub const WORTH_PRINTING: f64 = 0.01;

/// Wirings worth a person's time, most probable first.
pub(super) fn printed_members(groups: &[WiringGroup]) -> Vec<(f64, Wiring)> {
    let mut members: Vec<(f64, Wiring)> =
        groups.iter().flat_map(|g| &g.members).map(|m| (m.probability, m.wiring)).collect();
    members.retain(|(probability, _)| *probability >= WORTH_PRINTING);
    // The first member of the leading group leads, as in the headline, whatever a later group's members carry.
    if let Some(leader) = groups.first().and_then(|g| g.members.first()) {
        members.retain(|(_, wiring)| *wiring != leader.wiring);
        members.sort_by(|a, b| b.0.total_cmp(&a.0));
        members.insert(0, (leader.probability, leader.wiring));
    }
    members
}

/// What each lead of a wiring sees, a line each.
pub(super) fn lead_by_lead(wiring: &Wiring) -> Vec<String> {
    let mut leads = Vec::with_capacity(7);
    for (k, (seen, meant)) in wiring.voltage.iter().zip(Phase::ALL).enumerate() {
        leads.push(if *seen == meant {
            format!("voltage lead {}: on phase {}, as it should be", k + 1, meant.label())
        } else {
            format!("voltage lead {}: WRONG, on phase {}, should be on {}", k + 1, seen.label(), meant.label())
        });
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
        leads.push(format!("CT {}: {lead}{ratio}", k + 1));
    }
    if wiring.registers != Registers::AsDeclared {
        leads.push(format!("meter map: {}", words::registers_words(wiring.registers)));
    }
    if wiring.supply_rotates_back {
        leads.push("supply: phase rotation is reversed from the configuration".to_owned());
    }
    if let Some(lost) = wiring.lost_phase {
        leads.push(format!("supply to the pump: phase {} carries no current (not a metering fault)", lost.label()));
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
        assert_eq!(
            lead_by_lead(&wiring),
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
