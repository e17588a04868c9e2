//! Tallies: what was counted and the hours of each line, by segment, then as the ledger tells them.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::attribute::Segments;
use super::kinds::{Chance, Frame};
use super::lapse::Found;
use super::ledger::{Cell, CellKey, Outcome, PatientDay, RequirementCounts};
use super::line::Line;
use super::time::{Instant, Length, Span, Spans, TICK};

/// The tallies of a line: one for each segment.
pub(super) struct Column<'a> {
    pub(super) line: &'a Line<'a>,
    cells: Vec<Cell>,
}

impl<'a> Column<'a> {
    /// The hours of `line` up to now.
    pub(super) fn hours(
        line: &'a Line<'a>,
        lapses: &[Found<'_>],
        frame: &Frame<'_>,
        segments: &Segments,
    ) -> Self {
        let until = |at| Span::new(Instant::EARLIEST, at);
        let past = line.at_risk.within(until(frame.now));
        let verified = past.within(until(frame.cut)).minus(frame.unverified);
        let covered = verified.minus(&Spans::union(lapses.iter().map(Found::span)));
        let cell = |span: Span| {
            let at_risk = verified.length_within(span);
            let unverified = past.length_within(span) - at_risk;
            Cell { at_risk, covered: covered.length_within(span), unverified, ..Cell::default() }
        };
        Column { line, cells: segments.iter().map(|s| cell(s.span)).collect() }
    }

    /// Counts a chance that belongs to the segment at `index`.
    pub(super) fn count(&mut self, index: usize, chance: &Chance<'_>, allowance: Length) {
        let Some(cell) = self.cells.get_mut(index) else { return };
        match chance.outcome {
            Outcome::Met => cell.met += 1,
            Outcome::Missed => cell.missed += 1,
            Outcome::Excused => cell.excused += 1,
        }
        cell.late_charted += u32::from(chance.delay.is_some_and(|delay| delay > allowance));
    }
}

/// All tallies that are not zero.
pub(super) fn cells(columns: &[Column<'_>], segments: &Segments) -> BTreeMap<CellKey, Cell> {
    let mut out: Vec<(CellKey, Cell)> = Vec::with_capacity(columns.len() * segments.iter().count());
    let mut rows: Vec<usize> = (0..segments.iter().count()).collect();
    rows.sort_by_key(|row| segments.get(*row).map(|s| (&s.unit, s.day, &s.shift)));
    let mut columns: Vec<&Column<'_>> = columns.iter().collect();
    columns.sort_by_key(|c| &c.line.requirement.id);
    // in the order of the keys, so that the map need not be searched
    for row in rows.chunk_by(|a, b| {
        let key = |row: usize| segments.get(row).map(|s| (&s.unit, s.day, &s.shift));
        key(*a) == key(*b)
    }) {
        let Some(segment) = row.first().and_then(|r| segments.get(*r)) else { continue };
        for column in &columns {
            let mut sum = Cell::default();
            row.iter().filter_map(|r| column.cells.get(*r)).for_each(|cell| sum.add(cell));
            if sum == Cell::default() {
                continue;
            }
            let requirement = &column.line.requirement.id;
            match out.last_mut() {
                Some((key, cell))
                    if key.requirement == *requirement
                        && (&key.unit, key.day, &key.shift)
                            == (&segment.unit, segment.day, &segment.shift) =>
                {
                    cell.add(&sum);
                }
                Some(_) | None => {
                    let key = CellKey {
                        unit: segment.unit.clone(),
                        day: segment.day,
                        shift: segment.shift.clone(),
                        requirement: requirement.clone(),
                    };
                    out.push((key, sum));
                }
            }
        }
    }
    out.into_iter().collect()
}

/// The days on which something was counted.
pub(super) fn patient_days(
    columns: &[Column<'_>],
    frame: &Frame<'_>,
    segments: &Segments,
) -> Vec<PatientDay> {
    let mut days: BTreeMap<NaiveDate, RequirementCounts> = BTreeMap::new();
    for column in columns {
        for (cell, segment) in column.cells.iter().zip(segments.iter()) {
            if cell.met + cell.missed + cell.excused > 0 {
                let counts = days.entry(segment.day).or_default();
                let counts = counts.entry(column.line.requirement.id.clone()).or_default();
                counts.0 += cell.met;
                counts.1 += cell.missed;
                counts.2 += cell.excused;
            }
        }
    }
    let unit = |day| {
        let whole = Span::day(day, frame.rules.zone);
        let span = Span::new(whole.from, whole.to.min(frame.cut));
        let last = columns.iter().filter_map(|c| last_in(&c.line.at_risk, span)).max();
        last.and_then(|at| segments.at(at)).map(|s| s.unit.clone()).unwrap_or_default()
    };
    days.into_iter().map(|(day, counts)| PatientDay { day, unit: unit(day), counts }).collect()
}

/// The last instant of `spans` in `span`.
fn last_in(spans: &Spans, span: Span) -> Option<Instant> {
    let last = spans.iter().map(|s| s.and(span)).rfind(|s| !s.is_empty());
    last.map(|s| s.to - TICK)
}
