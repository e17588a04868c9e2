//! Compliance of units over a period: what the MeasureReports say, as a committee reads it.
//!
//! Nothing is counted here. Each number is read from the rows of a report that `$evaluate-measure` gives for the same
//! question, and each section leads to that report, as JSON and as a table.

use axum::extract::{RawQuery, State};
use axum::response::Response;
use chrono::{Days, NaiveDate};
use fhir_models::Measure;
use maud::{Markup, html};

use super::chart::{self, Drawing, Score};
use super::entry::Viewer;
use super::page::{Absent, Page};
use super::table::{Row, Table};
use super::{Console, limits};
use crate::access::Rights;
use crate::care::ledger::Feed;
use crate::care::protocol::Rules;
use crate::care::time::Instant;
use crate::stays::{Steps, What, Who};
use crate::translate::measures::{self, Beside, Scope, Series, Step, Whom};

/// What the page tells, in its order.
const WHOLE: [&str; 2] = ["complete-day", "charting-delay"];
const VENTILATION: [&str; 5] = [
    "ventilator-associated-conditions",
    "infection-related-conditions",
    "ventilator-days",
    "patient-days",
    "device-utilisation",
];

/// What is asked for.
#[derive(Clone, Debug)]
struct Asked {
    /// A `Location` id; none: everybody.
    unit: Option<String>,
    from: NaiveDate,
    to: NaiveDate,
    step: Step,
}

/// The reports of a period.
struct Reports<'a> {
    console: &'a Console,
    asked: &'a Asked,
    rules: Rules,
    now: Instant,
}

/// A measure and its report.
struct Told {
    id: &'static str,
    measure: Measure,
    table: Table,
}

/// `GET /compliance?unit=id&from=date&to=date&step=day|week|month`.
pub(super) async fn compliance(
    State(console): State<Console>,
    viewer: Viewer,
    RawQuery(query): RawQuery,
) -> Result<Response, Absent> {
    viewer.may(&["MeasureReport"], Rights::READ)?;
    let now = console.clock.now();
    let rules = console.stays.rules();
    let asked = Asked::read(query.as_deref().unwrap_or_default(), now.day(rules.zone), &console)?;
    let reports = Reports { console: &console, asked: &asked, rules, now };
    let timeliness = reports.told("timeliness").await?;
    let covered = reports.told("hours-covered").await?;
    let unverified = reports.told("unverified-hours").await?;
    let mut whole = Vec::new();
    for id in WHOLE {
        whole.push(reports.told(id).await?);
    }
    let mut ventilation = Vec::new();
    for id in VENTILATION {
        ventilation.push(reports.told(id).await?);
    }
    let content = html! {
        (asked.form(&console))
        (reports.head(&timeliness.table))
        (by_requirement(&timeliness, &covered, &unverified))
        (whole_days(&whole))
        (charts(&timeliness, &whole, &ventilation, asked.step))
        (by_shift(&timeliness))
        (beside(&ventilation))
        (reports.definitions([&timeliness, &covered, &unverified].into_iter().chain(&whole).chain(&ventilation)))
    };
    Ok(Page { title: "Compliance", place: "/compliance", fresh: false, content }
        .answer(&console, &viewer, now))
}

