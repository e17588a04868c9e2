//! What a stay contributes to the sums of its days, as numbers under names, and read back; and its hours ahead as bytes.
//!
//! The store adds numbers that have the same topic, unit and name, and knows nothing of what they mean. A name begins
//! with what is counted and the kind of day; what follows is separated by [`BETWEEN`]:
//!
//! | name | numbers |
//! | --- | --- |
//! | `hw` or `he`, shift, requirement | met, missed, excused, charted late; at risk, covered, unverified in microseconds |
//! | `dw`, `de` | patient-days complete, and all |
//! | `dw`, `de`, requirement | the same of one requirement |
//! | `pw`, `pe` | patients at the daily count, ventilated ones |
//! | `sw`, `se` | what surveillance found: events, those with signs of infection, episodes begun, patients on pressure release |
//! | `lw`, `le`, shift | by step of delay: how much care that was met was charted with it |

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::care::ahead::{Ahead, Sort};
use crate::care::delays::Delays;
use crate::care::ledger::{Cell, CellKey, Ledger};
use crate::care::surveillance::denominators::Watched;
use crate::care::tally::{CensusCell, DayCell, Tally};
use crate::care::time::{Instant, Length, Span};
use crate::care::totals::{DayKind, Totals};

/// The topic of all sums but those of delays.
pub const COUNTS: u8 = 0;

/// The topic of the delays of charting.
pub const DELAYS: u8 = 1;

/// What separates the parts of a name.
const BETWEEN: char = '\u{1f}';

/// Numbers that are added under a name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Part {
    /// [`COUNTS`] or [`DELAYS`].
    pub topic: u8,
    /// `Location` id.
    pub unit: Arc<str>,
    /// See the module.
    pub name: String,
    /// See the module.
    pub numbers: Vec<i64>,
}

/// A local day as the store counts days.
pub fn day_number(day: NaiveDate) -> i64 {
    day.signed_duration_since(NaiveDate::default()).num_days()
}

/// The day of a number of [`day_number`].
pub fn day_of(number: i64) -> Option<NaiveDate> {
    let days = Days::new(number.unsigned_abs());
    let epoch = NaiveDate::default();
    if number < 0 { epoch.checked_sub_days(days) } else { epoch.checked_add_days(days) }
}

/// What the stay of `ledger` contributes, with what surveillance found in it, by local day.
pub fn parts(
    ledger: &Ledger,
    watched: &BTreeMap<(Arc<str>, NaiveDate), Watched>,
) -> BTreeMap<NaiveDate, Vec<Part>> {
    let mut tally = Tally::default();
    tally.add(ledger);
    tally.add_watched(watched);
    parts_of(&tally)
}

/// The parts of a tally.
pub fn parts_of(tally: &Tally) -> BTreeMap<NaiveDate, Vec<Part>> {
    let mut days: BTreeMap<NaiveDate, Vec<Part>> = BTreeMap::new();
    let mut put = |day: NaiveDate, topic, unit: &Arc<str>, name, numbers| {
        days.entry(day).or_default().push(Part { topic, unit: unit.clone(), name, numbers });
    };
    for (key, cell) in &tally.cells {
        let name = format!("h{}{BETWEEN}{}{BETWEEN}{}", mark(key.day), key.shift, key.requirement);
        put(key.day, COUNTS, &key.unit, name, numbers(cell).to_vec());
    }
    for ((unit, day), cell) in &tally.days {
        let mark = mark(*day);
        put(*day, COUNTS, unit, format!("d{mark}"), vec![cell.complete.into(), cell.of.into()]);
        for (requirement, (complete, of)) in &cell.requirements {
            let name = format!("d{mark}{BETWEEN}{requirement}");
            put(*day, COUNTS, unit, name, vec![(*complete).into(), (*of).into()]);
        }
    }
    for ((unit, day), count) in &tally.census {
        let numbers = vec![count.patients.into(), count.ventilated.into()];
        put(*day, COUNTS, unit, format!("p{}", mark(*day)), numbers);
    }
    for ((unit, day), found) in &tally.watched {
        let Watched { events, infected, begun, pressure_release } = *found;
        let numbers = [events, infected, begun, pressure_release].map(i64::from).to_vec();
        put(*day, COUNTS, unit, format!("s{}", mark(*day)), numbers);
    }
    for ((unit, day, shift), delays) in &tally.delays {
        let mut numbers = Vec::new();
        for (step, many) in delays.steps() {
            numbers.resize(usize::from(step), 0);
            numbers.push(many.into());
        }
        put(*day, DELAYS, unit, format!("l{}{BETWEEN}{shift}", mark(*day)), numbers);
    }
    days
}

