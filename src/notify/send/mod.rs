//! Delivery of one message to one target: what is tried, how long, and what a failure means. Must never put a secret into an
//! error.

pub mod email;
pub mod syslog;
pub mod syslog_line;
pub mod tls;
pub mod webhook;
pub mod webhook_body;

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::outbox_file::Waiting;
use super::settings::{Channel, Target};

/// Why a delivery failed. The texts say it to a person, without a final full stop.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// The target cannot be reached or used now: every message to it waits.
    #[error("{why}")]
    Unreachable {
        /// Why.
        why: String,
        /// How long the target asked to be left alone.
        retry_after: Option<Duration>,
    },
    /// This message was refused for now: it waits, others go on.
    #[error("{0}")]
    NotNow(String),
    /// This message will never be taken.
    #[error("{0}")]
    Never(String),
}

impl Failure {
    /// The target cannot be reached.
    pub(super) fn unreachable(why: impl Into<String>) -> Failure {
        Failure::Unreachable { why: why.into(), retry_after: None }
    }
}

/// Tries once to deliver a message; says in a few words what the target answered.
pub async fn deliver(target: &Target, waiting: &Waiting) -> Result<String, Failure> {
    let attempt = async {
        match &target.channel {
            Channel::Webhook(webhook) => webhook::deliver(webhook, target, waiting).await,
            Channel::Email(email) => email::deliver(email, target, waiting).await,
            Channel::Syslog(syslog) => syslog::deliver(syslog, waiting).await,
        }
    };
    let late = || Failure::unreachable(format!("no answer within {} s", target.timeout.as_secs_f64()));
    tokio::time::timeout(target.timeout, attempt).await.unwrap_or_else(|_| Err(late()))
}

/// A secret from its file: the first line, which must not be empty. Read at each use, so that it can be changed at any time.
pub fn read_secret(path: &Path) -> Result<String, String> {
    let text = std::fs::read_to_string(path).map_err(|error| format!("{} cannot be read: {error}", path.display()))?;
    let secret = text.lines().next().unwrap_or_default().trim();
    if secret.is_empty() {
        Err(format!("{} holds no secret in its first line", path.display()))
    } else {
        Ok(secret.to_owned())
    }
}

async fn secret(path: &PathBuf) -> Result<String, Failure> {
    let path = path.clone();
    let read = tokio::task::spawn_blocking(move || read_secret(&path)).await;
    read.unwrap_or_else(|_| Err("reading was cut off".to_owned())).map_err(Failure::unreachable)
}

/// The files of a target that cannot be used as they are, one sentence each.
pub fn file_problems(target: &Target) -> Vec<String> {
    let (secret, ca) = match &target.channel {
        Channel::Webhook(w) => (Some(&w.secret_file), &w.ca_file),
        Channel::Email(e) => (e.login.as_ref().map(|(_, file)| file), &e.ca_file),
        Channel::Syslog(s) => (None, &s.ca_file),
    };
    let of_secret = secret.and_then(|file| read_secret(file).err());
    let of_ca = ca.as_ref().and_then(|file| tls::authorities(file).err());
    let named = |problem| format!("notifications target \"{}\": {problem}", target.name);
    of_secret.into_iter().chain(of_ca).map(named).collect()
}