impl Asked {
    /// Without more being said: everybody, the last 28 days, day by day.
    fn read(query: &str, today: NaiveDate, console: &Console) -> Result<Asked, Absent> {
        let mut asked = Asked {
            unit: None,
            from: today.checked_sub_days(Days::new(27)).unwrap_or(today),
            to: today,
            step: Step::Day,
        };
        let date = |value: &str| value.parse().map_err(|_| Absent::Asked("A day is written as 2026-01-31."));
        for (name, value) in url::form_urlencoded::parse(query.as_bytes()) {
            match &*name {
                "unit" if value.is_empty() => asked.unit = None,
                "unit" if console.unit(&value).is_some() => asked.unit = Some(value.into_owned()),
                "unit" => return Err(Absent::NotFound),
                "from" => asked.from = date(&value)?,
                "to" => asked.to = date(&value)?,
                "step" => {
                    asked.step = Step::of(&value).ok_or(Absent::Asked("A step is day, week or month."))?;
                }
                _ => return Err(Absent::Asked("The page is asked for unit, from, to and step.")),
            }
        }
        if asked.to < asked.from {
            return Err(Absent::Asked("The last day comes before the first."));
        }
        if asked.to.signed_duration_since(asked.from).num_days() > limits::COMPLIANCE_DAYS {
            return Err(Absent::Asked("At most three years are shown at once."));
        }
        // a chart of more points says nothing that can be read
        while asked.pieces().len() > limits::CHART_POINTS {
            asked.step = if asked.step == Step::Day { Step::Week } else { Step::Month };
        }
        Ok(asked)
    }

    fn pieces(&self) -> Vec<(NaiveDate, NaiveDate)> {
        self.step.pieces((self.from, self.to), limits::CHART_POINTS)
    }

    /// The same question to `$evaluate-measure`.
    fn address(&self, id: &str, charted: bool) -> String {
        let mut query = url::form_urlencoded::Serializer::new(String::new());
        query.append_pair("periodStart", &self.from.to_string());
        query.append_pair("periodEnd", &self.to.to_string());
        if let Some(unit) = &self.unit {
            query.append_pair("subject", &format!("Location/{unit}"));
        }
        if charted {
            query.append_pair("chart", self.step.code());
        }
        format!("/fhir/Measure/{id}/$evaluate-measure?{}", query.finish())
    }

    fn form(&self, console: &Console) -> Markup {
        html! {
            form.asked method="get" action="/compliance" {
                label { "Unit "
                    select name="unit" {
                        option value="" selected[self.unit.is_none()] { "All units" }
                        @for unit in &console.config.site.units {
                            option value=(unit.location) selected[self.unit.as_deref() == Some(&unit.location)] {
                                (unit.name.as_deref().unwrap_or(&unit.location))
                            }
                        }
                    }
                }
                label { "First day " input type="date" name="from" value=(self.from) required; }
                label { "Last day " input type="date" name="to" value=(self.to) required; }
                label { "A point for each "
                    select name="step" {
                        @for step in [Step::Day, Step::Week, Step::Month] {
                            option value=(step.code()) selected[self.step == step] { (step.code()) }
                        }
                    }
                }
                button type="submit" { "Show" }
            }
        }
    }
}

