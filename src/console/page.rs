//! The frame of every page.

use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};

use super::Console;
use super::entry::Viewer;
use super::words;
use crate::care::time::Instant;
use crate::feed::State;
use crate::store::StoreError;

/// The pages that every page leads to.
const PLACES: [(&str, &str); 4] =
    [("/ward", "Ward"), ("/compliance", "Compliance"), ("/feed", "Feed"), ("/protocols", "Protocols")];

/// What a page is and says.
pub(super) struct Page<'a> {
    /// Its heading.
    pub(super) title: &'a str,
    /// The address of the place that it belongs to.
    pub(super) place: &'a str,
    /// Whether the script that keeps it fresh is wanted.
    pub(super) fresh: bool,
    /// Its content.
    pub(super) content: Markup,
}

impl Page<'_> {
    /// The whole page at `now`.
    pub(super) fn answer(self, console: &Console, viewer: &Viewer, now: Instant) -> Response {
        let rules = console.stays.rules();
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { (self.title) " · Terce" }
                    link rel="stylesheet" href="/assets/terce.css";
                    link rel="icon" href="/assets/mark.svg" type="image/svg+xml";
                    @if self.fresh { script src="/assets/fresh.js" defer {} }
                }
                body {
                    a.skip href="#content" { "Skip to the content" }
                    header.top {
                        span.name { "Terce" }
                        nav aria-label="Pages" {
                            @for (address, name) in PLACES {
                                a href=(address) aria-current=[(address == self.place).then_some("page")] { (name) }
                            }
                        }
                        @if viewer.is_signed_in() {
                            form.out method="post" action="/sign-out" { button type="submit" { "Sign out" } }
                        }
                        p.clock { (words::day_and_clock(now, rules.zone)) " " span.zone { (rules.zone.name()) } }
                    }
                    // a page that keeps itself fresh says so in the part that is refreshed
                    @if !self.fresh { (freshness(console, now)) }
                    main id="content" tabindex="-1" {
                        h1 { (self.title) }
                        (self.content)
                    }
                    footer {
                        p {
                            "Charting is not care, and this is not an alarm: it shows what was charted. Protect the airway: \
                             suction ready and working, cuff pressure in range, a bite block where consciousness is reduced. \
                             The local protocol and the licensed clinician at the bedside decide."
                        }
                    }
                }
            }
        };
        ([(CONTENT_TYPE, "text/html; charset=utf-8")], page.into_string()).into_response()
    }
}

/// How far what is shown has been told by those who chart.
pub(super) fn freshness(console: &Console, now: Instant) -> Markup {
    let zone = console.stays.rules().zone;
    let sources = console.feeds.status(now);
    let parts = console.feeds.silent_parts();
    let quiet = !parts.is_empty() || sources.iter().any(|s| s.state != State::Live);
    html! {
        p.fresh.quiet[quiet] role="status" {
            @if sources.is_empty() {
                "No source of charting is watched: nothing here says how fresh the charting is."
            }
            @for source in &sources {
                span.source {
                    span.sign aria-hidden="true" { (sign(source.state)) " " }
                    strong { (source.name) } " "
                    @match (source.state, source.told) {
                        (State::Live, Some(told)) => { "has told everything up to " (words::clock(told, zone)) }
                        (State::Silent, Some(told)) => {
                            "is silent since " (words::day_and_clock(told, zone))
                            ": what follows is unverified; go by the bedside record"
                        }
                        (State::Unknown, Some(told)) => {
                            "was last heard " (words::day_and_clock(told, zone)) ", before this service started"
                        }
                        (State::Live | State::Silent | State::Unknown, None) => { "was never heard" }
                    }
                }
            }
            @for (part, since) in &parts {
                span.source {
                    span.sign aria-hidden="true" { (sign(State::Silent)) " " }
                    strong { (part.source) } " has told no " (part.kind) " of the unit " (part.unit) " since "
                    (words::day_and_clock(*since, zone)) ": what follows there is unverified; go by the bedside record"
                }
            }
        }
    }
}

fn sign(state: State) -> &'static str {
    match state {
        State::Live => "●",
        State::Silent => "✕",
        State::Unknown => "?",
    }
}

/// Why a page cannot be shown.
#[derive(Debug)]
pub(super) enum Absent {
    /// There is no such thing.
    NotFound,
    /// The viewer may not see it.
    Forbidden,
    /// Who is registered are systems; people do not sign in here.
    NoSignIn,
    /// Nobody was signed in.
    NotSignedIn,
    /// Signed out: not an error, but no page of the service either.
    SignedOut,
    /// What is asked for makes no sense; what would.
    Asked(&'static str),
    /// The store.
    Store(StoreError),
}

impl From<StoreError> for Absent {
    fn from(error: StoreError) -> Self {
        Absent::Store(error)
    }
}

impl IntoResponse for Absent {
    fn into_response(self) -> Response {
        let (status, why) = match self {
            Absent::NotFound => (StatusCode::NOT_FOUND, "There is no such page, unit or stay here."),
            Absent::Forbidden => (StatusCode::FORBIDDEN, "Your roles do not allow this here."),
            Absent::NoSignIn => {
                (StatusCode::FORBIDDEN, "People do not sign in here: the configuration has no [sign_in].")
            }
            Absent::NotSignedIn => {
                (StatusCode::FORBIDDEN, "You were not signed in. Try again, or ask who runs this service.")
            }
            Absent::SignedOut => (StatusCode::OK, "You are signed out."),
            Absent::Asked(what) => (StatusCode::BAD_REQUEST, what),
            Absent::Store(error) => {
                tracing::error!(%error, "a page could not be made");
                (
                    StatusCode::SERVICE_UNAVAILABLE,
                    "The records cannot be read just now. Try again in a moment.",
                )
            }
        };
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { "Not shown · Terce" }
                    link rel="stylesheet" href="/assets/terce.css";
                }
                body {
                    main id="content" { h1 { "Not shown" } p { (why) } p { a href="/ward" { "To the wards" } } }
                }
            }
        };
        (status, [(CONTENT_TYPE, "text/html; charset=utf-8")], page.into_string()).into_response()
    }
}
