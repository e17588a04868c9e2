//! The four kinds of requirement. Each reads a line and tells its chances and where it stands; none of them knows of
//! units, shifts or lapses.

mod after;
mod at;
mod every;
mod per_day;

use super::facts::Source;
use super::ledger::{Basis, Outcome, Phase, Standing};
use super::line::{Line, Sign};
use super::protocol::{Kind, Rules};
use super::time::{Instant, Spans, TICK};

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
    pub(super) episodes: &'a Spans,
    /// Time in which nothing is counted.
    pub(super) unverified: &'a Spans,
}

/// One chance to give care in time, not yet attributed.
#[derive(Debug)]
pub(super) struct Chance {
    pub(super) outcome: Outcome,
    pub(super) at: Instant,
    /// When it had become due.
    pub(super) due: Instant,
    pub(super) deadline: Instant,
    pub(super) basis: Basis,
    pub(super) late: bool,
    pub(super) evidence: Vec<Source>,
    /// Index into the line's stretches.
    pub(super) stretch: usize,
}

/// What a line comes to.
#[derive(Debug)]
pub(super) struct Counted {
    /// Sorted by (instant, deadline).
    pub(super) chances: Vec<Chance>,
    pub(super) standing: Standing,
    /// Instants at which this may change by itself; those that are past do no harm.
    pub(super) wakes: Vec<Instant>,
}

/// Counts one of `lines`, which are all of one protocol in its order.
pub(super) fn count(line: &Line<'_>, lines: &[Line<'_>], frame: &Frame<'_>) -> Counted {
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

    /// A standing without anything asked for.
    fn idle(&self, line: &Line<'_>) -> Standing {
        let phase = if line.at_risk.contains(self.now) {
            Phase::Waiting
        } else if line.wanted.contains(self.now) {
            Phase::Suspended
        } else {
            Phase::NotAtRisk
        };
        let episode = self.episodes.iter().find(|e| e.contains(self.now));
        let last = episode.and_then(|e| {
            let credit = line.signed(Sign::Credit).filter(|m| e.contains(m.at)).last()?;
            Some((credit.at, credit.evidence.clone()))
        });
        Standing {
            protocol: line.place.0,
            index: line.place.1,
            requirement: line.id(),
            phase,
            last,
            due: None,
            deadline: None,
            outstanding: 0,
            misses: 0,
        }
    }

    /// Says in `standing` that something is asked for from `due` until `deadline`.
    fn ask(&self, standing: &mut Standing, due: Instant, deadline: Instant, outstanding: u32) {
        standing.due = Some(due);
        standing.deadline = Some(deadline);
        if self.now >= due {
            standing.phase = Phase::Due;
            standing.outstanding = outstanding;
        }
    }
}
