//! When the patient was ventilated: spans of unequal proof and precision, united into episodes.

use chrono::NaiveDate;

use super::facts::{AirwayRow, Facts, Proof, When};
use super::ledger::Doubt;
use super::protocol::Rules;
use super::time::{Instant, Span, Spans};

/// The ventilation of a stay.
#[derive(Debug, Default)]
pub(super) struct Airway {
    /// Ventilated time, short gaps closed; each span is an episode.
    pub(super) episodes: Spans,
    /// Time in which ventilation is not proved to the hour: boundary days known only by their date, and what comes
    /// after the last flowsheet row. Care is prompted in it, nothing is counted.
    pub(super) unverified: Spans,
    /// What was odd.
    pub(super) doubts: Vec<Doubt>,
    /// When a tail of flowsheet rows runs out.
    pub(super) runs_out: Option<Instant>,
}

/// What is charted of the airway.
#[derive(Debug, Default)]
pub(super) struct Charted<'a> {
    ventilated: Vec<Charting>,
    rows: Vec<&'a AirwayRow>,
    /// When an artificial airway was removed.
    extubations: Vec<Instant>,
}

/// A span of ventilation as charted.
#[derive(Clone, Copy, Debug)]
struct Charting {
    from: When,
    to: Option<When>,
    proof: Proof,
}

/// The first instant of `when`.
pub(super) fn begin_of(when: When, rules: &Rules) -> Instant {
    match when {
        When::At(at) => at,
        When::Day(day) => Span::day(day, rules.zone).from,
    }
}

/// The first instant at which `when` is past.
pub(super) fn end_of(when: When, rules: &Rules) -> Instant {
    match when {
        When::At(at) => at,
        When::Day(day) => Span::day(day, rules.zone).to,
    }
}

impl<'a> Charted<'a> {
    /// All of `facts`.
    pub(super) fn all(facts: &'a Facts) -> Self {
        let charting = |v: &super::facts::Ventilated| Charting { from: v.from, to: v.to, proof: v.proof };
        Charted {
            ventilated: facts.ventilated.iter().map(charting).collect(),
            rows: facts.airway_rows.iter().collect(),
            extubations: facts.extubations.iter().map(|e| e.at).collect(),
        }
    }

    /// What of it has happened by `now`.
    pub(super) fn by(&self, now: Instant, rules: &Rules) -> Charted<'a> {
        let begun = self.ventilated.iter().filter(|v| begin_of(v.from, rules) <= now);
        let over = |to: &When| end_of(*to, rules) <= now;
        Charted {
            ventilated: begun.map(|v| Charting { to: v.to.filter(over), ..*v }).collect(),
            rows: self.rows.iter().copied().filter(|r| r.at <= now).collect(),
            extubations: self.extubations.iter().copied().filter(|at| *at <= now).collect(),
        }
    }

    /// The instants at which more of it has happened, or rows of it run out.
    pub(super) fn steps(&self, rules: &Rules) -> Vec<Instant> {
        let mut out: Vec<Instant> = self.ventilated.iter().map(|v| begin_of(v.from, rules)).collect();
        out.extend(self.ventilated.iter().filter_map(|v| Some(end_of(v.to?, rules))));
        out.extend(self.extubations.iter().copied());
        out.extend(self.rows.iter().flat_map(|r| [r.at, r.at + rules.hold]));
        out.sort_unstable();
        out.dedup();
        out
    }
}

/// Reads the episodes of what is `charted` as they stand at `now`.
pub(super) fn airway(charted: &Charted<'_>, rules: &Rules, stay: Span, now: Instant) -> Airway {
    let strong = |v: &Charting| matches!(v.proof, Proof::Procedure | Proof::DeviceUse);
    let proved: Vec<Charting> = charted.ventilated.iter().copied().filter(strong).collect();
    let mut airway = Airway::default();
    let spans = if !proved.is_empty() {
        from_spans(&proved, &charted.extubations, rules, stay, &mut airway)
    } else if !charted.rows.is_empty() {
        from_rows(charted, rules, now, &mut airway)
    } else {
        from_spans(&charted.ventilated, &charted.extubations, rules, stay, &mut airway)
    };
    airway.episodes = Spans::bridged(spans.into_iter().map(|s| s.and(stay)), rules.bridge);
    airway
}

/// A charted span with its boundaries resolved.
struct Resolved {
    span: Span,
    /// The part of it that is proved to the hour.
    precise: Span,
    /// Boundary days of which only the date is known.
    days: [Option<NaiveDate>; 2],
}

