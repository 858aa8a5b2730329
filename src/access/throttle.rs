//! Slows down who guesses passwords: each further failure of a user or from an address makes the next try wait longer.
//!
//! A try counts as a failure until it is known to be none, so that many at once gain nothing. The wait has a bound, so that
//! nobody can lock another out for long. Must never keep a name as it was typed: people type passwords there.

use std::collections::HashMap;
use std::hash::Hash;
use std::net::{IpAddr, Ipv6Addr};

use super::secret::Digest;
use crate::reading::MonoMs;

/// Failures of one user before waits begin.
pub const FREE_OF_USER: u32 = 5;
/// Failures from one address before waits begin: a few people may share one.
pub const FREE_OF_ADDRESS: u32 = 20;
/// The first wait, ms; each further failure doubles it.
const FIRST_WAIT_MS: u64 = 1000;
/// The longest wait, ms: 1440 guesses a day at the most.
pub const LONGEST_WAIT_MS: u64 = 60_000;
/// Failures are forgotten this long after the last one, ms.
pub const FORGOTTEN_MS: u64 = 900_000;
/// Users and addresses remembered, each.
const MOST: usize = 10_000;

/// The failures of one user or address.
#[derive(Debug, Clone, Copy)]
struct Failures {
    count: u32,
    last: MonoMs,
}

impl Failures {
    fn free_at_ms(self, free: u32) -> u64 {
        match self.count.checked_sub(free) {
            None => 0,
            Some(over) => self.last.0 + (FIRST_WAIT_MS << over.min(16)).min(LONGEST_WAIT_MS),
        }
    }
}

/// Failures by key.
#[derive(Debug)]
struct Table<K> {
    free: u32,
    of: HashMap<K, Failures>,
}

impl<K: Hash + Eq + Copy> Table<K> {
    fn new(free: u32) -> Table<K> {
        Table { free, of: HashMap::new() }
    }

    /// How long `key` must wait, ms.
    fn wait_ms(&self, key: K, now: MonoMs) -> u64 {
        let known = self.of.get(&key).filter(|failures| now.since(failures.last) < FORGOTTEN_MS);
        known.map_or(0, |failures| failures.free_at_ms(self.free).saturating_sub(now.0))
    }

    fn count(&mut self, key: K, now: MonoMs) {
        if self.of.len() >= MOST && !self.of.contains_key(&key) {
            self.of.retain(|_, failures| now.since(failures.last) < FORGOTTEN_MS);
            // Still full: whoever failed longest ago goes.
            if self.of.len() >= MOST
                && let Some(oldest) = self.of.iter().min_by_key(|(_, failures)| failures.last).map(|(key, _)| *key)
            {
                self.of.remove(&oldest);
            }
        }
        let failures = self.of.entry(key).or_insert(Failures { count: 0, last: now });
        let before = if now.since(failures.last) < FORGOTTEN_MS { failures.count } else { 0 };
        *failures = Failures { count: before.saturating_add(1), last: now };
    }

    fn uncount(&mut self, key: K) {
        if let Some(failures) = self.of.get_mut(&key) {
            failures.count = failures.count.saturating_sub(1);
        }
    }
}

/// A try that was let through.
#[derive(Debug, Clone, Copy)]
pub struct Try {
    user: Digest,
    network: IpAddr,
}

/// Failures by user and by address.
#[derive(Debug)]
pub struct Throttle {
    users: Table<Digest>,
    networks: Table<IpAddr>,
}

impl Default for Throttle {
    fn default() -> Throttle {
        Throttle { users: Table::new(FREE_OF_USER), networks: Table::new(FREE_OF_ADDRESS) }
    }
}

impl Throttle {
    /// Lets a try through, or says how many seconds to wait. Names of no user count alike, so that waiting tells nothing.
    pub fn begin(&mut self, name: &str, address: IpAddr, now: MonoMs) -> Result<Try, u64> {
        let it = Try { user: Digest::of(name), network: network(address) };
        let wait_ms = self.users.wait_ms(it.user, now).max(self.networks.wait_ms(it.network, now));
        if wait_ms > 0 {
            return Err(wait_ms.div_ceil(1000));
        }
        self.users.count(it.user, now);
        self.networks.count(it.network, now);
        Ok(it)
    }

