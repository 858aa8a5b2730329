//! Causes that all circuits of a monitor share: told once, of the monitor, and taken from the circuits. Must never judge one
//! circuit by itself.

use super::circuit::{Causes, leads_explain};
use super::lead_order::{self, LeadOrder, OwnFault};
use super::voltage::{self, Missing, Supply};
use super::{CircuitNow, Known, MonitorNow, Polling, Told};
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words::{self as say, MissingPhase, MiswiredBlame, PumpsBehind, Story};
use crate::audit::assessment::{Assessment, Check, Finding, Outcome, Verdict};
use crate::audit::installation::Installation;
use crate::audit::{bars, words};
use crate::reading::Phase;

/// Conditions of a monitor itself.
pub(super) struct Shared {
    known: [Known; AlarmKind::OF_MONITOR.len()],
    /// A voltage is missing, or the voltages tell of a lead, a fuse or a transformer.
    voltage_fault: bool,
    /// The leads are on these phases, and that spoils what is metered.
    order: Option<[Phase; 3]>,
    /// The alarm that tells it, once it is up.
    teller: Option<AlarmId>,
}

/// One monitor being judged.
struct Judge<'a, 'n> {
    station: &'a str,
    now: &'a MonitorNow<'n>,
    names: Vec<&'n str>,
    installations: Vec<&'n Installation>,
    failed: Vec<(&'n str, &'n Finding)>,
    /// Circuits that have lost a phase, running or stopped since.
    lost: Vec<&'n str>,
}

impl Judge<'_, '_> {
    fn id(&self, kind: AlarmKind) -> AlarmId {
        AlarmId::monitor(self.station, self.now.monitor, kind)
    }

    /// The alarm that tells of a lost phase of the supply, once it is up.
    fn teller_of_lost_phase(&self) -> Option<AlarmId> {
        let kind = AlarmKind::SupplyPhaseLost;
        let of_pumps = self.lost.iter().map(|pump| AlarmId::circuit(self.station, pump, kind));
        std::iter::once(AlarmId::station(self.station, kind)).chain(of_pumps).find(|id| self.now.up.is(id))
    }
}

