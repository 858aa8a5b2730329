//! Causes that all circuits of a monitor share: told once, of the monitor, and taken from the circuits. Must never judge one
//! circuit by itself.

use super::circuit::{Causes, leads_explain};
use super::lead_order::{self, LeadOrder, OwnFault};
use super::{Audit, Known, MonitorNow, Polling, Told};
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words::{self as say, PumpsBehind, Story};
use crate::audit::assessment::{Assessment, Check, Finding, Outcome, Verdict};
use crate::audit::words;
use crate::reading::Phase;

/// Conditions of a monitor itself.
pub(super) struct Shared {
    known: [Known; AlarmKind::OF_MONITOR.len()],
    /// The voltages tell of a lead, a fuse or a transformer.
    lead_fault: bool,
    /// The leads are on these phases, and that spoils what is metered.
    order: Option<[Phase; 3]>,
    /// The alarm that tells it, once it is up.
    teller: Option<AlarmId>,
}

impl Shared {
    pub(super) fn of(station: &str, now: &MonitorNow, phase_lost: bool) -> Shared {
        let names: Vec<&str> = now.circuits.iter().map(|(name, _)| *name).collect();
        let failed = failed_findings(now);
        let silent = match now.polling {
            Polling::NotYet => Known::new(AlarmKind::MonitorSilent, Condition::Unknown),
            Polling::Answers => Known::new(AlarmKind::MonitorSilent, Condition::False),
            Polling::Silent { cause } => {
                Known::raised(AlarmKind::MonitorSilent, say::monitor_silent(now.monitor, cause, &names))
            }
        };
        let map = match now.register_fault {
            _ if now.polling != Polling::Answers => Known::new(AlarmKind::RegisterMapWrong, Condition::Unknown),
            None => Known::new(AlarmKind::RegisterMapWrong, Condition::False),
            Some(fault) => {
                let story = say::register_map_wrong(now.monitor, fault, &names, &failed);
                Known::raised(AlarmKind::RegisterMapWrong, story)
            }
        };
        let mut shared = Shared {
            known: [silent, map, Known::new(AlarmKind::VoltageLeadsWrong, Condition::Unknown)],
            lead_fault: false,
            order: None,
            teller: None,
        };
        if shared.known[1].condition == Condition::False {
            shared.judge_leads(station, now, phase_lost, &failed);
        }
        shared
    }

    /// Numbers that are misread say nothing of leads, so this comes only where the map fits.
    fn judge_leads(&mut self, station: &str, now: &MonitorNow, phase_lost: bool, failed: &[(&str, &Finding)]) {
        let assessments: Vec<&Assessment> = now.circuits.iter().filter_map(|(_, audit)| audit.assessment()).collect();
        let names: Vec<&str> = now.circuits.iter().map(|(name, _)| *name).collect();
        // A lost phase of the supply shows in the voltages too, and is by far the more urgent.
        let voltages = assessments.iter().find_map(|a| a.voltage_leads.as_deref()).filter(|_| !phase_lost);
        let fault = voltages.map(|leads| {
            let (fault, sure) = words::voltage_fault(leads)?;
            let explains: Vec<_> = failed.iter().copied().filter(|(_, f)| voltages_explain(f)).collect();
            Some(say::voltage_leads_wrong(now.monitor, &fault, sure, &names, &explains))
        });
        let order = lead_order::of(&assessments, now.leads_told);
        self.lead_fault = matches!(fault, Some(Some(_)));
        let exchanged = match order {
            LeadOrder::Wrong { order, probability } => {
                self.order = Some(order);
                self.teller =
                    now.leads_told.then(|| AlarmId::monitor(station, now.monitor, AlarmKind::VoltageLeadsWrong));
                Some(exchanged(now, order, probability, failed))
            }
            LeadOrder::NotJudged | LeadOrder::Right | LeadOrder::Open => None,
        };
        let kind = AlarmKind::VoltageLeadsWrong;
        self.known[2] = match (fault, exchanged, order) {
            (Some(Some(fault)), Some(exchanged), _) => Known::raised(kind, say::together(fault, exchanged)),
            (Some(Some(story)), None, _) | (_, Some(story), _) => Known::raised(kind, story),
            (None, None, _) | (_, _, LeadOrder::Open) => Known::new(kind, Condition::Unknown),
            // Leads that were moved clear nothing until a pump has shown where they are.
            (_, _, LeadOrder::NotJudged) if now.leads_told => Known::new(kind, Condition::Unknown),
            (Some(None), None, _) => Known::new(kind, Condition::False),
        };
    }

