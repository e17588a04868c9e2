//! Surveillance: the tables of days of the published protocol, and a slow second reading of its rules.

mod denominators;
mod minima;
mod random;
mod slow;
mod tables;

use std::sync::Arc;

use chrono::NaiveDate;
use terce::care::facts::{Facts, Proof, Source, Ventilated, When};
use terce::care::protocol::Rules;
use terce::care::surveillance::charted::{Charting, Given, Mode, ModeRow, Reading};
use terce::care::surveillance::{Survey, survey};
use terce::care::time::{Instant, Length, Span};

const ZONE: chrono_tz::Tz = chrono_tz::UTC;

/// The day of ventilation of that number of a stay that began on the 1st of August 2026.
fn mv(number: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 8, number).unwrap()
}

/// So long after midnight of the day of ventilation of that number.
fn at(number: u32, minutes: i64) -> Instant {
    Span::day(mv(number), ZONE).from + Length::minutes(minutes)
}

fn source(name: impl std::fmt::Display) -> Source {
    Source::new(&format!("Observation/{name}/_history/1"))
}

fn reading(at: Instant, value: i64) -> Reading {
    Reading { at, value, source: source(format!("{at}-{value}")) }
}

/// Ventilated from the first instant of a day to the last of another.
fn ventilated(first: u32, last: u32) -> Ventilated {
    let (from, to) = (When::At(at(first, 0)), Some(When::At(at(last + 1, 0))));
    Ventilated { from, to, proof: Proof::Procedure, source: Source::new("Procedure/v/_history/1") }
}

fn facts(spans: Vec<Ventilated>) -> Facts {
    Facts { stay: "Encounter/e".into(), begins: Some(at(1, 0)), ventilated: spans, ..Facts::default() }
}

/// A stay of which each day's settings were charted once, at noon: the table of days is what was charted.
#[derive(Clone, Debug)]
struct Table {
    charting: Charting,
    facts: Facts,
    now: Instant,
}

/// Charted once a day in cmH2O and in percent; a negative number is a day without.
fn table(peep: &[i64], fio2: &[i64]) -> Table {
    let days = peep.len().max(fio2.len()) as u32;
    let chart = |values: &[i64], scale: i64| -> Vec<Reading> {
        let numbered = values.iter().zip(1_u32..).filter(|(value, _)| **value >= 0);
        numbered.map(|(value, day)| reading(at(day, 720), value * scale)).collect()
    };
    let charting = Charting { peep: chart(peep, 100), fio2: chart(fio2, 100), ..Charting::default() };
    // by then every window is over
    let now = at(days, 0) + Length::hours(24 * 30);
    Table { charting, facts: facts(vec![ventilated(1, days)]), now }
}

impl Table {
    fn survey(&self) -> Survey {
        survey(&self.charting, &self.facts, &Rules::standard(ZONE), self.now)
    }

    /// The days of ventilation that are dates of events.
    fn events(&self) -> Vec<u32> {
        self.survey().events.iter().map(|e| e.number).collect()
    }

    fn row(mut self, day: u32, minutes: i64, mode: Mode) -> Self {
        self.charting.modes.push(ModeRow { at: at(day, minutes), mode, source: source("mode") });
        self
    }

    fn temperature(mut self, day: u32, thousandths: i64) -> Self {
        self.charting.temperature.push(reading(at(day, 480), thousandths));
        self
    }

    fn white_cells(mut self, day: u32, count: i64) -> Self {
        self.charting.white_cells.push(reading(at(day, 360), count));
        self
    }

    fn given(mut self, agent: &str, days: &[u32]) -> Self {
        let agent: Arc<str> = agent.into();
        let one = |day: &u32| Given { agent: agent.clone(), day: mv(*day), source: source("drug") };
        self.charting.given.extend(days.iter().map(one));
        self
    }
}
