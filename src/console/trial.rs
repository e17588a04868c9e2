//! What another protocol would have meant for the stays of the last weeks, before it is switched on.

use axum::body::Bytes;
use axum::extract::State;
use axum::response::Response;
use chrono::Days;
use maud::{Markup, html};

use super::entry::Viewer;
use super::page::{Absent, Page};
use super::{Console, limits};
use crate::access::Rights;
use crate::care::ledger::Cell;
use crate::care::protocol::Protocol;
use crate::care::statistics::{newcombe, wilson};
use crate::care::time::Instant;
use crate::site::Site;
use crate::stays::{Side, Trial, Tried, with_protocol};
use crate::translate::protocol;

/// What is asked.
#[derive(Clone, Debug)]
struct Asked {
    /// The name of a protocol that is loaded; none: `plan`.
    protocol: Option<String>,
    /// A PlanDefinition.
    plan: String,
    unit: Option<String>,
    weeks: u64,
}

impl Default for Asked {
    fn default() -> Self {
        Asked { protocol: None, plan: String::new(), unit: None, weeks: 4 }
    }
}

/// `GET /protocols/trial`.
pub(super) async fn form(State(console): State<Console>, viewer: Viewer) -> Result<Response, Absent> {
    viewer.may(&["PlanDefinition", "MeasureReport"], Rights::READ)?;
    let asked = Asked::default();
    Ok(shown(&console, &viewer, &asked, html! {}))
}

/// `POST /protocols/trial` with `protocol` or `plan`, `unit` and `weeks`.
pub(super) async fn trial(
    State(console): State<Console>,
    viewer: Viewer,
    body: Bytes,
) -> Result<Response, Absent> {
    viewer.may(&["PlanDefinition", "MeasureReport"], Rights::READ)?;
    let asked = Asked::read(&body, &console)?;
    let site = console.stays.site();
    let protocol = match asked.protocol(&site) {
        Ok(protocol) => protocol,
        Err(refusals) => return Ok(shown(&console, &viewer, &asked, refused(&refusals))),
    };
    let now = console.clock.now();
    let to = now.day(site.rules.zone);
    let from = to.checked_sub_days(Days::new(asked.weeks * 7)).unwrap_or(to);
    let tried = with_protocol(&site.rules, protocol.clone(), asked.unit.as_deref());
    let trial = Trial {
        rules: [site.rules.clone(), tried],
        period: (from, to),
        unit: asked.unit.clone(),
        patients: limits::TRIED_PATIENTS,
    };
    let found = console.stays.tried(&trial, now).await?;
    Ok(shown(&console, &viewer, &asked, result(&site, &protocol, &found)))
}

impl Asked {
    fn read(body: &[u8], console: &Console) -> Result<Asked, Absent> {
        let mut asked = Asked::default();
        for (name, value) in url::form_urlencoded::parse(body) {
            match &*name {
                "protocol" => asked.protocol = Some(value.into_owned()).filter(|name| !name.is_empty()),
                "plan" => asked.plan = value.into_owned(),
                "unit" if value.is_empty() => asked.unit = None,
                "unit" if console.unit(&value).is_some() => asked.unit = Some(value.into_owned()),
                "unit" => return Err(Absent::NotFound),
                "weeks" => {
                    let weeks = value.parse().ok().filter(|weeks| (1..=limits::TRIED_WEEKS).contains(weeks));
                    asked.weeks = weeks.ok_or(Absent::Asked("The stays of 1 to 26 weeks are tried."))?;
                }
                _ => return Err(Absent::Asked("A trial has a protocol or a plan, a unit and weeks.")),
            }
        }
        Ok(asked)
    }

    /// The protocol that is tried, or why it cannot be honoured: a path and a reason each.
    fn protocol(&self, site: &Site) -> Result<Protocol, Vec<(String, String)>> {
        if let Some(name) = &self.protocol {
            let found = site.rules.protocols.iter().find(|p| &*p.name == name.as_str());
            return found
                .cloned()
                .ok_or_else(|| vec![(name.clone(), "there is no such protocol".to_owned())]);
        }
        protocol::protocol("tried", self.plan.as_bytes(), &site.codes)
            .map_err(|all| all.into_iter().map(|r| (r.path, r.why)).collect())
    }
}

