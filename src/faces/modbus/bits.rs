//! The bits a circuit is told by: checks, alarms, and the parts of a diagnosis.
//!
//! Pure. A bit is never given another meaning; new ones are added at the end.

use super::circuit_view::CircuitView;
use crate::audit::assessment::{Check, Outcome, RunState, Verdict};
use crate::audit::bars;
use crate::audit::blame::hard_findings;
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

/// Checks by the number of their bit.
pub const CHECK_BITS: [Check; Check::COUNT] = [
    Check::ActivePowerSign,
    Check::TotalPowerSign,
    Check::VoltageRotation,
    Check::VoltageCurrentAssociation,
    Check::PowerFactorConsistency,
    Check::PowerBlankWhileRunning,
    Check::PowerFactorPlausible,
    Check::VoltageMissing,
    Check::CurrentMissing,
    Check::CurrentBalance,
    Check::CurrentWhileStopped,
    Check::ApparentPowerConsistency,
    Check::PowerTriangle,
    Check::SumOfChannels,
    Check::PlausibleValues,
    Check::ClockSound,
    Check::ValuesMoving,
];

impl CircuitView<'_> {
    /// Checks that failed, a bit each. They stand while the values are old: an alarm does not clear by going silent.
    pub fn checks_failed(&self) -> u32 {
        self.check_bits(|outcome| *outcome == Outcome::Failed)
    }

    /// Checks that passed on values of now and failed on no channel, a bit each.
    pub fn checks_passed(&self) -> u32 {
        if !self.is_live() {
            return 0;
        }
        self.check_bits(|outcome| *outcome == Outcome::Passed) & !self.checks_failed()
    }

    fn check_bits(&self, which: impl Fn(&Outcome) -> bool) -> u32 {
        let findings = self.assessment().map_or(&[][..], |a| &a.findings);
        let has = |check: Check| findings.iter().any(|f| f.check == check && which(&f.outcome));
        CHECK_BITS.into_iter().enumerate().fold(0, |bits, (bit, check)| bits | u32::from(has(check)) << bit)
    }

    /// Alarm bits, as numbered in [`ALARMS`].
    pub fn alarms(&self) -> u16 {
        ALARMS.iter().enumerate().fold(0, |bits, (bit, alarm)| bits | u16::from((alarm.stands)(self)) << bit)
    }

    /// What is wrong with the leading wiring, as numbered in [`DIAGNOSIS_BITS`]; 0 when nothing is, or nothing is decided.
    pub fn diagnosis_bits(&self) -> u16 {
        let Some(wiring) = self.wiring() else { return 0 };
        DIAGNOSIS_BITS.iter().enumerate().fold(0, |bits, (bit, part)| bits | u16::from((part.holds)(wiring)) << bit)
    }
}

