//! What the audit concludes: findings, diagnosis, corrected power. Replay gives out the same.

use serde::Serialize;
use utoipa::ToSchema;

use super::rfc3339;
use crate::audit::assessment::{Assessment, CorrectedPower, Diagnosis, EvidenceLevel, Finding, Outcome, WiringGroup};
use crate::audit::proof::Proof;
use crate::audit::uncorrected::Uncorrected;
use crate::audit::wiring::{Gain, Wiring};
use crate::audit::words;
use crate::faces::metrics::outcome_key;
use crate::reading::Phase;

#[derive(Debug, Serialize, ToSchema)]
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

#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DiagnosisJson {
    evidence_level: &'static str,
    evidence: &'static str,
    /// Probability that metering is correct.
    sound_probability: f64,
    /// Probability that a wiring considered makes the monitor meter power wrong.
    power_wrong_probability: f64,
    /// Probability that no wiring considered explains the readings.
    unexplained_probability: f64,
    /// Probability of all wirings of the leading group together, which the evidence cannot tell apart; null without one.
    leading_group_probability: Option<f64>,
    /// Probability of the most probable wiring alone; null without one.
    leading_wiring_probability: Option<f64>,
    /// One wiring is probable enough to be named as the fault, and its remedy given. While it is false, no member of a group
    /// below is more than a possibility.
    wiring_settled: bool,
    readings_used: u64,
    load_levels: usize,
    /// How often the wiring has been seen to change, and since when it is as it is.
    epoch: u32,
    since: Option<String>,
    /// What speaks for the leading wiring against the best one of the other kind, strongest first.
    why: Vec<ReasonJson>,
    groups: Vec<Group>,
}

#[derive(Debug, Serialize, ToSchema)]
struct ReasonJson {
    evidence: String,
    decibans: f64,
}

/// The latest change of the wiring, and what it came to.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProofJson {
    changed_at: String,
    /// waiting, repaired, still_wrong, broken, still_right or disagrees.
    outcome: &'static str,
    words: String,
    registered_power_factor_before: Option<f64>,
    expected_power_factor: Option<f64>,
    registered_power_factor_now: Option<f64>,
}

pub(crate) fn proof(proof: &Proof) -> ProofJson {
    ProofJson {
        changed_at: rfc3339(proof.changed_at.wall),
        outcome: words::proof_key(proof.outcome()),
        words: words::proof_words(proof),
        registered_power_factor_before: proof.before.registered_factor,
        expected_power_factor: proof.before.corrected_factor,
        registered_power_factor_now: proof.after.and_then(|after| after.registered_factor),
    }
}

#[derive(Debug, Serialize, ToSchema)]
struct Group {
    probability: f64,
    power_right: bool,
    members: Vec<Member>,
}

#[derive(Debug, Serialize, ToSchema)]
struct Member {
    probability: f64,
    words: String,
    wiring: WiringJson,
}

/// A wiring, channel by channel.
#[derive(Debug, Serialize, ToSchema)]
struct WiringJson {
    /// Phase that each voltage lead is on: "A", "B" or "C".
    voltage: [&'static str; 3],
    /// What each CT sees: "-B" is phase B with reversed polarity, "(A+B)" both conductors, "slot 2: C" another circuit's,
    /// "nothing" no current, "unused" no CT in this service.
    current: [String; 3],
    /// Share of its current that each CT shows; null where it keeps changing (loose).
    gain: [Option<f64>; 3],
    /// What the power registers mean, against what the map says.
    registers: &'static str,
    /// The phase rotation of the supply is reversed from the configuration.
    supply_rotates_back: bool,
    /// Supply phase of the pump that carries no current.
    lost_phase: Option<&'static str>,
}

#[derive(Debug, Serialize, ToSchema)]
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

/// Why power is not corrected.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UncorrectedJson {
    /// stopped, starting, run_state_unknown, values_missing, no_readings, not_settled, unexplained, channels_missing, refuted or
    /// not_live.
    reason: &'static str,
    words: String,
}

pub(crate) fn uncorrected(why: Uncorrected) -> UncorrectedJson {
    UncorrectedJson { reason: why.key(), words: why.words() }
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
        power_wrong_probability: diagnosis.wrong_probability(),
        leading_group_probability: diagnosis.groups.first().map(|group| group.probability),
        leading_wiring_probability: diagnosis.leader().map(|leader| leader.probability),
        wiring_settled: diagnosis.settled().is_some(),
        unexplained_probability: diagnosis.unexplained_probability,
        readings_used: diagnosis.readings_used,
        load_levels: diagnosis.load_levels,
        epoch: diagnosis.epoch,
        since: diagnosis.since.map(|at| rfc3339(at.wall)),
        why: diagnosis
            .why
            .iter()
            .map(|r| ReasonJson { evidence: words::reason_words(r.kind), decibans: (10.0 * r.decibans).round() / 10.0 })
            .collect(),
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
        supply_rotates_back: wiring.supply_rotates_back,
        lost_phase: wiring.lost_phase.map(Phase::label),
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
