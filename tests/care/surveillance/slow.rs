//! The rules of surveillance read a second time, day by day and slowly, from what is written of them and not from the code.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use terce::care::surveillance::charted::{Charting, Mode, Reading};
use terce::care::time::{Instant, Length, Span};

/// What there is to read.
pub(super) struct Record<'a> {
    pub(super) ventilated: &'a [Span],
    pub(super) charting: &'a Charting,
    pub(super) units: &'a [(Arc<str>, Instant)],
    pub(super) ended: Option<Instant>,
    pub(super) now: Instant,
    pub(super) zone: Tz,
}

/// An event as it is compared.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Slow {
    pub(super) date: NaiveDate,
    pub(super) number: u32,
    pub(super) peep: bool,
    pub(super) fio2: bool,
    pub(super) window: (NaiveDate, NaiveDate),
    pub(super) until: NaiveDate,
    pub(super) unit: String,
    pub(super) infection: &'static str,
    pub(super) settled: bool,
    pub(super) qualifying: Vec<NaiveDate>,
}

fn plus(day: NaiveDate, days: i64) -> NaiveDate {
    let far = Days::new(days.unsigned_abs());
    if days < 0 { day - far } else { day + far }
}

impl Record<'_> {
    fn on_ventilator(&self, day: NaiveDate) -> bool {
        let whole = Span::day(day, self.zone);
        self.ventilated.iter().any(|s| s.from < whole.to.min(self.now) && whole.from < s.to)
    }

    fn over(&self, day: NaiveDate) -> bool {
        self.ended.is_some_and(|at| at <= self.now) || Span::day(day, self.zone).to <= self.now
    }

    /// How many days on end up to this one had some ventilation.
    pub(super) fn number(&self, day: NaiveDate) -> u32 {
        (0_i64..).take_while(|ago| self.on_ventilator(plus(day, -ago))).count() as u32
    }

    fn mode_is(&self, at: Instant, wanted: Mode) -> bool {
        let last = self.charting.modes.iter().filter(|m| m.at <= at).map(|m| m.at).max();
        let row = self.charting.modes.iter().any(|m| Some(m.at) == last && m.mode == wanted);
        let inside = |from: Instant, to: Option<Instant>| from <= at && to.is_none_or(|to| at < to);
        row || self.charting.supports.iter().any(|s| s.mode == wanted && inside(s.from, s.to))
    }

    /// The lowest level held for an hour, or charted where charting was less than hourly, else the lowest.
    pub(super) fn minimum(&self, readings: &[Reading], is_peep: bool, day: NaiveDate) -> Option<i64> {
        let whole = Span::day(day, self.zone);
        let mut of_day: Vec<(Instant, i64)> = readings
            .iter()
            .filter(|r| whole.contains(r.at) && r.at <= self.now)
            .filter(|r| self.ventilated.iter().any(|s| s.from <= r.at && r.at <= s.to))
            .filter(|r| !self.mode_is(r.at, Mode::Excluded))
            .filter(|r| !(is_peep && self.mode_is(r.at, Mode::PressureRelease)))
            .map(|r| (r.at, if is_peep && r.value < 500 { 500 } else { r.value }))
            .collect();
        of_day.sort_unstable();
        let mut levels: Vec<i64> = of_day.iter().map(|(_, value)| *value).collect();
        levels.sort_unstable();
        levels.dedup();
        let counts = |level: &i64| {
            let held = of_day.iter().enumerate().any(|(a, first)| {
                of_day.iter().enumerate().skip(a).any(|(b, last)| {
                    let same = of_day[a..=b].iter().all(|(_, value)| value == level);
                    same && last.0.since(first.0) >= Length::minutes(60)
                })
            });
            let sparse = of_day.windows(2).any(|two| {
                let apart = two[1].0.since(two[0].0) > Length::minutes(75);
                apart && (two[0].1 == *level || two[1].1 == *level)
            });
            held || sparse
        };
        levels.iter().copied().find(counts).or_else(|| levels.first().copied())
    }

    fn worse(&self, readings: &[Reading], is_peep: bool, date: NaiveDate, by: i64) -> bool {
        let minimum = |away| self.minimum(readings, is_peep, plus(date, away));
        match (minimum(-2), minimum(-1), minimum(0), minimum(1)) {
            (Some(a), Some(b), Some(c), Some(d)) => b <= a && c - a >= by && d - a >= by,
            _ => false,
        }
    }

    /// The days from `first` to `last` are looked at.
    pub(super) fn events(&self, first: NaiveDate, last: NaiveDate) -> Vec<Slow> {
        let mut out: Vec<Slow> = Vec::new();
        let mut date = first;
        while date <= last {
            let next = plus(date, 1);
            let four = self.number(date) >= 3 && self.on_ventilator(next) && self.over(next);
            let free = out.iter().all(|e| date >= plus(e.date, 14));
            let peep = four && self.worse(&self.charting.peep, true, date, 300);
            let fio2 = four && self.worse(&self.charting.fio2, false, date, 2_000);
            if free && (peep || fio2) {
                out.push(self.event(date, peep, fio2));
            }
            date = next;
        }
        out
    }

    fn event(&self, date: NaiveDate, peep: bool, fio2: bool) -> Slow {
        let number = self.number(date);
        let mut window: Vec<NaiveDate> = (-2..=2).map(|away| plus(date, away)).collect();
        // days 1 and 2 of this episode
        window.retain(|day| *day >= date || number as i64 - (date - *day).num_days() >= 3);
        let (first, last) = (window[0], window[window.len() - 1]);
        let qualifying = self.qualifying(&window);
        let (infection, found) = self.infection(&window, &qualifying);
        Slow {
            date,
            number,
            peep,
            fio2,
            window: (first, last),
            until: plus(date, 13),
            unit: self.unit(plus(date, -1)),
            infection,
            settled: found || self.over(plus(last, 4)),
            qualifying: qualifying.into_iter().filter(|day| *day <= plus(last, 4)).collect(),
        }
    }

    fn unit(&self, day: NaiveDate) -> String {
        let from = Span::day(day, self.zone).from;
        let here = self.units.iter().rfind(|(_, since)| *since <= from);
        let later = self.units.iter().find(|(_, since)| from < *since && *since < self.now);
        here.or(later).map(|(unit, _)| unit.to_string()).unwrap_or_default()
    }

    fn infection(&self, window: &[NaiveDate], qualifying: &BTreeSet<NaiveDate>) -> (&'static str, bool) {
        let in_window = |r: &&Reading| window.contains(&r.at.day(self.zone));
        let temperatures: Vec<i64> =
            self.charting.temperature.iter().filter(in_window).map(|r| r.value).collect();
        let cells: Vec<i64> = self.charting.white_cells.iter().filter(in_window).map(|r| r.value).collect();
        let abnormal = temperatures.iter().any(|t| *t > 38_000 || *t < 36_000)
            || cells.iter().any(|c| *c >= 12_000 || *c <= 4_000);
        let four_on_end =
            qualifying.iter().any(|day| (0..4).all(|more| qualifying.contains(&plus(*day, more))));
        let silent = match abnormal {
            true => self.charting.given.is_empty(),
            false => temperatures.is_empty() && cells.is_empty(),
        };
        let said = if abnormal && four_on_end {
            "found"
        } else if silent {
            "not charted"
        } else {
            "not found"
        };
        (said, said == "found")
    }

    /// A day counts if an agent was begun anew on a day of the window, and every day from then to this one had it, or
    /// lay alone between two that had it.
    fn qualifying(&self, window: &[NaiveDate]) -> BTreeSet<NaiveDate> {
        let mut agents: BTreeMap<&str, BTreeSet<NaiveDate>> = BTreeMap::new();
        for given in &self.charting.given {
            agents.entry(&given.agent).or_default().insert(given.day);
        }
        let mut out = BTreeSet::new();
        for days in agents.values() {
            let has = |day: NaiveDate| days.contains(&day);
            let covered = |day: NaiveDate| has(day) || (has(plus(day, -1)) && has(plus(day, 1)));
            for start in window.iter().copied() {
                if !has(start) || has(plus(start, -1)) || has(plus(start, -2)) {
                    continue;
                }
                let mut day = start;
                while covered(day) {
                    out.insert(day);
                    day = plus(day, 1);
                }
            }
        }
        out
    }
}
