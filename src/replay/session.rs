//! The audit of everything a replay holds: each circuit's auditor and energies, fed reading by reading.
//!
//! Readings go through `MonitorAuditor::observe`, as live ones do, so that replay and live audit cannot differ. Memory is
//! constant for each circuit.

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};

use super::columns::{Columns, MonitorKey, ValueColumn};
use super::doubt::sample::Sample;
use super::doubt::{Doubt, weigh, worth_weighing};
use super::outcome::{CircuitOutcome, FileDoubt};
use super::rows::RowReader;
use super::time::Timeline;
use crate::audit::assessment::{Assessment, RunState, Verdict};
use crate::audit::context::CircuitContext;
use crate::audit::energy::Period;
use crate::audit::installation::Installation;
use crate::audit::misregistration::{EnergyMeter, registered_w};
use crate::audit::monitor::MonitorAuditor;
use crate::modbus::map::Quantity;
use crate::reading::{Instant2, MonitorReading, UnixMs};
use crate::station::context::{ContextError, circuit_context, installation};
use crate::station::register_watch::Signs;

/// One circuit being replayed.
#[derive(Debug)]
struct Circuit {
    station: usize,
    slot: usize,
    name: String,
    installation: Installation,
    energy: EnergyMeter,
    registers_power: bool,
    started_at: Option<Instant2>,
    readings: u64,
    period: Option<(UnixMs, UnixMs)>,
    failures: u64,
    doubts: Vec<FileDoubt>,
}

/// One station being replayed.
#[derive(Debug)]
struct Station {
    circuits: Vec<Circuit>,
    /// By index, so that a reading finds its circuits at once.
    monitors: Vec<Monitor>,
    timeline: Timeline,
}

/// One monitor being replayed.
#[derive(Debug)]
struct Monitor {
    /// Indexes of its circuits among the station's, in the order of their contexts.
    circuits: Vec<usize>,
    contexts: Vec<CircuitContext>,
    auditor: MonitorAuditor,
    /// What it made of the latest reading, by circuit; none before the first, and after one on which the audit failed inside.
    latest: Vec<Assessment>,
    /// Of the readings of the file being read.
    sample: Sample,
}

/// All circuits of a replay, or those of some stations.
#[derive(Debug)]
pub struct Session<'c> {
    columns: &'c Columns,
    /// By index of the station.
    stations: BTreeMap<usize, Station>,
}

impl<'c> Session<'c> {
    /// A session over every circuit that the columns file has at least one value of.
    pub fn new(columns: &'c Columns) -> Result<Session<'c>, ContextError> {
        let values = || columns.plans.iter().flat_map(|plan| &plan.values);
        let wanted: BTreeSet<(MonitorKey, u8)> =
            values().filter(|v| own_to_circuit(v.target.quantity)).map(|v| (v.monitor, v.target.slot)).collect();
        let powered: BTreeSet<(MonitorKey, u8)> = values()
            .filter(|v| v.target.quantity == Quantity::ActivePower)
            .map(|v| (v.monitor, v.target.slot))
            .collect();
        let mut stations = BTreeMap::new();
        for (station, config) in columns.stations.iter().enumerate() {
            let mut circuits = Vec::new();
            let mut of_monitor: Vec<(Vec<usize>, Vec<CircuitContext>)> =
                vec![Default::default(); config.monitors.len()];
            for circuit in &config.circuits {
                let place = (MonitorKey { station, monitor: circuit.monitor }, circuit.slot);
                if !wanted.contains(&place) {
                    continue;
                }
                let context = circuit_context(config, circuit)?;
                if let Some((indexes, contexts)) = of_monitor.get_mut(circuit.monitor) {
                    indexes.push(circuits.len());
                    contexts.push(context);
                }
                circuits.push(Circuit {
                    station,
                    slot: usize::from(circuit.slot),
                    name: circuit.name.clone(),
                    installation: installation(config, circuit),
                    energy: EnergyMeter::with_max_gap(columns.longest_gap_ms),
                    registers_power: powered.contains(&place),
                    started_at: None,
                    readings: 0,
                    period: None,
                    failures: 0,
                    doubts: Vec::new(),
                });
            }
            let monitors = of_monitor.into_iter().map(|(circuits, contexts)| Monitor {
                circuits,
                auditor: MonitorAuditor::new(contexts.clone()),
                contexts,
                latest: Vec::new(),
                sample: Sample::default(),
            });
            stations.insert(station, Station { circuits, monitors: monitors.collect(), timeline: Timeline::default() });
        }
        Ok(Session { columns, stations })
    }

    /// Files of these plans, by index, in groups that share no station; those of a group stay in order.
    pub fn independent(&self, plans: &[usize]) -> Vec<Vec<usize>> {
        let mut groups: Vec<(BTreeSet<usize>, Vec<usize>)> = Vec::new();
        for (file, plan) in plans.iter().enumerate() {
            let mut joined = (self.stations_of(*plan), vec![file]);
            let shares_none = |group: &(BTreeSet<usize>, Vec<usize>)| group.0.is_disjoint(&joined.0);
            let (apart, sharing): (Vec<_>, Vec<_>) = groups.into_iter().partition(shares_none);
            groups = apart;
            for (stations, files) in sharing {
                joined.0.extend(stations);
                joined.1.extend(files);
            }
            joined.1.sort_unstable();
            groups.push(joined);
        }
        groups.sort_by_key(|(_, files)| files.first().copied());
        groups.into_iter().map(|(_, files)| files).collect()
    }

    /// Takes out the stations of some plans, to be replayed elsewhere.
    #[must_use]
    pub fn part(&mut self, plans: &[usize]) -> Session<'c> {
        let wanted: BTreeSet<usize> = plans.iter().flat_map(|plan| self.stations_of(*plan)).collect();
        let taken = |station| Some((station, self.stations.remove(&station)?));
        Session { columns: self.columns, stations: wanted.into_iter().filter_map(taken).collect() }
    }

