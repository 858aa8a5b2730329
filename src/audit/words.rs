//! The audit's conclusions in plain words for operators and technicians. Must never decide anything.

use super::assessment::{
    Assessment, Check, Diagnosis, EvidenceLevel, Finding, Outcome, ReasonKind, RunState, Verdict, WiringGroup,
};
use super::detail::Detail;
use super::proof::{self, Proof};
use super::voltage_lead::VoltageDiagnosis;
use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

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

/// What a wiring means, lead by lead: "CT pairs 2 and 3 are exchanged (CT 2 sees phase C, CT 3 sees phase B)".
pub fn describe_wiring(wiring: &Wiring) -> String {
    let mut parts = Vec::new();
    if let Some(lost) = wiring.lost_phase {
        parts.push(format!(
            "phase {} of the supply to the pump is lost: the motor runs on two phases (the metering itself is right)",
            lost.label()
        ));
    }
    let off: Vec<usize> = (0..3).filter(|k| wiring.voltage[*k] != Phase::ALL[*k]).collect();
    if !off.is_empty() {
        let seen = off
            .iter()
            .map(|k| format!("lead {} is on phase {}", k + 1, wiring.voltage[*k].label()))
            .collect::<Vec<_>>();
        match off.as_slice() {
            [i, j] => parts.push(format!("voltage leads {} and {} are exchanged ({})", i + 1, j + 1, seen.join(", "))),
            _ => parts.push(format!("voltage leads are rolled by one place ({})", seen.join(", "))),
        }
    }
    let seen_phase = |k: usize| match wiring.current[k] {
        CurrentSeen::Conductor { phase, .. } => Some(phase),
        _ => None,
    };
    let missing: Vec<usize> =
        (0..3).filter(|k| seen_phase(*k).is_none() && wiring.current[*k] != CurrentSeen::Unused).collect();
    for k in 0..3 {
        match wiring.current[k] {
            CurrentSeen::Nothing => {
                parts.push(format!("CT {} gives no current (open, shorted, a lead off, or on another pump)", k + 1));
            }
            CurrentSeen::AllBut { phase, .. } => {
                let around: Vec<&str> = Phase::ALL.into_iter().filter(|p| *p != phase).map(Phase::label).collect();
                parts.push(format!("CT {} is closed around two conductors ({})", k + 1, around.join(" and ")));
            }
            CurrentSeen::OtherCircuit { slot, .. } => {
                parts.push(format!("CT {} is on another pump (the one in slot {} of this monitor)", k + 1, slot + 1));
            }
            CurrentSeen::Conductor { .. } | CurrentSeen::Unused => {}
        }
    }
    let twice = |p: Phase| (0..3).filter(|k| seen_phase(*k) == Some(p)).count() > 1;
    let moved: Vec<usize> = (0..3).filter(|k| seen_phase(*k).is_some_and(|p| p != Phase::ALL[*k])).collect();
    if !moved.is_empty() {
        let seen = moved
            .iter()
            .filter_map(|k| seen_phase(*k).map(|p| format!("CT {} sees phase {}", k + 1, p.label())))
            .collect::<Vec<_>>()
            .join(", ");
        match moved.as_slice() {
            [k] if seen_phase(*k).is_some_and(twice) => {
                let on = seen_phase(*k).map_or("", Phase::label);
                parts.push(format!("CT {} is on phase {on}, where another CT is as well", k + 1));
            }
            [i, j] if missing.is_empty() => {
                parts.push(format!("CT pairs {} and {} are exchanged ({seen})", i + 1, j + 1));
            }
            _ if missing.is_empty() => parts.push(format!("CT pairs are rolled by one place ({seen})")),
            _ => parts.push(format!("CT pairs are on the wrong channels ({seen})")),
        }
    }
    let reversed: Vec<usize> = (0..3)
        .filter(|k| {
            matches!(
                wiring.current[*k],
                CurrentSeen::Conductor { reversed: true, .. }
                    | CurrentSeen::AllBut { reversed: true, .. }
                    | CurrentSeen::OtherCircuit { reversed: true, .. }
            )
        })
        .map(|k| k + 1)
        .collect();
    match reversed.as_slice() {
        [] => {}
        [one] => parts.push(format!("CT {one} is reversed")),
        [i, j] => parts.push(format!("CTs {i} and {j} are reversed")),
        _ => parts.push("all three CTs are reversed".to_owned()),
    }
    if !wiring.ratios_right() && wiring.gain[0] == wiring.gain[1] && wiring.gain[1] == wiring.gain[2] {
        parts.push(format!("all CTs show {} of their current (ratio set wrong)", gain_words(wiring.gain[0])));
    } else {
        for (k, gain) in wiring.gain.iter().enumerate().filter(|(_, g)| **g != Gain::AsRated) {
            parts.push(match gain {
                Gain::Unsteady => format!("CT {} shows a current that drifts and jumps (loose connection)", k + 1),
                _ => format!(
                    "CT {} shows {} of its current (ratio set wrong, or not all of its parallel conductors)",
                    k + 1,
                    gain_words(*gain)
                ),
            });
        }
    }
    if wiring.supply_rotates_back {
        parts.push(
            "the supply rotates the other way than configured (power is registered right; see that the pump turns right)"
                .to_owned(),
        );
    }
    if wiring.registers != Registers::AsDeclared {
        parts.push(format!("the meter map does not fit: {}", registers_words(wiring.registers)));
    }
    if parts.is_empty() {
        "every lead is on its own phase, every CT the right way round".to_owned()
    } else {
        parts.join("; ")
    }
}

