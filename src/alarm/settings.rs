//! How alarms behave: plain settings with documented defaults, for the configuration to fill. Must never read a file.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::availability::AvailabilitySettings;
use super::id::AlarmKind;
use super::rationale;
use super::rule::SuppressionRule;
use super::shelf::ShelfSettings;

const SECOND_MS: u64 = 1000;
const MINUTE_MS: u64 = 60 * SECOND_MS;
const HOUR_MS: u64 = 60 * MINUTE_MS;

/// Urgency of the answer that an alarm asks for: what follows if nobody acts, and how long there is to act.
///
/// Of the alarms announced over 30 days or more, about 80 % should be low, 15 % medium, 5 % high and under 1 % critical
/// (ISA-18.2 cl. 16 second-hand for the first three; the fourth from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Priority {
    /// Within days.
    Low,
    /// Within the shift or the day.
    Medium,
    /// Within the hour.
    High,
    /// Within minutes: a machine is being damaged.
    Critical,
}

impl Priority {
    /// All of them with the share of announced alarms that each should have at most, low first.
    pub const TARGET_SHARE: [(Priority, f64); 4] =
        [(Priority::Low, 0.80), (Priority::Medium, 0.15), (Priority::High, 0.05), (Priority::Critical, 0.01)];

    /// Stable word, also for people.
    pub fn key(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
            Priority::Critical => "critical",
        }
    }
}

/// When an alarm chatters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChatterSettings {
    /// So many raises ...
    pub raises: u32,
    /// ... within this time are chattering, ms.
    pub within_ms: u64,
    /// Over when not raised for this long, ms.
    pub quiet_ms: u64,
}

/// Most raises that may be asked for: they are remembered one by one.
pub const CHATTER_RAISES_MAX: u32 = 16;

impl Default for ChatterSettings {
    /// Three in a minute (the trade's definition, read second-hand); quiet after five minutes (own choice).
    fn default() -> Self {
        ChatterSettings { raises: 3, within_ms: MINUTE_MS, quiet_ms: 5 * MINUTE_MS }
    }
}

/// How one alarm behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AlarmSettings {
    /// Priority.
    pub priority: Priority,
    /// The condition must be true for so long before the alarm comes, ms.
    pub on_delay_ms: u64,
    /// The condition must be false for so long before the alarm goes, ms.
    pub off_delay_ms: u64,
    /// Stays after its cause has gone, until an operator resets it.
    pub latching: bool,
    /// Chattering.
    pub chatter: ChatterSettings,
    /// Longest time to shelve at once, ms.
    pub max_shelving_ms: u64,
    /// Longest time to shelve in all, in a period that begins with the first shelving, ms.
    pub shelving_total_ms: u64,
    /// That period, ms.
    pub shelving_period_ms: u64,
}

impl Default for AlarmSettings {
    /// Low, 15 s either way (EEMUA 191 starting values run from 15 to 60 s, from memory), not latching, 8 h of shelving
    /// (one shift, own choice), 24 h of it in a week (own choice).
    fn default() -> Self {
        AlarmSettings {
            priority: Priority::Low,
            on_delay_ms: 15 * SECOND_MS,
            off_delay_ms: 15 * SECOND_MS,
            latching: false,
            chatter: ChatterSettings::default(),
            max_shelving_ms: 8 * HOUR_MS,
            shelving_total_ms: 24 * HOUR_MS,
            shelving_period_ms: 7 * 24 * HOUR_MS,
        }
    }
}

impl AlarmSettings {
    /// Defaults of a kind: the priority from its rationalization, the delays from how fast it must be told.
    pub fn of_kind(kind: AlarmKind) -> AlarmSettings {
        // With their delays these alarms cannot come three times in a minute; three times in an hour is as useless.
        let slow = AlarmSettings {
            priority: rationale::of(kind).priority,
            on_delay_ms: 30 * SECOND_MS,
            off_delay_ms: MINUTE_MS,
            chatter: ChatterSettings { raises: 3, within_ms: HOUR_MS, quiet_ms: HOUR_MS },
            ..AlarmSettings::default()
        };
        match kind {
            // The motor overheats within minutes, and a trip may hide the cause again: latching, hardly any delay.
            AlarmKind::SupplyPhaseLost => {
                AlarmSettings { on_delay_ms: 5 * SECOND_MS, off_delay_ms: 30 * SECOND_MS, latching: true, ..slow }
            }
            // A CT can open in seconds and a pump can start in seconds; what is read counts only after three readings anyway.
            AlarmKind::CtNoCurrent | AlarmKind::PhaseMissingStopped => {
                AlarmSettings { on_delay_ms: 10 * SECOND_MS, ..slow }
            }
            // Told before the single monitors are, so that these need not be told.
            AlarmKind::MetersSilentTogether => AlarmSettings { on_delay_ms: 20 * SECOND_MS, ..slow },
            AlarmKind::MonitorSilent => AlarmSettings { on_delay_ms: MINUTE_MS, ..slow },
            // Told of once each time: no delay, or it would be over before it is told.
            AlarmKind::ClockJumped | AlarmKind::AuditFailed | AlarmKind::AuditFailsOften => {
                AlarmSettings { on_delay_ms: 0, ..slow }
            }
            AlarmKind::ValuesFrozen
            | AlarmKind::MeteringNumbersWrong
            | AlarmKind::RegisterMapWrong
            | AlarmKind::VoltageLeadsWrong
            | AlarmKind::MeteringMiswired
            | AlarmKind::FitsNoWiring
            | AlarmKind::StorageFull => slow,
        }
    }

