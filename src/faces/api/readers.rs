//! Where the API reads the journal and the history: beside their writers, a few questions at a time.
//!
//! Must never make a writer or a station wait; a question beyond the few waits itself.

use std::sync::Arc;

use tokio::sync::Semaphore;

use super::problem::Problem;
use crate::config::model::{Config, HistoryPlace};
use crate::history::postgres::SCHEMA;
use crate::history::reader::{HistoryReader, ReadError};
use crate::journal::reader::JournalReader;

/// Questions answered at once: each may hold some tens of MB.
const AT_ONCE: usize = 2;

/// The readers of what is kept; each is none when nothing of the kind is configured.
#[derive(Debug, Clone)]
pub struct Readers {
    journal: Option<JournalReader>,
    history: Option<HistoryReader>,
    places: Arc<Semaphore>,
}

impl Readers {
    /// These readers.
    pub fn new(journal: Option<JournalReader>, history: Option<HistoryReader>) -> Readers {
        Readers { journal, history, places: Arc::new(Semaphore::new(AT_ONCE)) }
    }

    /// The readers of what a configuration keeps.
    pub fn of(config: &Config) -> Readers {
        let history = config.history.as_ref().map(|history| match &history.place {
            HistoryPlace::Folder(folder) => HistoryReader::folder(folder),
            HistoryPlace::Postgres(connection) => HistoryReader::postgres(connection, SCHEMA),
        });
        Readers::new(config.journal.as_deref().map(JournalReader::new), history)
    }

    pub(super) fn journal(&self) -> Result<JournalReader, Problem> {
        self.journal.clone().ok_or_else(|| Problem::not_found("no journal is kept: the configuration has no [journal]"))
    }

    pub(super) fn history(&self) -> Result<HistoryReader, Problem> {
        self.history.clone().ok_or_else(|| Problem::not_found("no history is kept: the configuration has no [history]"))
    }

    /// Runs a question on a thread that may block.
    pub(super) async fn ask<T: Send + 'static>(
        &self,
        what: &'static str,
        question: impl FnOnce() -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let place = Arc::clone(&self.places).acquire_owned().await;
        let place = place.map_err(|error| Problem::internal(what, &error))?;
        let answered = tokio::task::spawn_blocking(move || {
            // Held to the end even if whoever asked has gone.
            let _place = place;
            question()
        });
        answered.await.map_err(|error| Problem::internal(what, &error))?
    }
}

/// What a failed reading of the history is to a caller.
pub(super) fn problem_of(error: &ReadError) -> Problem {
    match error {
        ReadError::UnknownSource(_) => Problem::not_found("nothing is kept of this part").about("part"),
        ReadError::TooMuch { .. } => Problem::bad_request(error.to_string()),
        ReadError::Store(error) => Problem::internal("reading the history", error),
    }
}

/// A time of a request, ms since the Unix epoch.
pub(super) fn time(parameter: &str, text: Option<&str>) -> Result<Option<i64>, Problem> {
    let read = |text: &str| {
        let wrong = |error| {
            let hint = "write it as RFC 3339 has it, such as 2026-11-25T00:00:00Z";
            Problem::bad_request(format!("{parameter}: {text:?} is no time ({error}); {hint}")).about(parameter)
        };
        text.parse::<jiff::Timestamp>().map(jiff::Timestamp::as_millisecond).map_err(wrong)
    };
    text.map(read).transpose()
}

/// Which of these words a parameter is.
pub(super) fn word<T: Copy>(parameter: &str, said: &str, words: &[(&'static str, T)]) -> Result<T, Problem> {
    words.iter().find(|(word, _)| *word == said).map(|(_, meant)| *meant).ok_or_else(|| {
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        Problem::bad_request(format!("{parameter} is one of {}; not {said:?}", known.join(", "))).about(parameter)
    })
}

#[cfg(test)]
#[path = "readers_tests.rs"]
mod tests;
