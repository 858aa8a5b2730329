//! Joins run state, checks, evidence, diagnosis and correction of one circuit into one step per reading.
//!
//! A circuit that shares its monitor with others is stepped by `monitor`, which tells each what the others found.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::{Assessment, CorrectedPower, Diagnosis, EvidenceLevel, Finding, Outcome, RunState, Verdict};
use super::bars;
use super::checks::{self, Input};
use super::context::CircuitContext;
use super::correction;
use super::crossing::Crossing;
use super::diagnosis::Diagnoser;
use super::evidence::Features;
use super::joint::Alternatives;
use super::load::LagWindows;
use super::moment::{self, OneMoment, REPEATS_TO_SAY};
use super::persistence::Memories;
use super::proof::{Account, Proof};
use super::refresh::{Refresh, Unchanged};
use super::run_state::{Company, RunTracker};
use super::shared::Opinion;
use super::uncorrected::Uncorrected;
use super::voltage_lead::VoltageDiagnosis;
use super::wiring::Registers;
use super::words;
use crate::electrical::circuit::{self, Circuit, Meaning};
use crate::electrical::voltage::{self, Voltages};
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, MonoMs};

/// A motor that draws this multiple of its full-load current is running up.
const RUNNING_UP: f64 = 2.5;

/// The audit of one circuit: constant-size state, one step per reading.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CircuitAuditor {
    context: CircuitContext,
    run: RunTracker,
    #[serde(skip)]
    lag_windows: LagWindows,
    memories: Memories,
    diagnoser: Diagnoser,
    crossing: Crossing,
    others_running: u32,
    previous_at: Option<Instant2>,
    latest: Latest,
    ever_given: u8,
    judged_hard: bool,
    /// When the present wiring was first seen.
    since: Option<Instant2>,
    /// When a steady reading last agreed with it.
    #[serde(default)]
    agreed: Option<Instant2>,
    epoch: u32,
    account: Option<Account>,
    proof: Option<Proof>,
    #[serde(default)]
    refresh: Refresh,
    /// What the moment that began then tells alone.
    #[serde(skip)]
    moment: Option<(Instant2, Option<Arc<Diagnosis>>)>,
}

/// One reading half way through: what is seen of this circuit alone, before the others have had their say.
#[derive(Debug)]
#[expect(clippy::struct_excessive_bools, reason = "facts that are independent of each other, each read by its name")]
pub(super) struct Step {
    at: Instant2,
    run_state: RunState,
    findings: Vec<Finding>,
    features: Option<Features>,
    steady: bool,
    circuit: Circuit,
    voltages: Voltages,
    /// Rotation measured at the voltage channels.
    pub(super) rotation: Option<crate::reading::Rotation>,
    /// Who runs, by this circuit's channels.
    pub(super) company: Option<Company>,
    /// Every value is that of the reading before, to the last digit.
    pub(super) same: bool,
    /// The same while current flows, which never stands still: the device shows one moment again.
    pub(super) repeats: bool,
    unchanged: Unchanged,
    /// The features are of this circuit's own running, and a wiring can be judged by them.
    worth: bool,
}

/// The latest values, to notice when they stop moving.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Latest {
    voltage_ln_v: [Measured; 3],
    voltage_ll_v: [Measured; 3],
    #[serde(default)]
    voltage_angle_deg: [Measured; 3],
    #[serde(default)]
    frequency_hz: Measured,
    circuit: CircuitReading,
}

impl Latest {
    /// True of a reading with the same values as the one before.
    fn note(&mut self, monitor: &MonitorReading, circuit: &CircuitReading) -> bool {
        let same = self.voltage_ln_v == monitor.voltage_ln_v
            && self.voltage_ll_v == monitor.voltage_ll_v
            && self.voltage_angle_deg == monitor.voltage_angle_deg
            && self.frequency_hz == monitor.frequency_hz
            && self.circuit.same_electrical(circuit);
        if !same {
            self.voltage_ln_v = monitor.voltage_ln_v;
            self.voltage_ll_v = monitor.voltage_ll_v;
            self.voltage_angle_deg = monitor.voltage_angle_deg;
            self.frequency_hz = monitor.frequency_hz;
            self.circuit = circuit.clone();
        }
        same
    }
}

