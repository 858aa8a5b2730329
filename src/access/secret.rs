//! Texts that must not be seen, and the digests by which they are known again.
//!
//! Must never show a secret through `Debug` or `Display`, nor compare one in a time that tells how much of it was right.

use std::fmt;
use std::fmt::Write as _;

use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq;
use zeroize::Zeroizing;

/// Bytes of a random secret: 256 bits, beyond guessing.
const RANDOM_BYTES: usize = 32;

/// The system gives no random numbers.
#[derive(Debug, Clone, Copy, thiserror::Error)]
#[error("the system gives no random numbers: {0}")]
pub struct NoRandomness(#[from] getrandom::Error);

/// A password, token or session id. Its memory is cleared when it is dropped.
#[derive(Clone)]
pub struct Secret(Zeroizing<String>);

impl Secret {
    /// Takes a text into keeping.
    pub fn new(text: String) -> Secret {
        Secret(Zeroizing::new(text))
    }

    /// 256 random bits as hexadecimal digits after a prefix.
    pub fn random(prefix: &str) -> Result<Secret, NoRandomness> {
        let mut bytes = Zeroizing::new([0; RANDOM_BYTES]);
        getrandom::fill(bytes.as_mut())?;
        Ok(Secret::new(format!("{prefix}{}", hex(bytes.as_ref()))))
    }

    /// The text itself, for the one place that needs it.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// Compares in a time that does not depend on where the two differ.
    pub fn is(&self, other: &str) -> bool {
        Digest::of(self.reveal()).is(Digest::of(other))
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("[secret]")
    }
}

/// SHA-256 of a secret of 256 random bits. Such a secret needs no slow hash: there is no list of likely ones to try.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Digest([u8; 32]);

impl Digest {
    /// The digest of a text.
    pub fn of(text: &str) -> Digest {
        Digest(Sha256::digest(text.as_bytes()).into())
    }

    /// As the users file has it: 64 hexadecimal digits.
    pub fn to_hex(self) -> String {
        hex(&self.0)
    }

    /// Back from the 64 digits.
    pub fn parse(text: &str) -> Option<Digest> {
        if text.len() != 64 || !text.bytes().all(|digit| digit.is_ascii_hexdigit()) {
            return None;
        }
        let mut bytes = [0; 32];
        for (n, byte) in bytes.iter_mut().enumerate() {
            *byte = u8::from_str_radix(&text[2 * n..2 * n + 2], 16).ok()?;
        }
        Some(Digest(bytes))
    }

    /// Compares in constant time.
    pub fn is(self, other: Digest) -> bool {
        self.0.ct_eq(&other.0).into()
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("[digest]")
    }
}

fn hex(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        // Writing to a String cannot fail.
        let _ = write!(out, "{byte:02x}");
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn random_secrets_are_long_and_differ() {
        let (a, b) = (Secret::random("wat_").unwrap(), Secret::random("wat_").unwrap());
        assert_eq!(a.reveal().len(), 4 + 64);
        assert!(a.reveal().starts_with("wat_"));
        assert!(!a.is(b.reveal()) && a.is(a.reveal()));
    }

    #[test]
    fn nothing_shows_in_debug() {
        let secret = Secret::new("correct horse".to_owned());
        assert_eq!(format!("{secret:?} {:?}", Digest::of(secret.reveal())), "[secret] [digest]");
    }

    /// FIPS 180-4 example: the digest of "abc".
    #[test]
    fn the_digest_is_sha_256() {
        let published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(Digest::of("abc").to_hex(), published);
    }

    proptest! {
        #[test]
        fn digests_lead_back(text in ".*") {
            let digest = Digest::of(&text);
            prop_assert_eq!(Digest::parse(&digest.to_hex()), Some(digest));
        }

        #[test]
        fn any_text_is_parsed_without_a_panic(text in "\\PC*") {
            let well_formed = text.len() == 64 && text.chars().all(|c| c.is_ascii_hexdigit());
            prop_assert_eq!(Digest::parse(&text).is_some(), well_formed);
        }
    }
}
