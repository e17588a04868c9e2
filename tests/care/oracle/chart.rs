//! The minutes of a stay: for each of them, what the record says of the patient.

use std::sync::Arc;

use chrono::{NaiveDate, NaiveTime, TimeZone};
use terce::care::facts::{Facts, Proof, Ventilated, When};
use terce::care::ledger::Feed;
use terce::care::protocol::Rules;
use terce::care::time::{Instant, Length};

use super::MINUTE;

/// All that is known of one minute.
pub(super) struct Minute {
    pub(super) day: NaiveDate,
    pub(super) clock: NaiveTime,
    /// Index into the shifts.
    pub(super) shift: usize,
    pub(super) in_stay: bool,
    /// Number of the episode it belongs to.
    pub(super) episode: Option<usize>,
    /// Ventilation is shown, but not proved to the hour.
    pub(super) unverified: bool,
    pub(super) away: bool,
    /// Index into the unit spans.
    pub(super) unit: Option<usize>,
    pub(super) protocol: Option<usize>,
}

/// The minutes from two days before the first fact to four days after the last one and now.
pub(super) struct Chart<'a> {
    pub(super) facts: &'a Facts,
    pub(super) rules: &'a Rules,
    pub(super) now: Instant,
    /// What is not before it is not counted yet.
    pub(super) cut: Instant,
    pub(super) watermark: Instant,
    pub(super) minutes: Vec<Minute>,
    start: Instant,
}

/// A charted span of ventilation with its boundaries made definite.
struct Charted {
    from: Instant,
    to: Instant,
    /// The day it starts on, where no more is known.
    vague_start: Option<NaiveDate>,
    vague_end: Option<NaiveDate>,
}

impl<'a> Chart<'a> {
    /// Goes through the facts once for every minute.
    pub(super) fn draw(facts: &'a Facts, rules: &'a Rules, feed: Feed, now: Instant) -> Self {
        let (start, count) = reach(facts, now);
        let cut = match feed {
            Feed::Live { .. } => now,
            Feed::Silent { watermark } => watermark.min(now),
        };
        let minutes = calendar(rules, start, count);
        let mut chart = Chart { facts, rules, now, cut, watermark: feed.watermark(), minutes, start };
        chart.places();
        chart.airway();
        chart
    }

    /// The instant at which a minute begins.
    pub(super) fn at(&self, minute: usize) -> Instant {
        self.start + Length::minutes(i64::try_from(minute).unwrap())
    }

    /// The minute in which an instant lies; the last one for what is further ahead.
    pub(super) fn minute_of(&self, at: Instant) -> usize {
        let minute =
            usize::try_from((at.micros() - self.start.micros()).max(0) / MINUTE.as_micros()).unwrap();
        minute.min(self.minutes.len() - 1)
    }

    pub(super) fn unverified(&self, at: Instant) -> bool {
        self.minutes[self.minute_of(at)].unverified
    }

    pub(super) fn unit_name(&self, minute: usize) -> Option<Arc<str>> {
        self.minutes[minute].unit.map(|u| self.facts.units[u].unit.clone())
    }

    pub(super) fn shift_name(&self, minute: usize) -> Arc<str> {
        self.rules.shifts[self.minutes[minute].shift].name.clone()
    }

    /// All local days of which every minute is there.
    pub(super) fn days(&self) -> Vec<NaiveDate> {
        let mut days: Vec<NaiveDate> = self.minutes.iter().map(|m| m.day).collect();
        days.dedup();
        days[1..days.len() - 1].to_vec()
    }

    /// The minutes of a local day: the first, and the first of the next day.
    pub(super) fn day_bounds(&self, day: NaiveDate) -> (usize, usize) {
        (self.minutes.partition_point(|m| m.day < day), self.minutes.partition_point(|m| m.day <= day))
    }

    /// The first minute of `day` at which the clock has come to `time`. A time that is skipped is come to at the
    /// change; of a time that comes twice this is the first.
    pub(super) fn clock_shows(&self, day: NaiveDate, time: NaiveTime) -> Option<usize> {
        let (first, end) = self.day_bounds(day);
        (first..end).find(|i| self.minutes[*i].clock >= time)
    }

