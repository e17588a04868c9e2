//! R4's `date`, `dateTime` and `instant`.
//!
//! A date may stop at the year, the month or the day; a time needs its seconds and its offset. Nothing is ever
//! filled in: 2026-01-02 is not midnight of some zone.

use std::cmp::Ordering;

use chrono::{DateTime as ChronoDateTime, Datelike, NaiveDate, Utc};

use super::calendar::{Cursor, FRACTION_DIGITS};
use super::text_primitive;
use crate::error::{Refusal, quoted};

/// How much of a point in time was said.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Precision {
    /// `2026`
    Year,
    /// `2026-01`
    Month,
    /// `2026-01-02`
    Day,
    /// `2026-01-02T03:04:05Z`
    Instant,
}

/// A `dateTime` with its text and its precision. Two are equal when their texts are; see [`DateTime::compare`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DateTime {
    text: Box<str>,
    point: Point,
}

/// A `date`: never more precise than a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Date {
    text: Box<str>,
    point: Point,
}

/// An `instant`: never less precise than a second, with its offset.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InstantTime {
    text: Box<str>,
    point: Point,
}

/// What the text of a `date`, a `dateTime` or an `instant` means. For an instant, `date` is the one that is written, in
/// the offset that is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Point {
    precision: Precision,
    /// The first day of what was said.
    date: NaiveDate,
    /// Seconds since 1970-01-01T00:00:00Z, when a time was said.
    seconds: i64,
    nanos: u32,
}

impl Point {
    fn instant(&self) -> Option<(i64, u32)> {
        (self.precision == Precision::Instant).then_some((self.seconds, self.nanos))
    }

    /// Microseconds since 1970 UTC, when a time was said.
    pub fn instant_us(&self) -> Option<i64> {
        self.instant().map(|(seconds, nanos)| seconds * 1_000_000 + i64::from(nanos / 1000))
    }

    /// How much was said.
    pub fn precision(&self) -> Precision {
        self.precision
    }

    /// The day, when exactly a day was said.
    pub fn date(&self) -> Option<NaiveDate> {
        (self.precision == Precision::Day).then_some(self.date)
    }

    /// The order of two points, to the nanosecond; none where their precision leaves it open.
    pub fn compare(&self, other: &Self) -> Option<Ordering> {
        match (self.instant(), other.instant()) {
            (Some(a), Some(b)) => Some(a.cmp(&b)),
            (None, None) => {
                let shared = self.precision.min(other.precision);
                let (a, b) = (cut(self.date, shared), cut(other.date, shared));
                let order = a.cmp(&b);
                (order != Ordering::Equal || self.precision == other.precision).then_some(order)
            }
            (Some(_), None) | (None, Some(_)) => None,
        }
    }

    /// What `text` means, if it is a `dateTime`.
    pub fn read(text: &str) -> Option<Self> {
        let mut cursor = Cursor::new(text);
        let year = cursor.digits::<4>().filter(|y| *y > 0)?;
        let mut precision = Precision::Year;
        let (mut month, mut day) = (1, 1);
        if cursor.eat(b'-') {
            month = cursor.digits::<2>()?;
            precision = Precision::Month;
            if cursor.eat(b'-') {
                day = cursor.digits::<2>()?;
                precision = Precision::Day;
            }
        }
        let date = NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)?;
        let mut point = Self { precision, date, seconds: 0, nanos: 0 };
        if precision == Precision::Day && cursor.eat(b'T') {
            let clock = cursor.clock()?;
            let offset = cursor.offset()?;
            let days = i64::from(date.num_days_from_ce()) - DAYS_TO_1970;
            point.precision = Precision::Instant;
            point.seconds = days * 86_400 + i64::from(clock.seconds) - i64::from(offset);
            point.nanos = clock.nanos;
        }
        cursor.at_end().then_some(point)
    }
}

/// From 0000-12-31 to 1970-01-01.
const DAYS_TO_1970: i64 = 719_163;

/// The first day of the year, the month or the day itself.
fn cut(date: NaiveDate, precision: Precision) -> (i32, u32, u32) {
    match precision {
        Precision::Year => (date.year(), 0, 0),
        Precision::Month => (date.year(), date.month(), 0),
        Precision::Day | Precision::Instant => (date.year(), date.month(), date.day()),
    }
}

