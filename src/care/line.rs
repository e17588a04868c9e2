//! One requirement of one stay: when it applied, and what credited or excused it.

use std::sync::Arc;

use chrono::NaiveDate;

use super::deeds::{Deeds, Evidence, Sign};
use super::facts::ConditionSpan;
use super::protocol::{Requirement, Rules};
use super::time::{Instant, Length, Span, Spans};

/// A requirement with the time and the marks that concern it.
#[derive(Debug)]
pub(super) struct Line<'a> {
    /// Index of the protocol and of the requirement in it.
    pub(super) place: (usize, usize),
    pub(super) requirement: &'a Requirement,
    /// All time in which it would apply if the patient were never away.
    pub(super) wanted: Spans,
    /// All time in which it applies.
    pub(super) at_risk: Spans,
    /// The same by episode.
    pub(super) stretches: Vec<Stretch>,
    /// Credits and excuses with an instant that lie in a stretch, sorted; at most one mark per instant.
    pub(super) marks: Vec<Mark<'a>>,
    /// Credits and excuses of which only the day is known, sorted.
    pub(super) day_marks: Vec<DayMark<'a>>,
}

/// One episode's part of the time in which a requirement applies. The gaps in it suspend its clock.
#[derive(Debug)]
pub(super) struct Stretch {
    pub(super) pieces: Spans,
    /// From the first at-risk instant to the last.
    pub(super) hull: Span,
}

/// All care, or all excuses, of one instant.
#[derive(Debug)]
pub(super) struct Mark<'a> {
    pub(super) at: Instant,
    pub(super) sign: Sign,
    /// Index into the line's stretches.
    pub(super) stretch: usize,
    /// True if at risk at that instant, false in a gap.
    pub(super) at_risk: bool,
    /// How long after it the first of them was charted.
    pub(super) delay: Length,
    /// When the first of them reached us.
    pub(super) received: Instant,
    pub(super) evidence: Evidence<'a>,
}

/// Care or an excuse of which only the local day is known.
#[derive(Debug)]
pub(super) struct DayMark<'a> {
    pub(super) day: NaiveDate,
    pub(super) sign: Sign,
    /// How long after the end of that day it was charted.
    pub(super) delay: Length,
    pub(super) evidence: Evidence<'a>,
}

impl Stretch {
    /// Where a deadline at `at` really lies: if it falls into a gap, or into less than `regrace` after it, it moves to
    /// `regrace` after the gap.
    pub(super) fn moved(&self, at: Instant, regrace: Length) -> Instant {
        let mut at = at;
        for gap in self.pieces.gaps() {
            if gap.from <= at && at < gap.to + regrace {
                at = gap.to + regrace;
            }
        }
        at
    }

    /// The first instant at risk at or after `at`; `at` itself if there is none.
    pub(super) fn next_at_risk(&self, at: Instant) -> Instant {
        self.pieces.iter().find(|p| p.to > at).map_or(at, |p| p.from.max(at))
    }
}

/// The time that the lines of a protocol share.
#[derive(Clone, Copy, Debug)]
pub(super) struct Times<'a> {
    /// Ventilated, in the stay, in a unit where the protocol holds; away or not.
    pub(super) scope: &'a Spans,
    pub(super) away: &'a Spans,
    pub(super) episodes: &'a Spans,
}

impl<'a> Line<'a> {
    /// The line of `requirement` in `times`, without marks.
    pub(super) fn new(
        place: (usize, usize),
        requirement: &'a Requirement,
        times: Times<'_>,
        conditions: &[ConditionSpan],
    ) -> Self {
        let wanted = match &requirement.condition {
            None => times.scope.clone(),
            Some(name) => {
                let holds = conditions.iter().filter(|c| c.name == *name).map(|c| Span::until(c.from, c.to));
                times.scope.and(&Spans::union(holds))
            }
        };
        let at_risk = wanted.minus(times.away);
        let mut line = Line {
            place,
            requirement,
            wanted,
            at_risk,
            stretches: Vec::new(),
            marks: Vec::new(),
            day_marks: Vec::new(),
        };
        line.stretch(times.episodes);
        line
    }

    /// Divides the time at risk by episode.
    pub(super) fn stretch(&mut self, episodes: &Spans) {
        let by_episode = episodes.iter().map(|e| self.at_risk.within(e));
        self.stretches =
            by_episode.filter_map(|pieces| Some(Stretch { hull: pieces.hull()?, pieces })).collect();
    }

    /// Reads the marks of `deeds` that happened up to `seen` and were received up to `known`.
    pub(super) fn read(&mut self, deeds: &'a Deeds<'a>, rules: &Rules, seen: Instant, known: Instant) {
        self.marks.clear();
        self.day_marks.clear();
        self.marks.reserve(deeds.dated.len());
        let happened = deeds.dated.partition_point(|d| d.at <= seen);
        let mut rest = deeds.dated.get(..happened).unwrap_or_default();
        while let Some(first) = rest.first() {
            let at = first.at;
            let (here, later) = rest.split_at(rest.iter().take_while(|d| d.at == at).count());
            rest = later;
            // credits sort first: an excuse at the instant of a credit says nothing
            let Some(sign) = here.iter().find(|d| d.received <= known).map(|d| d.sign) else { continue };
            let Some(stretch) = self.stretches.iter().position(|s| s.hull.contains(at)) else { continue };
            let told = || here.iter().filter(|d| d.sign == sign && d.received <= known);
            let from = here.iter().take_while(|d| d.sign != sign).count();
            let of_sign = here.get(from..).unwrap_or_default();
            let of_sign = of_sign.get(..of_sign.iter().take_while(|d| d.sign == sign).count());
            self.marks.push(Mark {
                at,
                sign,
                stretch,
                at_risk: self.at_risk.contains(at),
                delay: delay(at, told().map(|d| d.recorded).min().unwrap_or(at)),
                received: told().map(|d| d.received).min().unwrap_or(at),
                evidence: Evidence::of(of_sign.unwrap_or_default(), known),
            });
        }
        for deed in deeds.days.iter().filter(|d| d.received <= known) {
            let delay = delay(Span::day(deed.at, rules.zone).to, deed.recorded);
            let (day, sign, evidence) = (deed.at, deed.sign, Evidence::one(deed.source));
            self.day_marks.push(DayMark { day, sign, delay, evidence });
        }
        self.day_marks.dedup_by(|a, b| (a.day, a.sign) == (b.day, b.sign) && a.evidence.is(b.evidence));
    }

    /// The requirement's id.
    pub(super) fn id(&self) -> Arc<str> {
        self.requirement.id.clone()
    }

    /// The marks of one sign.
    pub(super) fn signed(&self, sign: Sign) -> impl Iterator<Item = &Mark<'a>> {
        self.marks.iter().filter(move |m| m.sign == sign)
    }

    /// The marks of one stretch.
    pub(super) fn marks_of(&self, stretch: usize) -> &[Mark<'a>] {
        let from = self.marks.partition_point(|m| m.stretch < stretch);
        let to = self.marks.partition_point(|m| m.stretch <= stretch);
        self.marks.get(from..to).unwrap_or_default()
    }
}

/// From `at` until it was charted; nothing if it was charted before.
fn delay(at: Instant, recorded: Instant) -> Length {
    recorded.since(at)
}
