//! How much each monitor has answered of late, looked at with every look of the desk. Must never decide what an alarm is.

use std::collections::HashMap;
use std::sync::Arc;

use crate::alarm::availability::{AvailabilitySettings, AvailabilityWatch, Poor};
use crate::reading::MonoMs;
use crate::station::snapshot::{Freshness, StationSnapshot};

/// One watch for each monitor of each station.
#[derive(Debug, Default)]
pub(crate) struct Availability {
    settings: AvailabilitySettings,
    stations: HashMap<String, HashMap<String, AvailabilityWatch>>,
}

impl Availability {
    /// Watches anew where the settings differ, and on where they do not.
    pub(super) fn configure(&mut self, settings: AvailabilitySettings) {
        if self.settings != settings {
            *self = Availability { settings, stations: HashMap::new() };
        }
    }

    /// Looks at every monitor. Those that are gone are forgotten.
    pub(super) fn look(&mut self, snapshots: &[Arc<StationSnapshot>], now: MonoMs) {
        self.stations.retain(|name, _| snapshots.iter().any(|snapshot| snapshot.station == *name));
        for snapshot in snapshots {
            let watches = self.stations.entry(snapshot.station.clone()).or_default();
            watches.retain(|name, _| snapshot.monitors.iter().any(|monitor| monitor.name == *name));
            for monitor in &snapshot.monitors {
                let answers = match monitor.freshness(now) {
                    Freshness::Waiting => None,
                    Freshness::Live { .. } => Some(true),
                    Freshness::Stale { .. } | Freshness::NeverAnswered => Some(false),
                };
                let fresh = || AvailabilityWatch::new(self.settings);
                watches.entry(monitor.name.clone()).or_insert_with(fresh).observe(now, answers);
            }
        }
    }

    /// How little a monitor answers, while that is too little.
    pub(super) fn poor(&self, station: &str, monitor: &str) -> Option<Poor> {
        self.stations.get(station)?.get(monitor)?.poor()
    }
}
