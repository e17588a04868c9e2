//! Subscribers are told: a service in memory whose clock stands, and receivers on loopback that answer as they are told.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "helpers of tests stand outside the functions that are tests"
)]

mod elsewhere;
mod ended;
mod failures;
mod killed;
mod notices;
mod placed;
mod receiver;
mod refused;
mod reports;
mod steps;
mod told;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use serde_json::{Value, json};
use terce::access::keys::Keys;
use terce::access::registry::{Client, KeysFrom, Registry};
use terce::access::{Scopes, digest};
use terce::care::time::{Instant, Length};
use terce::clock::Clock;
use terce::config::{Access, Config};
use terce::deliver::Deliverer;
use terce::feed::Feeds;
use terce::outward::Outward;
use terce::rest::{Rest, router};
use terce::stays::Stays;
use terce::store::{Batch, Grant, OutcomeRow, Store, StoreError, Write};
use terce::telemetry::Deliveries;
use terce::translate::subscription::Subscriber;
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;
use tower::ServiceExt;

pub use receiver::{Answer, Got, Receiver};

/// 2026-03-01T12:00:00Z.
pub const NOON_US: i64 = 1_772_366_400_000_000;

/// How long a test waits for what must come.
pub const PATIENCE: Duration = Duration::from_secs(60);

const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";

/// A service that tells subscribers.
pub struct Desk {
    pub store: Store,
    pub clock: Clock,
    pub deliveries: Arc<Deliveries>,
    router: Router,
    /// With which it is asked, if it is not open.
    token: Option<String>,
    told: Arc<Notify>,
    stop: watch::Sender<bool>,
    deliverer: JoinHandle<Result<(), StoreError>>,
}

/// These receivers may be called, though they are on loopback.
pub fn loopback(receivers: &[&Receiver]) -> Outward {
    let allow: Vec<String> = receivers.iter().map(|r| r.url.clone()).collect();
    Outward::new(&allow, &["127.0.0.0/8".to_owned()]).unwrap()
}

/// Only below `url`, and no inner network but `inner`.
pub fn only(url: &str, inner: &[&str]) -> Outward {
    let inner: Vec<String> = inner.iter().map(|&n| n.to_owned()).collect();
    Outward::new(&[url.to_owned()], &inner).unwrap()
}

impl Desk {
    /// In memory.
    pub async fn new(outward: Outward) -> Desk {
        Desk::on(Store::open_sqlite(None).await.unwrap(), outward, Access::Open).await
    }

    /// On a file.
    pub async fn on_file(path: &Path, outward: Outward) -> Desk {
        Desk::on(Store::open_sqlite(Some(path)).await.unwrap(), outward, Access::Open).await
    }

    /// On a file, with clients that are registered for scopes; asked as the first of them, if there is one.
    pub async fn guarded(path: &Path, outward: Outward, clients: &[(&str, &str)]) -> Desk {
        let client = |(id, scopes): &(&str, &str)| Client {
            id: (*id).to_owned(),
            keys: KeysFrom::Held(Keys::default()),
            scopes: Scopes::read(scopes).unwrap(),
            sources: Vec::new(),
            certificate: None,
        };
        let clients: Vec<Client> = clients.iter().map(client).collect();
        let first = clients.first().map(|c| (c.id.clone(), c.scopes.to_string()));
        let registry = Registry { clients, ..Registry::default() };
        let store = Store::open_sqlite(Some(path)).await.unwrap();
        let mut desk = Desk::on(store, outward, Access::Registered(Box::new(registry))).await;
        if let Some((client, scopes)) = first {
            let token = uuid::Uuid::new_v4().to_string();
            let grant = Grant {
                client,
                assertion: token.clone(),
                digest: digest(token.as_bytes()),
                scopes,
                until_us: NOON_US + 3_600_000_000,
                ..Grant::default()
            };
            let batch = Batch { now_us: NOON_US, grant: Some(Box::new(grant)), ..Batch::default() };
            desk.store.commit(batch).await.unwrap();
            desk.token = Some(token);
        }
        desk
    }

    async fn on(store: Store, outward: Outward, access: Access) -> Desk {
        let base = "http://ward.example/fhir".to_owned();
        let mut config = Config::standard();
        config.public_base = Some(base.clone());
        config.subscribers = outward.clone();
        config.access = access;
        let config = Arc::new(config);
        let feeds = Feeds::watch(&config.sources, |_| None);
        let clock = Clock::settable(Instant::from_micros(NOON_US));
        let stays = Stays::open(store.clone(), config.clone(), feeds.clone()).await.unwrap();
        let (told, deliveries) = (Arc::new(Notify::new()), Arc::new(Deliveries::default()));
        let rest =
            Rest::new(store.clone(), stays, feeds, clock.clone(), Arc::default(), config, Arc::default())
                .telling(told.clone(), deliveries.clone());
        let follows = {
            let rest = rest.clone();
            Arc::new(move |criteria: &str, who: Option<&Subscriber>| rest.followed(criteria, who))
        };
        let deliverer = Deliverer::new(
            store.clone(),
            Arc::new(outward),
            follows,
            base,
            clock.clone(),
            told.clone(),
            deliveries.clone(),
        );
        let (stop, stopped) = watch::channel(false);
        let deliverer = tokio::spawn(deliverer.unwrap().run(stopped));
        Desk { store, clock, deliveries, router: router(rest), token: None, told, stop, deliverer }
    }

