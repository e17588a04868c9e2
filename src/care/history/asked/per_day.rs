//! `per-day`: from when the time left of the day is short for what is outstanding by what is known, until that is known
//! to be done. What is needed depends on the time at risk as far as it was known: the day was taken to go on.

use chrono::NaiveDate;

use super::super::super::deeds::Sign;
use super::super::super::kinds::per_day::{due, need, spacing};
use super::super::super::time::{Instant, Length, Span, Spans, next_day};
use super::{Asked, Past, Track, Window};

pub(super) fn asked(track: &Track<'_>, past: &Past<'_>, times: u32, out: &mut Vec<Asked>) {
    let times = times.max(1);
    for window in track.windows(past) {
        let mut date = window.span.from.day(past.rules.zone);
        let mut whole = Span::day(date, past.rules.zone);
        while whole.from < window.span.to {
            day(track, window, past, (date, whole), times, out);
            date = next_day(date);
            let to = Span::day(date, past.rules.zone).to;
            whole = Span::new(whole.to, to);
        }
    }
}

fn day(
    track: &Track<'_>,
    window: Window<'_>,
    past: &Past<'_>,
    (date, whole): (NaiveDate, Span),
    times: u32,
    out: &mut Vec<Asked>,
) {
    let span = window.span.and(whole);
    let before = track.line.at_risk.iter().filter(|p| p.to <= window.piece).map(|p| p.and(whole));
    let goes_on = Span::new(window.piece, window.reach).and(whole);
    let pieces = Spans::union(before.chain([goes_on]));
    let at_risk = pieces.minus(&past.epoch.airway.unverified).length();
    let need = need(times, at_risk, whole);
    if need == 0 {
        return;
    }
    let deeds = track.told.among(whole.from, whole.to);
    let news = deeds.iter().map(|d| track.told.known(d)).chain(track.told.on(date).map(|d| d.received));
    let mut steps: Vec<Instant> = news.filter(|at| span.from < *at && *at < span.to).collect();
    steps.push(span.from);
    steps.sort_unstable();
    steps.dedup();
    for (n, from) in steps.iter().enumerate() {
        let until = steps.get(n + 1).copied().unwrap_or(span.to);
        let done = |sign| ticks(track, window, *from, (date, whole), spacing(times), sign);
        let excused = need.min(done(Sign::Excuse));
        let outstanding = need - excused - (need - excused).min(done(Sign::Credit));
        if outstanding > 0 {
            let due = due(&pieces, whole, outstanding, times);
            track.say(due.max(*from), until, due, out);
        }
    }
}

/// How many deeds of `sign` counted on a day by what was known at `now`, an instant of `window`.
fn ticks(
    track: &Track<'_>,
    window: Window<'_>,
    now: Instant,
    (date, whole): (NaiveDate, Span),
    spacing: Length,
    sign: Sign,
) -> u32 {
    let mut count = 0;
    let mut last: Option<Instant> = None;
    for here in track.told.among(whole.from, whole.to).chunk_by(|a, b| a.at == b.at) {
        let first = here.iter().find(|d| track.told.known(d) <= now);
        let Some(at) = first.filter(|d| d.sign == sign && whole.contains(d.at)).map(|d| d.at) else {
            continue;
        };
        if last.is_none_or(|last| last + spacing <= at) && window.holds_any(track, at) {
            count += 1;
            last = Some(at);
        }
    }
    let on_day = track.told.on(date).filter(|d| d.sign == sign && d.received <= now);
    let mut sources: Vec<_> = on_day.map(|d| d.source).collect();
    sources.dedup();
    count + sources.len() as u32
}
