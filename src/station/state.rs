//! All state of one station and the steps it takes: an event in, news out, a snapshot on demand. No clock, no task, no
//! log line: time comes with the events.
//!
//! A panic inside the audit of a monitor's circuits is caught (`auditing`), told, and they start anew; it never leaves a station.

use std::sync::Arc;

use super::context::{ContextError, circuit_context, installation};
use super::news::{Debounced, DiagnosisKey, News};
use super::register_watch::{RegisterWatch, Signs};
use super::snapshot::{CircuitSnapshot, ClockJump, MonitorSnapshot, PollHealth, StationSnapshot, stale_after_ms};
use crate::audit::assessment::Assessment;
use crate::audit::checks::values::CLOCK_JUMP_MS;
use crate::audit::context::CircuitContext;
use crate::audit::energy::{EnergyAccount, EnergyReport};
use crate::audit::misregistration::MAX_GAP_MS;
use crate::audit::monitor::MonitorAuditor;
use crate::audit::register_fault::expected::Expected;
use crate::config::model::{MonitorConfig, StationConfig, Tariff};
use crate::modbus::map::MapSource;
use crate::modbus::poll::PollEvent;
use crate::reading::{Instant2, MonitorReading, MonoMs};

mod adopt;
mod auditing;
pub mod keep;
mod polling;

use self::auditing::audit_reading;
use self::polling::{Link, note_poll, silent};

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
                    installation: installation(config, circuit),
                    assessment: None,
                    last_run: None,
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

#[cfg(test)]
mod tests;
