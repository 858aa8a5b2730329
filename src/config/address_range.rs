//! A range of network addresses as an allow list names it: one address, or a network with its prefix length.
//!
//! Must never resolve a host name: who may connect must not depend on a name server.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::str::FromStr;

/// All addresses that share their first bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct AddressRange {
    network: IpAddr,
    prefix: u8,
}

/// Why a text is no address range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RangeError {
    /// The part before the slash is no numeric address.
    #[error("is not a numeric address")]
    NotAnAddress,
    /// The prefix length is no number, or longer than the address.
    #[error("has no prefix length from 0 to 32 (IPv4) or 128 (IPv6) after the slash")]
    BadPrefix,
    /// Bits are set past the prefix.
    #[error("has bits set past its prefix length")]
    HostBits,
}

impl AddressRange {
    /// The whole of 127.0.0.0/8.
    pub const LOOPBACK_V4: AddressRange = AddressRange { network: IpAddr::V4(Ipv4Addr::new(127, 0, 0, 0)), prefix: 8 };
    /// ::1.
    pub const LOOPBACK_V6: AddressRange = AddressRange { network: IpAddr::V6(Ipv6Addr::LOCALHOST), prefix: 128 };

    /// True when `address` is in the range. An IPv4 address that arrives on an IPv6 socket counts as IPv4.
    pub fn contains(&self, address: IpAddr) -> bool {
        match (self.network, address.to_canonical()) {
            (IpAddr::V4(network), IpAddr::V4(address)) => leading_v4(address, self.prefix) == network.to_bits(),
            (IpAddr::V6(network), IpAddr::V6(address)) => leading_v6(address, self.prefix) == network.to_bits(),
            _ => false,
        }
    }
}

fn leading_v4(address: Ipv4Addr, prefix: u8) -> u32 {
    let past = 32 - u32::from(prefix);
    address.to_bits().checked_shr(past).and_then(|kept| kept.checked_shl(past)).unwrap_or(0)
}

fn leading_v6(address: Ipv6Addr, prefix: u8) -> u128 {
    let past = 128 - u32::from(prefix);
    address.to_bits().checked_shr(past).and_then(|kept| kept.checked_shl(past)).unwrap_or(0)
}

impl FromStr for AddressRange {
    type Err = RangeError;

    fn from_str(text: &str) -> Result<AddressRange, RangeError> {
        let (address, prefix) = match text.split_once('/') {
            Some((address, prefix)) => (address, Some(prefix)),
            None => (text, None),
        };
        let network: IpAddr = address.parse().map_err(|_| RangeError::NotAnAddress)?;
        let longest = if network.is_ipv4() { 32 } else { 128 };
        let prefix = match prefix {
            None => longest,
            Some(digits) if digits.chars().all(|c| c.is_ascii_digit()) => {
                digits.parse().ok().filter(|prefix| *prefix <= longest).ok_or(RangeError::BadPrefix)?
            }
            Some(_) => return Err(RangeError::BadPrefix),
        };
        let range = AddressRange { network, prefix };
        let whole = match network {
            IpAddr::V4(v4) => leading_v4(v4, prefix) == v4.to_bits(),
            IpAddr::V6(v6) => leading_v6(v6, prefix) == v6.to_bits(),
        };
        if whole { Ok(range) } else { Err(RangeError::HostBits) }
    }
}

impl fmt::Display for AddressRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.network, self.prefix)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holds(range: &str, address: &str) -> bool {
        range.parse::<AddressRange>().unwrap().contains(address.parse().unwrap())
    }

    #[test]
    fn a_range_holds_its_network_and_nothing_beside_it() {
        assert!(holds("10.20.0.0/16", "10.20.255.255"));
        assert!(!holds("10.20.0.0/16", "10.21.0.0"));
        assert!(holds("10.20.1.15", "10.20.1.15") && !holds("10.20.1.15", "10.20.1.16"));
        assert!(holds("0.0.0.0/0", "203.0.113.9") && !holds("0.0.0.0/0", "2001:db8::1"));
        assert!(holds("2001:db8::/32", "2001:db8:ffff::1") && !holds("2001:db8::/32", "2001:db9::1"));
        assert!(holds("::/0", "2001:db8::1") && holds("10.0.0.0/8", "::ffff:10.1.2.3"));
        assert!(AddressRange::LOOPBACK_V4.contains("127.9.9.9".parse().unwrap()));
        assert!(AddressRange::LOOPBACK_V6.contains("::1".parse().unwrap()));
    }

    #[test]
    fn what_is_no_range_is_refused_with_its_reason() {
        for (text, error) in [
            ("rtu.example", RangeError::NotAnAddress),
            ("", RangeError::NotAnAddress),
            ("10.0.0.0/33", RangeError::BadPrefix),
            ("10.0.0.0/+8", RangeError::BadPrefix),
            ("10.0.0.0/", RangeError::BadPrefix),
            ("::/129", RangeError::BadPrefix),
            ("10.20.1.15/16", RangeError::HostBits),
        ] {
            assert_eq!(text.parse::<AddressRange>(), Err(error), "{text}");
        }
    }
}
