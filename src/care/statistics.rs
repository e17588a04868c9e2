//! Intervals for the sums.

/// The 0.975 quantile of the standard normal distribution.
const Z: f64 = 1.959_963_984_540_054;

/// The 95 % score interval of Wilson (1927) for `events` of `of`, without continuity correction; none if `of` is 0 or
/// `events` exceeds it. At 0 and at `of` the limit is exactly 0 and 1.
pub fn wilson(events: u64, of: u64) -> Option<(f64, f64)> {
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
