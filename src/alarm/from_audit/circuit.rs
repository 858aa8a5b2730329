//! What one circuit's audit says, as conditions: what a root explains is attached to it and raises nothing beside it. Must
//! never look at another circuit.

use super::lead_order::SETTLED_SHARE;
use super::{Audit, CircuitNow, Known, Lost, Told, Up};
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words::{self as say, CtReading, MiswiredBlame, Story};
use crate::audit::assessment::{Assessment, Check, Diagnosis, Finding, Outcome, RunState, Verdict, WiringGroup};
use crate::audit::bars;
use crate::audit::blame;
use crate::audit::detail::Detail;
use crate::audit::installation::Installation;
use crate::audit::open_ct::{self, Symptom};
use crate::audit::wiring::Wiring;
use crate::audit::words;

/// Above this probability that no wiring explains the readings, they fit none.
const FITS_NONE: f64 = bars::LIKELIER_THAN_NOT;
/// Above this probability a CT is taken to read nothing, or to jump, where the readings of now do not show it.
const CT_SUSPECTED: f64 = bars::LIKELIER_THAN_NOT;

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

    pub(super) fn of(station: &str, circuit: &CircuitNow, up: Up) -> Causes {
        let mut causes = Causes::unknown();
        match circuit.audit {
            Audit::NotYet => {}
            Audit::Failed { message } => causes.raise(AlarmKind::AuditFailed, say::audit_failed(message)),
            Audit::Of(assessment) => {
                causes.set(AlarmKind::AuditFailed, Condition::False);
                let judge =
                    Judge { assessment, installation: circuit.installation, station, circuit: circuit.name, up };
                causes.judge(&judge);
            }
        }
        causes
    }

    pub(super) fn raised(&self, kind: AlarmKind) -> bool {
        self.known(kind).is_some_and(|known| known.condition == Condition::True)
    }

    /// The phase that the pump has lost, also once it is stopped.
    pub(super) fn lost(&self) -> Option<Lost> {
        self.known(AlarmKind::SupplyPhaseLost).and_then(|known| known.lost)
    }

    fn known(&self, kind: AlarmKind) -> Option<&Known> {
        self.0.iter().find(|known| known.kind == kind)
    }

    pub(super) fn set(&mut self, kind: AlarmKind, condition: Condition) {
        self.put(Known::new(kind, condition));
    }

    pub(super) fn raise(&mut self, kind: AlarmKind, story: Story) {
        self.put(Known::raised(kind, story));
    }

    /// Its cause is there, and is told by another alarm.
    pub(super) fn leave_to(&mut self, kind: AlarmKind, other: AlarmId) {
        self.put(Known::left_to(kind, other));
    }

    fn put(&mut self, new: Known) {
        if let Some(known) = self.0.iter_mut().find(|known| known.kind == new.kind) {
            *known = new;
        }
    }

    fn judge(&mut self, now: &Judge) {
        let findings = &now.assessment.findings;
        let failed: Vec<&Finding> = findings.iter().filter(|f| f.outcome == Outcome::Failed).collect();
        if let Some(root) = failed.iter().find(|f| f.check == Check::ValuesMoving) {
            // Whatever else the audit says of frozen values is as old as they are.
            let others: Vec<&Finding> = failed.iter().copied().filter(|f| f.check != Check::ValuesMoving).collect();
            self.raise(AlarmKind::ValuesFrozen, say::values_frozen(root, &others));
            return;
        }
        self.set(AlarmKind::ValuesFrozen, cleared_by(findings, |f| f.check == Check::ValuesMoving));
        let wiring_explains = self.judge_wiring(now, &failed);
        self.judge_numbers(now, &failed, wiring_explains);
        self.judge_cts(now, &failed);
        let stopped = match now.assessment.run_state {
            RunState::Stopped => Some(true),
            RunState::Running | RunState::Starting => Some(false),
            RunState::Unknown => None,
        };
        for known in &mut self.0 {
            known.pump_stopped = stopped;
        }
    }

    /// Judges what the diagnosis says; true when a root was raised that explains findings by leads.
    fn judge_wiring(&mut self, now: &Judge, failed: &[&Finding]) -> bool {
        let (assessment, installation) = (now.assessment, now.installation);
        let diagnosis = &assessment.diagnosis;
        let explained: Vec<&Finding> = failed.iter().copied().filter(|f| leads_explain(f)).collect();
        let hard = failed.iter().any(|f| words::is_hard(f) && !leads_explain(f));
        if diagnosis.verdict == Verdict::NoEvidence {
            return false;
        }
        if let Some(phase) = words::lost_phase(diagnosis) {
            let probability = probability_of(diagnosis, |wiring| wiring.lost_phase == Some(phase));
            let lost = Lost { phase, probability };
            // A pump that is stopped cannot show whether the phase is back, and what was lost may still be.
            let kind = AlarmKind::SupplyPhaseLost;
            let known = if assessment.run_state == RunState::Running {
                Known::raised(kind, say::supply_phase_lost(phase, lost.probability, installation, &explained))
            } else {
                Known::new(kind, Condition::Unknown)
            };
            self.put(Known { lost: Some(lost), ..known });
            self.set(AlarmKind::FitsNoWiring, Condition::False);
            if diagnosis.verdict == Verdict::Sound {
                self.set(AlarmKind::MeteringMiswired, Condition::False);
            }
            return true;
        }
        if let Some(group) = words::wrong_wiring(diagnosis) {
            let wiring = words::describe_wiring(&group.members[0].wiring);
            let blame = blame_of(diagnosis, group, &wiring);
            let corrected = assessment.corrected.is_some();
            let story = say::metering_miswired(blame, corrected, installation, &explained);
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

    fn judge_numbers(&mut self, now: &Judge, failed: &[&Finding], wiring_explains: bool) {
        let explained = |f: &Finding| wiring_explains && leads_explain(f);
        let own = |f: &Finding| words::is_hard(f) && !explained(f);
        let root = failed.iter().copied().filter(|f| own(f)).min_by_key(|f| plainness(f.check));
        match root {
            Some(root) => {
                let rest: Vec<&Finding> = failed.iter().copied().filter(|f| *f != root && !explained(f)).collect();
                let story = say::metering_numbers_wrong(root, now.installation, &rest);
                self.raise(AlarmKind::MeteringNumbersWrong, story);
            }
            None => self.set(AlarmKind::MeteringNumbersWrong, cleared_by(&now.assessment.findings, own)),
        }
    }

    /// A channel that reads zero while others carry current is a fact, whether or not the diagnosis has settled why.
    fn judge_cts(&mut self, now: &Judge, failed: &[&Finding]) {
        let (kind, diagnosis) = (AlarmKind::CtNoCurrent, &now.assessment.diagnosis);
        if words::lost_phase(diagnosis).is_some() {
            let lost = now.id(AlarmKind::SupplyPhaseLost);
            let station = AlarmId::station(now.station, AlarmKind::SupplyPhaseLost);
            let teller = [lost, station].into_iter().find(|id| now.up.is(id));
            match teller {
                Some(teller) => self.leave_to(kind, teller),
                None => self.set(kind, Condition::Unknown),
            }
            return;
        }
        let Some(ct) = no_current(now.assessment, now.installation) else {
            let of_cts = |f: &Finding| f.check == Check::CurrentMissing;
            return self.set(kind, cleared_by(&now.assessment.findings, of_cts));
        };
        let explained: Vec<&Finding> = failed.iter().copied().filter(|f| leads_explain(f)).collect();
        let lost = probability_of(diagnosis, |wiring| wiring.lost_phase.is_some());
        self.raise(kind, say::ct_no_current(ct, lost, now.installation, &explained));
        // Nobody is to be sent to this panel for leads while the CT may be open.
        let teller = now.id(kind);
        if now.up.is(&teller) {
            self.leave_to(AlarmKind::MeteringMiswired, teller);
        } else {
            self.set(AlarmKind::MeteringMiswired, Condition::Unknown);
        }
        self.set(AlarmKind::FitsNoWiring, Condition::Unknown);
    }
}

/// What one circuit is judged by.
struct Judge<'a> {
    assessment: &'a Assessment,
    installation: &'a Installation,
    station: &'a str,
    circuit: &'a str,
    up: Up<'a>,
}

