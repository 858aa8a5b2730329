//! Accounts, sessions and throttling together: log in, be known again, log out.
//!
//! Holds no lock and reads no clock; hashing a password is the caller's, because it takes long. Must never say whether it was
//! the name or the password that was wrong.

use std::net::IpAddr;

use super::accounts::{Accounts, User};
use super::password::{PasswordError, PasswordHash};
use super::role::Principal;
use super::secret::{Digest, NoRandomness, Secret};
use super::sessions::{Session, SessionTimes, Sessions};
use super::throttle::{Throttle, Try};
use crate::reading::Instant2;

/// A log-in between its two halves: the password has yet to be tried on `hash`.
#[derive(Debug)]
pub struct LogIn {
    /// What the password must fit: the user's, or one that nothing fits.
    pub hash: PasswordHash,
    user: Option<User>,
    counted: Try,
}

/// How a log-in ended.
#[derive(Debug)]
pub enum LoggedIn {
    /// A session has begun; its id is for the user's browser alone.
    Yes {
        /// The id.
        id: Secret,
        /// The session.
        session: Box<Session>,
    },
    /// The password is wrong, for a user that exists.
    WrongPassword(String),
    /// There is no such user; what was typed may be a password and is not told.
    NoSuchUser,
}

/// Why a token opens nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TokenRefused {
    /// Nobody has it.
    Unknown,
    /// It was good once; its name.
    Expired(String),
}

/// What somebody was known by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Credential {
    /// A session.
    Session(Digest),
    /// A token.
    Token(Digest),
}

/// Who gets in.
#[derive(Debug)]
pub struct Gate {
    accounts: Accounts,
    dummy: PasswordHash,
    sessions: Sessions,
    throttle: Throttle,
}

impl Gate {
    /// A gate nobody has come through yet. Hashes a password, which takes a while.
    pub fn new(accounts: Accounts, times: SessionTimes) -> Result<Gate, PasswordError> {
        let dummy = PasswordHash::dummy()?;
        Ok(Gate { accounts, dummy, sessions: Sessions::new(times), throttle: Throttle::default() })
    }

    /// Who may come in.
    pub fn accounts(&self) -> &Accounts {
        &self.accounts
    }

    /// Takes other accounts; ends the sessions of everyone who is not what they were. What changed, in words.
    pub fn replace(&mut self, accounts: Accounts) -> Vec<String> {
        let changes = accounts.changes_since(&self.accounts);
        self.sessions.end_changed(&accounts);
        self.accounts = accounts;
        changes
    }

    /// The first half of a log-in, or how many seconds to wait.
    pub fn begin_log_in(&mut self, name: &str, address: IpAddr, now: Instant2) -> Result<LogIn, u64> {
        let counted = self.throttle.begin(name, address, now.mono)?;
        let user = self.accounts.user(name).cloned();
        let hash = user.as_ref().map_or_else(|| self.dummy.clone(), |user| user.password.clone());
        Ok(LogIn { hash, user, counted })
    }

    /// The second half: whether the password fits is known.
    pub fn end_log_in(&mut self, log_in: LogIn, fits: bool, now: Instant2) -> Result<LoggedIn, NoRandomness> {
        let Some(user) = log_in.user else { return Ok(LoggedIn::NoSuchUser) };
        // The account may have been changed in between.
        if !fits || self.accounts.user(&user.name) != Some(&user) {
            return Ok(LoggedIn::WrongPassword(user.name));
        }
        self.throttle.succeeded(log_in.counted);
        let (id, session) = self.sessions.begin(&user, now.mono)?;
        Ok(LoggedIn::Yes { id, session: Box::new(session) })
    }

    /// The session of an id as the browser gives it.
    pub fn session(&mut self, id: &str, now: Instant2) -> Option<(Credential, Session)> {
        let id = Digest::of(id);
        self.sessions.find(id, now.mono).map(|session| (Credential::Session(id), session.clone()))
    }

    /// The bearer of a token.
    pub fn token(&self, token: &str, now: Instant2) -> Result<(Credential, Principal), TokenRefused> {
        let known = self.accounts.token(token).ok_or(TokenRefused::Unknown)?;
        if known.is_expired(now.wall) {
            return Err(TokenRefused::Expired(known.name.clone()));
        }
        Ok((Credential::Token(known.digest), known.principal()))
    }

    /// True while a credential is as good as it was for `principal`. Does not count as using a session.
    pub fn still_holds(&self, credential: &Credential, principal: &Principal, now: Instant2) -> bool {
        match credential {
            Credential::Session(id) => self.sessions.lasts(*id, now.mono),
            Credential::Token(digest) => self.accounts.tokens.iter().any(|token| {
                token.digest.is(*digest) && !token.is_expired(now.wall) && token.principal() == *principal
            }),
        }
    }

    /// Ends a session; a token lasts.
    pub fn log_out(&mut self, credential: &Credential) {
        if let Credential::Session(id) = credential {
            self.sessions.end(*id);
        }
    }
}
