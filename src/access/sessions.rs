//! Who is logged in: in memory only, so that a restart ends every session.
//!
//! Must never keep a session id, only its digest.

use std::collections::HashMap;

use super::accounts::{Accounts, User};
use super::secret::{Digest, NoRandomness, Secret};
use crate::reading::MonoMs;

/// Sessions at once; beyond that the one unused longest ends.
pub const MOST: usize = 256;
/// The same for one user.
pub const MOST_OF_USER: usize = 16;

/// How long sessions last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionTimes {
    /// Unused for this long, ms.
    pub idle_ms: u64,
    /// In any case, ms.
    pub longest_ms: u64,
}

/// One log-in.
#[derive(Debug, Clone)]
pub struct Session {
    /// The user as they were then. Any change of the account ends the session.
    user: User,
    csrf: Secret,
    begun: MonoMs,
    seen: MonoMs,
}

impl Session {
    /// Whose it is.
    pub fn user(&self) -> &User {
        &self.user
    }

    /// What must come with every request that changes something.
    pub fn csrf(&self) -> &Secret {
        &self.csrf
    }
}

/// All of them, by the digest of their ids.
#[derive(Debug)]
pub struct Sessions {
    times: SessionTimes,
    open: HashMap<Digest, Session>,
}

impl Sessions {
    /// None yet.
    pub fn new(times: SessionTimes) -> Sessions {
        Sessions { times, open: HashMap::new() }
    }

    /// Begins a session; its id is for the user's browser alone.
    pub fn begin(&mut self, user: &User, now: MonoMs) -> Result<(Secret, Session), NoRandomness> {
        let (times, name) = (self.times, &user.name);
        self.open.retain(|_, session| lives(session, times, now));
        if self.open.values().filter(|session| session.user.name == *name).count() >= MOST_OF_USER {
            self.end_least_used(|session| session.user.name == *name);
        }
        if self.open.len() >= MOST {
            self.end_least_used(|_| true);
        }
        let id = Secret::random("")?;
        let session = Session { user: user.clone(), csrf: Secret::random("")?, begun: now, seen: now };
        self.open.insert(Digest::of(id.reveal()), session.clone());
        Ok((id, session))
    }

    /// The session of an id, which is used by that; none when there is none any more.
    pub fn find(&mut self, id: Digest, now: MonoMs) -> Option<&Session> {
        if !self.open.get(&id).is_some_and(|session| lives(session, self.times, now)) {
            self.open.remove(&id);
            return None;
        }
        let session = self.open.get_mut(&id)?;
        session.seen = now;
        Some(session)
    }

    /// True while a session lasts. Does not count as using it.
    pub fn lasts(&self, id: Digest, now: MonoMs) -> bool {
        self.open.get(&id).is_some_and(|session| lives(session, self.times, now))
    }

    /// Ends a session.
    pub fn end(&mut self, id: Digest) {
        self.open.remove(&id);
    }

    /// Ends the sessions of everyone whose account is not what it was.
    pub fn end_changed(&mut self, accounts: &Accounts) {
        self.open.retain(|_, session| accounts.user(&session.user.name) == Some(&session.user));
    }

    fn end_least_used(&mut self, among: impl Fn(&Session) -> bool) {
        let candidates = self.open.iter().filter(|(_, session)| among(session));
        if let Some((id, _)) =
            candidates.min_by_key(|(_, session)| session.seen).map(|(id, session)| (*id, session.seen))
        {
            self.open.remove(&id);
        }
    }
}

fn lives(session: &Session, times: SessionTimes, now: MonoMs) -> bool {
    now.since(session.seen) < times.idle_ms && now.since(session.begun) < times.longest_ms
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::password::PasswordHash;
    use crate::access::role::Role;

    const TIMES: SessionTimes = SessionTimes { idle_ms: 100, longest_ms: 250 };
    const SOME_HASH: &str = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";

    fn user(name: &str) -> User {
        User { name: name.into(), role: Role::Operate, password: PasswordHash::parse(SOME_HASH).unwrap() }
    }

    fn begin(sessions: &mut Sessions, name: &str, now: u64) -> Digest {
        Digest::of(sessions.begin(&user(name), MonoMs(now)).unwrap().0.reveal())
    }

    #[test]
    fn a_session_ends_when_unused_and_in_any_case_at_its_longest() {
        let mut sessions = Sessions::new(TIMES);
        let id = begin(&mut sessions, "A", 0);
        assert!(sessions.find(id, MonoMs(99)).is_some());
        assert!(sessions.lasts(id, MonoMs(198)));
        assert!(sessions.find(id, MonoMs(198)).is_some());
        assert!(sessions.find(id, MonoMs(249)).is_some());
        assert!(sessions.find(id, MonoMs(250)).is_none(), "its longest");
        let id = begin(&mut sessions, "A", 1000);
        assert!(!sessions.lasts(id, MonoMs(1100)));
        assert!(sessions.find(id, MonoMs(1100)).is_none(), "unused");
        assert!(sessions.find(id, MonoMs(1000)).is_none(), "and it does not come back");
    }

    #[test]
    fn ids_and_csrf_tokens_are_of_one_session() {
        let mut sessions = Sessions::new(TIMES);
        let (id, one) = sessions.begin(&user("A"), MonoMs(0)).unwrap();
        let (other_id, other) = sessions.begin(&user("A"), MonoMs(0)).unwrap();
        assert!(!id.is(other_id.reveal()) && !one.csrf().is(other.csrf().reveal()) && !one.csrf().is(id.reveal()));
        assert!(sessions.find(Digest::of("guess"), MonoMs(0)).is_none());
        let found = sessions.find(Digest::of(id.reveal()), MonoMs(1)).unwrap();
        assert!(found.csrf().is(one.csrf().reveal()));
    }

    #[test]
    fn the_number_is_limited_for_one_and_for_all() {
        let mut sessions = Sessions::new(SessionTimes { idle_ms: 1_000_000, longest_ms: 1_000_000 });
        let first = begin(&mut sessions, "A", 0);
        let other = begin(&mut sessions, "B", 1);
        let rest: Vec<_> = (2..=MOST_OF_USER as u64).map(|n| begin(&mut sessions, "A", n)).collect();
        assert!(sessions.lasts(first, MonoMs(50)));
        begin(&mut sessions, "A", 50);
        assert!(!sessions.lasts(first, MonoMs(50)) && sessions.lasts(rest[0], MonoMs(50)));
        assert!(sessions.lasts(other, MonoMs(50)), "another user loses nothing by it");
        for n in 0..MOST {
            begin(&mut sessions, &format!("user {n}"), 100 + n as u64);
        }
        assert_eq!(sessions.open.len(), MOST);
        assert!(!sessions.lasts(other, MonoMs(400)));
    }

    #[test]
    fn a_changed_account_ends_its_sessions_and_no_other() {
        let mut sessions = Sessions::new(TIMES);
        let ids: Vec<_> = ["A", "B", "C", "D"].map(|name| begin(&mut sessions, name, 0)).into();
        let mut demoted = user("B");
        demoted.role = Role::View;
        let mut other_password = user("C");
        other_password.password = PasswordHash::dummy().unwrap();
        sessions.end_changed(&Accounts { users: vec![user("A"), demoted, other_password], tokens: vec![] });
        let last: Vec<_> = ids.iter().map(|id| sessions.lasts(*id, MonoMs(1))).collect();
        assert_eq!(last, [true, false, false, false]);
    }
}