    /// Puts back what [`Session::part`] took out.
    pub fn put_back(&mut self, part: Session<'c>) {
        self.stations.extend(part.stations);
    }

    fn stations_of(&self, plan: usize) -> BTreeSet<usize> {
        let plan = self.columns.plans.get(plan);
        plan.into_iter().flat_map(|plan| &plan.values).map(|value| value.monitor.station).collect()
    }

    /// A reader for the next file, whose time goes on from earlier files of the same stations.
    pub fn reader(&self, plan: usize) -> RowReader<'c> {
        let values = self.columns.plans.get(plan).map_or(&[][..], |plan| &plan.values);
        let latest = values
            .iter()
            .filter_map(|value| self.stations.get(&value.monitor.station))
            .map(|station| station.timeline)
            .max_by_key(|timeline| timeline.last().map(|at| at.wall))
            .unwrap_or_default();
        RowReader::new(self.columns, plan, latest)
    }

    /// Notes that a file has been read to its end, and looks whether its columns fit.
    pub fn finished(&mut self, reader: &RowReader<'_>, file: &str) {
        let values = self.columns.plans.get(reader.plan()).map_or(&[][..], |plan| &plan.values);
        for key in reader.monitors() {
            let Some(station) = self.stations.get_mut(&key.station) else { continue };
            station.timeline = reader.timeline();
            let Some(monitor) = station.monitors.get_mut(key.monitor) else { continue };
            for (index, doubt) in monitor.doubts(key, values) {
                if let Some(circuit) = station.circuits.get_mut(index) {
                    circuit.doubts.push(FileDoubt { file: file.to_owned(), doubt });
                }
            }
        }
    }

    /// Takes one reading of a monitor.
    pub fn take(&mut self, key: MonitorKey, reading: &MonitorReading) {
        let Some(station) = self.stations.get_mut(&key.station) else { return };
        let Some(monitor) = station.monitors.get_mut(key.monitor).filter(|monitor| !monitor.circuits.is_empty()) else {
            return;
        };
        let (auditor, latest) = (&mut monitor.auditor, &mut monitor.latest);
        // As in the daemon: circuits that fail inside must not end the replay of all others.
        if catch_unwind(AssertUnwindSafe(|| auditor.observe_into(reading, latest))).is_err() {
            monitor.auditor = MonitorAuditor::new(monitor.contexts.clone());
            monitor.latest.clear();
        }
        if monitor.sample.due() {
            let mut signs = Signs::default();
            monitor.latest.iter().for_each(|assessment| signs.note(assessment));
            monitor.sample.take(reading, signs);
        }
        for (place, index) in monitor.circuits.iter().enumerate() {
            if let Some(circuit) = station.circuits.get_mut(*index) {
                circuit.take(reading, monitor.latest.get(place));
            }
        }
    }

    /// All circuits, the worst first: by verdict, probability of a fault and size of the misregistration.
    pub fn ranked(&self) -> Vec<CircuitOutcome> {
        let mut outcomes: Vec<CircuitOutcome> =
            self.stations.values().flat_map(|station| station.outcomes(self.columns)).collect();
        let severity = |verdict| match verdict {
            Verdict::Fault => 0,
            Verdict::Undecided => 1,
            Verdict::NoEvidence => 2,
            Verdict::Sound => 3,
        };
        outcomes.sort_by(|a, b| {
            severity(a.verdict())
                .cmp(&severity(b.verdict()))
                .then(b.fault_probability().unwrap_or(-1.0).total_cmp(&a.fault_probability().unwrap_or(-1.0)))
                .then(b.misregistered_wh().total_cmp(&a.misregistered_wh()))
        });
        outcomes
    }
}

