//! What people found at the panel, brought together with what the monitors say: a snapshot with the checks counted.
//!
//! Pure: gives a new snapshot and leaves the old one alone. What a check alone does to a diagnosis is news, with its cause.

use std::sync::Arc;

use super::news::{DiagnosisKey, News};
use super::snapshot::{CircuitSnapshot, StationSnapshot};
use crate::audit::assessment::Assessment;
use crate::audit::energy::EnergyReport;
use crate::audit::misregistration::Misregistration;
use crate::audit::outcome::{self, Outcome};
use crate::audit::words;
use crate::config::checks::RecordedCheck;

/// The snapshot with every check of this station counted. Voltage leads are shared by all circuits of a monitor, so what was
/// found of them counts for each.
pub fn with_checks(snapshot: &Arc<StationSnapshot>, checks: &[RecordedCheck]) -> Arc<StationSnapshot> {
    let of_station: Vec<&RecordedCheck> = checks.iter().filter(|c| c.station == snapshot.station).collect();
    if of_station.is_empty() {
        return Arc::clone(snapshot);
    }
    let monitor_of = |name: &str| snapshot.circuits.iter().find(|c| c.name == name).map(|c| c.monitor);
    let mut counted = snapshot.as_ref().clone();
    for circuit in &mut counted.circuits {
        let own: Vec<RecordedCheck> = of_station
            .iter()
            .filter(|c| {
                let shared = c.outcome.check.is_of_voltage_leads();
                c.circuit == circuit.name || shared && monitor_of(&c.circuit) == Some(circuit.monitor)
            })
            .filter(|c| !outdated(c, circuit))
            .map(|c| (*c).clone())
            .collect();
        let outcomes: Vec<Outcome> = own.iter().map(|c| c.outcome).collect();
        if let Some(before) = circuit.assessment.take() {
            let after = outcome::assess(&before, &outcomes);
            if !own.is_empty() && outcome::refuted(&before.diagnosis, &after.diagnosis) {
                forget_corrected(&mut circuit.energy);
            }
            circuit.assessment = Some(Arc::new(after));
        }
        circuit.checks = own.into();
    }
    Arc::new(counted)
}

/// The diagnoses that are other ones only because other checks count than before.
pub fn news(snapshot: &Arc<StationSnapshot>, before: &[RecordedCheck], now: &[RecordedCheck]) -> Vec<News> {
    let (old, new) = (with_checks(snapshot, before), with_checks(snapshot, now));
    let circuits = old.circuits.iter().zip(&new.circuits);
    circuits.filter_map(|(old, new)| of_circuit(old, new)).collect()
}

fn of_circuit(old: &CircuitSnapshot, new: &CircuitSnapshot) -> Option<News> {
    let key = |assessment: &Option<Arc<Assessment>>| assessment.as_deref().and_then(DiagnosisKey::of);
    let assessment = new.assessment.as_deref().filter(|_| key(&old.assessment) != key(&new.assessment))?;
    let only_in = |these: &CircuitSnapshot, others: &CircuitSnapshot| -> Vec<RecordedCheck> {
        these.checks.iter().filter(|check| !others.checks.contains(check)).cloned().collect()
    };
    let said = |checks: Vec<RecordedCheck>, came: &str| {
        checks
            .into_iter()
            .map(move |check| format!("{} by {} {came}", check.outcome.finding.words(), check.by))
            .collect()
    };
    let entered: Vec<String> = said(only_in(new, old), "counts now");
    let withdrawn: Vec<String> = said(only_in(old, new), "no longer counts");
    Some(News::Diagnosis {
        circuit: new.name.clone(),
        verdict: assessment.diagnosis.verdict,
        headline: words::headline_with_check(assessment, &new.installation, &new.done()),
        because: Some(format!("because a field check changed: {}", [entered, withdrawn].concat().join("; "))),
    })
}

/// Sums of a wiring that the checks refute say nothing of the energy that was missed.
fn forget_corrected(energy: &mut EnergyReport) {
    for period in [&mut energy.since_start, &mut energy.since_change] {
        period.sums = Misregistration::default();
    }
}

