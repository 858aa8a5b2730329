//! One circuit at the moment of asking: what may be shown of a snapshot now, and what the leading wiring says of its leads.
//!
//! Pure. Every value of the monitor passes through here, so that an old one never comes out as a number.

use crate::audit::assessment::{Assessment, Check, CorrectedPower, Outcome, RunState, Verdict};
use crate::audit::voltage_lead::{VoltageDiagnosis, VoltageState};
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::audit::words;
use crate::reading::{CircuitReading, Measured, MonitorReading, MonoMs, Phase};
use crate::station::snapshot::{CircuitSnapshot, Freshness, MonitorSnapshot, StationSnapshot};

/// Checks by the number of their bit. A number is never given to another check; new ones are added at the end.
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

/// One circuit of a snapshot, looked at at one moment.
#[derive(Debug, Clone, Copy)]
pub struct CircuitView<'a> {
    /// Its station.
    pub station: &'a StationSnapshot,
    /// The circuit.
    pub circuit: &'a CircuitSnapshot,
    /// Its monitor.
    pub monitor: Option<&'a MonitorSnapshot>,
    /// How old the monitor's values are.
    pub freshness: Freshness,
}

impl<'a> CircuitView<'a> {
    /// The circuit with this index at `now`; none when the station has no such circuit.
    pub fn new(station: &'a StationSnapshot, circuit: usize, now: MonoMs) -> Option<CircuitView<'a>> {
        let circuit = station.circuits.get(circuit)?;
        let monitor = station.monitor_of(circuit);
        let freshness = monitor.map_or(Freshness::Waiting, |monitor| monitor.freshness(now));
        Some(CircuitView { station, circuit, monitor, freshness })
    }

    /// True while the monitor's values are of now.
    pub fn is_live(&self) -> bool {
        self.freshness.is_live()
    }

    /// The latest assessment, whatever its age: a verdict stands until another one is reached.
    pub fn assessment(&self) -> Option<&'a Assessment> {
        self.circuit.assessment.as_deref()
    }

