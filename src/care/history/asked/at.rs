//! `at`: from when a slot is due until it is answered; unanswered past its deadline, until the next care or excuse is
//! known. Slots take care in turn, so what becomes known of one may free care for another.

use chrono::NaiveTime;

use super::super::super::deeds::{Deed, Sign};
use super::super::super::kinds::at::instants;
use super::super::super::time::{Instant, Length, Span, TICK};
use super::{Asked, Past, Track, Window, counts};

/// A time of day on one day.
#[derive(Clone, Copy)]
struct Slot {
    at: Instant,
    /// When it became due.
    due: Instant,
    deadline: Instant,
    stretch: usize,
    /// True if the care is missed once the deadline has passed.
    counts: bool,
}

pub(super) fn asked(
    track: &Track<'_>,
    past: &Past<'_>,
    times: &[NaiveTime],
    tolerance: Length,
    out: &mut Vec<Asked>,
) {
    let Some(hull) = track.line.at_risk.hull() else { return };
    let all = instants(times, hull.from, past.epoch.span.to + tolerance, past.rules.zone);
    for window in track.windows(past) {
        let slots: Vec<Slot> =
            all.iter().filter_map(|at| slot(track, window, past, *at, tolerance)).collect();
        let news = track.told.by_known.iter().map(|(known, _)| *known);
        let mut steps: Vec<Instant> = news.filter(|k| window.span.from < *k && *k < window.span.to).collect();
        steps.insert(0, window.span.from);
        steps.dedup();
        for (n, from) in steps.iter().enumerate() {
            let until = steps.get(n + 1).copied().unwrap_or(window.span.to);
            step(track, window, &slots, tolerance, Span::new(*from, until), out);
        }
    }
}

/// The slot at `at` as it was known in `window`; none if it was not at risk.
fn slot(
    track: &Track<'_>,
    window: Window<'_>,
    past: &Past<'_>,
    at: Instant,
    tolerance: Length,
) -> Option<Slot> {
    let index = track.stretch_at(window, at)?;
    let stretch = track.line.stretches.get(index)?;
    let begun = if window.piece <= at {
        window.piece
    } else {
        stretch.pieces.iter().find(|p| p.contains(at)).map_or(at, |p| p.from)
    };
    let deadline = at + tolerance;
    let counts = stretch.pieces.contains(deadline) && counts(past, deadline);
    Some(Slot { at, due: begun.max(at - tolerance), deadline, stretch: index, counts })
}

/// What the slots ask for in `span`, in which nothing new becomes known.
fn step(
    track: &Track<'_>,
    window: Window<'_>,
    slots: &[Slot],
    tolerance: Length,
    span: Span,
    out: &mut Vec<Asked>,
) {
    let now = span.from;
    let known = |d: &&Deed<'_, Instant>| track.told.known(d) <= now;
    let known_in = |index| {
        let deeds = track.told.deeds.dated.iter().filter(known).map(|d| d.at);
        deeds.filter(|at| window.holds(track, index, *at)).max()
    };
    let last = known_in(window.index).unwrap_or(Instant::EARLIEST);
    // slots that can neither be asked for nor be in the open lapse, and share no care with those that can
    let mut first = slots.partition_point(|s| s.deadline < now && s.deadline <= last);
    while let (Some(before), Some(this)) = (first.checked_sub(1).and_then(|b| slots.get(b)), slots.get(first))
    {
        if before.deadline < this.at - tolerance {
            break;
        }
        first -= 1;
    }
    let mut used: Vec<Instant> = Vec::new();
    for slot in slots.iter().skip(first).take_while(|s| s.due < span.to) {
        let deeds = track.told.among(slot.at - tolerance, slot.deadline);
        let mut answer = |sign| {
            let mut marks = deeds.chunk_by(|a, b| a.at == b.at).filter_map(|here| here.iter().find(known));
            let free =
                marks.find(|d| d.sign == sign && !used.contains(&d.at) && window.holds_any(track, d.at));
            used.extend(free.map(|d| d.at));
            free.is_some()
        };
        if answer(Sign::Credit) || answer(Sign::Excuse) {
            continue;
        }
        track.say(now.max(slot.due), span.to.min(slot.deadline + TICK), slot.due, out);
        if slot.counts && slot.stretch == window.index && last < slot.deadline {
            track.say(now.max(slot.deadline + TICK), span.to, slot.due, out);
        }
    }
}
