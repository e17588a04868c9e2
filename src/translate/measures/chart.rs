//! A score over time as an extension: points, limits, and what speaks against chance.

use chrono::{Datelike, Days, Months, NaiveDate, Weekday};
use fhir_models::datatypes::{Extension, Value};
use fhir_models::primitive::DateTime;

use super::kind::{Counted, Score};
use super::sum::{Counts, RATE_DAYS, Sum};
use super::values::{days, decimal, masked, part, parts, unsigned};
use crate::care::statistics::chart::rules::{Rule, Rules, Side, signals};
use crate::care::statistics::chart::runs::{Runs, runs};
use crate::care::statistics::chart::{self, Chart, Subgroup, warranted};
use crate::care::statistics::percentile::middle;

/// What the points of a chart are.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Step {
    /// Local days.
    Day,
    /// Monday to Sunday.
    Week,
    /// Calendar months.
    Month,
}

impl Step {
    /// The step of a code.
    pub fn of(code: &str) -> Option<Step> {
        [Step::Day, Step::Week, Step::Month].into_iter().find(|step| step.code() == code)
    }

    /// Its code.
    pub const fn code(self) -> &'static str {
        match self {
            Step::Day => "day",
            Step::Week => "week",
            Step::Month => "month",
        }
    }

    /// First and last day of the one that holds `day`.
    pub fn around(self, day: NaiveDate) -> (NaiveDate, NaiveDate) {
        match self {
            Step::Day => (day, day),
            Step::Week => {
                let week = day.week(Weekday::Mon);
                (week.checked_first_day().unwrap_or(day), week.checked_last_day().unwrap_or(day))
            }
            Step::Month => {
                let first = day.with_day(1).unwrap_or(day);
                let next = first.checked_add_months(Months::new(1));
                (first, next.and_then(|next| next.pred_opt()).unwrap_or(day))
            }
        }
    }

    /// The days `from..=to` in steps, the first and the last cut to them; at most so many and one more.
    pub fn pieces(self, (from, to): (NaiveDate, NaiveDate), most: usize) -> Vec<(NaiveDate, NaiveDate)> {
        let mut out = Vec::new();
        let mut day = Some(from);
        while let Some(first) = day.filter(|day| *day <= to && out.len() <= most) {
            let last = self.around(first).1.min(to);
            out.push((first, last));
            day = last.checked_add_days(Days::new(1));
        }
        out
    }
}

/// A point before it is drawn.
pub(super) struct Point<'a> {
    pub(super) period: (NaiveDate, NaiveDate),
    /// None where it is hidden.
    pub(super) sum: Option<&'a Sum>,
}

/// The extension `chart`; none where nothing was counted that has a score.
pub(super) fn chart(counted: Counted, step: Step, points: &[Point<'_>]) -> Option<Extension> {
    let counts: Vec<Option<Counts>> = points.iter().map(|p| p.sum.map(|sum| sum.counts(counted))).collect();
    let limits = limits(counted, &counts);
    let values: Vec<Option<f64>> =
        counts.iter().map(|c| c.as_ref().and_then(|c| value(counted, c))).collect();
    let found: Vec<f64> = values.iter().copied().flatten().collect();
    let median = middle(&found)?;
    let runs = runs(&values, median);
    let code = |code: &str| Some(Value::Code(code.to_owned()));
    let mut all = vec![
        part("step", code(step.code())),
        part("kind", code(kind(counted))),
        part("centre", limits.as_ref().and_then(|l| decimal(l.centre * scale(counted)))),
        part("factor", limits.as_ref().and_then(|l| l.factor).and_then(decimal)),
        part("median", decimal(median)),
    ];
    all.extend(runs.iter().flat_map(told_runs));
    for (place, point) in points.iter().enumerate() {
        let drawn = limits.as_ref().and_then(|l| l.points.get(place).copied().flatten());
        let counts = counts.get(place).and_then(Option::as_ref);
        all.push(Some(shown(counted, point, counts, drawn)));
    }
    let first = |place: usize| points.get(place).map(|point| point.period.0);
    for (rule, side, from, to) in speaking(limits.as_ref(), runs.as_ref(), &values, median) {
        let date = |place: usize| first(place).and_then(day);
        let side = side.map(|side| Value::Code(self::side(side).to_owned()));
        let signal =
            [part("rule", code(rule)), part("side", side), part("from", date(from)), part("to", date(to))];
        all.push(Some(with_parts("signal", signal)));
    }
    Some(parts("chart", all))
}

const fn kind(counted: Counted) -> &'static str {
    match counted.score() {
        Score::Share => "p",
        Score::Rate => "u",
        Score::Whole | Score::None => "run",
    }
}

