//! Networks, and which addresses are not of the open internet.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::str::FromStr;

/// A network: an address and how many of its bits count.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Network {
    address: IpAddr,
    bits: u32,
}

impl FromStr for Network {
    type Err = ();

    /// `10.20.0.0/16`, `fd00::/8`, or one address.
    fn from_str(text: &str) -> Result<Self, ()> {
        let (address, bits) = match text.split_once('/') {
            Some((address, bits)) => (address, Some(bits.parse::<u32>().map_err(|_| ())?)),
            None => (text, None),
        };
        let address: IpAddr = address.parse().map_err(|_| ())?;
        let all = if address.is_ipv4() { 32 } else { 128 };
        let bits = bits.unwrap_or(all);
        if bits > all { Err(()) } else { Ok(Network { address, bits }) }
    }
}

impl Network {
    const fn v4(a: u8, b: u8, c: u8, d: u8, bits: u32) -> Self {
        Network { address: IpAddr::V4(Ipv4Addr::new(a, b, c, d)), bits }
    }

    const fn v6(first: u16, second: u16, bits: u32) -> Self {
        Network { address: IpAddr::V6(Ipv6Addr::new(first, second, 0, 0, 0, 0, 0, 0)), bits }
    }

    /// Whether an address is in it; one of IPv4 written as IPv6 is the one of IPv4.
    pub fn contains(&self, address: IpAddr) -> bool {
        match (self.address, address.to_canonical()) {
            (IpAddr::V4(own), IpAddr::V4(other)) => {
                let mask = u32::MAX.checked_shl(32 - self.bits).unwrap_or(0);
                own.to_bits() & mask == other.to_bits() & mask
            }
            (IpAddr::V6(own), IpAddr::V6(other)) => {
                let mask = u128::MAX.checked_shl(128 - self.bits).unwrap_or(0);
                own.to_bits() & mask == other.to_bits() & mask
            }
            (IpAddr::V4(_), IpAddr::V6(_)) | (IpAddr::V6(_), IpAddr::V4(_)) => false,
        }
    }
}

/// Networks that are not globally reachable, by IANA's registries of special-purpose addresses (IPv4 and IPv6), and
/// multicast. Some hold another address in their last bits; those are looked into below.
const INNER: &[Network] = &[
    Network::v4(0, 0, 0, 0, 8),
    Network::v4(10, 0, 0, 0, 8),
    Network::v4(100, 64, 0, 0, 10),
    Network::v4(127, 0, 0, 0, 8),
    Network::v4(169, 254, 0, 0, 16),
    Network::v4(172, 16, 0, 0, 12),
    Network::v4(192, 0, 0, 0, 24),
    Network::v4(192, 0, 2, 0, 24),
    Network::v4(192, 88, 99, 0, 24),
    Network::v4(192, 168, 0, 0, 16),
    Network::v4(198, 18, 0, 0, 15),
    Network::v4(198, 51, 100, 0, 24),
    Network::v4(203, 0, 113, 0, 24),
    Network::v4(224, 0, 0, 0, 4),
    Network::v4(240, 0, 0, 0, 4),
    // ::, ::1 and addresses of IPv4 in a form that is no longer used
    Network::v6(0, 0, 96),
    Network::v6(0x64, 0xff9b, 32),
    Network::v6(0x100, 0, 64),
    Network::v6(0x2001, 0, 23),
    Network::v6(0x2001, 0xdb8, 32),
    Network::v6(0x2002, 0, 16),
    Network::v6(0x3fff, 0, 20),
    Network::v6(0x5f00, 0, 16),
    Network::v6(0xfc00, 0, 7),
    Network::v6(0xfe80, 0, 10),
    Network::v6(0xfec0, 0, 10),
    Network::v6(0xff00, 0, 8),
];

/// Whether an address is of this machine, of an inner network, or of none that leads anywhere. Addresses that carry one
/// of IPv4 through a gateway (64:ff9b::/96, 2002::/16) count as inner whatever they carry: what they reach is not told
/// by looking at them.
pub fn is_inner(address: IpAddr) -> bool {
    INNER.iter().any(|network| network.contains(address))
}
