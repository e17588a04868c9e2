//! What was known of ventilation at each instant.
//!
//! Mostly what comes to be known only adds to what was known: a span that was open ends. Such instants share one epoch,
//! and what was known at one of them is what is known at the end of it, cut off there. Where more was known than that
//! (a row of a flowsheet that holds for hours to come) or the past was seen in another light later (a gap that was
//! bridged, a day of which only the date is known), a new epoch begins.

use super::super::airway::{Airway, airway};
use super::super::line::{Line, Stretch};
use super::super::record::Record;
use super::super::time::{Instant, Span, Spans, TICK};

/// A time in which what is known of the past does not change.
#[derive(Debug)]
pub(super) struct Epoch {
    pub(super) span: Span,
    pub(super) airway: Airway,
    /// An end of ventilation up to here was not known before it came; one after it was.
    settled: Instant,
    /// False if it began with no more than that a row went on with what was held, or ended it.
    pub(super) unsettles: bool,
}

/// The epochs up to `until`, in order and without gaps.
pub(super) fn epochs(record: &Record<'_>, until: Instant) -> Vec<Epoch> {
    let (facts, rules, charted) = (record.facts, record.rules, &record.charted);
    let begins = facts.begins.unwrap_or(Instant::EARLIEST);
    let mut steps = charted.steps(rules);
    steps.extend(facts.ends.iter().map(|e| e.at));
    steps.retain(|at| *at <= until);
    steps.sort_unstable();
    steps.dedup();
    let mut out: Vec<Epoch> = Vec::new();
    for at in steps {
        let stay = Span::until(begins, facts.ends.as_ref().map(|e| e.at).filter(|end| *end <= at));
        let known = airway(&charted.by(at, rules), rules, stay, at);
        match out.last_mut() {
            Some(last) if same(&last.airway, &known) => {}
            Some(last) if adds_to(&last.airway, &known, at) => {
                last.airway = known;
                last.settled = at;
            }
            Some(_) | None => {
                let mut unsettles = true;
                if let Some(last) = out.last_mut() {
                    last.span.to = at;
                    unsettles = !confirms(&last.airway, &known, at);
                }
                out.push(Epoch { span: Span::new(at, until + TICK), airway: known, settled: at, unsettles });
            }
        }
    }
    out
}

fn same(a: &Airway, b: &Airway) -> bool {
    a.episodes == b.episodes && a.unverified == b.unverified
}

/// True if up to `at` both say the same, but that what was known last `before` had not been verified then and is now.
fn confirms(before: &Airway, after: &Airway, at: Instant) -> bool {
    let past = Span::new(Instant::EARLIEST, at);
    let only_last =
        before.unverified.hull().is_none_or(|h| at <= h.to) && before.unverified.gaps().next().is_none();
    only_last
        && after.unverified.within(past).is_empty()
        && before.episodes.within(past) == after.episodes.within(past)
}

/// True if up to `at` both say the same, and what was known `before` of later is only what went on then.
fn adds_to(before: &Airway, after: &Airway, at: Instant) -> bool {
    let past = |spans: &Spans| spans.within(Span::new(Instant::EARLIEST, at));
    let over = |spans: &Spans| spans.last().is_none_or(|s| s.to <= at);
    let goes_on = before.episodes.last().is_some_and(|s| s.from < at && s.to == Instant::LATEST);
    (over(&before.episodes) || goes_on)
        && over(&before.unverified)
        && before.unverified == after.unverified
        && past(&before.episodes) == past(&after.episodes)
}

impl Epoch {
    /// How far the episode that holds `at` was known to go.
    pub(super) fn reach(&self, at: Instant) -> Instant {
        let episode = self.airway.episodes.iter().find(|e| e.contains(at));
        episode.map(|e| e.to).filter(|to| *to > self.settled).unwrap_or(Instant::LATEST)
    }

    /// The time in which `line` applied as it was known at `at`.
    pub(super) fn known_at<'a>(&self, line: &Line<'a>, at: Instant) -> Line<'a> {
        let reach = self.reach(at);
        let known = |spans: &Spans| {
            let begun = spans.iter().filter(|s| s.from <= at);
            Spans::union(begun.map(|s| if at < s.to { Span::new(s.from, reach) } else { s }))
        };
        let at_risk = known(&line.at_risk);
        let stretches = line.stretches.iter().filter_map(|s| {
            let pieces = known(&s.pieces);
            Some(Stretch { hull: pieces.hull()?, pieces })
        });
        Line {
            place: line.place,
            requirement: line.requirement,
            wanted: Spans::none(),
            stretches: stretches.collect(),
            at_risk,
            marks: Vec::new(),
            day_marks: Vec::new(),
        }
    }
}
