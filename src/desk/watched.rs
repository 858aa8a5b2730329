//! What the desk is to watch, and the way by which a running desk gets that anew.

use tokio::sync::mpsc;

use super::conditions;
use crate::alarm::id::AlarmId;
use crate::alarm::settings::{AlarmSettings, AlarmsConfig};
use crate::config::model::StationConfig;

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
            let settings = alarms.of_kind(id.kind);
            (id, settings)
        });
        Watched { ids: ids.collect(), alarms: alarms.clone() }
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
