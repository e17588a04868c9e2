//! Who was just charted for goes before a backlog that is being loaded, and the backlog goes on.

use std::iter::once;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::body::Body;
use axum::http::{Method, Request};
use serde_json::{Value, json};
use terce::access::{Holder, Known, Scopes};
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;
use terce::feed::Feeds;
use terce::reconcile::Reconciler;
use terce::rest::{self, Rest};
use terce::stays::Stays;
use terce::store::{Order, Query, Store};
use terce::telemetry::Counters;
use tower::ServiceExt as _;

use super::ward::at;

const BACKLOG: usize = 100;

/// A service whose reconciler takes its turns when it is told to.
struct Bench {
    store: Store,
    reconciler: Reconciler,
    counters: Arc<Counters>,
    feeds: Feeds,
    router: axum::Router,
    now: Instant,
}

/// The documents of a patient who is on a ventilator since midnight.
fn patient(name: &str) -> [Value; 3] {
    let subject = json!({"reference": format!("Patient/{name}")});
    [
        json!({"resourceType": "Patient", "id": name}),
        json!({"resourceType": "Encounter", "id": format!("e-{name}"), "subject": subject, "status": "in-progress",
            "period": {"start": "2026-03-10T00:00:00Z"},
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "location": [{"location": {"reference": "Location/north"}}]}),
        json!({"resourceType": "Procedure", "id": format!("v-{name}"), "subject": subject, "status": "in-progress",
            "encounter": {"reference": format!("Encounter/e-{name}")},
            "performedPeriod": {"start": "2026-03-10T00:00:00Z"},
            "code": {"coding": [{"system": "https://terce.example/fhir/CodeSystem/airway",
                "code": "invasive-ventilation"}]}}),
    ]
}

impl Bench {
    async fn new() -> Self {
        Bench::with("").await
    }

    /// With `more` of a configuration.
    async fn with(more: &str) -> Self {
        let config = format!("[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n{more}");
        let config = Arc::new(Config::parse(&config).unwrap());
        let feeds = Feeds::watch(&config.sources, |_| None);
        let now = Instant::from(at("03:00"));
        let clock = Clock::settable(now);
        let store = Store::open_sqlite(None).await.unwrap();
        let stays = Stays::open(store.clone(), config.clone(), feeds.clone()).await.unwrap();
        let reconciler =
            Reconciler::new(store.clone(), stays.clone(), feeds.clone(), clock.clone(), Arc::default());
        let counters = reconciler.counters();
        let rest =
            Rest::new(store.clone(), stays, feeds.clone(), clock, Arc::default(), config, counters.clone());
        Bench { store, reconciler, counters, feeds, router: rest::router(rest), now }
    }

    async fn send(&self, method: Method, to: &str, body: &Value) {
        self.send_as(None, method, to, body).await;
    }

    async fn send_as(&self, holder: Option<Holder>, method: Method, to: &str, body: &Value) {
        let request =
            Request::builder().method(method).uri(to).header("content-type", "application/fhir+json");
        let mut request = request.body(Body::from(body.to_string())).unwrap();
        if let Some(holder) = holder {
            request.extensions_mut().insert(Known(holder));
        }
        let response = self.router.clone().oneshot(request).await.unwrap();
        assert!(response.status().is_success(), "{to}: {}", response.status());
    }

    /// Loads the patients of a backlog in one piece.
    async fn load(&self) {
        let documents = (0..BACKLOG).flat_map(|n| patient(&format!("b{n}")));
        let entry: Vec<Value> = documents
            .map(|document| {
                let url = format!(
                    "{}/{}",
                    document["resourceType"].as_str().unwrap(),
                    document["id"].as_str().unwrap()
                );
                json!({"resource": document, "request": {"method": "PUT", "url": url}})
            })
            .collect();
        let bundle = json!({"resourceType": "Bundle", "type": "transaction", "entry": entry});
        self.send(Method::POST, "/fhir", &bundle).await;
    }

    /// Charts one patient, document by document.
    async fn chart(&self, name: &str) {
        for document in patient(name) {
            let to = format!(
                "/fhir/{}/{}",
                document["resourceType"].as_str().unwrap(),
                document["id"].as_str().unwrap()
            );
            self.send(Method::PUT, &to, &document).await;
        }
    }

    /// Whose Tasks there are, in the order in which they were opened.
    async fn tasks(&self) -> Vec<String> {
        let query =
            Query { kind: "Task".into(), order: Order::OldestFirst, limit: 1_000, ..Query::default() };
        let found = self.store.search(query).await.unwrap().documents;
        found.into_iter().map(|row| row.document.patient.unwrap()).collect()
    }
}

#[tokio::test]
async fn who_was_just_charted_for_goes_before_what_is_loaded() {
    let bench = Bench::new().await;
    bench.load().await;
    bench.chart("now").await;
    while bench.reconciler.turn(bench.now).await.unwrap() {}
    let tasks = bench.tasks().await;
    assert_eq!(
        (tasks.len(), tasks[0].as_str()),
        (BACKLOG + 1, "now"),
        "the last to come, and the first to be seen to"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_backlog_goes_on_however_many_go_before_it() {
    let bench = Bench::new().await;
    bench.load().await;
    let over = Arc::new(AtomicBool::new(false));
    let (counters, until) = (bench.counters.clone(), over.clone());
    // they are of nobody: it is only never over
    let charting = std::thread::spawn(move || {
        while !until.load(Ordering::Relaxed) {
            counters.live.add(once("nobody".to_owned()));
            std::thread::yield_now();
        }
    });
    for turn in 1..=BACKLOG {
        bench.reconciler.turn(bench.now).await.unwrap();
        assert!(bench.tasks().await.len() >= turn, "one at least each time");
        if bench.tasks().await.len() == BACKLOG {
            break;
        }
    }
    over.store(true, Ordering::Relaxed);
    charting.join().unwrap();
    assert_eq!(bench.tasks().await.len(), BACKLOG);
}

#[tokio::test]
async fn a_pass_that_somebody_asks_for_is_whole() {
    let bench = Bench::new().await;
    bench.load().await;
    bench.counters.live.add(once("nobody".to_owned()));
    let due = bench.store.due(bench.now.micros(), 1_000).await.unwrap();
    bench.reconciler.pass(due, bench.now).await.unwrap();
    assert_eq!(bench.tasks().await.len(), BACKLOG);
}

#[tokio::test]
async fn what_a_source_tells_that_was_silent_is_a_backlog_until_it_has_told_all() {
    let bench = Bench::with("[[source]]\nname = \"record\"\nheartbeat_seconds = 60\n").await;
    let record = || Some(Holder::of_source("record", Scopes::read("system/*.cruds").unwrap()));
    let tell = async |name: &str| {
        let [_, _, care] = patient(name);
        bench.send_as(record(), Method::PUT, &format!("/fhir/Procedure/v-{name}"), &care).await;
        bench.counters.live.take().into_iter().collect::<Vec<_>>()
    };
    bench.feeds.catches_up("record");
    assert_eq!(tell("a").await, [""; 0]);
    bench.feeds.heard("record", bench.now);
    assert_eq!(tell("b").await, ["b"]);
    // more of a round than one answer holds
    bench.feeds.catches_up("record");
    assert_eq!(tell("c").await, ["c"], "a source that is not behind is live though it has more to tell");
}