/// What a current channel sees, short: "A", "-B", "(A+B)" (around two), "slot 2: C" (of another circuit), "nothing", "unused".
pub fn current_label(seen: CurrentSeen) -> String {
    let sign = |reversed: bool| if reversed { "-" } else { "" };
    match seen {
        CurrentSeen::Nothing => "nothing".to_owned(),
        CurrentSeen::Unused => "unused".to_owned(),
        CurrentSeen::Conductor { phase, reversed } => format!("{}{}", sign(reversed), phase.label()),
        CurrentSeen::AllBut { phase, reversed } => {
            let others: Vec<&str> = Phase::ALL.into_iter().filter(|p| *p != phase).map(Phase::label).collect();
            format!("{}({})", sign(reversed), others.join("+"))
        }
        CurrentSeen::OtherCircuit { slot, phase, reversed } => {
            format!("slot {}: {}{}", slot + 1, sign(reversed), phase.label())
        }
    }
}

/// A wrong ratio in words: "half", "twice".
pub fn gain_words(gain: Gain) -> String {
    match gain {
        Gain::AsRated => "all".to_owned(),
        Gain::Unsteady => "a changing share".to_owned(),
        Gain::Times(1, 2) => "half".to_owned(),
        Gain::Times(1, den) => format!("1/{den}"),
        Gain::Times(2, 1) => "twice as much as all".to_owned(),
        Gain::Times(num, 1) => format!("{num} times"),
        Gain::Times(num, den) => format!("{num}/{den}"),
    }
}