impl Reports<'_> {
    /// The report of a measure, as `$evaluate-measure` makes it.
    async fn told(&self, id: &'static str) -> Result<Told, Absent> {
        let Reports { console, asked, rules, now } = self;
        let who = asked.unit.as_deref().map_or(Who::All, |unit| Who::Units(vec![unit.into()]));
        let whom = asked.unit.clone().map_or(Whom::All, Whom::Location);
        let heard_until = match console.stays.feed(*now) {
            feed if feed == Feed::unwatched() => None,
            Feed::Live { watermark } | Feed::Silent { watermark } => Some(watermark),
        };
        let (what, period) = (What::of(id), (asked.from, asked.to));
        let smallest = console.config.reports.suppress_below;
        let mut beside = Beside { smallest, ..Beside::default() };
        let counted = if measures::has_score(id) {
            let pieces = asked.pieces();
            let Steps { whole, parts } = console.stays.in_steps(what, &who, &pieces, *now).await?;
            let points = pieces.into_iter().zip(parts.iter().map(|part| part.in_one())).collect();
            beside.series = Some(Series { step: asked.step, points });
            whole
        } else {
            console.stays.totals(what, &who, period, *now).await?
        };
        let scope = Scope {
            whom,
            heard_until,
            waiting: counted.waiting,
            unsurveyed: counted.unsurveyed,
            ..Scope::default()
        };
        let made = measures::evaluate_beside(id, &counted.totals, rules, period, &scope, &beside, *now);
        let measure = measures::measure(id, rules);
        let (Some(report), Some(measure)) = (made, measure) else { return Err(Absent::NotFound) };
        Ok(Told { id, measure, table: Table::of(&report) })
    }

    /// Of whom, of when, and how much of it is known.
    fn head(&self, table: &Table) -> Markup {
        let unit = self.asked.unit.as_deref();
        let name = unit.map_or("All units", |unit| self.console.unit(unit).unwrap_or(unit));
        let first = table.groups().next();
        let said = |column: &str| first.map(|row| row.text(column)).unwrap_or_default();
        html! {
            p.about {
                strong { (name) } ", " (day(self.asked.from)) " to " (day(self.asked.to))
                ", local days in " (self.rules.zone.name()) "."
                @if !said("patients_waiting").is_empty() && said("patients_waiting") != "0" {
                    " The last charting of " (said("patients_waiting")) " patients is not counted yet."
                }
                @if !said("suppressed_below").is_empty() {
                    " Counts below " (said("suppressed_below")) " are hidden."
                }
                " It counts what was charted: charting is not care, and care is not always charted."
            }
        }
    }

    /// What each number means, and the reports that hold the same numbers.
    fn definitions<'a>(&self, all: impl Iterator<Item = &'a Told>) -> Markup {
        html! {
            section.definitions aria-labelledby="definitions" {
                h2 id="definitions" { "Definitions, and the reports that hold these numbers" }
                @for told in all {
                    details id=(format!("d-{}", told.id)) {
                        summary { (told.title()) }
                        p { (told.measure.description.as_deref().unwrap_or_default()) }
                        p { (told.measure.rationale.as_deref().unwrap_or_default()) }
                        p {
                            a href=(format!("/fhir/Measure/{}", told.id)) { "Measure" } ", "
                            a href=(self.asked.address(told.id, told.charted())) { "MeasureReport" } ", "
                            a href=(format!("{}&_format=text/csv", self.asked.address(told.id, told.charted()))) { "the same as CSV" }
                        }
                    }
                }
            }
        }
    }
}

impl Told {
    fn title(&self) -> &str {
        self.measure.title.as_deref().unwrap_or(self.id)
    }

    fn charted(&self) -> bool {
        measures::has_score(self.id)
    }

    /// Its title, which leads to its definition.
    fn link(&self) -> Markup {
        html! { a href=(format!("#d-{}", self.id)) { (self.title()) } }
    }
}