    fn raised(&self, kind: AlarmKind) -> bool {
        self.known.iter().any(|known| known.kind == kind && known.condition == Condition::True)
    }

    /// Takes from a circuit what is told of its monitor already.
    pub(super) fn take_from(&self, audit: &Audit, causes: &mut Causes) {
        if self.raised(AlarmKind::RegisterMapWrong) {
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
            return;
        }
        if self.lead_fault {
            causes.set(AlarmKind::MeteringNumbersWrong, Condition::Unknown);
            causes.set(AlarmKind::FitsNoWiring, Condition::Unknown);
        }
        let Some(assessment) = audit.assessment() else { return };
        if assessment.outdated {
            for kind in [AlarmKind::SupplyPhaseLost, AlarmKind::MeteringMiswired, AlarmKind::FitsNoWiring] {
                causes.set(kind, Condition::Unknown);
            }
        } else if let Some(order) = self.order.filter(|_| causes.raised(AlarmKind::MeteringMiswired)) {
            self.take_miswiring(assessment, order, causes);
        }
    }

    fn take_miswiring(&self, assessment: &Assessment, order: [Phase; 3], causes: &mut Causes) {
        let kind = AlarmKind::MeteringMiswired;
        match (lead_order::own_fault(&assessment.diagnosis, order), &self.teller) {
            (OwnFault::None, Some(teller)) => causes.leave_to(kind, teller.clone()),
            (OwnFault::Found { wiring, settled, probability }, _) => {
                let failed = assessment.findings.iter().filter(|f| f.outcome == Outcome::Failed);
                let explains: Vec<&Finding> =
                    failed.filter(|f| leads_explain(f) && f.check != Check::VoltageRotation).collect();
                let (wiring, corrected) = (words::describe_wiring(&wiring), assessment.corrected.is_some());
                let story = say::metering_miswired_besides(&wiring, settled, probability, corrected, &explains);
                causes.raise(kind, story);
            }
            // Until the monitor's alarm is up the circuit's own neither comes nor goes.
            (OwnFault::None, None) | (OwnFault::Open, _) => causes.set(kind, Condition::Unknown),
        }
    }

    /// As conditions of the monitor's alarms.
    pub(super) fn told(self, station: &str, monitor: &str) -> impl Iterator<Item = Told> {
        self.known.into_iter().map(move |known| known.told(|kind| AlarmId::monitor(station, monitor, kind)))
    }
}

/// What is told of exchanged leads, and of which pumps.
fn exchanged(now: &MonitorNow, order: [Phase; 3], probability: f64, failed: &[(&str, &Finding)]) -> Story {
    let mut behind = PumpsBehind::default();
    for (name, audit) in now.circuits {
        let assessment = audit.assessment().filter(|a| !a.outdated);
        match assessment.map(|a| a.diagnosis.verdict) {
            Some(Verdict::Fault) => behind.wrong.push(name),
            Some(Verdict::Sound) => behind.right.push(name),
            Some(Verdict::Undecided | Verdict::NoEvidence) | None => behind.unjudged.push(name),
        }
        let Some(assessment) = assessment.filter(|a| words::wrong_wiring(&a.diagnosis).is_some()) else { continue };
        behind.corrected |= assessment.corrected.is_some();
        if matches!(lead_order::own_fault(&assessment.diagnosis, order), OwnFault::Found { .. }) {
            behind.own_fault.push(name);
        }
    }
    // What a pump with a fault of its own shows is attached to that; rotation is no matter of a pump.
    let of_leads = |name: &str, finding: &Finding| {
        let shared = finding.check == Check::VoltageRotation;
        leads_explain(finding) && behind.wrong.contains(&name) && (shared || !behind.own_fault.contains(&name))
    };
    let explains: Vec<_> = failed.iter().copied().filter(|(name, f)| of_leads(name, f)).collect();
    say::voltage_leads_exchanged(now.monitor, order, probability, &behind, &explains)
}

/// What has failed at the circuits, but for values that stand still: those say nothing of anything else.
fn failed_findings<'a>(now: &MonitorNow<'a>) -> Vec<(&'a str, &'a Finding)> {
    let all = now.circuits.iter().filter_map(|(name, audit)| Some((*name, audit.assessment()?)));
    all.flat_map(|(name, assessment)| assessment.findings.iter().map(move |finding| (name, finding)))
        .filter(|(_, f)| f.outcome == Outcome::Failed && f.check != Check::ValuesMoving)
        .collect()
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
