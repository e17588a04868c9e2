//! Hours that go on by themselves: what a ledger will say of them at any instant before its next wake.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::attribute::segments;
use super::kinds::Frame;
use super::lapse::Found;
use super::ledger::{Cell, CellKey};
use super::line::Line;
use super::place::{Places, places};
use super::protocol::Rules;
use super::time::{Instant, Span, Spans};

/// Time ahead in which one requirement applies, in one unit and of one sort.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Ahead {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// `Location` id, empty if not known.
    pub unit: Arc<str>,
    /// When; it begins at the ledger's instant at the earliest and ends at its wake at the latest.
    pub span: Span,
    /// What the time counts as.
    pub sort: Sort,
}

/// What time at risk counts as.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Sort {
    /// At risk and covered.
    Covered,
    /// At risk, after a missed deadline.
    Lapsed,
    /// At risk, and charting is not known to reach it.
    Unverified,
}

/// What lies ahead of `line` after `frame.now`, as things stand then.
pub(super) fn ahead(line: &Line<'_>, lapses: &[Found<'_>], frame: &Frame<'_>, places: &Places) -> Vec<Ahead> {
    let future = line.at_risk.within(Span::new(frame.now, Instant::LATEST));
    if future.is_empty() {
        return Vec::new();
    }
    let told = future.within(Span::new(Instant::EARLIEST, frame.horizon));
    let verified = told.minus(frame.unverified);
    let covered = verified.minus(&Spans::union(lapses.iter().map(Found::span)));
    let sorts = [
        (Sort::Lapsed, verified.minus(&covered)),
        (Sort::Unverified, future.minus(&verified)),
        (Sort::Covered, covered),
    ];
    let mut out = Vec::new();
    for (sort, spans) in sorts {
        for span in spans.iter() {
            let mut from = span.from;
            let borders = places.borders().filter(|b| span.from < *b && *b < span.to);
            for to in borders.chain([span.to]) {
                let unit = places.at(from).cloned().unwrap_or_default();
                let requirement = line.requirement.id.clone();
                out.push(Ahead { requirement, unit, span: Span::new(from, to), sort });
                from = to;
            }
        }
    }
    out
}

/// The part of `ahead` that lies before `wake`; none: all of it.
pub(super) fn until(ahead: Vec<Ahead>, wake: Option<Instant>) -> Vec<Ahead> {
    let to = wake.unwrap_or(Instant::LATEST);
    let cut = ahead.into_iter().map(|a| Ahead { span: Span::new(a.span.from, a.span.to.min(to)), ..a });
    cut.filter(|a| !a.span.is_empty()).collect()
}

/// What is to be added to the cells of the ledger that `ahead` was told with, to have the hours at `now`.
pub fn hours(ahead: &[Ahead], now: Instant, rules: &Rules) -> BTreeMap<CellKey, Cell> {
    let mut out: BTreeMap<CellKey, Cell> = BTreeMap::new();
    let nowhere = places(&[]);
    // the requirements of a stay share their spans
    let mut cut: Vec<(Span, super::attribute::Segments)> = Vec::new();
    for part in ahead {
        let span = Span::new(part.span.from, part.span.to.min(now));
        if span.is_empty() {
            continue;
        }
        if cut.last().is_none_or(|(known, _)| *known != span) {
            cut.push((span, segments(span, &nowhere, rules)));
        }
        let Some((_, pieces)) = cut.last() else { continue };
        for piece in pieces.iter() {
            let key = CellKey {
                unit: part.unit.clone(),
                day: piece.day,
                shift: piece.shift.clone(),
                requirement: part.requirement.clone(),
            };
            let (cell, length) = (out.entry(key).or_default(), piece.span.length());
            match part.sort {
                Sort::Covered => {
                    cell.at_risk += length;
                    cell.covered += length;
                }
                Sort::Lapsed => cell.at_risk += length,
                Sort::Unverified => cell.unverified += length,
            }
        }
    }
    out
}
