//! Suppression by design: rules that set alarms aside while something else explains them or a station is out on purpose.
//!
//! Must never set aside the alarm that the rule itself rests on, nor a critical alarm whose kind the rule does not name.

use super::id::{AlarmId, AlarmKind};
use super::machine::Alarm;
use super::set::{AlarmSet, Step};
use super::state::Event;
use crate::reading::{Instant2, UnixMs};

/// One rule of the configuration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SuppressionRule {
    /// Name, as records give it.
    pub name: String,
    /// The station whose alarms it sets aside.
    pub station: String,
    /// Only those of this circuit or monitor; none for all of the station.
    pub part: Option<String>,
    /// Only these kinds; empty for all that are not critical.
    pub kinds: Vec<AlarmKind>,
    /// Holds from then on.
    pub from: Option<UnixMs>,
    /// Holds until then.
    pub until: Option<UnixMs>,
    /// Holds only while an alarm of this kind is active in the station.
    pub while_active: Option<AlarmKind>,
}

impl SuppressionRule {
    /// True for an alarm that the rule is about.
    pub fn is_about(&self, alarm: &Alarm) -> bool {
        let id = alarm.id();
        let named = if self.kinds.is_empty() { !alarm.critical() } else { self.kinds.contains(&id.kind) };
        id.place.station() == Some(&self.station)
            && self.part.as_deref().is_none_or(|part| id.place.part() == Some(part))
            && named
            && self.while_active != Some(id.kind)
    }

    fn holds(&self, at: UnixMs, set: &AlarmSet) -> bool {
        let active = |kind| {
            set.entries().any(|entry| {
                let id = entry.alarm.id();
                id.kind == kind && id.place.station() == Some(&self.station) && entry.alarm.active()
            })
        };
        self.from.is_none_or(|from| from <= at)
            && self.until.is_none_or(|until| at < until)
            && self.while_active.is_none_or(active)
    }
}

impl AlarmSet {
    /// Brings every suppression in line with the rules of now.
    pub fn apply_rules(&mut self, at: Instant2, rules: &[SuppressionRule], step: &mut Step) {
        self.keep_rules(at, |name| rules.iter().any(|rule| rule.name == name), step);
        for rule in rules {
            let holds = rule.holds(at.wall, self);
            let due: Vec<AlarmId> = self
                .entries()
                .map(|entry| &entry.alarm)
                .filter(|alarm| (holds && rule.is_about(alarm)) != alarm.rules().contains(&rule.name))
                .map(|alarm| alarm.id().clone())
                .collect();
            for id in due {
                let name = rule.name.clone();
                let suppressed = self.get(&id).is_some_and(|entry| entry.alarm.rules().contains(&name));
                let event = if suppressed { Event::Unsuppress { rule: name } } else { Event::Suppress { rule: name } };
                // Refused only for a name or a number of rules that the configuration does not let through.
                let _ = self.apply(at, &id, event, step);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::settings::{AlarmSettings, FloodSettings};
    use crate::alarm::state::{AlarmState, Condition};
    use crate::reading::MonoMs;

    const STATION: &str = "Alder Creek Lift";

    fn at(seconds: u64) -> Instant2 {
        Instant2 { wall: UnixMs(seconds as i64 * 1000), mono: MonoMs(seconds * 1000) }
    }

    fn rule() -> SuppressionRule {
        SuppressionRule {
            name: "rebuild".to_owned(),
            station: STATION.to_owned(),
            part: None,
            kinds: Vec::new(),
            from: None,
            until: None,
            while_active: None,
        }
    }

    fn set() -> (AlarmSet, AlarmId, AlarmId) {
        let silent = AlarmId::monitor(STATION, "PM-1", AlarmKind::MonitorSilent);
        let frozen = AlarmId::circuit(STATION, "Pump 1", AlarmKind::ValuesFrozen);
        let mut set = AlarmSet::new(FloodSettings::default());
        let settings = AlarmSettings { on_delay_ms: 0, off_delay_ms: 0, ..AlarmSettings::default() };
        set.configure(
            at(0),
            [(silent.clone(), settings), (frozen.clone(), settings)],
            FloodSettings::default(),
            &mut Step::default(),
        );
        (set, silent, frozen)
    }

    fn state(set: &AlarmSet, id: &AlarmId) -> AlarmState {
        set.get(id).unwrap().alarm.state()
    }

    #[test]
    fn a_rule_with_times_holds_between_them() {
        let (mut set, silent, frozen) = set();
        let rules = [SuppressionRule {
            from: Some(UnixMs(10_000)),
            until: Some(UnixMs(20_000)),
            part: Some("Pump 1".to_owned()),
            ..rule()
        }];
        for (second, expected) in [
            (9, AlarmState::Normal),
            (10, AlarmState::SuppressedByDesign),
            (19, AlarmState::SuppressedByDesign),
            (20, AlarmState::Normal),
        ] {
            set.apply_rules(at(second), &rules, &mut Step::default());
            assert_eq!(state(&set, &frozen), expected, "{second} s");
            assert_eq!(state(&set, &silent), AlarmState::Normal);
        }
    }

    #[test]
    fn a_rule_that_rests_on_an_alarm_sets_the_others_aside_and_not_that_one() {
        let (mut set, silent, frozen) = set();
        let rules = [SuppressionRule { while_active: Some(AlarmKind::MonitorSilent), ..rule() }];
        set.tell(at(1), &silent, Condition::True, None, &mut Step::default()).unwrap();
        set.apply_rules(at(1), &rules, &mut Step::default());
        assert_eq!(state(&set, &frozen), AlarmState::SuppressedByDesign);
        assert_eq!(state(&set, &silent), AlarmState::Unacknowledged);
        set.tell(at(2), &silent, Condition::False, None, &mut Step::default()).unwrap();
        set.apply_rules(at(2), &rules, &mut Step::default());
        assert_eq!(state(&set, &frozen), AlarmState::Normal);
    }

    #[test]
    fn a_rule_without_kinds_leaves_critical_alarms_alone() {
        let (mut set, silent, _) = set();
        let lost = AlarmId::circuit(STATION, "Pump 1", AlarmKind::SupplyPhaseLost);
        let critical = AlarmSettings::of_kind(AlarmKind::SupplyPhaseLost);
        let alarms = [(silent.clone(), AlarmSettings::default()), (lost.clone(), critical)];
        set.configure(at(0), alarms, FloodSettings::default(), &mut Step::default());
        set.apply_rules(at(1), &[rule()], &mut Step::default());
        assert_eq!((state(&set, &silent), state(&set, &lost)), (AlarmState::SuppressedByDesign, AlarmState::Normal));
        let named = SuppressionRule { kinds: vec![AlarmKind::SupplyPhaseLost], ..rule() };
        set.apply_rules(at(2), std::slice::from_ref(&named), &mut Step::default());
        assert_eq!((state(&set, &silent), state(&set, &lost)), (AlarmState::Normal, AlarmState::SuppressedByDesign));
    }

    #[test]
    fn a_rule_taken_out_of_the_configuration_ends() {
        let (mut set, _, frozen) = set();
        set.apply_rules(at(1), &[rule()], &mut Step::default());
        assert_eq!(state(&set, &frozen), AlarmState::SuppressedByDesign);
        let mut step = Step::default();
        set.apply_rules(at(2), &[], &mut step);
        assert_eq!(state(&set, &frozen), AlarmState::Normal);
        assert_eq!(step.transitions.len(), 2, "both alarms of the station");
    }
}
