//! Observed against expected, as surveillance publishes it (a standardised ratio).
//!
//! The rules for when something is not computed are those that CDC prints for its standardised infection ratio (Keys to
//! Success with the SIR): no ratio where less than 1.0 was expected, no lower limit where nothing was observed. That its
//! limits are mid-P is from memory.

use super::distribution::{poisson_above, poisson_below};
use super::rate::mid_p;

/// Less expected than this gives no ratio: one event more or less would say everything.
const LEAST_EXPECTED: f64 = 1.0;

/// So many observed of so many expected.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Standardised {
    /// Observed divided by expected.
    pub ratio: f64,
    /// Lower 95 % limit; none where nothing was observed.
    pub low: Option<f64>,
    /// Upper 95 % limit.
    pub high: f64,
    /// Two-sided mid-P value of the hypothesis that the ratio is 1.
    pub p: f64,
}

/// `observed` against `expected`; none where fewer than 1.0 were expected, or the number is not finite.
pub fn standardised(observed: u64, expected: f64) -> Option<Standardised> {
    if !expected.is_finite() || expected < LEAST_EXPECTED {
        return None;
    }
    let (low, high) = mid_p(observed);
    let p = 2.0 * poisson_above(observed, expected).min(poisson_below(observed, expected));
    Some(Standardised {
        ratio: observed as f64 / expected,
        low: (observed > 0).then(|| low / expected),
        high: high / expected,
        p: p.min(1.0),
    })
}