impl Judge<'_> {
    fn id(&self, kind: AlarmKind) -> AlarmId {
        AlarmId::circuit(self.station, self.circuit, kind)
    }
}

/// The CT that reads zero or jumps: while the pump runs as it is read, afterwards as the diagnosis has it.
fn no_current(assessment: &Assessment, installation: &Installation) -> Option<CtReading> {
    let running = assessment.run_state == RunState::Running;
    let reading = |k: usize| {
        assessment.findings.iter().find_map(|finding| match finding.detail {
            Detail::Current { channel, amps, largest }
                if channel == k && finding.check == Check::CurrentMissing && finding.outcome == Outcome::Failed =>
            {
                Some((amps, largest))
            }
            _ => None,
        })
    };
    open_ct::suspects(assessment, installation).into_iter().find_map(|suspect| {
        let (channel, jumps) = (suspect.channel, suspect.symptom == Symptom::Jumps);
        match reading(channel) {
            Some((amps, largest)) => {
                Some(CtReading { channel, amps: Some(amps), largest_a: Some(largest), jumps: false })
            }
            None if suspect.probability > CT_SUSPECTED && (jumps || !running) => {
                Some(CtReading { channel, amps: None, largest_a: None, jumps })
            }
            None => None,
        }
    })
}

fn probability_of(diagnosis: &Diagnosis, which: impl Fn(&Wiring) -> bool) -> f64 {
    let members = diagnosis.groups.iter().flat_map(|group| &group.members);
    members.filter(|member| which(&member.wiring)).map(|member| member.probability).sum()
}

/// How much is known of what is miswired: one wiring is named only when it alone is sure enough.
fn blame_of<'a>(diagnosis: &Diagnosis, group: &WiringGroup, wiring: &'a str) -> MiswiredBlame<'a> {
    let leader = &group.members[0];
    if leader.probability >= SETTLED_SHARE {
        MiswiredBlame::Settled { wiring, probability: leader.probability }
    } else {
        MiswiredBlame::Open {
            wirings: blame::likely_members(group).count(),
            wrong: 1.0 - diagnosis.sound_probability - diagnosis.unexplained_probability,
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
