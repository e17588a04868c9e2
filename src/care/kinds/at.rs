//! `at`: fixed local times of day, each with a tolerance before and after.

use chrono::NaiveTime;
use chrono_tz::Tz;

use super::super::deeds::{Evidence, Sign};
use super::super::ledger::{Outcome, Phase};
use super::super::line::{Line, Mark};
use super::super::time::{Instant, Length, TICK, local_instant, next_day};
use super::{Chance, Counted, Frame, Ground};

/// How far ahead slots are looked for: every time of day comes round within it, a clock change included.
const AHEAD: Length = Length::hours(48);

/// One time of day on one day, with what answers it.
struct Slot<'a> {
    at: Instant,
    stretch: usize,
    answer: Option<&'a Mark<'a>>,
}

pub(super) fn count<'a>(
    line: &'a Line<'a>,
    frame: &Frame<'_>,
    times: &[NaiveTime],
    tolerance: Length,
) -> Counted<'a> {
    let (mut chances, mut wakes) = (Vec::new(), Vec::new());
    let mut ask = frame.idle(line);
    for slot in slots(line, frame, times, tolerance) {
        let deadline = slot.at + tolerance;
        let Some(stretch) = line.stretches.get(slot.stretch) else { continue };
        let piece = stretch.pieces.iter().find(|p| p.contains(slot.at));
        let due = piece.map_or(slot.at, |p| p.from).max(slot.at - tolerance);
        let chance = |outcome, mark: Option<&Mark<'a>>| Chance {
            outcome,
            at: mark.map_or(deadline, |m| m.at),
            due,
            deadline,
            ground: Ground::At { slot: slot.at },
            delay: mark.filter(|_| outcome == Outcome::Met).map(|m| m.delay),
            evidence: mark.map_or(Evidence::NONE, |m| m.evidence),
            stretch: slot.stretch,
        };
        let settled = deadline.min(stretch.hull.to);
        wakes.push(deadline + TICK);
        wakes.extend([slot.at, settled].into_iter().filter_map(|at| frame.counting(at)));
        match slot.answer {
            Some(mark) if mark.sign == Sign::Credit => {
                wakes.extend(frame.counting(mark.at));
                if frame.counts(slot.at) && frame.counts(mark.at) {
                    chances.push(chance(Outcome::Met, Some(mark)));
                }
            }
            // until the window is over care may still come
            Some(mark) => {
                if settled < frame.cut && frame.counts(mark.at) {
                    chances.push(chance(Outcome::Excused, Some(mark)));
                }
            }
            None => {
                // what was open when an episode ended is let go: the next one starts afresh
                if stretch.pieces.contains(deadline) && frame.counts(deadline) {
                    chances.push(chance(Outcome::Missed, None));
                }
                wakes.push(due);
                if ask.phase == Phase::Waiting && ask.due.is_none() && deadline >= frame.now {
                    frame.ask(&mut ask, due, deadline, 1);
                }
            }
        }
    }
    Counted { chances, ask, wakes }
}

/// The instants of `times` on each local day from that of `from` to that of `to`.
pub(in super::super) fn instants(times: &[NaiveTime], from: Instant, to: Instant, zone: Tz) -> Vec<Instant> {
    let (mut date, last) = (from.day(zone), to.day(zone));
    let mut out = Vec::new();
    while date <= last {
        out.extend(times.iter().map(|time| local_instant(date, *time, zone)));
        date = next_day(date);
    }
    // two times that a clock change brings together are one slot
    out.sort_unstable();
    out.dedup();
    out
}

/// The slots at risk in order, each with the earliest unused credit of its window, else its earliest unused excuse.
fn slots<'a>(line: &'a Line<'a>, frame: &Frame<'_>, times: &[NaiveTime], tolerance: Length) -> Vec<Slot<'a>> {
    let Some(hull) = line.at_risk.hull() else { return Vec::new() };
    let mut instants = instants(times, hull.from, (frame.now + AHEAD).min(hull.to), frame.rules.zone);
    instants.retain(|at| *at <= frame.now + AHEAD);
    let mut used = vec![false; line.marks.len()];
    let mut take = |sign: Sign, from: Instant, to: Instant| {
        let window = line.marks.iter().enumerate().skip(line.marks.partition_point(|m| m.at < from));
        let free = window
            .take_while(|(_, m)| m.at <= to)
            .find(|(i, m)| m.sign == sign && used.get(*i) == Some(&false));
        free.map(|(index, mark)| {
            used.iter_mut().skip(index).take(1).for_each(|u| *u = true);
            mark
        })
    };
    let mut slots = Vec::new();
    for at in instants {
        let Some(stretch) = line.stretches.iter().position(|s| s.pieces.contains(at)) else { continue };
        let (from, to) = (at - tolerance, at + tolerance);
        let answer = take(Sign::Credit, from, to).or_else(|| take(Sign::Excuse, from, to));
        slots.push(Slot { at, stretch, answer });
    }
    slots
}
