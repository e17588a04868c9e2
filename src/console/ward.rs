//! The stays of a unit now: the last day of each as one strip, what needs somebody first.

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::called::{Called, Calling};
use super::entry::{Patients, Viewer};
use super::page::{Absent, Page, freshness};
use super::strip::{self, Window};
use super::words::{self, Need};
use super::{Console, limits};
use crate::access::Rights;
use crate::care::ledger::{Phase, Standing, State as Standing_};
use crate::care::picture::{Picture, Strip, picture};
use crate::care::protocol::Rules;
use crate::care::time::{Instant, Length};
use crate::stays::StayLedger;
use crate::store::StayQuery;

/// One stay on the page.
struct Row {
    stay: StayLedger,
    picture: Picture,
    need: Need,
    called: Called,
}

/// A unit at one instant.
struct Ward {
    name: String,
    rows: Vec<Row>,
    /// Open stays that were left out.
    more: bool,
    rules: Rules,
    now: Instant,
}

/// `GET /ward`: the units.
pub(super) async fn units(State(console): State<Console>, viewer: Viewer) -> Result<Response, Absent> {
    viewer.may(&["Encounter", "Procedure", "DetectedIssue"], Rights::READ)?;
    let now = console.clock.now();
    let (mut units, mut patients) = (Vec::new(), Vec::new());
    for unit in &console.config.site.units {
        let ward = ward_of(&console, &viewer, &unit.location, now).await?;
        patients.extend(ward.patients());
        let counts = Need::ALL.map(|need| ward.rows.iter().filter(|r| r.need == need).count());
        units.push((unit.location.clone(), ward.name, counts));
    }
    let content = html! {
        @if units.is_empty() {
            p { "The configuration names no unit. Name the units in the file of configuration to see them here." }
        }
        ul.units {
            @for (location, name, counts) in &units {
                li {
                    a href=(format!("/ward/{location}")) { (name) }
                    (tally(counts))
                }
            }
        }
    };
    let page = Page { title: "Wards", place: "/ward", fresh: false, content };
    Ok(Patients(patients).on(page.answer(&console, &viewer, now)))
}

/// `GET /ward/{unit}`.
pub(super) async fn ward(
    State(console): State<Console>,
    viewer: Viewer,
    Path(unit): Path<String>,
) -> Result<Response, Absent> {
    viewer.may(&["Encounter", "Procedure", "DetectedIssue"], Rights::READ)?;
    let now = console.clock.now();
    let ward = known(&console, &viewer, &unit, now).await?;
    let content = html! {
        p.caution hidden data-connection { "The connection is lost: what you see may be old." }
        (strip::definitions())
        div data-rows=(format!("/ward/{unit}/rows")) data-events=(format!("/ward/{unit}/events")) { (freshness(&console, now)) (ward.content()) }
        (legend(&ward.rules))
    };
    let page = Page { title: &ward.name, place: "/ward", fresh: true, content };
    Ok(Patients(ward.patients().collect()).on(page.answer(&console, &viewer, now)))
}

/// `GET /ward/{unit}/rows`: what is fresh on the page.
pub(super) async fn rows(
    State(console): State<Console>,
    viewer: Viewer,
    Path(unit): Path<String>,
) -> Result<Response, Absent> {
    viewer.may(&["Encounter", "Procedure", "DetectedIssue"], Rights::READ)?;
    let now = console.clock.now();
    let ward = known(&console, &viewer, &unit, now).await?;
    let content = html! { (freshness(&console, now)) (ward.content()) };
    let response = ([(CONTENT_TYPE, "text/html; charset=utf-8")], content.into_string()).into_response();
    Ok(Patients(ward.patients().collect()).on(response))
}

/// The text by which a page knows that it has become old.
pub(super) async fn text(console: &Console, viewer: &Viewer, unit: &str) -> Result<String, Absent> {
    let now = console.clock.now();
    Ok(known(console, viewer, unit, now).await?.content().into_string())
}

async fn known(console: &Console, viewer: &Viewer, unit: &str, now: Instant) -> Result<Ward, Absent> {
    if !console.config.site.units.iter().any(|u| u.location == unit) {
        return Err(Absent::NotFound);
    }
    ward_of(console, viewer, unit, now).await
}

