//! The audit of all circuits of one monitor together: one order of the voltage leads explains them all, and who runs when tells
//! which channel is on another pump.
//!
//! Pure: a reading in, one assessment a circuit out. Must never let one circuit's missing values hold up another's audit.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::Assessment;
use super::auditor::CircuitAuditor;
use super::context::{CircuitContext, ServiceKind};
use super::crossing::CrossingTracker;
use super::joint::{self, JointRanking, SharedState};
use super::shared::{self, Opinion};
use super::voltage_lead::{VoltageEvidence, VoltageMeans, VoltageService};
use crate::reading::{Measured, MonitorReading};

/// Joint wirings listed.
const JOINT_LISTED: usize = 5;
/// States of what is shared below this probability are not drawn out.
const SHARED_WORTH: f64 = 1e-6;
/// Readings behind the voltages before anything is said of their leads.
const READINGS_FOR_VOLTAGE: u64 = 3;

/// The audit of one monitor.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct MonitorAuditor {
    circuits: Vec<CircuitAuditor>,
    slots: Vec<usize>,
    crossings: CrossingTracker,
    voltages: Option<VoltageEvidence>,
    #[serde(skip)]
    joint: Option<Arc<JointRanking>>,
    /// Conclusions of all circuits when `joint` was made.
    #[serde(skip)]
    joint_at: u64,
}

impl MonitorAuditor {
    /// Starts with nothing seen; one context a circuit.
    pub fn new(contexts: Vec<CircuitContext>) -> MonitorAuditor {
        let slots = contexts.iter().map(|c| c.slot).collect();
        let voltages = contexts.first().map(|context| {
            VoltageEvidence::new(VoltageService {
                system: context.service,
                nominal_v: context.nominal_voltage_v,
                transformers: context.service == ServiceKind::OpenDelta,
            })
        });
        let circuits = contexts.into_iter().map(CircuitAuditor::new).collect();
        MonitorAuditor { circuits, slots, crossings: CrossingTracker::default(), voltages, joint: None, joint_at: 0 }
    }

    /// Goes on after an absence with what was kept of it; what is not kept is worked out again.
    pub fn resume(&mut self, absence: &Absence) {
        self.circuits.iter_mut().for_each(|circuit| circuit.resume(absence));
        if let Some(voltages) = &mut self.voltages {
            voltages.resume();
        }
    }

    /// How often the wiring of any circuit has been seen to change.
    pub fn epochs(&self) -> u32 {
        self.circuits.iter().map(CircuitAuditor::epoch).sum()
    }

    /// The circuits' audits, in the order of their contexts.
    pub fn circuits(&self) -> &[CircuitAuditor] {
        &self.circuits
    }

    /// Takes one reading; returns an assessment a circuit, in the order of their contexts.
    pub fn observe(&mut self, reading: &MonitorReading) -> Vec<Assessment> {
        let mut assessments = Vec::new();
        self.observe_into(reading, &mut assessments);
        assessments
    }

