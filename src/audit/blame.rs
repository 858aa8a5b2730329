//! What a diagnosis is laid to: wrong leads, a supply phase that is lost, or numbers that are wrong whatever the wiring.
//!
//! Every face and every alarm asks here, so that all lay the blame on the same. Must never put anything in words.

use super::assessment::{Check, Diagnosis, Finding, Outcome, RankedWiring, Verdict, WiringGroup};
use super::bars;
use super::detail::Detail;
use crate::reading::Phase;

/// The group of wirings that a fault is blamed on; `None` when wrong leads are less likely than not and the fault is one
/// of the numbers alone, such as a voltage that is gone.
pub fn wrong_wiring(diagnosis: &Diagnosis) -> Option<&WiringGroup> {
    let wrong = diagnosis.wrong_probability();
    let blamed = diagnosis.verdict == Verdict::Fault && wrong >= bars::LIKELIER_THAN_NOT;
    diagnosis.groups.first().filter(|group| blamed && !group.power_right)
}

/// Members of a group that carry more than a hundredth of it: with more than one, which lead it is is not settled.
pub fn likely_members(group: &WiringGroup) -> impl Iterator<Item = &RankedWiring> {
    group.members.iter().filter(|member| member.probability > bars::LISTED * group.probability)
}

/// The supply conductor that has most likely gone, when that is the leading story: no fault of the metering, but one that
/// burns motors.
pub fn lost_phase(diagnosis: &Diagnosis) -> Option<Phase> {
    let leader = diagnosis.leader()?;
    leader.wiring.lost_phase.filter(|_| leader.probability > bars::LIKELIER_THAN_NOT)
}

/// Findings that mean the numbers are wrong whatever the wiring.
pub fn hard_findings(findings: &[Finding]) -> Vec<&Finding> {
    failed(findings, is_hard)
}

/// Findings that failed, of the kind asked for.
pub fn failed(findings: &[Finding], which: impl Fn(&Finding) -> bool) -> Vec<&Finding> {
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
