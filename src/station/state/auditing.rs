//! A reading through the audit of a monitor's circuits: what it concludes is shown and summed up, what has changed is news. A panic
//! inside is caught here, and the audit starts anew.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use super::{AuditFactory, Circuit, Monitor};
use crate::audit::assessment::Assessment;
use crate::audit::words;
use crate::reading::MonitorReading;
use crate::station::news::{DiagnosisKey, News, TELL_AFTER};
use crate::station::snapshot::SteadyRun;

/// Runs the audit of a monitor's circuits on a reading; returns the number of failures inside it, 0 or 1.
pub(super) fn audit_reading(
    monitor: &mut Monitor,
    circuits: &mut [Circuit],
    factory: AuditFactory,
    reading: &MonitorReading,
    news: &mut Vec<News>,
) -> u64 {
    let audit = &mut monitor.audit;
    // Unwind safety: the audit that panicked is thrown away, so nobody sees it half changed.
    match catch_unwind(AssertUnwindSafe(|| audit.observe(reading))) {
        Ok(assessments) => {
            for (index, assessment) in monitor.circuits.iter().zip(assessments) {
                conclude(&mut circuits[*index], assessment, reading, news);
            }
            0
        }
        Err(payload) => {
            monitor.audit = factory(&monitor.contexts);
            let message = panic_text(payload.as_ref());
            for index in &monitor.circuits {
                let circuit = &mut circuits[*index];
                circuit.shown.assessment = None;
                // An audit that fails on every reading is told once, not once a reading.
                if circuit.shown.core_failure.is_none() {
                    news.push(News::CoreFailed { circuit: circuit.shown.name.clone(), message: message.clone() });
                }
                circuit.shown.core_failure = Some(message.clone());
            }
            1
        }
    }
}

fn conclude(circuit: &mut Circuit, assessment: Assessment, reading: &MonitorReading, news: &mut Vec<News>) {
    if circuit.shown.core_failure.take().is_some() {
        news.push(News::CoreRecovered { circuit: circuit.shown.name.clone() });
    }
    if let Some(key) = DiagnosisKey::of(&assessment)
        && circuit.diagnosis.settle(key, TELL_AFTER)
    {
        news.push(News::Diagnosis {
            circuit: circuit.shown.name.clone(),
            verdict: assessment.diagnosis.verdict,
            headline: words::headline_with_check(&assessment, &circuit.shown.installation, &circuit.shown.done()),
            because: None,
        });
    }
    let epoch_before = circuit.shown.assessment.as_ref().map(|before| before.diagnosis.epoch);
    if epoch_before.is_some_and(|before| before != assessment.diagnosis.epoch) {
        circuit.energy.restart(reading.at);
    }
    if let Some(values) = reading.circuits.get(circuit.shown.slot) {
        circuit.energy.observe(reading.at, values, &assessment);
        circuit.shown.energy = circuit.energy.report();
        if assessment.steady {
            circuit.shown.last_run = Some(Arc::new(SteadyRun::of(reading, values, &assessment)));
        }
    }
    circuit.shown.assessment = Some(Arc::new(assessment));
}

fn panic_text(payload: &(dyn Any + Send)) -> String {
    payload
        .downcast_ref::<&str>()
        .map(|text| (*text).to_owned())
        .or_else(|| payload.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "no message".to_owned())
}
