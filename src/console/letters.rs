//! Dead letters on the page of feeds: what is wrong with each, and two buttons, by the same rights as the interface asks.

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::header::{HeaderMap, HeaderValue, LOCATION};
use axum::http::{Method, Request, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

use super::entry::{Viewer, is_ours};
use super::page::Absent;
use super::{Console, ask, feed, limits, words};
use crate::care::time::Instant;
use crate::store::LetterQuery;

/// What was fetched and refused, or not taken elsewhere, by what is wrong with it; the documents themselves are not shown
/// here. `told`: what became of the last press of a button.
pub(super) async fn section(console: &Console, told: Option<&str>) -> Result<Markup, Absent> {
    let counts = console.store.letter_counts().await?;
    let query = LetterQuery { limit: limits::LETTERS, ..LetterQuery::default() };
    let shown = console.store.letters(query).await?;
    let all: u64 = counts.iter().map(|(_, _, count)| count).sum();
    let zone = console.stays.rules().zone;
    Ok(html! {
        @if let Some(told) = told { p.told role="status" { (told) } }
        @if all > 0 {
            section aria-labelledby="letters" {
                h2 id="letters" { "Dead letters" }
                p {
                    (all) " documents were refused: here, of what was fetched (in), or by a server that was to have them (out). "
                    "Mended at their source they are taken in, and changed here they are written again, by themselves."
                    @if all > shown.len() as u64 { " The first " (shown.len()) " are shown." }
                }
                div.wide tabindex="0" role="group" aria-labelledby="letters" {
                    table {
                        caption.hidden { "Documents that were refused, the oldest first" }
                        thead { tr {
                            th scope="col" { "Number" } th scope="col" { "Way" } th scope="col" { "Server" }
                            th scope="col" { "What" } th scope="col" { "Why" } th scope="col" { "Times" }
                            th scope="col" { "Last" } th scope="col" { "To do" }
                        } }
                        tbody {
                            @for letter in &shown {
                                tr {
                                    th scope="row" { (letter.number) }
                                    td { (letter.about.way.code()) }
                                    td { (letter.about.place) }
                                    td { (letter.about.name) }
                                    td { (letter.why) }
                                    td { (letter.tries) }
                                    td { (words::day_and_clock(Instant::from_micros(letter.last_us), zone)) }
                                    td {
                                        form.letter method="post" action="/feed" {
                                            input type="hidden" name="number" value=(letter.number);
                                            button name="act" value="again" aria-label=(format!("Try again, letter {}", letter.number)) { "Try again" }
                                            " "
                                            button name="act" value="drop" aria-label=(format!("Drop, letter {}", letter.number)) { "Drop" }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    })
}

/// `POST /feed` with `number` and `act`, which is `again` or `drop`.
pub(super) async fn act(
    State(console): State<Console>,
    viewer: Viewer,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Absent> {
    if !is_ours(&console, &headers) {
        return Err(Absent::Forbidden);
    }
    let sent: Vec<(String, String)> = url::form_urlencoded::parse(&body).into_owned().collect();
    let field = |name: &str| sent.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str());
    let number = field("number").and_then(|number| number.parse::<i64>().ok());
    let number = number.ok_or(Absent::Asked("A letter has a number."))?;
    let (method, path) = match field("act") {
        Some("again") => (Method::POST, format!("/feed/letters/{number}/replay")),
        Some("drop") => (Method::DELETE, format!("/feed/letters/{number}")),
        _ => return Err(Absent::Asked("A letter is tried again or dropped.")),
    };
    let request = Request::builder().method(method).uri(path);
    match ask::as_viewer(&console, &viewer, &headers, request, Body::empty()).await {
        Ok(()) => {
            let mut response = StatusCode::SEE_OTHER.into_response();
            response.headers_mut().insert(LOCATION, HeaderValue::from_static("/feed"));
            Ok(response)
        }
        Err(why) => feed::page(&console, &viewer, Some(&format!("Letter {number}: {why}"))).await,
    }
}
