//! Dates in a query: each means a span, from its first instant to the last of its precision.

use chrono::{DateTime, Days, Months, NaiveDate, NaiveTime, TimeDelta};
use chrono_tz::Tz;

use crate::care::time::local_instant;

/// What a prefix compares.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Prefix {
    /// In the span.
    Eq,
    /// Not in the span.
    Ne,
    /// After the span.
    Gt,
    /// Before the span.
    Lt,
    /// In or after the span.
    Ge,
    /// In or before the span.
    Le,
}

/// Prefix and span, in microseconds, of a date in a query; none if it is no date.
///
/// Without an offset the time on the walls of the site is meant.
pub(super) fn span(text: &str, zone: Tz) -> Option<(Prefix, i64, i64)> {
    let (prefix, date) = match text.get(..2) {
        Some("eq") => (Prefix::Eq, text.get(2..)?),
        Some("ne") => (Prefix::Ne, text.get(2..)?),
        Some("gt" | "sa") => (Prefix::Gt, text.get(2..)?),
        Some("lt" | "eb") => (Prefix::Lt, text.get(2..)?),
        Some("ge") => (Prefix::Ge, text.get(2..)?),
        Some("le") => (Prefix::Le, text.get(2..)?),
        _ => (Prefix::Eq, text),
    };
    let (from, to) = span_of(date, zone)?;
    Some((prefix, from, to))
}

/// The span of a date or an instant, in microseconds; none if it is none.
pub(in crate::rest) fn span_of(date: &str, zone: Tz) -> Option<(i64, i64)> {
    if !date.is_ascii() {
        return None;
    }
    match date.split_once('T') {
        None => days(date, zone),
        Some((day, time)) => instant(day, time, zone),
    }
}

fn days(date: &str, zone: Tz) -> Option<(i64, i64)> {
    let (first, last) = calendar(date)?;
    let start = |day| local_instant(day, NaiveTime::MIN, zone).micros();
    Some((start(first), start(last.checked_add_days(Days::new(1))?)))
}

/// First and last day of a year, a month or a day.
pub(in crate::rest) fn calendar(date: &str) -> Option<(NaiveDate, NaiveDate)> {
    let digits = |text: Option<&str>| {
        text.filter(|t| t.bytes().all(|b| b.is_ascii_digit())).and_then(|t| t.parse().ok())
    };
    let year: i32 = digits(date.get(..4)).and_then(|y: u32| i32::try_from(y).ok()).filter(|y| *y > 0)?;
    let first = match date.len() {
        4 => NaiveDate::from_ymd_opt(year, 1, 1)?,
        7 if date.get(4..5) == Some("-") => NaiveDate::from_ymd_opt(year, digits(date.get(5..7))?, 1)?,
        10 if date.get(4..5) == Some("-") && date.get(7..8) == Some("-") => {
            NaiveDate::from_ymd_opt(year, digits(date.get(5..7))?, digits(date.get(8..10))?)?
        }
        _ => return None,
    };
    let months = match date.len() {
        4 => 12,
        7 => 1,
        _ => return Some((first, first)),
    };
    Some((first, first.checked_add_months(Months::new(months))?.pred_opt()?))
}

fn instant(day: &str, time: &str, zone: Tz) -> Option<(i64, i64)> {
    let (day, last) = calendar(day)?;
    if day != last {
        return None;
    }
    // a plus that was not percent-encoded has become a space
    let sign = time.find(['Z', '+', '-', ' ']);
    let (clock, offset) = time.split_at(sign.unwrap_or(time.len()));
    let (whole, fraction) = clock.split_once('.').unwrap_or((clock, ""));
    let (minutes, known) = match whole.len() {
        5 => (format!("{whole}:00"), TimeDelta::minutes(1)),
        8 => (whole.to_owned(), TimeDelta::seconds(1)),
        _ => return None,
    };
    let time = NaiveTime::parse_from_str(&minutes, "%H:%M:%S").ok()?;
    let start = if offset.is_empty() {
        local_instant(day, time, zone).micros()
    } else {
        let offset = offset.replace(' ', "+");
        DateTime::parse_from_rfc3339(&format!("{day}T{minutes}{offset}")).ok()?.timestamp_micros()
    };
    let micros = |us: TimeDelta| us.num_microseconds();
    if fraction.is_empty() && !clock.ends_with('.') {
        return Some((start, start.checked_add(micros(known)?)?));
    }
    if whole.len() != 8 || !(1..=9).contains(&fraction.len()) || !fraction.bytes().all(|b| b.is_ascii_digit())
    {
        return None;
    }
    let nanos: i64 = format!("{fraction:0<9}").parse().ok()?;
    let width = 10_i64.checked_pow(u32::try_from(9 - fraction.len()).ok()?)?;
    let from = start.checked_add(nanos / 1_000)?;
    Some((from, from.checked_add((width / 1_000).max(1))?))
}
