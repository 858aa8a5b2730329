//! What a journal entry says: plain data, serialised by name.
//!
//! Must never read a clock: whoever writes an entry says when.

use serde::{Deserialize, Serialize};

/// What an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The daemon started.
    Started,
    /// The daemon ended as told.
    Stopped,
    /// The configuration in force, or a change of it.
    Configuration,
    /// An alarm changed its state.
    Transition,
    /// A person did something: acknowledged, shelved, returned to service.
    OperatorAction,
    /// The verdict on a circuit, or what leads its diagnosis, changed.
    Diagnosis,
    /// A person recorded what was found at the panel.
    FieldCheck,
    /// A monitor began or ceased to answer.
    Monitor,
    /// The computer's clock jumped.
    Clock,
    /// The program itself failed in some part, or recovered.
    Program,
    /// The journal or the history itself: set aside, found altered, disk full.
    Storage,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 11] = [
        Kind::Started,
        Kind::Stopped,
        Kind::Configuration,
        Kind::Transition,
        Kind::OperatorAction,
        Kind::Diagnosis,
        Kind::FieldCheck,
        Kind::Monitor,
        Kind::Clock,
        Kind::Program,
        Kind::Storage,
    ];

    /// The word stored and exported.
    pub fn key(self) -> &'static str {
        match self {
            Kind::Started => "started",
            Kind::Stopped => "stopped",
            Kind::Configuration => "configuration",
            Kind::Transition => "transition",
            Kind::OperatorAction => "operator_action",
            Kind::Diagnosis => "diagnosis",
            Kind::FieldCheck => "field_check",
            Kind::Monitor => "monitor",
            Kind::Clock => "clock",
            Kind::Program => "program",
            Kind::Storage => "storage",
        }
    }
}

/// One thing that happened, before it is sealed into the journal. A text that does not apply is empty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// When, milliseconds since the Unix epoch (UTC).
    pub at_unix_ms: i64,
    /// What it is about.
    pub kind: Kind,
    /// Station it concerns.
    #[serde(default)]
    pub station: String,
    /// Circuit, monitor or alarm it concerns.
    #[serde(default)]
    pub subject: String,
    /// The person behind it; empty for what the program saw by itself.
    #[serde(default)]
    pub by: String,
    /// What happened, in plain words.
    pub text: String,
    /// The same for machines: a JSON object, or empty.
    #[serde(default)]
    pub data: String,
}

impl Entry {
    /// An entry about the whole program.
    pub fn new(at_unix_ms: i64, kind: Kind, text: impl Into<String>) -> Entry {
        Entry {
            at_unix_ms,
            kind,
            station: String::new(),
            subject: String::new(),
            by: String::new(),
            text: text.into(),
            data: String::new(),
        }
    }

    /// The same about a part of a station.
    #[must_use]
    pub fn about(mut self, station: impl Into<String>, subject: impl Into<String>) -> Entry {
        (self.station, self.subject) = (station.into(), subject.into());
        self
    }

    /// The same with the person behind it.
    #[must_use]
    pub fn by(mut self, person: impl Into<String>) -> Entry {
        self.by = person.into();
        self
    }

    /// The same with figures for machines.
    #[must_use]
    pub fn with(mut self, data: &serde_json::Value) -> Entry {
        self.data = data.to_string();
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stored_word_is_the_serialised_one() {
        for kind in Kind::ALL {
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.key());
        }
    }

    #[test]
    fn an_entry_survives_json() {
        let entry = Entry::new(5, Kind::OperatorAction, "Shelved for 8 h")
            .about("Alder Creek Lift", "Pump 1")
            .by("J. Alvarez")
            .with(&serde_json::json!({ "hours": 8 }));
        let text = serde_json::to_string(&entry).unwrap();
        assert_eq!(serde_json::from_str::<Entry>(&text).unwrap(), entry);
    }
}
