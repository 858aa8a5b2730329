//! The Prometheus page, text format 0.0.4, built from snapshots at scrape time: what is gone from a snapshot is gone from
//! the page.
//!
//! Values of a monitor that is not live are left out, never repeated: a scrape then shows a gap, as it should.

mod circuit;
mod families;
mod page;
pub mod process;
mod records;
mod station;
#[cfg(test)]
mod tests;

use crate::desk::AlarmList;
use crate::history::status::Figures;
use crate::notify::counts::TargetCounts;
use crate::reading::MonoMs;
use crate::station::snapshot::StationSnapshot;
pub use circuit::outcome_key;
use families as f;
use page::Page;

/// Content type of the page.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// How what is kept and what is sent fares.
#[derive(Debug, Clone, Default)]
pub struct Records {
    /// The history, where one is kept.
    pub history: Option<Figures>,
    /// Notifications, by target.
    pub notifications: Vec<TargetCounts>,
}

/// The page as of `now`, but for the figures of the process, which [`process::text`] gives.
pub fn render<S: AsRef<StationSnapshot>>(stations: &[S], alarms: &AlarmList, now: MonoMs, records: &Records) -> String {
    let mut page = Page::default();
    page.set(&f::BUILD_INFO, [env!("CARGO_PKG_VERSION")], 1.0);
    records::notification_figures(&mut page, &records.notifications);
    if let Some(figures) = &records.history {
        records::history_figures(&mut page, figures);
    }
    records::alarm_figures(&mut page, alarms);
    for station in stations {
        station::station_figures(&mut page, station.as_ref(), now);
    }
    page.text()
}
