//! What the stations show at a moment, as conditions of alarms. Must never weigh anything: that is the audit's.

use std::sync::Arc;

use super::availability::Availability;
use crate::alarm::from_audit::{
    self, Audit, CircuitNow, MonitorNow, Polling, Silence, SilentMonitor, SilentTogether, StationNow, Told, Up,
};
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::set::AlarmSet;
use crate::audit::installation::Installation;
use crate::config::model::StationConfig;
use crate::reading::MonoMs;
use crate::station::snapshot::{Freshness, MonitorSnapshot, StationSnapshot};

/// The alarms that stations can have, and those of the daemon itself.
pub(super) fn alarms_of(stations: &[StationConfig]) -> Vec<AlarmId> {
    let of_stations = stations.iter().flat_map(|station| {
        let of_monitors = station.monitors.iter().enumerate().flat_map(|(index, monitor)| {
            let circuits = station.circuits.iter().filter(|circuit| circuit.monitor == index);
            let circuits: Vec<&str> = circuits.map(|circuit| circuit.name.as_str()).collect();
            from_audit::alarms_of_monitor(&station.name, &monitor.name, &circuits)
        });
        of_monitors.chain(from_audit::alarms_of_station(&station.name, station.monitors.len(), station.circuits.len()))
    });
    let of_daemon = [AlarmKind::StorageFull, AlarmKind::ClockJumped, AlarmKind::MetersSilentTogether];
    of_stations.chain(of_daemon.map(AlarmId::daemon)).collect()
}

/// How polling of a monitor goes.
fn polling(monitor: &MonitorSnapshot, now: MonoMs) -> Polling<'_> {
    match monitor.freshness(now) {
        Freshness::Waiting => Polling::NotYet,
        _ if monitor.health.silent => {
            Polling::Silent { cause: monitor.health.failures.first().map_or("", String::as_str) }
        }
        Freshness::Stale { .. } => Polling::Silent { cause: "its polls do not come to an end" },
        Freshness::Live { .. } | Freshness::NeverAnswered => Polling::Answers,
    }
}

/// What all stations show together: silence that many monitors share, and the latest step of the clock.
pub(super) fn of_all(snapshots: &[Arc<StationSnapshot>], now: MonoMs) -> (SilentTogether, Vec<Told>) {
    let monitors: Vec<SilentMonitor> = snapshots
        .iter()
        .flat_map(|snapshot| snapshot.monitors.iter().map(move |monitor| (snapshot, monitor)))
        .map(|(snapshot, monitor)| {
            let polling = polling(monitor, now);
            let silent = match polling {
                Polling::Silent { cause } => {
                    Some(Silence { last_good: monitor.health.last_good.map(|at| at.mono), cause })
                }
                Polling::NotYet | Polling::Answers => None,
            };
            SilentMonitor {
                station: &snapshot.station,
                monitor: &monitor.name,
                host: host(&monitor.address),
                polled: polling != Polling::NotYet,
                silent,
                poll_period_ms: monitor.poll_period.as_millis() as u64,
            }
        })
        .collect();
    let together = from_audit::silent_together(&monitors);
    let steps = snapshots.iter().filter_map(|snapshot| snapshot.last_clock_jump);
    let latest = steps.max_by_key(|step| step.at.mono.0);
    let clock = from_audit::clock(latest.map(|step| (step.by_ms, now.since(step.at.mono))));
    let told = together.told.iter().cloned().chain([clock]).collect();
    (together, told)
}

/// The host of an address: what monitors behind one gateway have in common.
fn host(address: &str) -> &str {
    address.rsplit_once(':').map_or(address, |(host, _)| host)
}

/// The conditions of a station's alarms as its newest snapshot shows them at `now`; `alarms` as they are, `availability` as
/// looked at until now.
pub(crate) fn of_station(
    snapshot: &StationSnapshot,
    alarms: &AlarmSet,
    together: &SilentTogether,
    availability: &Availability,
    now: MonoMs,
) -> Vec<Told> {
    let mut told = Vec::new();
    let is_up = |id: &AlarmId| alarms.get(id).is_some_and(|entry| entry.alarm.active());
    let up = Up(&is_up);
    for (index, monitor) in snapshot.monitors.iter().enumerate() {
        let circuits: Vec<CircuitNow<'_>> = snapshot
            .circuits
            .iter()
            .filter(|circuit| circuit.monitor == index)
            .map(|circuit| {
                let audit = match (&circuit.core_failure, &circuit.assessment) {
                    (Some(message), _) => Audit::Failed { message },
                    (None, Some(assessment)) => Audit::Of(assessment),
                    (None, None) => Audit::NotYet,
                };
                CircuitNow { name: &circuit.name, audit, installation: &circuit.installation }
            })
            .collect();
        let leads = AlarmId::monitor(&snapshot.station, &monitor.name, AlarmKind::VoltageLeadsWrong);
        let story = alarms.get(&leads).filter(|entry| entry.alarm.active()).and_then(|entry| entry.story.as_ref());
        let monitor_now = MonitorNow {
            monitor: &monitor.name,
            polling: polling(monitor, now),
            silent_with: together.teller(&snapshot.station, &monitor.name),
            poor: availability.poor(&snapshot.station, &monitor.name),
            register_fault: monitor.register_fault.as_deref(),
            up,
            supply_was_proven: story.is_some_and(|story| story.when_stopped.is_some()),
            circuits: &circuits,
        };
        told.extend(from_audit::monitor(&snapshot.station, &monitor_now));
    }
    let installations: Vec<(&str, &Installation)> =
        snapshot.circuits.iter().map(|circuit| (circuit.name.as_str(), &circuit.installation)).collect();
    let station = StationNow { station: &snapshot.station, up, installations: &installations };
    from_audit::station(&station, &mut told);
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::settings::FloodSettings;
    use crate::audit::cautions;
    use crate::audit::installation::CtSecondary;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn an_alarm_at_a_panel_brings_the_cautions_of_that_panel() {
        let mut snapshot = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
        snapshot.circuits[0].installation.ct_secondary = CtSecondary::Voltage { rated_mv: 333 };
        let alarms = AlarmSet::new(FloodSettings::default());
        let told = of_station(&snapshot, &alarms, &SilentTogether::default(), &Availability::default(), MonoMs(7200));
        let at_panel: Vec<_> = told.iter().filter_map(|t| t.story.as_ref()).filter(|s| s.at_panel()).collect();
        assert!(!at_panel.is_empty());
        let expected: Vec<String> = cautions::cautions(&snapshot.circuits[0].installation)
            .into_iter()
            .map(std::borrow::Cow::into_owned)
            .collect();
        for story in at_panel {
            assert_eq!(story.cautions, expected);
        }
    }
}