    /// How far ahead of now care may be charted and still be a fact.
    pub(super) fn horizon(&self) -> Instant {
        self.now + self.rules.ahead
    }

    fn places(&mut self) {
        let facts = self.facts;
        let protocols: Vec<_> = facts.units.iter().map(|u| self.rules.protocol_in(Some(&u.unit))).collect();
        for i in 0..self.minutes.len() {
            let t = self.at(i);
            let m = &mut self.minutes[i];
            m.in_stay = facts.begins.is_none_or(|b| b <= t) && facts.ends.as_ref().is_none_or(|e| t < e.at);
            m.away = facts.away.iter().any(|a| a.from <= t && a.to.is_none_or(|to| t < to));
            let here =
                facts.units.iter().enumerate().filter(|(_, u)| u.from <= t && u.to.is_none_or(|to| t < to));
            m.unit = here.max_by_key(|(_, u)| (u.from, &u.unit)).map(|(n, _)| n);
            m.protocol = match m.unit {
                Some(unit) => protocols[unit],
                None => self.rules.default_protocol,
            };
        }
    }

    fn airway(&mut self) {
        let strong = |v: &&Ventilated| v.proof != Proof::DeviceStatus;
        let proved: Vec<&Ventilated> = self.facts.ventilated.iter().filter(strong).collect();
        let shown = if !proved.is_empty() {
            self.by_spans(&proved)
        } else if !self.facts.airway_rows.is_empty() {
            self.by_rows()
        } else {
            self.by_spans(&self.facts.ventilated.iter().collect::<Vec<_>>())
        };
        let mut before: Option<usize> = None;
        let mut number = 0;
        let bridge = self.rules.bridge.as_micros() / MINUTE.as_micros();
        for (i, (ventilated, unverified)) in shown.into_iter().enumerate() {
            self.minutes[i].unverified = unverified;
            if !ventilated || !self.minutes[i].in_stay {
                continue;
            }
            if let Some(last) = before {
                if i64::try_from(i - last - 1).unwrap() <= bridge {
                    self.minutes[last..i].iter_mut().for_each(|m| m.episode = Some(number));
                } else {
                    number += 1;
                }
            }
            self.minutes[i].episode = Some(number);
            before = Some(i);
        }
    }

    fn midnight(&self, day: NaiveDate) -> Instant {
        self.at(self.day_bounds(day).0)
    }

    fn day_of(&self, at: Instant) -> NaiveDate {
        self.minutes[self.minute_of(at)].day
    }

    fn by_spans(&self, spans: &[&Ventilated]) -> Vec<(bool, bool)> {
        let spans: Vec<Charted> = spans.iter().map(|v| self.definite(v, spans)).collect();
        let minute = |(i, m): (usize, &Minute)| {
            let t = self.at(i);
            let inside = |s: &Charted| s.from <= t && t < s.to;
            let sure = |s: &Charted| {
                s.vague_start.is_none_or(|d| d < m.day) && s.vague_end.is_none_or(|d| m.day < d)
            };
            let vague = spans.iter().any(|s| s.vague_start == Some(m.day) || s.vague_end == Some(m.day));
            (spans.iter().any(inside), vague && !spans.iter().any(|s| inside(s) && sure(s)))
        };
        self.minutes.iter().enumerate().map(minute).collect()
    }

    fn definite(&self, v: &Ventilated, all: &[&Ventilated]) -> Charted {
        let (from, vague_start) = match v.from {
            When::At(at) => (at, None),
            When::Day(day) => {
                let starts = all.iter().filter_map(|o| precise(o.from)).filter(|at| self.day_of(*at) == day);
                match starts.min() {
                    Some(better) => (better, None),
                    None => {
                        (self.midnight(day).max(self.facts.begins.unwrap_or(Instant::EARLIEST)), Some(day))
                    }
                }
            }
        };
        let removed = self.facts.extubations.iter().map(|x| x.at).filter(|at| *at > from);
        let (to, vague_end) = match v.to {
            Some(When::At(at)) => (at, None),
            None => (removed.min().unwrap_or(Instant::LATEST), None),
            Some(When::Day(day)) => {
                let ends = all.iter().filter_map(|o| precise(o.to?)).filter(|at| self.day_of(*at) == day);
                let removed = removed.filter(|at| self.day_of(*at) == day).min();
                match ends.max() {
                    Some(better) => (better, None),
                    None => (removed.unwrap_or(self.at(self.day_bounds(day).1)), Some(day)),
                }
            }
        };
        Charted { from, to, vague_start, vague_end }
    }

