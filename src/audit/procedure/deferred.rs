//! Work on the primary where that is not for the reader: who it is for, and what to tell them. Must never describe a step of it.

use super::job::Job;
use super::words::refusal;
use crate::audit::words::describe_wiring;

/// What is said in place of the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Deferred {
    /// Whose work it is.
    Refusal,
    /// What is suspected, for them.
    Suspicion,
}

impl Deferred {
    pub(super) fn key(self) -> &'static str {
        match self {
            Deferred::Refusal => "work-for-others",
            Deferred::Suspicion => "tell-them-the-suspicion",
        }
    }

    pub(super) fn words(self, job: &Job) -> String {
        match self {
            Deferred::Refusal => refusal(job).to_owned(),
            Deferred::Suspicion => format!(
                "Tell them what is suspected: {}. Touch nothing yourself; enter what they found and print this sheet again.",
                describe_wiring(&job.wiring)
            ),
        }
    }
}

pub(super) fn steps(_: &Job) -> Vec<Deferred> {
    vec![Deferred::Refusal, Deferred::Suspicion]
}
