//! The audit's conclusions in plain words for operators and technicians: here the words of single things and of numbers, below
//! a wiring and the headline. Must never decide anything.

mod headline;
mod wiring;

pub use headline::{headline, voltage_fault, voltage_line};
pub use wiring::{current_label, describe_wiring, gain_words, registers_words};

use super::assessment::{Check, EvidenceLevel, ReasonKind, RunState, Verdict};
pub use super::blame::{hard_findings, is_hard, lost_phase, wrong_wiring};
use super::proof::{self, Proof};

/// Stable identifier of a check, for metrics and JSON ("active_power_sign").
pub fn check_id(check: Check) -> &'static str {
    match check {
        Check::ActivePowerSign => "active_power_sign",
        Check::TotalPowerSign => "total_power_sign",
        Check::VoltageRotation => "voltage_rotation",
        Check::VoltageCurrentAssociation => "voltage_current_association",
        Check::PowerFactorConsistency => "power_factor_consistency",
        Check::PowerBlankWhileRunning => "power_blank_while_running",
        Check::PowerFactorPlausible => "power_factor_plausible",
        Check::VoltageMissing => "voltage_missing",
        Check::CurrentMissing => "current_missing",
        Check::CurrentBalance => "current_balance",
        Check::CurrentWhileStopped => "current_while_stopped",
        Check::ApparentPowerConsistency => "apparent_power_consistency",
        Check::PowerTriangle => "power_triangle",
        Check::SumOfChannels => "sum_of_channels",
        Check::PlausibleValues => "plausible_values",
        Check::ClockSound => "clock_sound",
        Check::ValuesMoving => "values_moving",
    }
}

/// What a check looks at, for people.
pub fn check_title(check: Check) -> &'static str {
    match check {
        Check::ActivePowerSign => "Sign of power per channel",
        Check::TotalPowerSign => "Sign of total power",
        Check::VoltageRotation => "Rotation of the voltage leads",
        Check::VoltageCurrentAssociation => "Each current with its own voltage",
        Check::PowerFactorConsistency => "Power factor equals P / S",
        Check::PowerBlankWhileRunning => "kW and PF shown while running",
        Check::PowerFactorPlausible => "Power factor fits the load",
        Check::VoltageMissing => "Voltage present",
        Check::CurrentMissing => "Current present on all channels",
        Check::CurrentBalance => "Currents alike on all channels",
        Check::CurrentWhileStopped => "Current agrees with run status",
        Check::ApparentPowerConsistency => "S = V x I",
        Check::PowerTriangle => "S covers P and Q",
        Check::SumOfChannels => "Channels sum to the total",
        Check::PlausibleValues => "Values possible and present",
        Check::ClockSound => "Clock runs evenly",
        Check::ValuesMoving => "Values are live, not frozen",
    }
}

/// What the map offers, for people.
pub fn level_words(level: EvidenceLevel) -> &'static str {
    match level {
        EvidenceLevel::PerChannelPq => "volts, amps, kW and kvar per channel",
        EvidenceLevel::PerChannelP => "volts, amps and kW per channel",
        EvidenceLevel::Totals => "volts and amps per channel, kW and kvar in total only",
        EvidenceLevel::BlankedTotals => "volts and amps per channel, total PF or kW only (may be blank)",
        EvidenceLevel::Insufficient => "too little to diagnose",
    }
}

/// Run state in one word.
pub fn run_state_words(state: RunState) -> &'static str {
    match state {
        RunState::Running => "running",
        RunState::Stopped => "stopped",
        RunState::Starting => "starting",
        RunState::Unknown => "unknown",
    }
}

/// Verdict in plain words.
pub fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Sound => "sound",
        Verdict::Fault => "fault found",
        Verdict::Undecided => "cannot tell yet",
        Verdict::NoEvidence => "nothing to judge by yet",
    }
}

/// What a piece of evidence is, for a list of reasons.
pub fn reason_words(kind: ReasonKind) -> String {
    match kind {
        ReasonKind::Prior => "how common such a mistake is".to_owned(),
        ReasonKind::Companions => "rotation measured, and what the monitor's other circuits show".to_owned(),
        ReasonKind::Blank => "kW or PF is blank while the pump runs".to_owned(),
        ReasonKind::LoadLevel { mean_current_a, readings } => {
            format!("power at {mean_current_a:.0} A ({readings} steady readings)")
        }
        ReasonKind::Start { mean_current_a, readings } => {
            format!("power while starting, at {mean_current_a:.0} A ({readings} readings)")
        }
        ReasonKind::CurrentSizes => "the channels' currents against each other".to_owned(),
        ReasonKind::Together => "channels and load levels together, on this supply".to_owned(),
    }
}

/// A number of decibans for people: what it does to the odds.
pub fn deciban_words(decibans: f64) -> String {
    let odds = 10f64.powf(decibans.abs() / 10.0);
    let times = if odds >= 1.0e4 {
        "more than 10 000".to_owned()
    } else if odds >= 10.0 {
        format!("{odds:.0}")
    } else {
        format!("{odds:.1}")
    };
    let way = if decibans >= 0.0 { "for" } else { "against" };
    format!("{decibans:+.0} dB ({times} times {way})")
}

/// Stable word for what a change of the wiring came to.
pub fn proof_key(outcome: proof::Outcome) -> &'static str {
    match outcome {
        proof::Outcome::Waiting => "waiting",
        proof::Outcome::Repaired => "repaired",
        proof::Outcome::StillWrong => "still_wrong",
        proof::Outcome::Broken => "broken",
        proof::Outcome::StillRight => "still_right",
        proof::Outcome::Disagrees => "disagrees",
    }
}

/// What a change of the wiring came to, in one sentence.
pub fn proof_words(proof: &Proof) -> String {
    let factor = |f: Option<f64>| f.map_or("blank".to_owned(), |f| format!("{f:.2}"));
    match proof.outcome() {
        proof::Outcome::Waiting => {
            "the wiring has changed; not yet enough readings of the running pump to judge it".to_owned()
        }
        proof::Outcome::Repaired => format!(
            "repair passed: power is registered right. PF was {} before, {} was expected after, {} is read now",
            factor(proof.before.registered_factor),
            factor(proof.before.corrected_factor),
            factor(proof.after.and_then(|a| a.registered_factor))
        ),
        proof::Outcome::StillWrong => "repair not passed: power is still registered wrong".to_owned(),
        proof::Outcome::Broken => "power was registered right before this change and is no longer".to_owned(),
        proof::Outcome::StillRight => "power was registered right before this change and still is".to_owned(),
        proof::Outcome::Disagrees => format!(
            "not proven: the readings look right, but PF is {} where {} was expected at this load",
            factor(proof.after.and_then(|a| a.registered_factor)),
            factor(proof.before.corrected_factor)
        ),
    }
}

/// Probability for people: never "100 %" or "0 %", which no evidence gives.
pub fn percent(probability: f64) -> String {
    let percent = 100.0 * probability;
    if percent > 99.9 {
        "over 99.9 %".to_owned()
    } else if percent < 0.1 {
        "under 0.1 %".to_owned()
    } else if !(10.0..=99.0).contains(&percent) {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.0} %")
    }
}

#[cfg(test)]
mod tests {
    use super::percent;

    #[test]
    fn no_probability_is_called_certain() {
        assert_eq!(percent(1.0), "over 99.9 %");
        assert_eq!(percent(0.0), "under 0.1 %");
        assert_eq!(percent(0.993), "99.3 %");
        assert_eq!(percent(0.42), "42 %");
    }
}
