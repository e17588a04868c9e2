//! Hours drawn as a strip: when the patient was ventilated and away, what was charted when, and what lapsed.

use chrono_tz::Tz;
use maud::{Markup, PreEscaped, html};

use crate::care::ledger::{Lapse, Ledger};
use crate::care::picture::{Mark, Picture, Strip};
use crate::care::time::{Instant, Length, Span, Spans};

/// The height of a lane in pixels; a mark is as high.
const LANE: usize = 14;

/// Above and below the lanes.
const MARGIN: usize = 5;

/// The hours that are drawn, and the zone of their names.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    /// From the left end to the right.
    pub(super) span: Span,
    /// Whose full hours are marked.
    pub(super) zone: Tz,
}

/// The shapes of marks, one for each lane, so that no lane is told by its place alone.
const SHAPES: [&str; 6] = ["dot", "tri", "dia", "box", "cross", "ring"];

/// The name of the shape of lane `index`.
pub(super) fn shape(index: usize) -> &'static str {
    SHAPES.get(index % SHAPES.len()).copied().unwrap_or("dot")
}

/// The shapes and hatches that strips use; once on a page, before the first strip.
pub(super) fn definitions() -> Markup {
    // fixed text, no content of ours is in it
    html! {
        svg.defs width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                (PreEscaped(concat!(
                    r#"<circle id="m-dot" r="5"/><path id="m-tri" d="M0-6 6 5H-6z"/><path id="m-dia" d="M0-6 6 0 0 6-6 0z"/>"#,
                    r#"<rect id="m-box" x="-4.5" y="-4.5" width="9" height="9"/>"#,
                    r#"<path id="m-cross" d="M-2-6h4v4h4v4h-4v4h-4v-4h-4v-4h4z"/>"#,
                    r#"<path id="m-ring" fill-rule="evenodd" d="M-6 0a6 6 0 1 0 12 0a6 6 0 1 0-12 0zm3.5 0a2.5 2.5 0 1 1 5 0a2.5 2.5 0 1 1-5 0z"/>"#,
                    r#"<path id="m-excuse" d="M-5-5 5 5M5-5-5 5"/>"#,
                    r#"<pattern id="h-away" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="h-away" width="2" height="8"/></pattern>"#,
                    r#"<pattern id="h-lapse" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)"><rect class="h-lapse-ground" width="5" height="5"/><rect class="h-lapse" width="2.5" height="5"/></pattern>"#,
                    r#"<pattern id="h-unknown" width="6" height="6" patternUnits="userSpaceOnUse"><circle class="h-unknown" cx="2" cy="2" r="1.2"/></pattern>"#,
                )))
            }
        }
    }
}

impl Window {
    /// The last `length` before `now`, and a quarter of it ahead.
    pub(super) fn until(now: Instant, length: Length, zone: Tz) -> Self {
        let ahead = Length::micros(length.as_micros() / 6);
        Window { span: Span::new(now - length, now + ahead), zone }
    }

    /// Where `at` is, in hundredths of the width.
    fn x(&self, at: Instant) -> String {
        let whole = self.span.length().as_micros().max(1) as f64;
        let part = at.max(self.span.from).min(self.span.to).since(self.span.from).as_micros() as f64;
        let text = format!("{:.2}", part / whole * 100.0);
        format!("{}%", text.trim_end_matches('0').trim_end_matches('.'))
    }

    fn width(&self, span: Span) -> String {
        self.x(self.span.from + span.and(self.span).length())
    }

    /// Each full third hour, with its name.
    fn hours(&self) -> Vec<(Instant, String)> {
        let mut out = Vec::new();
        let step = Length::hours(1);
        let first = self.span.from.micros().div_euclid(step.as_micros()) * step.as_micros();
        let mut at = Instant::from_micros(first);
        while at < self.span.to {
            let name = at.local(self.zone).format("%H").to_string();
            if at >= self.span.from && name.parse::<u32>().is_ok_and(|h| h % 3 == 0) {
                out.push((at, name));
            }
            at = at + step;
        }
        out
    }

    /// Whether two names would lie on each other.
    fn near(&self, one: Instant, other: Instant) -> bool {
        let apart = one.max(other).since(one.min(other));
        apart < Length::micros(self.span.length().as_micros() / 25)
    }

    /// The names of the hours, for above the strips.
    pub(super) fn scale(&self, now: Instant) -> Markup {
        html! {
            svg.scale width="100%" height="16" aria-hidden="true" focusable="false" {
                @for (at, name) in self.hours().into_iter().filter(|(at, _)| !self.near(*at, now)) {
                    text x=(self.x(at)) y="12" text-anchor="middle" { (name) }
                }
                @if self.span.contains(now) {
                    text.now x=(self.x(now)) y="12" text-anchor="middle" { "now" }
                }
            }
        }
    }
}

/// One stay with a lane for each of `strips`, as a picture that is described by `label`.
pub(super) fn of_stay(
    picture: &Picture,
    ledger: &Ledger,
    strips: &[&Strip],
    window: &Window,
    label: &str,
) -> Markup {
    let height = strips.len().max(1) * LANE + 2 * MARGIN;
    html! {
        svg.strip role="img" aria-label=(label) width="100%" height=(height) focusable="false" {
            (ground(picture, window, height, ledger.now))
            @for (index, strip) in strips.iter().enumerate() {
                @let y = MARGIN + index * LANE + LANE / 2;
                (lane(strip, ledger, window, y))
                @for mark in strip.marks.iter().filter(|m| window.span.contains(m.at)) {
                    (sign(mark, strip, &window.x(mark.at), y))
                }
            }
        }
    }
}

