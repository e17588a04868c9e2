//! Sources that are read from by the service itself, over HTTP: one is another service of ours, one is made of what no
//! server should answer.

mod answers;
mod dry_run;
mod exports;
mod files;
mod letters;
mod notices;
mod outage;
mod streams;

use reqwest::Method;
use serde_json::{Value, json};
use terce::Running;
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;
use terce::feed::Polled;
use terce::store::Store;

/// 2026-03-01T12:00:00Z, when the clocks of these tests stand.
const NOON_US: i64 = 1_772_366_400_000_000;

fn noon() -> Instant {
    Instant::from_micros(NOON_US)
}

/// A record that others read from.
async fn record(store: Store, at: Instant) -> Running {
    let config = Config::parse("listen = \"127.0.0.1:0\"").unwrap();
    terce::service::serve_on(store, config, Clock::settable(at)).await.unwrap()
}

/// A service that polls `base`.
async fn reader(store: Store, base: &str, more: &str, at: Instant) -> Running {
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[[server]]\nname = \"record\"\nbase = \"{base}\"\n[[source]]\nname = \"charting\"\n\
         heartbeat_seconds = 60\n[source.poll]\nserver = \"record\"\nevery_seconds = 30\n{more}"
    );
    terce::service::serve_on(store, Config::parse(&text).unwrap(), Clock::settable(at)).await.unwrap()
}

async fn memory() -> Store {
    Store::open_sqlite(None).await.unwrap()
}

async fn send(to: &Running, method: Method, path: &str, body: &Value) -> u16 {
    let request = reqwest::Client::new().request(method, format!("{}/{path}", to.base()));
    let request = request.header("content-type", "application/fhir+json").body(body.to_string());
    request.send().await.unwrap().status().as_u16()
}

async fn put(to: &Running, body: &Value) {
    let path = format!("{}/{}", body["resourceType"].as_str().unwrap(), body["id"].as_str().unwrap());
    assert!(send(to, Method::PUT, &path, body).await < 300);
}

/// Waits until a round has come to an end in which `is` holds.
async fn polled(reader: &Running, is: impl Fn(&Polled) -> bool) -> Polled {
    let mut polls = reader.feeds.polls();
    let found = polls.wait_for(|all| all.get("charting").is_some_and(&is)).await.unwrap();
    found["charting"].clone()
}

/// Has the next round begin, and waits for its end.
async fn next_round(reader: &Running) -> Polled {
    let before = reader.feeds.polls().borrow().get("charting").cloned().unwrap_or_default();
    let now = reader.clock.now();
    reader.clock.set(Instant::from_micros(now.micros() + 31_000_000));
    polled(reader, |p| p.rounds > before.rounds || p.tries > before.tries).await
}

async fn ids(of: &Running, kind: &str) -> Vec<String> {
    let query = terce::store::Query { kind: kind.to_owned().into(), limit: 1_000, ..Default::default() };
    let page = of.store.search(query).await.unwrap();
    let mut ids: Vec<String> = page.documents.into_iter().map(|row| row.document.id).collect();
    ids.sort();
    ids
}

fn care(id: &str, text: &str) -> Value {
    json!({
        "resourceType": "Procedure", "id": id, "status": "completed", "subject": {"reference": "Patient/p"},
        "performedDateTime": "2026-03-01T11:00:00Z", "code": {"text": text},
    })
}

#[tokio::test]
async fn what_is_there_and_what_changes_is_read_and_a_round_is_a_heartbeat() {
    let record = record(memory().await, noon()).await;
    put(&record, &json!({"resourceType": "Patient", "id": "p"})).await;
    for n in 0..25 {
        put(&record, &care(&format!("c{n:02}"), "first")).await;
    }
    let reader = reader(memory().await, &record.base(), "page = 10", noon()).await;
    let first = polled(&reader, |p| p.rounds == 1).await;
    assert_eq!((first.documents, first.last), (26, Some(noon())));
    assert_eq!(ids(&reader, "Procedure").await, ids(&record, "Procedure").await);
    let told = reader.store.sources().await.unwrap();
    assert_eq!((told[0].name.as_str(), told[0].last_us), ("charting", NOON_US));

    record.clock.set(Instant::from_micros(NOON_US + 10_000_000));
    put(&record, &care("c07", "second")).await;
    put(&record, &care("c99", "new")).await;
    let second = next_round(&reader).await;
    assert_eq!(second.documents, 28, "only what changed is new");
    let document = reader.store.document("Procedure", "c07").await.unwrap().unwrap();
    assert_eq!(document.version, 2);
    assert!(String::from_utf8(document.body.unwrap()).unwrap().contains("second"));
    // what is read again for the sake of the overlap has no effect
    assert_eq!(next_round(&reader).await.documents, 28);
    assert_eq!(reader.store.document("Procedure", "c01").await.unwrap().unwrap().version, 1);
}

