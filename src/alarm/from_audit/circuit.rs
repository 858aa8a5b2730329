//! What one circuit's audit says, as conditions: what a root explains is attached to it and raises nothing beside it. Must
//! never look at another circuit.

use super::lead_order::SETTLED_SHARE;
use super::{Audit, Known, Told};
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words::{self as say, Story};
use crate::audit::assessment::{Assessment, Check, Diagnosis, Finding, Outcome, RunState, Verdict};
use crate::audit::words;

/// Above this probability that no wiring explains the readings, they fit none.
const FITS_NONE: f64 = 0.5;

/// Conditions of one circuit, one for every kind that it can have.
pub(super) struct Causes([Known; AlarmKind::OF_CIRCUIT.len()]);

impl Causes {
    pub(super) fn unknown() -> Causes {
        Causes(AlarmKind::OF_CIRCUIT.map(|kind| Known::new(kind, Condition::Unknown)))
    }

    /// As conditions of the circuit's alarms.
    pub(super) fn told(self, station: &str, circuit: &str) -> impl Iterator<Item = Told> {
        self.0.into_iter().map(move |known| known.told(|kind| AlarmId::circuit(station, circuit, kind)))
    }

    pub(super) fn of(audit: &Audit) -> Causes {
        let mut causes = Causes::unknown();
        match audit {
            Audit::NotYet => {}
            Audit::Failed { message } => causes.raise(AlarmKind::AuditFailed, say::audit_failed(message)),
            Audit::Of(assessment) => {
                causes.set(AlarmKind::AuditFailed, Condition::False);
                causes.judge(assessment);
            }
        }
        causes
    }

    pub(super) fn raised(&self, kind: AlarmKind) -> bool {
        self.0.iter().any(|known| known.kind == kind && known.condition == Condition::True)
    }

    pub(super) fn set(&mut self, kind: AlarmKind, condition: Condition) {
        self.put(Known::new(kind, condition));
    }

    pub(super) fn raise(&mut self, kind: AlarmKind, story: Story) {
        self.put(Known::raised(kind, story));
    }

    /// Its cause is there, and is told by another alarm.
    pub(super) fn leave_to(&mut self, kind: AlarmKind, other: AlarmId) {
        self.put(Known { told_by: Some(other), ..Known::new(kind, Condition::False) });
    }

    fn put(&mut self, new: Known) {
        if let Some(known) = self.0.iter_mut().find(|known| known.kind == new.kind) {
            *known = new;
        }
    }

    fn judge(&mut self, assessment: &Assessment) {
        let findings = &assessment.findings;
        let failed: Vec<&Finding> = findings.iter().filter(|f| f.outcome == Outcome::Failed).collect();
        if let Some(root) = failed.iter().find(|f| f.check == Check::ValuesMoving) {
            // Whatever else the audit says of values that stand still is as old as they are.
            let others: Vec<&Finding> = failed.iter().copied().filter(|f| f.check != Check::ValuesMoving).collect();
            self.raise(AlarmKind::ValuesFrozen, say::values_frozen(root, &others));
            return;
        }
        self.set(AlarmKind::ValuesFrozen, cleared_by(findings, |f| f.check == Check::ValuesMoving));
        let wiring_explains = self.judge_wiring(assessment, &failed);
        self.judge_numbers(findings, &failed, wiring_explains);
    }