    /// The same in place of the assessments of an earlier reading. Who takes millions of readings one after the other is spared
    /// much by it: the findings of each are some kilobytes.
    pub fn observe_into(&mut self, reading: &MonitorReading, assessments: &mut Vec<Assessment>) {
        let epochs = self.epochs();
        let mut rooms = assessments.iter_mut().map(|old| std::mem::take(&mut old.findings));
        let mut steps: Vec<_> =
            self.circuits.iter_mut().map(|c| c.step(reading, rooms.next().unwrap_or_default())).collect();
        // Another circuit may have seen the shared leads being moved since, and a pump that stands shows nothing of that.
        let changed_at = self.circuits.iter().filter_map(CircuitAuditor::changed_at).max();
        let is_outdated = |circuit: &CircuitAuditor| changed_at.is_some_and(|at| circuit.is_older_than(at));
        let company: Vec<_> = steps.iter().map(|s| s.company).collect();
        self.crossings.observe(&company);
        let running: u32 = company
            .iter()
            .zip(&self.slots)
            .fold(0, |bits, (company, slot)| bits | u32::from(company.is_some_and(|c| c.runs)) << (slot % 32));
        for (own, circuit) in self.circuits.iter_mut().enumerate() {
            let crossing = self.crossings.crossing(own, &self.slots);
            circuit.in_company(crossing, running & !(1 << (self.slots[own] % 32)));
        }
        let rotation = steps.iter().find_map(|s| s.rotation);
        // Rotation is one measurement of what all share: counted once, whoever tells it.
        let teller = self.circuits.iter().find(|circuit| !is_outdated(circuit));
        let common = teller.map_or(Opinion::NONE, |c| c.rotation_opinion(rotation));
        let alone = self.circuits.len() == 1;
        let (sent, exchanged) = if alone { (Vec::new(), Vec::new()) } else { self.exchanged(is_outdated, &common) };
        let told = if alone { std::slice::from_ref(&common) } else { &exchanged };
        // A device that stands still while a pump runs shows one moment: its voltages are one witness of it.
        let repeats = steps.iter().all(|s| s.same) && steps.iter().any(|s| s.repeats);
        let leads = self.voltages.as_mut().and_then(|voltages| {
            if !repeats {
                voltages.add(&VoltageMeans {
                    ln_v: reading.voltage_ln_v.map(Measured::good),
                    ll_v: reading.voltage_ll_v.map(Measured::good),
                    angle_deg: reading.voltage_angle_deg.map(Measured::good),
                });
            }
            let enough = voltages.readings() >= READINGS_FOR_VOLTAGE;
            voltages.diagnosis().filter(|leads| enough && leads.voltages_used > 0).cloned()
        });
        let each = self.circuits.iter_mut().zip(&mut steps).zip(told);
        assessments.clear();
        assessments.extend(each.map(|((circuit, step), told)| circuit.finish(step, told, leads.clone())));
        if epochs != self.epochs() {
            // Somebody has moved leads: who was on whose pump no longer holds.
            self.crossings.forget();
        }
        if !alone {
            if self.circuits.iter().any(is_outdated) {
                (self.joint, self.joint_at) = (None, 0);
            } else {
                self.rank_together(&sent, &common);
            }
            for (assessment, circuit) in assessments.iter_mut().zip(&self.circuits) {
                assessment.joint.clone_from(&self.joint);
                assessment.outdated = is_outdated(circuit);
            }
        }
    }

    /// What each circuit finds of what is shared, and what it is told. An outdated one has no say, and is told nothing new: to
    /// its old readings the others' new leads would look like a fault of its own.
    fn exchanged(
        &mut self,
        is_outdated: impl Fn(&CircuitAuditor) -> bool,
        common: &Opinion,
    ) -> (Vec<Opinion>, Vec<Opinion>) {
        let say = |c: &mut CircuitAuditor| if is_outdated(c) { Opinion::NONE } else { c.opinion() };
        let sent: Vec<Opinion> = self.circuits.iter_mut().map(say).collect();
        let told = shared::exchange(&sent, common).into_iter().zip(&self.circuits);
        let told = told.map(|(told, circuit)| if is_outdated(circuit) { circuit.told() } else { told }).collect();
        (sent, told)
    }

    /// Ranks the wirings of all circuits together, when a conclusion has changed.
    fn rank_together(&mut self, sent: &[Opinion], common: &Opinion) {
        let conclusions = self.circuits.iter().map(CircuitAuditor::conclusions).sum();
        if conclusions == self.joint_at {
            return;
        }
        self.joint_at = conclusions;
        let posterior = shared::posterior(sent, common);
        let states = posterior.iter().enumerate().filter(|(_, p)| **p > SHARED_WORTH).filter_map(|(state, p)| {
            let (voltage, registers) = shared::state(state);
            let circuits =
                self.circuits.iter().map(|c| c.alternatives(voltage, registers)).collect::<Option<Vec<_>>>()?;
            Some(SharedState { probability: *p, circuits })
        });
        let states: Vec<SharedState> = states.collect();
        self.joint = (!states.is_empty()).then(|| Arc::new(joint::search(&states, JOINT_LISTED)));
    }
}
