//! The chain of hashes: each record carries the hash of the one before it, so that a later edit, removal or insertion
//! shows at that place. Cutting off the end shows only against a head that was kept elsewhere.
//!
//! Pure. Must never change how a record is hashed without another `DOMAIN`: old journals must keep verifying.

use std::fmt;

use serde::Serialize;
use sha2::{Digest, Sha256};

use super::entry::Entry;

/// Keeps these hashes apart from any other use of SHA-256, and says the layout.
const DOMAIN: &[u8] = b"wattassay journal 1";

/// A SHA-256 hash; prints as 64 hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// What the first record has for the hash before it.
    pub const NONE: Hash = Hash([0; 32]);

    /// Reads 64 hexadecimal digits.
    pub fn parse(text: &str) -> Option<Hash> {
        let digits = text.as_bytes();
        if digits.len() != 64 || !digits.iter().all(u8::is_ascii_hexdigit) {
            return None;
        }
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(digits.chunks_exact(2)) {
            *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
        }
        Some(Hash(bytes))
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

impl Serialize for Hash {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// An entry in its place. The kind is a word, so that a journal of a later version still verifies and exports.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Record {
    /// Place in the journal, from 1 without gaps.
    pub sequence: i64,
    /// When, milliseconds since the Unix epoch (UTC).
    pub at_unix_ms: i64,
    /// See [`super::entry::Kind::key`].
    pub kind: String,
    /// Station.
    pub station: String,
    /// Circuit, monitor or alarm.
    pub subject: String,
    /// The person behind it.
    pub by: String,
    /// What happened.
    pub text: String,
    /// The same for machines.
    pub data: String,
    /// Hash of this record and, through it, of all before.
    pub hash: Hash,
}

/// Place and hash of the newest record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Head {
    /// Its place; 0 for an empty journal.
    pub sequence: i64,
    /// Its hash.
    pub hash: Hash,
}

impl Head {
    /// The head of an empty journal.
    pub const EMPTY: Head = Head { sequence: 0, hash: Hash::NONE };

    /// Seals an entry as the record after this one.
    pub fn seal(self, entry: &Entry) -> Record {
        let mut record = Record {
            sequence: self.sequence + 1,
            at_unix_ms: entry.at_unix_ms,
            kind: entry.kind.key().to_owned(),
            station: entry.station.clone(),
            subject: entry.subject.clone(),
            by: entry.by.clone(),
            text: entry.text.clone(),
            data: entry.data.clone(),
            hash: Hash::NONE,
        };
        record.hash = record.expected_hash(self.hash);
        record
    }
}

impl Record {
    /// As head of the journal.
    pub fn head(&self) -> Head {
        Head { sequence: self.sequence, hash: self.hash }
    }

    /// The hash this record must have after one with hash `previous`. Every text goes in with its length, so that moving
    /// a character from one field to the next shows.
    fn expected_hash(&self, previous: Hash) -> Hash {
        let mut sha = Sha256::new();
        sha.update(DOMAIN);
        sha.update(previous.0);
        sha.update(self.sequence.to_be_bytes());
        sha.update(self.at_unix_ms.to_be_bytes());
        for text in [&self.kind, &self.station, &self.subject, &self.by, &self.text, &self.data] {
            sha.update((text.len() as u64).to_be_bytes());
            sha.update(text.as_bytes());
        }
        Hash(sha.finalize().into())
    }
}

/// The first place where a journal is not what was written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Break {
    /// Records are missing, or one was put in.
    #[error("entry {expected} should follow, and entry {found} does: entries were taken out or put in")]
    Gap {
        /// The place that should follow.
        expected: i64,
        /// The place that does.
        found: i64,
    },
    /// A record or one before it was altered.
    #[error("entry {sequence} does not carry the hash of its contents: it, or the entry before it, was altered")]
    Altered {
        /// Its place.
        sequence: i64,
    },
}

/// Walks a journal from its beginning.
#[derive(Debug, Clone)]
pub struct Walk {
    head: Head,
    entries: u64,
    broken: Option<Break>,
}

impl Default for Walk {
    fn default() -> Self {
        Walk { head: Head::EMPTY, entries: 0, broken: None }
    }
}

