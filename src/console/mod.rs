//! The pages that people look at: they explain, and replace no worklist.
//!
//! Server-rendered, with a script only to keep a page fresh. No rule about care is in this module: what is drawn was
//! decided in `care/`. In reading order:
//!
//! * `entry`: who looks, and signing in;
//! * `page`: the frame of every page: where one is, how fresh the charting is, the cautions;
//! * `strip`: hours drawn as a strip;
//! * `ward`: the stays of a unit now; `stay`: one stay by day, with the way to the evidence of each item;
//! * `compliance`: what the MeasureReports say of units over a period; `table`: the rows of a report; `chart`: a score over
//!   time;
//! * `feed`: what comes in, and what could not be used; `codes`: what nobody has mapped;
//! * `protocols`: what each protocol says, in words; `trial`: what another one would have meant;
//! * `events`: tells a page that it has become old; `assets`: style and script.

mod ask;
mod assets;
mod called;
mod chart;
mod codes;
mod compliance;
mod entry;
mod events;
mod feed;
mod letters;
mod limits;
mod page;
mod protocols;
mod stay;
mod strip;
mod table;
mod trial;
mod ward;
mod words;

use std::sync::Arc;

use axum::Router;
use axum::extract::Request;
use axum::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, HeaderValue, X_CONTENT_TYPE_OPTIONS};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use tokio::sync::watch;
use tower_http::compression::CompressionLayer;

use crate::access::Door;
use crate::clock::Clock;
use crate::config::Config;
use crate::feed::Feeds;
use crate::stays::Stays;
use crate::store::Store;
use crate::telemetry::Counters;

/// What the pages are made from. Cloning gives another handle on the same.
#[derive(Clone, Debug)]
pub struct Console {
    /// Ledgers.
    stays: Stays,
    /// Documents, for the way back to the evidence.
    store: Store,
    /// How far each source has told everything.
    feeds: Feeds,
    /// The time.
    clock: Clock,
    /// Units and their names.
    config: Arc<Config>,
    /// True once the service stops: streams end then.
    stopped: watch::Receiver<bool>,
    /// What has been done since the start.
    counters: Arc<Counters>,
    /// Who is let in; none where the service is open.
    door: Option<Door>,
    /// FHIR, for what people write.
    fhir: Router,
}

impl Console {
    /// Pages of what `stays` and `store` hold; `stopped` is true once the service stops.
    pub fn new(
        stays: Stays,
        store: Store,
        feeds: Feeds,
        clock: Clock,
        config: Arc<Config>,
        stopped: watch::Receiver<bool>,
    ) -> Self {
        let (counters, door, fhir) = Default::default();
        Console { stays, store, feeds, clock, config, stopped, counters, door, fhir }
    }

    /// With what the reconciler has done since the start.
    pub fn counting(self, counters: Arc<Counters>) -> Self {
        Console { counters, ..self }
    }

    /// With FHIR, for what people write, and who is let in; none: the service is open.
    pub fn on(self, fhir: Router, door: Option<Door>) -> Self {
        Console { fhir, door, ..self }
    }

    /// The name of a unit of the configuration; none if it is no unit.
    fn unit<'a>(&'a self, location: &str) -> Option<&'a str> {
        let unit = self.config.site.units.iter().find(|unit| unit.location == location)?;
        Some(unit.name.as_deref().unwrap_or(&unit.location))
    }
}

/// The routes of the pages.
pub fn router(console: Console) -> Router {
    Router::new()
        .route("/", get(|| async { Redirect::to("/ward") }))
        .route("/ward", get(ward::units))
        .route("/ward/{unit}", get(ward::ward))
        .route("/ward/{unit}/rows", get(ward::rows))
        .route("/ward/{unit}/events", get(events::events))
        .route("/stay/{encounter}", get(stay::stay))
        .route("/compliance", get(compliance::compliance))
        .route("/feed", get(feed::feed).post(letters::act))
        .route("/feed/codes", get(codes::codes).post(codes::map))
        .route("/protocols", get(protocols::protocols))
        .route("/protocols/trial", get(trial::form).post(trial::trial))
        .route("/assets/{name}", get(assets::asset))
        .route("/sign-in", get(entry::sign_in))
        .route("/sign-in/back", get(entry::back))
        .route("/sign-out", post(entry::sign_out))
        .layer(from_fn_with_state(console.clone(), entry::entry))
        .with_state(console)
        .layer(CompressionLayer::new())
        .layer(from_fn(guard))
}

/// What every page says to browsers: no script and no style but our own, in nobody's frame, kept nowhere.
async fn guard(request: Request, next: Next) -> Response {
    let asset = request.uri().path().starts_with("/assets/");
    let mut response = next.run(request).await.into_response();
    let headers = response.headers_mut();
    headers.insert(
        CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(
            "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
        ),
    );
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert("referrer-policy", HeaderValue::from_static("no-referrer"));
    let kept = if asset { "public, max-age=3600" } else { "no-store" };
    headers.insert(CACHE_CONTROL, HeaderValue::from_static(kept));
    response
}
