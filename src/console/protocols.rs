//! What each protocol says, in words and as a day's picture.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};

use super::entry::Viewer;
use super::page::{Absent, Page};
use super::{Console, strip};
use crate::access::Rights;
use crate::care::protocol::{Kind, Protocol, Requirement, Rules};
use crate::care::time::Length;

/// `GET /protocols`.
pub(super) async fn protocols(State(console): State<Console>, viewer: Viewer) -> Result<Response, Absent> {
    viewer.may(&["PlanDefinition"], Rights::READ)?;
    let now = console.clock.now();
    let site = console.stays.site();
    let rules = &site.rules;
    let content = html! {
        p {
            "The cadence is common practice and this site's own choice. Day and night are counted in the zone "
            (rules.zone.name()) "; charting that reaches us within " (rules.allowance) " of a deadline raises nothing."
        }
        p { a href="/protocols/trial" { "Try another protocol on the stays of the last weeks" } }
        @if !site.refused.is_empty() {
            section.caution aria-labelledby="refused" {
                h2 id="refused" { "Definitions that have no effect" }
                ul { @for (document, refusal) in &site.refused { li { (document) ", " code { (refusal.path) } ": " (refusal.why) } } }
            }
        }
        (strip::definitions())
        @for (index, protocol) in rules.protocols.iter().enumerate() { (section(rules, index, protocol)) }
    };
    Ok(Page { title: "Protocols", place: "/protocols", fresh: false, content }.answer(&console, &viewer, now))
}

fn section(rules: &Rules, index: usize, protocol: &Protocol) -> Markup {
    let units: Vec<&str> = rules
        .units
        .iter()
        .filter(|(unit, _)| rules.protocol_in(Some(unit)) == Some(index))
        .map(|(id, unit)| unit.name.as_deref().unwrap_or(id))
        .collect();
    let standard = rules.default_protocol == Some(index);
    html! {
        section.protocol aria-labelledby=(format!("p-{index}")) {
            h2 id=(format!("p-{index}")) { (protocol.title) " " span.version { (protocol.name) " " (protocol.version) } }
            p {
                @if units.is_empty() && !standard { "Holds nowhere at present." }
                @if !units.is_empty() { "Holds in " (units.join(", ")) ". " }
                @if standard { "Holds where a unit names no protocol of its own." }
            }
            table.requirements {
                caption.hidden { "What " (protocol.title) " asks for" }
                thead { tr { th scope="col" { "Care" } th scope="col" { "How often" } th scope="col" { "A day that keeps to it" } } }
                tbody {
                    @for (line, requirement) in protocol.requirements.iter().enumerate() {
                        tr {
                            th scope="row" { (requirement.title) }
                            td {
                                (cadence(protocol, requirement))
                                @if let Some(condition) = &requirement.condition { ", while " (condition) " holds" }
                            }
                            td.hours { (day(protocol, line, requirement)) }
                        }
                    }
                }
            }
        }
    }
}

/// How often, in words.
fn cadence(protocol: &Protocol, requirement: &Requirement) -> String {
    match &requirement.kind {
        Kind::Every { target, limit } if target == limit => format!("every {target}"),
        Kind::Every { target, limit } => format!("every {target} to {limit}"),
        Kind::PerDay { times: 1 } => "at least once a day".to_owned(),
        Kind::PerDay { times } => format!("at least {times} times a day"),
        Kind::At { times, tolerance } => {
            let times: Vec<String> = times.iter().map(|t| t.format("%H:%M").to_string()).collect();
            format!("at {}, {tolerance} before or after", times.join(", "))
        }
        Kind::After { requirement, within } => {
            let of = protocol.requirements.get(*requirement).map(|r| r.title.clone()).unwrap_or_default();
            format!("within {within} after each {of}")
        }
    }
}

/// Minutes of a day at which care would keep to the cadence.
fn minutes(protocol: &Protocol, requirement: &Requirement) -> Vec<i64> {
    const DAY: i64 = 24 * 60;
    match &requirement.kind {
        Kind::Every { target, .. } => {
            let step = (target.as_micros() / Length::minutes(1).as_micros()).max(1);
            // what is done once a day or more seldom is drawn once
            let first = if step < DAY { step } else { DAY / 2 };
            (first..DAY).step_by(usize::try_from(step).unwrap_or(1).max(5)).collect()
        }
        Kind::PerDay { times } => {
            let times = i64::from(*times);
            (0..times.min(48)).map(|k| (2 * k + 1) * DAY / (2 * times)).collect()
        }
        Kind::At { times, .. } => {
            times.iter().map(|t| i64::from(crate::care::protocol::seconds_of_day(*t)) / 60).collect()
        }
        Kind::After { requirement, within } => {
            let of = protocol.requirements.get(*requirement);
            let half = within.as_micros() / Length::minutes(2).as_micros();
            // a requirement that follows one that follows is drawn from the first
            let of = of.filter(|r| !matches!(r.kind, Kind::After { .. }));
            of.map(|r| minutes(protocol, r)).unwrap_or_default().iter().map(|m| (m + half) % DAY).collect()
        }
    }
}

fn day(protocol: &Protocol, line: usize, requirement: &Requirement) -> Markup {
    let minutes = minutes(protocol, requirement);
    let x = |minute: i64| format!("{:.2}%", minute as f64 / 14.4);
    let label = format!("{} times over a day of 24 hours", minutes.len());
    html! {
        svg.strip role="img" aria-label=(label) width="100%" height="22" focusable="false" {
            rect.ventilated x="0" y="0" width="100%" height="22" {}
            @for hour in (0..24).step_by(3) { line.hour x1=(x(hour * 60)) x2=(x(hour * 60)) y1="0" y2="22" {} }
            @for minute in minutes { use class="care" href=(format!("#m-{}", strip::shape(line))) x=(x(minute)) y="11" {} }
        }
    }
}
