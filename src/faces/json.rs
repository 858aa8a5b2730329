//! The JSON that the API and `audit --json` give out. Its structs are a promise to others, so they are its own: the
//! audit's types never serialise themselves.
//!
//! Units are in the key names; every measured value carries its quality; values of a monitor that is not live are
//! marked `stale`.

use jiff::Timestamp;
use serde::Serialize;

use super::cautions::{self, CAUTIONS};
use super::json_registers::RegisterFaultJson;
use super::metrics::outcome_key;
use crate::audit::advice;
use crate::audit::assessment::{
    Assessment, CorrectedPower, Diagnosis, EvidenceLevel, Finding, Outcome, RunState, WiringGroup,
};
use crate::audit::field_check::{FieldCheck, Worth};
use crate::audit::remedy::Move;
use crate::audit::wiring::{Gain, Wiring};
use crate::audit::words;
use crate::config::checks::RecordedCheck;
use crate::reading::{CircuitReading, Instant2, Measured, MonoMs, Phase, UnixMs};
use crate::station::news::verdict_key;
use crate::station::snapshot::{CircuitSnapshot, MonitorSnapshot, StationSnapshot};

/// Version of the document; grows when a key changes its meaning or goes.
pub const VERSION: u32 = 1;

/// The whole document.
#[derive(Debug, Serialize)]
pub struct Document {
    version: u32,
    /// Stands before everything else, and is empty only when nothing below could send a person to a panel.
    cautions: Vec<&'static str>,
    generated_at: String,
    stations: Vec<Station>,
}

#[derive(Debug, Serialize)]
struct Station {
    name: String,
    clock_jumps: u64,
    last_clock_jump: Option<ClockJump>,
    audit_failures: u64,
    monitors: Vec<Monitor>,
    circuits: Vec<Circuit>,
}

#[derive(Debug, Serialize)]
struct ClockJump {
    at: String,
    by_ms: i64,
}

#[derive(Debug, Serialize)]
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
    register_fault: Option<RegisterFaultJson>,
    poll: Poll,
    voltage_ln_v: Option<[Value; 3]>,
    voltage_ll_v: Option<[Value; 3]>,
    voltage_angle_deg: Option<[Value; 3]>,
    frequency_hz: Option<Value>,
}

#[derive(Debug, Serialize)]
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

#[derive(Debug, Clone, Copy, Serialize)]
struct Value {
    value: Option<f64>,
    quality: &'static str,
}

#[derive(Debug, Serialize)]
struct Circuit {
    name: String,
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
    corrected: Option<Corrected>,
    diagnosis: Option<DiagnosisJson>,
    field_checks: Vec<RecordedJson>,
    advice: Option<AdviceJson>,
    findings: Vec<FindingJson>,
}

#[derive(Debug, Serialize)]
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

#[derive(Debug, Serialize)]
pub(crate) struct Corrected {
    /// Phases A, B, C.
    active_power_w: [f64; 3],
    /// Phases A, B, C.
    reactive_power_var: [f64; 3],
    total_active_power_w: f64,
    total_active_power_uncertainty_w: f64,
    total_reactive_power_var: f64,
    total_power_factor: f64,
}

#[derive(Debug, Serialize)]
pub(crate) struct DiagnosisJson {
    evidence_level: &'static str,
    evidence: &'static str,
    sound_probability: f64,
    unexplained_probability: f64,
    readings_used: u64,
    load_levels: usize,
    groups: Vec<Group>,
}

#[derive(Debug, Serialize)]
struct Group {
    probability: f64,
    power_right: bool,
    members: Vec<Member>,
}

#[derive(Debug, Serialize)]
struct Member {
    probability: f64,
    words: String,
    wiring: WiringJson,
}