fn numbers(cell: &Cell) -> [i64; 7] {
    let [met, missed, excused, late] =
        [cell.met, cell.missed, cell.excused, cell.late_charted].map(i64::from);
    let [at_risk, covered, unverified] = [cell.at_risk, cell.covered, cell.unverified].map(Length::as_micros);
    [met, missed, excused, late, at_risk, covered, unverified]
}

fn cell_of(numbers: &[i64]) -> Cell {
    let count = |place: usize| whole(numbers.get(place).copied().unwrap_or_default());
    let hours = |place: usize| Length::micros(numbers.get(place).copied().unwrap_or_default());
    Cell {
        met: count(0),
        missed: count(1),
        excused: count(2),
        late_charted: count(3),
        at_risk: hours(4),
        covered: hours(5),
        unverified: hours(6),
    }
}

fn whole(number: i64) -> u32 {
    u32::try_from(number).unwrap_or(if number < 0 { 0 } else { u32::MAX })
}

fn pair(numbers: &[i64]) -> (u32, u32) {
    let at = |place: usize| whole(numbers.get(place).copied().unwrap_or_default());
    (at(0), at(1))
}

fn mark(day: NaiveDate) -> char {
    match DayKind::of(day) {
        DayKind::Weekday => 'w',
        DayKind::Weekend => 'e',
    }
}

/// What a name of [`parts`] says.
enum Name<'a> {
    Cell(DayKind, &'a str, &'a str),
    Days(DayKind, Option<&'a str>),
    Census(DayKind),
    Watched(DayKind),
    Delays(DayKind, &'a str),
}

fn read(name: &str) -> Option<Name<'_>> {
    let mut pieces = name.split(BETWEEN);
    let mut head = pieces.next()?.chars();
    let (what, kind) = (head.next()?, head.next()?);
    let kind = match kind {
        'w' => DayKind::Weekday,
        'e' => DayKind::Weekend,
        _ => return None,
    };
    match (what, pieces.next(), pieces.next()) {
        ('h', Some(shift), Some(requirement)) => Some(Name::Cell(kind, shift, requirement)),
        ('d', requirement, None) => Some(Name::Days(kind, requirement)),
        ('p', None, None) => Some(Name::Census(kind)),
        ('s', None, None) => Some(Name::Watched(kind)),
        ('l', Some(shift), None) => Some(Name::Delays(kind, shift)),
        _ => None,
    }
}

