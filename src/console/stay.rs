//! One stay by day: a strip for each requirement, and for each item on it how it came about and what it rests on.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use chrono::{Days, NaiveDate};
use fhir_models::primitive::is_id;
use maud::{Markup, html};
use serde::Deserialize;

use super::called::{Called, Calling};
use super::entry::{Patients, Viewer};
use super::page::{Absent, Page};
use super::strip::{self, Window};
use super::{Console, limits, ward, words};
use crate::access::Rights;
use crate::care::explain::{Explained, explain};
use crate::care::facts::{Facts, Source};
use crate::care::picture::{Picture, picture};
use crate::care::protocol::Rules;
use crate::care::time::{Instant, Span};
use crate::stays::StayLedger;

/// Which day of the stay.
#[derive(Deserialize)]
pub(super) struct Asked {
    day: Option<NaiveDate>,
}

/// When a document was charted and by whom.
#[derive(Clone, Default, Debug)]
struct Charted {
    recorded: Option<Instant>,
    received: Option<Instant>,
    by: Option<String>,
}

/// A stay on one local day.
struct Day {
    stay: StayLedger,
    called: Called,
    picture: Picture,
    rules: Rules,
    day: NaiveDate,
    span: Span,
    items: Vec<Explained>,
    charted: BTreeMap<Source, Charted>,
    now: Instant,
}