/// A wiring, channel by channel.
#[derive(Debug, Serialize)]
struct WiringJson {
    /// Phase that each voltage lead is on: "A", "B" or "C".
    voltage: [&'static str; 3],
    /// What each CT sees: "-B" is phase B the wrong way round, "(A+B)" both conductors, "slot 2: C" another circuit's,
    /// "nothing" no current, "unused" no CT in this service.
    current: [String; 3],
    /// Share of its current that each CT shows; null where it keeps changing (loose).
    gain: [Option<f64>; 3],
    /// What the power registers mean, against what the map says.
    registers: &'static str,
    /// Supply phase of the pump that carries no current.
    lost_phase: Option<&'static str>,
}

/// What to do. Never without the document's cautions.
#[derive(Debug, Serialize)]
struct AdviceJson {
    /// The best first; empty when nothing is left to settle.
    next_checks: Vec<CheckJson>,
    remedy: Option<RemedyJson>,
}

#[derive(Debug, Serialize)]
struct CheckJson {
    check: &'static str,
    /// As numbered on the terminals, from 1.
    channel: Option<usize>,
    /// Breaker phase that the volts are measured to.
    phase: Option<&'static str>,
    /// True when it is done beside energised parts.
    live: bool,
    words: String,
    worth: &'static str,
}

#[derive(Debug, Serialize)]
struct RemedyJson {
    probability: f64,
    moves: Vec<MoveJson>,
}

#[derive(Debug, Serialize)]
struct MoveJson {
    #[serde(rename = "move")]
    key: &'static str,
    /// As numbered on the terminals, from 1.
    channels: Vec<usize>,
    words: String,
}

/// What a person found at the panel.
#[derive(Debug, Serialize)]
struct RecordedJson {
    check: &'static str,
    channel: Option<usize>,
    phase: Option<&'static str>,
    found: String,
    by: String,
    at: String,
}

#[derive(Debug, Serialize)]
pub(crate) struct FindingJson {
    check: &'static str,
    title: &'static str,
    /// As numbered on the terminals, from 1.
    channel: Option<usize>,
    outcome: &'static str,
    /// Why it is idle or not checkable.
    reason: Option<String>,
    detail: String,
    since: String,
}

/// The document of some stations as of `now`.
pub fn document<S: AsRef<StationSnapshot>>(stations: &[S], now: Instant2) -> Document {
    let told = |s: &S| s.as_ref().circuits.iter().filter_map(|c| c.assessment.as_deref()).any(cautions::needed);
    Document {
        version: VERSION,
        cautions: if stations.iter().any(told) { CAUTIONS.to_vec() } else { Vec::new() },
        generated_at: rfc3339(now.wall),
        stations: stations.iter().map(|s| station(s.as_ref(), now.mono)).collect(),
    }
}

/// Time as people and programs both read it; the raw number where the calendar ends.
pub fn rfc3339(at: UnixMs) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(|_| format!("{} ms", at.0), |time| time.to_string())
}

fn station(snapshot: &StationSnapshot, now: MonoMs) -> Station {
    Station {
        name: snapshot.station.clone(),
        clock_jumps: snapshot.clock_jumps,
        last_clock_jump: snapshot
            .last_clock_jump
            .map(|jump| ClockJump { at: rfc3339(jump.at.wall), by_ms: jump.by_ms }),
        audit_failures: snapshot.core_failures,
        monitors: snapshot.monitors.iter().map(|m| monitor(m, now)).collect(),
        circuits: snapshot.circuits.iter().map(|c| circuit(snapshot, c, now)).collect(),
    }
}

fn monitor(m: &MonitorSnapshot, now: MonoMs) -> Monitor {
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
        register_fault: m.register_fault.as_deref().map(RegisterFaultJson::of),
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
    }
}

fn circuit(station: &StationSnapshot, circuit: &CircuitSnapshot, now: MonoMs) -> Circuit {
    let monitor = station.monitor_of(circuit);
    let live = monitor.is_some_and(|m| m.freshness(now).is_live());
    let assessment = circuit.assessment.as_deref();
    let run_state = assessment.filter(|_| live).map_or(RunState::Unknown, |a| a.run_state);
    Circuit {
        name: circuit.name.clone(),
        monitor: monitor.map_or_else(String::new, |m| m.name.clone()),
        slot: circuit.slot + 1,
        load: circuit.load.key(),
        run_state: words::run_state_words(run_state),
        verdict: assessment.map_or("no_evidence", |a| verdict_key(a.diagnosis.verdict)),
        headline: assessment.map(words::headline),
        assessed_at: assessment.map(|a| rfc3339(a.at.wall)),
        audit_failure: circuit.core_failure.clone(),
        reported: monitor.and_then(|m| Some(reported(m, station.reported(circuit)?, now))),
        corrected: assessment.filter(|_| live).and_then(|a| a.corrected.as_ref()).map(corrected),
        diagnosis: assessment.map(|a| diagnosis(&a.diagnosis)),
        field_checks: circuit.checks.iter().map(recorded).collect(),
        advice: assessment.map(|a| advice_of(&a.diagnosis)),
        findings: assessment.map_or_else(Vec::new, findings),
    }
}

