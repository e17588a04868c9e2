//! One requirement of one stay: when it applied, and what credited or excused it.

use std::sync::Arc;

use chrono::NaiveDate;

use super::facts::{Facts, Source, When};
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
    pub(super) marks: Vec<Mark>,
    /// Credits and excuses of which only the day is known, sorted.
    pub(super) day_marks: Vec<DayMark>,
}

/// One episode's part of the time in which a requirement applies. The gaps in it suspend its clock.
#[derive(Debug)]
pub(super) struct Stretch {
    pub(super) pieces: Spans,
    /// From the first at-risk instant to the last.
    pub(super) hull: Span,
}

/// Credit or excuse.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Sign {
    /// Care was given.
    Credit,
    /// Care was not given, for a reason that counts.
    Excuse,
}

/// All care, or all excuses, of one instant.
#[derive(Debug)]
pub(super) struct Mark {
    pub(super) at: Instant,
    pub(super) sign: Sign,
    /// Index into the line's stretches.
    pub(super) stretch: usize,
    /// True if at risk at that instant, false in a gap.
    pub(super) at_risk: bool,
    pub(super) late: bool,
    /// When the first of them reached us.
    pub(super) received: Instant,
    pub(super) evidence: Vec<Source>,
}

/// Care or an excuse of which only the local day is known.
#[derive(Debug)]
pub(super) struct DayMark {
    pub(super) day: NaiveDate,
    pub(super) sign: Sign,
    pub(super) late: bool,
    pub(super) evidence: Source,
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
    /// The line of `requirement` in `times`, with the marks up to `seen`.
    pub(super) fn new(
        place: (usize, usize),
        requirement: &'a Requirement,
        times: Times<'_>,
        facts: &Facts,
        rules: &Rules,
        seen: Instant,
    ) -> Self {
        let wanted = match &requirement.condition {
            None => times.scope.clone(),
            Some(name) => {
                let holds =
                    facts.conditions.iter().filter(|c| c.name == *name).map(|c| Span::until(c.from, c.to));
                times.scope.and(&Spans::union(holds))
            }
        };
        let at_risk = wanted.minus(times.away);
        let by_episode = times.episodes.iter().map(|e| at_risk.within(e));
        let stretches: Vec<Stretch> =
            by_episode.filter_map(|pieces| Some(Stretch { hull: pieces.hull()?, pieces })).collect();
        let mut line =
            Line { place, requirement, wanted, at_risk, stretches, marks: Vec::new(), day_marks: Vec::new() };
        line.read_marks(facts, rules, seen);
        line
    }

    fn read_marks(&mut self, facts: &Facts, rules: &Rules, seen: Instant) {
        let wanted =
            |codes: &[super::facts::Code]| codes.iter().any(|c| self.requirement.activities.contains(c));
        let care = facts.care.iter().filter(|c| wanted(&c.activities));
        let care = care.map(|c| (c.at, Sign::Credit, c.recorded, c.received, &c.source));
        let excuses = facts.excuses.iter().filter(|x| wanted(&x.activities));
        let excuses = excuses.map(|x| (x.at, Sign::Excuse, x.recorded, x.received, &x.source));
        let mut instants: Vec<(Instant, Sign, &Source, Instant, Instant)> = Vec::new();
        for (when, sign, recorded, received, source) in care.chain(excuses) {
            match when {
                When::At(at) if at <= seen => instants.push((at, sign, source, recorded, received)),
                When::At(_) => {}
                When::Day(day) => {
                    let late = recorded > Span::day(day, rules.zone).to + rules.allowance;
                    self.day_marks.push(DayMark { day, sign, late, evidence: source.clone() });
                }
            }
        }
        self.day_marks.sort_by(|a, b| (a.day, a.sign, &a.evidence).cmp(&(b.day, b.sign, &b.evidence)));
        self.day_marks.dedup_by(|a, b| (a.day, a.sign, &a.evidence) == (b.day, b.sign, &b.evidence));
        instants.sort_unstable();
        for (at, sign, source, recorded, received) in instants {
            let late = recorded > at + rules.allowance;
            match self.marks.last_mut() {
                Some(last) if last.at == at => {
                    // credits sort first: an excuse at the instant of a credit says nothing
                    if last.sign == sign {
                        last.late &= late;
                        last.received = last.received.min(received);
                        if last.evidence.last() != Some(source) {
                            last.evidence.push(source.clone());
                        }
                    }
                }
                Some(_) | None => {
                    let Some(stretch) = self.stretches.iter().position(|s| s.hull.contains(at)) else {
                        continue;
                    };
                    let at_risk = self.at_risk.contains(at);
                    self.marks.push(Mark {
                        at,
                        sign,
                        stretch,
                        at_risk,
                        late,
                        received,
                        evidence: vec![source.clone()],
                    });
                }
            }
        }
    }

    /// The requirement's id.
    pub(super) fn id(&self) -> Arc<str> {
        self.requirement.id.clone()
    }

    /// The marks of one sign.
    pub(super) fn signed(&self, sign: Sign) -> impl Iterator<Item = &Mark> {
        self.marks.iter().filter(move |m| m.sign == sign)
    }

    /// The marks of one stretch.
    pub(super) fn marks_of(&self, stretch: usize) -> &[Mark] {
        let from = self.marks.partition_point(|m| m.stretch < stretch);
        let to = self.marks.partition_point(|m| m.stretch <= stretch);
        self.marks.get(from..to).unwrap_or_default()
    }
}
