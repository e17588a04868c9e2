//! Dates in a query and in a document: each means a span, from its first instant to the last of its precision, and R4
//! says for each prefix how two spans must lie to one another.

use chrono::{DateTime, Days, Months, NaiveDate, NaiveTime, TimeDelta};
use chrono_tz::Tz;
use serde_json::Value;

use super::path::Found;
use crate::care::time::local_instant;

/// Half-open, in microseconds; what has no beginning or no end reaches as far as there are numbers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::rest) struct Span {
    /// Its first instant.
    pub(in crate::rest) from: i64,
    /// The instant after its last.
    pub(in crate::rest) to: i64,
}

/// How a date in a document must lie to the one in a query.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Prefix {
    /// In it.
    Eq,
    /// Not in it.
    Ne,
    /// Partly after it.
    Gt,
    /// Partly before it.
    Lt,
    /// In it, or partly after it.
    Ge,
    /// In it, or partly before it.
    Le,
    /// All after it.
    Sa,
    /// All before it.
    Eb,
    /// Near it: not farther than a tenth of the time between it and now.
    Ap,
}

/// Each prefix as it is written.
const PREFIXES: [(&str, Prefix); 9] = [
    ("eq", Prefix::Eq),
    ("ne", Prefix::Ne),
    ("gt", Prefix::Gt),
    ("lt", Prefix::Lt),
    ("ge", Prefix::Ge),
    ("le", Prefix::Le),
    ("sa", Prefix::Sa),
    ("eb", Prefix::Eb),
    ("ap", Prefix::Ap),
];

impl Prefix {
    /// The prefix of a date or a number in a query, and what follows it.
    pub(super) fn split(text: &str) -> (Prefix, &str) {
        let said = PREFIXES.iter().find_map(|(name, prefix)| Some((*prefix, text.strip_prefix(name)?)));
        said.unwrap_or((Prefix::Eq, text))
    }
}

/// Prefix and span of a date in a query; none if it is no date.
pub(super) fn wanted(text: &str, zone: Tz) -> Option<(Prefix, Span)> {
    let (prefix, date) = Prefix::split(text);
    Some((prefix, span(date, zone)?))
}

/// The span of a date or a time. Without an offset the time on the walls of the site is meant.
pub(in crate::rest) fn span(date: &str, zone: Tz) -> Option<Span> {
    if !date.is_ascii() {
        return None;
    }
    let (from, to) = match date.split_once('T') {
        None => days(date, zone)?,
        Some((day, time)) => instant(day, time, zone)?,
    };
    Some(Span { from, to })
}

/// The span of something in a document; none if it is no date.
pub(super) fn found(found: Found<'_>, zone: Tz) -> Option<Span> {
    let text = |value: &Value, name: &str| value.get(name).and_then(Value::as_str).map(str::to_owned);
    let period = |value: &Value| {
        let (start, end) = (text(value, "start"), text(value, "end"));
        if start.is_none() && end.is_none() {
            return None;
        }
        let from = start.map_or(Some(i64::MIN), |s| Some(span(&s, zone)?.from))?;
        let to = end.map_or(Some(i64::MAX), |e| Some(span(&e, zone)?.to))?;
        Some(Span { from, to })
    };
    let value = found.value;
    if let Some(date) = value.as_str() {
        let is_date = matches!(found.of, "" | "Date" | "DateTime" | "Instant");
        return if is_date { span(date, zone) } else { None };
    }
    if value.get("event").is_none() && value.get("repeat").is_none() {
        return period(value);
    }
    // of a Timing only its outer limits matter
    let events = value.get("event").and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default();
    let spans = events.iter().filter_map(|e| span(e.as_str()?, zone));
    let bounds = value.get("repeat").and_then(|r| r.get("boundsPeriod")).and_then(period);
    spans.chain(bounds).reduce(|a, b| Span { from: a.from.min(b.from), to: a.to.max(b.to) })
}

impl Span {
    /// Whether a span in a document lies to this one, of a query, as the prefix says.
    pub(super) fn fits(self, prefix: Prefix, there: Span, now_us: i64) -> bool {
        let within = self.from <= there.from && there.to <= self.to;
        match prefix {
            Prefix::Eq => within,
            Prefix::Ne => !within,
            Prefix::Gt => there.to > self.to,
            Prefix::Lt => there.from < self.from,
            Prefix::Ge => within || there.to > self.to,
            Prefix::Le => within || there.from < self.from,
            Prefix::Sa => there.from >= self.to,
            Prefix::Eb => there.to <= self.from,
            Prefix::Ap => {
                let far = self.from.saturating_sub(now_us).saturating_abs() / 10;
                there.from < self.to.saturating_add(far) && there.to > self.from.saturating_sub(far)
            }
        }
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
