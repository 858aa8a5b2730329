//! The JSON that the API and `audit --json` give out. Its structs are a promise to others, so they are its own: the
//! audit's types never serialise themselves.
//!
//! Units are in the key names; every measured value carries its quality; values of a monitor that is not live are
//! marked `stale`; what is withheld is `null` beside its reason.

mod advice;
mod circuit;
mod conclusions;
mod energy;
mod pump;
#[cfg(test)]
mod tests;
mod together;
mod value;

use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;

pub(crate) use self::circuit::{Circuit, circuit};
pub(crate) use self::conclusions::{
    Corrected, DiagnosisJson, FindingJson, UncorrectedJson, corrected, diagnosis, findings, uncorrected,
};
pub(crate) use self::energy::{EnergyJson, PeriodJson, energy, period};
use self::together::{JointJson, VoltageLeadsJson};
pub use self::value::quality_key;
use self::value::{Value, value};
use super::cautions::{self, Caution};
use super::json_registers::RegisterFaultJson;
use crate::reading::{Instant2, Measured, MonoMs, UnixMs};
use crate::station::snapshot::{MonitorSnapshot, StationSnapshot};

/// Version of the document; grows when a key changes its meaning or goes.
pub const VERSION: u32 = 1;

/// The whole document.
#[derive(Debug, Serialize, ToSchema)]
pub struct Document {
    version: u32,
    /// Stands before everything else, and is empty only when nothing below could send a person to a panel.
    #[schema(value_type = Vec<String>)]
    cautions: Vec<Caution>,
    generated_at: String,
    stations: Vec<Station>,
}

#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Station {
    name: String,
    clock_jumps: u64,
    last_clock_jump: Option<ClockJump>,
    audit_failures: u64,
    monitors: Vec<Monitor>,
    circuits: Vec<Circuit>,
}

#[derive(Debug, Serialize, ToSchema)]
struct ClockJump {
    at: String,
    by_ms: i64,
}

#[derive(Debug, Serialize, ToSchema)]
struct Monitor {
    name: String,
    address: String,
    unit: u8,
    map: String,
    /// waiting, never_answered, live or stale.
    state: &'static str,
    age_ms: Option<u64>,
    last_good_at: Option<String>,
    failures: Vec<String>,
    poll: Poll,
    voltage_ln_v: Option<[Value; 3]>,
    voltage_ll_v: Option<[Value; 3]>,
    voltage_angle_deg: Option<[Value; 3]>,
    frequency_hz: Option<Value>,
    register_fault: Option<RegisterFaultJson>,
    voltage_leads: Option<VoltageLeadsJson>,
    joint_wirings: Option<JointJson>,
}

#[derive(Debug, Serialize, ToSchema)]
struct Poll {
    period_ms: u64,
    last_duration_ms: f64,
    polls: u64,
    failed_polls: u64,
    transactions: u64,
    failed_transactions: u64,
    skipped_polls: u64,
    connects: u64,
    dropped_readings: u64,
}

/// The document of some stations as of `now`.
pub fn document<S: AsRef<StationSnapshot>>(stations: &[S], now: Instant2) -> Document {
    Document {
        version: VERSION,
        cautions: cautions::of_stations(stations),
        generated_at: rfc3339(now.wall),
        stations: stations.iter().map(|s| station(s.as_ref(), now)).collect(),
    }
}

/// Time as people and programs both read it; the raw number where the calendar ends.
pub fn rfc3339(at: UnixMs) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(|_| format!("{} ms", at.0), |time| time.to_string())
}

pub(crate) fn station(snapshot: &StationSnapshot, now: Instant2) -> Station {
    Station {
        name: snapshot.station.clone(),
        clock_jumps: snapshot.clock_jumps,
        last_clock_jump: snapshot
            .last_clock_jump
            .map(|jump| ClockJump { at: rfc3339(jump.at.wall), by_ms: jump.by_ms }),
        audit_failures: snapshot.core_failures,
        monitors: snapshot
            .monitors
            .iter()
            .enumerate()
            .map(|(index, m)| monitor(snapshot, index, m, now.mono))
            .collect(),
        circuits: snapshot.circuits.iter().map(|c| circuit(snapshot, c, now)).collect(),
    }
}

fn monitor(station: &StationSnapshot, index: usize, m: &MonitorSnapshot, now: MonoMs) -> Monitor {
    // What the circuits tell together is the same in every one of their assessments.
    let circuit = station.circuits.iter().find(|c| c.monitor == index);
    let assessment = || circuit?.assessment.as_deref();
    let freshness = m.freshness(now);
    let values = |values: [Measured; 3]| values.map(|v| value(m.shown(v, now)));
    let reading = m.reading.as_deref();
    Monitor {
        name: m.name.clone(),
        address: m.address.clone(),
        unit: m.unit,
        map: m.map_name.clone(),
        state: freshness.key(),
        age_ms: freshness.age_ms(),
        last_good_at: m.health.last_good.map(|at| rfc3339(at.wall)),
        failures: m.health.failures.clone(),
        poll: Poll {
            period_ms: m.poll_period.as_millis() as u64,
            last_duration_ms: m.health.last_took_ms,
            polls: m.health.polls,
            failed_polls: m.health.failed_polls,
            transactions: m.health.transactions,
            failed_transactions: m.health.failed_transactions,
            skipped_polls: m.health.skipped_ticks,
            connects: m.health.connects,
            dropped_readings: m.health.dropped_events,
        },
        voltage_ln_v: reading.map(|r| values(r.voltage_ln_v)),
        voltage_ll_v: reading.map(|r| values(r.voltage_ll_v)),
        voltage_angle_deg: reading.map(|r| values(r.voltage_angle_deg)),
        frequency_hz: reading.map(|r| value(m.shown(r.frequency_hz, now))),
        register_fault: m.register_fault.as_deref().map(RegisterFaultJson::of),
        voltage_leads: circuit
            .zip(assessment().and_then(|a| a.voltage_leads.as_deref()))
            .map(|(circuit, leads)| VoltageLeadsJson::of(leads, &circuit.installation)),
        joint_wirings: assessment().and_then(|a| a.joint.as_deref()).map(JointJson::of),
    }
}
