//! A score over time: points, the centre, the limits, and what speaks against chance.

use maud::{Markup, html};

use super::table::Row;
use crate::translate::measures::Step;

/// The height of the plot in pixels.
const HEIGHT: f64 = 110.0;
/// Above and below it.
const MARGIN: f64 = 10.0;

/// What a point tells.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Score {
    /// A share of all that was asked for.
    Share,
    /// Events per 1,000 days.
    Rate,
}

/// The part of all values that is drawn.
struct Axis {
    score: Score,
    from: f64,
    to: f64,
    steps: i32,
}

/// What is drawn.
pub(super) struct Drawing<'a> {
    pub(super) title: &'a str,
    /// Names the drawing on its page.
    pub(super) id: &'a str,
    pub(super) step: Step,
    pub(super) score: Score,
    /// In the order of time.
    pub(super) points: Vec<&'a Row>,
    /// What is told of all of them together; none where nothing was counted.
    pub(super) whole: Option<&'a Row>,
}

/// A point where it is drawn.
struct Dot<'a> {
    row: &'a Row,
    /// In hundredths of the width.
    x: f64,
    value: Option<f64>,
    limits: Option<(f64, f64)>,
}

/// What the signs of a chart mean.
pub(super) fn legend() -> Markup {
    html! {
        ul.legend {
            li { svg.key width="24" height="14" aria-hidden="true" focusable="false" { circle.point cx="12" cy="7" r="4" {} } " a period" }
            li { svg.key width="24" height="14" aria-hidden="true" focusable="false" { rect.signal x="6" y="1" width="12" height="12" {} } " a period that speaks against chance" }
            li { svg.key width="24" height="14" aria-hidden="true" focusable="false" { line.centre x1="0" x2="24" y1="7" y2="7" {} } " centre" }
            li { svg.key width="24" height="14" aria-hidden="true" focusable="false" { line.limit x1="0" x2="24" y1="7" y2="7" {} } " limits, three standard errors from it" }
        }
    }
}

impl<'a> Drawing<'a> {
    /// The picture, what it says in words, and its numbers.
    pub(super) fn shown(&self) -> Markup {
        let dots = self.dots();
        let Some(whole) = self.whole.filter(|_| dots.iter().any(|dot| dot.value.is_some())) else {
            return html! { figure.chart { figcaption { (self.title) } p { "Nothing was counted." } } };
        };
        let words = self.words(whole);
        html! {
            figure.chart {
                figcaption id=(format!("c-{}", self.id)) { (self.title) }
                (plot(&dots, &self.score.axis(&dots), whole, &format!("{}. {}", self.title, words.join(" "))))
                ul.said { @for said in &words { li { (said) } } }
                details {
                    summary { "The numbers" }
                    div.wide tabindex="0" role="group" aria-labelledby=(format!("c-{}", self.id)) { (numbers(&dots, self.score)) }
                }
            }
        }
    }

    fn dots(&self) -> Vec<Dot<'a>> {
        let last = self.points.len().saturating_sub(1).max(1) as f64;
        let dot = |(place, row): (usize, &'a Row)| Dot {
            row,
            x: 2.0 + 96.0 * place as f64 / last,
            value: row.number("score"),
            limits: row.number("lower_limit").zip(row.number("upper_limit")),
        };
        self.points.iter().copied().enumerate().map(dot).collect()
    }

    /// What the chart says: its centre, and each rule that speaks with where it does.
    fn words(&self, whole: &Row) -> Vec<String> {
        let share = |column: &str| whole.number(column).map(|n| self.score.exact(n));
        let mut out = Vec::new();
        match (share("centre"), share("median")) {
            (Some(centre), _) => out.push(format!("Centre {centre}, a point for each {}.", self.step.code())),
            (None, Some(median)) => {
                out.push(format!("Median {median}, a point for each {}.", self.step.code()))
            }
            (None, None) => {}
        }
        if let Some(factor) = whole.number("factor") {
            out.push(format!("Limits by Laney, factor {factor:.2}."));
        }
        let mut spoken: Vec<(String, Vec<String>)> = Vec::new();
        for row in &self.points {
            for signal in row.text("signals").split_whitespace() {
                let day = short(row.text("stratum"));
                match spoken.iter_mut().find(|(known, _)| known == signal) {
                    Some((_, days)) => days.push(day),
                    None => spoken.push((signal.to_owned(), vec![day])),
                }
            }
        }
        out.extend(spoken.iter().map(|(signal, days)| match days.as_slice() {
            [day] => format!("{}: {day}.", rule(signal)),
            [first, .., last] if signal.starts_with("beyond") => {
                let between = days.len() - 2;
                if between == 0 {
                    format!("{}: {first} and {last}.", rule(signal))
                } else {
                    format!("{}: {}.", rule(signal), days.join(", "))
                }
            }
            [first, .., last] => format!("{}: {first} to {last}.", rule(signal)),
            [] => rule(signal),
        }));
        out.extend(whole.text("signals").split_whitespace().map(|signal| format!("{}.", rule(signal))));
        if spoken.is_empty() && whole.text("signals").is_empty() {
            out.push("No rule speaks against chance.".to_owned());
        }
        out
    }
}

