//! Lapses: time at risk after a missed deadline, until the next care or excuse or the end of the stretch.

use std::sync::Arc;

use super::deeds::{Evidence, Sign};
use super::kinds::{Chance, Frame, Ground};
use super::ledger::{Lapse, LapseEnd, LapseEnder, Outcome};
use super::line::{Line, Mark};
use super::time::{Instant, Span};

/// A lapse before its documents and its unit are named.
#[derive(Debug)]
pub(super) struct Found<'a> {
    /// The first missed deadline.
    pub(super) from: Instant,
    /// When what was missed had become due.
    pub(super) due: Instant,
    pub(super) ended: Option<End<'a>>,
    /// Deadlines missed in it after the first.
    pub(super) more: Vec<Instant>,
    pub(super) ground: Ground<'a>,
    /// The instant that the first miss belongs to.
    pub(super) at: Instant,
    pub(super) declared: Instant,
    /// It was open when its charting allowance ended, by what had reached us then.
    pub(super) stands: bool,
    /// That, and the allowance is over on a feed that has told everything.
    pub(super) announced: bool,
}

/// How a lapse ended.
#[derive(Clone, Copy, Debug)]
pub(super) struct End<'a> {
    pub(super) at: Instant,
    pub(super) by: LapseEnder,
    pub(super) evidence: Evidence<'a>,
}

/// The lapses of `line`, whose chances are `chances`. A deadline missed while a lapse is open joins it.
pub(super) fn find_lapses<'a>(
    line: &'a Line<'a>,
    chances: &[Chance<'a>],
    frame: &Frame<'_>,
) -> Vec<Found<'a>> {
    let mut missed: Vec<&Chance<'a>> = chances.iter().filter(|c| c.outcome == Outcome::Missed).collect();
    missed.sort_by_key(|c| c.deadline);
    let mut out: Vec<Found<'a>> = Vec::new();
    for miss in missed {
        match out.last_mut().filter(|f| f.holds(miss.deadline)) {
            Some(found) => found.more.push(miss.deadline),
            None => out.push(begin(line, miss, frame)),
        }
    }
    out
}

impl Found<'_> {
    /// True if a deadline missed at `at` belongs to it: it is open then, or `at` is where its stretch ends, or where it
    /// began (several misses of one day share a deadline).
    fn holds(&self, at: Instant) -> bool {
        let still = |end: &End<'_>| end.at > at || (end.by == LapseEnder::EndOfStretch && end.at == at);
        self.from == at || self.ended.as_ref().is_none_or(still)
    }

    /// From its first deadline to its end.
    pub(super) fn span(&self) -> Span {
        Span::until(self.from, self.ended.map(|e| e.at))
    }

    /// As the ledger tells it.
    pub(super) fn lapse(self, line: &Line<'_>, frame: &Frame<'_>, unit: Arc<str>) -> Lapse {
        let span = self.span();
        let within = Span::new(span.from, span.to.min(frame.cut));
        let mut misses = Vec::with_capacity(1 + self.more.len());
        misses.push(self.from);
        misses.extend(self.more);
        Lapse {
            requirement: line.id(),
            place: line.place,
            from: self.from,
            due: self.due,
            ended: self.ended.map(|e| LapseEnd { at: e.at, by: e.by, evidence: e.evidence.sources() }),
            misses,
            basis: self.ground.basis(),
            lapsed: line.at_risk.within(within).minus(frame.unverified).length(),
            declared: self.declared,
            announced: self.announced,
            unit,
        }
    }
}

fn begin<'a>(line: &'a Line<'a>, miss: &Chance<'a>, frame: &Frame<'_>) -> Found<'a> {
    let from = miss.deadline;
    let marks = line.marks_of(miss.stretch);
    let marks = marks.get(marks.partition_point(|m| m.at < from)..).unwrap_or_default();
    let stretch_ends = line.stretches.get(miss.stretch).map_or(Instant::LATEST, |s| s.hull.to);
    let ended = match marks.first() {
        Some(mark) => Some(End {
            at: mark.at,
            by: match mark.sign {
                Sign::Credit => LapseEnder::Care,
                Sign::Excuse => LapseEnder::Excuse,
            },
            evidence: mark.evidence,
        }),
        None if stretch_ends <= frame.now => {
            Some(End { at: stretch_ends, by: LapseEnder::EndOfStretch, evidence: Evidence::NONE })
        }
        None => None,
    };
    let declared = from + frame.rules.allowance;
    // care charted inside the allowance never raises anything
    let known = |m: &Mark<'_>| m.received <= declared;
    let stands = stretch_ends > declared && !marks.iter().take_while(|m| m.at <= declared).any(known);
    Found {
        from,
        due: miss.due,
        ended,
        more: Vec::new(),
        ground: miss.ground,
        at: miss.at,
        declared,
        stands,
        announced: stands && frame.now >= declared && from < frame.cut && frame.watermark >= declared,
    }
}
