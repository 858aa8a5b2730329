//! How long alarms were active: the standing, the fleeting, and those that chattered.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use super::guidance::{CHATTERING_MS, CHATTERING_RAISES, FLEETING_MS, STANDING_MS};
use super::happened::Transition;
use super::{Period, Standing};
use crate::alarm::id::AlarmId;
use crate::alarm::state::AlarmState;

/// All alarms that the journal has spoken of.
#[derive(Debug, Default)]
pub(super) struct Tracks {
    active: BTreeMap<AlarmId, Active>,
    /// Alarms whose last entry left them active or not, so that a first entry can be told.
    seen: BTreeSet<AlarmId>,
    over: Vec<(AlarmId, i64, i64)>,
    fleeting: BTreeMap<AlarmId, u64>,
    raises: BTreeMap<AlarmId, VecDeque<i64>>,
    chattered: BTreeSet<AlarmId>,
}

/// One that is active.
#[derive(Debug, Clone, Copy)]
struct Active {
    since_ms: i64,
    /// Raised within the period.
    raised_inside: bool,
    acknowledged: bool,
}

/// True of the states in which the alarm is in the operator's list because something is wrong now. What is set aside may be wrong
/// too, but it does not stand before the operator.
fn is_active(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

impl Tracks {
    /// Takes a transition. An alarm that was active before its first entry is so since the journal's beginning at least.
    pub(super) fn take(&mut self, at_ms: i64, begins_ms: i64, inside: bool, transition: &Transition) {
        let Transition { alarm, from, to, raise, .. } = transition;
        if self.seen.insert(alarm.clone()) && is_active(*from) {
            let acknowledged = *from == AlarmState::Acknowledged;
            let earlier = Active { since_ms: begins_ms, raised_inside: false, acknowledged };
            self.active.insert(alarm.clone(), earlier);
        }
        if raise.is_some() && inside {
            let raises = self.raises.entry(alarm.clone()).or_default();
            raises.push_back(at_ms);
            while raises.front().is_some_and(|first| at_ms - first > CHATTERING_MS) {
                raises.pop_front();
            }
            if raises.len() >= CHATTERING_RAISES {
                self.chattered.insert(alarm.clone());
            }
        }
        if is_active(*to) {
            let new = Active { since_ms: at_ms, raised_inside: inside && raise.is_some(), acknowledged: false };
            let active = self.active.entry(alarm.clone()).or_insert(new);
            active.acknowledged |= *to == AlarmState::Acknowledged;
        } else if let Some(active) = self.active.remove(alarm) {
            self.over.push((alarm.clone(), active.since_ms, at_ms));
            // What was set aside or is no longer configured has not gone by itself.
            let gone = matches!(
                to,
                AlarmState::Normal | AlarmState::ReturnedUnacknowledged | AlarmState::LatchedUnacknowledged
            );
            if active.raised_inside && !active.acknowledged && gone && at_ms - active.since_ms < FLEETING_MS {
                *self.fleeting.entry(alarm.clone()).or_default() += 1;
            }
        }
    }

    pub(super) fn chattered(&self, alarm: &AlarmId) -> bool {
        self.chattered.contains(alarm)
    }

    /// The standing alarms of the period, the longest first, and the fleeting ones.
    pub(super) fn finish(self, period: Period) -> (Vec<Standing>, BTreeMap<AlarmId, u64>) {
        let over = self.over.into_iter().map(|(alarm, since_ms, until_ms)| (alarm, since_ms, Some(until_ms)));
        let still = self.active.into_iter().map(|(alarm, active)| (alarm, active.since_ms, None));
        let mut standing: Vec<Standing> = over
            .chain(still)
            .filter_map(|(alarm, since_ms, until_ms)| {
                let end_ms = until_ms.unwrap_or(period.until_ms);
                let is_standing = end_ms - since_ms > STANDING_MS && end_ms > period.since_ms;
                let hours = (end_ms - since_ms) as f64 / 3_600_000.0;
                is_standing.then(|| Standing { alarm: alarm.to_string(), since_ms, until_ms, hours })
            })
            .collect();
        standing.sort_by(|a, b| b.hours.total_cmp(&a.hours).then_with(|| a.alarm.cmp(&b.alarm)));
        (standing, self.fleeting)
    }
}