async fn ward_of(console: &Console, viewer: &Viewer, unit: &str, now: Instant) -> Result<Ward, Absent> {
    let query = StayQuery {
        unit: Some(unit.to_owned()),
        open: Some(true),
        limit: limits::WARD_STAYS + 1,
        ..StayQuery::default()
    };
    let stays = console.store.stays(query).await?;
    let rules = console.stays.rules();
    let feed = console.stays.feed_of(Some(unit), now);
    let more = stays.len() > limits::WARD_STAYS;
    let (mut rows, mut calling) = (Vec::new(), Calling::of(console, viewer));
    for row in stays.iter().take(limits::WARD_STAYS) {
        let ledgers = console.stays.ledgers(&row.patient, now).await?;
        let Some(stay) = ledgers.into_iter().find(|l| l.stay == row.stay) else { continue };
        // it may have moved since it was reconciled
        if stay.ledger.unit.as_deref().is_some_and(|u| u != unit) || !here(stay.ledger.state) {
            continue;
        }
        let picture = picture(&stay.facts, &rules, feed, now);
        let called = calling.stay(&stay, now).await?;
        rows.push(Row { need: Need::of_stay(&stay.ledger), picture, stay, called });
    }
    rows.sort_by_key(Row::rank);
    let name = console.config.site.units.iter().find(|u| u.location == unit);
    let name = name.and_then(|u| u.name.clone()).unwrap_or_else(|| unit.to_owned());
    Ok(Ward { name, rows, more, rules, now })
}

/// Whether the patient is one of whom the page speaks: on a ventilator, or was in this stay.
fn here(state: Standing_) -> bool {
    match state {
        Standing_::AtRisk { .. } | Standing_::Away { .. } | Standing_::Extubated { .. } => true,
        Standing_::NotVentilated | Standing_::OutOfScope { .. } | Standing_::Ended { .. } => false,
    }
}

impl Row {
    /// What needs somebody first; of equals the one whose deadline is nearer, or was passed longer ago.
    fn rank(&self) -> (Need, Instant, String) {
        let standings = self.stay.ledger.standings.iter().filter(|s| Need::of(s.phase) == self.need);
        let deadline = standings.filter_map(|s| s.deadline).min().unwrap_or(Instant::LATEST);
        (self.need, deadline, self.stay.stay.clone())
    }

    fn strips(&self) -> Vec<&Strip> {
        let current = |s: &&Strip| {
            let of = |standing: &&Standing| (standing.protocol, standing.index) == s.place;
            self.stay.ledger.standings.iter().find(of).is_some_and(|s| s.phase != Phase::NotAtRisk)
        };
        let now: Vec<&Strip> = self.picture.strips.iter().filter(current).collect();
        if now.is_empty() { self.picture.strips.iter().collect() } else { now }
    }

    /// What is asked for now, what needs somebody first.
    fn asked(&self) -> Vec<&Standing> {
        let mut asked: Vec<&Standing> =
            self.stay.ledger.standings.iter().filter(|s| s.phase != Phase::NotAtRisk).collect();
        // of what lies ahead, what becomes due first; a requirement that asks for nothing more today comes last
        let first = |s: &Standing| if s.phase == Phase::Waiting { s.due } else { s.deadline };
        asked.sort_by_key(|s| (Need::of(s.phase), first(s).unwrap_or(Instant::LATEST)));
        asked
    }

    /// The strip in words, for those who do not see it.
    fn label(&self, rules: &Rules, window: &Window) -> String {
        let mut parts = vec![words::state(self.stay.ledger.state, rules.zone)];
        for strip in self.strips() {
            let done = strip.marks.iter().filter(|m| !m.excused && window.span.contains(m.at));
            let done: Vec<String> = done.map(|m| words::clock(m.at, rules.zone)).collect();
            let done = if done.is_empty() { "none charted".to_owned() } else { done.join(", ") };
            parts.push(format!("{}: {done}", title(rules, strip.place)));
        }
        format!("Last 24 hours. {}", parts.join(". "))
    }
}

impl Ward {
    fn patients(&self) -> impl Iterator<Item = String> {
        self.rows.iter().map(|row| row.stay.patient.clone())
    }

    fn content(&self) -> Markup {
        let counts = Need::ALL.map(|need| self.rows.iter().filter(|r| r.need == need).count());
        let window = Window::until(self.now, Length::hours(24), self.rules.zone);
        html! {
            p.counts { (tally(&counts)) }
            @if self.more { p.caution { "Not all stays are shown: there are more than " (limits::WARD_STAYS) "." } }
            @if self.rows.is_empty() { p { "No patient of this unit is on a ventilator." } }
            @else {
                table.ward {
                    caption.hidden { "Stays of " (self.name) ", what needs somebody first" }
                    thead {
                        tr {
                            th scope="col" { "Bed or stay" }
                            th scope="col" { "Now" }
                            th.hours scope="col" { span.hidden { "Last 24 hours" } (window.scale(self.now)) }
                        }
                    }
                    tbody { @for row in &self.rows { (self.row(row, &window)) } }
                }
            }
        }
    }

