//! Shares: so many of so many.

use super::distribution::{binomial_above, binomial_below, rising};
use super::{Interval, TAIL, Z};

/// The 95 % score interval of Wilson (1927) for `events` of `of`, without continuity correction; none if `of` is 0 or
/// `events` exceeds it. At 0 and at `of` the limit is exactly 0 and 1.
pub fn wilson(events: u64, of: u64) -> Option<Interval> {
    if of == 0 || events > of {
        return None;
    }
    let (n, p, z2) = (of as f64, events as f64 / of as f64, Z * Z);
    let middle = p + z2 / (2.0 * n);
    let half = Z * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    let scale = 1.0 + z2 / n;
    let low = if events == 0 { 0.0 } else { ((middle - half) / scale).max(0.0) };
    let high = if events == of { 1.0 } else { ((middle + half) / scale).min(1.0) };
    Some((low, high))
}

/// The 95 % interval of the difference of two independent shares, `a` of `of_a` less `b` of `of_b`: Newcombe's hybrid of
/// the two score intervals (Stat Med 1998;17:873-890, method 10). None where either share is none.
pub fn newcombe(a: u64, of_a: u64, b: u64, of_b: u64) -> Option<Interval> {
    let ((low_a, high_a), (low_b, high_b)) = (wilson(a, of_a)?, wilson(b, of_b)?);
    let (p, q) = (a as f64 / of_a as f64, b as f64 / of_b as f64);
    let below = ((p - low_a).powi(2) + (high_b - q).powi(2)).sqrt();
    let above = ((high_a - p).powi(2) + (q - low_b).powi(2)).sqrt();
    Some((p - q - below, p - q + above))
}

/// The 95 % mid-P interval for `events` of `of`: the shares at which the observed count and half its own probability
/// leave 2.5 % beyond (Lancaster, JASA 1961;56:223-234). None if `of` is 0 or `events` exceeds it. At 0 and at `of` the
/// limit is exactly 0 and 1.
pub fn mid_p(events: u64, of: u64) -> Option<Interval> {
    if of == 0 || events > of {
        return None;
    }
    let low = if events == 0 { 0.0 } else { rising(0.0, 1.0, TAIL, |p| binomial_above(events, of, p)) };
    let high = if events == of { 1.0 } else { rising(0.0, 1.0, -TAIL, |p| -binomial_below(events, of, p)) };
    Some((low, high))
}
