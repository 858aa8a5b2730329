//! Who may connect, how many at once, and how often each address may ask.
//!
//! When an address is at its limit its own longest-idle connection makes room, so that an RTU that was switched off and on is
//! not locked out by what it left behind; no address can push out another's. Must never wait.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::config::address_range::AddressRange;
use crate::config::model::ModbusServerConfig;

/// The doorkeeper.
#[derive(Debug)]
pub struct Limits {
    allow: Vec<AddressRange>,
    most: usize,
    most_per_address: usize,
    per_second: f64,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    next: u64,
    guests: HashMap<u64, Entry>,
    buckets: HashMap<IpAddr, Bucket>,
}

#[derive(Debug)]
struct Entry {
    address: IpAddr,
    last_used: Instant,
    close: CancellationToken,
}

/// Requests an address may still make: one second's worth at most, filled as time passes.
#[derive(Debug)]
struct Bucket {
    left: f64,
    at: Instant,
}

/// Why a connection is not served.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// Not on the allow list.
    #[error("it is not on the allow list")]
    NotAllowed,
    /// All connections are taken, by others.
    #[error("all connections are in use")]
    Full,
}

/// A connection that was let in; gone when dropped.
#[derive(Debug)]
pub struct Admitted {
    limits: Arc<Limits>,
    id: u64,
    address: IpAddr,
    /// Cancelled when the connection has to make room.
    pub close: CancellationToken,
}

impl Limits {
    /// The limits of a configuration.
    pub fn new(config: &ModbusServerConfig) -> Arc<Limits> {
        Arc::new(Limits {
            allow: config.allow.clone(),
            most: config.max_connections,
            most_per_address: config.max_connections_per_address,
            per_second: f64::from(config.requests_per_second),
            state: Mutex::default(),
        })
    }