    /// Ends it as the end of its process would: what is under way is lost.
    pub async fn kill(self) {
        self.deliverer.abort();
        let _ = self.deliverer.await;
        drop(self.stop);
        self.store.close().await.unwrap();
    }

    /// Status and body of an answer.
    pub async fn ask(&self, method: &str, path: &str, body: Option<&Value>) -> (u16, Value) {
        let mut request =
            Request::builder().method(method).uri(path).header("content-type", "application/fhir+json");
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let body = body.map(Value::to_string).unwrap_or_default();
        let response = self.router.clone().oneshot(request.body(Body::from(body)).unwrap()).await.unwrap();
        let status = response.status().as_u16();
        let body = to_bytes(response.into_body(), usize::MAX).await.unwrap();
        (status, serde_json::from_slice(&body).unwrap_or(Value::Null))
    }

    /// Puts a Subscription that is let in.
    pub async fn subscribe(&self, id: &str, mut subscription: Value) {
        subscription["id"] = id.into();
        let (status, answer) =
            self.ask("PUT", &format!("/fhir/Subscription/{id}"), Some(&subscription)).await;
        assert!(status < 300, "{status} {answer}");
    }

    /// Puts a Subscription, and returns when it is active.
    pub async fn follow(&self, id: &str, subscription: Value) {
        self.subscribe(id, subscription).await;
        self.becomes(id, "active").await;
    }

    /// Returns when a Subscription has come to a status; what it says then.
    pub async fn becomes(&self, id: &str, status: &str) -> Value {
        let path = format!("/fhir/Subscription/{id}");
        let become_ = async {
            loop {
                let (_, found) = self.ask("GET", &path, None).await;
                if found["status"] == status {
                    return found;
                }
                tokio::task::yield_now().await;
            }
        };
        tokio::time::timeout(PATIENCE, become_).await.unwrap_or_else(|_| panic!("{id} never is {status}"))
    }

    /// Returns when a count has come to `wanted`.
    pub async fn counts(&self, count: impl Fn(&Deliveries) -> &AtomicU64, wanted: u64) {
        let counted = async {
            while count(&self.deliveries).load(Ordering::Relaxed) != wanted {
                tokio::task::yield_now().await;
            }
        };
        let came = tokio::time::timeout(PATIENCE, counted).await;
        came.unwrap_or_else(|_| panic!("never {wanted}: {:?}", self.deliveries));
    }

    /// Moves the clock on.
    pub fn pass(&self, seconds: i64) {
        self.clock.set(self.clock.now() + Length::seconds(seconds));
    }

    /// The service says a Task, as its reconciler would.
    pub async fn task(&self, id: &str, status: &str, note: &str) {
        let body = json!({
            "resourceType": "Task", "status": status, "intent": "order", "description": note,
            "for": { "reference": "Patient/p1" },
        });
        let write = Write {
            kind: "Task".into(),
            id: Some(id.to_owned()),
            body: Some(body.to_string().into_bytes()),
            patient: Some("p1".to_owned()),
            outcome: Some(OutcomeRow { status: Some(status.to_owned()), ..OutcomeRow::default() }),
            ..Write::default()
        };
        let now_us = self.clock.now().micros();
        self.store.commit(Batch { now_us, writes: vec![write], ..Batch::default() }).await.unwrap();
        self.told.notify_one();
    }
}

/// A Subscription of R4's own kind.
pub fn classic(criteria: &str, endpoint: &str, payload: Option<&str>) -> Value {
    let mut channel = json!({ "type": "rest-hook", "endpoint": endpoint });
    if let Some(payload) = payload {
        channel["payload"] = payload.into();
    }
    json!({
        "resourceType": "Subscription", "status": "requested", "reason": "a worklist", "criteria": criteria,
        "channel": channel,
    })
}

/// A Subscription of the backport guide.
pub fn guided(criteria: &str, endpoint: &str, level: &str) -> Value {
    let mut subscription = classic(criteria, endpoint, Some("application/fhir+json"));
    subscription["meta"] = json!({ "profile": [format!("{GUIDE}/backport-subscription")] });
    subscription["channel"]["_payload"] = json!({
        "extension": [{ "url": format!("{GUIDE}/backport-payload-content"), "valueCode": level }],
    });
    subscription
}
