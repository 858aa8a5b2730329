//! The audit's conclusions in plain words for operators and technicians: here the words of single things and of numbers, below
//! a wiring and the headline. Must never decide anything.

mod headline;
mod moment;
mod open_ct;
mod wiring;

pub use headline::{
    headline, headline_with_check, open_words, statement_words, voltage_fault, voltage_line, wiring_fault_words,
};
pub use moment::moment_line;
pub use open_ct::open_ct_words;
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
        Check::CurrentBalance => "Currents balanced on all channels",
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
        Verdict::Sound => "OK",
        Verdict::Fault => "fault found",
        Verdict::Undecided => "cannot tell yet",
        Verdict::NoEvidence => "not enough data yet",
    }
}

/// What a piece of evidence is, for a list of reasons.
pub fn reason_words(kind: ReasonKind) -> String {
    match kind {
        ReasonKind::Prior => "how common this mistake is".to_owned(),
        ReasonKind::Companions => "measured rotation, and the other circuits of the monitor".to_owned(),
        ReasonKind::Blank => "kW or PF is blank while the pump runs".to_owned(),
        ReasonKind::LoadLevel { mean_current_a, readings } => {
            format!("power at {mean_current_a:.0} A ({readings} steady readings)")
        }
        ReasonKind::Start { mean_current_a, readings } => {
            format!("power while starting, at {mean_current_a:.0} A ({readings} readings)")
        }
        ReasonKind::CurrentSizes => "currents of the channels compared".to_owned(),
        ReasonKind::Together => "all channels and load levels together, on this supply".to_owned(),
    }
}

/// Odds that a piece of evidence gives, from its weight in decibans: "1,000 to 1 for", "2.5 to 1 against".
pub fn odds_words(decibans: f64) -> String {
    let odds = 10f64.powf(decibans.abs() / 10.0);
    let odds = if odds >= 10.0 { odds.round() } else { odds };
    let way = if decibans >= 0.0 { "for" } else { "against" };
    if odds >= 1.0e4 {
        format!("more than 10,000 to 1 {way}")
    } else if odds >= 1000.0 {
        let thousands = (odds / 1000.0).floor();
        format!("{thousands:.0},{:03.0} to 1 {way}", odds - 1000.0 * thousands)
    } else if odds >= 10.0 {
        format!("{odds:.0} to 1 {way}")
    } else {
        format!("{odds:.1} to 1 {way}")
    }
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
            "the wiring has changed; repair not yet proven: too few readings of the running pump since".to_owned()
        }
        proof::Outcome::Repaired => format!(
            "repaired: metering is correct. PF was {} before, {} was expected after, {} is read now",
            factor(proof.before.registered_factor),
            factor(proof.before.corrected_factor),
            factor(proof.after.and_then(|a| a.registered_factor))
        ),
        proof::Outcome::StillWrong => "not repaired: power is still metered wrong".to_owned(),
        proof::Outcome::Broken => "metering was correct before this change and is wrong now".to_owned(),
        proof::Outcome::StillRight => "metering was correct before this change and still is".to_owned(),
        proof::Outcome::Disagrees => format!(
            "not yet proven: the readings look right, but PF is {} where {} was expected at this load",
            factor(proof.after.and_then(|a| a.registered_factor)),
            factor(proof.before.corrected_factor)
        ),
    }
}

/// Probability for people: never "100 %" or "0 %", which no evidence gives.
pub fn percent(probability: f64) -> String {
    let percent = 100.0 * probability;
    if percent > 99.9 {
        "> 99.9 %".to_owned()
    } else if percent < 0.1 {
        "< 0.1 %".to_owned()
    } else if !(10.0..=99.0).contains(&percent) {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.0} %")
    }
}

/// How sure a statement is, for people: "confidence 97 %", "confidence > 99.9 %".
pub fn confidence(probability: f64) -> String {
    format!("confidence {}", percent(probability))
}

#[cfg(test)]
mod tests {
    use super::{confidence, odds_words, percent};

    #[test]
    fn odds_are_read_as_a_bettor_says_them() {
        for (decibans, words) in [
            (30.0, "1,000 to 1 for"),
            (29.999, "1,000 to 1 for"),
            (36.53, "4,498 to 1 for"),
            (-20.0, "100 to 1 against"),
            (4.0, "2.5 to 1 for"),
            (300.0, "more than 10,000 to 1 for"),
        ] {
            assert_eq!(odds_words(decibans), words);
        }
    }

    #[test]
    fn no_probability_is_called_certain() {
        assert_eq!(percent(1.0), "> 99.9 %");
        assert_eq!(percent(0.0), "< 0.1 %");
        assert_eq!(percent(0.993), "99.3 %");
        assert_eq!(percent(0.42), "42 %");
        assert_eq!(confidence(1.0), "confidence > 99.9 %");
    }
}