fn from_spans(
    charted: &[Charting],
    extubations: &[Instant],
    rules: &Rules,
    stay: Span,
    airway: &mut Airway,
) -> Vec<Span> {
    let resolved: Vec<Resolved> =
        charted.iter().map(|v| resolve(*v, charted, extubations, rules, stay)).collect();
    let days = resolved.iter().flat_map(|r| r.days.iter().flatten()).map(|d| Span::day(*d, rules.zone));
    let precise = Spans::union(resolved.iter().map(|r| r.precise));
    airway.unverified = Spans::union(days).minus(&precise);
    resolved.into_iter().map(|r| r.span).collect()
}

fn resolve(v: Charting, all: &[Charting], extubations: &[Instant], rules: &Rules, stay: Span) -> Resolved {
    let precise_on = |day: NaiveDate, at: When| match at {
        When::At(t) if t.day(rules.zone) == day => Some(t),
        When::At(_) | When::Day(_) => None,
    };
    let (from, first_day) = match v.from {
        When::At(t) => (t, None),
        When::Day(day) => match all.iter().filter_map(|o| precise_on(day, o.from)).min() {
            Some(known) => (known, None),
            None => (Span::day(day, rules.zone).from, Some(day)),
        },
    };
    let extubated = extubations.iter().copied().filter(|at| *at > from).min();
    let (to, last_day) = match v.to {
        None => (extubated.unwrap_or(stay.to), None),
        Some(When::At(t)) => (t, None),
        Some(When::Day(day)) => match all.iter().filter_map(|o| precise_on(day, o.to?)).max() {
            Some(known) => (known, None),
            None => {
                let whole = Span::day(day, rules.zone);
                let clipped =
                    extubations.iter().copied().filter(|at| *at > from && whole.contains(*at)).min();
                (clipped.unwrap_or(whole.to), Some(day))
            }
        },
    };
    let after_first = first_day.map_or(from, |d| Span::day(d, rules.zone).to);
    let before_last = last_day.map_or(to, |d| Span::day(d, rules.zone).from);
    Resolved {
        span: Span::new(from, to),
        precise: Span::new(after_first, before_last.min(to)),
        days: [first_day, last_day],
    }
}

/// Rows at most `hold` apart are one span, which ends at its last row, at a row of another airway or at an extubation.
fn from_rows(charted: &Charted<'_>, rules: &Rules, now: Instant, airway: &mut Airway) -> Vec<Span> {
    enum Event<'a> {
        Stop,
        Row(&'a AirwayRow),
    }
    let stops = charted.extubations.iter().map(|at| (*at, Event::Stop));
    let rows = charted.rows.iter().map(|r| (r.at, if r.invasive { Event::Row(r) } else { Event::Stop }));
    let mut events: Vec<(Instant, Event<'_>)> = stops.chain(rows).collect();
    // at one instant a stop comes first: a row then begins a new span, which the bridge joins
    events.sort_by(|(a, x), (b, y)| {
        a.cmp(b).then_with(|| matches!(x, Event::Row(_)).cmp(&matches!(y, Event::Row(_))))
    });

    let mut spans = Vec::new();
    let mut open: Option<(Instant, &AirwayRow)> = None;
    for (at, event) in events {
        if let Some((from, last)) = open
            && at.since(last.at) > rules.hold
        {
            spans.push(Span::new(from, last.at));
            airway.doubts.push(ended_by_hold(last));
            open = None;
        }
        open = match (open, event) {
            (None, Event::Stop) => None,
            (None, Event::Row(row)) => Some((at, row)),
            (Some((from, _)), Event::Row(row)) => Some((from, row)),
            (Some((from, _)), Event::Stop) => {
                spans.push(Span::new(from, at));
                None
            }
        };
    }
    if let Some((from, last)) = open {
        let held = last.at + rules.hold;
        if now < held {
            spans.push(Span::new(from, held));
            airway.unverified = Spans::union([Span::new(last.at, held)]);
            airway.runs_out = Some(held);
        } else {
            spans.push(Span::new(from, last.at));
            airway.doubts.push(ended_by_hold(last));
        }
    }
    spans
}

fn ended_by_hold(last: &AirwayRow) -> Doubt {
    Doubt::new(
        &last.source,
        "no later flowsheet row tells the airway; ventilation is taken to end with this row",
    )
}
