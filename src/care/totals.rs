//! Sums without their days: what a report over any period is made of.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{Datelike, NaiveDate, Weekday};

use super::delays::Delays;
use super::ledger::Cell;
use super::surveillance::denominators::Watched;
use super::tally::{CensusCell, Tally};

/// Days of the week that differ on a ward.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum DayKind {
    /// Monday to Friday.
    Weekday,
    /// Saturday and Sunday.
    Weekend,
}

/// Names in the order in which they were first met.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Names {
    all: Vec<Arc<str>>,
    places: BTreeMap<Arc<str>, usize>,
}

/// Sums by unit, kind of day, shift and requirement.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Totals {
    /// `Location` ids; the empty text for what no unit is known of.
    pub units: Names,
    /// The shifts.
    pub shifts: Names,
    /// The requirements' ids.
    pub requirements: Names,
    parts: Vec<[Part; 2]>,
}

/// What one unit came to on days of one kind.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Part {
    /// Patient-days on which all was done, and all patient-days on which something was counted.
    pub complete: (u64, u64),
    /// The same by requirement, by its place in [`Totals::requirements`].
    pub days: Vec<(u64, u64)>,
    /// Patients at the daily counts, and ventilated ones.
    pub census: (u64, u64),
    /// What surveillance found in stays that are over.
    pub watched: Watched,
    /// By the place of the shift in [`Totals::shifts`].
    pub shifts: Vec<ShiftPart>,
}

/// What one shift of a [`Part`] came to.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ShiftPart {
    /// By the place of the requirement in [`Totals::requirements`].
    pub cells: Vec<Cell>,
    /// How long after care it was charted, whatever the requirement.
    pub delays: Delays,
}

impl DayKind {
    /// Both.
    pub const ALL: [DayKind; 2] = [DayKind::Weekday, DayKind::Weekend];

    /// The kind of a day.
    pub fn of(day: NaiveDate) -> Self {
        match day.weekday() {
            Weekday::Mon | Weekday::Tue | Weekday::Wed | Weekday::Thu | Weekday::Fri => DayKind::Weekday,
            Weekday::Sat | Weekday::Sun => DayKind::Weekend,
        }
    }
}

impl Names {
    /// The place of a name; a new one is put last.
    pub fn place(&mut self, name: &str) -> usize {
        if let Some(place) = self.places.get(name) {
            return *place;
        }
        let name: Arc<str> = name.into();
        self.all.push(name.clone());
        self.places.insert(name, self.all.len() - 1);
        self.all.len() - 1
    }

    /// The place of a name that was met.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.places.get(name).copied()
    }

    /// The names, each with its place, in the order of the alphabet.
    pub fn sorted(&self) -> impl Iterator<Item = (&Arc<str>, usize)> {
        self.places.iter().map(|(name, place)| (name, *place))
    }

    /// The name at a place.
    pub fn name(&self, place: usize) -> Option<&Arc<str>> {
        self.all.get(place)
    }
}

impl Totals {
    /// The sums of what of `tally` lies in the local days `from..=to` and in one of `units` (none: in any).
    pub fn of(tally: &Tally, from: NaiveDate, to: NaiveDate, units: Option<&[Arc<str>]>) -> Self {
        let mut totals = Totals::default();
        totals.change(tally, from, to, units, true);
        totals
    }

    /// Adds what [`Totals::of`] takes of a tally.
    pub fn add(&mut self, tally: &Tally, from: NaiveDate, to: NaiveDate, units: Option<&[Arc<str>]>) {
        self.change(tally, from, to, units, true);
    }

    /// Takes away what was added of a tally.
    pub fn take(&mut self, tally: &Tally, from: NaiveDate, to: NaiveDate, units: Option<&[Arc<str>]>) {
        self.change(tally, from, to, units, false);
    }

    fn change(
        &mut self,
        tally: &Tally,
        from: NaiveDate,
        to: NaiveDate,
        units: Option<&[Arc<str>]>,
        adds: bool,
    ) {
        let wanted = |unit: &Arc<str>, day: NaiveDate| {
            from <= day && day <= to && units.is_none_or(|units| units.contains(unit))
        };
        let pair = |pair: &mut (u64, u64), a: u32, b: u32| {
            let by = |n: &mut u64, m: u32| {
                *n = if adds { *n + u64::from(m) } else { n.saturating_sub(u64::from(m)) };
            };
            by(&mut pair.0, a);
            by(&mut pair.1, b);
        };
        for (key, cell) in tally.cells.iter().filter(|(k, _)| wanted(&k.unit, k.day)) {
            let place = (self.shifts.place(&key.shift), self.requirements.place(&key.requirement));
            let unit = self.units.place(&key.unit);
            let sum = self.part(unit, DayKind::of(key.day)).cell(place.0, place.1);
            if adds { sum.add(cell) } else { sum.take(cell) }
        }
        for (key, delays) in tally.delays.iter().filter(|(k, _)| wanted(&k.0, k.1)) {
            let (unit, shift) = (self.units.place(&key.0), self.shifts.place(&key.2));
            let sum = &mut self.part(unit, DayKind::of(key.1)).shift(shift).delays;
            if adds { sum.add(delays) } else { sum.take(delays) }
        }
        for ((unit, day), cell) in tally.days.iter().filter(|((u, d), _)| wanted(u, *d)) {
            let unit = self.units.place(unit);
            pair(&mut self.part(unit, DayKind::of(*day)).complete, cell.complete, cell.of);
            for (requirement, (complete, of)) in &cell.requirements {
                let requirement = self.requirements.place(requirement);
                pair(self.part(unit, DayKind::of(*day)).day(requirement), *complete, *of);
            }
        }
        for ((unit, day), count) in tally.census.iter().filter(|((u, d), _)| wanted(u, *d)) {
            let unit = self.units.place(unit);
            let CensusCell { patients, ventilated } = *count;
            pair(&mut self.part(unit, DayKind::of(*day)).census, patients, ventilated);
        }
        for ((unit, day), found) in tally.watched.iter().filter(|((u, d), _)| wanted(u, *d)) {
            let unit = self.units.place(unit);
            let sum = &mut self.part(unit, DayKind::of(*day)).watched;
            if adds { sum.add(found) } else { sum.take(found) }
        }
    }

