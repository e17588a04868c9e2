//! Signs of infection around an event: what makes it an infection-related one.
//!
//! Temperature below 36 or above 38 °C, or white cells of at most 4,000 or at least 12,000 in a microlitre, and a new
//! antimicrobial that is given for at least four days (published: PMC5721221, table 1; that the first two are strict
//! and the others not agrees with its signs and is otherwise from memory).

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::charted::{Charting, Reading};
use super::days::{after, before};
use crate::care::facts::Source;
use crate::care::time::Span;

/// Below is too cold, in thousandths of a degree Celsius.
const COLD: i64 = 36_000;
/// Above is too hot.
const HOT: i64 = 38_000;
/// Not more is too few, in a microlitre.
const FEW: i64 = 4_000;
/// Not less is too many.
const MANY: i64 = 12_000;

/// So many days on end of new antimicrobials are treatment, not a try.
const QUALIFYING_DAYS: usize = 4;

/// An agent that was given on one of so many days before is not new (from memory).
const NOT_NEW_DAYS: u64 = 2;

/// Whether an event comes with signs of infection.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Infection {
    /// All that the rule asks for was charted: an infection-related event (IVAC).
    Found,
    /// It was looked for, and is not there.
    NotFound,
    /// The record does not say: neither temperature nor white cells in the window, or no antimicrobial at all in the
    /// whole stay, which may as well mean that they are not sent here.
    NotCharted,
}

/// Signs of infection of one day.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Sign {
    /// Lowest and highest temperature, in thousandths of a degree Celsius.
    pub temperature: Option<(i64, i64)>,
    /// Lowest and highest count of white cells in a microlitre.
    pub white_cells: Option<(i64, i64)>,
    /// The antimicrobials given.
    pub given: BTreeSet<Arc<str>>,
    /// Whether the day counts towards the four.
    pub qualifying: bool,
    /// What it rests on.
    pub sources: BTreeSet<Source>,
}

/// What was found around an event.
pub(super) struct FoundSigns {
    pub(super) infection: Infection,
    /// Days on which an agent that was new in the window was given, or paused for a day.
    pub(super) qualifying: BTreeSet<NaiveDate>,
}

/// Looks for signs of infection in a window of days.
pub(super) fn infection(charting: &Charting, window: (NaiveDate, NaiveDate), zone: Tz) -> FoundSigns {
    let span = Span::new(Span::day(window.0, zone).from, Span::day(window.1, zone).to);
    let inside = |readings: &[Reading]| -> Vec<i64> {
        readings.iter().filter(|r| span.contains(r.at)).map(|r| r.value).collect()
    };
    let (temperature, cells) = (inside(&charting.temperature), inside(&charting.white_cells));
    let abnormal = temperature.iter().any(|t| *t < COLD || HOT < *t)
        || cells.iter().any(|cells| *cells <= FEW || MANY <= *cells);
    let qualifying = qualifying_days(charting, window);
    let treated = qualifying.iter().any(|day| {
        let mut next = day.iter_days().take(QUALIFYING_DAYS);
        next.all(|day| qualifying.contains(&day))
    });
    let charted = !temperature.is_empty() || !cells.is_empty();
    let infection = match (abnormal, treated) {
        (true, true) => Infection::Found,
        (true, false) if charting.given.is_empty() => Infection::NotCharted,
        (false, _) if !charted => Infection::NotCharted,
        (true | false, _) => Infection::NotFound,
    };
    FoundSigns { infection, qualifying }
}

/// Qualifying antimicrobial days: for each agent that was given on a day of the window and on neither of the two days
/// before it, the days from then on which it was given, a single day without it between two of them included. The
/// days of several such agents add up (from memory).
fn qualifying_days(charting: &Charting, window: (NaiveDate, NaiveDate)) -> BTreeSet<NaiveDate> {
    let mut by_agent: BTreeMap<&Arc<str>, BTreeSet<NaiveDate>> = BTreeMap::new();
    for given in &charting.given {
        by_agent.entry(&given.agent).or_default().insert(given.day);
    }
    let mut out = BTreeSet::new();
    for days in by_agent.values() {
        let new = |day: &NaiveDate| (1..=NOT_NEW_DAYS).all(|ago| !days.contains(&before(*day, ago)));
        for start in days.range(window.0..=window.1).filter(|day| new(day)) {
            let mut last = *start;
            for day in days.range(*start..).copied() {
                if day > after(last, 2) {
                    break;
                }
                // with a single day between
                out.extend([before(day, 1).max(*start), day]);
                last = day;
            }
        }
    }
    out
}

/// The signs of one day, for the table of an event.
pub(super) fn signs(charting: &Charting, day: NaiveDate, found: &FoundSigns, zone: Tz) -> Sign {
    let span = Span::day(day, zone);
    let mut sign = Sign { qualifying: found.qualifying.contains(&day), ..Sign::default() };
    let mut ends = |readings: &[Reading]| {
        let inside = || readings.iter().filter(|r| span.contains(r.at));
        let lowest = inside().min_by_key(|r| (r.value, r.at, &r.source))?;
        let highest = inside().max_by_key(|r| (r.value, r.at, &r.source))?;
        sign.sources.extend([lowest.source.clone(), highest.source.clone()]);
        Some((lowest.value, highest.value))
    };
    sign.temperature = ends(&charting.temperature);
    sign.white_cells = ends(&charting.white_cells);
    for given in charting.given.iter().filter(|g| g.day == day) {
        sign.given.insert(given.agent.clone());
        sign.sources.insert(given.source.clone());
    }
    sign
}