impl Walk {
    /// Takes the next record; remembers the first break and goes on from what is there.
    pub fn step(&mut self, record: &Record) {
        let expected = self.head.sequence + 1;
        let fault = if record.sequence != expected {
            Some(Break::Gap { expected, found: record.sequence })
        } else if record.hash != record.expected_hash(self.head.hash) {
            Some(Break::Altered { sequence: record.sequence })
        } else {
            None
        };
        self.broken = self.broken.take().or(fault);
        self.head = record.head();
        self.entries += 1;
    }

    /// The newest record walked over.
    pub fn head(&self) -> Head {
        self.head
    }

    /// Records walked over.
    pub fn entries(&self) -> u64 {
        self.entries
    }

    /// The first break.
    pub fn broken(&self) -> Option<&Break> {
        self.broken.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::entry::Kind;

    fn chain(count: i64) -> Vec<Record> {
        let mut head = Head::EMPTY;
        (0..count)
            .map(|n| {
                let entry = Entry::new(n, Kind::Diagnosis, format!("entry {n}")).about("Quarry Road Booster", "Pump 1");
                let record = head.seal(&entry);
                head = record.head();
                record
            })
            .collect()
    }

    fn verdict(records: &[Record]) -> Option<Break> {
        let mut walk = Walk::default();
        for record in records {
            walk.step(record);
        }
        walk.broken().cloned()
    }

    #[test]
    fn the_hash_is_the_documented_one() {
        // Recomputed outside: python3 -c 'import hashlib, struct; f = lambda t: struct.pack(">Q", len(t)) + t;
        // print(hashlib.sha256(b"wattassay journal 1" + bytes(32) + struct.pack(">qq", 1, 5) + f(b"started") + f(b"") * 3
        // + f(b"up") + f(b"")).hexdigest())'
        let record = Head::EMPTY.seal(&Entry::new(5, Kind::Started, "up"));
        assert_eq!(record.hash.to_string(), "77c9cadd7a6f69631de57657a4f05e56d0beb8ec3b8efc51ae40fa91f2453afd");
    }

    #[test]
    fn every_field_of_every_record_is_held() {
        let sound = chain(5);
        assert_eq!(verdict(&sound), None);
        let edits: [fn(&mut Record); 8] = [
            |r| r.at_unix_ms += 1,
            |r| r.kind.push('x'),
            |r| r.station.clear(),
            |r| r.subject.push('1'),
            |r| r.by.push_str("someone"),
            |r| r.text.truncate(3),
            |r| r.data.push_str("{}"),
            |r| r.hash.0[31] ^= 1,
        ];
        for (at, edit) in (0..5).flat_map(|at| edits.iter().map(move |edit| (at, edit))) {
            let mut edited = sound.clone();
            edit(&mut edited[at]);
            assert_eq!(verdict(&edited), Some(Break::Altered { sequence: at as i64 + 1 }));
        }
    }

    #[test]
    fn taking_out_putting_in_and_swapping_show() {
        let sound = chain(5);
        let mut less = sound.clone();
        less.remove(2);
        assert_eq!(verdict(&less), Some(Break::Gap { expected: 3, found: 4 }));
        assert_eq!(verdict(&sound[1..]), Some(Break::Gap { expected: 1, found: 2 }));
        let mut swapped = sound.clone();
        swapped.swap(1, 2);
        assert_eq!(verdict(&swapped), Some(Break::Gap { expected: 2, found: 3 }));
        // Text moved from one field to the next.
        let mut moved = sound;
        moved[0].text = "1entry 0".to_owned();
        moved[0].subject = "Pump ".to_owned();
        assert_eq!(verdict(&moved), Some(Break::Altered { sequence: 1 }));
    }

    #[test]
    fn a_hash_reads_back() {
        let hash = chain(1)[0].hash;
        assert_eq!(Hash::parse(&hash.to_string()), Some(hash));
        for bad in ["", "zz", &"g".repeat(64), &"é".repeat(32)] {
            assert_eq!(Hash::parse(bad), None, "{bad}");
        }
    }
}
