//! To which unit, local day and shift a count or an hour belongs.

use std::sync::Arc;

use chrono::NaiveDate;

use super::place::Places;
use super::protocol::Rules;
use super::time::{Instant, Span, local_instant, next_day};

/// A stretch of time in one unit, on one local day, in one shift.
#[derive(Clone, Debug)]
pub(super) struct Segment {
    pub(super) span: Span,
    pub(super) unit: Arc<str>,
    pub(super) day: NaiveDate,
    pub(super) shift: Arc<str>,
}

/// Segments in order, without gaps.
pub(super) struct Segments(Vec<Segment>);

/// Cuts `span` at unit changes, local midnights and shift starts.
pub(super) fn segments(span: Span, places: &Places, rules: &Rules) -> Segments {
    let nowhere: Arc<str> = "".into();
    let mut borders: Vec<(Instant, NaiveDate)> = Vec::new();
    let (mut day, last) = (span.from.day(rules.zone), span.to.day(rules.zone));
    while day <= last {
        borders.push((local_instant(day, chrono::NaiveTime::MIN, rules.zone), day));
        borders.extend(rules.shifts.iter().map(|s| (local_instant(day, s.from, rules.zone), day)));
        day = next_day(day);
    }
    borders.extend(places.borders().filter(|b| span.contains(*b)).map(|b| (b, b.day(rules.zone))));
    borders.push((span.from, span.from.day(rules.zone)));
    borders.retain(|(at, _)| span.contains(*at));
    borders.sort_unstable();
    borders.dedup_by_key(|(at, _)| *at);
    let ends = borders.iter().skip(1).map(|(at, _)| *at).chain([span.to]);
    let segment = |((from, day), to): (&(Instant, NaiveDate), Instant)| Segment {
        span: Span::new(*from, to),
        unit: places.at(*from).unwrap_or(&nowhere).clone(),
        day: *day,
        shift: rules.shift_at(*from),
    };
    Segments(borders.iter().zip(ends).map(segment).collect())
}

impl Segments {
    /// The index of the segment that holds `at`; of the last one for what lies behind.
    pub(super) fn index(&self, at: Instant) -> usize {
        self.0.partition_point(|s| s.span.to <= at).min(self.0.len().saturating_sub(1))
    }

    /// The segment at `index`.
    pub(super) fn get(&self, index: usize) -> Option<&Segment> {
        self.0.get(index)
    }

    /// The segment that holds `at`; the last one for what lies behind.
    pub(super) fn at(&self, at: Instant) -> Option<&Segment> {
        self.get(self.index(at))
    }

    /// In order.
    pub(super) fn iter(&self) -> impl Iterator<Item = &Segment> {
        self.0.iter()
    }
}