impl CircuitAuditor {
    /// Starts with nothing seen.
    pub fn new(context: CircuitContext) -> Self {
        CircuitAuditor {
            context,
            run: RunTracker::default(),
            lag_windows: LagWindows::default(),
            memories: Default::default(),
            diagnoser: Diagnoser::default(),
            crossing: Crossing::NONE,
            others_running: 0,
            previous_at: None,
            latest: Latest::default(),
            ever_given: 0,
            judged_hard: false,
            since: None,
            agreed: None,
            epoch: 0,
            account: None,
            proof: None,
            refresh: Refresh::default(),
            moment: None,
        }
    }

    /// Goes on after an absence with what it had learnt; what is not kept is worked out again.
    pub(super) fn resume(&mut self, absence: &Absence) {
        self.run.resume(absence);
        self.memories.iter_mut().flatten().for_each(|memory| memory.resume(absence));
        self.diagnoser.resume(&self.context);
        // Without it the two clocks are not compared across the gap.
        self.previous_at = self.previous_at.and_then(|at| Some(Instant2 { mono: absence.mono(at.mono)?, ..at }));
        self.since = self.since.map(|since| absence.instant(since));
        self.agreed = self.agreed.map(|agreed| absence.instant(agreed));
        if let Some(proof) = &mut self.proof {
            proof.resume(absence);
        }
        self.refresh.resume(absence);
    }

    /// What it was told in advance.
    pub fn context(&self) -> &CircuitContext {
        &self.context
    }

    /// How often the wiring has been seen to change.
    pub fn epoch(&self) -> u32 {
        self.epoch
    }

    /// Takes one reading of the circuit's monitor and returns the assessment it leads to, judged by this circuit alone. Never
    /// fails: what is missing or impossible in the reading becomes a finding.
    pub fn observe(&mut self, monitor: &MonitorReading) -> Assessment {
        let mut step = self.step(monitor, Vec::new());
        let told = self.rotation_opinion(step.rotation);
        self.finish(&mut step, &told, None)
    }

    /// What the rotation measured by a reading, or earlier, says of the voltage leads.
    pub(super) fn rotation_opinion(&self, measured: Option<crate::reading::Rotation>) -> Opinion {
        Opinion::of_rotation(self.diagnoser.evidence().rotation().or(measured), self.context.rotation)
    }

    /// What this circuit's readings say of what it shares with others.
    pub(super) fn opinion(&mut self) -> Opinion {
        self.diagnoser.opinion(&self.context).unwrap_or(Opinion::NONE)
    }

    /// What it was last told by the others.
    pub(super) fn told(&self) -> Opinion {
        self.diagnoser.told()
    }

    /// When its leads were last seen to have been moved.
    pub(super) fn changed_at(&self) -> Option<MonoMs> {
        self.since.filter(|_| self.epoch > 0).map(|since| since.mono)
    }

    /// True when it has learnt something and no steady reading has agreed with that since `changed_at`.
    pub(super) fn is_older_than(&self, changed_at: MonoMs) -> bool {
        self.since.is_some() && self.agreed.is_none_or(|agreed| agreed.mono < changed_at)
    }

    /// What this circuit may be under a state of what is shared.
    pub(super) fn alternatives(&self, voltage: usize, registers: Registers) -> Option<Alternatives> {
        self.diagnoser.alternatives(voltage, registers, &self.context)
    }

    /// Counts the diagnosis' conclusions.
    pub(super) fn conclusions(&self) -> u64 {
        self.diagnoser.conclusions()
    }

    /// Takes note of which channels see other circuits, and of who else runs.
    pub(super) fn in_company(&mut self, crossing: Crossing, others_running: u32) {
        self.others_running = others_running;
        // A total holds the other circuit's part as well: without power per channel nothing can be told apart.
        let tells = || self.diagnoser.evidence().windows().iter().any(|w| w.mean.tells_channels());
        let crossing = if crossing != Crossing::NONE && tells() { crossing } else { Crossing::NONE };
        if crossing != self.crossing {
            self.crossing = crossing;
            self.diagnoser.cross(crossing, &self.context);
        }
    }

