//! When each requirement asked for something, by what was known then.

mod after;
mod at;
mod every;
mod per_day;

use super::super::line::{Line, Stretch};
use super::super::protocol::{Kind, Rules};
use super::super::time::{Instant, Span};
use super::epochs::Epoch;
use super::told::Told;

/// A time in which a requirement is due or overdue.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Asked {
    pub(super) span: Span,
    /// Since when it is due.
    pub(super) due: Instant,
    /// Index of the requirement among those of all protocols.
    pub(super) number: usize,
}

/// One requirement in one epoch.
pub(super) struct Track<'a> {
    pub(super) number: usize,
    /// As it is known at the end of the epoch, without marks.
    pub(super) line: Line<'a>,
    pub(super) told: &'a Told<'a>,
}

/// What the tracks of an epoch share.
pub(super) struct Past<'a> {
    pub(super) rules: &'a Rules,
    pub(super) epoch: &'a Epoch,
}

/// Part of a piece of the time at risk, within one epoch.
#[derive(Clone, Copy)]
pub(super) struct Window<'a> {
    pub(super) span: Span,
    /// Start of the piece.
    pub(super) piece: Instant,
    /// What was known to be the end of the piece.
    pub(super) reach: Instant,
    pub(super) stretch: &'a Stretch,
    /// Index of the stretch in its line.
    pub(super) index: usize,
}

/// Adds the times in which `track`, one of `tracks`, asked for something.
pub(super) fn asked(track: &Track<'_>, tracks: &[Track<'_>], past: &Past<'_>, out: &mut Vec<Asked>) {
    match &track.line.requirement.kind {
        Kind::Every { target, limit: _ } => every::asked(track, past, *target, out),
        Kind::PerDay { times } => per_day::asked(track, past, *times, out),
        Kind::At { times, tolerance } => at::asked(track, past, times, *tolerance, out),
        Kind::After { requirement, within } => {
            let same = |t: &&Track<'_>| t.line.place == (track.line.place.0, *requirement);
            if let Some(trigger) = tracks.iter().find(same) {
                after::asked(track, trigger, past, *within, out);
            }
        }
    }
}

impl<'a> Track<'a> {
    /// The parts of the time at risk that lie in the epoch.
    pub(super) fn windows<'t>(&'t self, past: &'t Past<'_>) -> impl Iterator<Item = Window<'t>> {
        self.line.stretches.iter().enumerate().flat_map(move |(index, stretch)| {
            stretch.pieces.iter().filter_map(move |piece| {
                let span = piece.and(past.epoch.span);
                let reach = past.epoch.reach(span.from);
                (!span.is_empty()).then_some(Window { span, piece: piece.from, reach, stretch, index })
            })
        })
    }

    /// The stretch whose time at risk, as it was known in `window`, holds `at`.
    pub(super) fn stretch_at(&self, window: Window<'_>, at: Instant) -> Option<usize> {
        if window.piece <= at {
            return (at < window.reach).then_some(window.index);
        }
        self.line.stretches.iter().position(|s| s.pieces.contains(at))
    }

    fn say(&self, from: Instant, to: Instant, due: Instant, out: &mut Vec<Asked>) {
        if from < to {
            out.push(Asked { span: Span::new(from, to), due, number: self.number });
        }
    }
}

impl Window<'_> {
    /// True if what happened at `at` belonged to the stretch at `index`, by what was known in the window.
    pub(super) fn holds(self, track: &Track<'_>, index: usize, at: Instant) -> bool {
        if index == self.index {
            return self.stretch.hull.from <= at && at < self.reach;
        }
        let stretch = track.line.stretches.get(index).filter(|_| index < self.index);
        stretch.is_some_and(|s| s.hull.contains(at))
    }

    /// True if what happened at `at` belonged to any stretch.
    pub(super) fn holds_any(self, track: &Track<'_>, at: Instant) -> bool {
        (0..=self.index).rev().any(|index| self.holds(track, index, at))
    }
}

/// Which missed deadline counts.
pub(super) fn counts(past: &Past<'_>, deadline: Instant) -> bool {
    !past.epoch.airway.unverified.contains(deadline)
}
