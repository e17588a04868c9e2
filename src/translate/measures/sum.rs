//! What a group, or a stratum of it, came to.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::definition::Subject;
use super::kind::{Counted, Score};
use crate::care::delays::Delays;
use crate::care::ledger::Cell;
use crate::care::statistics::{Interval, rate, wilson};
use crate::care::time::Length;
use crate::care::totals::{DayKind, Part, Totals};

/// A part of the totals, added up. Each measure fills what it counts and leaves the rest at 0.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Sum {
    pub(super) met: u64,
    pub(super) missed: u64,
    pub(super) excused: u64,
    pub(super) late: u64,
    pub(super) at_risk: Length,
    pub(super) covered: Length,
    pub(super) unverified: Length,
    pub(super) delays: Delays,
    /// Patient-days that were complete, and all.
    days: (u64, u64),
    /// Patients at the daily counts, and ventilated ones.
    census: (u64, u64),
    /// Events, and those with signs of infection.
    events: (u64, u64),
}

/// The numbers of a measure for a sum.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Counts {
    /// The initial population; also the denominator, where there is one.
    pub(super) denominator: u64,
    pub(super) exception: u64,
    pub(super) numerator: u64,
    /// The score is `part / of`, of a rate a thousand times that, and there is none where `of` is 0.
    pub(super) part: u64,
    pub(super) of: u64,
}

/// A rate is told for so many days.
pub(super) const RATE_DAYS: u64 = 1_000;

/// The same sum by each stratifier.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Sums {
    pub(super) whole: Sum,
    /// In the order of the units' ids.
    pub(super) by_unit: Vec<(Arc<str>, Sum)>,
    pub(super) by_shift: BTreeMap<Arc<str>, Sum>,
    pub(super) by_day: BTreeMap<DayKind, Sum>,
    /// Of complete days these do not add up to the whole.
    pub(super) by_requirement: BTreeMap<Arc<str>, Sum>,
}

const MINUTE: u64 = 60_000_000;

fn micros(length: Length) -> u64 {
    u64::try_from(length.as_micros()).unwrap_or(0)
}

impl Sum {
    fn add(&mut self, other: &Sum) {
        self.met += other.met;
        self.missed += other.missed;
        self.excused += other.excused;
        self.late += other.late;
        self.at_risk += other.at_risk;
        self.covered += other.covered;
        self.unverified += other.unverified;
        self.delays.add(&other.delays);
        self.days = (self.days.0 + other.days.0, self.days.1 + other.days.1);
        self.census = (self.census.0 + other.census.0, self.census.1 + other.census.1);
        self.events = (self.events.0 + other.events.0, self.events.1 + other.events.1);
    }

    pub(super) fn counts(&self, counted: Counted) -> Counts {
        let share = |part, of| Counts { denominator: of, exception: 0, numerator: part, part, of };
        let minutes = |part, of| Counts {
            denominator: micros(of) / MINUTE,
            exception: 0,
            numerator: micros(part) / MINUTE,
            part: micros(part),
            of: micros(of),
        };
        match counted {
            Counted::Opportunities => Counts {
                denominator: self.met + self.missed + self.excused,
                exception: self.excused,
                numerator: self.met,
                part: self.met,
                of: self.met + self.missed,
            },
            Counted::Covered => minutes(self.covered, self.at_risk),
            Counted::Unverified => minutes(self.unverified, self.all_at_risk()),
            Counted::RequirementDays | Counted::CompleteDays => share(self.days.0, self.days.1),
            Counted::Charting => share(self.met - self.late.min(self.met), self.met),
            Counted::VentilatorDays => share(0, self.census.1),
            Counted::PatientDays => share(0, self.census.0),
            Counted::Utilisation => share(self.census.1, self.census.0),
            Counted::Events => share(self.events.0, self.census.1),
            Counted::InfectedEvents => share(self.events.1, self.census.1),
        }
    }

    /// Every count that a report tells, or that follows from those it tells by one subtraction. Time is no count.
    pub(super) fn told(&self, counted: Counted) -> Vec<u64> {
        let parts = |part: u64, of: u64| vec![of, part, of.saturating_sub(part)];
        match counted {
            Counted::Opportunities => {
                let (met, missed, excused) = (self.met, self.missed, self.excused);
                let all = met + missed + excused;
                let in_time = met.saturating_sub(self.late);
                vec![all, met, missed, excused, all - excused, self.late, in_time]
            }
            Counted::Covered | Counted::Unverified => Vec::new(),
            Counted::RequirementDays | Counted::CompleteDays => parts(self.days.0, self.days.1),
            Counted::Charting => parts(self.late, self.met),
            Counted::VentilatorDays => vec![self.census.1],
            Counted::PatientDays => vec![self.census.0],
            Counted::Utilisation => parts(self.census.1, self.census.0),
            Counted::Events => vec![self.census.1, self.events.0],
            Counted::InfectedEvents => vec![self.census.1, self.events.1],
        }
    }

    /// Time at risk, verified or not.
    pub(super) fn all_at_risk(&self) -> Length {
        self.at_risk + self.unverified
    }
}

impl From<&Cell> for Sum {
    fn from(cell: &Cell) -> Sum {
        let Cell { met, missed, excused, late_charted, at_risk, covered, unverified } = *cell;
        Sum {
            met: met.into(),
            missed: missed.into(),
            excused: excused.into(),
            late: late_charted.into(),
            at_risk,
            covered,
            unverified,
            ..Sum::default()
        }
    }
}

