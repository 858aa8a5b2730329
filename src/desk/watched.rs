//! What the desk is to watch, and the way by which a running desk gets that anew.

use tokio::sync::mpsc;

use super::conditions;
use crate::alarm::id::{AlarmId, AlarmKind, Place};
use crate::alarm::rationale::Class;
use crate::alarm::settings::{AlarmSettings, AlarmsConfig, Priority};
use crate::config::model::{CircuitConfig, StationConfig};
use crate::station::context::installation;

/// What the desk is to watch: a configuration's part.
#[derive(Debug, Clone)]
pub struct Watched {
    pub(super) alarms: AlarmsConfig,
    pub(super) ids: Vec<(AlarmId, AlarmSettings)>,
}

impl Watched {
    /// The alarms of these stations.
    pub fn new(alarms: &AlarmsConfig, stations: &[StationConfig]) -> Watched {
        let ids = conditions::alarms_of(stations).into_iter().map(|id| {
            let settings = settings_of(&id, alarms, stations);
            (id, settings)
        });
        Watched { ids: ids.collect(), alarms: alarms.clone() }
    }
}

/// How an alarm behaves: as its kind does, but for what the configuration says of the circuits behind it.
fn settings_of(id: &AlarmId, alarms: &AlarmsConfig, stations: &[StationConfig]) -> AlarmSettings {
    let mut settings = alarms.of_kind(id.kind);
    let of = |station: &StationConfig| id.place.station().is_none_or(|name| name == station.name);
    let behind: Vec<(&StationConfig, &CircuitConfig)> = stations
        .iter()
        .filter(|station| of(station))
        .flat_map(|station| station.circuits.iter().map(move |circuit| (station, circuit)))
        .filter(|(station, circuit)| is_behind(&id.place, station, circuit))
        .collect();
    let as_declared = !alarms.kinds.contains_key(&id.kind);
    if id.kind == AlarmKind::CtNoCurrent
        && as_declared
        && behind.iter().all(|(station, circuit)| !installation(station, circuit).ct_secondary.may_be_current())
    {
        settings.priority = Priority::Low;
    }
    // A disk is no matter of one pump; a work order is no more urgent for being of the only pump.
    if id.kind.class() == Class::Alarm && id.kind != AlarmKind::StorageFull {
        let raised_to = behind.iter().filter_map(|(_, circuit)| circuit.alarm_priority).max();
        let most = if id.kind == AlarmKind::MetersSilentTogether { Priority::High } else { Priority::Critical };
        settings.priority = settings.priority.max(raised_to.map_or(settings.priority, |priority| priority.min(most)));
    }
    settings
}

fn is_behind(place: &Place, station: &StationConfig, circuit: &CircuitConfig) -> bool {
    match place {
        Place::Daemon | Place::Station { .. } => true,
        Place::Monitor { monitor, .. } => {
            station.monitors.get(circuit.monitor).is_some_and(|known| known.name == *monitor)
        }
        Place::Circuit { circuit: name, .. } => circuit.name == *name,
    }
}

/// Hands a new configuration to a running desk.
#[derive(Debug, Clone)]
pub struct Reconfigure(mpsc::Sender<Watched>);

impl Reconfigure {
    pub(super) fn channel() -> (Reconfigure, mpsc::Receiver<Watched>) {
        let (sender, receiver) = mpsc::channel(1);
        (Reconfigure(sender), receiver)
    }

    /// Takes effect before the next look.
    pub async fn take(&self, watched: Watched) {
        // A desk that has ended is one of a daemon that stops.
        let _ = self.0.send(watched).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::installation::CtSecondary;
    use crate::config::model::CtRatio;
    use crate::station::fixtures::station_config;

    const STATION: &str = "Alder Creek Lift";

    fn priority(stations: &[StationConfig], id: &AlarmId) -> Priority {
        let watched = Watched::new(&AlarmsConfig::default(), stations);
        watched.ids.iter().find(|(known, _)| known == id).unwrap().1.priority
    }

    #[test]
    fn the_only_pump_raises_its_alarms_and_its_monitors_but_no_work_order() {
        let mut station = station_config(STATION);
        station.circuits[0].alarm_priority = Some(Priority::High);
        let pump = |kind| AlarmId::circuit(STATION, &station.circuits[0].name, kind);
        let monitor = |kind| AlarmId::monitor(STATION, &station.monitors[0].name, kind);
        let stations = [station.clone()];
        for (id, expected) in [
            (pump(AlarmKind::ValuesFrozen), Priority::High),
            (monitor(AlarmKind::MonitorSilent), Priority::High),
            (AlarmId::daemon(AlarmKind::MetersSilentTogether), Priority::High),
            (pump(AlarmKind::SupplyPhaseLost), Priority::Critical),
            (pump(AlarmKind::MeteringMiswired), Priority::Low),
            (monitor(AlarmKind::VoltageLeadsWrong), Priority::Low),
            (AlarmId::daemon(AlarmKind::ClockJumped), Priority::Low),
        ] {
            assert_eq!(priority(&stations, &id), expected, "{id}");
        }
    }

    #[test]
    fn an_open_ct_is_urgent_unless_its_output_is_known_to_be_none_that_harms() {
        let mut station = station_config(STATION);
        let id = AlarmId::circuit(STATION, &station.circuits[0].name, AlarmKind::CtNoCurrent);
        assert_eq!(priority(&[station.clone()], &id), Priority::High, "not declared counts as 5 A");
        let secondary = CtSecondary::Voltage { rated_mv: 333 };
        station.circuits[0].ct_secondary = secondary;
        assert_eq!(priority(&[station.clone()], &id), Priority::High, "a ratio of 200:5 says otherwise");
        station.circuits[0].ct_ratio = Some(CtRatio { primary_a: 200.0, secondary });
        assert_eq!(priority(&[station.clone()], &id), Priority::Low);
    }
}
