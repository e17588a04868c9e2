//! What comes in and how far it has told everything, and what could not be used.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};

use super::entry::Viewer;
use super::page::{Absent, Page};
use super::words;
use super::{Console, letters, limits};
use crate::access::Rights;
use crate::care::time::Instant;
use crate::feed::State as Speaks;
use crate::store::{Counts, DoubtRow, Doubts, Query};

/// `GET /feed`.
pub(super) async fn feed(State(console): State<Console>, viewer: Viewer) -> Result<Response, Absent> {
    page(&console, &viewer, None).await
}

/// The page, with what became of what was last asked for on it.
pub(super) async fn page(console: &Console, viewer: &Viewer, told: Option<&str>) -> Result<Response, Absent> {
    viewer.may(&["Encounter", "Procedure", "Observation"], Rights::READ)?;
    let now = console.clock.now();
    let counts = console.store.counts().await?;
    let doubts = console.store.doubts(Doubts::All, 0, limits::DOUBTS).await?;
    let content = html! {
        (sources(console, now))
        (parts(console, now))
        (polled(console, now))
        (outbox(console, now).await?)
        (letters::section(console, told).await?)
        (numbers(&counts, console))
        p { a href="/feed/codes" { "Codes that nobody has mapped, and what else is wrong with what is sent" } }
        (unused(console, &doubts))
        (failing(console).await?)
        (subscribers(console).await?)
        (versions(console).await?)
    };
    Ok(Page { title: "Feed", place: "/feed", fresh: false, content }.answer(console, viewer, now))
}