/// Adds numbers of [`parts`] that belong to `day` and `unit` to `tally`. What is no such name is passed over.
pub fn add_to_tally(tally: &mut Tally, day: NaiveDate, unit: &str, name: &str, numbers: &[i64]) {
    let unit: Arc<str> = unit.into();
    match read(name) {
        Some(Name::Cell(_, shift, requirement)) => {
            let key = CellKey { unit, day, shift: shift.into(), requirement: requirement.into() };
            tally.cells.entry(key).or_default().add(&cell_of(numbers));
        }
        Some(Name::Days(_, requirement)) => {
            let (complete, of) = pair(numbers);
            let cell: &mut DayCell = tally.days.entry((unit, day)).or_default();
            match requirement {
                None => {
                    cell.complete += complete;
                    cell.of += of;
                }
                Some(requirement) => {
                    let sum = cell.requirements.entry(requirement.into()).or_default();
                    *sum = (sum.0 + complete, sum.1 + of);
                }
            }
        }
        Some(Name::Census(_)) => {
            let (patients, ventilated) = pair(numbers);
            let cell: &mut CensusCell = tally.census.entry((unit, day)).or_default();
            cell.patients += patients;
            cell.ventilated += ventilated;
        }
        Some(Name::Watched(_)) => tally.watched.entry((unit, day)).or_default().add(&watched_of(numbers)),
        Some(Name::Delays(_, shift)) => {
            let delays = tally.delays.entry((unit, day, shift.into())).or_default();
            steps(numbers).for_each(|(step, many)| delays.put(step, many));
        }
        None => {}
    }
}

fn watched_of(numbers: &[i64]) -> Watched {
    let at = |place: usize| whole(numbers.get(place).copied().unwrap_or_default());
    Watched { events: at(0), infected: at(1), begun: at(2), pressure_release: at(3) }
}

fn steps(numbers: &[i64]) -> impl Iterator<Item = (u16, u32)> {
    (0..).zip(numbers).filter(|(_, many)| **many > 0).map(|(step, many)| (step, whole(*many)))
}

/// Sums of units and blocks of days, added to totals. Rows of many units have the same names: they are read once.
#[derive(Debug)]
pub struct Adding<'a> {
    totals: &'a mut Totals,
    known: HashMap<Vec<u8>, Targets>,
    /// The names of the row before: mostly the next one has the same.
    last: Option<(Vec<u8>, Targets)>,
    units: HashMap<Box<str>, usize>,
}

/// Where the numbers of a row are added, in the order of its names.
type Targets = Arc<[Option<Target>]>;

/// Where numbers are added.
#[derive(Clone, Copy, Debug)]
enum Target {
    Cell(DayKind, usize, usize),
    Days(DayKind, Option<usize>),
    Census(DayKind),
    Watched(DayKind),
    Delays(DayKind, usize),
}

/// The row of one unit while it is added.
#[derive(Debug)]
pub struct AddingUnit<'a> {
    totals: &'a mut Totals,
    unit: usize,
    targets: Targets,
}

impl<'a> Adding<'a> {
    /// To `totals`.
    pub fn to(totals: &'a mut Totals) -> Self {
        Adding { totals, known: HashMap::new(), last: None, units: HashMap::new() }
    }

    /// A row of `unit` with these names; `bytes` are equal where the names are.
    pub fn unit(&mut self, unit: &str, bytes: &[u8], names: impl FnOnce() -> Vec<String>) -> AddingUnit<'_> {
        let same = self.last.as_ref().filter(|(last, _)| last == bytes).map(|(_, targets)| targets.clone());
        let targets = match same.or_else(|| self.known.get(bytes).cloned()) {
            Some(targets) => targets,
            None => {
                let targets: Targets = names().iter().map(|name| self.target(name)).collect();
                self.known.insert(bytes.to_vec(), targets.clone());
                targets
            }
        };
        if self.last.as_ref().is_none_or(|(last, _)| last != bytes) {
            self.last = Some((bytes.to_vec(), targets.clone()));
        }
        let place = self.units.get(unit).copied();
        let unit = place.unwrap_or_else(|| {
            let place = self.totals.units.place(unit);
            self.units.insert(unit.into(), place);
            place
        });
        AddingUnit { totals: &mut *self.totals, unit, targets }
    }

    fn target(&mut self, name: &str) -> Option<Target> {
        let totals = &mut self.totals;
        Some(match read(name)? {
            Name::Cell(kind, shift, requirement) => {
                Target::Cell(kind, totals.shifts.place(shift), totals.requirements.place(requirement))
            }
            Name::Days(kind, requirement) => {
                Target::Days(kind, requirement.map(|requirement| totals.requirements.place(requirement)))
            }
            Name::Census(kind) => Target::Census(kind),
            Name::Watched(kind) => Target::Watched(kind),
            Name::Delays(kind, shift) => Target::Delays(kind, totals.shifts.place(shift)),
        })
    }
}