    /// First half of a reading: run state, checks and evidence. Findings go where those in `room` are.
    pub(super) fn step(&mut self, monitor: &MonitorReading, room: Vec<Finding>) -> Step {
        let empty = CircuitReading::default();
        let reading = monitor.circuits.get(self.context.slot).unwrap_or(&empty);
        let context = &self.context;
        let voltages = voltage::reconstruct(monitor, context.nominal_ln_v(), context.rotation);
        let meaning = Meaning {
            power_factor_signed: context.power_factor.signed_by_power,
            reactive_unsigned: context.reactive_unsigned,
            between_lines: context.service.between_lines(),
            unused: [0, 1, 2].map(|k| !context.service.channels().contains(&k)),
        };
        let circuit = circuit::reconstruct(monitor, reading, &voltages, meaning);
        let foreign = self.crossing.foreign();
        let own = context.service.channels().iter().filter(|k| !foreign[**k]);
        let largest = own.filter_map(|k| reading.current_a[*k].good()).reduce(f64::max);
        let run = self.run.observe(monitor.at.mono, largest, reading.run_status, context);
        let company = self.run.company(reading.current_a.map(Measured::good), reading.run_status, context);
        for (n, (value, _)) in checks::power::blankable(reading).iter().enumerate() {
            self.ever_given |= u8::from(value.good().is_some()) << n;
        }
        let same = self.latest.note(monitor, reading);
        let unchanged = self.refresh.note(monitor.at, same, run.flowing);
        // One moment shown again is no second witness, neither of wiring nor against it.
        let repeats = same && run.flowing;
        let input = Input {
            monitor,
            reading,
            circuit: &circuit,
            voltages: &voltages,
            context,
            lag_window: self.lag_windows.at(context, circuit.mean_current_a()),
            run,
            previous_at: self.previous_at,
            ever_given: self.ever_given,
            unchanged,
            repeats,
        };
        let findings = checks::all(&input, &mut self.memories, room);
        let flows = matches!(run.state, RunState::Running | RunState::Starting);
        let mut features = if flows { Features::of(reading, &circuit, &voltages, context, foreign) } else { None };
        if let Some(features) = &mut features {
            features.others_running = self.others_running;
            features.starting = run.state == RunState::Starting;
        }
        // A channel that lives while most of its circuit is dead and another pump runs may be that pump's: it starts nothing.
        // A voltage lead turned over is no wiring the diagnosis knows: it would blame a CT for it.
        let leads_known = !context.service.symmetrical() || voltages.is_three_phase_set();
        let rotation = voltages.measured_rotation.filter(|_| context.service.symmetrical());
        let worth = features.as_ref().is_some_and(|f| {
            let usable = !f.starting || runs_up(f, context);
            let own = company.is_none_or(|c| c.runs) || self.others_running == 0;
            usable && own && leads_known && f.level() != EvidenceLevel::Insufficient
        });
        if let Some(features) = features.as_ref().filter(|_| run.steady && !repeats && worth) {
            self.since.get_or_insert(monitor.at);
            if self.diagnoser.observe(features, rotation, context) {
                self.agreed = Some(monitor.at);
            }
            if self.diagnoser.epoch() != self.epoch {
                self.epoch = self.diagnoser.epoch();
                self.since = Some(monitor.at);
                self.proof = self.account.take().map(|before| Proof { changed_at: monitor.at, before, after: None });
            }
        }
        self.previous_at = Some(monitor.at);
        if run.state == RunState::Starting {
            features = None;
        }
        Step {
            at: monitor.at,
            run_state: run.state,
            steady: run.steady && run.state == RunState::Running && features.is_some(),
            findings,
            features,
            circuit,
            voltages,
            rotation,
            company,
            same,
            repeats,
            unchanged,
            worth,
        }
    }

