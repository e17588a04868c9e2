//! The four kinds of requirement. Each reads a line and tells its chances and where it stands; none of them knows of
//! units, shifts or lapses.

mod after;
pub(super) mod at;
mod every;
pub(super) mod per_day;

use chrono::NaiveDate;

use super::deeds::Evidence;
use super::ledger::{Basis, Outcome, Phase};
use super::line::Line;
use super::protocol::{Kind, Rules};
use super::time::{Instant, Length, Spans, TICK};

/// What all lines of a stay are read against.
pub(super) struct Frame<'a> {
    pub(super) rules: &'a Rules,
    pub(super) now: Instant,
    /// What lies before it can be counted.
    pub(super) cut: Instant,
    /// How far the feed is known to have told everything.
    pub(super) watermark: Instant,
    /// What lies at or after it is not counted however late it gets.
    pub(super) horizon: Instant,
    /// Time in which nothing is counted.
    pub(super) unverified: &'a Spans,
}

/// One chance to give care in time, not yet attributed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Chance<'a> {
    pub(super) outcome: Outcome,
    pub(super) at: Instant,
    /// When it had become due.
    pub(super) due: Instant,
    pub(super) deadline: Instant,
    pub(super) ground: Ground<'a>,
    /// How long after the care it was charted; none if it was not met.
    pub(super) delay: Option<Length>,
    pub(super) evidence: Evidence<'a>,
    /// Index into the line's stretches.
    pub(super) stretch: usize,
}

/// A [`Basis`] before its documents are named.
#[derive(Clone, Copy, Debug)]
pub(super) enum Ground<'a> {
    Every { anchor: Instant, evidence: Evidence<'a>, unmoved: Instant },
    PerDay { day: NaiveDate, at_risk: Length, length: Length, need: u32, done: u32 },
    At { slot: Instant },
    After { trigger: Instant, evidence: Evidence<'a> },
}

impl Ground<'_> {
    pub(super) fn basis(self) -> Basis {
        match self {
            Ground::Every { anchor, evidence, unmoved } => {
                Basis::Every { anchor, anchor_evidence: evidence.sources(), unmoved }
            }
            Ground::PerDay { day, at_risk, length, need, done } => {
                Basis::PerDay { day, at_risk, length, need, done }
            }
            Ground::At { slot } => Basis::At { slot },
            Ground::After { trigger, evidence } => {
                Basis::After { trigger, trigger_evidence: evidence.sources() }
            }
        }
    }
}

/// What a line asks for now, but for open lapses.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ask {
    pub(super) phase: Phase,
    pub(super) due: Option<Instant>,
    pub(super) deadline: Option<Instant>,
    pub(super) outstanding: u32,
}

/// What a line comes to.
#[derive(Debug)]
pub(super) struct Counted<'a> {
    /// Sorted by (instant, deadline).
    pub(super) chances: Vec<Chance<'a>>,
    pub(super) ask: Ask,
    /// Instants at which this may change by itself; those that are past do no harm.
    pub(super) wakes: Vec<Instant>,
}

/// Counts one of `lines`, which are all of one protocol in its order.
pub(super) fn count<'a>(line: &'a Line<'a>, lines: &'a [Line<'a>], frame: &Frame<'_>) -> Counted<'a> {
    let mut counted = match &line.requirement.kind {
        Kind::Every { target, limit } => every::count(line, frame, *target, *limit),
        Kind::PerDay { times } => per_day::count(line, frame, *times),
        Kind::At { times, tolerance } => at::count(line, frame, times, *tolerance),
        Kind::After { requirement, within } => {
            let trigger = lines.iter().find(|l| l.place.1 == *requirement);
            after::count(line, trigger, frame, *within)
        }
    };
    counted.chances.sort_by_key(|c| (c.at, c.deadline));
    counted
}

impl Frame<'_> {
    /// True if something that belongs to `at` can be counted.
    fn counts(&self, at: Instant) -> bool {
        at < self.cut && !self.unverified.contains(at)
    }

    /// The instant at which something that belongs to `at` comes to be counted; none if it never does.
    fn counting(&self, at: Instant) -> Option<Instant> {
        (at < self.horizon).then_some(at + TICK)
    }

    /// Nothing is asked for.
    fn idle(&self, line: &Line<'_>) -> Ask {
        let phase = if line.at_risk.contains(self.now) {
            Phase::Waiting
        } else if line.wanted.contains(self.now) {
            Phase::Suspended
        } else {
            Phase::NotAtRisk
        };
        Ask { phase, due: None, deadline: None, outstanding: 0 }
    }

    /// Says in `ask` that something is asked for from `due` until `deadline`.
    fn ask(&self, ask: &mut Ask, due: Instant, deadline: Instant, outstanding: u32) {
        ask.due = Some(due);
        ask.deadline = Some(deadline);
        if self.now >= due {
            ask.phase = Phase::Due;
            ask.outstanding = outstanding;
        }
    }
}
