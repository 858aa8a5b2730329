//! A simulated station under audit with its alarms, played second by second: waveforms, meters, audit, conditions, states.

use std::fmt::Write;

use wattassay_simulators::Station;

use super::super::from_audit::{
    self, Audit, CircuitNow, MonitorNow, Polling, StationNow, Told, Up, alarms_of_monitor, alarms_of_station,
};
use super::super::id::{AlarmId, AlarmKind};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, FloodSettings};
use super::super::state::Transition;
use super::super::words::{AlarmText, Story};
use super::{PUMP, at_s};
use crate::audit::assessment::Assessment;
use crate::audit::context::ServiceKind;
use crate::audit::installation::Installation;
use crate::audit::monitor::MonitorAuditor;
use crate::audit::monitor_tests::{ABC, context, from_text, reading_of};

pub(super) const STATION: &str = "Larkmoor Test";

/// A monitor with the pumps on it.
struct Meter {
    name: String,
    pumps: Vec<String>,
    auditor: MonitorAuditor,
    latest: Vec<Assessment>,
}

pub(super) struct Site {
    station: Station,
    meters: Vec<Meter>,
    installation: Installation,
    set: AlarmSet,
    seconds: u64,
    pub(super) came: Vec<Transition>,
}

/// Pumps by their schedules, each on the monitor of this number; `source`, `pump` and `monitor` are added to each table.
pub(super) struct Plan<'a> {
    pub(super) schedules: &'a [(&'a str, usize)],
    pub(super) source: &'a str,
    pub(super) pump: &'a str,
    pub(super) currents: &'a str,
    pub(super) voltage: &'a str,
}

impl Default for Plan<'_> {
    fn default() -> Self {
        Plan { schedules: &[], source: "", pump: "", currents: ABC, voltage: ABC }
    }
}

impl Site {
    pub(super) fn new(plan: &Plan, installation: Installation) -> Site {
        let pump = |(n, (schedule, _)): (usize, &(&str, usize))| {
            format!(
                "[[pumps]]\nname = \"Pump {}\"\nload = \"induction-motor\"\nrated_power_w = 44742.0\n\
                 rated_voltage_v = 460.0\nfull_load_current_a = 77.0\nfull_load_power_factor = 0.86\n\
                 unbalance = [1.02, 0.97, 1.01]\nstart_s = 3.0\nschedule = [{schedule}]\n{}\n",
                n + 1,
                plan.pump
            )
        };
        let pumps: String = plan.schedules.iter().enumerate().map(pump).collect();
        let monitors = 1 + plan.schedules.iter().map(|(_, monitor)| *monitor).max().unwrap_or(0);
        let mut meters = Vec::new();
        let mut tables = String::new();
        for monitor in 0..monitors {
            let on_it = plan.schedules.iter().enumerate().filter(|(_, (_, of))| *of == monitor);
            let pumps: Vec<String> = on_it.map(|(n, _)| format!("Pump {}", n + 1)).collect();
            let quoted: Vec<String> = pumps.iter().map(|pump| format!("\"{pump}\"")).collect();
            let currents = vec![format!("[{}]", plan.currents); pumps.len()].join(", ");
            let _ = write!(
                tables,
                "[[monitors]]\nname = \"PM-{}\"\nlisten = \"127.0.0.1:0\"\nmap = \"generic-full\"\ncircuits = [{}]\n\
                 voltage = [{}]\ncurrents = [{currents}]\naccuracy = 0.5\n",
                monitor + 1,
                quoted.join(", "),
                plan.voltage
            );
            let contexts = (0..pumps.len()).map(|slot| context(ServiceKind::Wye4, slot)).collect();
            let name = format!("PM-{}", monitor + 1);
            meters.push(Meter { name, pumps, auditor: MonitorAuditor::new(contexts), latest: Vec::new() });
        }
        let station = from_text(&format!(
            "name = \"{STATION}\"\nseed = 5\n[source]\nline_voltage_v = 480.0\nnoise = 0.001\n{}\n{pumps}{tables}",
            plan.source
        ));
        let of_meters = meters.iter().flat_map(|meter| {
            alarms_of_monitor(STATION, &meter.name, &meter.pumps.iter().map(String::as_str).collect::<Vec<_>>())
        });
        let ids = of_meters.chain(alarms_of_station(STATION, monitors, plan.schedules.len()));
        let alarms: Vec<(AlarmId, AlarmSettings)> =
            ids.map(|id| (id.clone(), AlarmSettings::of_kind(id.kind))).collect();
        let mut set = AlarmSet::new(FloodSettings::default());
        set.configure(at_s(0), alarms, FloodSettings::default(), &mut Step::default());
        Site { station, meters, installation, set, seconds: 5, came: Vec::new() }
    }