/// One lane in which each mark and lapse leads to `address` of its item; what is on no list has no address.
pub(super) fn of_requirement(
    picture: &Picture,
    ledger: &Ledger,
    strip: &Strip,
    window: &Window,
    label: &str,
    address: &dyn Fn(Instant) -> Option<String>,
) -> Markup {
    let height = LANE + 2 * MARGIN + 4;
    let y = height / 2;
    html! {
        svg.strip role="group" aria-label=(label) width="100%" height=(height) focusable="false" {
            (ground(picture, window, height, ledger.now))
            (lane(strip, ledger, window, y))
            @for lapse in lapses(strip, ledger) {
                @let span = span(lapse, ledger.now).and(window.span);
                @if !span.is_empty() && let Some(address) = address(lapse.from) {
                    a href=(address) tabindex="-1" aria-label=(format!("lapse from {}", clock(lapse.from, window))) {
                        rect.hit x=(window.x(span.from)) y="0" width=(window.width(span)) height=(height) {}
                    }
                }
            }
            @for mark in strip.marks.iter().filter(|m| window.span.contains(m.at)) {
                @let what = if mark.excused { "not done, with a reason, " } else { "done " };
                @match address(mark.at) {
                    Some(address) => {
                        a href=(address) tabindex="-1" aria-label=(format!("{what}{}", clock(mark.at, window))) {
                            (sign(mark, strip, &window.x(mark.at), y))
                            svg x=(window.x(mark.at)) y=(y) overflow="visible" { rect.hit x="-12" y="-12" width="24" height="24" {} }
                        }
                    }
                    None => (sign(mark, strip, &window.x(mark.at), y)),
                }
            }
        }
    }
}

/// The shape of a mark is that of its requirement, wherever it is drawn.
fn sign(mark: &Mark, strip: &Strip, x: &str, y: usize) -> Markup {
    let (shape, class) = match (mark.excused, mark.late) {
        (true, _) => ("excuse", "excuse"),
        (false, true) => (shape(strip.place.1), "care latecharted"),
        (false, false) => (shape(strip.place.1), "care"),
    };
    // what is on a page a thousand times is drawn as it is: a copy of a definition costs a browser several times as much
    html! {
        @match shape {
            "dot" => { circle class=(class) cx=(x) cy=(y) r="5" {} }
            "box" => { rect class=(format!("{class} box")) x=(x) y=(y) width="9" height="9" {} }
            "dia" => { rect class=(format!("{class} dia")) x=(x) y=(y) width="8.5" height="8.5" {} }
            _ => { use href=(format!("#m-{shape}")) x=(x) y=(y) class=(class) {} }
        }
    }
}

fn clock(at: Instant, window: &Window) -> String {
    super::words::clock(at, window.zone)
}

/// What lies behind the lanes: ventilation, time away, time of which nothing is known, full hours, the present.
fn ground(picture: &Picture, window: &Window, height: usize, now: Instant) -> Markup {
    html! {
        (bands(&picture.ventilated, window, "ventilated", None, height))
        (bands(&picture.away, window, "away", Some("url(#h-away)"), height))
        (bands(&picture.unverified, window, "unknown", Some("url(#h-unknown)"), height))
        svg viewBox="0 0 100 1" preserveAspectRatio="none" width="100%" height=(height) {
            path.hour vector-effect="non-scaling-stroke" d=(window.hours().iter().map(|(at, _)| format!("M{} 0v1", window.x(*at).trim_end_matches('%'))).collect::<String>()) {}
        }
        @if window.span.contains(now) {
            line.now x1=(window.x(now)) x2=(window.x(now)) y1="0" y2=(height) {}
        }
    }
}

fn bands(spans: &Spans, window: &Window, class: &str, fill: Option<&str>, height: usize) -> Markup {
    html! {
        @for span in spans.within(window.span).iter() {
            rect class=(class) fill=[fill] x=(window.x(span.from)) y="0" width=(window.width(span)) height=(height) {}
        }
    }
}

/// When a requirement applied, its lapses, and the deadline ahead.
fn lane(strip: &Strip, ledger: &Ledger, window: &Window, y: usize) -> Markup {
    let ahead = ledger
        .standings
        .iter()
        .filter(|s| (s.protocol, s.index) == strip.place)
        .filter_map(|s| s.deadline)
        .filter(|at| *at > ledger.now && window.span.contains(*at));
    html! {
        @for span in strip.at_risk.within(window.span).iter() {
            rect.applies x=(window.x(span.from)) y=(y - 1) width=(window.width(span)) height="2" {}
        }
        @for lapse in lapses(strip, ledger) {
            @let span = span(lapse, ledger.now).and(window.span);
            @if !span.is_empty() {
                rect.lapse fill="url(#h-lapse)" x=(window.x(span.from)) y=(y - 4) width=(window.width(span)) height="8" {}
            }
        }
        @for at in ahead {
            line.deadline x1=(window.x(at)) x2=(window.x(at)) y1=(y - 6) y2=(y + 6) {}
        }
    }
}

fn lapses<'a>(strip: &'a Strip, ledger: &'a Ledger) -> impl Iterator<Item = &'a Lapse> {
    ledger.lapses.iter().filter(|l| l.place == strip.place)
}

/// From the first deadline missed to what ended it, or to now.
fn span(lapse: &Lapse, now: Instant) -> Span {
    Span::new(lapse.from, lapse.ended.as_ref().map_or(now, |e| e.at))
}