/// True of a check made before somebody was seen to move a lead of this circuit.
fn outdated(check: &RecordedCheck, circuit: &CircuitSnapshot) -> bool {
    let Some(assessment) = &circuit.assessment else { return false };
    let diagnosis = &assessment.diagnosis;
    diagnosis.epoch > 0 && diagnosis.since.is_some_and(|since| check.at < since.wall)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::field_check::{ERROR_RATE, FieldCheck, Finding};
    use crate::reading::{Phase, UnixMs};
    use crate::station::fixtures::{exchanged, snapshot_after};

    fn check(circuit: &str, check: FieldCheck, finding: Finding) -> RecordedCheck {
        RecordedCheck {
            station: "Alder Creek Lift".to_owned(),
            circuit: circuit.to_owned(),
            outcome: Outcome { check, finding, error_rate: ERROR_RATE },
            by: "J. Alvarez".to_owned(),
            at: UnixMs(0),
        }
    }

    #[test]
    fn voltage_leads_count_for_every_circuit_of_the_monitor_and_pairs_for_their_own() {
        let mut snapshot = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
        let mut second = snapshot.circuits[0].clone();
        second.name = "Pump 2".to_owned();
        let mut third = second.clone();
        third.name = "Pump 3".to_owned();
        third.monitor = 1;
        snapshot.circuits.extend([second, third]);
        let checks = [
            check("Pump 1", FieldCheck::VoltageIdentity(0), Finding::LeadOnPhase(Phase::A)),
            check("Pump 1", FieldCheck::CtLeadTrace(1), Finding::FromPhase(Phase::C)),
        ];
        let counted = with_checks(&Arc::new(snapshot), &checks);
        let counts: Vec<usize> = counted.circuits.iter().map(|c| c.checks.len()).collect();
        assert_eq!(counts, [2, 1, 0]);
    }

    #[test]
    fn energies_go_with_the_wiring_that_checks_refute() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let covered_ms = |checks: &[RecordedCheck]| {
            let circuit = &with_checks(&snapshot, checks).circuits[0];
            (circuit.energy.since_start.sums.covered_ms, circuit.energy.since_change.sums.covered_ms)
        };
        let before = covered_ms(&[]);
        assert!(before.0 > 0 && before.1 > 0, "{before:?}");
        let traced = |found: [Finding; 3]| [0, 1, 2].map(|k| check("Pump 1", FieldCheck::CtLeadTrace(k), found[k]));
        let agreeing = traced([Phase::A, Phase::C, Phase::B].map(Finding::FromPhase));
        assert_eq!(covered_ms(&agreeing), before, "as the audit says");
        assert_eq!(covered_ms(&traced([Finding::FromOtherPump; 3])), (0, 0));
    }

    #[test]
    fn what_a_check_alone_does_to_a_diagnosis_is_news_with_its_cause() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let none: [RecordedCheck; 0] = [];
        let found: Vec<RecordedCheck> =
            [0, 1, 2].map(|k| check("Pump 1", FieldCheck::CtLeadTrace(k), Finding::FromOtherPump)).into();
        let told = news(&snapshot, &none, &found);
        let [News::Diagnosis { circuit, because: Some(entered), .. }] = told.as_slice() else { panic!("{told:?}") };
        assert_eq!(circuit, "Pump 1");
        assert!(entered.contains("by J. Alvarez counts now"), "{entered}");
        let withdrawn = news(&snapshot, &found, &none);
        assert!(withdrawn[0].sentence("Alder Creek Lift").contains("by J. Alvarez no longer counts"), "{withdrawn:?}");
        let agreeing = [check("Pump 1", FieldCheck::CtLeadTrace(0), Finding::FromPhase(Phase::A))];
        assert_eq!(news(&snapshot, &none, &agreeing), [], "a check that agrees changes no diagnosis");
    }

    #[test]
    fn checks_of_another_station_change_nothing() {
        let snapshot = snapshot_after("Mill Race Pumping", &exchanged());
        let checks = [check("Pump 1", FieldCheck::CtLeadTrace(1), Finding::FromPhase(Phase::B))];
        assert!(Arc::ptr_eq(&snapshot, &with_checks(&snapshot, &checks)));
    }
}
