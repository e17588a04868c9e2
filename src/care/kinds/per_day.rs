//! `per-day`: at least so many times each local calendar day, in proportion to the time at risk on it.

use chrono::NaiveDate;

use super::super::deeds::{Evidence, Sign};
use super::super::ledger::{Outcome, Phase};
use super::super::line::Line;
use super::super::time::{Instant, Length, Span, Spans, TICK, next_day};
use super::{Chance, Counted, Frame, Ground};

/// One care or excuse that counts on a day.
struct Tick<'a> {
    /// None if only the day is known.
    at: Option<Instant>,
    delay: Length,
    evidence: Evidence<'a>,
}

/// A local day of a line.
struct Day<'a> {
    date: NaiveDate,
    span: Span,
    /// Time at risk on it, the future included.
    pieces: Spans,
    /// Time at risk and verified.
    at_risk: Length,
    /// What is asked for, before excuses.
    need: u32,
    done: Vec<Tick<'a>>,
    excuses: Vec<Tick<'a>>,
}

pub(super) fn count<'a>(line: &'a Line<'a>, frame: &Frame<'_>, times: u32) -> Counted<'a> {
    let times = times.max(1);
    let (mut chances, mut wakes) = (Vec::new(), Vec::new());
    let mut ask = frame.idle(line);
    let Some(hull) = line.at_risk.hull() else { return Counted { chances, ask, wakes } };
    let today = frame.now.day(frame.rules.zone);
    let mut date = hull.from.day(frame.rules.zone);
    while date <= today {
        if let Some(day) = Day::read(line, frame, date, times) {
            chances.extend(day.chances(line, frame, times));
            let end = day.end();
            wakes.extend([end, day.span.to]);
            if date == today && ask.phase == Phase::Waiting {
                let outstanding = day.outstanding();
                if outstanding > 0 {
                    let due = day.due(outstanding, times);
                    wakes.push(due);
                    frame.ask(&mut ask, due, end, outstanding);
                    ask.outstanding = outstanding;
                }
            }
        }
        date = next_day(date);
    }
    wakes.extend(line.marks.iter().filter_map(|m| frame.counting(m.at)));
    Counted { chances, ask, wakes }
}

impl<'a> Day<'a> {
    /// None if the line is not at risk on that day.
    fn read(line: &'a Line<'a>, frame: &Frame<'_>, date: NaiveDate, times: u32) -> Option<Self> {
        let span = Span::day(date, frame.rules.zone);
        let pieces = line.at_risk.within(span);
        pieces.hull()?;
        let at_risk = pieces.minus(frame.unverified).length();
        let need = need(times, at_risk, span);
        let spacing = spacing(times);
        let ticks =
            |sign| if at_risk > Length::ZERO { ticks(line, sign, date, span, spacing) } else { Vec::new() };
        Some(Day {
            date,
            span,
            at_risk,
            need,
            done: ticks(Sign::Credit),
            excuses: ticks(Sign::Excuse),
            pieces,
        })
    }

    /// The end of the time at risk on this day, by all that is known now.
    fn end(&self) -> Instant {
        self.pieces.last().map_or(self.span.to, |p| p.to)
    }

    fn excused(&self) -> u32 {
        self.need.min(self.excuses.len() as u32)
    }

    fn met(&self) -> u32 {
        (self.need - self.excused()).min(self.done.len() as u32)
    }

    fn outstanding(&self) -> u32 {
        self.need - self.excused() - self.met()
    }

    /// The first instant of the day at which the time left is so short that the outstanding ones are due.
    fn due(&self, outstanding: u32, times: u32) -> Instant {
        due(&self.pieces, self.span, outstanding, times)
    }

    /// Counted once the time at risk on the day is over.
    fn chances(&self, line: &Line<'_>, frame: &Frame<'_>, times: u32) -> Vec<Chance<'a>> {
        let (end, last) = (self.end(), self.end() - TICK);
        if !frame.counts(last) {
            return Vec::new();
        }
        let stretch = line.stretches.iter().position(|s| s.hull.contains(last)).unwrap_or_default();
        let due = self.due(self.outstanding(), times);
        let chance = |outcome, at, delay, evidence: Evidence<'a>| Chance {
            outcome,
            at,
            due,
            deadline: end,
            ground: Ground::PerDay {
                day: self.date,
                at_risk: self.at_risk,
                length: self.span.length(),
                need: self.need,
                done: self.done.len() as u32,
            },
            delay,
            evidence,
            stretch,
        };
        let met = self
            .done
            .iter()
            .take(self.met() as usize)
            .map(|t| chance(Outcome::Met, last, Some(t.delay), t.evidence));
        let missed = (0..self.outstanding()).map(|_| chance(Outcome::Missed, last, None, Evidence::NONE));
        let excuses = self.excuses.iter().take(self.excused() as usize);
        let excused = excuses.map(|t| chance(Outcome::Excused, t.at.unwrap_or(last), None, t.evidence));
        met.chain(missed).chain(excused).filter(|c| frame.counts(c.at)).collect()
    }
}

/// What is asked for on `day`, before excuses, with so much of it at risk: the proportion of `times`, rounded down.
pub(in super::super) fn need(times: u32, at_risk: Length, day: Span) -> u32 {
    let part = i128::from(times) * i128::from(at_risk.as_micros());
    u32::try_from(part / i128::from(day.length().as_micros().max(1))).unwrap_or(u32::MAX)
}

/// Care that is closer together than this is one care.
pub(in super::super) fn spacing(times: u32) -> Length {
    Length::micros(Length::hours(24).as_micros() / (4 * i64::from(times)))
}

/// The first instant of the `pieces` of `day` at which the time left is so short that the outstanding ones are due.
pub(in super::super) fn due(pieces: &Spans, day: Span, outstanding: u32, times: u32) -> Instant {
    let whole = i128::from(outstanding) * i128::from(day.length().as_micros());
    let mut left = Length::micros((whole / (2 * i128::from(times))) as i64);
    let mut due = pieces.last().map_or(day.to, |p| p.to);
    for piece in pieces.iter().rev() {
        if left < piece.length() {
            return piece.to - left;
        }
        due = piece.from;
        left = left - piece.length();
    }
    due
}

/// Those far enough apart to count, in order of time, then those of which only the day is known.
fn ticks<'a>(line: &'a Line<'a>, sign: Sign, date: NaiveDate, span: Span, spacing: Length) -> Vec<Tick<'a>> {
    let mut out: Vec<Tick<'a>> = Vec::new();
    for mark in line.signed(sign).filter(|m| span.contains(m.at)) {
        let before = out.last().and_then(|t| t.at);
        if before.is_none_or(|before| before + spacing <= mark.at) {
            out.push(Tick { at: Some(mark.at), delay: mark.delay, evidence: mark.evidence });
        }
    }
    for mark in line.day_marks.iter().filter(|m| m.sign == sign && m.day == date) {
        out.push(Tick { at: None, delay: mark.delay, evidence: mark.evidence });
    }
    out
}