/// A requirement in each row: in time, hours, late charting, and what is not known.
fn by_requirement(timeliness: &Told, covered: &Told, unverified: &Told) -> Markup {
    html! {
        section aria-labelledby="requirements" {
            h2 id="requirements" { "By requirement" }
            div.wide tabindex="0" role="group" aria-labelledby="requirements" {
                table.figures {
                    thead {
                        tr {
                            th scope="col" { "Care" }
                            th scope="col" { (timeliness.link()) }
                            th scope="col" { "95 %" }
                            th scope="col" { "Of so many" }
                            th scope="col" { (covered.link()) }
                            th scope="col" { "Charted late" }
                            th scope="col" { (unverified.link()) }
                        }
                    }
                    tbody {
                        @for row in timeliness.table.groups() {
                            @let group = row.text("group");
                            tr {
                                th scope="row" { (row.text("group_title")) }
                                td.number { (row.share("score")) }
                                td { (row.interval()) }
                                td { (row.part()) }
                                td.number { (covered.table.group(group).map(|r| r.share("score")).unwrap_or_default()) }
                                td { (row.text("late_charted")) }
                                td { (covered.table.group(group).and_then(|r| r.number("unverified_hours")).map(|h| format!("{h:.1}")).unwrap_or_default()) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What is told of whole days, and of charting.
fn whole_days(all: &[Told]) -> Markup {
    html! {
        dl.numbers {
            @for told in all {
                @for row in told.table.groups() {
                    div {
                        dt { (told.link()) }
                        dd { (row.share("score")) }
                        dd.beside {
                            (beside_share(row))
                            @if !row.text("median_delay_minutes").is_empty() {
                                "; half of it within " (row.text("median_delay_minutes")) " min, nine tenths within "
                                (row.text("p90_delay_minutes")) " min"
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The shares of care, and beside them the events per 1,000 ventilator days.
fn charts(timeliness: &Told, whole: &[Told], ventilation: &[Told], step: Step) -> Markup {
    let days = whole.iter().filter(|told| told.id == "complete-day").map(|told| (told, Score::Share));
    let events = ventilation.iter().filter(|told| told.id == "ventilator-associated-conditions");
    let events = events.map(|told| (told, Score::Rate));
    html! {
        section aria-labelledby="time" {
            h2 id="time" { "Over time" }
            (chart::legend())
            div.charts {
                @for (told, score) in days.chain([(timeliness, Score::Share)]).chain(events) {
                    @for row in told.table.groups() {
                        @let title = if row.text("group_title").is_empty() { told.title() } else { row.text("group_title") };
                        (Drawing { title, id: &format!("{}-{}", told.id, row.text("group")), step, score, points: told.table.points(row.text("group")), whole: told.table.chart(row.text("group")) }.shown())
                    }
                }
            }
        }
    }
}

/// Requirements in rows, shifts in columns.
fn by_shift(told: &Told) -> Markup {
    let shifts = told.table.strata("shift");
    html! {
        section aria-labelledby="shifts" {
            h2 id="shifts" { "By shift" }
            div.wide tabindex="0" role="group" aria-labelledby="shifts" {
                table.figures {
                    thead {
                        tr {
                            th scope="col" { (told.link()) }
                            @for (_, title) in &shifts { th scope="col" { (title) } }
                        }
                    }
                    tbody {
                        @for row in told.table.groups() {
                            tr {
                                th scope="row" { (row.text("group_title")) }
                                @for (shift, _) in &shifts {
                                    td {
                                        @match told.table.stratum(row.text("group"), "shift", shift) {
                                            Some(cell) => { span.number { (cell.share("score")) } " " span.beside { (beside_share(cell)) } }
                                            None => "",
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What is told of ventilation beside care; neither explains the other.
fn beside(all: &[Told]) -> Markup {
    html! {
        section aria-labelledby="events" {
            h2 id="events" { "Ventilation and events" }
            p {
                "Found by the rules of surveillance in what was charted: a screening aid, which the infection-prevention \
                 team confirms. What stands beside each other here does not explain each other."
            }
            dl.numbers {
                @for told in all {
                    @for row in told.table.groups() {
                        div {
                            dt { (told.link()) }
                            dd { (figure(told, row)) }
                            dd.beside {
                                @if told.charted() {
                                    (row.text("numerator")) " in " (row.text("denominator"))
                                    @if let (Some(low), Some(high)) = (row.number("low"), row.number("high")) {
                                        @if told.id == "device-utilisation" { ", 95 % " (row.interval()) }
                                        @else { ", 95 % " (format!("{low:.1} to {high:.1}")) }
                                    }
                                }
                                @if !row.text("stays_unsurveyed").is_empty() && row.text("stays_unsurveyed") != "0" {
                                    "; " (row.text("stays_unsurveyed")) " stays that go on were not looked at"
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The interval of a share, and of how many it is one.
fn beside_share(row: &Row) -> String {
    [row.interval(), row.part()].into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", ")
}

fn figure(told: &Told, row: &Row) -> String {
    let hidden = row.hidden();
    match told.id {
        _ if hidden => "hidden".to_owned(),
        "ventilator-associated-conditions" | "infection-related-conditions" => match row.text("score") {
            "" => "none counted".to_owned(),
            _ => format!("{:.1} per 1,000 days", row.number("score").unwrap_or_default()),
        },
        "device-utilisation" => row.share("score"),
        _ => row.text("initial_population").to_owned(),
    }
}

fn day(day: NaiveDate) -> String {
    day.format("%-d %B %Y").to_string()
}