    fn by_rows(&self) -> Vec<(bool, bool)> {
        let facts = self.facts;
        let mut seen: Vec<(Instant, bool)> = facts.airway_rows.iter().map(|r| (r.at, r.invasive)).collect();
        seen.extend(facts.extubations.iter().map(|x| (x.at, false)));
        seen.sort_unstable();
        let hold = self.rules.hold;
        let minute = |i: usize| {
            let t = self.at(i);
            let Some((row, true)) = seen.iter().rev().find(|(at, _)| *at <= t).copied() else {
                return (false, false);
            };
            match seen.iter().find(|(at, _)| *at > t) {
                Some((next, _)) if next.since(row) <= hold => (true, false),
                Some(_) | None => {
                    let held = self.now < row + hold && t < row + hold;
                    (held, held)
                }
            }
        };
        (0..self.minutes.len()).map(minute).collect()
    }
}

fn precise(when: When) -> Option<Instant> {
    match when {
        When::At(at) => Some(at),
        When::Day(_) => None,
    }
}

/// From where, and how many minutes.
fn reach(facts: &Facts, now: Instant) -> (Instant, usize) {
    let mut all = vec![now];
    let mut note = |when: When| match when {
        When::At(at) => all.push(at),
        When::Day(day) => all.push(day.and_time(NaiveTime::MIN).and_utc().into()),
    };
    facts.begins.into_iter().chain(facts.ends.iter().map(|e| e.at)).for_each(|at| note(When::At(at)));
    facts.ventilated.iter().for_each(|v| {
        note(v.from);
        v.to.into_iter().for_each(&mut note);
    });
    facts.airway_rows.iter().for_each(|r| note(When::At(r.at)));
    facts.extubations.iter().for_each(|x| note(When::At(x.at)));
    let spans = facts.units.iter().map(|u| (u.from, u.to)).chain(facts.away.iter().map(|a| (a.from, a.to)));
    let spans = spans.chain(facts.conditions.iter().map(|c| (c.from, c.to)));
    spans.for_each(|(from, to)| {
        note(When::At(from));
        to.into_iter().for_each(|to| note(When::At(to)));
    });
    facts.care.iter().for_each(|c| note(c.at));
    facts.excuses.iter().for_each(|x| note(x.at));
    let (first, last) = (all.iter().min().unwrap(), all.iter().max().unwrap());
    // half hours: `calendar` asks the zone once for each
    let half_hour = Length::minutes(30).as_micros();
    let start = Instant::from_micros(first.micros().div_euclid(half_hour) * half_hour) - Length::hours(48);
    let minutes = (*last + Length::hours(96)).since(start).as_micros() / MINUTE.as_micros();
    (start, usize::try_from(minutes).unwrap())
}

/// What the wall shows at each minute. No zone in the tests changes its offset but on a half hour.
fn calendar(rules: &Rules, start: Instant, count: usize) -> Vec<Minute> {
    let mut out = Vec::with_capacity(count);
    while out.len() < count {
        let t = start + Length::minutes(i64::try_from(out.len()).unwrap());
        let wall = rules.zone.from_utc_datetime(&t.utc().naive_utc()).naive_local();
        for minute in 0..30 {
            let wall = wall + chrono::Duration::minutes(minute);
            let clock = wall.time();
            let shift = rules.shifts.iter().rposition(|s| s.from <= clock).unwrap_or(rules.shifts.len() - 1);
            out.push(Minute {
                day: wall.date(),
                clock,
                shift,
                in_stay: false,
                episode: None,
                unverified: false,
                away: false,
                unit: None,
                protocol: None,
            });
        }
    }
    out
}
