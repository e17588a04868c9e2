//! Codes that nobody has mapped, and what else is wrong with what a site sends. What people choose is written as a
//! ConceptMap by the same way as any other, under their own name.

use axum::body::{Body, Bytes};
use axum::extract::{RawQuery, State};
use axum::http::header::{CONTENT_TYPE, HeaderMap, HeaderValue, LOCATION};
use axum::http::{Method, Request, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::entry::{Viewer, is_ours};
use super::page::{Absent, Page};
use super::{Console, ask, limits};
use crate::access::Rights;
use crate::translate::codes::{ACTIVITY, AIRWAY, EXCUSE, own_codes};
use crate::translate::local_map::{self, LOCAL_MAP, Mapping};
use crate::translate::quality::{Fault, Finding};

/// What the page tells of what was done.
#[derive(Clone, Debug)]
enum Done {
    Written,
    Refused(String),
}

/// `GET /feed/codes`.
pub(super) async fn codes(
    State(console): State<Console>,
    viewer: Viewer,
    RawQuery(query): RawQuery,
) -> Result<Response, Absent> {
    let done = (query.as_deref() == Some("done")).then_some(Done::Written);
    page(&console, &viewer, done).await
}

async fn page(console: &Console, viewer: &Viewer, done: Option<Done>) -> Result<Response, Absent> {
    viewer.may(&["Procedure", "Observation", "Device"], Rights::READ)?;
    let now = console.clock.now();
    let (looked, findings) = console.stays.quality(limits::QUALITY_DOCUMENTS).await?;
    let local = console.store.document("ConceptMap", LOCAL_MAP).await?.and_then(|map| map.body);
    let edits = viewer.can("ConceptMap", Rights::UPDATE.and(Rights::CREATE));
    let mapped = local.as_deref().map(local_map::mappings).unwrap_or_default();
    let content = html! {
        @match &done {
            Some(Done::Written) => p.told role="status" { "The map is written. Everything is counted anew with it; that may take a moment." },
            Some(Done::Refused(why)) => p.caution role="alert" { "Nothing was written: " (why) },
            None => "",
        }
        p { "Of the " (looked) " documents that changed last. A code means nothing before somebody maps it: text and display are never matched." }
        (unmapped(&findings, edits))
        (ours(&mapped, edits))
        (others(&findings))
    };
    Ok(Page { title: "Codes and quality", place: "/feed", fresh: false, content }
        .answer(console, viewer, now))
}

fn unmapped(findings: &[Finding], edits: bool) -> Markup {
    let unmapped: Vec<&Finding> = findings.iter().filter(|f| f.fault == Fault::Unmapped).collect();
    html! {
        section aria-labelledby="unmapped" {
            h2 id="unmapped" { "Codes that nobody has mapped" }
            @if unmapped.is_empty() { p { "None." } }
            @else {
                div.wide tabindex="0" role="group" aria-labelledby="unmapped" {
                    table.figures {
                        thead { tr { th scope="col" { "Code" } th scope="col" { "As the record shows it" } th scope="col" { "Seen" } th scope="col" { "For example" } th scope="col" { "Means" } } }
                        tbody { @for finding in unmapped.iter().take(limits::CODES) { (row(finding, edits)) } }
                    }
                }
                @if unmapped.len() > limits::CODES { p { "The " (limits::CODES) " most frequent of " (unmapped.len()) " are shown." } }
            }
        }
    }
}

fn row(finding: &Finding, edits: bool) -> Markup {
    let (system, code) = finding.what.rsplit_once('|').unwrap_or(("", &finding.what));
    let proposed = |target: (&str, &str)| finding.proposal == Some(target.1);
    html! {
        tr {
            th scope="row" { (code) span.since { (system) } }
            td { (finding.detail.as_deref().unwrap_or_default()) }
            td { (finding.count) }
            td { @for example in &finding.examples { a href=(format!("/fhir/{example}")) { (example) } " " } }
            td {
                @if system.is_empty() { "It has no system, so it can never be matched." }
                @else if edits {
                    form.map method="post" action="/feed/codes" {
                        input type="hidden" name="system" value=(system);
                        input type="hidden" name="code" value=(code);
                        input type="hidden" name="display" value=(finding.detail.as_deref().unwrap_or_default());
                        select name="target" aria-label=(format!("What {code} means")) required {
                            option value="" { "choose" }
                            @for target in own_codes() {
                                option value=(format!("{}|{}", target.0, target.1)) selected[proposed(target)] {
                                    (words(target.0)) ": " (target.1) @if proposed(target) { " (proposed)" }
                                }
                            }
                        }
                        button type="submit" { "Map" }
                    }
                }
                @else { (finding.proposal.map(|p| format!("perhaps {p}")).unwrap_or_default()) }
            }
        }
    }
}

/// What the site has mapped on this page.
fn ours(mapped: &[Mapping], edits: bool) -> Markup {
    html! {
        section aria-labelledby="mapped" {
            h2 id="mapped" { "Mapped here" }
            @if mapped.is_empty() { p { "Nothing yet. What is mapped here becomes " code { "ConceptMap/" (LOCAL_MAP) } "." } }
            @else {
                p { a href=(format!("/fhir/ConceptMap/{LOCAL_MAP}")) { "ConceptMap/" (LOCAL_MAP) } ", " a href=(format!("/fhir/ConceptMap/{LOCAL_MAP}/_history")) { "its history" } }
                table.figures {
                    thead { tr { th scope="col" { "Code" } th scope="col" { "Means" } @if edits { th scope="col" { span.hidden { "Take back" } } } } }
                    tbody {
                        @for one in mapped {
                            tr {
                                th scope="row" { (one.code) span.since { (one.system) } }
                                td { (words(&one.target_system)) ": " (one.target) }
                                @if edits {
                                    td {
                                        form.map method="post" action="/feed/codes" {
                                            input type="hidden" name="system" value=(one.system);
                                            input type="hidden" name="code" value=(one.code);
                                            input type="hidden" name="target" value="nothing";
                                            button type="submit" aria-label=(format!("Take back the mapping of {}", one.code)) { "Take back" }
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

fn others(findings: &[Finding]) -> Markup {
    let titles = [
        (Fault::Unplaced, "Documents that no patient or stay can be found for"),
        (Fault::Duplicate, "The same care charted twice"),
        (Fault::ClockAhead, "Clocks of sources that run ahead"),
        (Fault::UnitWithoutProtocol, "Units where no protocol holds"),
    ];
    html! {
        @for (fault, title) in titles {
            @let found: Vec<&Finding> = findings.iter().filter(|f| f.fault == fault).collect();
            section aria-labelledby=(fault.code()) {
                h2 id=(fault.code()) { (title) }
                @if found.is_empty() { p { "None." } }
                @else {
                    ul {
                        @for finding in found.iter().take(limits::DOUBTS) {
                            li {
                                (finding.what) ": " (finding.count)
                                @if let Some(detail) = &finding.detail { ", " (detail) }
                                @for example in &finding.examples { " " a href=(format!("/fhir/{example}")) { (example) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn words(system: &str) -> &str {
    match system {
        ACTIVITY => "care",
        AIRWAY => "airway",
        EXCUSE => "reason",
        _ => "surveillance",
    }
}

/// `POST /feed/codes` with `system`, `code` and `target`, which is `system|code` or `nothing`.
pub(super) async fn map(
    State(console): State<Console>,
    viewer: Viewer,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Absent> {
    viewer.may(&["ConceptMap"], Rights::UPDATE.and(Rights::CREATE))?;
    if !is_ours(&console, &headers) {
        return Err(Absent::Forbidden);
    }
    let sent: Vec<(String, String)> = url::form_urlencoded::parse(&body).into_owned().collect();
    let field = |name: &str| sent.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str());
    let (Some(system), Some(code), Some(target)) = (field("system"), field("code"), field("target")) else {
        return Err(Absent::Asked("A mapping has a system, a code and what it means."));
    };
    let standing = console.store.document("ConceptMap", LOCAL_MAP).await?;
    let version = standing.as_ref().map(|map| map.version);
    let held = standing.and_then(|map| map.body);
    let new = if target == "nothing" {
        held.as_deref().and_then(|held| local_map::without(held, system, code))
    } else {
        let known = own_codes().find(|(s, c)| target.split_once('|') == Some((s, c)));
        let (target_system, target) = known.ok_or(Absent::Asked("There is no such meaning."))?;
        let text = str::to_owned;
        let mapping = Mapping {
            system: text(system),
            code: text(code),
            target_system: text(target_system),
            target: text(target),
        };
        local_map::with(held.as_deref(), &mapping, field("display"))
    };
    let Some(new) = new else { return Err(Absent::Asked("There is no such mapping to take back.")) };
    match put(&console, &viewer, &headers, version, new).await {
        Ok(()) => {
            let mut response = StatusCode::SEE_OTHER.into_response();
            response.headers_mut().insert(LOCATION, HeaderValue::from_static("/feed/codes?done"));
            Ok(response)
        }
        Err(why) => page(&console, &viewer, Some(Done::Refused(why))).await,
    }
}

/// Writes the map as a client would: with the same checks, rights and effects. An error says why not.
async fn put(
    console: &Console,
    viewer: &Viewer,
    headers: &HeaderMap,
    version: Option<u64>,
    map: Vec<u8>,
) -> Result<(), String> {
    let request = Request::builder()
        .method(Method::PUT)
        .uri(format!("/fhir/ConceptMap/{LOCAL_MAP}"))
        .header(CONTENT_TYPE, "application/fhir+json");
    // somebody else may have written it meanwhile
    let request = match version {
        Some(version) => request.header("if-match", format!("W/\"{version}\"")),
        None => request.header("if-none-match", "*"),
    };
    ask::as_viewer(console, viewer, headers, request, Body::from(map)).await
}
