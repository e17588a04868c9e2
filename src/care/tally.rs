//! Ledgers added up over stays. Adding the tallies of any partition of the stays gives the tally of the whole.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use super::delays::Delays;
use super::ledger::{Cell, CellKey, Census, Ledger, PatientDay};
use super::surveillance::denominators::Watched;
use super::time::Length;

/// Sums over stays.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Tally {
    /// Opportunities and hours.
    pub cells: BTreeMap<CellKey, Cell>,
    /// Days of ventilated patients, by unit and local day.
    pub days: BTreeMap<(Arc<str>, NaiveDate), DayCell>,
    /// Daily counts of patients, by unit and local day.
    pub census: BTreeMap<(Arc<str>, NaiveDate), CensusCell>,
    /// How long after care that was met it was charted, by unit, local day and shift.
    pub delays: BTreeMap<(Arc<str>, NaiveDate, Arc<str>), Delays>,
    /// What surveillance found, by unit and local day; empty where nobody asked for it.
    pub watched: BTreeMap<(Arc<str>, NaiveDate), Watched>,
}

/// Patient-days on which something was counted.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct DayCell {
    /// On which every requirement that applied was met or excused throughout: all or none.
    pub complete: u32,
    /// All of them.
    pub of: u32,
    /// For each requirement: days on which nothing of it was missed, and days on which it was counted.
    pub requirements: BTreeMap<Arc<str>, (u32, u32)>,
}

/// A daily count.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct CensusCell {
    /// Patients present.
    pub patients: u32,
    /// Of them, on invasive ventilation.
    pub ventilated: u32,
}

impl Tally {
    /// Adds one stay.
    pub fn add(&mut self, ledger: &Ledger) {
        ledger.cells.iter().for_each(|(key, cell)| self.add_cell(key, cell));
        ledger.patient_days.iter().for_each(|day| self.add_day(day));
        ledger.census.iter().for_each(|count| self.add_census(count));
        for (key, delays) in &ledger.delays {
            self.delays.entry(key.clone()).or_default().add(delays);
        }
    }

    fn add_cell(&mut self, key: &CellKey, cell: &Cell) {
        // mostly it is there: its key need not be copied
        match self.cells.get_mut(key) {
            Some(sum) => sum.add(cell),
            None => drop(self.cells.insert(key.clone(), *cell)),
        }
    }

    /// Adds one day of one stay.
    pub fn add_day(&mut self, day: &PatientDay) {
        let cell = self.days.entry((day.unit.clone(), day.day)).or_default();
        cell.of += 1;
        cell.complete += u32::from(day.counts.values().all(|(_, missed, _)| *missed == 0));
        for (requirement, (_, missed, _)) in &day.counts {
            let (complete, of) = cell.requirements.entry(requirement.clone()).or_default();
            *of += 1;
            *complete += u32::from(*missed == 0);
        }
    }

    /// Adds one patient counted.
    pub fn add_census(&mut self, count: &Census) {
        let cell = self.census.entry((count.unit.clone(), count.day)).or_default();
        cell.patients += 1;
        cell.ventilated += u32::from(count.ventilated);
    }

    /// Adds what surveillance found in one stay.
    pub fn add_watched(&mut self, watched: &BTreeMap<(Arc<str>, NaiveDate), Watched>) {
        for (key, cell) in watched {
            self.watched.entry(key.clone()).or_default().add(cell);
        }
    }

    /// Adds another sum.
    pub fn merge(&mut self, other: &Tally) {
        other.cells.iter().for_each(|(key, cell)| self.add_cell(key, cell));
        for (key, day) in &other.days {
            let cell = self.days.entry(key.clone()).or_default();
            cell.complete += day.complete;
            cell.of += day.of;
            for (requirement, (complete, of)) in &day.requirements {
                let sum = cell.requirements.entry(requirement.clone()).or_default();
                sum.0 += complete;
                sum.1 += of;
            }
        }
        for (key, count) in &other.census {
            let cell = self.census.entry(key.clone()).or_default();
            cell.patients += count.patients;
            cell.ventilated += count.ventilated;
        }
        for (key, delays) in &other.delays {
            self.delays.entry(key.clone()).or_default().add(delays);
        }
        self.add_watched(&other.watched);
    }

    /// Only the local days `from..=to`, and only `unit` if one is given.
    pub fn of(&self, from: NaiveDate, to: NaiveDate, unit: Option<&str>) -> Tally {
        let wanted = |u: &str, day: NaiveDate| from <= day && day <= to && unit.is_none_or(|w| w == u);
        let cells = self.cells.iter().filter(|(k, _)| wanted(&k.unit, k.day));
        let days = self.days.iter().filter(|((u, d), _)| wanted(u, *d));
        let census = self.census.iter().filter(|((u, d), _)| wanted(u, *d));
        let delays = self.delays.iter().filter(|((u, d, _), _)| wanted(u, *d));
        let watched = self.watched.iter().filter(|((u, d), _)| wanted(u, *d));
        Tally {
            cells: cells.map(|(k, c)| (k.clone(), *c)).collect(),
            days: days.map(|(k, c)| (k.clone(), c.clone())).collect(),
            census: census.map(|(k, c)| (k.clone(), *c)).collect(),
            delays: delays.map(|(k, c)| (k.clone(), c.clone())).collect(),
            watched: watched.map(|(k, c)| (k.clone(), *c)).collect(),
        }
    }

    /// Patient-days at risk by shift, and of all shifts (none), each of 24 hours: in each unit and shift the time at risk of
    /// the requirement that was at risk longest there, added up; units may ask for different things.
    pub fn days_at_risk(&self) -> BTreeMap<Option<Arc<str>>, f64> {
        let mut at_risk: BTreeMap<(&str, &Arc<str>), BTreeMap<&str, Length>> = BTreeMap::new();
        for (key, cell) in &self.cells {
            let there = at_risk.entry((&key.unit, &key.shift)).or_default();
            *there.entry(&key.requirement).or_insert(Length::ZERO) += cell.at_risk;
        }
        let mut days = BTreeMap::new();
        for ((_, shift), requirements) in at_risk {
            let longest = requirements.into_values().max().unwrap_or(Length::ZERO);
            for of in [None, Some(shift.clone())] {
                *days.entry(of).or_default() += longest.as_micros() as f64 / 86_400e6;
            }
        }
        days
    }

    /// The sum of all cells of each requirement.
    pub fn by_requirement(&self) -> BTreeMap<Arc<str>, Cell> {
        let mut out: BTreeMap<Arc<str>, Cell> = BTreeMap::new();
        for (key, cell) in &self.cells {
            out.entry(key.requirement.clone()).or_default().add(cell);
        }
        out
    }
}
