//! Failures to prove who one is, by address.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};

use super::limits;

/// Recent failures of some thousand addresses.
#[derive(Debug, Default)]
pub(super) struct Attempts(Mutex<HashMap<IpAddr, Failures>>);

#[derive(Clone, Copy, Debug)]
struct Failures {
    since_us: i64,
    count: u32,
}

impl Failures {
    fn is_over(self, now_us: i64) -> bool {
        let span = i64::try_from(limits::FAILURES_SPAN.as_micros()).unwrap_or(i64::MAX);
        // a clock that was put back must not shut anybody out for long
        now_us < self.since_us || now_us >= self.since_us.saturating_add(span)
    }
}

impl Attempts {
    /// Whether an address has failed too often to be heard now.
    pub(super) fn too_many(&self, from: IpAddr, now_us: i64) -> bool {
        let failing = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        failing.get(&subscriber(from)).is_some_and(|f| f.count >= limits::FAILURES && !f.is_over(now_us))
    }

    /// Counts a failure.
    pub(super) fn failed(&self, from: IpAddr, now_us: i64) {
        let mut failing = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let from = subscriber(from);
        if !failing.contains_key(&from) && failing.len() >= limits::FAILING_ADDRESSES {
            failing.retain(|_, f| !f.is_over(now_us));
            if failing.len() >= limits::FAILING_ADDRESSES {
                let oldest = failing.iter().min_by_key(|(_, f)| f.since_us).map(|(address, _)| *address);
                oldest.map(|oldest| failing.remove(&oldest));
            }
        }
        let failures = failing.entry(from).or_insert(Failures { since_us: now_us, count: 0 });
        if failures.is_over(now_us) {
            *failures = Failures { since_us: now_us, count: 0 };
        }
        failures.count = failures.count.saturating_add(1);
    }
}

/// What is counted as one: the network of an IPv6 address, for whoever has one address has all of it.
fn subscriber(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V4(v4) => IpAddr::V4(v4),
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() >> 64 << 64)),
    }
}
