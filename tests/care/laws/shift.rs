//! The same stay, and the same ledger, at another time.

use chrono::{Duration, NaiveDate};
use terce::care::facts::When;
use terce::care::ledger::{Basis, CellKey, Feed, Ledger, State};
use terce::care::time::{Instant, Length};

use super::super::stays::{Entry, Look, Stay};

/// By how much.
#[derive(Clone, Copy)]
pub(super) struct Shift(i64);

impl Shift {
    pub(super) fn days(days: i64) -> Self {
        Shift(days * Length::hours(24).as_micros())
    }

    /// Only for what names no local day.
    pub(super) fn minutes(minutes: i64) -> Self {
        Shift(minutes * Length::minutes(1).as_micros())
    }

    /// Later, or earlier; never stays never.
    pub(super) fn at(self, at: Instant) -> Instant {
        if at == Instant::LATEST { at } else { Instant::from_micros(at.micros() + self.0) }
    }

    fn day(self, day: NaiveDate) -> NaiveDate {
        day + Duration::microseconds(self.0)
    }

    fn when(self, when: When) -> When {
        match when {
            When::At(at) => When::At(self.at(at)),
            When::Day(day) => When::Day(self.day(day)),
        }
    }

    fn maybe(self, at: Option<Instant>) -> Option<Instant> {
        at.map(|at| self.at(at))
    }

    fn feed(self, feed: Feed) -> Feed {
        match feed {
            Feed::Live { watermark } => Feed::Live { watermark: self.at(watermark) },
            Feed::Silent { watermark } => Feed::Silent { watermark: self.at(watermark) },
        }
    }

    pub(super) fn look(self, look: Look) -> Look {
        Look { now: self.at(look.now), feed: self.feed(look.feed) }
    }

    pub(super) fn stay(self, stay: &Stay) -> Stay {
        let mut stay = stay.clone();
        stay.begins = self.maybe(stay.begins);
        stay.ends.iter_mut().for_each(|end| end.at = self.at(end.at));
        stay.entries.iter_mut().for_each(|entry| self.entry(entry));
        stay
    }

    fn entry(self, entry: &mut Entry) {
        match entry {
            Entry::Ventilated(v) => (v.from, v.to) = (self.when(v.from), v.to.map(|to| self.when(to))),
            Entry::Row(r) => r.at = self.at(r.at),
            Entry::Extubation(x) => x.at = self.at(x.at),
            Entry::Unit(u) => (u.from, u.to) = (self.at(u.from), self.maybe(u.to)),
            Entry::Away(a) => (a.from, a.to) = (self.at(a.from), self.maybe(a.to)),
            Entry::Condition(c) => (c.from, c.to) = (self.at(c.from), self.maybe(c.to)),
            Entry::Care(c) => {
                c.at = self.when(c.at);
                (c.recorded, c.received) = (self.at(c.recorded), self.at(c.received));
            }
            Entry::Excuse(x) => {
                x.at = self.when(x.at);
                (x.recorded, x.received) = (self.at(x.recorded), self.at(x.received));
            }
        }
    }

    pub(super) fn ledger(self, mut l: Ledger) -> Ledger {
        l.now = self.at(l.now);
        l.state = self.state(l.state);
        l.unverified_since = self.maybe(l.unverified_since);
        for s in &mut l.standings {
            (s.due, s.deadline) = (self.maybe(s.due), self.maybe(s.deadline));
            s.last.iter_mut().for_each(|(at, _)| *at = self.at(*at));
        }
        for o in &mut l.opportunities {
            (o.at, o.deadline, o.day) = (self.at(o.at), self.at(o.deadline), self.day(o.day));
            self.basis(&mut o.basis);
        }
        for lapse in &mut l.lapses {
            (lapse.from, lapse.due, lapse.declared) =
                (self.at(lapse.from), self.at(lapse.due), self.at(lapse.declared));
            lapse.ended.iter_mut().for_each(|end| end.at = self.at(end.at));
            lapse.misses.iter_mut().for_each(|miss| *miss = self.at(*miss));
            self.basis(&mut lapse.basis);
        }
        l.cells = l
            .cells
            .into_iter()
            .map(|(key, cell)| (CellKey { day: self.day(key.day), ..key }, cell))
            .collect();
        l.delays = l
            .delays
            .into_iter()
            .map(|((unit, day, shift), delays)| ((unit, self.day(day), shift), delays))
            .collect();
        l.patient_days.iter_mut().for_each(|d| d.day = self.day(d.day));
        l.census.iter_mut().for_each(|c| c.day = self.day(c.day));
        (l.held_until, l.wake) = (self.maybe(l.held_until), self.maybe(l.wake));
        l
    }

    fn state(self, state: State) -> State {
        match state {
            State::NotVentilated => State::NotVentilated,
            State::AtRisk { episode } => State::AtRisk { episode: self.at(episode) },
            State::Away { episode } => State::Away { episode: self.at(episode) },
            State::OutOfScope { episode } => State::OutOfScope { episode: self.at(episode) },
            State::Extubated { at } => State::Extubated { at: self.at(at) },
            State::Ended { at, how } => State::Ended { at: self.at(at), how },
        }
    }

    fn basis(self, basis: &mut Basis) {
        match basis {
            Basis::Every { anchor, unmoved, .. } => {
                (*anchor, *unmoved) = (self.at(*anchor), self.at(*unmoved))
            }
            Basis::PerDay { day, .. } => *day = self.day(*day),
            Basis::At { slot } => *slot = self.at(*slot),
            Basis::After { trigger, .. } => *trigger = self.at(*trigger),
        }
    }
}
