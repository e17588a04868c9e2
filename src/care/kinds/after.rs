//! `after`: within a time after each care of another requirement.

use super::super::deeds::{Evidence, Sign};
use super::super::ledger::{Outcome, Phase};
use super::super::line::{Line, Mark};
use super::super::time::{Length, TICK};
use super::{Chance, Counted, Frame, Ground};

pub(super) fn count<'a>(
    line: &'a Line<'a>,
    trigger: Option<&'a Line<'a>>,
    frame: &Frame<'_>,
    within: Length,
) -> Counted<'a> {
    let marks = line.marks.len();
    let (mut chances, mut wakes) = (Vec::with_capacity(marks + 8), Vec::with_capacity(4 * marks + 8));
    let mut ask = frame.idle(line);
    let triggers = trigger.into_iter().flat_map(|t| t.signed(Sign::Credit)).filter(|m| m.at_risk);
    for first in triggers {
        let Some(index) = line.stretches.iter().position(|s| s.pieces.contains(first.at)) else { continue };
        let Some(stretch) = line.stretches.get(index) else { continue };
        let (from, deadline) = (first.at - frame.rules.lead, first.at + within);
        let window = |sign| {
            let marks = line.marks_of(index);
            let mut near = marks.iter().skip(marks.partition_point(|m| m.at < from));
            near.find(|m| deadline < m.at || m.sign == sign).filter(|m| m.at <= deadline)
        };
        let chance = |outcome, mark: Option<&Mark<'a>>| Chance {
            outcome,
            at: mark.map_or(deadline, |m| m.at),
            due: first.at,
            deadline,
            ground: Ground::After { trigger: first.at, evidence: first.evidence },
            delay: mark.filter(|_| outcome == Outcome::Met).map(|m| m.delay),
            evidence: mark.map_or(Evidence::NONE, |m| m.evidence),
            stretch: index,
        };
        let settled = deadline.min(stretch.hull.to);
        wakes.push(deadline + TICK);
        wakes.extend([first.at, settled].into_iter().filter_map(|at| frame.counting(at)));
        if let Some(mark) = window(Sign::Credit) {
            wakes.extend(frame.counting(mark.at));
            if frame.counts(first.at) && frame.counts(mark.at) {
                chances.push(chance(Outcome::Met, Some(mark)));
            }
        } else if let Some(mark) = window(Sign::Excuse) {
            // until the window is over care may still come
            if settled < frame.cut && frame.counts(mark.at) {
                chances.push(chance(Outcome::Excused, Some(mark)));
            }
        } else {
            // what was open when an episode ended is let go: the next one starts afresh
            if stretch.pieces.contains(deadline) && frame.counts(deadline) {
                chances.push(chance(Outcome::Missed, None));
            }
            if ask.phase == Phase::Waiting && ask.due.is_none() && deadline >= frame.now {
                ask.due = Some(first.at);
                ask.deadline = Some(deadline);
                ask.phase = Phase::Due;
                ask.outstanding = 1;
            }
        }
    }
    Counted { chances, ask, wakes }
}