fn reported(monitor: &MonitorSnapshot, reading: &CircuitReading, now: MonoMs) -> Reported {
    let one = |v: Measured| value(monitor.shown(v, now));
    Reported {
        current_a: reading.current_a.map(one),
        current_angle_deg: reading.current_angle_deg.map(one),
        active_power_w: reading.active_power_w.map(one),
        reactive_power_var: reading.reactive_power_var.map(one),
        apparent_power_va: reading.apparent_power_va.map(one),
        power_factor: reading.power_factor.map(one),
        total_active_power_w: one(reading.total_active_power_w),
        total_reactive_power_var: one(reading.total_reactive_power_var),
        total_apparent_power_va: one(reading.total_apparent_power_va),
        total_power_factor: one(reading.total_power_factor),
        energy_import_wh: one(reading.energy_import_wh),
        energy_export_wh: one(reading.energy_export_wh),
    }
}

fn value(measured: Measured) -> Value {
    let value = match measured {
        Measured::Good(v) | Measured::Stale(v) | Measured::OutOfRange(v) => Some(v),
        Measured::NotMapped | Measured::NotAvailable | Measured::Failed => None,
    };
    Value { value, quality: quality_key(measured) }
}

/// Stable word for a quality.
pub fn quality_key(measured: Measured) -> &'static str {
    match measured {
        Measured::NotMapped => "not_mapped",
        Measured::Good(_) => "good",
        Measured::NotAvailable => "not_available",
        Measured::Stale(_) => "stale",
        Measured::OutOfRange(_) => "out_of_range",
        Measured::Failed => "failed",
    }
}

pub(crate) fn corrected(power: &CorrectedPower) -> Corrected {
    Corrected {
        active_power_w: power.per_phase_va.map(|s| s.re),
        reactive_power_var: power.per_phase_va.map(|s| s.im),
        total_active_power_w: power.total_w,
        total_active_power_uncertainty_w: power.uncertainty_w,
        total_reactive_power_var: power.total_var,
        total_power_factor: power.power_factor,
    }
}

pub(crate) fn diagnosis(diagnosis: &Diagnosis) -> DiagnosisJson {
    DiagnosisJson {
        evidence_level: match diagnosis.level {
            EvidenceLevel::PerChannelPq => "per_channel_pq",
            EvidenceLevel::PerChannelP => "per_channel_p",
            EvidenceLevel::Totals => "totals",
            EvidenceLevel::BlankedTotals => "blanked_totals",
            EvidenceLevel::Insufficient => "insufficient",
        },
        evidence: words::level_words(diagnosis.level),
        sound_probability: diagnosis.sound_probability,
        unexplained_probability: diagnosis.unexplained_probability,
        readings_used: diagnosis.readings_used,
        load_levels: diagnosis.load_levels,
        groups: diagnosis.groups.iter().map(group).collect(),
    }
}

fn group(group: &WiringGroup) -> Group {
    Group {
        probability: group.probability,
        power_right: group.power_right,
        members: group
            .members
            .iter()
            .map(|m| Member {
                probability: m.probability,
                words: words::describe_wiring(&m.wiring),
                wiring: wiring(&m.wiring),
            })
            .collect(),
    }
}

fn wiring(wiring: &Wiring) -> WiringJson {
    WiringJson {
        voltage: wiring.voltage.map(Phase::label),
        current: wiring.current.map(words::current_label),
        gain: wiring.gain.map(Gain::factor),
        registers: words::registers_words(wiring.registers),
        lost_phase: wiring.lost_phase.map(Phase::label),
    }
}

fn breaker_phase(check: FieldCheck) -> Option<&'static str> {
    if let FieldCheck::PhaseIdentity(_, phase) = check { Some(phase.label()) } else { None }
}