    /// What is wrong with these settings, one sentence each.
    pub fn problems(&self) -> Vec<String> {
        let mut problems = Vec::new();
        if !(2..=CHATTER_RAISES_MAX).contains(&self.chatter.raises) {
            problems.push(format!("chattering takes 2 to {CHATTER_RAISES_MAX} raises, not {}", self.chatter.raises));
        }
        if self.chatter.within_ms == 0 || self.chatter.quiet_ms == 0 {
            problems.push("the times of chattering must be longer than 0".to_owned());
        }
        if self.max_shelving_ms == 0 {
            problems.push("the longest shelving must be longer than 0".to_owned());
        }
        if self.shelving_total_ms < self.max_shelving_ms || self.shelving_period_ms < self.shelving_total_ms {
            problems.push(
                "shelving in all must be at least as long as the longest shelving, and its period at least as long as that"
                    .to_owned(),
            );
        }
        problems
    }
}

/// When alarms come faster than an operator can take them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FloodSettings {
    /// A flood begins with more alarms than this ...
    pub begins_above: u32,
    /// ... and ends with fewer than this ...
    pub ends_below: u32,
    /// ... within this time, ms.
    pub within_ms: u64,
}

/// Most alarms that may be asked for: they are remembered one by one.
pub const FLOOD_ALARMS_MAX: u32 = 1000;

impl Default for FloodSettings {
    /// Begins above 10 in 10 minutes, ends below 5 in 10 minutes, for one operator position (ISA-18.2, read second-hand).
    fn default() -> Self {
        FloodSettings { begins_above: 10, ends_below: 5, within_ms: 10 * MINUTE_MS }
    }
}

impl FloodSettings {
    /// What is wrong with these settings, one sentence each.
    pub fn problems(&self) -> Vec<String> {
        let mut problems = Vec::new();
        if self.begins_above > FLOOD_ALARMS_MAX {
            problems.push(format!("a flood begins above at most {FLOOD_ALARMS_MAX} alarms, not {}", self.begins_above));
        }
        if self.ends_below == 0 || self.ends_below > self.begins_above {
            problems.push("a flood must end below at least 1 and at most as many alarms as it begins above".to_owned());
        }
        if self.within_ms == 0 {
            problems.push("the time over which a flood is counted must be longer than 0".to_owned());
        }
        problems
    }
}

/// Settings of all alarms of one operator position.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct AlarmsConfig {
    /// Kinds that differ from [`AlarmSettings::of_kind`].
    pub kinds: BTreeMap<AlarmKind, AlarmSettings>,
    /// Floods.
    pub flood: FloodSettings,
    /// How many alarms may be shelved at once.
    pub shelf: ShelfSettings,
    /// When a monitor that answers now and then counts as silent.
    pub availability: AvailabilitySettings,
    /// What sets alarms aside by design.
    pub rules: Vec<SuppressionRule>,
}

impl AlarmsConfig {
    /// Settings of a kind.
    pub fn of_kind(&self, kind: AlarmKind) -> AlarmSettings {
        self.kinds.get(&kind).copied().unwrap_or_else(|| AlarmSettings::of_kind(kind))
    }

    /// What is wrong, one sentence each, with the kind it is about.
    pub fn problems(&self) -> Vec<String> {
        let of_kinds = self
            .kinds
            .iter()
            .flat_map(|(kind, settings)| settings.problems().into_iter().map(|p| format!("{}: {p}", kind.key())));
        of_kinds.chain(self.flood.problems()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_are_sound_and_few_kinds_are_urgent() {
        for kind in AlarmKind::ALL {
            assert_eq!(AlarmSettings::of_kind(kind).problems(), Vec::<String>::new(), "{kind:?}");
        }
        assert_eq!(AlarmsConfig::default().problems(), Vec::<String>::new());
        let urgent = AlarmKind::ALL.into_iter().filter(|k| AlarmSettings::of_kind(*k).priority == Priority::Critical);
        assert_eq!(urgent.collect::<Vec<_>>(), [AlarmKind::SupplyPhaseLost]);
    }

    #[test]
    fn settings_that_cannot_work_are_told() {
        let bad = AlarmSettings {
            chatter: ChatterSettings { raises: 1, within_ms: 0, quiet_ms: 1 },
            max_shelving_ms: 0,
            shelving_period_ms: 1,
            ..AlarmSettings::default()
        };
        let config = AlarmsConfig {
            kinds: BTreeMap::from([(AlarmKind::FitsNoWiring, bad)]),
            flood: FloodSettings { begins_above: 3, ends_below: 4, within_ms: 0 },
            ..AlarmsConfig::default()
        };
        let problems = config.problems();
        assert_eq!(problems.len(), 6, "{problems:?}");
        assert!(problems[0].starts_with("fits_no_wiring: "), "{problems:?}");
    }
}
