//! What the daemon keeps and sends, on the page: history, notifications, alarms.

use std::collections::BTreeMap;

use super::families as f;
use super::page::Page;
use crate::alarm::settings::Priority;
use crate::alarm::state::AlarmState;
use crate::desk::AlarmList;
use crate::history::status::Figures;
use crate::notify::counts::TargetCounts;

pub(super) fn notification_figures(page: &mut Page, targets: &[TargetCounts]) {
    for counts in targets {
        let target = [counts.target.as_str(), counts.kind];
        for (outcome, count) in [
            ("delivered", counts.delivered),
            ("retried", counts.retried),
            ("refused", counts.refused),
            ("expired", counts.expired),
            ("dropped", counts.dropped),
            ("not_kept", counts.not_kept),
        ] {
            page.set(&f::NOTIFICATIONS, [target[0], target[1], outcome], count as f64);
        }
        page.set(&f::NOTIFICATIONS_WAITING, target, counts.waiting as f64);
    }
}

pub(super) fn history_figures(page: &mut Page, figures: &Figures) {
    let storage = &figures.storage;
    page.set(&f::HISTORY_WRITTEN, [], figures.written as f64);
    page.set(&f::HISTORY_LOST, ["queue full"], figures.dropped as f64);
    page.set(&f::HISTORY_LOST, ["refused"], figures.refused as f64);
    page.set(&f::HISTORY_QUEUED, [], figures.queued as f64);
    page.set(&f::HISTORY_REMOVED, [], figures.removed_rows as f64);
    page.set(&f::HISTORY_FULL, [], f64::from(u8::from(storage.full)));
    page.set(&f::HISTORY_FAILING, [], f64::from(u8::from(storage.failing)));
    if let Some(size_bytes) = figures.size_bytes {
        page.set(&f::HISTORY_SIZE, [], size_bytes as f64);
    }
    if let Some(free_bytes) = storage.free_bytes {
        page.set(&f::HISTORY_FREE, [], free_bytes as f64);
        page.set(&f::HISTORY_LEAST, [], storage.least_bytes as f64);
    }
}

/// Every state of every priority, so that a rule need not know which have been seen, and each alarm that is not normal.
pub(super) fn alarm_figures(page: &mut Page, alarms: &AlarmList) {
    let mut counts: BTreeMap<(Priority, AlarmState), f64> = BTreeMap::new();
    for (priority, _) in Priority::TARGET_SHARE {
        for state in AlarmState::ALL.into_iter().filter(|state| *state != AlarmState::Disabled) {
            counts.insert((priority, state), 0.0);
        }
    }
    for entry in &alarms.entries {
        let (id, priority, state) = (entry.alarm.id(), entry.alarm.settings().priority, entry.alarm.state());
        *counts.entry((priority, state)).or_default() += 1.0;
        if state != AlarmState::Normal {
            let place = [id.place.station().unwrap_or_default(), id.place.part().unwrap_or_default()];
            let labels = [place[0], place[1], id.kind.key(), id.kind.class().key(), priority.key(), state.key()];
            page.set(&f::ALARM_STATE, labels, 1.0);
        }
    }
    for ((priority, state), count) in counts {
        page.set(&f::ALARMS, [priority.key(), state.key()], count);
    }
    page.set(&f::ALARM_FLOOD, [], f64::from(u8::from(alarms.flooded)));
}
