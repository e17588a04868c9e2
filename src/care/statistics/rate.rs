//! Rates: so many events in so much time (patient-days, ventilator-days).

use super::distribution::{binomial_above, binomial_below, poisson_above, poisson_below, rising};
use super::{Interval, TAIL, Z, share};

/// From this count on the limits are those of Byar's formula, which then agrees with the exact ones to better than a
/// part in a million; the exact ones take time that grows with the root of the count.
const EXACT_BELOW: u64 = 1_000_000;

/// A rate and its 95 % interval, in the unit of the exposure.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rate {
    /// Events for each unit of exposure.
    pub value: f64,
    /// Mid-P limits.
    pub interval: Interval,
}

/// The ratio of two rates and its 95 % interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RateRatio {
    /// The first rate divided by the second; none where there was no event in the second.
    pub value: Option<f64>,
    /// Lower limit.
    pub low: f64,
    /// Upper limit; none where there was no event in the second: it has no bound.
    pub high: Option<f64>,
    /// Two-sided mid-P value of the hypothesis that both rates are the same.
    pub p: f64,
}

/// The 95 % mid-P limits of the mean of a Poisson count of which `events` were seen: the means at which the observed
/// count and half its own probability leave 2.5 % beyond. The lower limit of no event is exactly 0.
pub fn mid_p(events: u64) -> Interval {
    if events >= EXACT_BELOW {
        return byar(events as f64 + 0.5);
    }
    let (x, root) = (events as f64, (events as f64).sqrt());
    let low = match events {
        0 => 0.0,
        _ => rising((x - 3.0 * root - 3.0).max(0.0), x, TAIL, |mean| poisson_above(events, mean)),
    };
    let high = rising(x, x + 3.0 * root + 6.0, -TAIL, |mean| -poisson_below(events, mean));
    (low, high)
}

/// Byar's formula at `x`, the count and a half (Rothman and Boice, NIH 79-1649, as quoted by epidemiology texts; from
/// memory).
fn byar(x: f64) -> Interval {
    let limit = |sign: f64| x * (1.0 - 1.0 / (9.0 * x) + sign * Z / (3.0 * x.sqrt())).powi(3);
    (limit(-1.0), limit(1.0))
}

/// `events` in `exposure`; none where the exposure is not more than 0.
pub fn rate(events: u64, exposure: f64) -> Option<Rate> {
    let (low, high) = mid_p(events);
    some_exposure(exposure)
        .then(|| Rate { value: events as f64 / exposure, interval: (low / exposure, high / exposure) })
}

/// The rate of `a` events in `of_a` divided by that of `b` in `of_b`. Given the sum of the events, the first is binomial;
/// its mid-P limits give those of the ratio (conditional method; Rothman, Modern Epidemiology, from memory). None
/// where an exposure is not more than 0, or there was no event at all.
pub fn ratio(a: u64, of_a: f64, b: u64, of_b: f64) -> Option<RateRatio> {
    if !some_exposure(of_a) || !some_exposure(of_b) {
        return None;
    }
    let all = a.checked_add(b)?;
    let (low, high) = share::mid_p(a, all)?;
    let odds = |share: f64| share / (1.0 - share) * (of_b / of_a);
    let even = of_a / (of_a + of_b);
    let p = 2.0 * binomial_above(a, all, even).min(binomial_below(a, all, even));
    Some(RateRatio {
        value: (b > 0).then(|| a as f64 / of_a / (b as f64 / of_b)),
        low: odds(low),
        high: (b > 0).then(|| odds(high)),
        p: p.min(1.0),
    })
}

fn some_exposure(exposure: f64) -> bool {
    exposure > 0.0 && exposure.is_finite()
}