/// What the registers mean, against what the map says.
pub fn registers_words(registers: Registers) -> &'static str {
    match registers {
        Registers::AsDeclared => "the registers mean what the map says",
        Registers::ReactiveSign => "kvar has the other sign than the map says (kW is right)",
        Registers::ActiveSign => "kW has the other sign than the map says",
        Registers::BothSigns => {
            "kW and kvar have the other sign than the map says (generator instead of load convention)"
        }
        Registers::Exchanged => "kW and kvar are exchanged",
        Registers::FactorLagPositive => "the sign of PF tells lag (+) from lead (-), not the direction of power",
        Registers::FactorLagNegative => "the sign of PF tells lead (+) from lag (-), not the direction of power",
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

/// One line for a log or a list: what is wrong and how sure, without station and pump (the caller adds them).
pub fn headline(assessment: &Assessment) -> String {
    let diagnosis = &assessment.diagnosis;
    let wrong_numbers = hard_findings(&assessment.findings);
    if let Some(line) = assessment.voltage_leads.as_deref().and_then(voltage_line) {
        return line;
    }
    match diagnosis.verdict {
        Verdict::NoEvidence => {
            if wrong_numbers.is_empty() {
                let why = match assessment.run_state {
                    RunState::Stopped => "the pump has not been seen running",
                    RunState::Starting => "the pump is starting",
                    _ => "too few usable readings",
                };
                format!("nothing to judge by yet: {why}")
            } else {
                format!("nothing to diagnose by yet, but {}", list(&wrong_numbers))
            }
        }
        Verdict::Sound => {
            let sure = percent(diagnosis.sound_probability);
            match lost_phase(diagnosis) {
                None => format!("sound: power is registered right ({sure} sure)"),
                Some(lost) => format!(
                    "power is registered right ({sure} sure), but phase {} of the supply to the pump is lost: the motor \
                     runs on two phases",
                    lost.label()
                ),
            }
        }
        Verdict::Undecided if diagnosis.unexplained_probability > 0.5 => format!(
            "the readings fit no wiring considered ({} sure of that); check CT ratios, load, map and monitor{}",
            percent(diagnosis.unexplained_probability),
            also(&failed(&assessment.findings, |f| is_hard(f) || f.check == Check::CurrentBalance))
        ),
        Verdict::Undecided => format!(
            "cannot tell yet: {} that power is registered right{}",
            percent(diagnosis.sound_probability),
            diagnosis
                .groups
                .first()
                .map_or_else(String::new, |g| format!("; most likely {}", describe_wiring(&g.members[0].wiring)))
        ),
        Verdict::Fault => fault_line(assessment, &wrong_numbers),
    }
}

/// What is wrong with the voltage leads or the supply, when that is as good as certain.
pub fn voltage_line(leads: &VoltageDiagnosis) -> Option<String> {
    let (states, probability) = voltage_fault(leads)?;
    let unsettled = if states.contains(", or ") { "; the readings do not tell which" } else { "" };
    Some(format!("{states} ({} sure{unsettled})", percent(probability)))
}

/// The same without how sure it is, and that as a probability.
pub fn voltage_fault(leads: &VoltageDiagnosis) -> Option<(String, f64)> {
    let group = leads.fault()?;
    let states: Vec<String> = group.states.iter().take(3).map(|state| state.words()).collect();
    let more = if group.states.len() > 3 { " (or another of its kind)" } else { "" };
    Some((format!("{}{more}", states.join(", or ")), group.probability))
}

fn fault_line(assessment: &Assessment, wrong_numbers: &[&Finding]) -> String {
    let diagnosis = &assessment.diagnosis;
    let Some(group) = wrong_wiring(diagnosis) else {
        return if wrong_numbers.is_empty() { "the registered power is wrong".to_owned() } else { list(wrong_numbers) };
    };
    let first = describe_wiring(&group.members[0].wiring);
    let likely: Vec<_> = group.members.iter().filter(|m| m.probability > 0.01 * group.probability).collect();
    if likely.len() <= 1 || group.members[0].probability > 0.9 * group.probability {
        format!("{first} ({} sure)", percent(group.probability))
    } else {
        format!(
            "power is registered wrong ({} sure); which lead is not settled: {} wirings fit alike, most likely {first} ({})",
            percent(1.0 - diagnosis.sound_probability - diagnosis.unexplained_probability),
            likely.len(),
            percent(group.members[0].probability)
        )
    }
}

/// The group of wirings that a fault is blamed on; `None` when wrong leads are less likely than not and the fault is one
/// of the numbers alone, such as a voltage that is gone.
pub fn wrong_wiring(diagnosis: &Diagnosis) -> Option<&WiringGroup> {
    let wrong = 1.0 - diagnosis.sound_probability - diagnosis.unexplained_probability;
    let blamed = diagnosis.verdict == Verdict::Fault && wrong >= 0.5;
    diagnosis.groups.first().filter(|group| blamed && !group.power_right)
}

/// The supply conductor that has most likely gone, when that is the leading story: no fault of the metering, but one that
/// burns motors.
pub fn lost_phase(diagnosis: &Diagnosis) -> Option<Phase> {
    let leader = diagnosis.groups.first()?.members.first()?;
    leader.wiring.lost_phase.filter(|_| leader.probability > 0.5)
}

/// Findings that mean the numbers are wrong whatever the wiring.
pub fn hard_findings(findings: &[Finding]) -> Vec<&Finding> {
    failed(findings, is_hard)
}

fn failed(findings: &[Finding], which: impl Fn(&Finding) -> bool) -> Vec<&Finding> {
    findings.iter().filter(|f| f.outcome == Outcome::Failed && which(f)).collect()
}

/// True of a finding whose failure alone means that registered power is wrong or missing, or another circuit's: a pump
/// that stands draws nothing. The other way round a drive that idles may draw too little to count as running.
pub fn is_hard(finding: &Finding) -> bool {
    let flows_while_stopped = matches!(finding.detail, Detail::Status { running: false, .. });
    matches!(
        finding.check,
        Check::VoltageMissing
            | Check::PowerBlankWhileRunning
            | Check::TotalPowerSign
            | Check::ApparentPowerConsistency
            | Check::PowerTriangle
            | Check::SumOfChannels
            | Check::PowerFactorConsistency
            | Check::PlausibleValues
    ) || finding.check == Check::CurrentWhileStopped && flows_while_stopped
        // Leads in another order are for the diagnosis; this is beyond every wiring it knows.
        || matches!(finding.detail, Detail::NoThreePhaseSet(_))
}

fn list(findings: &[&Finding]) -> String {
    findings.iter().map(|f| f.detail.to_string()).collect::<Vec<_>>().join("; ")
}

fn also(findings: &[&Finding]) -> String {
    if findings.is_empty() { String::new() } else { format!(". Also: {}", list(findings)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sees(phase: Phase, reversed: bool) -> CurrentSeen {
        CurrentSeen::Conductor { phase, reversed }
    }

    #[test]
    fn wirings_read_like_a_person_says_them() {
        use Phase::{A, B, C};
        let cases = [
            (Wiring::INTENDED, "every lead is on its own phase, every CT the right way round"),
            (
                Wiring { current: [sees(A, false), sees(C, false), sees(B, false)], ..Wiring::INTENDED },
                "CT pairs 2 and 3 are exchanged (CT 2 sees phase C, CT 3 sees phase B)",
            ),
            (
                Wiring { current: [sees(B, true), sees(C, true), sees(A, true)], ..Wiring::INTENDED },
                "CT pairs are rolled by one place (CT 1 sees phase B, CT 2 sees phase C, CT 3 sees phase A); \
                 all three CTs are reversed",
            ),
            (
                Wiring {
                    voltage: [A, C, B],
                    current: [sees(A, true), CurrentSeen::Nothing, sees(C, false)],
                    ..Wiring::INTENDED
                },
                "voltage leads 2 and 3 are exchanged (lead 2 is on phase C, lead 3 is on phase B); \
                 CT 2 gives no current (open, shorted, a lead off, or on another pump); CT 1 is reversed",
            ),
        ];
        for (wiring, words) in cases {
            assert_eq!(describe_wiring(&wiring), words);
        }
    }

    #[test]
    fn no_probability_is_called_certain() {
        assert_eq!(percent(1.0), "over 99.9 %");
        assert_eq!(percent(0.0), "under 0.1 %");
        assert_eq!(percent(0.993), "99.3 %");
        assert_eq!(percent(0.42), "42 %");
    }
}
