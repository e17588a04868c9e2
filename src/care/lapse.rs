//! Lapses: time at risk after a missed deadline, until the next care or excuse or the end of the stretch.

use super::kinds::{Chance, Frame};
use super::ledger::{Lapse, LapseEnd, LapseEnder, Outcome};
use super::line::{Line, Sign};
use super::time::{Instant, Span};

/// A lapse, and what is needed to place and announce it.
pub(super) struct Found {
    /// Its unit is filled in by the caller.
    pub(super) lapse: Lapse,
    /// The instant that the first miss belongs to.
    pub(super) at: Instant,
    /// It was open when its charting allowance ended, by what had reached us then.
    pub(super) stands: bool,
}

/// The lapses of `line`, whose chances are `chances`. A deadline missed while a lapse is open joins it.
pub(super) fn find_lapses(line: &Line<'_>, chances: &[Chance], frame: &Frame<'_>) -> Vec<Found> {
    let mut missed: Vec<&Chance> = chances.iter().filter(|c| c.outcome == Outcome::Missed).collect();
    missed.sort_by_key(|c| c.deadline);
    let mut out: Vec<Found> = Vec::new();
    for miss in missed {
        match out.last_mut().filter(|f| holds(&f.lapse, miss.deadline)) {
            Some(found) => found.lapse.misses.push(miss.deadline),
            None => out.push(begin(line, miss, frame)),
        }
    }
    for Found { lapse, .. } in &mut out {
        let to = lapse.ended.as_ref().map_or(Instant::LATEST, |e| e.at);
        let within = Span::new(lapse.from, to.min(frame.cut));
        lapse.lapsed = line.at_risk.within(within).minus(frame.unverified).length();
    }
    out
}

/// True if a deadline missed at `at` belongs to `lapse`: it is open then, or `at` is where its stretch ends, or where it
/// began (several misses of one day share a deadline).
fn holds(lapse: &Lapse, at: Instant) -> bool {
    let still = |end: &LapseEnd| end.at > at || (end.by == LapseEnder::EndOfStretch && end.at == at);
    lapse.from == at || lapse.ended.as_ref().is_none_or(still)
}

fn begin(line: &Line<'_>, miss: &Chance, frame: &Frame<'_>) -> Found {
    let from = miss.deadline;
    let next = line.marks_of(miss.stretch).iter().find(|m| m.at >= from);
    let stretch_ends = line.stretches.get(miss.stretch).map_or(Instant::LATEST, |s| s.hull.to);
    let ended = match next {
        Some(mark) => Some(LapseEnd {
            at: mark.at,
            by: match mark.sign {
                Sign::Credit => LapseEnder::Care,
                Sign::Excuse => LapseEnder::Excuse,
            },
            evidence: mark.evidence.clone(),
        }),
        None if stretch_ends <= frame.now => {
            Some(LapseEnd { at: stretch_ends, by: LapseEnder::EndOfStretch, evidence: Vec::new() })
        }
        None => None,
    };
    let declared = from + frame.rules.allowance;
    // care charted inside the allowance never raises anything
    let known = |m: &&super::line::Mark| from <= m.at && m.at <= declared && m.received <= declared;
    let stands = stretch_ends > declared && !line.marks_of(miss.stretch).iter().any(|m| known(&m));
    let lapse = Lapse {
        requirement: line.id(),
        place: line.place,
        from,
        due: miss.due,
        ended,
        misses: vec![from],
        basis: miss.basis.clone(),
        lapsed: super::time::Length::ZERO,
        declared,
        announced: stands && frame.now >= declared && from < frame.cut && frame.watermark >= declared,
        unit: "".into(),
    };
    Found { lapse, at: miss.at, stands }
}
