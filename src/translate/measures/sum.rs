//! What a group, or a stratum of it, came to.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::Kind;
use super::definition::Subject;
use crate::care::ledger::Cell;
use crate::care::statistics::wilson;
use crate::care::tally::{CensusCell, DayCell, Tally};
use crate::care::time::Length;

/// A part of the tally, added up. Each measure fills what it counts and leaves the rest at 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Sum {
    pub(super) cell: Cell,
    complete: u64,
    days: u64,
    ventilated: u64,
    patients: u64,
}

/// The numbers of a measure for a sum.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Counts {
    /// Also the initial population.
    pub(super) denominator: u64,
    pub(super) exception: u64,
    pub(super) numerator: u64,
    /// The score is `part / of`, and there is none where `of` is 0.
    pub(super) part: u64,
    pub(super) of: u64,
}

/// The same sum by unit and by shift.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Sums {
    pub(super) whole: Sum,
    pub(super) by_unit: BTreeMap<Arc<str>, Sum>,
    pub(super) by_shift: BTreeMap<Arc<str>, Sum>,
}

impl Sum {
    fn add(&mut self, other: &Sum) {
        self.cell.add(&other.cell);
        self.complete += other.complete;
        self.days += other.days;
        self.ventilated += other.ventilated;
        self.patients += other.patients;
    }

    pub(super) fn counts(&self, kind: Kind) -> Counts {
        let of_days = |part, of| Counts { denominator: of, exception: 0, numerator: part, part, of };
        let Cell { met, missed, excused, at_risk, covered, .. } = self.cell;
        let (met, missed, excused) = (u64::from(met), u64::from(missed), u64::from(excused));
        match kind {
            Kind::Timeliness => Counts {
                denominator: met + missed + excused,
                exception: excused,
                numerator: met,
                part: met,
                of: met + missed,
            },
            Kind::HoursCovered => Counts {
                denominator: micros(at_risk) / MINUTE,
                exception: 0,
                numerator: micros(covered) / MINUTE,
                part: micros(covered),
                of: micros(at_risk),
            },
            Kind::DailyBrushing | Kind::CompleteDay => of_days(self.complete, self.days),
            Kind::VentilatorDays => of_days(self.ventilated, self.patients),
        }
    }
}

const MINUTE: u64 = 60_000_000;

fn micros(length: Length) -> u64 {
    u64::try_from(length.as_micros()).unwrap_or(0)
}

impl Counts {
    /// The 95 % interval of the score, where the score is a share of counted things and not of time or of everyone.
    pub(super) fn interval(&self, kind: Kind) -> Option<(f64, f64)> {
        match kind {
            Kind::Timeliness | Kind::DailyBrushing | Kind::CompleteDay => wilson(self.part, self.of),
            Kind::HoursCovered | Kind::VentilatorDays => None,
        }
    }
}

/// Adds up what of `tally` belongs to a group.
pub(super) fn sums(kind: Kind, subject: &Subject, tally: &Tally) -> Sums {
    let mut sums = Sums::default();
    match (kind, subject) {
        (Kind::Timeliness | Kind::HoursCovered, Subject::Requirement(id, _)) => {
            for (key, cell) in tally.cells.iter().filter(|(key, _)| key.requirement == *id) {
                sums.add(&key.unit, Some(&key.shift), &Sum { cell: *cell, ..Sum::default() });
            }
        }
        (Kind::DailyBrushing, Subject::Requirement(id, _)) => {
            for ((unit, _), day) in &tally.days {
                if let Some((complete, of)) = day.requirements.get(id) {
                    sums.add(unit, None, &of_days(*complete, *of));
                }
            }
        }
        (Kind::CompleteDay, Subject::Whole) => {
            for ((unit, _), DayCell { complete, of, .. }) in &tally.days {
                sums.add(unit, None, &of_days(*complete, *of));
            }
        }
        (Kind::VentilatorDays, Subject::Whole) => {
            for ((unit, _), CensusCell { patients, ventilated }) in &tally.census {
                let (patients, ventilated) = (u64::from(*patients), u64::from(*ventilated));
                sums.add(unit, None, &Sum { patients, ventilated, ..Sum::default() });
            }
        }
        (Kind::Timeliness | Kind::HoursCovered | Kind::DailyBrushing, Subject::Whole)
        | (Kind::CompleteDay | Kind::VentilatorDays, Subject::Requirement(..)) => {}
    }
    sums
}

fn of_days(complete: u32, days: u32) -> Sum {
    Sum { complete: u64::from(complete), days: u64::from(days), ..Sum::default() }
}

impl Sums {
    fn add(&mut self, unit: &Arc<str>, shift: Option<&Arc<str>>, sum: &Sum) {
        self.whole.add(sum);
        self.by_unit.entry(unit.clone()).or_default().add(sum);
        if let Some(shift) = shift {
            self.by_shift.entry(shift.clone()).or_default().add(sum);
        }
    }
}
