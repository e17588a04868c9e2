//! Medians and percentiles.
//!
//! A percentile here is always one of the values: the smallest that at least so many per hundred of all values do not
//! exceed (the inverse of the empirical distribution; definition 1 of Hyndman and Fan, Am Stat 1996;50:361-365). It needs
//! no arithmetic on the values, so it can be had of counts that were added up over stays. The median of an even number
//! of values is thus the lower of the middle two.

use std::collections::BTreeMap;

/// The `per_hundred`-th percentile of values that were seen so often; none where nothing was seen, or for more than
/// 100.
pub fn percentile<T: Ord + Copy>(seen: &BTreeMap<T, u64>, per_hundred: u32) -> Option<T> {
    let all: u128 = seen.values().map(|times| u128::from(*times)).sum();
    if all == 0 || per_hundred > 100 {
        return None;
    }
    let mut so_far = 0_u128;
    seen.iter().filter(|(_, times)| **times > 0).find_map(|(value, times)| {
        so_far += u128::from(*times);
        (so_far * 100 >= all * u128::from(per_hundred)).then_some(*value)
    })
}

/// The middle of numbers in any order, the mean of the middle two of an even number: the centre of a run chart. None
/// of none.
pub fn middle(numbers: &[f64]) -> Option<f64> {
    let mut sorted = numbers.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    let upper = *sorted.get(half)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    sorted.get(half.checked_sub(1)?).map(|lower| lower + (upper - lower) / 2.0)
}
