//! `every`: due a target after the last credit, missed a limit after it, again and again.

use super::super::deeds::{Evidence, Sign};
use super::super::ledger::{Outcome, Phase};
use super::super::line::{Line, Mark, Stretch};
use super::super::time::{Instant, Length};
use super::{Chance, Counted, Frame, Ground};

/// Below this a limit is no limit that a ward could keep; it bounds the number of deadlines of a stay.
const SHORTEST_LIMIT: Length = Length::minutes(1);

/// The running clock of a stretch.
struct Clock<'a> {
    stretch: &'a Stretch,
    index: usize,
    target: Length,
    limit: Length,
    regrace: Length,
    /// When the care that the deadline is for became due.
    due: Instant,
    /// The last credit, excuse or missed deadline, or the start.
    anchor: Instant,
    evidence: Evidence<'a>,
    deadline: Instant,
}

impl<'a> Clock<'a> {
    /// Care was given or excused at `anchor`, or the clock starts there.
    fn restart(&mut self, anchor: Instant, evidence: Evidence<'a>) {
        self.due = self.stretch.next_at_risk(anchor + self.target);
        self.set(anchor, evidence);
    }

    fn set(&mut self, anchor: Instant, evidence: Evidence<'a>) {
        self.anchor = anchor;
        self.evidence = evidence;
        self.deadline = self.stretch.moved(anchor + self.limit, self.regrace);
    }

    fn chance(&self, outcome: Outcome, mark: Option<&Mark<'a>>) -> Chance<'a> {
        Chance {
            outcome,
            at: mark.map_or(self.deadline, |m| m.at),
            due: self.due,
            deadline: self.deadline,
            ground: Ground::Every {
                anchor: self.anchor,
                evidence: self.evidence,
                unmoved: self.anchor + self.limit,
            },
            delay: mark.filter(|_| outcome == Outcome::Met).map(|m| m.delay),
            evidence: mark.map_or(Evidence::NONE, |m| m.evidence),
            stretch: self.index,
        }
    }
}

pub(super) fn count<'a>(line: &'a Line<'a>, frame: &Frame<'_>, target: Length, limit: Length) -> Counted<'a> {
    let marks = line.marks.len();
    let (mut chances, mut wakes) = (Vec::with_capacity(marks + 8), Vec::with_capacity(marks + 8));
    let mut ask = frame.idle(line);
    for (index, stretch) in line.stretches.iter().enumerate() {
        let limit = limit.max(SHORTEST_LIMIT);
        let (regrace, start) = (frame.rules.regrace, stretch.hull.from);
        let evidence = Evidence::NONE;
        let (anchor, due, deadline) = (start, start, start);
        let mut clock = Clock { stretch, index, target, limit, regrace, due, anchor, evidence, deadline };
        clock.restart(start, Evidence::NONE);
        let (mut last_met, mut last_excused) = (None, None);
        for mark in line.marks_of(index) {
            miss_until(&mut clock, mark.at, frame, &mut chances);
            let (outcome, last) = match mark.sign {
                Sign::Credit => (Outcome::Met, &mut last_met),
                Sign::Excuse => (Outcome::Excused, &mut last_excused),
            };
            let apart = last.is_none_or(|before| before <= mark.at - target.half());
            if mark.at_risk && frame.counts(mark.at) && apart {
                chances.push(clock.chance(outcome, Some(mark)));
                *last = Some(mark.at);
            }
            clock.restart(mark.at, mark.evidence);
            wakes.extend(frame.counting(mark.at));
        }
        let (due, first) = (clock.due, clock.deadline);
        miss_until(&mut clock, stretch.hull.to, frame, &mut chances);
        wakes.push(due);
        wakes.extend(frame.counting(clock.deadline));
        if ask.phase == Phase::Waiting && stretch.hull.contains(frame.now) {
            frame.ask(&mut ask, due, first, 1);
        }
    }
    Counted { chances, ask, wakes }
}

/// Counts the deadlines that pass before `until` with no credit. A care exactly at the deadline is in time.
fn miss_until<'a>(clock: &mut Clock<'a>, until: Instant, frame: &Frame<'_>, chances: &mut Vec<Chance<'a>>) {
    while clock.deadline < until.min(frame.cut) {
        if frame.counts(clock.deadline) {
            chances.push(clock.chance(Outcome::Missed, None));
        }
        clock.set(clock.deadline, Evidence::NONE);
    }
}
