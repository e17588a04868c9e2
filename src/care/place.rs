//! Where the patient was: overlapping unit spans made into one timeline.

use std::sync::Arc;

use super::facts::UnitSpan;
use super::time::{Instant, Span, Spans};

/// For all time, the unit of the patient.
#[derive(Debug)]
pub(super) struct Places(Vec<(Span, Option<Arc<str>>)>);

/// At each instant the span that began last holds; of two that began together the one with the greater id.
pub(super) fn places(units: &[UnitSpan]) -> Places {
    let mut borders = vec![Instant::EARLIEST, Instant::LATEST];
    for unit in units {
        borders.push(unit.from);
        borders.extend(unit.to);
    }
    borders.sort_unstable();
    borders.dedup();
    let mut out: Vec<(Span, Option<Arc<str>>)> = Vec::with_capacity(borders.len());
    for (from, to) in borders.iter().zip(borders.iter().skip(1)) {
        let here = units.iter().filter(|u| Span::until(u.from, u.to).contains(*from));
        let unit = here.max_by(|a, b| (a.from, &a.unit).cmp(&(b.from, &b.unit))).map(|u| u.unit.clone());
        match out.last_mut() {
            Some((span, last)) if *last == unit => span.to = *to,
            Some(_) | None => out.push((Span::new(*from, *to), unit)),
        }
    }
    Places(out)
}

impl Places {
    /// The unit at `at`; none if not known.
    pub(super) fn at(&self, at: Instant) -> Option<&Arc<str>> {
        let index = self.0.partition_point(|(s, _)| s.to <= at);
        self.0.get(index).and_then(|(_, unit)| unit.as_ref())
    }

    /// The last unit known at or before `at`.
    pub(super) fn last_known(&self, at: Instant) -> Option<&Arc<str>> {
        self.0.iter().rev().filter(|(s, _)| s.from <= at).find_map(|(_, unit)| unit.as_ref())
    }

    /// The first unit known in `span`.
    pub(super) fn first_known(&self, span: Span) -> Option<&Arc<str>> {
        self.0.iter().filter(|(s, _)| !s.and(span).is_empty()).find_map(|(_, unit)| unit.as_ref())
    }

    /// Time in units of which `wanted` is true.
    pub(super) fn time(&self, wanted: impl Fn(Option<&str>) -> bool) -> Spans {
        Spans::union(self.0.iter().filter(|(_, unit)| wanted(unit.as_deref())).map(|(span, _)| *span))
    }

    /// The instants at which the unit changes.
    pub(super) fn borders(&self) -> impl Iterator<Item = Instant> + '_ {
        self.0.iter().skip(1).map(|(span, _)| span.from)
    }
}
