//! Instants, half-open spans, sets of spans, and the local calendar.

use std::fmt;

use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, Offset, SecondsFormat, TimeZone, Utc};
use chrono_tz::Tz;

/// A point in time, UTC, in microseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Instant(i64);

/// A length of time in microseconds; negative lengths do not occur in the rules.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Length(i64);

/// All instants `t` with `from <= t < to`. A span with `to <= from` is empty.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span {
    /// First instant inside.
    pub from: Instant,
    /// First instant no longer inside.
    pub to: Instant,
}

/// The smallest length that can be told: one microsecond.
pub const TICK: Length = Length(1);

impl Instant {
    /// Before everything a hospital charts (about the year 1684).
    pub const EARLIEST: Instant = Instant(-9_000_000_000_000_000);
    /// After everything a hospital charts (about the year 2255): the end of what has no end yet.
    pub const LATEST: Instant = Instant(9_000_000_000_000_000);

    /// From microseconds since the epoch; what lies outside `EARLIEST..=LATEST` is brought to the nearer of them,
    /// so that arithmetic on instants cannot overflow.
    pub const fn from_micros(us: i64) -> Self {
        if us < Self::EARLIEST.0 {
            Self::EARLIEST
        } else if us > Self::LATEST.0 {
            Self::LATEST
        } else {
            Instant(us)
        }
    }

    /// Microseconds since the epoch.
    pub fn micros(self) -> i64 {
        self.0
    }

    /// The same instant as chrono has it.
    pub fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_micros(self.0).unwrap_or_default()
    }

    /// The time on the wall in `zone`.
    pub fn local(self, zone: Tz) -> NaiveDateTime {
        self.utc().with_timezone(&zone).naive_local()
    }

    /// The local calendar day in `zone`.
    pub fn day(self, zone: Tz) -> NaiveDate {
        self.local(zone).date()
    }

    /// In RFC 3339 with the offset of `zone`, to the second: how people are shown an instant.
    pub fn shown(self, zone: Tz) -> String {
        self.utc().with_timezone(&zone).to_rfc3339_opts(SecondsFormat::Secs, false)
    }

    /// Time from `earlier` to here; zero if `earlier` is later.
    pub fn since(self, earlier: Instant) -> Length {
        Length((self.0 - earlier.0).max(0))
    }
}

impl From<DateTime<Utc>> for Instant {
    fn from(at: DateTime<Utc>) -> Self {
        Instant::from_micros(at.timestamp_micros())
    }
}

impl std::ops::Add<Length> for Instant {
    type Output = Instant;
    fn add(self, by: Length) -> Instant {
        Instant::from_micros(self.0.saturating_add(by.0))
    }
}

impl std::ops::Sub<Length> for Instant {
    type Output = Instant;
    fn sub(self, by: Length) -> Instant {
        Instant::from_micros(self.0.saturating_sub(by.0))
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.utc().to_rfc3339_opts(SecondsFormat::AutoSi, true))
    }
}

impl fmt::Debug for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Length {
    /// No time at all.
    pub const ZERO: Length = Length(0);

    /// From microseconds.
    pub const fn micros(us: i64) -> Self {
        Length(us)
    }

    /// From whole seconds.
    pub const fn seconds(s: i64) -> Self {
        Length(s * 1_000_000)
    }

    /// From whole minutes.
    pub const fn minutes(m: i64) -> Self {
        Length(m * 60_000_000)
    }

    /// From whole hours.
    pub const fn hours(h: i64) -> Self {
        Length(h * 3_600_000_000)
    }

    /// In microseconds.
    pub const fn as_micros(self) -> i64 {
        self.0
    }

    /// Half of it, rounded down to the microsecond.
    pub const fn half(self) -> Self {
        Length(self.0 / 2)
    }
}

impl std::ops::Add for Length {
    type Output = Length;
    fn add(self, other: Length) -> Length {
        Length(self.0.saturating_add(other.0))
    }
}

impl std::ops::Sub for Length {
    type Output = Length;
    fn sub(self, other: Length) -> Length {
        Length(self.0.saturating_sub(other.0))
    }
}

impl std::ops::AddAssign for Length {
    fn add_assign(&mut self, other: Length) {
        *self = *self + other;
    }
}

impl std::iter::Sum for Length {
    fn sum<I: Iterator<Item = Length>>(lengths: I) -> Length {
        lengths.fold(Length::ZERO, |a, b| a + b)
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (h, m, s) = (self.0 / 3_600_000_000, self.0 / 60_000_000 % 60, self.0 as f64 / 1e6 % 60.0);
        match (h, m) {
            (0, 0) => write!(f, "{s} s"),
            (0, m) if s == 0.0 => write!(f, "{m} min"),
            (0, m) => write!(f, "{m} min {s} s"),
            (h, 0) if s == 0.0 => write!(f, "{h} h"),
            (h, m) if s == 0.0 => write!(f, "{h} h {m} min"),
            (h, m) => write!(f, "{h} h {m} min {s} s"),
        }
    }
}

impl fmt::Debug for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Span {
    /// `[from, to)`.
    pub fn new(from: Instant, to: Instant) -> Self {
        Span { from, to }
    }

    /// True if no instant is inside.
    pub fn is_empty(self) -> bool {
        self.to <= self.from
    }

    /// True if `at` is inside.
    pub fn contains(self, at: Instant) -> bool {
        self.from <= at && at < self.to
    }

    /// What both have in common, possibly empty.
    pub fn and(self, other: Span) -> Span {
        Span { from: self.from.max(other.from), to: self.to.min(other.to) }
    }

