//! From what the audit concludes to the conditions of alarms: one root cause, one alarm.
//!
//! Findings that a root explains are attached to it and raise nothing beside it. Where a root hides everything else (a
//! silent monitor, frozen values) the other conditions become unknown: their alarms neither come nor go. Must never weigh
//! evidence: that is the audit's.

use super::id::{AlarmId, AlarmKind};
use super::state::Condition;
use super::words::{self as say, Story};
use crate::audit::assessment::{Assessment, Check, Diagnosis, Finding, Outcome, RunState, Verdict};
use crate::audit::register_fault::RegisterFault;
use crate::audit::words;

/// Above this probability that no wiring explains the readings, they fit none.
const FITS_NONE: f64 = 0.5;
/// One wiring with this share of its group is the one that is named without reserve.
const SETTLED_SHARE: f64 = 0.9;
/// A jump of the clock stays an alarm's condition for this long, ms: it is an event, and an alarm needs to be seen.
pub const CLOCK_JUMP_SHOWN_MS: u64 = 10 * 60 * 1000;

/// How polling of a monitor goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Polling<'a> {
    /// The first poll has not finished.
    NotYet,
    /// It answers, at least in part.
    Answers,
    /// Nothing was answered in the latest poll.
    Silent {
        /// Why, as the failed transaction tells.
        cause: &'a str,
    },
}

/// How the audit of a circuit goes.
#[derive(Debug, Clone, Copy)]
pub enum Audit<'a> {
    /// Nothing assessed yet.
    NotYet,
    /// The latest assessment.
    Of(&'a Assessment),
    /// It failed inside on the latest reading.
    Failed {
        /// What it said.
        message: &'a str,
    },
}

/// One monitor with its circuits.
#[derive(Debug, Clone, Copy)]
pub struct MonitorNow<'a> {
    /// Name.
    pub monitor: &'a str,
    /// Polling.
    pub polling: Polling<'a>,
    /// What its map says and the device does not, once that is sure.
    pub register_fault: Option<&'a RegisterFault>,
    /// Circuits: name and audit.
    pub circuits: &'a [(&'a str, Audit<'a>)],
}

/// One alarm's condition, with its story when it is true.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// Which alarm.
    pub id: AlarmId,
    /// Its condition.
    pub condition: Condition,
    /// What is wrong; present when and only when the condition is true.
    pub story: Option<Story>,
}

/// The alarms that a monitor and its circuits can have: what a set is configured with.
pub fn alarms_of_monitor(station: &str, monitor: &str, circuits: &[&str]) -> Vec<AlarmId> {
    let of_circuits =
        circuits.iter().flat_map(|c| AlarmKind::OF_CIRCUIT.map(|kind| AlarmId::circuit(station, c, kind)));
    AlarmKind::OF_MONITOR.map(|kind| AlarmId::monitor(station, monitor, kind)).into_iter().chain(of_circuits).collect()
}

/// Conditions of a monitor and of all its circuits.
pub fn monitor(station: &str, now: &MonitorNow) -> Vec<Told> {
    let mut circuits: Vec<(&str, Causes)> = now
        .circuits
        .iter()
        .map(|(name, audit)| {
            (*name, if now.polling == Polling::Answers { Causes::of(audit) } else { Causes::unknown() })
        })
        .collect();
    let shared = Shared::of(now, &circuits);
    for (_, causes) in &mut circuits {
        shared.hide(causes);
    }
    let of_monitor = shared.0.into_iter().map(|(kind, condition, story)| Told {
        id: AlarmId::monitor(station, now.monitor, kind),
        condition,
        story,
    });
    let of_circuits = circuits.into_iter().flat_map(|(name, causes)| {
        causes.0.map(|(kind, condition, story)| Told { id: AlarmId::circuit(station, name, kind), condition, story })
    });
    of_monitor.chain(of_circuits).collect()
}

/// Conditions of a monitor itself: causes that all of its circuits share.
struct Shared([(AlarmKind, Condition, Option<Story>); AlarmKind::OF_MONITOR.len()]);

impl Shared {
    fn of(now: &MonitorNow, circuits: &[(&str, Causes)]) -> Shared {
        let names: Vec<&str> = now.circuits.iter().map(|(name, _)| *name).collect();
        let silent = match now.polling {
            Polling::NotYet => (Condition::Unknown, None),
            Polling::Answers => (Condition::False, None),
            Polling::Silent { cause } => (Condition::True, Some(say::monitor_silent(now.monitor, cause, &names))),
        };
        let failed: Vec<&Finding> = assessments(now)
            .flat_map(|assessment| &assessment.findings)
            .filter(|f| f.outcome == Outcome::Failed && f.check != Check::ValuesMoving)
            .collect();
        let map = match now.register_fault {
            _ if now.polling != Polling::Answers => (Condition::Unknown, None),
            None => (Condition::False, None),
            Some(fault) => (Condition::True, Some(say::register_map_wrong(now.monitor, fault, &names, &failed))),
        };
        let leads = assessments(now).find_map(|assessment| assessment.voltage_leads.as_deref());
        // A lost phase of the supply shows in the voltages too, and is by far the more urgent.
        let phase_lost = circuits.iter().any(|(_, causes)| causes.raised(AlarmKind::SupplyPhaseLost));
        let leads = match leads {
            Some(leads) if now.polling == Polling::Answers && map.0 == Condition::False && !phase_lost => {
                let voltages: Vec<&Finding> = failed.iter().copied().filter(|f| voltages_explain(f)).collect();
                match words::voltage_fault(leads) {
                    None => (Condition::False, None),
                    Some((fault, sure)) => {
                        let story = say::voltage_leads_wrong(now.monitor, &fault, sure, &names, &voltages);
                        (Condition::True, Some(story))
                    }
                }
            }
            _ => (Condition::Unknown, None),
        };
        let [first, second, third] = AlarmKind::OF_MONITOR;
        Shared([(first, silent.0, silent.1), (second, map.0, map.1), (third, leads.0, leads.1)])
    }