    /// Second half: the conclusion, given what is known from elsewhere. Takes the findings out of `step`.
    pub(super) fn finish(
        &mut self,
        step: &mut Step,
        told: &Opinion,
        voltage_leads: Option<Arc<VoltageDiagnosis>>,
    ) -> Assessment {
        self.diagnoser.conclude(told, &self.context);
        let mut diagnosis = self.diagnosis(&step.findings, step.run_state);
        let fault = voltage_leads.as_ref().and_then(|leads| leads.fault());
        if fault.is_some_and(|group| group.states.iter().all(|state| state.registers_wrong())) {
            diagnosis.verdict = Verdict::Fault;
        }
        let features = step.features.as_ref();
        let corrected = match features {
            Some(features) => self.corrected(&diagnosis, features, &step.circuit, &step.voltages),
            None => Err(match step.run_state {
                RunState::Stopped => Uncorrected::Stopped,
                RunState::Starting => Uncorrected::Starting,
                RunState::Running => Uncorrected::ValuesMissing,
                RunState::Unknown => Uncorrected::RunStateUnknown,
            }),
        };
        if let Some(features) = features.filter(|_| self.diagnoser.settled()) {
            let account = Account::of(&diagnosis, features, corrected.as_ref().ok());
            if let Some(proof) = &mut self.proof {
                proof.after = Some(account);
            }
            if account.verdict != Verdict::NoEvidence {
                self.account = Some(account);
            }
        }
        let one_moment = if diagnosis.verdict == Verdict::NoEvidence { self.one_moment(step, told) } else { None };
        Assessment {
            at: step.at,
            run_state: step.run_state,
            findings: std::mem::take(&mut step.findings),
            diagnosis,
            corrected: corrected.ok(),
            uncorrected: corrected.err(),
            steady: step.steady,
            voltage_leads,
            joint: None,
            proof: self.proof,
            one_moment,
            outdated: false,
        }
    }

    /// What is said where the running pump has been shown at one moment only, again and again. Worked out once a moment.
    fn one_moment(&mut self, step: &Step, told: &Opinion) -> Option<OneMoment> {
        let Unchanged { since, readings, .. } = step.unchanged;
        let repeated = step.repeats && step.run_state == RunState::Running && readings >= REPEATS_TO_SAY;
        if !repeated || self.diagnoser.evidence().readings() > 0 {
            self.moment = None;
            return None;
        }
        if self.moment.as_ref().is_none_or(|(of, _)| *of != since) {
            let features = step.features.as_ref().filter(|_| step.worth);
            let told = features.and_then(|f| moment::judge(f, step.rotation, told, &self.context));
            self.moment = Some((since, told.map(Arc::new)));
        }
        let (_, diagnosis) = self.moment.clone()?;
        Some(OneMoment { since, readings, diagnosis })
    }

    /// The posterior's diagnosis, with the verdict brought down by findings no wiring explains.
    fn diagnosis(&mut self, findings: &[Finding], state: RunState) -> Diagnosis {
        let mut diagnosis = self.diagnoser.diagnosis().cloned().unwrap_or_else(Diagnosis::none);
        diagnosis.since = self.since;
        // What failed while the pump ran still stands while it is stopped: the load-dependent checks are idle then.
        let hard_now = findings.iter().any(|f| f.outcome == Outcome::Failed && words::is_hard(f));
        self.judged_hard = hard_now || (self.judged_hard && state != RunState::Running);
        if self.judged_hard {
            diagnosis.verdict = Verdict::Fault;
        }
        diagnosis
    }

    fn corrected(
        &mut self,
        diagnosis: &Diagnosis,
        features: &Features,
        circuit: &Circuit,
        voltages: &Voltages,
    ) -> Result<CorrectedPower, Uncorrected> {
        let group = diagnosis.groups.first().ok_or(Uncorrected::NoReadings)?;
        let wiring = group.members.first().ok_or(Uncorrected::NoReadings)?.wiring;
        if group.probability < bars::CORRECTED_POWER {
            return Err(Uncorrected::NotSettled { leading: group.probability });
        }
        if diagnosis.unexplained_probability > 1.0 - bars::VERDICT {
            return Err(Uncorrected::Unexplained { unexplained: diagnosis.unexplained_probability });
        }
        let class = self.diagnoser.leading_class().ok_or(Uncorrected::NoReadings)?;
        let lag_deg = self.diagnoser.leading_lag_deg(&self.context).ok_or(Uncorrected::NoReadings)?;
        correction::correct(class, &wiring, lag_deg, features, circuit, voltages, &self.context)
            .ok_or(Uncorrected::ChannelsMissing)
    }
}

/// True of a motor on its nameplate's locus towards locked rotor: its lag there is evidence.
fn runs_up(features: &Features, context: &CircuitContext) -> bool {
    context.load == super::context::LoadBehaviour::InductionMotor
        && context.full_load_current_a.is_some_and(|full| features.mean_current_a > RUNNING_UP * full)
}