#[tokio::test]
async fn many_documents_of_one_instant_are_read_by_the_pages_of_the_server() {
    let record = record(memory().await, noon()).await;
    let entry = |n| {
        json!({
            "resource": care(&format!("c{n:03}"), "x"), "request": {"method": "PUT", "url": format!("Procedure/c{n:03}")},
        })
    };
    let bundle =
        json!({"resourceType": "Bundle", "type": "batch", "entry": (0..333).map(entry).collect::<Vec<_>>()});
    assert_eq!(send(&record, Method::POST, "", &bundle).await, 200);
    let more = "page = 50\ntypes = [\"Procedure\"]";
    let reader = reader(memory().await, &record.base(), more, noon()).await;
    assert_eq!(polled(&reader, |p| p.rounds == 1).await.documents, 333);
}

#[tokio::test]
async fn a_new_start_reads_on_from_where_it_was() {
    let record = record(memory().await, noon()).await;
    put(&record, &care("a", "x")).await;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("terce.db");
    let open = async || Store::open_sqlite(Some(&path)).await.unwrap();
    let first = reader(open().await, &record.base(), "", noon()).await;
    polled(&first, |p| p.rounds == 1).await;
    let place = first.store.mark("poll.charting.Procedure").await.unwrap();
    assert!(place.is_some());
    first.shutdown().await.unwrap();
    record.clock.set(Instant::from_micros(NOON_US + 600_000_000));
    put(&record, &care("b", "x")).await;
    let second = reader(open().await, &record.base(), "", noon()).await;
    assert_eq!(polled(&second, |p| p.rounds == 1).await.documents, 1, "what was read before is not new");
    assert_ne!(second.store.mark("poll.charting.Procedure").await.unwrap(), place);
    assert_eq!(ids(&second, "Procedure").await, ["a", "b"]);
}

#[tokio::test]
async fn what_is_deleted_at_the_source_is_deleted_where_histories_are_asked_for() {
    let record = record(memory().await, noon()).await;
    for id in ["a", "b"] {
        put(&record, &care(id, "x")).await;
    }
    let more = "deletions = true\ntypes = [\"Procedure\"]";
    let reader = reader(memory().await, &record.base(), more, noon()).await;
    polled(&reader, |p| p.rounds == 1).await;
    record.clock.set(Instant::from_micros(NOON_US + 20_000_000));
    assert!(send(&record, Method::DELETE, "Procedure/a", &json!({})).await < 300);
    next_round(&reader).await;
    assert_eq!(ids(&reader, "Procedure").await, ["b"]);
    // it is written anew there
    record.clock.set(Instant::from_micros(NOON_US + 40_000_000));
    put(&record, &care("a", "again")).await;
    next_round(&reader).await;
    next_round(&reader).await;
    assert_eq!(ids(&reader, "Procedure").await, ["a", "b"]);
}

#[tokio::test]
async fn an_older_version_does_not_replace_a_newer_one_that_was_sent() {
    let record = record(memory().await, noon()).await;
    put(&record, &care("a", "old")).await;
    let store = memory().await;
    let reader = reader(store, &record.base(), "types = [\"Procedure\"]", noon()).await;
    polled(&reader, |p| p.rounds == 1).await;
    let mut newer = care("a", "newer");
    newer["meta"] = json!({"versionId": "7", "lastUpdated": "2026-03-01T13:00:00Z"});
    put(&reader, &newer).await;
    // the record has a version between the two
    record.clock.set(Instant::from_micros(NOON_US + 20_000_000));
    put(&record, &care("a", "between")).await;
    reader.clock.set(Instant::from_micros(NOON_US + 31_000_000));
    polled(&reader, |p| p.rounds == 2).await;
    let document = reader.store.document("Procedure", "a").await.unwrap().unwrap();
    assert!(String::from_utf8(document.body.unwrap()).unwrap().contains("newer"));
}

#[tokio::test]
async fn while_the_source_is_away_nothing_is_heard_and_then_all_of_it_is_there() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.db");
    let open = async || Store::open_sqlite(Some(&path)).await.unwrap();
    let first = record(open().await, noon()).await;
    put(&first, &care("a", "x")).await;
    let address = first.address;
    let reader = reader(memory().await, &first.base(), "types = [\"Procedure\"]", noon()).await;
    polled(&reader, |p| p.rounds == 1).await;
    first.shutdown().await.unwrap();
    let failing = next_round(&reader).await;
    assert_eq!((failing.rounds, failing.tries), (1, 1));
    assert!(failing.failing.unwrap().1.contains("could not be reached"));
    assert_eq!(reader.store.sources().await.unwrap()[0].last_us, NOON_US);
    let text = format!("listen = \"{address}\"");
    let clock = Clock::settable(Instant::from_micros(NOON_US + 50_000_000));
    let again = terce::service::serve_on(open().await, Config::parse(&text).unwrap(), clock).await.unwrap();
    put(&again, &care("b", "x")).await;
    reader.clock.set(Instant::from_micros(NOON_US + 400_000_000));
    let back = polled(&reader, |p| p.rounds == 2).await;
    assert_eq!((back.failing, back.documents), (None, 2));
}
