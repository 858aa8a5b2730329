//! All state of one station and the steps it takes: an event in, news out, a snapshot on demand. No clock, no task, no
//! log line: time comes with the events.
//!
//! A panic inside the audit of a monitor's circuits is caught here, told, and they start anew; it never leaves a station.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use super::context::{ContextError, circuit_context};
use super::news::{Debounced, DiagnosisKey, News, TELL_AFTER};
use super::register_watch::{RegisterWatch, Signs};
use super::snapshot::{
    CircuitSnapshot, ClockJump, MonitorSnapshot, PollHealth, StationSnapshot, answered, stale_after_ms,
};
use crate::audit::assessment::Assessment;
use crate::audit::checks::values::CLOCK_JUMP_MS;
use crate::audit::context::CircuitContext;
use crate::audit::energy::{EnergyAccount, EnergyReport};
use crate::audit::misregistration::MAX_GAP_MS;
use crate::audit::monitor::MonitorAuditor;
use crate::audit::register_fault::expected::Expected;
use crate::audit::words;
use crate::config::model::{MonitorConfig, StationConfig, Tariff};
use crate::modbus::map::MapSource;
use crate::modbus::poll::PollEvent;
use crate::reading::{Instant2, MonitorReading, MonoMs};

mod adopt;
pub mod keep;

/// The audit of one monitor's circuits as a station sees it.
pub trait MonitorAudit: Send {
    /// Takes one reading of the monitor; returns an assessment a circuit, in the order of their contexts.
    fn observe(&mut self, reading: &MonitorReading) -> Vec<Assessment>;

    /// The audit whose state is kept over a restart, where there is one.
    fn auditor(&self) -> Option<&MonitorAuditor> {
        None
    }
}

impl MonitorAudit for MonitorAuditor {
    fn observe(&mut self, reading: &MonitorReading) -> Vec<Assessment> {
        MonitorAuditor::observe(self, reading)
    }

    fn auditor(&self) -> Option<&MonitorAuditor> {
        Some(self)
    }
}

/// Starts the audit of a monitor's circuits; called again after a failure inside.
pub type AuditFactory = fn(&[CircuitContext]) -> Box<dyn MonitorAudit>;

fn real_audit(contexts: &[CircuitContext]) -> Box<dyn MonitorAudit> {
    Box::new(MonitorAuditor::new(contexts.to_vec()))
}

/// How a monitor answers, as far as the log is concerned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Link {
    Answers,
    InPart,
    Silent,
}

struct Monitor {
    shown: MonitorSnapshot,
    /// Its register map: what was learnt under another says nothing here.
    map: MapSource,
    link: Debounced<Link>,
    /// Indexes of its circuits among the station's, in the order of their contexts.
    circuits: Vec<usize>,
    contexts: Vec<CircuitContext>,
    audit: Box<dyn MonitorAudit>,
    registers: RegisterWatch,
}

struct Circuit {
    shown: CircuitSnapshot,
    energy: EnergyAccount,
    diagnosis: Debounced<DiagnosisKey>,
}

/// One station's state.
pub struct StationState {
    name: String,
    factory: AuditFactory,
    monitors: Vec<Monitor>,
    circuits: Vec<Circuit>,
    tariff: Option<Tariff>,
    previous: Option<Instant2>,
    clock_jumps: u64,
    last_clock_jump: Option<ClockJump>,
    core_failures: u64,
}

impl std::fmt::Debug for StationState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("StationState").field("name", &self.name).finish_non_exhaustive()
    }
}

impl StationState {
    /// A station of which nothing has been read yet.
    pub fn new(config: &StationConfig) -> Result<StationState, ContextError> {
        StationState::with_audit(config, real_audit)
    }

    /// The same with another audit.
    pub fn with_audit(config: &StationConfig, factory: AuditFactory) -> Result<StationState, ContextError> {
        let monitors = config.monitors.iter().enumerate().map(|(index, monitor)| {
            let own: Vec<usize> = (0..config.circuits.len()).filter(|c| config.circuits[*c].monitor == index).collect();
            let contexts: Vec<CircuitContext> =
                own.iter().map(|c| circuit_context(config, &config.circuits[*c])).collect::<Result<_, _>>()?;
            Ok(Monitor {
                shown: MonitorSnapshot {
                    name: monitor.name.clone(),
                    address: monitor.address.clone(),
                    unit: monitor.unit,
                    map_name: monitor.map_name.clone(),
                    poll_period: monitor.poll_period,
                    health: PollHealth::default(),
                    reading: None,
                    register_fault: None,
                },
                map: monitor.map.clone(),
                link: Debounced::default(),
                registers: RegisterWatch::new(Expected::of(&contexts)),
                circuits: own,
                audit: factory(&contexts),
                contexts,
            })
        });
        let monitors: Vec<Monitor> = monitors.collect::<Result<_, ContextError>>()?;
        let circuits = config.circuits.iter().map(|circuit| {
            if circuit.monitor >= monitors.len() {
                let (station, circuit) = (config.name.clone(), circuit.name.clone());
                return Err(ContextError::NoSuchMonitor { station, circuit });
            }
            Ok(Circuit {
                shown: CircuitSnapshot {
                    name: circuit.name.clone(),
                    monitor: circuit.monitor,
                    slot: usize::from(circuit.slot),
                    load: circuit.load,
                    assessment: None,
                    core_failure: None,
                    water: circuit.water,
                    energy: EnergyReport::default(),
                    fault_since: circuit.fault_since,
                    checks: Arc::default(),
                },
                energy: EnergyAccount::new(longest_gap_ms(config.monitors.get(circuit.monitor))),
                diagnosis: Debounced::default(),
            })
        });
        let circuits = circuits.collect::<Result<_, ContextError>>()?;
        Ok(StationState {
            name: config.name.clone(),
            factory,
            monitors,
            circuits,
            tariff: config.tariff.clone(),
            previous: None,
            clock_jumps: 0,
            last_clock_jump: None,
            core_failures: 0,
        })
    }