fn sources(console: &Console, now: Instant) -> Markup {
    let zone = console.stays.rules().zone;
    let sources = console.feeds.status(now);
    html! {
        section aria-labelledby="sources" {
            h2 id="sources" { "Sources" }
            @if sources.is_empty() {
                p { "None is watched. Name one in the configuration and let it say when it has told everything." }
            } @else {
                div.wide tabindex="0" role="group" aria-labelledby="sources" {
                    table {
                        caption.hidden { "Sources that are watched" }
                        thead { tr { th scope="col" { "Source" } th scope="col" { "State" } th scope="col" { "Has told everything up to" } th scope="col" { "That is" } } }
                        tbody {
                            @for source in &sources {
                                tr {
                                    th scope="row" { (source.name) }
                                    td {
                                        (match source.state { Speaks::Live => "speaks", Speaks::Silent => "silent", Speaks::Unknown => "not heard since this service started" })
                                        @if source.catching_up { "; what it has told meanwhile is being read" }
                                    }
                                    td { @match source.told { Some(told) => (words::day_and_clock(told, zone)), None => "never heard" } }
                                    td { @if let Some(told) = source.told { (words::span(now.since(told))) " ago" } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Parts of sources that are never silent for long, and how they are doing.
fn parts(console: &Console, now: Instant) -> Markup {
    let zone = console.stays.rules().zone;
    let (parts, silent) = (console.feeds.parts(), console.feeds.silent_parts());
    html! {
        @if !parts.is_empty() {
            section aria-labelledby="parts" {
                h2 id="parts" { "Parts of sources" }
                p { "What is told again and again while care is given. Where a part is silent, care in its unit is unverified." }
                div.wide tabindex="0" role="group" aria-labelledby="parts" {
                    table {
                        caption.hidden { "Parts of sources that are watched" }
                        thead { tr { th scope="col" { "Source" } th scope="col" { "Unit" } th scope="col" { "Type" } th scope="col" { "Silent after" } th scope="col" { "State" } } }
                        tbody {
                            @for part in &parts {
                                tr {
                                    th scope="row" { (part.source) }
                                    td { (part.unit) }
                                    td { (part.kind) }
                                    td { (words::span(part.patience)) }
                                    td { @match silent.iter().find(|(other, _)| other == part) {
                                        Some((_, since)) => { "silent since " (words::day_and_clock(*since, zone)) " (" (words::span(now.since(*since))) ")" },
                                        None => "speaks",
                                    } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// How reading from sources by itself goes.
fn polled(console: &Console, now: Instant) -> Markup {
    let zone = console.stays.rules().zone;
    let polls = console.feeds.polls().borrow().clone();
    html! {
        @if !polls.is_empty() {
            section aria-labelledby="polled" {
                h2 id="polled" { "Read by this service" }
                div.wide tabindex="0" role="group" aria-labelledby="polled" {
                    table {
                        caption.hidden { "Sources that this service reads from by itself" }
                        thead { tr { th scope="col" { "Source" } th scope="col" { "Rounds" } th scope="col" { "Documents new or changed" } th scope="col" { "Last read whole" } th scope="col" { "Trouble" } } }
                        tbody {
                            @for (source, polled) in &polls {
                                tr {
                                    th scope="row" { (source) }
                                    td { (polled.rounds) }
                                    td { (polled.documents) }
                                    td { @match polled.last { Some(at) => (words::day_and_clock(at, zone)), None => "not since this service started" } }
                                    td { @match &polled.failing { Some((since, why)) => { "for " (words::span(now.since(*since))) ": " (why) }, None => "none" } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What waits to be written to other servers, by server, with the reason of the one that waits longest.
async fn outbox(console: &Console, now: Instant) -> Result<Markup, Absent> {
    let outboxes = console.store.outboxes().await?;
    let mut rows = Vec::new();
    for delivery in &console.config.deliveries {
        let waiting = outboxes.iter().find(|o| o.place == delivery.server).cloned().unwrap_or_default();
        let first = console.store.deliveries_waiting(&delivery.server, 1).await?.pop();
        rows.push((delivery, waiting, first.and_then(|d| d.why)));
    }
    Ok(html! {
        @if !rows.is_empty() {
            section aria-labelledby="outbox" {
                h2 id="outbox" { "Outbox" }
                div.wide tabindex="0" role="group" aria-labelledby="outbox" {
                    table {
                        caption.hidden { "Servers that are given what this service says" }
                        thead { tr { th scope="col" { "Server" } th scope="col" { "Is given" } th scope="col" { "Waiting" } th scope="col" { "The first for" } th scope="col" { "Tried in vain" } th scope="col" { "Trouble of the first" } } }
                        tbody {
                            @for (delivery, waiting, why) in &rows {
                                tr {
                                    th scope="row" { (delivery.server) }
                                    td { (delivery.types.join(", ")) }
                                    td { (waiting.waiting) }
                                    td { @if let Some(since) = waiting.since_us { (words::span(now.since(Instant::from_micros(since)))) } }
                                    td { (waiting.failing) }
                                    td { (why.as_deref().unwrap_or("none")) }
                                }
                            }
                        }
                    }
                }
            }
        }
    })
}

fn numbers(counts: &Counts, console: &Console) -> Markup {
    let since = |of: &AtomicU64| of.load(Ordering::Relaxed);
    let done = &console.counters;
    html! {
        section aria-labelledby="numbers" {
            h2 id="numbers" { "In numbers" }
            p {
                "Since this service started " (since(&done.ingested)) " documents have come in; patients were reconciled "
                (since(&done.patients)) " times, which wrote " (since(&done.written)) " Tasks and DetectedIssues."
                @if since(&done.held) > 0 {
                    " " strong { (since(&done.held)) " announcements are held back" } ": more lapses at once than are announced "
                    "unseen. " a href="/fhir/DetectedIssue?code=held-back" { "Where, and since when" } "."
                }
            }
            dl.numbers {
                @for (name, number) in rows(counts) { div { dt { (name) } dd { (number) } } }
            }
        }
    }
}

fn rows(counts: &Counts) -> Vec<(String, u64)> {
    let mut out: Vec<(String, u64)> = vec![
        ("patients".to_owned(), counts.subjects),
        ("patients to be looked at again".to_owned(), counts.dirty),
        ("patients that could not be reconciled".to_owned(), counts.failing),
        ("items that could not be used".to_owned(), counts.doubts),
        ("documents that name no known patient".to_owned(), counts.unlinked),
    ];
    out.extend(counts.documents.iter().map(|(kind, many)| (kind.clone(), *many)));
    out
}

/// Patients that are left alone for a while, why, and when they are tried again.
async fn failing(console: &Console) -> Result<Markup, Absent> {
    let zone = console.stays.rules().zone;
    let failing = console.store.failing(limits::DOUBTS).await?;
    Ok(html! {
        section aria-labelledby="failing" {
            h2 id="failing" { "Patients that could not be reconciled" }
            @if failing.is_empty() { p { "None." } }
            @else {
                p { "Nothing of theirs is lost; each is tried again by itself." }
                ul {
                    @for subject in &failing {
                        li {
                            a href=(format!("/fhir/Patient/{}", subject.patient)) { (subject.patient) } ", "
                            (subject.failures) " times, again at " (words::day_and_clock(Instant::from_micros(subject.retry_us), zone))
                            ": " (subject.error.as_deref().unwrap_or_default())
                        }
                    }
                }
            }
        }
    })
}

/// Who is told of what was said, and how that goes.
async fn subscribers(console: &Console) -> Result<Markup, Absent> {
    let query = Query { kind: "Subscription".into(), limit: limits::DOUBTS, ..Query::default() };
    let found = console.store.search(query).await?.documents;
    let read = |row: &crate::store::Listed| {
        let body = row.document.body.as_deref().unwrap_or_default();
        let read: serde_json::Value = serde_json::from_slice(body).unwrap_or_default();
        let text = |at: &str| read.pointer(at).and_then(|v| v.as_str()).unwrap_or_default().to_owned();
        (row.document.id.clone(), text("/status"), text("/criteria"), text("/error"))
    };
    let all: Vec<_> = found.iter().map(read).collect();
    Ok(html! {
        section aria-labelledby="subscribers" {
            h2 id="subscribers" { "Subscribers" }
            @if all.is_empty() { p { "None." } }
            @else {
                div.wide tabindex="0" role="group" aria-labelledby="subscribers" {
                    table {
                        caption.hidden { "Who is told of what was said" }
                        thead { tr { th scope="col" { "Subscription" } th scope="col" { "State" } th scope="col" { "Is told of" } th scope="col" { "Error" } } }
                        tbody {
                            @for (id, status, criteria, error) in &all {
                                tr {
                                    th scope="row" { a href=(format!("/fhir/Subscription/{id}")) { (id) } }
                                    td { (status) } td { code { (criteria) } } td { (error) }
                                }
                            }
                        }
                    }
                }
            }
        }
    })
}

async fn versions(console: &Console) -> Result<Markup, Absent> {
    let instance = console.store.instance().await?;
    Ok(html! {
        section aria-labelledby="versions" {
            h2 id="versions" { "Versions" }
            p {
                "Terce " (env!("CARGO_PKG_VERSION")) ", time zones of " (chrono_tz::IANA_TZDB_VERSION)
                ", database " code { (instance) } "."
            }
        }
    })
}

fn unused(console: &Console, doubts: &[DoubtRow]) -> Markup {
    let zone = console.stays.rules().zone;
    let mut by_why: BTreeMap<&str, Vec<&DoubtRow>> = BTreeMap::new();
    for doubt in doubts {
        by_why.entry(&doubt.why).or_default().push(doubt);
    }
    let mut by_why: Vec<(&str, Vec<&DoubtRow>)> = by_why.into_iter().collect();
    by_why.sort_by_key(|(_, rows)| std::cmp::Reverse(rows.len()));
    html! {
        section aria-labelledby="unused" {
            h2 id="unused" { "What could not be used" }
            @if doubts.is_empty() { p { "Nothing: every document that is kept was understood." } }
            @if doubts.len() == limits::DOUBTS { p { "The first " (limits::DOUBTS) " are shown." } }
            @for (why, rows) in by_why {
                details {
                    summary { (rows.len()) " × " (why) }
                    ul {
                        @for row in rows {
                            li {
                                a href=(format!("/fhir/{}/{}", row.kind, row.id)) { (row.kind) "/" (row.id) }
                                " since " (words::day_and_clock(Instant::from_micros(row.since_us), zone))
                            }
                        }
                    }
                }
            }
        }
    }
}
