//! What of an alarm an operator acts on, as a short digest, and its name in addresses. Must never change with figures in its
//! text: a confidence that moves by a tenth is no reason to refuse an act.

use std::fmt;

use sha2::{Digest, Sha256};

use super::id::AlarmId;
use super::machine::Alarm;

/// Stands for the state of one alarm: the same while nothing has happened to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Revision(String);

impl fmt::Display for Revision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Alarm {
    /// Its state, with whoever set it and when.
    pub fn revision(&self) -> Revision {
        let acknowledged = self.acknowledgement.as_ref().map(|act| (act.by.who(), act.at.0));
        let shelved = self.shelving.as_ref().map(|s| (s.act.by.who(), s.act.at.0, s.until.0));
        let out = self.out_of_service.as_ref().map(|act| (act.by.who(), act.at.0, self.service_end.map(|e| e.until.0)));
        let facts = (
            &self.id,
            self.state(),
            self.active_since.map(|since| since.0),
            (self.active, self.latched, self.acknowledged, self.settings.priority),
            (acknowledged, shelved, out, &self.rules),
        );
        Revision(digest(&serde_json::to_string(&facts).unwrap_or_default(), 16))
    }
}

impl AlarmId {
    /// The name of an alarm in addresses and messages, the same after every restart: names of stations may hold any character,
    /// a digest none that an address cannot.
    pub fn address(&self) -> String {
        digest(&serde_json::to_string(self).unwrap_or_default(), 24)
    }
}

fn digest(text: &str, length: usize) -> String {
    let mut digest =
        Sha256::digest(text.as_bytes()).iter().fold(String::new(), |text, byte| text + &format!("{byte:02x}"));
    digest.truncate(length);
    digest
}

#[cfg(test)]
mod tests {
    use crate::alarm::id::{AlarmId, AlarmKind};
    use crate::alarm::machine::Alarm;
    use crate::alarm::operator::Operator;
    use crate::alarm::settings::AlarmSettings;
    use crate::alarm::state::{Condition, Event};
    use crate::reading::{Instant2, MonoMs, UnixMs};

    #[test]
    fn a_revision_lasts_while_nothing_happens_and_ends_with_whatever_does() {
        let id = AlarmId::circuit("Larkmoor North", "Pump 1", AlarmKind::ValuesFrozen);
        let settings = AlarmSettings { on_delay_ms: 0, off_delay_ms: 0, ..AlarmSettings::default() };
        let mut alarm = Alarm::new(id, settings);
        let by = || Operator::new("R. Ash", "seen").unwrap();
        let mut revisions = vec![alarm.revision()];
        let until = UnixMs(90_000);
        for (second, event) in [
            (1, Event::Condition(Condition::True)),
            (2, Event::Acknowledge(by())),
            (3, Event::Condition(Condition::False)),
            (4, Event::Condition(Condition::True)),
            (5, Event::Shelve { by: by(), until, approved: false }),
            (6, Event::Shelve { by: by(), until, approved: false }),
            (7, Event::Condition(Condition::False)),
            (8, Event::Unshelve(by())),
        ] {
            let at = Instant2 { wall: UnixMs(second * 1000), mono: MonoMs(second as u64 * 1000) };
            alarm.apply(at, event, &mut Vec::new()).unwrap();
            assert!(!revisions.contains(&alarm.revision()), "{second}");
            revisions.push(alarm.revision());
            alarm.apply(at, Event::Tick, &mut Vec::new()).unwrap();
            assert_eq!(revisions.last(), Some(&alarm.revision()));
        }
    }
}