    /// Name of the station.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Takes one finished poll of the monitor with this index; returns what is worth telling.
    pub fn take(&mut self, monitor: usize, mut event: PollEvent) -> Vec<News> {
        let mut news = Vec::new();
        let reading = Arc::new(std::mem::take(&mut event.reading));
        self.watch_clock(reading.at, &mut news);
        let Some(entry) = self.monitors.get_mut(monitor) else { return news };
        note_poll(&self.name, entry, &event, &reading, &mut news);
        self.core_failures += audit_reading(entry, &mut self.circuits, self.factory, &reading, &mut news);
        let mut signs = Signs::default();
        for index in &entry.circuits {
            if let Some(assessment) = &self.circuits[*index].shown.assessment {
                signs.note(assessment);
            }
        }
        if !entry.shown.health.silent {
            entry.registers.take(&reading, event.raw.as_ref(), signs);
            entry.shown.register_fault = entry.registers.shown();
        }
        news
    }

    /// Looks for monitors that have sent nothing at all for too long: their polling hangs, which no event tells.
    pub fn check_ages(&mut self, now: MonoMs) -> Vec<News> {
        let mut news = Vec::new();
        for monitor in &mut self.monitors {
            let Some(last_poll) = monitor.shown.health.last_poll else { continue };
            let age_ms = now.since(last_poll.mono);
            if age_ms > stale_after_ms(monitor.shown.poll_period) && monitor.link.settle(Link::Silent, 1) {
                let cause = format!("no poll has finished for {:.1} s", age_ms as f64 / 1000.0);
                news.push(silent(&monitor.shown, cause));
            }
        }
        news
    }

    /// When [`StationState::check_ages`] has something to look at next, if no event comes before.
    pub fn next_check(&self) -> Option<MonoMs> {
        self.monitors
            .iter()
            .filter(|m| m.link.told() != Some(&Link::Silent))
            .filter_map(|m| {
                let last_poll = m.shown.health.last_poll?;
                Some(MonoMs(last_poll.mono.0 + stale_after_ms(m.shown.poll_period) + 1))
            })
            .min()
    }

    /// What the station shows at `at`.
    pub fn snapshot(&self, at: Instant2) -> StationSnapshot {
        StationSnapshot {
            station: self.name.clone(),
            at,
            monitors: self.monitors.iter().map(|m| m.shown.clone()).collect(),
            tariff: self.tariff.clone(),
            circuits: self.circuits.iter().map(|c| c.shown.clone()).collect(),
            clock_jumps: self.clock_jumps,
            last_clock_jump: self.last_clock_jump,
            core_failures: self.core_failures,
        }
    }

    /// All monitors share the program's two clocks, so readings of any of them may be compared.
    fn watch_clock(&mut self, at: Instant2, news: &mut Vec<News>) {
        if let Some(previous) = self.previous {
            let wall_ms = at.wall.0 - previous.wall.0;
            let mono_ms = at.mono.0 as i64 - previous.mono.0 as i64;
            let by_ms = wall_ms - mono_ms;
            if by_ms.abs() > CLOCK_JUMP_MS {
                self.clock_jumps += 1;
                self.last_clock_jump = Some(ClockJump { at, by_ms });
                news.push(News::ClockJump { by_ms });
            }
        }
        self.previous = Some(at);
    }
}

/// Two polls lost are bridged in the energies, as they are in what is shown; a minute is, whatever the poll period.
fn longest_gap_ms(monitor: Option<&MonitorConfig>) -> u64 {
    monitor.map_or(MAX_GAP_MS, |m| stale_after_ms(m.poll_period).max(MAX_GAP_MS))
}

