//! `per-day`: so many times on each local day.

use std::collections::VecDeque;

use chrono::NaiveDate;
use terce::care::facts::Source;
use terce::care::ledger::{Basis, Outcome};
use terce::care::time::{Instant, Length, TICK};

use super::chart::Chart;
use super::track::{Deed, Track};
use super::{Ask, Chance, Found, MINUTE};

/// Care or an excuse of one day: when, if that is known; how long after it care was charted; from where.
type Done = (Option<Instant>, Option<Length>, Vec<Source>);

/// One local day of one requirement.
struct Day {
    closes: Instant,
    basis: Basis,
    need: u32,
    length: i64,
    done: Vec<Done>,
    excused: Vec<Done>,
}

/// Goes through the local days up to now.
pub(super) fn read(chart: &Chart, track: &Track, times: u32) -> Found {
    let mut found = Found::default();
    let today = chart.minutes[chart.minute_of(chart.now)].day;
    for date in chart.days().into_iter().filter(|d| *d <= today) {
        let Some(day) = sum_up(chart, track, times, date) else { continue };
        if date == today {
            found.ask = Some(ask(chart, track, times, date, &day));
        }
        // a day whose end is not verified is not counted at all
        if day.closes <= chart.cut && !chart.unverified(day.closes - TICK) {
            let due = pressing(chart, track, times, date, &day);
            close(chart, day, due, &mut found.chances);
        }
    }
    found
}

/// None if the requirement does not apply on that day.
fn sum_up(chart: &Chart, track: &Track, times: u32, date: NaiveDate) -> Option<Day> {
    let (first, end) = chart.day_bounds(date);
    let last = (first..end).rev().find(|i| track.at_risk[*i])?;
    let at_risk = (first..end).filter(|i| track.at_risk[*i] && !chart.minutes[*i].unverified).count();
    let need = u32::try_from(usize::try_from(times).unwrap() * at_risk / (end - first)).unwrap();
    let spacing = Length::micros(Length::hours(24).as_micros() / (4 * i64::from(times)));
    let on_day = |at: Instant| chart.at(first) <= at && at < chart.at(end);
    let vague = |all: &[(NaiveDate, Instant, Source)]| -> Vec<Done> {
        let here = all.iter().filter(|(d, _, _)| *d == date && at_risk > 0);
        // at the least: charted after any moment of that day could still be in time
        let delay = |recorded: Instant| recorded.since(chart.at(end));
        here.map(|(_, recorded, source)| (None, Some(delay(*recorded)), vec![source.clone()])).collect()
    };
    let mut done = spaced(track.credits_inside(chart).filter(|(at, _)| on_day(*at)), spacing);
    let mut excused = spaced(track.excuses_inside(chart).filter(|(at, _)| on_day(*at)), spacing);
    done.extend(vague(&track.day_credits));
    excused.extend(vague(&track.day_excuses));
    excused.iter_mut().for_each(|(_, delay, _)| *delay = None);
    excused.truncate(usize::try_from(need).unwrap());
    let minutes = |n: usize| Length::minutes(i64::try_from(n).unwrap());
    let basis = Basis::PerDay {
        day: date,
        at_risk: minutes(at_risk),
        length: minutes(end - first),
        need,
        done: u32::try_from(done.len()).unwrap(),
    };
    let length = minutes(end - first).as_micros();
    Some(Day { closes: chart.at(last + 1), basis, need, length, done, excused })
}

fn spaced<'t>(deeds: impl Iterator<Item = (Instant, &'t Deed)>, spacing: Length) -> Vec<Done> {
    let mut out: Vec<Done> = Vec::new();
    let mut last: Option<Instant> = None;
    for (at, deed) in deeds {
        if last.is_none_or(|last| last + spacing <= at) {
            last = Some(at);
            out.push((Some(at), Some(deed.delay(at)), deed.evidence()));
        }
    }
    out
}

fn close(chart: &Chart, day: Day, due: Instant, chances: &mut Vec<Chance>) {
    let (mut done, mut excused) = (VecDeque::from(day.done), VecDeque::from(day.excused));
    for _ in 0..day.need {
        let (outcome, one) = match (excused.pop_front(), done.front()) {
            (Some(excuse), _) => (Outcome::Excused, excuse),
            (None, Some(_)) => (Outcome::Met, done.pop_front().unwrap()),
            (None, None) => (Outcome::Missed, (None, None, Vec::new())),
        };
        let (when, delay, evidence) = one;
        let at = match outcome {
            Outcome::Excused => when.unwrap_or(day.closes - TICK),
            Outcome::Met | Outcome::Missed => day.closes - TICK,
        };
        // an excuse may lie in a gap after the last at-risk minute of the day
        if at < chart.cut {
            let (deadline, basis) = (day.closes, day.basis.clone());
            chances.push(Chance { outcome, at, due, deadline, delay, evidence, basis });
        }
    }
}

/// What is outstanding today, and since when it is pressing.
fn ask(chart: &Chart, track: &Track, times: u32, date: NaiveDate, day: &Day) -> Ask {
    let outstanding = day.outstanding();
    if outstanding == 0 {
        return Ask { due: None, deadline: None, outstanding };
    }
    let due = pressing(chart, track, times, date, day);
    Ask { due: Some(due), deadline: Some(day.closes), outstanding }
}

impl Day {
    fn outstanding(&self) -> u32 {
        self.need.saturating_sub(u32::try_from(self.excused.len() + self.done.len()).unwrap())
    }
}

/// When no more time at risk is left of the day than half of what would be fair for what is outstanding.
fn pressing(chart: &Chart, track: &Track, times: u32, date: NaiveDate, day: &Day) -> Instant {
    let (first, end) = chart.day_bounds(date);
    let fair = Length::micros(i64::from(day.outstanding()) * day.length / (2 * i64::from(times)));
    let mut left = Length::ZERO;
    let mut due = day.closes;
    for i in (first..end).rev().filter(|i| track.at_risk[*i]) {
        if left == fair {
            // true since the end of this minute, which may be before a gap
            return chart.at(i + 1);
        }
        due = chart.at(i);
        if left + MINUTE > fair {
            return chart.at(i) + (left + MINUTE - fair);
        }
        left += MINUTE;
    }
    due
}