/// A rule in words.
fn rule(signal: &str) -> String {
    let (rule, side) = signal.split_once('/').unwrap_or((signal, ""));
    match rule {
        "beyond-limit" if side == "above" => "Above the upper limit".to_owned(),
        "beyond-limit" => "Below the lower limit".to_owned(),
        "shift" => format!("A row of points {side} the centre"),
        "trend" if side == "above" => "A row of rising points".to_owned(),
        "trend" => "A row of falling points".to_owned(),
        "two-of-three" => format!("Two of three near the limit, {side} the centre"),
        "run-too-long" => format!("A run {side} the median that is longer than chance explains"),
        "too-few-crossings" => "The median is crossed more seldom than chance explains".to_owned(),
        other => other.to_owned(),
    }
}

impl Score {
    /// A value in words.
    fn exact(self, value: f64) -> String {
        match self {
            Score::Share => format!("{:.1} %", value * 100.0),
            Score::Rate => format!("{value:.1} per 1,000 days"),
        }
    }

    /// A value beside a line of the axis.
    fn rough(self, value: f64) -> String {
        match self {
            Score::Share => format!("{:.0} %", value * 100.0),
            Score::Rate => format!("{value:.0}"),
        }
    }

    /// What is drawn, and in how many steps: of shares from the top down, and what is nearly all is drawn larger; of rates
    /// from nothing up.
    fn axis(self, dots: &[Dot<'_>]) -> Axis {
        let told = |limit: fn((f64, f64)) -> f64| {
            dots.iter().flat_map(move |dot| dot.value.into_iter().chain(dot.limits.map(limit)))
        };
        match self {
            Score::Share => {
                let below = 1.0 - told(|limits| limits.0).fold(1.0_f64, f64::min);
                let ranges = [(0.1, 5), (0.2, 4), (0.4, 4)];
                let (range, steps) =
                    ranges.into_iter().find(|(range, _)| below <= *range).unwrap_or((1.0, 4));
                Axis { score: self, from: 1.0 - range, to: 1.0, steps }
            }
            Score::Rate => {
                let highest = told(|limits| limits.1).fold(0.0_f64, f64::max);
                let tops = [4.0, 8.0, 20.0, 40.0, 80.0, 200.0, 400.0];
                let to = tops.into_iter().find(|top| highest <= *top).unwrap_or(1_000.0);
                Axis { score: self, from: 0.0, to, steps: 4 }
            }
        }
    }
}

fn plot(dots: &[Dot<'_>], axis: &Axis, whole: &Row, label: &str) -> Markup {
    let Axis { score, from, to, steps } = *axis;
    let range = to - from;
    let y = |value: f64| format!("{:.1}", MARGIN + HEIGHT * (1.0 - (value.clamp(from, to) - from) / range));
    let x = |at: f64| format!("{at:.2}%");
    let marks: Vec<f64> = (0..=steps).map(|n| from + range * f64::from(n) / f64::from(steps)).collect();
    let pairs = || dots.iter().zip(dots.iter().skip(1));
    let half = dots.get(1).map_or(48.0, |second| (second.x - 2.0) / 2.0);
    let centre = whole.number("centre").or_else(|| whole.number("median"));
    html! {
        svg.plot role="img" aria-label=(label) width="100%" height=(HEIGHT + 2.0 * MARGIN + 16.0) focusable="false" {
            @for mark in &marks { text.mark x="0" y=(y(*mark)) dy="4" { (score.rough(*mark)) } }
            svg x="12%" width="87%" height="100%" {
                @for mark in &marks { line.grid x1="0" x2="100%" y1=(y(*mark)) y2=(y(*mark)) {} }
                @if let Some(centre) = centre { line.centre x1="0" x2="100%" y1=(y(centre)) y2=(y(centre)) {} }
                @for dot in dots {
                    @if let Some((low, high)) = dot.limits {
                        @for limit in [low, high] {
                            line.limit x1=(x(dot.x - half)) x2=(x(dot.x + half)) y1=(y(limit)) y2=(y(limit)) {}
                        }
                    }
                }
                @for (a, b) in pairs() {
                    @if let (Some(from), Some(to)) = (a.value, b.value) {
                        line.course x1=(x(a.x)) x2=(x(b.x)) y1=(y(from)) y2=(y(to)) {}
                    }
                }
                @for dot in dots {
                    @if let Some(value) = dot.value {
                        @if dot.row.text("signals").is_empty() { circle.point cx=(x(dot.x)) cy=(y(value)) r="3.5" {} }
                        @else { svg x=(x(dot.x)) y=(y(value)) overflow="visible" { rect.signal x="-6" y="-6" width="12" height="12" {} } }
                    }
                }
                @for (place, dot) in dots.iter().enumerate() {
                    @if place == 0 || place + 1 == dots.len() {
                        text.mark x=(x(dot.x)) y=(HEIGHT + 2.0 * MARGIN + 8.0) text-anchor=(if place == 0 { "start" } else { "end" }) { (short(dot.row.text("stratum"))) }
                    }
                }
            }
        }
    }
}

fn numbers(dots: &[Dot<'_>], score: Score) -> Markup {
    html! {
        table.figures {
            thead { tr { th scope="col" { "From" } th scope="col" { "Score" } th scope="col" { "Of so many" } th scope="col" { "Limits" } th scope="col" { "Says" } } }
            tbody {
                @for dot in dots {
                    tr {
                        th scope="row" { (short(dot.row.text("stratum"))) }
                        td.number { @match score {
                            Score::Share => (dot.row.share("score")),
                            Score::Rate => (if dot.row.hidden() { "hidden".to_owned() } else { dot.value.map(|v| score.exact(v)).unwrap_or_default() }),
                        } }
                        td { (dot.row.part()) }
                        td { @if let Some((low, high)) = dot.limits { (score.exact(low)) " to " (score.exact(high)) } }
                        td { (dot.row.text("signals").split_whitespace().map(rule).collect::<Vec<_>>().join("; ")) }
                    }
                }
            }
        }
    }
}

/// `3 Mar 2026` of a date as R4 writes it.
fn short(date: &str) -> String {
    let day = date.get(..10).unwrap_or(date);
    day.parse::<chrono::NaiveDate>().map_or_else(|_| date.to_owned(), |d| d.format("%-d %b %Y").to_string())
}

#[cfg(test)]
mod tests {
    use super::{Axis, Dot, Score};
    use crate::console::table::Row;

    /// The value of a point, and its limits.
    type Point = (Option<f64>, Option<(f64, f64)>);

    fn range(score: Score, row: &Row, all: &[Point]) -> (f64, f64) {
        let dots: Vec<Dot<'_>> =
            all.iter().map(|(value, limits)| Dot { row, x: 0.0, value: *value, limits: *limits }).collect();
        let Axis { from, to, .. } = score.axis(&dots);
        ((from * 100.0).round() / 100.0, to)
    }

    #[test]
    fn an_axis_holds_every_value_and_every_limit() {
        let row = Row(std::array::from_fn(|_| String::new()));
        let of = |score, all: &[Point]| range(score, &row, all);
        assert_eq!(of(Score::Share, &[]), (0.9, 1.0));
        assert_eq!(of(Score::Share, &[(Some(0.95), None)]), (0.9, 1.0));
        assert_eq!(of(Score::Share, &[(Some(0.95), Some((0.81, 1.0)))]), (0.8, 1.0));
        assert_eq!(of(Score::Share, &[(Some(0.7), None), (None, None)]), (0.6, 1.0));
        assert_eq!(of(Score::Share, &[(Some(0.5), None)]), (0.0, 1.0));
        assert_eq!(of(Score::Rate, &[]), (0.0, 4.0));
        assert_eq!(of(Score::Rate, &[(Some(3.0), Some((0.0, 7.9)))]), (0.0, 8.0));
        assert_eq!(of(Score::Rate, &[(Some(250.0), None)]), (0.0, 400.0));
    }

    #[test]
    fn a_score_is_told_in_its_unit() {
        assert_eq!((Score::Share.exact(0.9137), Score::Share.rough(0.9)), ("91.4 %".into(), "90 %".into()));
        assert_eq!(
            (Score::Rate.exact(12.34), Score::Rate.rough(20.0)),
            ("12.3 per 1,000 days".into(), "20".into())
        );
    }
}