    /// Adds other totals.
    pub fn add_all(&mut self, other: &Totals) {
        other.parts().for_each(|(unit, kind, part)| self.add_part(unit, kind, part, other));
    }

    /// Whether anything was counted of the requirement at a place: where a period was made by taking away, names of what
    /// lies outside are known, too.
    pub fn counts_requirement(&self, place: usize) -> bool {
        let of_shift = |shift: &ShiftPart| shift.cells.get(place).is_some_and(|c| *c != Cell::default());
        self.parts().any(|(_, _, part)| {
            part.days.get(place).is_some_and(|days| days.1 > 0) || part.shifts.iter().any(of_shift)
        })
    }

    /// The same with all units taken together, under the empty name.
    pub fn in_one(&self) -> Totals {
        let mut one = Totals::default();
        self.parts().for_each(|(_, kind, part)| one.add_part("", kind, part, self));
        one
    }

    /// Only `unit`.
    pub fn of_unit(&self, unit: &str) -> Totals {
        let mut only = Totals::default();
        let parts = self.units.find(unit).and_then(|place| self.parts.get(place));
        for (kind, part) in DayKind::ALL.into_iter().zip(parts.into_iter().flatten()) {
            only.add_part(unit, kind, part, self);
        }
        only
    }

    /// Adds a part whose places are those of `names`.
    fn add_part(&mut self, unit: &str, kind: DayKind, part: &Part, names: &Totals) {
        let pair = |sum: &mut (u64, u64), more: &(u64, u64)| *sum = (sum.0 + more.0, sum.1 + more.1);
        let unit = self.units.place(unit);
        let sum = self.part(unit, kind);
        pair(&mut sum.complete, &part.complete);
        pair(&mut sum.census, &part.census);
        sum.watched.add(&part.watched);
        for (name, place) in names.requirements.sorted() {
            if let Some(days) = part.days.get(place).filter(|days| days.1 > 0) {
                let requirement = self.requirements.place(name);
                pair(self.part(unit, kind).day(requirement), days);
            }
        }
        for (place, shift) in part.shifts.iter().enumerate() {
            let Some(own) = names.shifts.name(place).map(|name| self.shifts.place(name)) else { continue };
            self.part(unit, kind).shift(own).delays.add(&shift.delays);
            for (name, place) in names.requirements.sorted() {
                if let Some(cell) = shift.cells.get(place).filter(|cell| **cell != Cell::default()) {
                    let requirement = self.requirements.place(name);
                    self.part(unit, kind).cell(own, requirement).add(cell);
                }
            }
        }
    }

    /// The part of a unit, by its place, on days of a kind.
    pub fn part(&mut self, unit: usize, kind: DayKind) -> &mut Part {
        let [weekday, weekend] = at(&mut self.parts, unit);
        match kind {
            DayKind::Weekday => weekday,
            DayKind::Weekend => weekend,
        }
    }

    /// All parts, in the order of the units' names.
    pub fn parts(&self) -> impl Iterator<Item = (&Arc<str>, DayKind, &Part)> {
        self.units.sorted().flat_map(|(unit, place)| {
            let parts = self.parts.get(place).into_iter().flatten();
            DayKind::ALL.into_iter().zip(parts).map(move |(kind, part)| (unit, kind, part))
        })
    }
}

impl Part {
    /// Whether nothing was counted in it.
    pub fn is_empty(&self) -> bool {
        let none = |shift: &ShiftPart| {
            shift.delays.is_empty() && shift.cells.iter().all(|cell| *cell == Cell::default())
        };
        self.complete.1 == 0
            && self.census.0 == 0
            && self.watched == Watched::default()
            && self.days.iter().all(|days| days.1 == 0)
            && self.shifts.iter().all(none)
    }

    /// The sum of a shift, by its place.
    pub fn shift(&mut self, shift: usize) -> &mut ShiftPart {
        at(&mut self.shifts, shift)
    }

    /// The sum of a requirement in a shift, by their places.
    pub fn cell(&mut self, shift: usize, requirement: usize) -> &mut Cell {
        at(&mut at(&mut self.shifts, shift).cells, requirement)
    }

    /// The patient-days of a requirement, by its place.
    pub fn day(&mut self, requirement: usize) -> &mut (u64, u64) {
        at(&mut self.days, requirement)
    }
}

/// The element at `place`, made where there is none yet.
fn at<T: Default>(all: &mut Vec<T>, place: usize) -> &mut T {
    if all.len() <= place {
        all.resize_with(place + 1, T::default);
    }
    // it was just made
    #[allow(clippy::indexing_slicing, reason = "the list was made long enough above")]
    &mut all[place]
}