/// `GET /stay/{encounter}?day=YYYY-MM-DD`; without a day the last one.
pub(super) async fn stay(
    State(console): State<Console>,
    viewer: Viewer,
    Path(encounter): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Absent> {
    viewer.may(&["Encounter", "Procedure", "DetectedIssue"], Rights::READ)?;
    if !is_id(&encounter) {
        return Err(Absent::NotFound);
    }
    let now = console.clock.now();
    let document = console.store.document("Encounter", &encounter).await?.ok_or(Absent::NotFound)?;
    let patient = document.patient.ok_or(Absent::NotFound)?;
    let ledgers = console.stays.ledgers(&patient, now).await?;
    let stay = ledgers.into_iter().find(|l| l.stay == encounter).ok_or(Absent::NotFound)?;
    let rules = console.stays.rules();
    let feed = console.stays.feed_of(stay.ledger.unit.as_deref(), now);
    let picture = picture(&stay.facts, &rules, feed, now);
    let last = stay.facts.ends.as_ref().map_or(now, |e| e.at.min(now));
    let day = asked.day.unwrap_or_else(|| last.day(rules.zone));
    let span = Span::day(day, rules.zone);
    let on_day = |e: &Explained| match (e.at, e.span) {
        // a lapse is told on each day that it reaches into
        (_, Some(lapse)) => !lapse.and(span).is_empty() || e.at.is_some_and(|at| span.contains(at)),
        (Some(at), None) => span.contains(at),
        (None, None) => false,
    };
    let mut items: Vec<Explained> =
        explain(&stay.ledger, &rules).into_iter().filter(|e| happened(e) && on_day(e)).collect();
    items.sort_by(|a, b| (a.at, &a.requirement, a.what).cmp(&(b.at, &b.requirement, b.what)));
    let charted = charted(&console, &stay.facts, &items).await?;
    let title = format!("Stay {}", stay.stay);
    let called = Calling::of(&console, &viewer).stay(&stay, now).await?;
    let page = Day { stay, called, picture, rules, day, span, items, charted, now };
    let page = Page { title: &title, place: "/ward", fresh: false, content: page.content() };
    Ok(Patients(vec![patient]).on(page.answer(&console, &viewer, now)))
}

/// Whether it is something that was counted, rather than where a requirement stands now.
fn happened(item: &Explained) -> bool {
    matches!(item.what, "met" | "missed" | "excused" | "lapse")
}

/// When and by whom the sources of `items` were charted.
async fn charted(
    console: &Console,
    facts: &Facts,
    items: &[Explained],
) -> Result<BTreeMap<Source, Charted>, Absent> {
    let mut out: BTreeMap<Source, Charted> = BTreeMap::new();
    for source in items.iter().flat_map(|i| &i.sources) {
        out.entry(source.clone()).or_default();
    }
    let care = facts.care.iter().map(|c| (&c.source, c.recorded, c.received));
    let excuses = facts.excuses.iter().map(|x| (&x.source, x.recorded, x.received));
    for (source, recorded, received) in care.chain(excuses) {
        if let Some(charted) = out.get_mut(source) {
            charted.recorded = Some(recorded);
            charted.received = Some(received);
        }
    }
    for (source, charted) in out.iter_mut().take(limits::DAY_DOCUMENTS) {
        let parts: Vec<&str> = source.0.split('/').collect();
        let [kind, id, _, version] = parts.as_slice() else { continue };
        let Ok(version) = version.parse() else { continue };
        let document = console.store.version(kind, id, version).await?;
        charted.by = document.and_then(|d| d.body).and_then(|body| author(&body));
    }
    Ok(out)
}

/// Who charted or did it, as the document says: the reference, never a name.
fn author(body: &[u8]) -> Option<String> {
    let read: serde_json::Value = serde_json::from_slice(body).ok()?;
    let actor = |v: &serde_json::Value| {
        let reference = v.get("actor").unwrap_or(v).get("reference")?;
        Some(reference.as_str()?.to_owned())
    };
    let performer = read.get("performer").and_then(|p| p.as_array()?.first().and_then(actor));
    performer.or_else(|| read.get("recorder").and_then(actor))
}

impl Day {
    fn content(&self) -> Markup {
        let zone = self.rules.zone;
        html! {
            p {
                @if let Some(name) = &self.called.name { strong { (name) } ", " }
                "Patient " code { (self.stay.patient) } ", "
                @if let Some(bed) = &self.called.bed { (bed) ", " }
                (words::state(self.stay.ledger.state, zone))
                @if let Some(unit) = &self.stay.ledger.unit { ", unit " a href=(format!("/ward/{unit}")) { (self.unit_name(unit)) } }
                ". " a href=(format!("/fhir/Encounter/{}/$explain?_format=text/plain", self.stay.stay)) { "All items as text" }
            }
            (self.now_asked())
            (self.days())
            (strip::definitions())
            (self.strips())
            (self.list())
            (self.doubts())
            (ward::legend(&self.rules))
        }
    }

    fn unit_name(&self, unit: &str) -> String {
        let unit_of = self.rules.units.get(unit).and_then(|u| u.name.as_deref());
        unit_of.unwrap_or(unit).to_owned()
    }

    /// What is asked for now.
    fn now_asked(&self) -> Markup {
        html! {
            section aria-labelledby="now" {
                h2 id="now" { "Now" }
                div.wide tabindex="0" role="group" aria-labelledby="now" {
                    table {
                        caption.hidden { "Where each requirement stands" }
                        thead { tr { th scope="col" { "Care" } th scope="col" { "Stands" } th scope="col" { "Last charted" } } }
                        tbody {
                            @for standing in &self.stay.ledger.standings {
                                @let need = words::Need::of(standing.phase);
                                tr class=(need.class()) {
                                    th scope="row" { (ward::title(&self.rules, (standing.protocol, standing.index))) }
                                    td { span.sign aria-hidden="true" { (need.sign()) " " } (words::standing(standing, self.now, self.rules.zone)) }
                                    td {
                                        @match &standing.last {
                                            Some((at, _)) => (words::day_and_clock(*at, self.rules.zone)),
                                            None => "not in this episode",
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

    /// To the days before and after.
    fn days(&self) -> Markup {
        let address = |day: NaiveDate| format!("/stay/{}?day={day}", self.stay.stay);
        let first = self.picture.ventilated.hull().map(|h| h.from.day(self.rules.zone));
        let before = self.day.checked_sub_days(Days::new(1)).filter(|d| first.is_some_and(|f| *d >= f));
        let after = self.day.checked_add_days(Days::new(1)).filter(|d| *d <= self.now.day(self.rules.zone));
        html! {
            nav.days aria-label="Days" {
                @if let Some(day) = before { a href=(address(day)) rel="prev" { "← " (day.format("%-d %b")) } }
                h2 id="day" { (self.day.format("%A %-d %B %Y")) }
                @if let Some(day) = after { a href=(address(day)) rel="next" { (day.format("%-d %b")) " →" } }
            }
        }
    }

    fn strips(&self) -> Markup {
        let window = Window { span: self.span, zone: self.rules.zone };
        html! {
            div.strips role="group" aria-labelledby="day" {
                div.lane { span {} (window.scale(self.now)) }
                @for strip in self.picture.strips.iter().filter(|s| self.concerns(s)) {
                    @let title = ward::title(&self.rules, strip.place);
                    @let address = |at: Instant| self.item(&strip.requirement, at);
                    div.lane {
                        span.care { (title) }
                        (strip::of_requirement(&self.picture, &self.stay.ledger, strip, &window, &self.label(&title, strip), &address))
                    }
                }
            }
        }
    }

    /// Whether a requirement had anything to do with the day.
    fn concerns(&self, strip: &crate::care::picture::Strip) -> bool {
        !strip.at_risk.within(self.span).is_empty() || strip.marks.iter().any(|m| self.span.contains(m.at))
    }

    fn label(&self, title: &str, strip: &crate::care::picture::Strip) -> String {
        let marks = strip.marks.iter().filter(|m| self.span.contains(m.at));
        let times: Vec<String> = marks
            .map(|m| {
                let at = words::clock(m.at, self.rules.zone);
                if m.excused { format!("{at} not done, with a reason") } else { at }
            })
            .collect();
        let times = if times.is_empty() { "none charted".to_owned() } else { times.join(", ") };
        format!("{title}: {times}")
    }

    /// The address of the item that explains what happened at `at`.
    fn item(&self, requirement: &Arc<str>, at: Instant) -> Option<String> {
        let here = |e: &Explained| e.requirement == *requirement && e.at == Some(at);
        let rests = |e: &Explained| {
            e.requirement == *requirement && e.span.is_some_and(|s| s.to == at || s.from == at)
        };
        let index = self.items.iter().position(here).or_else(|| self.items.iter().position(rests))?;
        Some(format!("#item-{index}"))
    }

    /// Everything counted on the day, with its arithmetic and its sources.
    fn list(&self) -> Markup {
        html! {
            section aria-labelledby="items" {
                h2 id="items" { "What was counted, and why" }
                @if self.items.is_empty() { p { "Nothing was counted on this day." } }
                ol.items {
                    @for (index, item) in self.items.iter().enumerate() { li { (self.explained(index, item)) } }
                }
            }
        }
    }

    fn explained(&self, index: usize, item: &Explained) -> Markup {
        // a lapse that reaches into this day has begun on another
        let told = if item.at.is_some_and(|at| self.span.contains(at)) {
            words::clock
        } else {
            words::day_and_clock
        };
        let at = item.at.map(|at| told(at, self.rules.zone)).unwrap_or_default();
        html! {
            details class=(item.what) {
                summary {
                    span.at { (at) } " " span class=(format!("word {}", item.what)) { (sign(item.what)) " " (item.what) }
                    " " (self.title_of(&item.requirement))
                }
                // within the details: a link to it opens them
                div.why id=(format!("item-{index}")) tabindex="-1" {
                    ul { @for line in &item.arithmetic { li { (line) } } }
                    (self.sources(item))
                }
            }
        }
    }

    fn title_of(&self, requirement: &str) -> Arc<str> {
        let all = self.rules.protocols.iter().flat_map(|p| &p.requirements);
        let found = all.into_iter().find(|r| &*r.id == requirement);
        found.map(|r| r.title.clone()).unwrap_or_else(|| requirement.into())
    }

    fn sources(&self, item: &Explained) -> Markup {
        let zone = self.rules.zone;
        let shown = |at: Option<Instant>| at.map(|at| words::day_and_clock(at, zone)).unwrap_or_default();
        html! {
            @if item.sources.is_empty() { p { "It rests on no document: nothing was charted." } }
            @else {
                table.sources {
                    caption.hidden { "What it rests on" }
                    thead { tr { th scope="col" { "Document" } th scope="col" { "Recorded" } th scope="col" { "Reached us" } th scope="col" { "By" } th scope="col" { "Corrected" } } }
                    tbody {
                        @for source in &item.sources {
                            @let charted = self.charted.get(source).cloned().unwrap_or_default();
                            @let (document, version) = source.0.split_once("/_history/").unwrap_or((&source.0, ""));
                            tr {
                                th scope="row" { a href=(format!("/fhir/{}", source.0)) { (document) } }
                                td { (shown(charted.recorded)) }
                                td { (shown(charted.received)) }
                                td { (charted.by.unwrap_or_default()) }
                                td { @if version != "1" { a href=(format!("/fhir/{document}/_history")) { "version " (version) } } @else { "no" } }
                            }
                        }
                    }
                }
            }
        }
    }

    fn doubts(&self) -> Markup {
        html! {
            @if !self.stay.doubts.is_empty() {
                section aria-labelledby="doubts" {
                    h2 id="doubts" { "What could not be used" }
                    ul {
                        @for doubt in self.stay.doubts.iter().take(limits::DOUBTS) {
                            li { a href=(format!("/fhir/{}", doubt.source)) { (doubt.source) } ": " (doubt.why) }
                        }
                    }
                }
            }
        }
    }
}

/// A sign that tells an outcome without colour.
fn sign(what: &str) -> &'static str {
    match what {
        "met" => "✓",
        "missed" => "■",
        "excused" => "×",
        _ => "▧",
    }
}
