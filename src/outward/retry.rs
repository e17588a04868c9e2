//! When a server wants to be asked again.

use chrono::DateTime;
use reqwest::header::{HeaderMap, RETRY_AFTER};

use super::limits;

/// The pause in microseconds that an answer asks for with `Retry-After` (RFC 9110, 10.2.3): seconds, or a date that is
/// compared with `now_us`. At most `most_us`; what is neither is not heard.
pub fn retry_after(headers: &HeaderMap, now_us: i64, most_us: i64) -> Option<i64> {
    let text = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    let asked_us = if !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit()) {
        text.parse::<i64>().unwrap_or(i64::MAX).saturating_mul(1_000_000)
    } else {
        DateTime::parse_from_rfc2822(text).ok()?.timestamp_micros().saturating_sub(now_us)
    };
    Some(asked_us.clamp(0, most_us))
}

/// A pause after so many failures in a row, in microseconds: any up to one that doubles with each (full jitter).
pub fn jitter_us(tries: u32) -> i64 {
    let most = limits::PAUSE_US.saturating_mul(1 << tries.min(16)).min(limits::LONGEST_PAUSE_US);
    fastrand::i64(limits::PAUSE_US / 2..=most)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pause_is_seconds_or_a_date_and_never_absurd() {
        let asked = |text: &str| {
            let headers = HeaderMap::from_iter([(RETRY_AFTER, text.parse().unwrap())]);
            retry_after(&headers, 1_767_225_600_000_000, 3_600_000_000)
        };
        assert_eq!(asked("120"), Some(120_000_000));
        assert_eq!(asked("Thu, 01 Jan 2026 00:00:30 GMT"), Some(30_000_000));
        assert_eq!(asked("Wed, 31 Dec 2025 00:00:30 GMT"), Some(0));
        assert_eq!(asked("99999999999999999999999"), Some(3_600_000_000));
        assert_eq!(asked("1e99"), None);
        assert_eq!(asked("-5"), None);
        assert_eq!(asked(""), None);
    }
}