    /// The try was right: the user's failures are forgotten, and the address is not charged with it.
    pub fn succeeded(&mut self, it: Try) {
        self.users.of.remove(&it.user);
        self.networks.uncount(it.network);
    }
}

/// What counts as one address: of IPv6 a whole /64, which one customer commonly has (RFC 6177 gives sites no less).
fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        v4 @ IpAddr::V4(_) => v4,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    #[test]
    fn waits_double_up_to_the_longest_and_are_forgotten() {
        let mut throttle = Throttle::default();
        let mut now = 0;
        let mut waits = Vec::new();
        for n in 0..14 {
            // Another address each time: only the user counts.
            let address = ip(&format!("10.0.0.{n}"));
            if let Err(wait_s) = throttle.begin("A", address, MonoMs(now)) {
                waits.push(wait_s);
                now += wait_s * 1000;
                assert!(throttle.begin("A", address, MonoMs(now - 1)).is_err());
                assert!(throttle.begin("A", address, MonoMs(now)).is_ok());
            }
        }
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 60, 60, 60]);
        assert!(throttle.begin("B", ip("10.0.1.1"), MonoMs(now)).is_ok(), "nobody else waits");
        assert!(throttle.begin("A", ip("10.0.1.1"), MonoMs(now + FORGOTTEN_MS)).is_ok());
        assert!(throttle.begin("A", ip("10.0.1.1"), MonoMs(now + FORGOTTEN_MS)).is_ok());
    }

    #[test]
    fn an_address_that_tries_many_names_waits_too_and_its_neighbours_in_ipv6_with_it() {
        let mut throttle = Throttle::default();
        for n in 0..FREE_OF_ADDRESS {
            assert!(throttle.begin(&format!("user {n}"), ip(&format!("2001:db8::{n}")), MonoMs(0)).is_ok());
        }
        assert_eq!(throttle.begin("one more", ip("2001:db8::ffff"), MonoMs(0)).unwrap_err(), 1);
        assert!(throttle.begin("one more", ip("2001:db8:0:1::1"), MonoMs(0)).is_ok());
    }

    #[test]
    fn a_mapped_address_is_the_ipv4_one() {
        assert_eq!(network(ip("::ffff:10.0.0.1")), ip("10.0.0.1"));
    }

    #[test]
    fn a_right_password_clears_the_user_and_costs_the_address_nothing() {
        let mut throttle = Throttle::default();
        for n in 0..1000 {
            let it = throttle.begin("A", ip("10.0.0.1"), MonoMs(n)).unwrap();
            throttle.succeeded(it);
        }
        for n in 0..FREE_OF_USER {
            assert!(throttle.begin("A", ip("10.0.0.1"), MonoMs(2000)).is_ok(), "{n}");
        }
        assert!(throttle.begin("A", ip("10.0.0.1"), MonoMs(2000)).is_err());
    }

    #[test]
    fn many_at_once_gain_nothing_and_the_memory_is_bounded() {
        let mut throttle = Throttle::default();
        let through = (0..100).filter(|_| throttle.begin("A", ip("10.0.0.1"), MonoMs(0)).is_ok()).count();
        assert_eq!(through, FREE_OF_USER as usize);
        for n in 0..(MOST + 100) as u32 {
            let address = IpAddr::from((n + (1 << 24)).to_be_bytes());
            let _ = throttle.begin(&n.to_string(), address, MonoMs(u64::from(n)));
        }
        assert!(throttle.users.of.len() <= MOST && throttle.networks.of.len() <= MOST);
    }

    proptest! {
        #[test]
        fn no_wait_is_longer_than_the_longest(steps in prop::collection::vec((0_u64..100_000, 0_u8..3), 1..200)) {
            let mut throttle = Throttle::default();
            let mut now = 0;
            for (step, who) in steps {
                now += step;
                if let Err(wait_s) = throttle.begin(&who.to_string(), ip("10.0.0.1"), MonoMs(now)) {
                    prop_assert!((1..=LONGEST_WAIT_MS / 1000).contains(&wait_s));
                }
            }
        }
    }
}
