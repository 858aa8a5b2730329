//! Passwords: how long one must be, its hash, and whether one is right.
//!
//! argon2id with 19 MiB, 2 passes and 1 lane: OWASP Password Storage Cheat Sheet, the second of its equivalent settings
//! (from memory). Must never keep a password, nor answer faster for a user that does not exist.

use std::fmt;

use argon2::password_hash::{PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};

use super::secret::{NoRandomness, Secret};

/// Fewest characters. NIST SP 800-63B-4, 3.1.1.2: 15 where the password is the only factor (from memory).
pub const MIN_CHARS: usize = 15;
/// Most characters, so that nobody makes the program hash a book. The same source wants at least 64 allowed.
pub const MAX_CHARS: usize = 256;

const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;
const LANES: u32 = 1;
/// RFC 9106, 3.1: 16 bytes of salt are recommended.
const SALT_BYTES: usize = 16;

/// Why a password cannot be taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PasswordError {
    /// Too short.
    #[error("a password has at least {MIN_CHARS} characters; this one has {0}. A few plain words will do")]
    Short(usize),
    /// Too long.
    #[error("a password has at most {MAX_CHARS} characters")]
    Long,
    /// The system is at fault.
    #[error("the password cannot be hashed: {0}")]
    Failed(String),
}

impl From<NoRandomness> for PasswordError {
    fn from(error: NoRandomness) -> PasswordError {
        PasswordError::Failed(error.to_string())
    }
}

/// What the users file holds of a password.
#[derive(Clone, PartialEq, Eq)]
pub struct PasswordHash(String);

impl PasswordHash {
    /// Hashes a password that is long enough. Takes a while and 19 MiB on purpose.
    pub fn of(password: &Secret) -> Result<PasswordHash, PasswordError> {
        let chars = password.reveal().chars().count();
        if chars < MIN_CHARS {
            return Err(PasswordError::Short(chars));
        }
        if chars > MAX_CHARS {
            return Err(PasswordError::Long);
        }
        let failed = |error: argon2::password_hash::Error| PasswordError::Failed(error.to_string());
        let mut salt = [0; SALT_BYTES];
        getrandom::fill(&mut salt).map_err(NoRandomness::from)?;
        let salt = SaltString::encode_b64(&salt).map_err(failed)?;
        let hash = hasher()?.hash_password(password.reveal().as_bytes(), &salt).map_err(failed)?;
        Ok(PasswordHash(hash.to_string()))
    }

    /// The hash of a password nobody knows, to be tried where there is no such user.
    pub fn dummy() -> Result<PasswordHash, PasswordError> {
        PasswordHash::of(&Secret::random("")?)
    }

    /// From the users file; none for anything but a whole argon2id hash.
    pub fn parse(text: &str) -> Option<PasswordHash> {
        let hash = argon2::PasswordHash::new(text).ok()?;
        let whole = hash.algorithm == argon2::ARGON2ID_IDENT && hash.salt.is_some() && hash.hash.is_some();
        (whole && Params::try_from(&hash).is_ok()).then(|| PasswordHash(text.to_owned()))
    }

    /// True for the right password. Takes as long as hashing.
    pub fn is_of(&self, password: &Secret) -> bool {
        // None was ever taken that is longer.
        if password.reveal().chars().count() > MAX_CHARS {
            return false;
        }
        let (Ok(hash), Ok(hasher)) = (argon2::PasswordHash::new(&self.0), hasher()) else { return false };
        hasher.verify_password(password.reveal().as_bytes(), &hash).is_ok()
    }

    /// As the users file has it (PHC string).
    pub fn as_text(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for PasswordHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("[password hash]")
    }
}

fn hasher() -> Result<Argon2<'static>, PasswordError> {
    let params =
        Params::new(MEMORY_KIB, PASSES, LANES, None).map_err(|error| PasswordError::Failed(error.to_string()))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn secret(text: &str) -> Secret {
        Secret::new(text.to_owned())
    }

    #[test]
    fn a_password_is_known_again_and_no_other_is() {
        let right = secret("wet well float switch");
        let hash = PasswordHash::of(&right).unwrap();
        assert!(hash.as_text().starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "the parameters in force");
        assert!(hash.is_of(&right));
        assert!(!hash.is_of(&secret("wet well float Switch")));
        assert!(!hash.is_of(&secret(&"x".repeat(MAX_CHARS + 1))));
        let read = PasswordHash::parse(hash.as_text()).unwrap();
        assert_eq!(read, hash);
        assert_ne!(PasswordHash::of(&right).unwrap(), hash, "every hash has its own salt");
        assert_eq!(format!("{hash:?}"), "[password hash]");
    }

    /// RFC 9106 gives no PHC string; this one is of the reference implementation's command line
    /// (`printf password | argon2 somesalt -id -t 2 -m 16 -p 1`, its own test suite, from memory).
    #[test]
    fn a_hash_of_the_reference_implementation_is_understood() {
        let published = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";
        let hash = PasswordHash::parse(published).unwrap();
        assert!(hash.is_of(&secret("password")) && !hash.is_of(&secret("Password")));
    }

    #[test]
    fn only_length_is_asked_of_a_password() {
        let of = |n: usize| PasswordHash::of(&secret(&"é".repeat(n)));
        assert_eq!(of(MIN_CHARS - 1), Err(PasswordError::Short(MIN_CHARS - 1)));
        assert!(of(MIN_CHARS).is_ok());
        assert!(of(MAX_CHARS).is_ok());
        assert_eq!(of(MAX_CHARS + 1), Err(PasswordError::Long));
    }

    #[test]
    fn weaker_hashes_are_refused() {
        for text in [
            "",
            "password",
            "$argon2i$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
            "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ",
            "$2b$12$R9h/cIPz0gi.URNNX3kh2OPST9/PgBkqquzi.Ss7KIUgO2t0jWMUW",
        ] {
            assert_eq!(PasswordHash::parse(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_parsed_without_a_panic(text in "(\\$argon2id)?[$a-z0-9=,/+]{0,90}") {
            let _ = PasswordHash::parse(&text);
        }
    }
}