impl AddingUnit<'_> {
    /// Adds the numbers of the name at a place.
    pub fn add(&mut self, place: usize, numbers: &[i64]) {
        self.change(place, numbers, true);
    }

    /// Takes away numbers that were added.
    pub fn take(&mut self, place: usize, numbers: &[i64]) {
        self.change(place, numbers, false);
    }

    fn change(&mut self, place: usize, numbers: &[i64], adds: bool) {
        let sum = |sum: &mut (u64, u64)| {
            let (a, b) = pair(numbers);
            let by = |sum: u64, n: u32| match adds {
                true => sum + u64::from(n),
                false => sum.saturating_sub(u64::from(n)),
            };
            *sum = (by(sum.0, a), by(sum.1, b));
        };
        match self.targets.get(place).copied().flatten() {
            Some(Target::Cell(kind, shift, requirement)) => {
                let cell = self.totals.part(self.unit, kind).cell(shift, requirement);
                if adds { cell.add(&cell_of(numbers)) } else { cell.take(&cell_of(numbers)) }
            }
            Some(Target::Days(kind, None)) => sum(&mut self.totals.part(self.unit, kind).complete),
            Some(Target::Days(kind, Some(requirement))) => {
                sum(self.totals.part(self.unit, kind).day(requirement));
            }
            Some(Target::Census(kind)) => sum(&mut self.totals.part(self.unit, kind).census),
            Some(Target::Watched(kind)) => {
                let watched = &mut self.totals.part(self.unit, kind).watched;
                if adds { watched.add(&watched_of(numbers)) } else { watched.take(&watched_of(numbers)) }
            }
            Some(Target::Delays(kind, shift)) => {
                let delays = &mut self.totals.part(self.unit, kind).shift(shift).delays;
                if adds {
                    steps(numbers).for_each(|(step, many)| delays.put(step, many));
                } else {
                    let mut taken = Delays::default();
                    steps(numbers).for_each(|(step, many)| taken.put(step, many));
                    delays.take(&taken);
                }
            }
            None => {}
        }
    }
}

/// Hours ahead as they are kept: unit, requirement, sort, from, to in microseconds.
#[derive(Serialize, Deserialize)]
struct Run(Arc<str>, Arc<str>, char, i64, i64);

/// Hours ahead as bytes; none if there are none.
pub fn encode_ahead(ahead: &[Ahead]) -> Option<Vec<u8>> {
    let run = |a: &Ahead| {
        let sort = match a.sort {
            Sort::Covered => 'c',
            Sort::Lapsed => 'l',
            Sort::Unverified => 'u',
        };
        Run(a.unit.clone(), a.requirement.clone(), sort, a.span.from.micros(), a.span.to.micros())
    };
    let runs: Vec<Run> = ahead.iter().map(run).collect();
    // nothing in these types can fail to be written as JSON
    (!runs.is_empty()).then(|| serde_json::to_vec(&runs).unwrap_or_default())
}

/// What [`encode_ahead`] was given.
///
/// # Errors
/// The bytes are of something else.
pub fn decode_ahead(bytes: &[u8]) -> Result<Vec<Ahead>, serde_json::Error> {
    let runs: Vec<Run> = serde_json::from_slice(bytes)?;
    let ahead = |Run(unit, requirement, sort, from, to): Run| Ahead {
        requirement,
        unit,
        span: Span::new(Instant::from_micros(from), Instant::from_micros(to)),
        sort: match sort {
            'c' => Sort::Covered,
            'l' => Sort::Lapsed,
            _ => Sort::Unverified,
        },
    };
    Ok(runs.into_iter().map(ahead).collect())
}