    /// Judges what the diagnosis says; true when a root was raised that explains findings by leads.
    fn judge_wiring(&mut self, assessment: &Assessment, failed: &[&Finding]) -> bool {
        let diagnosis = &assessment.diagnosis;
        let explained: Vec<&Finding> = failed.iter().copied().filter(|f| leads_explain(f)).collect();
        let hard = failed.iter().any(|f| words::is_hard(f) && !leads_explain(f));
        if diagnosis.verdict == Verdict::NoEvidence {
            return false;
        }
        if let Some(phase) = words::lost_phase(diagnosis) {
            // A pump that stands cannot show whether the phase is back, and has nothing to overheat.
            if assessment.run_state == RunState::Running {
                let story = say::supply_phase_lost(phase, leader_probability(diagnosis), &explained);
                self.raise(AlarmKind::SupplyPhaseLost, story);
            }
            self.set(AlarmKind::FitsNoWiring, Condition::False);
            if diagnosis.verdict == Verdict::Sound {
                self.set(AlarmKind::MeteringMiswired, Condition::False);
            }
            return true;
        }
        if let Some(group) = words::wrong_wiring(diagnosis) {
            let first = group.members[0];
            let settled = first.probability > SETTLED_SHARE * group.probability;
            let wrong = 1.0 - diagnosis.sound_probability - diagnosis.unexplained_probability;
            let wiring = words::describe_wiring(&first.wiring);
            let story = say::metering_miswired(&wiring, settled, wrong, assessment.corrected.is_some(), &explained);
            self.raise(AlarmKind::MeteringMiswired, story);
            self.set(AlarmKind::SupplyPhaseLost, Condition::False);
            self.set(AlarmKind::FitsNoWiring, Condition::False);
            return true;
        }
        match diagnosis.verdict {
            Verdict::Sound => {
                for kind in [AlarmKind::SupplyPhaseLost, AlarmKind::MeteringMiswired, AlarmKind::FitsNoWiring] {
                    self.set(kind, Condition::False);
                }
                false
            }
            Verdict::Undecided if diagnosis.unexplained_probability > FITS_NONE && !hard => {
                let story = say::fits_no_wiring(diagnosis.unexplained_probability, failed);
                self.raise(AlarmKind::FitsNoWiring, story);
                true
            }
            // Numbers that are wrong leave the wiring open, and "cannot tell" neither raises nor clears.
            Verdict::Undecided | Verdict::Fault | Verdict::NoEvidence => false,
        }
    }

    fn judge_numbers(&mut self, findings: &[Finding], failed: &[&Finding], wiring_explains: bool) {
        let explained = |f: &Finding| wiring_explains && leads_explain(f);
        let own = |f: &Finding| words::is_hard(f) && !explained(f);
        let root = failed.iter().copied().filter(|f| own(f)).min_by_key(|f| plainness(f.check));
        match root {
            Some(root) => {
                let rest: Vec<&Finding> = failed.iter().copied().filter(|f| *f != root && !explained(f)).collect();
                self.raise(AlarmKind::MeteringNumbersWrong, say::metering_numbers_wrong(root, &rest));
            }
            None => self.set(AlarmKind::MeteringNumbersWrong, cleared_by(findings, own)),
        }
    }
}

/// True of a finding that leads on wrong terminals, or a lost phase, bring about by themselves.
pub(super) fn leads_explain(finding: &Finding) -> bool {
    match finding.check {
        Check::ActivePowerSign
        | Check::TotalPowerSign
        | Check::VoltageCurrentAssociation
        | Check::PowerBlankWhileRunning
        | Check::PowerFactorPlausible
        | Check::CurrentMissing
        | Check::CurrentBalance => true,
        // Leads can turn a three-phase set over; what is no such set is beyond them.
        Check::VoltageRotation => !words::is_hard(finding),
        Check::PowerFactorConsistency
        | Check::VoltageMissing
        | Check::CurrentWhileStopped
        | Check::ApparentPowerConsistency
        | Check::PowerTriangle
        | Check::SumOfChannels
        | Check::PlausibleValues
        | Check::ClockSound
        | Check::ValuesMoving => false,
    }
}

/// The condition when none of these checks has failed: false once all that can be made have passed, else unknown.
fn cleared_by(findings: &[Finding], of_interest: impl Fn(&Finding) -> bool) -> Condition {
    let open = |f: &&Finding| matches!(f.outcome, Outcome::Pending | Outcome::Idle(_));
    let relevant: Vec<&Finding> = findings.iter().filter(|f| of_interest(f)).collect();
    let passed = relevant.iter().any(|f| f.outcome == Outcome::Passed);
    if passed && !relevant.iter().any(open) { Condition::False } else { Condition::Unknown }
}

/// Which of several findings names the cause most plainly: a voltage that is gone upsets every sum after it.
fn plainness(check: Check) -> usize {
    const ORDER: [Check; 6] = [
        Check::VoltageMissing,
        Check::PlausibleValues,
        Check::VoltageRotation,
        Check::CurrentWhileStopped,
        Check::PowerBlankWhileRunning,
        Check::TotalPowerSign,
    ];
    ORDER.iter().position(|c| *c == check).unwrap_or(ORDER.len())
}

fn leader_probability(diagnosis: &Diagnosis) -> f64 {
    diagnosis.groups.first().and_then(|g| g.members.first()).map_or(0.0, |m| m.probability)
}
