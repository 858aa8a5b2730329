//! How often the audit of each circuit has failed of late: once is an event, again and again is something to mend. Constant
//! memory per circuit. Must never count one failure twice.

use std::collections::{BTreeMap, VecDeque};

use super::Told;
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words as say;
use crate::reading::MonoMs;

/// So many failures ...
const TOO_OFTEN: usize = 3;
/// ... within a day, ms, are too many.
const WITHIN_MS: u64 = 24 * 60 * 60 * 1000;

/// The latest failures by circuit.
#[derive(Debug, Clone, Default)]
pub struct Failures(BTreeMap<AlarmId, Circuit>);

#[derive(Debug, Clone, Default)]
struct Circuit {
    failing: bool,
    at: VecDeque<MonoMs>,
}

impl Failures {
    /// Takes what is told of a circuit's audit; what follows for the alarm of one that fails again and again. `None` for
    /// another alarm.
    pub fn take(&mut self, told: &Told, now: MonoMs) -> Option<Told> {
        if told.id.kind != AlarmKind::AuditFailed {
            return None;
        }
        let id = AlarmId { place: told.id.place.clone(), kind: AlarmKind::AuditFailsOften };
        let circuit = self.0.entry(told.id.clone()).or_default();
        let failing = told.condition == Condition::True;
        if failing && !circuit.failing {
            circuit.at.push_back(now);
        }
        circuit.failing = failing;
        while circuit.at.len() > TOO_OFTEN || circuit.at.front().is_some_and(|at| now.since(*at) >= WITHIN_MS) {
            circuit.at.pop_front();
        }
        Some(if circuit.at.len() >= TOO_OFTEN {
            Told::raised(id, say::audit_fails_often(TOO_OFTEN))
        } else {
            Told::new(id, Condition::False)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_MS: u64 = 60 * 60 * 1000;

    #[test]
    fn the_third_failure_within_a_day_is_too_often_and_a_lasting_one_counts_once() {
        let id = AlarmId::circuit("Larkmoor North", "Pump 1", AlarmKind::AuditFailed);
        let mut failures = Failures::default();
        let mut take = |hour: u64, condition| {
            let told = failures.take(&Told::new(id.clone(), condition), MonoMs(hour * HOUR_MS)).unwrap();
            assert_eq!(told.id.kind, AlarmKind::AuditFailsOften);
            told.condition
        };
        for (hour, condition, often) in [
            (1, Condition::True, Condition::False),
            (2, Condition::True, Condition::False),
            (3, Condition::False, Condition::False),
            (4, Condition::True, Condition::False),
            (5, Condition::False, Condition::False),
            (24, Condition::True, Condition::True),
            (25, Condition::True, Condition::False),
        ] {
            assert_eq!(take(hour, condition), often, "hour {hour}");
        }
        assert_eq!(
            failures.take(&Told::new(AlarmId::daemon(AlarmKind::StorageFull), Condition::True), MonoMs(0)),
            None
        );
    }
}