    /// The same of pumps like the one of 480 V.
    pub(super) fn of(plan: &Plan) -> Site {
        Site::new(plan, PUMP)
    }

    /// Plays until then.
    pub(super) fn run_until(&mut self, second: u64) {
        while self.seconds < second {
            self.seconds += 1;
            for (index, meter) in self.meters.iter_mut().enumerate() {
                meter.latest = meter.auditor.observe(&reading_of(&self.station, index, self.seconds as f64));
            }
            let (at, mut step) = (at_s(self.seconds), Step::default());
            for told in self.told() {
                self.set.hear(at, told, &mut step);
            }
            self.set.tick(at, &mut step);
            self.came.extend(step.transitions);
        }
    }

    fn told(&self) -> Vec<Told> {
        let is_up = |id: &AlarmId| self.set.get(id).is_some_and(|entry| entry.alarm.active());
        let mut told = Vec::new();
        for meter in &self.meters {
            let of = |(name, assessment)| CircuitNow {
                name,
                audit: Audit::Of(assessment),
                installation: &self.installation,
            };
            let circuits: Vec<CircuitNow> = meter.pumps.iter().map(String::as_str).zip(&meter.latest).map(of).collect();
            let leads = AlarmId::monitor(STATION, &meter.name, AlarmKind::VoltageLeadsWrong);
            let story = self.set.get(&leads).filter(|_| is_up(&leads)).and_then(|entry| entry.story.as_ref());
            told.extend(from_audit::monitor(
                STATION,
                &MonitorNow {
                    monitor: &meter.name,
                    polling: Polling::Answers,
                    silent_with: None,
                    poor: None,
                    register_fault: None,
                    up: Up(&is_up),
                    supply_was_proven: story.is_some_and(|story| story.when_stopped.is_some()),
                    circuits: &circuits,
                },
            ));
        }
        let pumps = self.meters.iter().flat_map(|meter| &meter.pumps);
        let installations: Vec<(&str, &Installation)> = pumps.map(|pump| (pump.as_str(), &self.installation)).collect();
        let station = StationNow { station: STATION, up: Up(&is_up), installations: &installations };
        from_audit::station(&station, &mut told);
        told
    }

    /// Alarms whose cause is there, as "place: kind".
    pub(super) fn active(&self) -> Vec<String> {
        self.set.entries().filter(|entry| entry.alarm.active()).map(|entry| entry.alarm.id().to_string()).collect()
    }

    /// Alarms raised so far, in order, as "second place: kind".
    pub(super) fn raised(&self) -> Vec<String> {
        let raised = self.came.iter().filter(|t| t.cause == super::super::state::Cause::ConditionTrue);
        raised.map(|t| t.alarm.to_string()).collect()
    }

    pub(super) fn story(&self, id: &AlarmId) -> Story {
        self.set.get(id).and_then(|entry| entry.story.clone()).unwrap_or_default().now().into_owned()
    }

    pub(super) fn text(&self, id: &AlarmId) -> String {
        AlarmText::of(self.set.get(id).unwrap(), &|_| "02:13".to_owned()).to_string()
    }
}

pub(super) fn of_pump(pump: &str, kind: AlarmKind) -> AlarmId {
    AlarmId::circuit(STATION, pump, kind)
}

pub(super) fn of_meter(meter: &str, kind: AlarmKind) -> AlarmId {
    AlarmId::monitor(STATION, meter, kind)
}

pub(super) fn of_station(kind: AlarmKind) -> AlarmId {
    AlarmId::station(STATION, kind)
}
