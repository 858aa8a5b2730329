//! What is told of one alarm while its cause is there. Must never hold a time of day: whoever shows it has that.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

/// What is told of one alarm while its cause is there.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Story {
    /// In place of the kind's title, where the case is a particular one.
    pub title: Option<String>,
    /// One line for a message, after priority and place.
    pub line: String,
    /// What is wrong, each probability beside its statement.
    pub what: String,
    /// What follows from it.
    pub means: String,
    /// What to do, one action each, in order.
    pub steps: Vec<String>,
    /// To be read before what to do; empty when nothing of it is at a panel.
    pub cautions: Vec<String>,
    /// Findings that this explains, or that show the same.
    pub attached: Vec<String>,
    /// What is told instead once the pump has stopped, where that changes what to do.
    pub when_stopped: Option<WhenStopped>,
    /// It has.
    pub pump_stopped: bool,
}

/// What is told instead once the pump has stopped: the cause is as it was, and what to do is another thing.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct WhenStopped {
    /// Title.
    pub title: String,
    /// One line for a message, after priority and place.
    pub line: String,
    /// What is wrong.
    pub what: String,
    /// What follows from it.
    pub means: String,
    /// What to do.
    pub steps: Vec<String>,
}

impl Story {
    /// The story as it is to be told now.
    pub fn now(&self) -> Cow<'_, Story> {
        match &self.when_stopped {
            Some(stopped) if self.pump_stopped => {
                let WhenStopped { title, line, what, means, steps } = stopped.clone();
                Cow::Owned(Story { title: Some(title), line, what, means, steps, ..self.clone() })
            }
            _ => Cow::Borrowed(self),
        }
    }

    /// The same with the pump stopped or not; `None` when that changes nothing.
    #[must_use]
    pub fn with_pump_stopped(&self, stopped: bool) -> Option<Story> {
        (self.when_stopped.is_some() && self.pump_stopped != stopped)
            .then(|| Story { pump_stopped: stopped, ..self.clone() })
    }

    /// What to do, in one paragraph: "1. ... 2. ...".
    pub fn action(&self) -> String {
        match self.steps.as_slice() {
            [one] => one.clone(),
            many => many.iter().enumerate().map(|(n, step)| format!("{}. {step}", n + 1)).collect::<Vec<_>>().join(" "),
        }
    }

    /// True when both ask for the same: only figures and what is seen with it may differ.
    pub fn says_to_do_as(&self, other: &Story) -> bool {
        (&self.title, &self.steps, self.pump_stopped) == (&other.title, &other.steps, other.pump_stopped)
    }

    /// True when somebody is sent to a panel.
    pub fn at_panel(&self) -> bool {
        !self.cautions.is_empty()
    }
}