/// What a rate of the chart is multiplied by where it is shown.
const fn scale(counted: Counted) -> f64 {
    match counted.score() {
        Score::Rate => RATE_DAYS as f64,
        Score::Share | Score::Whole | Score::None => 1.0,
    }
}

fn value(counted: Counted, counts: &Counts) -> Option<f64> {
    (counts.of > 0 && counted.score() != Score::None)
        .then(|| counts.part as f64 / counts.of as f64 * scale(counted))
}

/// The control chart; none of shares of time, which vary by no distribution that is known.
fn limits(counted: Counted, counts: &[Option<Counts>]) -> Option<Chart> {
    let kind = match counted.score() {
        Score::Share => chart::Counted::Share,
        Score::Rate => chart::Counted::Rate,
        Score::Whole | Score::None => return None,
    };
    let subgroup = |counts: &Option<Counts>| {
        let counts = counts.as_ref().filter(|c| c.of > 0);
        let (events, of) = counts.map_or((0, 0), |c| (c.part, c.of));
        Subgroup { events, of: of as f64, baseline: true }
    };
    let subgroups: Vec<Subgroup> = counts.iter().map(subgroup).collect();
    warranted(kind, &subgroups)
}

fn told_runs(runs: &Runs) -> Vec<Option<Extension>> {
    let count = |name: &str, many: usize| part(name, Some(unsigned(many as u64)));
    vec![
        count("useful", runs.useful),
        count("longest-run", runs.longest),
        count("longest-run-expected", runs.longest_expected),
        count("crossings", runs.crossings),
        count("crossings-expected", runs.crossings_expected),
    ]
}

fn shown(
    counted: Counted,
    point: &Point<'_>,
    counts: Option<&Counts>,
    drawn: Option<chart::Point>,
) -> Extension {
    let mut all = vec![part("period", Some(days(point.period)))];
    match counts {
        None => all.push(Some(masked())),
        Some(counts) => {
            let scale = scale(counted);
            all.push(part("numerator", Some(unsigned(counts.numerator))));
            all.push(part("denominator", Some(unsigned(counts.denominator - counts.exception))));
            all.push(part("value", value(counted, counts).and_then(decimal)));
            all.push(part("low", drawn.and_then(|d| decimal(d.low * scale))));
            all.push(part("high", drawn.and_then(|d| decimal(d.high * scale))));
        }
    }
    with_parts("point", all)
}

fn with_parts(name: &str, all: impl IntoIterator<Item = Option<Extension>>) -> Extension {
    Extension { url: name.to_owned(), extension: all.into_iter().flatten().collect(), ..Extension::default() }
}

/// Rule, side, first and last point of everything that speaks against chance.
fn speaking(
    limits: Option<&Chart>,
    runs: Option<&Runs>,
    values: &[Option<f64>],
    median: f64,
) -> Vec<(&'static str, Option<Side>, usize, usize)> {
    let by_limits = limits.map(|chart| signals(chart, &Rules::default())).unwrap_or_default();
    let mut out: Vec<_> = by_limits.into_iter().map(|s| (rule(s.rule), Some(s.side), s.from, s.to)).collect();
    if let Some(runs) = runs {
        let last = values.len().saturating_sub(1);
        if runs.too_long() {
            let above = values.get(runs.longest_at.0).copied().flatten().is_some_and(|v| v > median);
            let side = if above { Side::Above } else { Side::Below };
            out.push(("run-too-long", Some(side), runs.longest_at.0, runs.longest_at.1));
        }
        if runs.too_few_crossings() {
            out.push(("too-few-crossings", None, 0, last));
        }
    }
    out
}

const fn rule(rule: Rule) -> &'static str {
    match rule {
        Rule::BeyondLimit => "beyond-limit",
        Rule::Shift => "shift",
        Rule::Trend => "trend",
        Rule::TwoOfThree => "two-of-three",
    }
}

const fn side(side: Side) -> &'static str {
    match side {
        Side::Above => "above",
        Side::Below => "below",
    }
}

fn day(day: NaiveDate) -> Option<Value> {
    DateTime::from_date(day)?.to_string().parse().ok().map(Value::Date)
}
