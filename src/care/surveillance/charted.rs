//! What the record says of one stay, as far as surveillance looks at it.
//!
//! Everything is in whole numbers: 0.60 less 0.40 is not 0.20 in floating point, and an event would be lost.

use std::sync::Arc;

use chrono::NaiveDate;

use crate::care::facts::Source;
use crate::care::time::{Instant, Span};

/// A setting or a measurement.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Reading {
    /// When.
    pub at: Instant,
    /// How much, in the unit that stands beside each use.
    pub value: i64,
    /// Where it was read.
    pub source: Source,
}

/// A mode of support in which settings are not compared as usual.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Mode {
    /// Any other, to which all rules apply.
    Conventional,
    /// Airway pressure release ventilation or a related mode: PEEP is disregarded.
    PressureRelease,
    /// High-frequency ventilation or extracorporeal life support: not under surveillance.
    Excluded,
}

/// A flowsheet row of the mode; it holds until the next one.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct ModeRow {
    /// When.
    pub at: Instant,
    /// Which.
    pub mode: Mode,
    /// Where it was read.
    pub source: Source,
}

/// A support that was charted with its period.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct ModeSpan {
    /// Start.
    pub from: Instant,
    /// End; none while it goes on.
    pub to: Option<Instant>,
    /// Which.
    pub mode: Mode,
    /// Where it was read.
    pub source: Source,
}

/// An antimicrobial was given on a local day.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Given {
    /// Which, by its code.
    pub agent: Arc<str>,
    /// The local day.
    pub day: NaiveDate,
    /// Where it was read.
    pub source: Source,
}

/// What the record says.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Charting {
    /// Positive end-expiratory pressure as set, in hundredths of cmH2O.
    pub peep: Vec<Reading>,
    /// Fraction of inspired oxygen as set, in hundredths of a percent.
    pub fio2: Vec<Reading>,
    /// Modes of ventilation.
    pub modes: Vec<ModeRow>,
    /// Modes and supports with a period of their own.
    pub supports: Vec<ModeSpan>,
    /// Body temperature, in thousandths of a degree Celsius.
    pub temperature: Vec<Reading>,
    /// White cells in blood, for each microlitre.
    pub white_cells: Vec<Reading>,
    /// Antimicrobials.
    pub given: Vec<Given>,
}

impl Charting {
    /// True if nothing of use was charted.
    pub fn is_empty(&self) -> bool {
        *self == Charting::default()
    }

    /// The same for one of several stays of a patient: without the modes of the others. The rest is told apart by its
    /// time alone, and what was given shortly before the stay is no new agent in it.
    #[must_use]
    pub fn of_stay(&self, stay: Span) -> Charting {
        let mut own = self.clone();
        own.modes.retain(|row| stay.contains(row.at));
        own.supports.retain(|s| !Span::until(s.from, s.to).and(stay).is_empty());
        own
    }

    /// True if one of `wanted` was in use at `at`: by a period that holds it, or by the last row before it.
    pub(super) fn in_mode(&self, at: Instant, wanted: &[Mode]) -> bool {
        let spans = || self.supports.iter().filter(|s| s.from <= at && s.to.is_none_or(|to| at < to));
        // of two rows at one instant the one that asks for more caution
        let row = self.modes.iter().filter(|r| r.at <= at).max_by_key(|r| (r.at, r.mode));
        spans().map(|s| s.mode).chain(row.map(|r| r.mode)).any(|mode| wanted.contains(&mode))
    }
}