    /// Lets a connection in, or says why not.
    pub fn admit(self: &Arc<Self>, address: IpAddr, now: Instant) -> Result<Admitted, Refused> {
        let address = address.to_canonical();
        if !self.allow.iter().any(|range| range.contains(address)) {
            return Err(Refused::NotAllowed);
        }
        let mut state = self.state();
        let own = state.guests.values().filter(|entry| entry.address == address).count();
        if own >= self.most_per_address || state.guests.len() >= self.most {
            let idlest = state.guests.iter().filter(|(_, entry)| entry.address == address);
            let idlest = idlest.min_by_key(|(_, entry)| entry.last_used).map(|(id, _)| *id).ok_or(Refused::Full)?;
            if let Some(entry) = state.guests.remove(&idlest) {
                entry.close.cancel();
            }
        }
        let id = state.next;
        state.next += 1;
        let close = CancellationToken::new();
        state.guests.insert(id, Entry { address, last_used: now, close: close.clone() });
        Ok(Admitted { limits: Arc::clone(self), id, address, close })
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Admitted {
    /// Counts a request; false when the address has asked too often.
    pub fn request(&self, now: Instant) -> bool {
        let per_second = self.limits.per_second;
        let mut state = self.limits.state();
        if let Some(entry) = state.guests.get_mut(&self.id) {
            entry.last_used = now;
        }
        let bucket = state.buckets.entry(self.address).or_insert(Bucket { left: per_second, at: now });
        let passed_s = now.saturating_duration_since(bucket.at).as_secs_f64();
        bucket.left = (bucket.left + passed_s * per_second).min(per_second);
        bucket.at = now;
        let served = bucket.left >= 1.0;
        if served {
            bucket.left -= 1.0;
        }
        served
    }
}

impl Drop for Admitted {
    fn drop(&mut self) {
        let mut state = self.limits.state();
        state.guests.remove(&self.id);
        // The last connection takes the bucket with it unless it is spent: reconnecting must not refill it.
        if !state.guests.values().any(|entry| entry.address == self.address) {
            let per_second = self.limits.per_second;
            let now = Instant::now();
            state.buckets.retain(|_, bucket| {
                bucket.left + now.saturating_duration_since(bucket.at).as_secs_f64() * per_second < per_second
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    fn limits(most: usize, most_per_address: usize, requests_per_second: u32) -> Arc<Limits> {
        Limits::new(&ModbusServerConfig {
            listen: "127.0.0.1:0".parse().unwrap(),
            allow: vec!["10.0.0.0/8".parse().unwrap()],
            max_connections: most,
            max_connections_per_address: most_per_address,
            requests_per_second,
            idle_timeout: Duration::from_mins(1),
            audit_unit: 1,
            circuits: Vec::new(),
            pass_through: Vec::new(),
            tls: None,
        })
    }

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    #[test]
    fn only_the_allowed_come_in() {
        let limits = limits(4, 4, 10);
        assert!(limits.admit(ip("10.1.1.1"), Instant::now()).is_ok());
        assert!(limits.admit(ip("::ffff:10.1.1.1"), Instant::now()).is_ok());
        for other in ["192.0.2.1", "127.0.0.1", "::1"] {
            assert_eq!(limits.admit(ip(other), Instant::now()).err(), Some(Refused::NotAllowed), "{other}");
        }
    }

    #[test]
    fn an_address_at_its_limit_gives_up_its_own_idlest_connection() {
        let (limits, start) = (limits(8, 2, 10), Instant::now());
        let first = limits.admit(ip("10.0.0.1"), start).unwrap();
        let second = limits.admit(ip("10.0.0.1"), start).unwrap();
        let other = limits.admit(ip("10.0.0.2"), start).unwrap();
        first.request(start + Duration::from_secs(1));
        let third = limits.admit(ip("10.0.0.1"), start + Duration::from_secs(2)).unwrap();
        assert!(second.close.is_cancelled(), "the one that was idle longest");
        assert!(!first.close.is_cancelled() && !other.close.is_cancelled() && !third.close.is_cancelled());
    }

    #[test]
    fn nobody_pushes_out_another_address() {
        let (limits, now) = (limits(2, 2, 10), Instant::now());
        let first = limits.admit(ip("10.0.0.1"), now).unwrap();
        let second = limits.admit(ip("10.0.0.2"), now).unwrap();
        assert_eq!(limits.admit(ip("10.0.0.3"), now).err(), Some(Refused::Full));
        assert!(!first.close.is_cancelled() && !second.close.is_cancelled());
        drop(first);
        assert!(limits.admit(ip("10.0.0.3"), now).is_ok());
    }

    #[test]
    fn an_address_has_a_seconds_worth_of_requests_over_all_its_connections() {
        let (limits, start) = (limits(8, 8, 10), Instant::now());
        let first = limits.admit(ip("10.0.0.1"), start).unwrap();
        let second = limits.admit(ip("10.0.0.1"), start).unwrap();
        let served = (0..20).filter(|n| [&first, &second][n % 2].request(start)).count();
        assert_eq!(served, 10);
        let later = start + Duration::from_millis(500);
        assert_eq!((0..20).filter(|_| first.request(later)).count(), 5);
        let other = limits.admit(ip("10.0.0.2"), start).unwrap();
        assert!(other.request(start), "another address has its own");
    }

    #[tokio::test(start_paused = true)]
    async fn reconnecting_does_not_refill_and_nothing_is_kept_for_ever() {
        let limits = limits(8, 8, 10);
        let first = limits.admit(ip("10.0.0.1"), Instant::now()).unwrap();
        while first.request(Instant::now()) {}
        drop(first);
        let again = limits.admit(ip("10.0.0.1"), Instant::now()).unwrap();
        assert!(!again.request(Instant::now()));
        tokio::time::advance(Duration::from_secs(5)).await;
        drop(again);
        assert!(limits.state().buckets.is_empty() && limits.state().guests.is_empty());
    }
}
