//! Joins run state, checks, evidence, diagnosis and correction of one circuit into one step per reading.

use std::sync::Arc;

use super::assessment::{Assessment, Check, CorrectedPower, Diagnosis, EvidenceLevel, Finding, RunState, Verdict};
use super::checks::{self, Input};
use super::context::CircuitContext;
use super::correction;
use super::diagnosis::{CONFIDENT, Diagnoser};
use super::evidence::Features;
use super::persistence::Memory;
use super::run_state::RunTracker;
use super::words;
use crate::electrical::circuit::{self, Circuit, Meaning};
use crate::electrical::voltage::{self, Voltages};
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading};

/// A group must carry this much probability before power is corrected by it.
pub(super) const ENOUGH_TO_CORRECT: f64 = 0.80;

/// The audit of one circuit: constant-size state, one step per reading.
#[derive(Debug, Clone)]
pub struct CircuitAuditor {
    context: CircuitContext,
    run: RunTracker,
    /// By check, then by channel; the fourth place is the whole circuit's.
    memories: [[Memory; 4]; Check::COUNT],
    diagnoser: Diagnoser,
    previous_at: Option<Instant2>,
    latest: Latest,
    ever_given: u8,
    judged_hard: bool,
}

/// The latest values, to notice when they stop moving.
#[derive(Debug, Clone, Default)]
struct Latest {
    voltage_ln_v: [Measured; 3],
    voltage_ll_v: [Measured; 3],
    circuit: CircuitReading,
    same: u32,
}

impl Latest {
    /// Readings in a row, this one included, with the same values.
    fn note(&mut self, monitor: &MonitorReading, circuit: &CircuitReading) -> u32 {
        let same = self.voltage_ln_v == monitor.voltage_ln_v
            && self.voltage_ll_v == monitor.voltage_ll_v
            && self.circuit == *circuit;
        if same {
            self.same += 1;
        } else {
            self.voltage_ln_v = monitor.voltage_ln_v;
            self.voltage_ll_v = monitor.voltage_ll_v;
            self.circuit = circuit.clone();
            self.same = 1;
        }
        self.same
    }
}

impl CircuitAuditor {
    /// Starts with nothing seen.
    pub fn new(context: CircuitContext) -> Self {
        CircuitAuditor {
            context,
            run: RunTracker::default(),
            memories: Default::default(),
            diagnoser: Diagnoser::default(),
            previous_at: None,
            latest: Latest::default(),
            ever_given: 0,
            judged_hard: false,
        }
    }

    /// What it was told in advance.
    pub fn context(&self) -> &CircuitContext {
        &self.context
    }

    /// Takes one reading of the circuit's monitor and returns the assessment it leads to. Never fails: what is
    /// missing or impossible in the reading becomes a finding.
    pub fn observe(&mut self, monitor: &MonitorReading) -> Assessment {
        let empty = CircuitReading::default();
        let reading = monitor.circuits.get(self.context.slot).unwrap_or(&empty);
        let voltages = voltage::reconstruct(monitor, self.context.nominal_ln_v(), self.context.rotation);
        let meaning = Meaning {
            power_factor_signed: self.context.power_factor.signed_by_power,
            reactive_unsigned: self.context.reactive_unsigned,
        };
        let circuit = circuit::reconstruct(monitor, reading, &voltages, meaning);
        let largest = reading.current_a.iter().filter_map(|c| c.good()).reduce(f64::max);
        let run = self.run.observe(monitor.at.mono, largest, reading.run_status, &self.context);
        for (n, (value, _)) in checks::power::blankable(reading).iter().enumerate() {
            self.ever_given |= u8::from(value.good().is_some()) << n;
        }
        let observations = checks::all(&Input {
            monitor,
            reading,
            circuit: &circuit,
            voltages: &voltages,
            context: &self.context,
            run,
            previous_at: self.previous_at,
            ever_given: self.ever_given,
            same_readings: self.latest.note(monitor, reading),
        });
        let findings: Vec<Finding> = observations
            .into_iter()
            .map(|seen| {
                let memory = &mut self.memories[seen.check as usize][seen.channel.unwrap_or(3)];
                let (outcome, since) = memory.settle(seen.raw, checks::persistence(seen.check), monitor.at);
                Finding { check: seen.check, channel: seen.channel, outcome, detail: seen.detail, since }
            })
            .collect();
        let features = (run.state == RunState::Running)
            .then(|| Features::of(reading, &circuit, &voltages, &self.context))
            .flatten();
        // A voltage lead turned over is no wiring the diagnosis knows: it would blame a CT for it.
        let leads_known = voltages.is_three_phase_set();
        let fit = |f: &Features| run.steady && leads_known && f.level() != EvidenceLevel::Insufficient;
        if let Some(features) = features.filter(fit) {
            self.diagnoser.observe(&features, voltages.measured_rotation, &self.context);
        }
        self.previous_at = Some(monitor.at);
        let diagnosis = self.diagnosis(&findings, run.state);
        let corrected = features.and_then(|f| self.corrected(&diagnosis, &f, &circuit, &voltages));
        Assessment { at: monitor.at, run_state: run.state, findings, diagnosis, corrected }
    }

    /// The posterior's diagnosis, with the verdict brought down by findings no wiring explains.
    fn diagnosis(&mut self, findings: &[Finding], state: RunState) -> Diagnosis {
        let mut diagnosis = self.diagnoser.diagnosis().cloned().unwrap_or(Diagnosis {
            level: EvidenceLevel::Insufficient,
            verdict: Verdict::NoEvidence,
            groups: Arc::default(),
            sound_probability: 0.0,
            unexplained_probability: 0.0,
            readings_used: 0,
            load_levels: 0,
        });
        // What failed while the pump ran still stands while it is stopped: the load-dependent checks are idle then.
        let hard_now = !words::hard_findings(findings).is_empty();
        self.judged_hard = hard_now || (self.judged_hard && state != RunState::Running);
        if self.judged_hard {
            diagnosis.verdict = Verdict::Fault;
        }
        diagnosis
    }

    fn corrected(
        &mut self,
        diagnosis: &Diagnosis,
        features: &Features,
        circuit: &Circuit,
        voltages: &Voltages,
    ) -> Option<CorrectedPower> {
        let group = diagnosis.groups.first()?;
        if group.probability < ENOUGH_TO_CORRECT || diagnosis.unexplained_probability > 1.0 - CONFIDENT {
            return None;
        }
        let class = self.diagnoser.leading_class()?;
        let lag_deg = self.diagnoser.leading_lag_deg(&self.context)?;
        correction::correct(class, lag_deg, features, circuit, voltages, &self.context)
    }
}
