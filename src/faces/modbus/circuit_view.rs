//! One circuit at the moment of asking: what may be shown of a snapshot now.
//!
//! Pure. Every value of the monitor passes through here, so that an old one never comes out as a number.

use crate::audit::assessment::{Assessment, Check, CorrectedPower, Outcome, RunState, Verdict};
use crate::audit::bars;
use crate::audit::blame::likely_members;
use crate::audit::voltage_lead::{VoltageDiagnosis, VoltageState};
use crate::audit::wiring::Wiring;
use crate::reading::{CircuitReading, Measured, MonitorReading, MonoMs};
use crate::station::snapshot::{CircuitSnapshot, Freshness, MonitorSnapshot, StationSnapshot};

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

    /// The state of the voltage leads or the supply, once this one is settled.
    pub fn voltage_state(&self) -> Option<VoltageState> {
        let leads = self.assessment()?.voltage_leads.as_deref()?;
        leads.fault()?;
        let (state, probability) = leads.ranked.first()?;
        (*probability >= bars::ONE_WIRING).then_some(*state)
    }

    /// The voltage channel at fault, once it is settled that it is this one, whatever is wrong with it. From 0.
    pub fn voltage_channel(&self) -> Option<usize> {
        let leads = self.assessment()?.voltage_leads.as_deref()?;
        let channel = leads.fault()?.states.first()?.channel()?;
        let of_channel = leads.ranked.iter().filter(|(state, _)| state.channel() == Some(channel));
        (of_channel.map(|(_, probability)| probability).sum::<f64>() >= bars::ONE_WIRING).then_some(channel)
    }

    /// The wiring, once one is settled and the verdict says sound or fault. None while a voltage lead is at fault: no wiring is
    /// then as it seems.
    pub fn wiring(&self) -> Option<&'a Wiring> {
        if self.voltage_leads_wrong() {
            return None;
        }
        let diagnosis = &self.assessment()?.diagnosis;
        let decided = matches!(diagnosis.verdict, Verdict::Sound | Verdict::Fault);
        let settled = diagnosis.settled()?;
        decided.then_some(&settled.wiring)
    }

    /// Whether a check has failed on any channel.
    pub fn has_failed(&self, check: Check) -> bool {
        self.assessment().is_some_and(|a| a.findings.iter().any(|f| f.check == check && f.outcome == Outcome::Failed))
    }

    /// Wirings that fit equally well: 1 once one is settled.
    pub fn wirings_alike(&self) -> u16 {
        let Some(diagnosis) = self.assessment().map(|a| &a.diagnosis) else { return 0 };
        if diagnosis.settled().is_some() {
            return 1;
        }
        let alike = diagnosis.groups.first().map_or(0, |group| likely_members(group).count());
        u16::try_from(alike).unwrap_or(u16::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::{exchanged, snapshot_after};

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
