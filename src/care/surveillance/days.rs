//! Days of ventilation and the lowest settings held on each.

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;

use super::charted::{Charting, Mode, Reading};
use crate::care::facts::Source;
use crate::care::time::{Length, Span, Spans, TICK};

/// How long a level must be held to be a daily minimum (from memory).
const HELD: Length = Length::hours(1);

/// Readings further apart than this are less than hourly: an hour, and a quarter of one for a nurse who is late.
const HOURLY: Length = Length::minutes(75);

/// PEEP from 0 to 5 cmH2O counts as 5 (published as a heading of the protocol's questions; the rule from memory). In
/// hundredths.
const FLOOR: i64 = 500;

/// Days on end with some ventilation each: it takes a whole calendar day without to end one, and the next begins again
/// with day 1 (from memory).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Episode {
    /// Day 1.
    pub first: NaiveDate,
    /// The last day with some ventilation so far.
    pub last: NaiveDate,
}

/// A day of ventilation.
#[derive(Clone, PartialEq, Debug)]
pub struct VentilatorDay {
    /// The local day.
    pub day: NaiveDate,
    /// Its number in the episode; the day ventilation began is 1.
    pub number: u32,
    /// In hundredths of cmH2O, at least 500; none where it was not charted or is disregarded.
    pub peep: Option<Minimum>,
    /// In hundredths of a percent; none where it was not charted.
    pub fio2: Option<Minimum>,
}

/// The daily minimum of a setting.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Minimum {
    /// How much.
    pub value: i64,
    /// Why this one.
    pub basis: Basis,
    /// The readings.
    pub sources: Vec<Source>,
}

/// How a daily minimum came about.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Basis {
    /// The lowest level that was held for an hour.
    Held,
    /// The lowest of the day: it was charted less often than hourly, or no level was held for an hour.
    Lowest,
}

/// The days that many before `day`.
pub(super) fn before(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_sub_days(Days::new(days)).unwrap_or(day)
}

/// The days that many after `day`.
pub(super) fn after(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_add_days(Days::new(days)).unwrap_or(day)
}

/// Episodes of the time on the ventilator.
pub(super) fn episodes(ventilated: &Spans, zone: Tz) -> Vec<Episode> {
    let mut out: Vec<Episode> = Vec::new();
    for span in ventilated.iter() {
        let (first, last) = (span.from.day(zone), (span.to - TICK).day(zone));
        match out.last_mut() {
            Some(episode) if first <= after(episode.last, 1) => episode.last = last,
            Some(_) | None => out.push(Episode { first, last }),
        }
    }
    out
}

/// The days of the episodes, with the minima of what was charted while on the ventilator.
pub(super) fn days(
    episodes: &[Episode],
    ventilated: &Spans,
    charting: &Charting,
    zone: Tz,
) -> Vec<VentilatorDay> {
    let watched = |without: &'static [Mode]| {
        move |reading: &&Reading| {
            // the end is inside: the last row of a flowsheet often ends the time that it tells of
            let on = ventilated.contains(reading.at) || ventilated.contains(reading.at - TICK);
            on && !charting.in_mode(reading.at, without)
        }
    };
    let mut peep: Vec<Reading> = charting
        .peep
        .iter()
        .filter(watched(&[Mode::Excluded, Mode::PressureRelease]))
        .map(|r| Reading { value: r.value.max(FLOOR), ..r.clone() })
        .collect();
    let mut fio2: Vec<Reading> = charting.fio2.iter().filter(watched(&[Mode::Excluded])).cloned().collect();
    peep.sort();
    fio2.sort();
    let numbered = episodes
        .iter()
        .flat_map(|episode| episode.first.iter_days().take_while(|day| *day <= episode.last).zip(1_u32..));
    numbered
        .map(|(day, number)| {
            let whole = Span::day(day, zone);
            let minimum = |readings: &[Reading]| minimum(within(readings, whole));
            VentilatorDay { day, number, peep: minimum(&peep), fio2: minimum(&fio2) }
        })
        .collect()
}

/// Of readings in the order of time those in a span.
pub(super) fn within(readings: &[Reading], span: Span) -> &[Reading] {
    let from = readings.partition_point(|r| r.at < span.from);
    let to = readings.partition_point(|r| r.at < span.to);
    readings.get(from..to).unwrap_or_default()
}

/// The daily minimum of a day's readings, in the order of time: the lowest value that was held for at least an hour or
/// stands where charting was less than hourly; where there is none, the lowest. Held means that readings one after the
/// other show the same value: two hourly, three half-hourly, five quarter-hourly ones (from memory).
fn minimum(readings: &[Reading]) -> Option<Minimum> {
    let runs: Vec<&[Reading]> = readings.chunk_by(|a, b| a.value == b.value).collect();
    let mut best: Option<(i64, Basis, &[Reading])> = None;
    for (index, run) in runs.iter().enumerate() {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
        let previous = index.checked_sub(1).and_then(|i| runs.get(i)).and_then(|r| r.last());
        let next = runs.get(index + 1).and_then(|r| r.first());
        let sparse = previous.is_some_and(|p| first.at.since(p.at) > HOURLY)
            || next.is_some_and(|n| n.at.since(last.at) > HOURLY)
            || run.iter().zip(run.iter().skip(1)).any(|(a, b)| b.at.since(a.at) > HOURLY);
        let basis = match (sparse, last.at.since(first.at) >= HELD) {
            (true, _) => Basis::Lowest,
            (false, true) => Basis::Held,
            (false, false) => continue,
        };
        if best.is_none_or(|(value, ..)| first.value < value) {
            best = Some((first.value, basis, run));
        }
    }
    let lowest = || {
        let run = runs.iter().min_by_key(|run| run.first().map(|r| r.value))?;
        Some((run.first()?.value, Basis::Lowest, *run))
    };
    let (value, basis, run) = best.or_else(lowest)?;
    Some(Minimum { value, basis, sources: run.iter().map(|r| r.source.clone()).collect() })
}
