//! Liveness and readiness. Alive: the process answers. Ready: the first poll of every monitor has ended, well or with a
//! stated reason; a monitor that is down later does not make the daemon unready, it is the daemon's news.

use serde::Serialize;

use crate::history::status::Figures;
use crate::station::snapshot::StationSnapshot;

/// What `/readyz` answers.
#[derive(Debug, Serialize)]
pub struct Readiness {
    /// True when every monitor has been polled once.
    pub ready: bool,
    /// One entry a monitor.
    pub monitors: Vec<MonitorReadiness>,
    /// How the history fares, where there is one. It does not make the daemon unready: that goes on watching.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub history: Option<Figures>,
}

/// How far one monitor is.
#[derive(Debug, Serialize)]
pub struct MonitorReadiness {
    station: String,
    monitor: String,
    ready: bool,
    reason: String,
}

/// Readiness of some stations.
pub fn readiness<S: AsRef<StationSnapshot>>(stations: &[S], history: Option<Figures>) -> Readiness {
    let mut monitors = Vec::new();
    for station in stations.iter().map(AsRef::as_ref) {
        for monitor in &station.monitors {
            let health = &monitor.health;
            let ready = health.last_poll.is_some();
            let reason = match (ready, health.silent) {
                (false, _) => "the first poll has not ended".to_owned(),
                (true, false) => "answers".to_owned(),
                (true, true) => format!("gives no values: {}", health.failures.join("; ")),
            };
            let (station, monitor) = (station.station.clone(), monitor.name.clone());
            monitors.push(MonitorReadiness { station, monitor, ready, reason });
        }
    }
    Readiness { ready: monitors.iter().all(|m| m.ready), monitors, history }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::{failed_event, good_event, instant, running_reading, station_config};
    use crate::station::state::StationState;

    #[test]
    fn ready_once_every_first_poll_has_ended_well_or_not() {
        let mut config = station_config("Alder Creek Lift");
        let mut second = config.monitors[0].clone();
        second.name = "PM-2".to_owned();
        config.monitors.push(second);
        let mut state = StationState::new(&config).unwrap();
        let now = |state: &StationState| readiness(&[Box::new(state.snapshot(instant(0)))], None);
        assert!(!now(&state).ready);
        state.take(0, good_event(running_reading(0)));
        let half = now(&state);
        assert!(!half.ready && half.monitors[0].ready && half.monitors[1].reason.contains("not ended"));
        state.take(1, failed_event(0));
        let both = now(&state);
        assert!(both.ready);
        assert!(both.monitors[1].reason.starts_with("gives no values: "), "{}", both.monitors[1].reason);
    }
}
