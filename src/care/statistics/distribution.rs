//! Tails of the binomial and the Poisson distribution in which the observed value counts half (mid-P).

use statrs::function::beta::checked_beta_reg;
use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur};

/// `P(X > events) + P(X = events) / 2` for a Poisson count of this mean.
pub(super) fn poisson_above(events: u64, mean: f64) -> f64 {
    if mean <= 0.0 {
        return if events == 0 { 0.5 } else { 0.0 };
    }
    let at_least = |k: f64| if k == 0.0 { 1.0 } else { checked_gamma_lr(k, mean).unwrap_or(0.0) };
    (at_least(events as f64) + at_least(events as f64 + 1.0)) / 2.0
}

/// `P(X < events) + P(X = events) / 2` for a Poisson count of this mean.
pub(super) fn poisson_below(events: u64, mean: f64) -> f64 {
    if mean <= 0.0 {
        return if events == 0 { 0.5 } else { 1.0 };
    }
    let below = |k: f64| if k == 0.0 { 0.0 } else { checked_gamma_ur(k, mean).unwrap_or(0.0) };
    (below(events as f64) + below(events as f64 + 1.0)) / 2.0
}

/// `P(X > events) + P(X = events) / 2` for so many `of` with this share each.
pub(super) fn binomial_above(events: u64, of: u64, share: f64) -> f64 {
    (at_least(events, of, share) + at_least(events.saturating_add(1), of, share)) / 2.0
}

/// `P(X < events) + P(X = events) / 2` for so many `of` with this share each.
pub(super) fn binomial_below(events: u64, of: u64, share: f64) -> f64 {
    binomial_above(of.saturating_sub(events), of, 1.0 - share)
}

/// `P(X >= events)`, by the regularised incomplete beta function.
pub(super) fn at_least(events: u64, of: u64, share: f64) -> f64 {
    if events == 0 {
        return 1.0;
    }
    if events > of {
        return 0.0;
    }
    checked_beta_reg(events as f64, (of - events) as f64 + 1.0, share).unwrap_or(0.0)
}

/// Where the rising function `f` reaches `target` between `low` and `high`, to the last bit that halving can tell.
pub(super) fn rising(low: f64, high: f64, target: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (low, high);
    loop {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            return middle;
        }
        if f(middle) < target { low = middle } else { high = middle }
    }
}