    fn row(&self, row: &Row, window: &Window) -> Markup {
        let asked = row.asked();
        html! {
            tr class=(row.need.class()) {
                th scope="row" {
                    a id=(format!("stay-{}", row.stay.stay)) href=(format!("/stay/{}", row.stay.stay)) { (row.called.bed.as_deref().unwrap_or(&row.stay.stay)) }
                    @if let Some(name) = &row.called.name { span.who { (name) } }
                    @if row.called.bed.is_some() { span.since { (row.stay.stay) } }
                    span.since { (words::state(row.stay.ledger.state, self.rules.zone)) }
                }
                td.need {
                    strong { span.sign aria-hidden="true" { (row.need.sign()) " " } (row.need.words()) }
                    @if let Some(first) = asked.first() {
                        span.what { @if row.need == Need::Ahead { "next: " } (title(&self.rules, (first.protocol, first.index))) ": " (words::standing(first, self.now, self.rules.zone)) }
                    }
                    @let others = asked.iter().skip(1).filter(|s| Need::of(s.phase) < Need::Ahead).count();
                    @if others > 0 { span.what { "and " (others) " more" } }
                }
                td.hours { (strip::of_stay(&row.picture, &row.stay.ledger, &row.strips(), window, &row.label(&self.rules, window))) }
            }
        }
    }
}

/// How many stays need what.
fn tally(counts: &[usize; 6]) -> Markup {
    html! {
        span.tally {
            @for (need, count) in Need::ALL.iter().zip(counts).filter(|(_, count)| **count > 0) {
                span class=(format!("chip {}", need.class())) {
                    span.sign aria-hidden="true" { (need.sign()) } " " (count) " " (need.words())
                }
            }
        }
    }
}

/// The title of a requirement.
pub(super) fn title(rules: &Rules, (protocol, index): (usize, usize)) -> Arc<str> {
    let protocol = rules.protocols.get(protocol);
    protocol.and_then(|p| p.requirements.get(index)).map(|r| r.title.clone()).unwrap_or_default()
}

/// What the lanes and hatches mean.
pub(super) fn legend(rules: &Rules) -> Markup {
    let protocols: Vec<usize> = (0..rules.protocols.len()).filter(|p| in_use(rules, *p)).collect();
    html! {
        section.legend aria-labelledby="legend" {
            h2 id="legend" { "How to read the strips" }
            @for protocol in protocols.iter().filter_map(|p| rules.protocols.get(*p)) {
                p { strong { (protocol.title) } ", from the top lane down:" }
                ul {
                    @for (index, requirement) in protocol.requirements.iter().enumerate() {
                        li {
                            svg.key width="16" height="16" aria-hidden="true" focusable="false" {
                                use class="care" href=(format!("#m-{}", strip::shape(index))) x="8" y="8" {}
                            }
                            " " (requirement.title)
                        }
                    }
                }
            }
            ul {
                li { (swatch("ventilated", None)) " ventilated" }
                li { (swatch("away", Some("url(#h-away)"))) " off the unit: nothing is counted" }
                li { (swatch("lapse", Some("url(#h-lapse)"))) " lapse: a deadline passed and no care was charted" }
                li { (swatch("unknown", Some("url(#h-unknown)"))) " not verified: charting has not reached us" }
                li {
                    svg.key width="16" height="16" aria-hidden="true" focusable="false" { use class="excuse" href="#m-excuse" x="8" y="8" {} }
                    " not done, for a reason that counts"
                }
                li {
                    svg.key width="16" height="16" aria-hidden="true" focusable="false" { use class="care latecharted" href="#m-dot" x="8" y="8" {} }
                    " hollow: charted later than the allowance"
                }
            }
        }
    }
}

fn in_use(rules: &Rules, protocol: usize) -> bool {
    rules.default_protocol == Some(protocol)
        || rules.units.keys().any(|unit| rules.protocol_in(Some(unit)) == Some(protocol))
}

fn swatch(class: &str, fill: Option<&str>) -> Markup {
    html! {
        svg.key width="24" height="14" aria-hidden="true" focusable="false" {
            rect class=(class) fill=[fill] width="24" height="14" {}
        }
    }
}