/// One alarm bit.
#[derive(Debug)]
pub struct Alarm {
    /// Short name, part of a tag name.
    pub name: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// Whether it stands.
    pub stands: fn(&CircuitView<'_>) -> bool,
}

/// Alarm bits in order.
pub const ALARMS: [Alarm; 10] = [
    Alarm {
        name: "power_wrong",
        meaning: "power is metered wrong (the verdict is fault)",
        stands: |view| view.verdict() == Verdict::Fault,
    },
    Alarm {
        name: "not_live",
        meaning: "the monitor's values are old, or there are none yet",
        stands: |view| !view.is_live(),
    },
    Alarm {
        name: "audit_failed",
        meaning: "internal audit error of this circuit; see the log",
        stands: |view| view.circuit.core_failure.is_some(),
    },
    Alarm {
        name: "numbers_wrong",
        meaning: "a check failed that alone makes the metered power wrong or missing",
        stands: |view| view.assessment().is_some_and(|a| !hard_findings(&a.findings).is_empty()),
    },
    Alarm {
        name: "unexplained",
        meaning: "the readings fit no wiring considered; check CT ratios, load, map and monitor",
        stands: |view| {
            view.assessment().is_some_and(|a| {
                a.diagnosis.verdict == Verdict::Undecided
                    && a.diagnosis.unexplained_probability > bars::LIKELIER_THAN_NOT
            })
        },
    },
    Alarm {
        name: "reads_failing",
        meaning: "the latest poll of the monitor brought only some of its values, or none",
        stands: |view| view.monitor.is_some_and(|m| m.health.silent || !m.health.failures.is_empty()),
    },
    Alarm {
        name: "wiring_changed",
        meaning: "the wiring was seen to change since the daemon started",
        stands: |view| view.assessment().is_some_and(|a| a.diagnosis.epoch > 0),
    },
    Alarm {
        name: "not_corrected",
        meaning: "the pump runs and its power cannot be corrected now",
        stands: |view| view.run_state() == RunState::Running && view.corrected().is_none(),
    },
    Alarm {
        name: "voltage_leads",
        meaning: "a voltage lead, its fuse or its transformer is at fault, see voltage_state",
        stands: |view| view.voltage_leads_wrong(),
    },
    Alarm {
        name: "supply",
        meaning: "the supply is at fault (a phase lost, a ground fault), see voltage_state; not a metering fault",
        stands: |view| !view.voltage_fault().is_empty() && !view.voltage_leads_wrong(),
    },
];

/// One part of a diagnosis.
#[derive(Debug)]
pub struct DiagnosisBit {
    /// Short name, part of a tag name.
    pub name: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// Whether the wiring has it.
    pub holds: fn(&Wiring) -> bool,
}

/// Diagnosis bits in order.
pub const DIAGNOSIS_BITS: [DiagnosisBit; 11] = [
    DiagnosisBit {
        name: "voltage_leads",
        meaning: "voltage leads are not on the phases of their numbers",
        holds: |wiring| wiring.voltage != Phase::ALL,
    },
    DiagnosisBit {
        name: "ct_on_other_phase",
        meaning: "a CT is on another phase than its number",
        holds: |wiring| {
            wiring.current.iter().zip(Phase::ALL).any(|(seen, own)| match seen {
                CurrentSeen::Conductor { phase, .. } => *phase != own,
                _ => false,
            })
        },
    },
    DiagnosisBit {
        name: "ct_reversed",
        meaning: "a CT has reversed polarity",
        holds: |wiring| {
            wiring.current.iter().any(|seen| match seen {
                CurrentSeen::Conductor { reversed, .. }
                | CurrentSeen::AllBut { reversed, .. }
                | CurrentSeen::OtherCircuit { reversed, .. } => *reversed,
                CurrentSeen::Nothing | CurrentSeen::Unused => false,
            })
        },
    },
    DiagnosisBit {
        name: "ct_no_current",
        meaning: "a CT reads zero: open, shorted, or a lead off",
        holds: |wiring| wiring.current.contains(&CurrentSeen::Nothing),
    },
    DiagnosisBit {
        name: "ct_around_two",
        meaning: "a CT is around two conductors",
        holds: |wiring| wiring.current.iter().any(|seen| matches!(seen, CurrentSeen::AllBut { .. })),
    },
    DiagnosisBit {
        name: "ct_on_other_circuit",
        meaning: "a CT is on another circuit",
        holds: |wiring| wiring.current.iter().any(|seen| matches!(seen, CurrentSeen::OtherCircuit { .. })),
    },
    DiagnosisBit {
        name: "ct_ratio",
        meaning: "a CT's ratio is not the one entered",
        holds: |wiring| wiring.gain.iter().any(|gain| matches!(gain, Gain::Times(..))),
    },
    DiagnosisBit {
        name: "ct_loose",
        meaning: "a CT reads an unsteady current: a loose connection",
        holds: |wiring| wiring.gain.contains(&Gain::Unsteady),
    },
    DiagnosisBit {
        name: "registers_meaning",
        meaning: "the power registers mean something else than the map says",
        holds: |wiring| wiring.registers != Registers::AsDeclared,
    },
    DiagnosisBit {
        name: "lost_phase",
        meaning: "a supply phase of the pump carries no current; not a metering fault",
        holds: |wiring| wiring.lost_phase.is_some(),
    },
    DiagnosisBit {
        name: "supply_rotation",
        meaning: "the phase rotation of the supply is reversed; the leads are right",
        holds: |wiring| wiring.supply_rotates_back,
    },
];

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::faces::modbus::codes::{current_code, phase_code};
    use crate::reading::MonoMs;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn every_check_has_one_bit() {
        assert_eq!(CHECK_BITS.iter().collect::<HashSet<_>>().len(), Check::COUNT);
        const { assert!(Check::COUNT <= 32) };
    }

    #[test]
    fn a_miswired_pump_is_told_by_its_leads() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let view = CircuitView::new(&snapshot, 0, MonoMs(7200)).unwrap();
        assert_eq!(view.verdict(), Verdict::Fault);
        assert_eq!(view.alarms(), 0b1001, "power is wrong, and so are the numbers");
        let wiring = view.wiring().unwrap();
        assert_eq!(wiring.voltage.map(phase_code), [1, 2, 3]);
        assert_eq!(wiring.current.map(current_code), [1, 3, 2]);
        assert_eq!(view.diagnosis_bits(), 1 << 1);
        assert!(view.checks_failed() & 1 << 3 != 0, "association of voltage and current");
    }
}