fn note_poll(
    station: &str,
    entry: &mut Monitor,
    event: &PollEvent,
    reading: &Arc<MonitorReading>,
    news: &mut Vec<News>,
) {
    let shown = &mut entry.shown;
    let named = format!("{station} / {} ({}): ", shown.name, place(shown));
    let health = &mut shown.health;
    let first = health.polls == 0;
    health.polls += 1;
    health.transactions += u64::from(event.transactions);
    health.failed_transactions += event.errors.len() as u64;
    health.skipped_ticks += u64::from(event.skipped_ticks);
    health.connects += u64::from(event.connects);
    health.dropped_events += u64::from(event.dropped_events);
    health.last_poll = Some(reading.at);
    health.last_took_ms = event.took_ms;
    health.silent = !answered(reading);
    let cause;
    (health.failures, cause) = failures(&named, event, reading);
    let link = if health.silent {
        health.failed_polls += 1;
        Link::Silent
    } else {
        health.last_good = Some(reading.at);
        shown.reading = Some(Arc::clone(reading));
        if health.failures.is_empty() { Link::Answers } else { Link::InPart }
    };
    // The first poll is news at once, and so is an end of silence; a lost poll now and then is not.
    let needed = match (link, entry.link.told()) {
        (_, None) if first => 1,
        (Link::Answers, Some(Link::Silent | Link::InPart)) | (Link::InPart, Some(Link::Silent)) => 1,
        _ => TELL_AFTER,
    };
    if entry.link.settle(link, needed) {
        let (monitor, place) = (entry.shown.name.clone(), place(&entry.shown));
        news.push(match link {
            Link::Answers => News::MonitorAnswers { monitor, place },
            Link::InPart => News::MonitorAnswersInPart { monitor, place, cause },
            Link::Silent => silent(&entry.shown, cause),
        });
    }
}

/// What went wrong in a poll, and the first cause of it. Whoever shows them has named the monitor already, so that part
/// is taken off.
fn failures(named: &str, event: &PollEvent, reading: &MonitorReading) -> (Vec<String>, String) {
    let short = |text: &str| text.strip_prefix(named).unwrap_or(text).to_owned();
    let mut all: Vec<String> = reading.failures.iter().map(|text| short(text)).collect();
    let errors: Vec<String> = event.errors.iter().map(|error| short(&error.to_string())).collect();
    let first = errors.first().or(all.first()).cloned().unwrap_or_else(|| "no reason given".to_owned());
    for error in errors {
        if !all.iter().any(|known| known.contains(&error)) {
            all.push(error);
        }
    }
    (all, first)
}

fn silent(shown: &MonitorSnapshot, cause: String) -> News {
    News::MonitorSilent { monitor: shown.name.clone(), place: place(shown), cause }
}

fn place(shown: &MonitorSnapshot) -> String {
    format!("{}, unit {}", shown.address, shown.unit)
}

/// Runs the audit of a monitor's circuits on a reading; returns the number of failures inside it, 0 or 1.
fn audit_reading(
    monitor: &mut Monitor,
    circuits: &mut [Circuit],
    factory: AuditFactory,
    reading: &MonitorReading,
    news: &mut Vec<News>,
) -> u64 {
    let audit = &mut monitor.audit;
    // Unwind safety: the audit that panicked is thrown away, so nobody sees it half changed.
    match catch_unwind(AssertUnwindSafe(|| audit.observe(reading))) {
        Ok(assessments) => {
            for (index, assessment) in monitor.circuits.iter().zip(assessments) {
                conclude(&mut circuits[*index], assessment, reading, news);
            }
            0
        }
        Err(payload) => {
            monitor.audit = factory(&monitor.contexts);
            let message = panic_text(payload.as_ref());
            for index in &monitor.circuits {
                let circuit = &mut circuits[*index];
                circuit.shown.assessment = None;
                // An audit that fails on every reading is told once, not once a reading.
                if circuit.shown.core_failure.is_none() {
                    news.push(News::CoreFailed { circuit: circuit.shown.name.clone(), message: message.clone() });
                }
                circuit.shown.core_failure = Some(message.clone());
            }
            1
        }
    }
}

fn conclude(circuit: &mut Circuit, assessment: Assessment, reading: &MonitorReading, news: &mut Vec<News>) {
    if circuit.shown.core_failure.take().is_some() {
        news.push(News::CoreRecovered { circuit: circuit.shown.name.clone() });
    }
    if let Some(key) = DiagnosisKey::of(&assessment)
        && circuit.diagnosis.settle(key, TELL_AFTER)
    {
        news.push(News::Diagnosis {
            circuit: circuit.shown.name.clone(),
            verdict: assessment.diagnosis.verdict,
            headline: words::headline(&assessment),
        });
    }
    let epoch_before = circuit.shown.assessment.as_ref().map(|before| before.diagnosis.epoch);
    if epoch_before.is_some_and(|before| before != assessment.diagnosis.epoch) {
        circuit.energy.restart(reading.at);
    }
    if let Some(values) = reading.circuits.get(circuit.shown.slot) {
        circuit.energy.observe(reading.at, values, &assessment);
        circuit.shown.energy = circuit.energy.report();
    }
    circuit.shown.assessment = Some(Arc::new(assessment));
}

fn panic_text(payload: &(dyn Any + Send)) -> String {
    payload
        .downcast_ref::<&str>()
        .map(|text| (*text).to_owned())
        .or_else(|| payload.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "no message".to_owned())
}

#[cfg(test)]
mod tests;
