//! Users and API tokens as the users file holds them, and what of them changed from one reading to the next.
//!
//! Plain data. Must never hold a password or a token, only what they are known by.

use std::fmt::Write as _;

use super::password::PasswordHash;
use super::role::{Principal, Role};
use super::secret::{Digest, NoRandomness, Secret};
use crate::reading::UnixMs;

/// Every token begins with this, so that one left lying about can be found and told for what it is.
pub const TOKEN_PREFIX: &str = "wat_";
/// Records name a token so; no user may have such a name.
pub const TOKEN_WORD: &str = "token ";

/// A person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    /// Name, unique; typed to log in and written to records.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// What their password is known by.
    pub password: PasswordHash,
}

impl User {
    /// As handlers and records know them.
    pub fn principal(&self) -> Principal {
        Principal { name: self.name.clone(), role: self.role }
    }
}

/// A program's way in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ApiToken {
    /// Name, unique among tokens.
    pub name: String,
    /// What its bearer may do.
    pub role: Role,
    /// What it is known by.
    pub digest: Digest,
    /// From when on it is no good; none for never.
    pub expires: Option<UnixMs>,
}

impl ApiToken {
    /// Makes a token; the secret is shown to a person once and kept nowhere.
    pub fn make(name: String, role: Role, expires: Option<UnixMs>) -> Result<(ApiToken, Secret), NoRandomness> {
        let secret = Secret::random(TOKEN_PREFIX)?;
        Ok((ApiToken { name, role, digest: Digest::of(secret.reveal()), expires }, secret))
    }

    /// As handlers and records know its bearer.
    pub fn principal(&self) -> Principal {
        Principal { name: format!("{TOKEN_WORD}{}", self.name), role: self.role }
    }

    /// True when it is no good any more.
    pub fn is_expired(&self, now: UnixMs) -> bool {
        self.expires.is_some_and(|expires| now >= expires)
    }
}

/// Everybody who may come in.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Accounts {
    /// People, in file order.
    pub users: Vec<User>,
    /// Programs, in file order.
    pub tokens: Vec<ApiToken>,
}

impl Accounts {
    /// A person by name.
    pub fn user(&self, name: &str) -> Option<&User> {
        self.users.iter().find(|user| user.name == name)
    }

    /// A token by its secret. Takes as long for each of them.
    pub fn token(&self, secret: &str) -> Option<&ApiToken> {
        let digest = Digest::of(secret);
        self.tokens.iter().fold(None, |found, token| if token.digest.is(digest) { Some(token) } else { found })
    }

    /// What is different from before, one sentence each, for people.
    pub fn changes_since(&self, before: &Accounts) -> Vec<String> {
        let mut all = Vec::new();
        for user in &self.users {
            match before.user(&user.name) {
                None => all.push(format!("User {} was added with role {}", user.name, user.role)),
                Some(old) => {
                    if old.role != user.role {
                        all.push(format!(
                            "The role of user {} was changed from {} to {}",
                            user.name, old.role, user.role
                        ));
                    }
                    if old.password != user.password {
                        all.push(format!("The password of user {} was changed", user.name));
                    }
                }
            }
        }
        let gone = before.users.iter().filter(|old| self.user(&old.name).is_none());
        all.extend(gone.map(|old| format!("User {} was removed", old.name)));
        let named = |accounts: &Accounts, name: &str| accounts.tokens.iter().position(|token| token.name == name);
        for token in &self.tokens {
            match named(before, &token.name) {
                None => all.push(format!("Token {} was added with role {}", token.name, token.role)),
                Some(old) if before.tokens[old] != *token => {
                    all.push(format!("Token {} was changed; it has role {}", token.name, token.role));
                }
                Some(_) => {}
            }
        }
        let gone = before.tokens.iter().filter(|old| named(self, &old.name).is_none());
        all.extend(gone.map(|old| format!("Token {} was removed", old.name)));
        all
    }

    /// The users file. Writing to a String cannot fail.
    pub fn to_text(&self) -> String {
        let mut out = format!("{HEADING}\nversion = 1\n");
        let quoted = |text: &str| toml::Value::from(text).to_string();
        for User { name, role, password } in &self.users {
            let (name, password) = (quoted(name), quoted(password.as_text()));
            let _ = write!(out, "\n[[users]]\nname = {name}\nrole = \"{role}\"\npassword = {password}\n");
        }
        for token in &self.tokens {
            let (name, role, digest) = (quoted(&token.name), token.role, token.digest.to_hex());
            let _ = write!(out, "\n[[tokens]]\nname = {name}\nrole = \"{role}\"\nsha256 = \"{digest}\"\n");
            if let Some(time) = token.expires.and_then(|at| jiff::Timestamp::from_millisecond(at.0).ok()) {
                let _ = writeln!(out, "expires = \"{time}\"");
            }
        }
        out
    }
}

const HEADING: &str = "\
# Users and API tokens of wattassay. \"wattassay users\" keeps this file; a running daemon reads it again when it changes.
# Neither passwords nor tokens are in it, only what they are known by. Keep it readable to the daemon's user alone.";

#[cfg(test)]
mod tests {
    use super::*;

    fn hash(text: &str) -> PasswordHash {
        PasswordHash::of(&Secret::new(text.to_owned())).unwrap()
    }

    #[test]
    fn tokens_are_found_by_their_secret_and_expire() {
        let (token, secret) = ApiToken::make("historian".into(), Role::View, Some(UnixMs(1000))).unwrap();
        let accounts = Accounts { users: vec![], tokens: vec![token.clone()] };
        assert_eq!(accounts.token(secret.reveal()), Some(&token));
        assert_eq!(accounts.token(&token.digest.to_hex()), None, "the file's digest opens nothing");
        assert!(!token.is_expired(UnixMs(999)) && token.is_expired(UnixMs(1000)));
        assert_eq!(token.principal().name, "token historian");
    }

    #[test]
    fn every_change_is_told() {
        let password = hash("wet well float switch");
        let user = |name: &str, role| User { name: name.into(), role, password: password.clone() };
        let (token, _) = ApiToken::make("historian".into(), Role::View, None).unwrap();
        let (other, _) = ApiToken::make("historian".into(), Role::View, None).unwrap();
        let (gone, _) = ApiToken::make("old".into(), Role::View, None).unwrap();
        let before = Accounts {
            users: vec![user("A", Role::View), user("B", Role::View), user("C", Role::View)],
            tokens: vec![token, gone],
        };
        let mut changed = user("B", Role::View);
        changed.password = hash("wet well float switch");
        let after =
            Accounts { users: vec![user("A", Role::Engineer), changed, user("D", Role::Operate)], tokens: vec![other] };
        assert_eq!(
            after.changes_since(&before),
            [
                "The role of user A was changed from view to engineer",
                "The password of user B was changed",
                "User D was added with role operate",
                "User C was removed",
                "Token historian was changed; it has role view",
                "Token old was removed",
            ]
        );
        assert_eq!(after.changes_since(&after), [""; 0]);
    }
}