/// Why `text` is no point in time, in the words that help most.
fn why_not(text: &str, name: &str) -> Refusal {
    let day = text.get(..10).filter(|day| text.get(10..11) == Some("T") && Point::read(day).is_some());
    let offsetless = day.is_some() && {
        let mut cursor = Cursor::new(text.get(11..).unwrap_or_default());
        cursor.clock().is_none() || cursor.at_end()
    };
    let hint = if offsetless {
        format!("a time needs seconds, at most {FRACTION_DIGITS} digits of them, and an offset")
    } else {
        "expected YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss+hh:mm of the calendar".to_owned()
    };
    let article = if name.starts_with('i') { "an" } else { "a" };
    Refusal::value(format!("{} is not {article} {name}: {hint}", quoted(text)))
}

impl DateTime {
    pub(crate) fn read(text: &str) -> Result<Self, Refusal> {
        Point::read(text)
            .map(|point| Self { text: text.into(), point })
            .ok_or_else(|| why_not(text, "dateTime"))
    }

    /// What it means.
    pub fn point(&self) -> Point {
        self.point
    }

    /// How much was said.
    pub fn precision(&self) -> Precision {
        self.point.precision
    }

    /// Microseconds since 1970 UTC, when a time was said.
    pub fn instant_us(&self) -> Option<i64> {
        self.point.instant_us()
    }

    /// The day, when exactly a day was said.
    pub fn date(&self) -> Option<NaiveDate> {
        self.point.date()
    }

    /// The order of two points, to the nanosecond; none where their precision leaves it open.
    pub fn compare(&self, other: &Self) -> Option<Ordering> {
        self.point.compare(&other.point)
    }

    /// The instant in UTC, written to the microsecond at most; none outside the years 1 to 9999.
    pub fn from_us(us: i64) -> Option<Self> {
        written(us).and_then(|text| Self::read(&text).ok())
    }

    /// A day.
    pub fn from_date(date: NaiveDate) -> Option<Self> {
        Self::read(&date.format("%Y-%m-%d").to_string()).ok()
    }
}

impl Date {
    pub(crate) fn read(text: &str) -> Result<Self, Refusal> {
        let point = Point::read(text).filter(|p| p.precision != Precision::Instant);
        point.map(|point| Self { text: text.into(), point }).ok_or_else(|| {
            Refusal::value(format!("{} is not a date: expected YYYY, YYYY-MM or YYYY-MM-DD", quoted(text)))
        })
    }

    /// How much was said.
    pub fn precision(&self) -> Precision {
        self.point.precision
    }

    /// The day, when a day was said.
    pub fn date(&self) -> Option<NaiveDate> {
        self.point.date()
    }

    /// A day.
    pub fn from_date(date: NaiveDate) -> Option<Self> {
        Self::read(&date.format("%Y-%m-%d").to_string()).ok()
    }
}

impl InstantTime {
    pub(crate) fn read(text: &str) -> Result<Self, Refusal> {
        let point = Point::read(text).filter(|p| p.precision == Precision::Instant);
        point.map(|point| Self { text: text.into(), point }).ok_or_else(|| why_not(text, "instant"))
    }

    /// Microseconds since 1970 UTC.
    pub fn us(&self) -> i64 {
        self.point.instant_us().unwrap_or_default()
    }

    /// The instant in UTC, written to the microsecond at most; none outside the years 1 to 9999.
    pub fn from_us(us: i64) -> Option<Self> {
        written(us).and_then(|text| Self::read(&text).ok())
    }
}

fn written(us: i64) -> Option<String> {
    let at: ChronoDateTime<Utc> = ChronoDateTime::from_timestamp_micros(us)?;
    (1..=9999).contains(&at.year()).then(|| {
        let format = match us.rem_euclid(1_000_000) {
            0 => "%Y-%m-%dT%H:%M:%SZ",
            us if us % 1000 == 0 => "%Y-%m-%dT%H:%M:%S%.3fZ",
            _ => "%Y-%m-%dT%H:%M:%S%.6fZ",
        };
        at.format(format).to_string()
    })
}

text_primitive!(DateTime, "a dateTime");
text_primitive!(Date, "a date");
text_primitive!(InstantTime, "an instant");
