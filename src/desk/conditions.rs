//! What the stations show at a moment, as conditions of alarms. Must never weigh anything: that is the audit's.

use crate::alarm::from_audit::{self, Audit, MonitorNow, Polling, Told};
use crate::alarm::id::{AlarmId, AlarmKind, Place};
use crate::alarm::set::AlarmSet;
use crate::audit::cautions;
use crate::config::model::StationConfig;
use crate::reading::MonoMs;
use crate::station::snapshot::{CircuitSnapshot, Freshness, StationSnapshot};

/// The alarms that stations can have, and those of the daemon itself.
pub(super) fn alarms_of(stations: &[StationConfig]) -> Vec<AlarmId> {
    let of_stations = stations.iter().flat_map(|station| {
        let of_monitors = station.monitors.iter().enumerate().flat_map(|(index, monitor)| {
            let circuits = station.circuits.iter().filter(|circuit| circuit.monitor == index);
            let circuits: Vec<&str> = circuits.map(|circuit| circuit.name.as_str()).collect();
            from_audit::alarms_of_monitor(&station.name, &monitor.name, &circuits)
        });
        of_monitors.chain([AlarmId::station(&station.name, AlarmKind::ClockJumped)])
    });
    of_stations.chain([AlarmId::daemon(AlarmKind::StorageFull)]).collect()
}

/// The conditions of a station's alarms as its newest snapshot shows them at `now`; `alarms` as they are.
pub(super) fn of_station(snapshot: &StationSnapshot, alarms: &AlarmSet, now: MonoMs) -> Vec<Told> {
    let mut told = Vec::new();
    for (index, monitor) in snapshot.monitors.iter().enumerate() {
        let circuits: Vec<(&str, Audit<'_>)> = snapshot
            .circuits
            .iter()
            .filter(|circuit| circuit.monitor == index)
            .map(|circuit| {
                let audit = match (&circuit.core_failure, &circuit.assessment) {
                    (Some(message), _) => Audit::Failed { message },
                    (None, Some(assessment)) => Audit::Of(assessment),
                    (None, None) => Audit::NotYet,
                };
                (circuit.name.as_str(), audit)
            })
            .collect();
        let polling = match monitor.freshness(now) {
            Freshness::Waiting => Polling::NotYet,
            _ if monitor.health.silent => {
                Polling::Silent { cause: monitor.health.failures.first().map_or("", String::as_str) }
            }
            Freshness::Stale { .. } => Polling::Silent { cause: "its polls do not come to an end" },
            Freshness::Live { .. } | Freshness::NeverAnswered => Polling::Answers,
        };
        let register_fault = monitor.register_fault.as_deref();
        let leads = AlarmId::monitor(&snapshot.station, &monitor.name, AlarmKind::VoltageLeadsWrong);
        let leads_told = alarms.get(&leads).is_some_and(|entry| entry.alarm.active());
        let monitor = MonitorNow { monitor: &monitor.name, polling, register_fault, leads_told, circuits: &circuits };
        let of_monitor = from_audit::monitor(&snapshot.station, &monitor);
        told.extend(of_monitor.into_iter().map(|told| with_cautions(told, snapshot, index)));
    }
    let jump = snapshot.last_clock_jump.map(|jump| (jump.by_ms, now.since(jump.at.mono)));
    told.push(from_audit::clock(&snapshot.station, jump));
    told
}

/// What is told, with the cautions of the panel that it sends somebody to: of the circuit that it is about, else of all circuits of
/// the monitor.
fn with_cautions(mut told: Told, snapshot: &StationSnapshot, monitor: usize) -> Told {
    if let Some(story) = told.story.as_mut().filter(|story| story.at_panel) {
        let own = |circuit: &CircuitSnapshot| match &told.id.place {
            Place::Circuit { circuit: name, .. } => *name == circuit.name,
            _ => true,
        };
        let panels = snapshot.circuits.iter().filter(|circuit| circuit.monitor == monitor && own(circuit));
        story.cautions = cautions::together(panels.map(|circuit| &circuit.installation));
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::settings::FloodSettings;
    use crate::audit::installation::CtSecondary;
    use crate::reading::MonoMs;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn an_alarm_at_a_panel_brings_the_cautions_of_that_panel() {
        let mut snapshot = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
        snapshot.circuits[0].installation.ct_secondary = CtSecondary::Voltage { rated_mv: 333 };
        let told = of_station(&snapshot, &AlarmSet::new(FloodSettings::default()), MonoMs(7200));
        let at_panel: Vec<_> = told.iter().filter_map(|t| t.story.as_ref()).filter(|s| s.at_panel).collect();
        assert!(!at_panel.is_empty());
        for story in at_panel {
            assert_eq!(story.cautions, cautions::cautions(&snapshot.circuits[0].installation));
        }
    }
}
