//! Users, tokens and sessions of the running daemon: the gate behind a lock, and the users file read again when it changes.
//!
//! Must never keep the old users out because the new file is bad, nor wait for a password's hash on a thread that polls.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::Semaphore;

use super::acts::Acts;
use crate::access::gate::{Credential, Gate, LoggedIn, TokenRefused};
use crate::access::password::PasswordError;
use crate::access::role::Principal;
use crate::access::secret::{NoRandomness, Secret};
use crate::access::sessions::{Session, SessionTimes};
use crate::access::store::{self, Stamp, StoreError};
use crate::clock::Clock;
use crate::config::web_model::AccessConfig;
use crate::journal::Kind;

/// Passwords tried at once: each takes 19 MiB and a processor for a moment.
const HASHES_AT_ONCE: usize = 2;
/// How often the users file is looked at while nobody asks anything.
const LOOK: Duration = Duration::from_secs(1);

/// Why users cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum DoorError {
    /// The users file is not there, or at fault.
    #[error(transparent)]
    Users(#[from] StoreError),
    /// Hashing does not work.
    #[error(transparent)]
    Password(#[from] PasswordError),
    /// The daemon is ending.
    #[error("stopped before the users were read")]
    Stopped,
}

/// Why a log-in was not tried.
#[derive(Debug)]
pub enum NotTried {
    /// Too many failures; wait for so many seconds.
    Wait(u64),
    /// The system gives no random numbers.
    NoRandomness(NoRandomness),
    /// The daemon is ending.
    Stopped,
}

/// What was last seen of the users file.
#[derive(Debug)]
struct Seen {
    stamp: Option<Stamp>,
    refused: Option<String>,
}

/// Users, tokens and sessions.
#[derive(Debug)]
pub struct Door {
    gate: Mutex<Gate>,
    file: PathBuf,
    seen: tokio::sync::Mutex<Seen>,
    hashing: Semaphore,
    times: SessionTimes,
    clock: Clock,
    acts: Acts,
}

impl Door {
    /// Reads the users file, which must be there and good.
    pub async fn open(config: &AccessConfig, acts: Acts) -> Result<Door, DoorError> {
        let ms = |span: Duration| u64::try_from(span.as_millis()).unwrap_or(u64::MAX);
        let times = SessionTimes { idle_ms: ms(config.session_idle), longest_ms: ms(config.session_longest) };
        let file = config.users.clone();
        let opening = tokio::task::spawn_blocking(move || {
            // Before reading: a change in between is seen as one.
            let stamp = Some(store::stamp(&file).ok_or_else(|| StoreError::Missing(file.clone()))?);
            let gate = Gate::new(store::read(&file)?, times)?;
            Ok::<_, DoorError>((stamp, gate))
        });
        let (stamp, gate) = opening.await.map_err(|_| DoorError::Stopped)??;
        Ok(Door {
            gate: Mutex::new(gate),
            file: config.users.clone(),
            seen: tokio::sync::Mutex::new(Seen { stamp, refused: None }),
            hashing: Semaphore::new(HASHES_AT_ONCE),
            times,
            clock: acts.clock().clone(),
            acts,
        })
    }

    /// How long sessions last.
    pub fn times(&self) -> SessionTimes {
        self.times
    }

    /// The session of an id.
    pub async fn session(&self, id: &Secret) -> Option<(Credential, Session)> {
        self.look().await;
        let now = self.clock.now();
        self.gate().session(id.reveal(), now)
    }

    /// The bearer of a token.
    pub async fn token(&self, token: &Secret) -> Result<(Credential, Principal), TokenRefused> {
        self.look().await;
        let now = self.clock.now();
        self.gate().token(token.reveal(), now)
    }

    /// Tries a name and a password.
    pub async fn log_in(&self, name: &str, password: Secret, address: IpAddr) -> Result<LoggedIn, NotTried> {
        self.look().await;
        let begun = self.gate().begin_log_in(name, address, self.clock.now()).map_err(NotTried::Wait)?;
        let hash = begun.hash.clone();
        let turn = self.hashing.acquire().await.map_err(|_| NotTried::Stopped)?;
        let fits = tokio::task::spawn_blocking(move || hash.is_of(&password)).await.map_err(|_| NotTried::Stopped)?;
        drop(turn);
        self.gate().end_log_in(begun, fits, self.clock.now()).map_err(NotTried::NoRandomness)
    }

    /// Lets a user in as if the password had been right.
    #[cfg(test)]
    pub(crate) fn admit(&self, name: &str) -> (Secret, Session) {
        let mut gate = self.gate();
        let now = self.clock.now();
        let begun = gate.begin_log_in(name, IpAddr::from([127, 0, 0, 1]), now).unwrap();
        match gate.end_log_in(begun, true, now).unwrap() {
            LoggedIn::Yes { id, session } => (id, *session),
            other => panic!("{other:?}"),
        }
    }

    /// Ends a session.
    pub fn log_out(&self, credential: &Credential) {
        self.gate().log_out(credential);
    }

    /// Looks at the users file every second, so that a removed user is out even while nobody asks.
    pub async fn watch(&self) {
        loop {
            self.look().await;
            tokio::time::sleep(LOOK).await;
        }
    }

    /// Reads the users file again if it has changed. A bad one leaves the users from before in force and is told once.
    async fn look(&self) {
        let changes = self.read_changes().await;
        if changes.is_empty() {
            return;
        }
        // Apart from the look, so that nobody waits with it for the journal's disk; and from this request, which may be cut off.
        let acts = self.acts.clone();
        let noting = tokio::spawn(async move {
            for change in changes {
                if let Err(error) = acts.append(acts.unnamed(Kind::Configuration, change)).await {
                    tracing::error!("not in the journal: {error}");
                }
            }
        });
        // It ends early only with the daemon.
        let _ = noting.await;
    }

    /// Takes what is new of the file, and logs it; the same for the journal.
    async fn read_changes(&self) -> Vec<String> {
        let mut seen = self.seen.lock().await;
        let Some(stamp) = blocking(&self.file, store::stamp).await else { return Vec::new() };
        if stamp == seen.stamp {
            return Vec::new();
        }
        let Some(read) = blocking(&self.file, store::read).await else { return Vec::new() };
        // Not before it is read: a request that is cut off must leave the look to the next one.
        seen.stamp = stamp;
        match read {
            Ok(accounts) => {
                seen.refused = None;
                let changes = self.gate().replace(accounts);
                for change in &changes {
                    tracing::info!("{change}");
                }
                changes
            }
            Err(error) => {
                let text = format!("The users from before stay in force: {error}");
                if seen.refused.as_ref() == Some(&text) {
                    return Vec::new();
                }
                tracing::error!("{text}");
                seen.refused = Some(text.clone());
                vec![text]
            }
        }
    }

    /// A poisoned lock holds whole accounts all the same: nothing that changes them can fail halfway.
    fn gate(&self) -> MutexGuard<'_, Gate> {
        self.gate.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Asks the file system on a thread that may wait; none when the daemon is ending.
async fn blocking<T: Send + 'static>(file: &Path, ask: fn(&Path) -> T) -> Option<T> {
    let file = file.to_owned();
    tokio::task::spawn_blocking(move || ask(&file)).await.ok()
}

/// What somebody was known by when their request was let through; handlers take it from the request's extensions.
#[derive(Debug, Clone)]
pub struct Standing {
    door: Arc<Door>,
    credential: Credential,
    principal: Principal,
}

impl Standing {
    pub(super) fn new(door: Arc<Door>, credential: Credential, principal: Principal) -> Standing {
        Standing { door, credential, principal }
    }

    /// True for a session, false for a token.
    pub fn is_session(&self) -> bool {
        matches!(self.credential, Credential::Session(_))
    }

    /// Ends it, if it is a session.
    pub fn end(&self) {
        self.door.log_out(&self.credential);
    }

    /// True while it is still good.
    pub fn holds(&self) -> bool {
        let now = self.door.clock.now();
        self.door.gate().still_holds(&self.credential, &self.principal, now)
    }

    /// Returns when it is no good any more. An answer that goes on for long, such as an event stream, ends then.
    pub async fn ended(&self) {
        while self.holds() {
            tokio::time::sleep(LOOK).await;
        }
    }
}