    /// The verdict.
    pub fn verdict(&self) -> Verdict {
        self.assessment().map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict)
    }

    /// Run state; unknown when the values are old.
    pub fn run_state(&self) -> RunState {
        self.assessment().filter(|_| self.is_live()).map_or(RunState::Unknown, |a| a.run_state)
    }

    /// Corrected power of now.
    pub fn corrected(&self) -> Option<&'a CorrectedPower> {
        self.assessment().filter(|_| self.is_live())?.corrected.as_ref()
    }

    /// The newest reading, when it is of now.
    pub fn reading(&self) -> Option<&'a MonitorReading> {
        self.monitor.filter(|_| self.is_live())?.reading.as_deref()
    }

    /// What the circuit's registers say now.
    pub fn reported(&self) -> Option<&'a CircuitReading> {
        self.reading()?.circuits.get(self.circuit.slot)
    }

    /// A good value of the monitor, of now.
    pub fn of_monitor(&self, value: impl Fn(&MonitorReading) -> Measured) -> Option<f64> {
        self.reading().and_then(|reading| value(reading).good())
    }

    /// A good value of the circuit, of now.
    pub fn of_circuit(&self, value: impl Fn(&CircuitReading) -> Measured) -> Option<f64> {
        self.reported().and_then(|reading| value(reading).good())
    }

    /// What the matter is with the voltage leads or the supply, as good as certain, likeliest first; empty for nothing.
    pub fn voltage_fault(&self) -> &'a [VoltageState] {
        let leads = self.assessment().and_then(|a| a.voltage_leads.as_deref());
        leads.and_then(VoltageDiagnosis::fault).map_or(&[], |group| &group.states)
    }

    /// True when the voltage leads, and not the supply, are at fault.
    pub fn voltage_leads_wrong(&self) -> bool {
        let states = self.voltage_fault();
        !states.is_empty() && states.iter().all(|state| state.registers_wrong())
    }

    /// The most probable wiring, once the verdict says sound or fault. None while a voltage lead is at fault: no wiring is then
    /// as it seems.
    pub fn wiring(&self) -> Option<&'a Wiring> {
        if self.voltage_leads_wrong() {
            return None;
        }
        let diagnosis = &self.assessment()?.diagnosis;
        let decided = matches!(diagnosis.verdict, Verdict::Sound | Verdict::Fault);
        let member = diagnosis.groups.first()?.members.first()?;
        decided.then_some(&member.wiring)
    }

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

    /// Whether a check has failed on any channel.
    pub fn has_failed(&self, check: Check) -> bool {
        self.assessment().is_some_and(|a| a.findings.iter().any(|f| f.check == check && f.outcome == Outcome::Failed))
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

    /// Wirings in the leading group that carry more than 1 % of it: with more than one, the lead is not settled.
    pub fn wirings_alike(&self) -> u16 {
        let Some(group) = self.assessment().and_then(|a| a.diagnosis.groups.first()) else { return 0 };
        let likely = group.members.iter().filter(|m| m.probability > 0.01 * group.probability).count();
        u16::try_from(likely).unwrap_or(u16::MAX)
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

/// Alarm bits in order; a bit is never given another meaning, new ones are added at the end.
pub const ALARMS: [Alarm; 10] = [
    Alarm {
        name: "power_wrong",
        meaning: "power is registered wrong (the verdict is fault)",
        stands: |view| view.verdict() == Verdict::Fault,
    },
    Alarm {
        name: "not_live",
        meaning: "the monitor's values are old, or there are none yet",
        stands: |view| !view.is_live(),
    },
    Alarm {
        name: "audit_failed",
        meaning: "the audit of this circuit failed inside; see the log",
        stands: |view| view.circuit.core_failure.is_some(),
    },
    Alarm {
        name: "numbers_wrong",
        meaning: "a check failed that alone makes the registered power wrong or missing",
        stands: |view| view.assessment().is_some_and(|a| !words::hard_findings(&a.findings).is_empty()),
    },
    Alarm {
        name: "unexplained",
        meaning: "the readings fit no wiring considered; check CT ratios, load, map and monitor",
        stands: |view| {
            view.assessment()
                .is_some_and(|a| a.diagnosis.verdict == Verdict::Undecided && a.diagnosis.unexplained_probability > 0.5)
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
        meaning: "the supply is at fault (a phase lost, a fault to earth), see voltage_state; the metering is not to blame",
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

/// Diagnosis bits in order; a bit is never given another meaning, new ones are added at the end.
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
        meaning: "a CT, or its pair of wires, is the wrong way round",
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
        meaning: "a CT gives no current: open, shorted, or a lead off",
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
        meaning: "a CT shows its current at another ratio than entered",
        holds: |wiring| wiring.gain.iter().any(|gain| matches!(gain, Gain::Times(..))),
    },
    DiagnosisBit {
        name: "ct_loose",
        meaning: "a CT's current keeps changing by itself: a loose connection",
        holds: |wiring| wiring.gain.contains(&Gain::Unsteady),
    },
    DiagnosisBit {
        name: "registers_meaning",
        meaning: "the power registers mean something else than the map says",
        holds: |wiring| wiring.registers != Registers::AsDeclared,
    },
    DiagnosisBit {
        name: "lost_phase",
        meaning: "a supply phase of the pump carries no current; the metering is not to blame",
        holds: |wiring| wiring.lost_phase.is_some(),
    },
    DiagnosisBit {
        name: "supply_rotation",
        meaning: "the supply rotates against what was expected; the leads are right",
        holds: |wiring| wiring.supply_rotates_back,
    },
];

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
pub const CURRENT_CODES: &str = "0 not known; 1 2 3 on A B C; 11 12 13 the same reversed; 21 22 23 around the two others \
     than A B C; 31 32 33 the same reversed; 41 42 43 on A B C of another circuit; 51 52 53 the same reversed; 60 gives no \
     current; 61 no CT in this service";

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
pub const VOLTAGE_CODES: &str = "voltage leads and supply: 0 no fault certain; 1 lead off; 2 fuse blown; 3 back-fed by motors; \
     4 phase lost; 5 phase lost before a transformer; 6 VT reversed; 7 ratio wrong; 8 ratio wrong on all; 9 lead on neutral; 10 \
     two leads on one phase; 11 lead and neutral exchanged; 12 neutral open; 13 fault to earth; 14 high leg elsewhere; 15 all dead";

/// Number of a meaning of the registers: 1 as declared, then in the order of [`Registers::ALL`].
pub fn registers_code(registers: Registers) -> u16 {
    Registers::ALL.iter().position(|known| *known == registers).map_or(0, |at| at as u16 + 1)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
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

    #[test]
    fn old_values_do_not_come_out_and_alarms_do_not_clear() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let now = CircuitView::new(&snapshot, 0, MonoMs(7200)).unwrap();
        let old = CircuitView::new(&snapshot, 0, MonoMs(60_000)).unwrap();
        assert!(now.corrected().is_some() && now.of_circuit(|c| c.total_active_power_w).is_some());
        assert!(old.corrected().is_none() && old.of_circuit(|c| c.total_active_power_w).is_none());
        assert_eq!(old.of_monitor(|m| m.frequency_hz), None);
        assert_eq!(old.run_state(), RunState::Unknown);
        assert_eq!(old.checks_failed(), now.checks_failed());
        assert_eq!(old.checks_passed(), 0);
        assert_eq!(old.alarms(), now.alarms() | 0b10);
    }
}