impl Shared {
    pub(super) fn of<'n>(station: &str, now: &MonitorNow<'n>, circuits: &[(&CircuitNow<'n>, Causes)]) -> Shared {
        let judge = Judge {
            station,
            now,
            names: now.circuits.iter().map(|circuit| circuit.name).collect(),
            installations: now.circuits.iter().map(|circuit| circuit.installation).collect(),
            failed: failed_findings(now),
            lost: circuits.iter().filter(|(_, causes)| causes.lost().is_some()).map(|(c, _)| c.name).collect(),
        };
        let map = match now.register_fault {
            _ if now.polling != Polling::Answers => Known::new(AlarmKind::RegisterMapWrong, Condition::Unknown),
            None => Known::new(AlarmKind::RegisterMapWrong, Condition::False),
            Some(fault) => {
                let story = say::register_map_wrong(now.monitor, fault, &judge.names, &judge.failed);
                Known::raised(AlarmKind::RegisterMapWrong, story)
            }
        };
        let mut shared = Shared {
            known: AlarmKind::OF_MONITOR.map(|kind| Known::new(kind, Condition::Unknown)),
            voltage_fault: false,
            order: None,
            teller: None,
        };
        let fits = map.condition == Condition::False;
        shared.put(silence(&judge));
        shared.put(map);
        if fits {
            let running_on_two = circuits.iter().any(|(_, causes)| causes.raised(AlarmKind::SupplyPhaseLost));
            shared.judge_voltages(&judge, running_on_two);
        }
        shared
    }

    fn put(&mut self, new: Known) {
        if let Some(known) = self.known.iter_mut().find(|known| known.kind == new.kind) {
            *known = new;
        }
    }

    /// Numbers that are misread say nothing of leads or supply, so this comes only where the map fits.
    fn judge_voltages(&mut self, judge: &Judge, running_on_two: bool) {
        let supply = voltage::supply(judge.now);
        let (leads, missing) = (AlarmKind::VoltageLeadsWrong, AlarmKind::PhaseMissingStopped);
        match &supply {
            Supply::Missing(seen) if seen.proven_by.is_empty() => {
                self.voltage_fault = true;
                self.put(match judge.teller_of_lost_phase() {
                    Some(teller) => Known::left_to(leads, teller),
                    None => Known::new(leads, Condition::Unknown),
                });
                self.judge_missing(judge, seen);
            }
            Supply::Missing(_) => {
                self.voltage_fault = true;
                self.judge_leads(judge, running_on_two, &supply);
                let teller = judge.id(leads);
                // Until the alarm of the leads is up the other neither comes nor goes.
                self.put(if judge.now.up.is(&teller) {
                    Known::left_to(missing, teller)
                } else {
                    Known::new(missing, Condition::Unknown)
                });
            }
            Supply::Present { proven } => {
                self.judge_leads(judge, running_on_two, &supply);
                // A running motor holds up an open phase: volts alone prove nothing while one runs.
                self.put(Known::new(missing, if *proven { Condition::False } else { Condition::Unknown }));
            }
            Supply::NotJudged => self.judge_leads(judge, running_on_two, &supply),
        }
    }

    /// A voltage is missing and no running pump proves the supply.
    fn judge_missing(&mut self, judge: &Judge, seen: &Missing) {
        let kind = AlarmKind::PhaseMissingStopped;
        let leads = judge.id(AlarmKind::VoltageLeadsWrong);
        // A fuse that was proven to be at fault is at fault also once the pump has stopped; with more than that gone it is not
        // known any more.
        let known_fuse = judge.now.supply_was_proven && seen.phases.len() == 1 && seen.unproven.is_empty();
        if !judge.lost.is_empty() {
            self.put(match judge.teller_of_lost_phase() {
                Some(teller) => Known::left_to(kind, teller),
                None if seen.unproven.is_empty() && !seen.starting => Known::raised(kind, missing_phase(judge, seen)),
                None => Known::new(kind, Condition::Unknown),
            });
        } else if known_fuse && judge.now.up.is(&leads) {
            self.put(Known { pump_stopped: Some(!seen.starting), ..Known::new(leads.kind, Condition::Unknown) });
            self.put(Known::left_to(kind, leads));
        } else if !(seen.starting || seen.held_up && seen.unproven.is_empty()) {
            self.put(Known::raised(kind, missing_phase(judge, seen)));
        }
    }

    fn judge_leads(&mut self, judge: &Judge, running_on_two: bool, supply: &Supply) {
        let now = judge.now;
        let assessments: Vec<&Assessment> = now.circuits.iter().filter_map(|c| c.audit.assessment()).collect();
        // A lost phase of the supply shows in the voltages too, and is by far the more urgent.
        let voltages = assessments.iter().find_map(|a| a.voltage_leads.as_deref()).filter(|_| !running_on_two);
        let fault = voltages.map(|leads| {
            let (fault, sure) = words::voltage_fault(leads)?;
            let explains: Vec<_> = judge.failed.iter().copied().filter(|(_, f)| voltages_explain(f)).collect();
            let supply = match supply {
                Supply::Missing(seen) => say::Supply { voltage_missing: true, proven_by: seen.proven_by.clone() },
                Supply::Present { .. } | Supply::NotJudged => say::Supply::default(),
            };
            let (names, installations) = (&judge.names, &judge.installations);
            Some(say::voltage_leads_wrong(now.monitor, &fault, sure, &supply, names, installations, &explains))
        });
        let kind = AlarmKind::VoltageLeadsWrong;
        let (id, held) = (judge.id(kind), now.up.is(&judge.id(kind)));
        let order = lead_order::of(&assessments, held);
        self.voltage_fault |= matches!(fault, Some(Some(_)));
        let swapped = match order {
            LeadOrder::Wrong { order, probability, any } => {
                self.order = Some(order);
                self.teller = held.then_some(id);
                Some(swapped(judge, order, (probability, any)))
            }
            LeadOrder::NotJudged | LeadOrder::Right | LeadOrder::Open => None,
        };
        self.put(match (fault, swapped, order) {
            (Some(Some(fault)), Some(swapped), _) => Known::raised(kind, say::together(fault, swapped)),
            (Some(Some(story)), None, _) | (_, Some(story), _) => Known::raised(kind, story),
            (None, None, _) | (_, _, LeadOrder::Open) => Known::new(kind, Condition::Unknown),
            // Leads that were moved clear nothing until a pump has shown where they are.
            (_, _, LeadOrder::NotJudged) if held => Known::new(kind, Condition::Unknown),
            (Some(None), None, _) => Known::new(kind, Condition::False),
        });
    }

    fn raised(&self, kind: AlarmKind) -> bool {
        self.known.iter().any(|known| known.kind == kind && known.condition == Condition::True)
    }

    /// Takes from a circuit what is told of its monitor already.
    pub(super) fn take_from(&self, circuit: &CircuitNow, causes: &mut Causes) {
        if self.raised(AlarmKind::RegisterMapWrong) {
            // Numbers that are misread say nothing of leads, nor of the supply.
            for kind in [
                AlarmKind::SupplyPhaseLost,
                AlarmKind::CtNoCurrent,
                AlarmKind::MeteringMiswired,
                AlarmKind::MeteringNumbersWrong,
                AlarmKind::ValuesFrozen,
                AlarmKind::FitsNoWiring,
            ] {
                causes.set(kind, Condition::Unknown);
            }
            return;
        }
        if self.voltage_fault {
            causes.set(AlarmKind::MeteringNumbersWrong, Condition::Unknown);
            causes.set(AlarmKind::FitsNoWiring, Condition::Unknown);
        }
        let Some(assessment) = circuit.audit.assessment() else { return };
        if assessment.outdated {
            for kind in [AlarmKind::SupplyPhaseLost, AlarmKind::MeteringMiswired, AlarmKind::FitsNoWiring] {
                causes.set(kind, Condition::Unknown);
            }
        } else if let Some(order) = self.order.filter(|_| causes.raised(AlarmKind::MeteringMiswired)) {
            self.take_miswiring(circuit, assessment, order, causes);
        }
    }

    fn take_miswiring(&self, circuit: &CircuitNow, assessment: &Assessment, order: [Phase; 3], causes: &mut Causes) {
        let kind = AlarmKind::MeteringMiswired;
        match (lead_order::own_fault(&assessment.diagnosis, order), &self.teller) {
            (OwnFault::None, Some(teller)) => causes.leave_to(kind, teller.clone()),
            (OwnFault::Found { wiring, settled, probability, share }, _) => {
                let failed = assessment.findings.iter().filter(|f| f.outcome == Outcome::Failed);
                let explains: Vec<&Finding> =
                    failed.filter(|f| leads_explain(f) && f.check != Check::VoltageRotation).collect();
                let (wiring, corrected) = (words::describe_wiring(&wiring), assessment.corrected.is_some());
                let blame = if settled {
                    MiswiredBlame::Settled { wiring: &wiring, probability: share }
                } else {
                    MiswiredBlame::Open { wirings: 0, wrong: probability }
                };
                let story = say::metering_miswired_besides(blame, corrected, circuit.installation, &explains);
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

fn silence(judge: &Judge) -> Known {
    let (kind, now) = (AlarmKind::MonitorSilent, judge.now);
    match (now.polling, now.silent_with) {
        // The same alarm whether it answers at this moment or not, else it would come and go with every interruption.
        (Polling::Answers, _) | (Polling::Silent { .. }, None) if now.poor.is_some() => {
            let story = now.poor.map(|poor| say::monitor_answers_seldom(now.monitor, &poor, &judge.names));
            Known { story, ..Known::new(kind, Condition::True) }
        }
        (Polling::Answers, _) => Known::new(kind, Condition::False),
        (Polling::Silent { .. }, Some(teller)) if now.up.is(teller) => Known::left_to(kind, teller.clone()),
        (Polling::NotYet, _) | (Polling::Silent { .. }, Some(_)) => Known::new(kind, Condition::Unknown),
        (Polling::Silent { cause }, None) => {
            Known::raised(kind, say::monitor_silent(now.monitor, cause, &judge.names, &judge.installations))
        }
    }
}

fn missing_phase(judge: &Judge, seen: &Missing) -> Story {
    say::phase_missing(&MissingPhase {
        monitor: judge.now.monitor,
        phases: seen.phases.clone(),
        held_up: seen.held_up,
        unproven: seen.unproven.clone(),
        findings: seen.findings.clone(),
        pumps: judge.names.clone(),
        installations: judge.installations.clone(),
    })
}

/// What is told of swapped leads, and of which pumps.
fn swapped(judge: &Judge, order: [Phase; 3], (probability, any): (f64, f64)) -> Story {
    let mut behind = PumpsBehind::default();
    for circuit in judge.now.circuits {
        let assessment = circuit.audit.assessment().filter(|a| !a.outdated);
        match assessment.map(|a| a.diagnosis.verdict) {
            Some(Verdict::Fault) => behind.wrong.push(circuit.name),
            Some(Verdict::Sound) => behind.right.push(circuit.name),
            Some(Verdict::Undecided | Verdict::NoEvidence) | None => behind.unjudged.push(circuit.name),
        }
        let Some(assessment) = assessment.filter(|a| words::wrong_wiring(&a.diagnosis).is_some()) else { continue };
        behind.corrected |= assessment.corrected.is_some();
        if matches!(lead_order::own_fault(&assessment.diagnosis, order), OwnFault::Found { .. }) {
            behind.own_fault.push(circuit.name);
        }
    }
    // What a pump with a fault of its own shows is attached to that; rotation is no matter of a pump.
    let of_leads = |name: &str, finding: &Finding| {
        let shared = finding.check == Check::VoltageRotation;
        leads_explain(finding) && behind.wrong.contains(&name) && (shared || !behind.own_fault.contains(&name))
    };
    let explains: Vec<_> = judge.failed.iter().copied().filter(|(name, f)| of_leads(name, f)).collect();
    let story =
        say::voltage_leads_swapped(judge.now.monitor, order, probability, &behind, &judge.installations, &explains);
    // Which leads it is is said only from the bar on; in between only that their order is in doubt.
    if probability >= bars::ONE_WIRING { story } else { say::voltage_leads_open(judge.now.monitor, any, story) }
}

/// What has failed at the circuits, but for frozen values: those say nothing of anything else.
fn failed_findings<'a>(now: &MonitorNow<'a>) -> Vec<(&'a str, &'a Finding)> {
    let all = now.circuits.iter().filter_map(|circuit| Some((circuit.name, circuit.audit.assessment()?)));
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
