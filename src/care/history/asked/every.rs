//! `every`: from its due time on until the next care or excuse is known. A later deadline changes nothing.

use super::super::super::time::Length;
use super::{Asked, Past, Track};

pub(super) fn asked(track: &Track<'_>, past: &Past<'_>, target: Length, out: &mut Vec<Asked>) {
    let by_known = &track.told.by_known;
    let (mut stretch, mut next, mut anchor) = (None, 0, past.epoch.span.from);
    for window in track.windows(past) {
        let hull = window.stretch.hull;
        if stretch != Some(window.index) {
            (stretch, next, anchor) = (Some(window.index), 0, hull.from);
        }
        let mut from = window.span.from;
        while from < window.span.to {
            // all that was known at `from`
            while let Some((_, at)) = by_known.get(next).filter(|(known, _)| *known <= from) {
                if window.holds(track, window.index, *at) {
                    anchor = anchor.max(*at);
                }
                next += 1;
            }
            let until = by_known.get(next).map_or(window.span.to, |(known, _)| window.span.to.min(*known));
            let due = window.stretch.next_at_risk(anchor + target);
            track.say(from.max(due), until, due, out);
            from = until;
        }
    }
}