/// True for what each circuit has for itself; false for what the monitor has once.
fn own_to_circuit(quantity: Quantity) -> bool {
    !matches!(quantity, Quantity::VoltageLn | Quantity::VoltageLl | Quantity::VoltageAngle | Quantity::Frequency)
}

impl Monitor {
    /// What does not fit in the columns of the file that has been read, by index of the circuit. Begins a new sample.
    fn doubts(&mut self, key: MonitorKey, values: &[ValueColumn]) -> Vec<(usize, Doubt)> {
        let sample = std::mem::take(&mut self.sample);
        let mut found = Vec::new();
        for (place, (index, context)) in self.circuits.iter().zip(&self.contexts).enumerate() {
            let correct = self.latest.get(place).is_some_and(|latest| latest.diagnosis.verdict == Verdict::Sound);
            // Where all is well nothing is weighed, so that a fleet of healthy stations pays for a few comparisons.
            if correct && !worth_weighing(&sample, context) {
                continue;
            }
            let of_circuit = |value: &&ValueColumn| {
                let target = value.target;
                value.monitor == key && (usize::from(target.slot) == context.slot || !own_to_circuit(target.quantity))
            };
            let own: Vec<&ValueColumn> = values.iter().filter(of_circuit).collect();
            found.extend(weigh(&sample, &own, context).into_iter().map(|doubt| (*index, doubt)));
        }
        found
    }
}

impl Station {
    fn outcomes(&self, columns: &Columns) -> impl Iterator<Item = CircuitOutcome> {
        let latest = |index: usize| {
            let monitors = self.monitors.iter();
            let mut places = monitors.flat_map(|m| m.circuits.iter().zip(m.latest.iter()));
            places.find(|(circuit, _)| **circuit == index).map(|(_, assessment)| assessment)
        };
        let circuits = self.circuits.iter().enumerate();
        circuits.map(move |(index, circuit)| circuit.outcome(latest(index), columns))
    }
}

impl Circuit {
    /// Takes a reading with what the audit made of it; `None` when the audit failed inside.
    fn take(&mut self, reading: &MonitorReading, assessment: Option<&Assessment>) {
        self.readings += 1;
        self.started_at.get_or_insert(reading.at);
        let wall = reading.at.wall;
        self.period = Some(self.period.map_or((wall, wall), |(from, to)| (from.min(wall), to.max(wall))));
        let Some(assessment) = assessment else {
            self.failures += 1;
            return;
        };
        if self.registers_power
            && let Some(registered_w) = reading.circuits.get(self.slot).and_then(registered_w)
        {
            let running = assessment.run_state != RunState::Stopped;
            self.energy.observe(reading.at.mono, registered_w, running, assessment.corrected.as_ref());
        }
    }

    fn outcome(&self, assessment: Option<&Assessment>, columns: &Columns) -> CircuitOutcome {
        let station = columns.stations.get(self.station);
        CircuitOutcome {
            station: station.map(|station| station.name.clone()).unwrap_or_default(),
            circuit: self.name.clone(),
            installation: self.installation,
            assessment: assessment.filter(|_| self.doubts.is_empty()).cloned(),
            doubts: self.doubts.clone(),
            energy: (self.registers_power && self.doubts.is_empty()).then(|| Period {
                from: self.started_at,
                sums: self.energy.sums(),
                registered: true,
            }),
            tariff: station.and_then(|station| station.tariff.clone()),
            readings: self.readings,
            period: self.period,
            failures: self.failures,
        }
    }
}
