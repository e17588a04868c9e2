//! FHIR REST, asked through the router as its three kinds of clients do: a feed that writes, a dashboard that reads and
//! takes Tasks, and whoever sends something that makes no sense.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "helpers of tests stand outside the functions that are tests"
)]

mod access;
pub(crate) mod audit;
mod bundles;
mod capability;
mod entries;
mod gaps;
mod guarded;
mod histories;
mod included;
mod interactions;
mod linked;
mod openapi;
mod operations;
mod patches;
mod probes;
mod random;
mod reports;
mod rules;
mod searches;
mod semantics;
mod server;
mod subsets;
mod tasks;
mod translating;
mod validating;

use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request};
use serde_json::{Value, json};
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::{Config, Source};
use terce::feed::Feeds;
use terce::outward::Outward;
use terce::rest::{Rest, admin_router, router};
use terce::stays::Stays;
use terce::store::Store;
use tower::ServiceExt;

/// 2026-03-01T12:00:00Z.
const NOON_US: i64 = 1_772_366_400_000_000;

/// The media type that clients send.
const FHIR: (&str, &str) = ("content-type", "application/fhir+json");

/// A service in memory, whose clock stands.
pub(crate) struct Service {
    pub(crate) router: Router,
    rest: Rest,
    store: Store,
    clock: Clock,
}

/// An answer.
struct Reply {
    status: u16,
    headers: HeaderMap,
    body: Vec<u8>,
}

impl Service {
    async fn new() -> Self {
        Self::with(|rest| rest).await
    }

    pub(crate) async fn with(change: impl FnOnce(Rest) -> Rest) -> Self {
        Self::made(|_| (), change).await
    }

    /// With another configuration.
    async fn configured(change: impl FnOnce(&mut Config)) -> Self {
        Self::made(change, |rest| rest).await
    }

    async fn made(configure: impl FnOnce(&mut Config), change: impl FnOnce(Rest) -> Rest) -> Self {
        let store = Store::open_sqlite(None).await.unwrap();
        let mut config = Config::standard();
        configure(&mut config);
        config.public_base = Some("http://ward.example/fhir".to_owned());
        config.own_bases = vec!["http://ward.example/fhir".to_owned()];
        config.subscribers = Outward::new(&["https://hooks.example/".to_owned()], &[]).unwrap();
        config.sources =
            vec![Source { name: "charting".to_owned(), heartbeat_seconds: 60, ..Source::default() }];
        Self::of(store, config, change).await
    }

    /// With another configuration.
    async fn on(store: Store, config: Config) -> Self {
        Self::of(store, config, |rest| rest).await
    }

    async fn of(store: Store, config: Config, change: impl FnOnce(Rest) -> Rest) -> Self {
        let config = Arc::new(config);
        let feeds = Feeds::watch(&config.sources, |_| None);
        let clock = Clock::settable(Instant::from_micros(NOON_US));
        let stays = Stays::open(store.clone(), config.clone(), feeds.clone()).await.unwrap();
        let rest =
            Rest::new(store.clone(), stays, feeds, clock.clone(), Arc::default(), config, Arc::default());
        let rest = change(rest);
        Service { router: router(rest.clone()), rest, store, clock }
    }

    /// The same service, as those see it who watch over it.
    fn admin(&self) -> Service {
        let (rest, store, clock) = (self.rest.clone(), self.store.clone(), self.clock.clone());
        Service { router: admin_router(rest.clone()), rest, store, clock }
    }

    /// Asks, and checks what every answer must have.
    async fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: impl Into<Body>) -> Reply {
        let mut request = Request::builder().method(method).uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.send(request.body(body.into()).unwrap()).await
    }

    async fn send(&self, request: Request<Body>) -> Reply {
        let what = format!("{} {}", request.method(), request.uri());
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let body = to_bytes(body, usize::MAX).await.unwrap().to_vec();
        let reply = Reply { status: parts.status.as_u16(), headers: parts.headers, body };
        assert!(reply.headers.contains_key("x-request-id"), "{what}: no request id");
        assert_eq!(reply.header("x-content-type-options"), "nosniff", "{what}");
        if reply.status >= 400 {
            assert_eq!(reply.json()["resourceType"], "OperationOutcome", "{what}: {}", reply.text());
            assert_eq!(reply.header("content-type"), "application/fhir+json; charset=utf-8", "{what}");
            assert!(reply.body.len() < 4096, "{what}: an error answer of {} bytes", reply.body.len());
            fhir_models::parse::<fhir_models::OperationOutcome>(&reply.body).unwrap();
        }
        reply
    }

    async fn get(&self, path: &str) -> Reply {
        self.ask("GET", path, &[], "").await
    }

    async fn post(&self, path: &str, body: &Value) -> Reply {
        self.ask("POST", path, &[FHIR], body.to_string()).await
    }

    async fn put(&self, path: &str, body: &Value) -> Reply {
        self.ask("PUT", path, &[FHIR], body.to_string()).await
    }

    async fn delete(&self, path: &str) -> Reply {
        self.ask("DELETE", path, &[], "").await
    }
}

impl Reply {
    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or_default()
    }

    /// Status and issue code.
    fn verdict(&self) -> (u16, String) {
        (self.status, self.json()["issue"][0]["code"].as_str().unwrap_or_default().to_owned())
    }

    fn id(&self) -> String {
        self.json()["id"].as_str().unwrap_or_default().to_owned()
    }
}

/// The ids of what a search found.
fn ids(bundle: &Value) -> Vec<String> {
    of_mode(bundle, "match").iter().map(|r| r["id"].as_str().unwrap().to_owned()).collect()
}

/// The resources of a search with a mode.
fn of_mode(bundle: &Value, mode: &str) -> Vec<Value> {
    let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
    entries.into_iter().filter(|e| e["search"]["mode"] == mode).map(|e| e["resource"].clone()).collect()
}

/// Where a link of a Bundle leads, below the address of the service.
fn link(bundle: &Value, relation: &str) -> Option<String> {
    let links = bundle["link"].as_array().unwrap();
    let link = links.iter().find(|l| l["relation"] == relation)?;
    Some(link["url"].as_str().unwrap().strip_prefix("http://ward.example").unwrap().to_owned())
}

fn verdict(status: u16, code: &str) -> (u16, String) {
    (status, code.to_owned())
}

/// A Procedure as feeds send them.
pub(crate) fn procedure() -> Value {
    json!({
        "resourceType": "Procedure",
        "status": "completed",
        "code": { "coding": [{ "system": "https://terce.example/fhir/CodeSystem/activity", "code": "oral-cleansing" }] },
        "subject": { "reference": "Patient/p1" },
        "encounter": { "reference": "Encounter/e1" },
        "performedDateTime": "2026-03-01T08:00:00Z",
    })
}

/// `base` with members replaced or added.
pub(crate) fn with(base: Value, members: Value) -> Value {
    let mut base = base;
    for (name, value) in members.as_object().unwrap() {
        base[name] = value.clone();
    }
    base
}

/// `base` without a member.
pub(crate) fn without(base: Value, name: &str) -> Value {
    let mut base = base;
    base.as_object_mut().unwrap().remove(name);
    base
}

/// An identifier as a member.
pub(crate) fn identified(value: &str) -> Value {
    json!({ "identifier": [{ "system": "urn:charting", "value": value }] })
}
