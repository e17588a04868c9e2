//! `after`: from when the care that it follows is known until it is answered; unanswered past its deadline, until the
//! next care or excuse is known.

use super::super::super::deeds::{Deed, Sign};
use super::super::super::time::{Instant, Length, Span, TICK};
use super::{Asked, Past, Track, Window, counts};

pub(super) fn asked(
    track: &Track<'_>,
    trigger: &Track<'_>,
    past: &Past<'_>,
    within: Length,
    out: &mut Vec<Asked>,
) {
    let windows: Vec<Window<'_>> = track.windows(past).collect();
    let Some(first) = windows.first() else { return };
    let Span { from: begin, to: end } = past.epoch.span;
    // what was due earlier than the last answer known when the epoch began is long settled
    let known = track.told.by_known.iter().take_while(|(known, _)| *known <= begin).map(|(_, at)| *at);
    let answers = known.filter(|at| *at <= begin && first.stretch.hull.from <= *at);
    let settled = answers.max().map_or(Instant::EARLIEST, |last| last - within);
    let near = trigger.told.among(settled, end + past.rules.ahead);
    for care in near.chunk_by(|a, b| a.at == b.at) {
        let Some(first) = care.first().filter(|d| d.sign == Sign::Credit) else { continue };
        let known = trigger.told.first(care_only(care), |_| true).unwrap_or(first.at);
        for window in &windows {
            // a clock may have been ahead: until its instant comes the care counts as one in the piece that goes on
            let early = window.span.and(Span::new(known, first.at));
            for piece in trigger.windows(past).filter(|_| !early.is_empty()) {
                if first.at < piece.reach {
                    one(track, *window, early.and(piece.span), first.at, past, within, out);
                }
            }
            let rest = window.span.and(Span::new(known.max(first.at), end));
            if !rest.is_empty() && trigger.line.at_risk.contains(first.at) {
                one(track, *window, rest, first.at, past, within, out);
            }
        }
    }
}

/// Credits sort first.
fn care_only<'d, 'a>(deeds: &'d [Deed<'a, Instant>]) -> &'d [Deed<'a, Instant>] {
    deeds.get(..deeds.iter().take_while(|d| d.sign == Sign::Credit).count()).unwrap_or_default()
}

/// What the care at `cause` asks for in `span`, a part of `window`.
fn one(
    track: &Track<'_>,
    window: Window<'_>,
    span: Span,
    cause: Instant,
    past: &Past<'_>,
    within: Length,
    out: &mut Vec<Asked>,
) {
    let Some(index) = track.stretch_at(window, cause) else { return };
    let deadline = cause + within;
    let held = |at| window.holds(track, index, at);
    let answers = track.told.among(cause - past.rules.lead, deadline);
    let answered = track.told.first(answers, held).unwrap_or(Instant::LATEST);
    track.say(span.from, span.to.min(answered).min(deadline + TICK), cause, out);
    let stretch = track.line.stretches.get(index);
    let open = index == window.index && stretch.is_some_and(|s| s.pieces.contains(deadline));
    let from = span.from.max(deadline + TICK);
    if open && from < span.to.min(answered) && counts(past, deadline) {
        let later = track.told.among(deadline, Instant::LATEST);
        let ended = track.told.first(later, held).unwrap_or(Instant::LATEST);
        track.say(from, span.to.min(answered).min(ended), cause, out);
    }
}
