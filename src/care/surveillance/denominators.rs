//! What events are counted of: ventilator days, patient days and episodes of ventilation, by daily counts.
//!
//! Counted once a day, "at the same time each day" (published: CDC form 57.116), for each unit: patients, patients on a
//! ventilator, of them those on airway pressure release ventilation, and episodes of ventilation (the columns of CDC form
//! 57.118, published). Days 1 and 2 of ventilation count like all others. Counting at midnight, in the morning or in the
//! afternoon made no difference to published rates (Talbot and Starmer, ICHE 2010;31:548). A site that counts
//! electronically first compares with a count by hand: within 5 % for three months (from memory).

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use super::Survey;
use super::charted::{Charting, Mode};
use super::infection::Infection;
use crate::care::ledger::Census;
use crate::care::protocol::Rules;
use crate::care::statistics::rate::{Rate, rate};
use crate::care::tally::Tally;
use crate::care::time::local_instant;

/// What surveillance adds to a unit's day. All fields add up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Watched {
    /// Events of that date.
    pub events: u32,
    /// Of them, those with signs of infection.
    pub infected: u32,
    /// At the daily count: patients ventilated that were not at an earlier count of the same episode.
    pub begun: u32,
    /// At the daily count: patients on airway pressure release ventilation.
    pub pressure_release: u32,
}

impl Watched {
    /// Adds `other` to it.
    pub fn add(&mut self, other: &Watched) {
        self.events += other.events;
        self.infected += other.infected;
        self.begun += other.begun;
        self.pressure_release += other.pressure_release;
    }

    /// Takes away `other`, which was added to it.
    pub fn take(&mut self, other: &Watched) {
        self.events = self.events.saturating_sub(other.events);
        self.infected = self.infected.saturating_sub(other.infected);
        self.begun = self.begun.saturating_sub(other.begun);
        self.pressure_release = self.pressure_release.saturating_sub(other.pressure_release);
    }
}

/// What the survey of a stay adds to the sums, by unit and local day. `census` is the one of the stay's ledger.
pub fn watched(
    survey: &Survey,
    charting: &Charting,
    census: &[Census],
    rules: &Rules,
) -> BTreeMap<(Arc<str>, NaiveDate), Watched> {
    let mut out: BTreeMap<(Arc<str>, NaiveDate), Watched> = BTreeMap::new();
    for event in &survey.events {
        let cell = out.entry((event.unit.clone(), event.date)).or_default();
        cell.events += 1;
        cell.infected += u32::from(event.infection == Infection::Found);
    }
    let mut episode_counted = None;
    for count in census.iter().filter(|c| c.ventilated) {
        let episode = survey.episodes.iter().find(|e| e.first <= count.day && count.day <= e.last);
        let at = local_instant(count.day, rules.census_at, rules.zone);
        let begun = episode.is_some() && episode != episode_counted;
        let released = charting.in_mode(at, &[Mode::PressureRelease]);
        episode_counted = episode.or(episode_counted);
        if begun || released {
            let cell = out.entry((count.unit.clone(), count.day)).or_default();
            cell.begun += u32::from(begun);
            cell.pressure_release += u32::from(released);
        }
    }
    out
}

/// The denominators of a period.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Denominators {
    /// Patients at the daily counts, added up.
    pub patient_days: u64,
    /// Patients on a ventilator at the daily counts, added up.
    pub ventilator_days: u64,
    /// Patients on airway pressure release ventilation at the daily counts, added up.
    pub pressure_release_days: u64,
    /// Episodes of ventilation: everybody ventilated at the first count of the period, and whoever is counted for the
    /// first time in an episode after that (from memory).
    pub episodes: u64,
    /// Events dated in the period.
    pub events: u64,
    /// Of them, those with signs of infection.
    pub infected: u64,
}

/// What was counted on the local days `from..=to`, in `unit` or, without one, in all together.
pub fn denominators(tally: &Tally, from: NaiveDate, to: NaiveDate, unit: Option<&str>) -> Denominators {
    let wanted = |at: &Arc<str>, day: NaiveDate| from <= day && day <= to && unit.is_none_or(|u| u == &**at);
    let mut out = Denominators::default();
    for ((at, day), count) in tally.census.iter().filter(|((at, day), _)| wanted(at, *day)) {
        let ventilated = u64::from(count.ventilated);
        out.patient_days += u64::from(count.patients);
        out.ventilator_days += ventilated;
        let begun = tally.watched.get(&(at.clone(), *day)).map_or(0, |w| u64::from(w.begun));
        out.episodes += if *day == from { ventilated } else { begun };
    }
    for (_, cell) in tally.watched.iter().filter(|((at, day), _)| wanted(at, *day)) {
        out.pressure_release_days += u64::from(cell.pressure_release);
        out.events += u64::from(cell.events);
        out.infected += u64::from(cell.infected);
    }
    out
}

impl Denominators {
    /// Ventilator days for each patient day, the device utilisation ratio; none without patient days.
    pub fn utilisation(&self) -> Option<f64> {
        (self.patient_days > 0).then(|| self.ventilator_days as f64 / self.patient_days as f64)
    }

    /// Events for 1000 ventilator days, with its interval; none without ventilator days.
    pub fn events_per_1000(&self) -> Option<Rate> {
        per_1000(self.events, self.ventilator_days)
    }

    /// Events with signs of infection for 1000 ventilator days.
    pub fn infected_per_1000(&self) -> Option<Rate> {
        per_1000(self.infected, self.ventilator_days)
    }
}

fn per_1000(events: u64, days: u64) -> Option<Rate> {
    rate(events, days as f64 / 1000.0)
}