    /// How long it is; zero if empty.
    pub fn length(self) -> Length {
        self.to.since(self.from)
    }

    /// The local day `day` in `zone`, midnight to midnight as the wall clock has it: 23, 24 or 25 hours
    /// (or another length where a zone changes its offset by another step).
    pub fn day(day: NaiveDate, zone: Tz) -> Span {
        Span::new(
            local_instant(day, NaiveTime::MIN, zone),
            local_instant(next_day(day), NaiveTime::MIN, zone),
        )
    }
}

impl fmt::Debug for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "[{}, {})", self.from, self.to)
    }
}

/// The day after; the last day chrono knows stays itself.
pub fn next_day(day: NaiveDate) -> NaiveDate {
    day.checked_add_days(Days::new(1)).unwrap_or(day)
}

/// The instant at which the wall clock of `zone` shows `time` on `day`. A time that a clock change skips means the
/// first instant after the gap; one that occurs twice means the first.
pub fn local_instant(day: NaiveDate, time: NaiveTime, zone: Tz) -> Instant {
    let wanted = day.and_time(time);
    if let Some(found) = zone.from_local_datetime(&wanted).earliest() {
        return found.with_timezone(&Utc).into();
    }
    // Skipped. With the offset in force before the change, the wanted time lies as far behind the change as it lies
    // inside the gap; the change itself is found by halving, which asks nothing of the zone but its offsets.
    let (mut before, mut after) =
        (wanted.and_utc() - chrono::Duration::days(1), wanted.and_utc() + chrono::Duration::days(1));
    let offset_at = |t: DateTime<Utc>| zone.offset_from_utc_datetime(&t.naive_utc()).fix();
    let old = offset_at(before);
    while after - before > chrono::Duration::microseconds(1) {
        let middle = before + (after - before) / 2;
        if offset_at(middle) == old { before = middle } else { after = middle }
    }
    after.into()
}

/// Spans that are sorted, not empty, and do not touch.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Spans(Vec<Span>);

impl Spans {
    /// No time at all.
    pub const fn none() -> Self {
        Spans(Vec::new())
    }

    /// All time.
    pub fn all() -> Self {
        Spans(vec![Span::new(Instant::EARLIEST, Instant::LATEST)])
    }

    /// The union of `spans`, given in any order and overlapping at will.
    pub fn union(spans: impl IntoIterator<Item = Span>) -> Self {
        Self::bridged(spans, Length::ZERO)
    }

    /// The union of `spans` in which gaps of at most `bridge` are closed.
    pub fn bridged(spans: impl IntoIterator<Item = Span>, bridge: Length) -> Self {
        let mut sorted: Vec<Span> = spans.into_iter().filter(|s| !s.is_empty()).collect();
        sorted.sort_unstable();
        let mut out: Vec<Span> = Vec::with_capacity(sorted.len());
        for span in sorted {
            match out.last_mut() {
                Some(last) if span.from <= last.to + bridge => last.to = last.to.max(span.to),
                Some(_) | None => out.push(span),
            }
        }
        Spans(out)
    }

    /// What lies in both.
    pub fn and(&self, other: &Spans) -> Spans {
        let (mut out, mut i, mut j) = (Vec::new(), 0, 0);
        while let (Some(a), Some(b)) = (self.0.get(i), other.0.get(j)) {
            let both = a.and(*b);
            if !both.is_empty() {
                out.push(both);
            }
            if a.to < b.to { i += 1 } else { j += 1 }
        }
        Spans(out)
    }

    /// What lies in this and not in `other`.
    pub fn minus(&self, other: &Spans) -> Spans {
        self.and(&other.rest())
    }

    /// All time that is not inside.
    pub fn rest(&self) -> Spans {
        let mut out = Vec::with_capacity(self.0.len() + 1);
        let mut from = Instant::EARLIEST;
        for span in &self.0 {
            if from < span.from {
                out.push(Span::new(from, span.from));
            }
            from = span.to;
        }
        if from < Instant::LATEST {
            out.push(Span::new(from, Instant::LATEST));
        }
        Spans(out)
    }

    /// What lies in `span`.
    pub fn within(&self, span: Span) -> Spans {
        Spans(self.iter().map(|s| s.and(span)).filter(|s| !s.is_empty()).collect())
    }

    /// True if `at` is inside one of them.
    pub fn contains(&self, at: Instant) -> bool {
        let after = self.0.partition_point(|s| s.to <= at);
        self.0.get(after).is_some_and(|s| s.from <= at)
    }

    /// From the first instant to the last; none if empty.
    pub fn hull(&self) -> Option<Span> {
        Some(Span::new(self.0.first()?.from, self.0.last()?.to))
    }

    /// The spans between: what lies in the hull and not inside.
    pub fn gaps(&self) -> impl Iterator<Item = Span> + '_ {
        self.0.iter().zip(self.0.iter().skip(1)).map(|(a, b)| Span::new(a.to, b.from))
    }

    /// Total time.
    pub fn length(&self) -> Length {
        self.iter().map(Span::length).sum()
    }

    /// Total time inside `span`.
    pub fn length_within(&self, span: Span) -> Length {
        let first = self.0.partition_point(|s| s.to <= span.from);
        self.0.iter().skip(first).take_while(|s| s.from < span.to).map(|s| s.and(span).length()).sum()
    }

    /// The last of them.
    pub fn last(&self) -> Option<Span> {
        self.0.last().copied()
    }

    /// In order.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = Span> + '_ {
        self.0.iter().copied()
    }

    /// True if there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}