    /// Takes from a circuit what is told of its monitor already.
    fn hide(&self, causes: &mut Causes) {
        let raised = |kind| self.0.iter().any(|(k, condition, _)| *k == kind && *condition == Condition::True);
        if raised(AlarmKind::RegisterMapWrong) {
            // Numbers that are misread say nothing of leads, nor of the supply.
            for kind in [
                AlarmKind::SupplyPhaseLost,
                AlarmKind::MeteringMiswired,
                AlarmKind::MeteringNumbersWrong,
                AlarmKind::ValuesFrozen,
                AlarmKind::FitsNoWiring,
            ] {
                causes.set(kind, Condition::Unknown);
            }
        } else if raised(AlarmKind::VoltageLeadsWrong) {
            causes.set(AlarmKind::MeteringNumbersWrong, Condition::Unknown);
            causes.set(AlarmKind::FitsNoWiring, Condition::Unknown);
        }
    }
}

fn assessments<'a>(now: &MonitorNow<'a>) -> impl Iterator<Item = &'a Assessment> {
    now.circuits.iter().filter_map(|(_, audit)| match audit {
        Audit::Of(assessment) => Some(*assessment),
        Audit::NotYet | Audit::Failed { .. } => None,
    })
}

/// True of a finding that a fault of the voltage leads brings about by itself.
fn voltages_explain(finding: &Finding) -> bool {
    matches!(
        finding.check,
        Check::VoltageMissing
            | Check::VoltageRotation
            | Check::PowerBlankWhileRunning
            | Check::PowerFactorPlausible
            | Check::TotalPowerSign
            | Check::ActivePowerSign
            | Check::VoltageCurrentAssociation
    )
}

/// Condition of a station's clock: how far it last jumped and how long ago, ms, if it ever did.
pub fn clock(station: &str, last_jump: Option<(i64, u64)>) -> Told {
    let recent = last_jump.filter(|(_, ago_ms)| *ago_ms < CLOCK_JUMP_SHOWN_MS);
    Told {
        id: AlarmId::station(station, AlarmKind::ClockJumped),
        condition: if recent.is_some() { Condition::True } else { Condition::False },
        story: recent.map(|(by_ms, _)| say::clock_jumped(by_ms)),
    }
}

/// Condition of the disk for records.
pub fn storage(room: Room) -> Told {
    let short = room.dropping || room.free_bytes.is_some_and(|free| free < room.least_bytes);
    Told {
        id: AlarmId::daemon(AlarmKind::StorageFull),
        condition: match room.free_bytes {
            _ if short => Condition::True,
            None => Condition::Unknown,
            Some(_) => Condition::False,
        },
        story: short.then(|| say::storage_full(room.free_bytes, room.dropping)),
    }
}

/// Room on the disk for records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// What is free; `None` when it cannot be told.
    pub free_bytes: Option<u64>,
    /// Below this it is too little.
    pub least_bytes: u64,
    /// The oldest detail is being dropped to make room.
    pub dropping: bool,
}

/// Conditions of one circuit, one for every kind that it can have.
struct Causes([(AlarmKind, Condition, Option<Story>); AlarmKind::OF_CIRCUIT.len()]);

impl Causes {
    fn unknown() -> Causes {
        Causes(AlarmKind::OF_CIRCUIT.map(|kind| (kind, Condition::Unknown, None)))
    }

    fn of(audit: &Audit) -> Causes {
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

    fn raised(&self, kind: AlarmKind) -> bool {
        self.0.iter().any(|(k, condition, _)| *k == kind && *condition == Condition::True)
    }

    fn set(&mut self, kind: AlarmKind, condition: Condition) {
        self.put(kind, condition, None);
    }

    fn raise(&mut self, kind: AlarmKind, story: Story) {
        self.put(kind, Condition::True, Some(story));
    }

    fn put(&mut self, kind: AlarmKind, condition: Condition, story: Option<Story>) {
        if let Some(cause) = self.0.iter_mut().find(|(k, ..)| *k == kind) {
            *cause = (kind, condition, story);
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
fn leads_explain(finding: &Finding) -> bool {
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
