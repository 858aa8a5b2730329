//! One circuit: what its monitor reports, and all that follows from it.

use serde::Serialize;
use utoipa::ToSchema;

use super::advice::{AdviceJson, HazardJson, RecordedJson, advice_of, hazards_of, recorded};
use super::conclusions::{
    Corrected, DiagnosisJson, FindingJson, ProofJson, UncorrectedJson, corrected, diagnosis, findings, proof,
    uncorrected,
};
use super::energy::{EnergyJson, energy};
use super::pump::{Pump, pump};
use super::rfc3339;
use super::value::{Value, value};
use crate::audit::assessment::RunState;
use crate::audit::uncorrected::Uncorrected;
use crate::audit::words;
use crate::reading::{CircuitReading, Instant2, Measured, MonoMs};
use crate::station::news::verdict_key;
use crate::station::snapshot::{CircuitSnapshot, MonitorSnapshot, StationSnapshot, SteadyRun};

#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Circuit {
    name: String,
    /// What is dangerous now; to be read before anything else.
    hazards: Vec<HazardJson>,
    monitor: String,
    /// As printed on the monitor, from 1.
    slot: usize,
    load: &'static str,
    run_state: &'static str,
    verdict: &'static str,
    headline: Option<String>,
    assessed_at: Option<String>,
    audit_failure: Option<String>,
    reported: Option<Reported>,
    /// The last steady reading of the running pump, while it does not run; else null.
    last_steady_run: Option<LastRun>,
    /// Null where power is not corrected; `corrected_withheld` says why.
    corrected: Option<Corrected>,
    /// Why power is not corrected; null where it is.
    corrected_withheld: Option<UncorrectedJson>,
    energy: EnergyJson,
    /// Null where no instrument is on the water side.
    pump: Option<Pump>,
    diagnosis: Option<DiagnosisJson>,
    /// The latest change of the wiring seen, and what it came to.
    wiring_change: Option<ProofJson>,
    field_checks: Vec<RecordedJson>,
    advice: Option<AdviceJson>,
    findings: Vec<FindingJson>,
}

#[derive(Debug, Serialize, ToSchema)]
struct Reported {
    current_a: [Value; 3],
    current_angle_deg: [Value; 3],
    active_power_w: [Value; 3],
    reactive_power_var: [Value; 3],
    apparent_power_va: [Value; 3],
    power_factor: [Value; 3],
    total_active_power_w: Value,
    total_reactive_power_var: Value,
    total_apparent_power_va: Value,
    total_power_factor: Value,
    energy_import_wh: Value,
    energy_export_wh: Value,
}

/// The last steady reading of the running pump.
#[derive(Debug, Serialize, ToSchema)]
struct LastRun {
    /// When it was read; its values are of then.
    at: String,
    voltage_ln_v: [Value; 3],
    voltage_ll_v: [Value; 3],
    reported: Reported,
}

impl LastRun {
    fn of(run: &SteadyRun) -> LastRun {
        LastRun {
            at: rfc3339(run.at),
            voltage_ln_v: run.voltage_ln_v.map(value),
            voltage_ll_v: run.voltage_ll_v.map(value),
            reported: values(&run.values, value),
        }
    }
}

pub(crate) fn circuit(station: &StationSnapshot, circuit: &CircuitSnapshot, now: Instant2) -> Circuit {
    let monitor = station.monitor_of(circuit);
    let live = monitor.is_some_and(|m| m.freshness(now.mono).is_live());
    let assessment = circuit.assessment.as_deref();
    let run_state = assessment.filter(|_| live).map_or(RunState::Unknown, |a| a.run_state);
    Circuit {
        name: circuit.name.clone(),
        hazards: assessment.map_or_else(Vec::new, |a| hazards_of(a, &circuit.installation)),
        monitor: monitor.map_or_else(String::new, |m| m.name.clone()),
        slot: circuit.slot + 1,
        load: circuit.load.key(),
        run_state: words::run_state_words(run_state),
        verdict: assessment.map_or("no_evidence", |a| verdict_key(a.diagnosis.verdict)),
        headline: assessment.map(|a| words::headline_with_check(a, &circuit.installation, &circuit.done())),
        assessed_at: assessment.map(|a| rfc3339(a.at.wall)),
        audit_failure: circuit.core_failure.clone(),
        reported: monitor.and_then(|m| Some(reported(m, station.reported(circuit)?, now.mono))),
        last_steady_run: circuit.last_run_at_standstill().map(LastRun::of),
        corrected: assessment.filter(|_| live).and_then(|a| a.corrected.as_ref()).map(corrected),
        corrected_withheld: match assessment {
            None => Some(uncorrected(Uncorrected::NoReadings)),
            Some(_) if !live => Some(uncorrected(Uncorrected::NotLive)),
            Some(assessment) => assessment.uncorrected.map(uncorrected),
        },
        energy: energy(circuit, station.tariff.as_ref(), now),
        pump: station.pump_figures(circuit, now.mono).as_ref().map(pump),
        diagnosis: assessment.map(|a| diagnosis(&a.diagnosis)),
        wiring_change: assessment.and_then(|a| a.proof.as_ref()).map(proof),
        field_checks: circuit.checks.iter().map(recorded).collect(),
        advice: assessment.map(|a| advice_of(a, &station.place_of(circuit), &circuit.done())),
        findings: assessment.map_or_else(Vec::new, findings),
    }
}

fn reported(monitor: &MonitorSnapshot, reading: &CircuitReading, now: MonoMs) -> Reported {
    values(reading, |v: Measured| value(monitor.shown(v, now)))
}

fn values(reading: &CircuitReading, one: impl Fn(Measured) -> Value) -> Reported {
    Reported {
        current_a: reading.current_a.map(&one),
        current_angle_deg: reading.current_angle_deg.map(&one),
        active_power_w: reading.active_power_w.map(&one),
        reactive_power_var: reading.reactive_power_var.map(&one),
        apparent_power_va: reading.apparent_power_va.map(&one),
        power_factor: reading.power_factor.map(&one),
        total_active_power_w: one(reading.total_active_power_w),
        total_reactive_power_var: one(reading.total_reactive_power_var),
        total_apparent_power_va: one(reading.total_apparent_power_va),
        total_power_factor: one(reading.total_power_factor),
        energy_import_wh: one(reading.energy_import_wh),
        energy_export_wh: one(reading.energy_export_wh),
    }
}