fn advice_of(diagnosis: &Diagnosis) -> AdviceJson {
    let advice = advice::advice(diagnosis);
    let check = |worth: &Worth| CheckJson {
        check: worth.check.key(),
        channel: worth.check.channel().map(|k| k + 1),
        phase: breaker_phase(worth.check),
        live: worth.check.energised(),
        words: worth.check.words(),
        worth: worth.words(),
    };
    let step = |step: &Move| MoveJson {
        key: step.key(),
        channels: step.channels().into_iter().map(|k| k + 1).collect(),
        words: step.words(),
    };
    AdviceJson {
        next_checks: advice.checks.iter().map(check).collect(),
        remedy: advice
            .remedy
            .map(|(probability, moves)| RemedyJson { probability, moves: moves.iter().map(step).collect() }),
    }
}

fn recorded(check: &RecordedCheck) -> RecordedJson {
    let outcome = check.outcome;
    RecordedJson {
        check: outcome.check.key(),
        channel: outcome.check.channel().map(|k| k + 1),
        phase: breaker_phase(outcome.check),
        found: outcome.finding.words(),
        by: check.by.clone(),
        at: rfc3339(check.at),
    }
}

pub(crate) fn findings(assessment: &Assessment) -> Vec<FindingJson> {
    let json = |finding: &Finding| FindingJson {
        check: words::check_id(finding.check),
        title: words::check_title(finding.check),
        channel: finding.channel.map(|k| k + 1),
        outcome: outcome_key(&finding.outcome),
        reason: match &finding.outcome {
            Outcome::Idle(why) => Some((*why).to_owned()),
            Outcome::NotCheckable(missing) => Some(missing.to_string()),
            Outcome::Passed | Outcome::Failed | Outcome::Pending => None,
        },
        detail: finding.detail.to_string(),
        since: rfc3339(finding.since.wall),
    };
    assessment.findings.iter().map(json).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::{exchanged, instant, snapshot_after};

    /// Rounds every number, so that the last digits of a computation are not part of the promise.
    fn rounded(value: serde_json::Value) -> serde_json::Value {
        use serde_json::Value as V;
        match value {
            V::Number(n) if n.is_f64() => V::from((n.as_f64().unwrap() * 1000.0).round() / 1000.0),
            V::Array(items) => V::Array(items.into_iter().map(rounded).collect()),
            V::Object(map) => V::Object(map.into_iter().map(|(k, v)| (k, rounded(v))).collect()),
            other => other,
        }
    }

    fn json(wiring: &Wiring, now_ms: u64) -> serde_json::Value {
        let snapshot = snapshot_after("Alder Creek Lift", wiring);
        rounded(serde_json::to_value(document(&[snapshot], instant(now_ms))).unwrap())
    }

    #[test]
    fn the_document_of_a_miswired_pump() {
        insta::assert_json_snapshot!(json(&exchanged(), 7200));
    }

    #[test]
    fn cautions_are_the_first_text_of_the_document() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let text = serde_json::to_string(&document(&[snapshot], instant(7200))).unwrap();
        let cautions = text.find("authorises nobody").unwrap();
        assert!(cautions < text.find("exchanged").unwrap());
        assert_eq!(json(&Wiring::INTENDED, 7200)["cautions"], serde_json::json!([]));
    }

    #[test]
    fn old_values_are_marked_and_what_speaks_of_now_is_withheld() {
        let old = json(&exchanged(), 60_000);
        let station = &old["stations"][0];
        assert_eq!(station["monitors"][0]["state"], "stale");
        assert_eq!(station["monitors"][0]["age_ms"], 53_000);
        assert_eq!(station["monitors"][0]["voltage_ln_v"][0]["quality"], "stale");
        assert_eq!(station["circuits"][0]["reported"]["current_a"][0]["quality"], "stale");
        assert_eq!(station["circuits"][0]["corrected"], serde_json::Value::Null);
        assert_eq!(station["circuits"][0]["run_state"], "unknown");
        assert_eq!(station["circuits"][0]["verdict"], "fault");
    }

    #[test]
    fn no_number_is_ever_written_that_json_cannot_hold() {
        let mut snapshot = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
        let mut reading = snapshot.monitors[0].reading.as_deref().unwrap().clone();
        reading.voltage_ln_v[0] = Measured::OutOfRange(f64::NAN);
        snapshot.monitors[0].reading = Some(std::sync::Arc::new(reading));
        let value = serde_json::to_value(document(&[Box::new(snapshot)], instant(7200))).unwrap();
        let shown = &value["stations"][0]["monitors"][0]["voltage_ln_v"][0];
        assert_eq!(shown, &serde_json::json!({"value": null, "quality": "out_of_range"}));
    }
}