fn shown(console: &Console, viewer: &Viewer, asked: &Asked, result: Markup) -> Response {
    let now: Instant = console.clock.now();
    let rules = console.stays.rules();
    let content = html! {
        p {
            "The stays of the last weeks are counted twice: by what holds now, and by what is tried. Nothing is switched on \
             by this, and nobody is told anything."
        }
        form.asked method="post" action="/protocols/trial" {
            label { "Protocol "
                select name="protocol" {
                    option value="" selected[asked.protocol.is_none()] { "the plan below" }
                    @for protocol in &rules.protocols {
                        option value=(protocol.name) selected[asked.protocol.as_deref() == Some(&*protocol.name)] { (protocol.title) }
                    }
                }
            }
            label { "Unit "
                select name="unit" {
                    option value="" selected[asked.unit.is_none()] { "All units" }
                    @for unit in &console.config.site.units {
                        option value=(unit.location) selected[asked.unit.as_deref() == Some(&unit.location)] { (unit.name.as_deref().unwrap_or(&unit.location)) }
                    }
                }
            }
            label { "Weeks " input type="number" name="weeks" min="1" max=(limits::TRIED_WEEKS) value=(asked.weeks) required; }
            label.plan { "A PlanDefinition, if none of the protocols is meant "
                textarea name="plan" rows="6" spellcheck="false" { (asked.plan) }
            }
            button type="submit" { "Try" }
        }
        (result)
    };
    Page { title: "Trying a protocol", place: "/protocols", fresh: false, content }
        .answer(console, viewer, now)
}

fn refused(refusals: &[(String, String)]) -> Markup {
    html! {
        section.caution aria-labelledby="refused" {
            h2 id="refused" { "The plan cannot be honoured" }
            ul { @for (path, why) in refusals { li { code { (path) } ": " (why) } } }
        }
    }
}

fn result(site: &Site, protocol: &Protocol, tried: &Tried) -> Markup {
    let [before, after] = &tried.sides;
    let mut requirements: Vec<_> = before.requirements().union(&after.requirements()).cloned().collect();
    let all = site.rules.protocols.iter().chain([protocol]).flat_map(|p| &p.requirements);
    let order: Vec<_> = all.map(|r| (r.id.clone(), r.title.clone())).collect();
    requirements.sort_by_key(|id| order.iter().position(|(known, _)| known == id));
    let title =
        |id: &str| order.iter().rev().find(|(known, _)| &**known == id).map(|(_, title)| title.clone());
    html! {
        section aria-labelledby="result" {
            h2 id="result" { "Now, and with " (protocol.title) }
            p {
                (tried.patients) " patients"
                @if tried.more { "; there are more, which are left out" }
                ". Tasks: " strong { (per_day(before)) " now, " (per_day(after)) " with it" }
                ", for each ventilated patient-day. Lapses that would have been announced: " strong { (before.issues) " now, " (after.issues) " with it" } "."
            }
            div.wide tabindex="0" role="group" aria-labelledby="result" {
                table.figures {
                    thead { tr { th scope="col" { "Care" } th scope="col" { "In time now" } th scope="col" { "With it" } th scope="col" { "Difference, 95 %" } } }
                    tbody {
                        @for id in &requirements {
                            @let (now, then) = (cell(before, id), cell(after, id));
                            tr {
                                th scope="row" { (title(id).unwrap_or_else(|| id.clone())) }
                                td { (share(&now)) }
                                td { (share(&then)) }
                                td { (difference(&now, &then)) }
                            }
                        }
                    }
                }
            }
            p.beside {
                "The interval takes both as independent, which counts of the same stays are not: it is wider than need be. \
                 A lower share under a stricter protocol says nothing of the care that was given."
            }
        }
    }
}

fn cell(side: &Side, requirement: &str) -> Cell {
    side.tally.by_requirement().get(requirement).copied().unwrap_or_default()
}

fn counts(cell: &Cell) -> (u64, u64) {
    (u64::from(cell.met), u64::from(cell.met) + u64::from(cell.missed))
}

fn share(cell: &Cell) -> String {
    let (met, of) = counts(cell);
    match wilson(met, of) {
        Some((low, high)) => format!(
            "{:.1} % ({:.1} to {:.1}), {met} of {of}",
            met as f64 / of as f64 * 100.0,
            low * 100.0,
            high * 100.0
        ),
        None => "not asked for".to_owned(),
    }
}

fn difference(now: &Cell, then: &Cell) -> String {
    let ((a, m), (b, n)) = (counts(now), counts(then));
    match newcombe(b, n, a, m) {
        Some((low, high)) => format!(
            "{:+.1} ({:+.1} to {:+.1}) percentage points",
            (b as f64 / n as f64 - a as f64 / m as f64) * 100.0,
            low * 100.0,
            high * 100.0
        ),
        None => String::new(),
    }
}

/// Tasks for each patient-day at risk.
fn per_day(side: &Side) -> String {
    match side.tally.days_at_risk().get(&None) {
        Some(days) if *days > 0.0 => format!("{:.1}", side.tasks as f64 / days),
        Some(_) | None => "none".to_owned(),
    }
}