impl Counts {
    /// The 95 % interval of the score, where the score is a share of counted things or a rate, and not a share of time or
    /// of everyone.
    pub(super) fn interval(&self, counted: Counted) -> Option<Interval> {
        match counted.score() {
            Score::Share => wilson(self.part, self.of),
            Score::Rate => Some(rate::rate(self.part, self.days()?)?.interval),
            Score::Whole | Score::None => None,
        }
    }

    /// The exposure of a rate in the unit it is told for; none without any.
    pub(super) fn days(&self) -> Option<f64> {
        (self.of > 0).then(|| self.of as f64 / RATE_DAYS as f64)
    }
}

/// Adds up what of `totals` belongs to a group.
pub(super) fn sums(counted: Counted, subject: &Subject, totals: &Totals) -> Sums {
    let mut sums = Sums::default();
    let group = match subject {
        Subject::Requirement(id, _) => totals.requirements.find(id),
        Subject::Whole => None,
    };
    for (unit, kind, part) in totals.parts() {
        match (counted, subject) {
            (Counted::Opportunities | Counted::Covered | Counted::Unverified, Subject::Requirement(..)) => {
                sums.add_cells(totals, (unit, kind), part, group);
            }
            (Counted::RequirementDays, Subject::Requirement(..)) => {
                let days = group.and_then(|group| part.days.get(group)).copied().unwrap_or_default();
                sums.add(unit, kind, None, &Sum { days, ..Sum::default() }, days.1 > 0);
            }
            (Counted::CompleteDays, Subject::Whole) => {
                let days = part.complete;
                sums.add(unit, kind, None, &Sum { days, ..Sum::default() }, days.1 > 0);
                for (place, days) in part.days.iter().enumerate().filter(|(_, days)| days.1 > 0) {
                    sums.add_requirement(totals, place, &Sum { days: *days, ..Sum::default() });
                }
            }
            (Counted::Charting, Subject::Whole) => sums.add_charting(totals, (unit, kind), part),
            (Counted::VentilatorDays | Counted::PatientDays | Counted::Utilisation, Subject::Whole) => {
                let census = part.census;
                sums.add(unit, kind, None, &Sum { census, ..Sum::default() }, census.0 > 0);
            }
            (Counted::Events | Counted::InfectedEvents, Subject::Whole) => {
                let events = (u64::from(part.watched.events), u64::from(part.watched.infected));
                let sum = Sum { census: part.census, events, ..Sum::default() };
                sums.add(unit, kind, None, &sum, part.census.1 > 0 || events.0 > 0);
            }
            (
                Counted::Opportunities | Counted::Covered | Counted::Unverified | Counted::RequirementDays,
                Subject::Whole,
            )
            | (
                Counted::CompleteDays
                | Counted::Charting
                | Counted::VentilatorDays
                | Counted::PatientDays
                | Counted::Utilisation
                | Counted::Events
                | Counted::InfectedEvents,
                Subject::Requirement(..),
            ) => {}
        }
    }
    sums
}

/// What of `totals` belongs to a group, all together.
pub(super) fn whole(counted: Counted, subject: &Subject, totals: &Totals) -> Sum {
    sums(counted, subject, totals).whole
}

impl Sums {
    fn add(&mut self, unit: &Arc<str>, kind: DayKind, shift: Option<&Arc<str>>, sum: &Sum, any: bool) {
        if !any {
            return;
        }
        self.whole.add(sum);
        match self.by_unit.last_mut() {
            // the parts come in the order of the units
            Some((last, of_unit)) if last == unit => of_unit.add(sum),
            Some(_) | None => self.by_unit.push((unit.clone(), sum.clone())),
        }
        self.by_day.entry(kind).or_default().add(sum);
        if let Some(shift) = shift {
            self.by_shift.entry(shift.clone()).or_default().add(sum);
        }
    }

    fn add_requirement(&mut self, totals: &Totals, place: usize, sum: &Sum) {
        if let Some(name) = totals.requirements.name(place) {
            self.by_requirement.entry(name.clone()).or_default().add(sum);
        }
    }

    fn add_cells(
        &mut self,
        totals: &Totals,
        (unit, kind): (&Arc<str>, DayKind),
        part: &Part,
        group: Option<usize>,
    ) {
        for (place, shift) in part.shifts.iter().enumerate() {
            let cell = group.and_then(|group| shift.cells.get(group)).copied().unwrap_or_default();
            self.add(unit, kind, totals.shifts.name(place), &Sum::from(&cell), cell != Cell::default());
        }
    }

    fn add_charting(&mut self, totals: &Totals, (unit, kind): (&Arc<str>, DayKind), part: &Part) {
        for (place, shift) in part.shifts.iter().enumerate() {
            let mut sum = Sum { delays: shift.delays.clone(), ..Sum::default() };
            for (requirement, cell) in shift.cells.iter().enumerate().filter(|(_, cell)| cell.met > 0) {
                let (met, late) = (u64::from(cell.met), u64::from(cell.late_charted));
                sum.met += met;
                sum.late += late;
                self.add_requirement(totals, requirement, &Sum { met, late, ..Sum::default() });
            }
            self.add(unit, kind, totals.shifts.name(place), &sum, sum.met > 0);
        }
    }
}
