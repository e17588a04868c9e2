//! A source tells by itself, in all the ways that servers have of telling; and what documents point at is fetched.

use reqwest::Method;
use serde_json::{Value, json};
use terce::Running;
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;

use super::{NOON_US, care, ids, memory, noon, polled, put, record};

/// A service that is told of changes of `record`, and fetches what is only named there.
async fn told(record: &Running, more: &str) -> Running {
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[[server]]\nname = \"record\"\nbase = \"{}\"\n[[source]]\nname = \"charting\"\n\
         heartbeat_seconds = 60\n[source.notify]\nserver = \"record\"\n{more}",
        record.base()
    );
    terce::service::serve_on(memory().await, Config::parse(&text).unwrap(), Clock::settable(noon()))
        .await
        .unwrap()
}

async fn send(to: &Running, method: Method, path: &str, body: &str) -> u16 {
    let base = to.base();
    let address = format!("{}/feed/charting/notify{path}", base.strip_suffix("/fhir").unwrap());
    let request =
        reqwest::Client::new().request(method, address).header("content-type", "application/fhir+json");
    request.body(body.to_owned()).send().await.unwrap().status().as_u16()
}

/// A notification as the Backport guide has it.
fn notice(kind: &str, events: u64, told: &[(u64, &str)], entries: &[Value]) -> String {
    let mut parameters = vec![
        json!({"name": "subscription", "valueReference": {"reference": "Subscription/s"}}),
        json!({"name": "type", "valueCode": kind}),
        json!({"name": "events-since-subscription-start", "valueString": events.to_string()}),
    ];
    parameters.extend(told.iter().map(|(number, focus)| {
        json!({"name": "notification-event", "part": [
            {"name": "event-number", "valueString": number.to_string()},
            {"name": "focus", "valueReference": {"reference": focus}}]})
    }));
    let status = json!({"resourceType": "Parameters", "parameter": parameters});
    let mut entry =
        vec![json!({"resource": status, "request": {"method": "GET", "url": "Subscription/s/$status"}})];
    entry.extend(entries.iter().cloned());
    json!({"resourceType": "Bundle", "type": "history", "entry": entry}).to_string()
}

#[tokio::test]
async fn a_rest_hook_puts_or_posts_what_has_changed() {
    let record = record(memory().await, noon()).await;
    let service = told(&record, "").await;
    assert_eq!(send(&service, Method::PUT, "/Procedure/a", &care("a", "x").to_string()).await, 204);
    assert_eq!(send(&service, Method::POST, "", &care("b", "x").to_string()).await, 204);
    assert_eq!(ids(&service, "Procedure").await, ["a", "b"]);
    assert_eq!(send(&service, Method::POST, "", "no json").await, 400);
    assert_eq!(send(&service, Method::GET, "", "").await, 405);
    // it cannot be used, but it was told, and is shown
    let mut bad = care("c", "x");
    bad["status"] = "asleep".into();
    assert_eq!(send(&service, Method::POST, "", &bad.to_string()).await, 204);
    assert_eq!(service.store.letter_counts().await.unwrap().len(), 1);
}

#[tokio::test]
async fn a_notification_bundle_brings_documents_or_names_them() {
    let record = record(memory().await, noon()).await;
    put(&record, &care("named", "x")).await;
    let service = told(&record, "").await;
    assert_eq!(send(&service, Method::POST, "", &notice("handshake", 0, &[], &[])).await, 204);
    let full = json!({"fullUrl": "x", "resource": care("full", "x"), "request": {"method": "PUT", "url": "Procedure/full"}});
    let bundle = notice("event-notification", 1, &[(1, "Procedure/full")], &[full]);
    assert_eq!(send(&service, Method::POST, "", &bundle).await, 204);
    let absolute = format!("{}/Procedure/named", record.base());
    let bundle = notice("event-notification", 2, &[(2, &absolute)], &[]);
    assert_eq!(send(&service, Method::POST, "", &bundle).await, 204);
    assert_eq!(ids(&service, "Procedure").await, ["full", "named"]);
    // gone meanwhile; deleted; and somewhere else, where nobody asks
    let bundle = notice(
        "event-notification",
        4,
        &[(3, "Procedure/never"), (4, "http://127.0.0.1:9/Procedure/x")],
        &[],
    );
    assert_eq!(send(&service, Method::POST, "", &bundle).await, 204);
    let gone = json!({"fullUrl": "x", "request": {"method": "DELETE", "url": "Procedure/full"}});
    assert_eq!(
        send(&service, Method::POST, "", &notice("event-notification", 5, &[(5, "Procedure/full")], &[gone]))
            .await,
        204
    );
    assert_eq!(ids(&service, "Procedure").await, ["named"]);
    // a heartbeat after which nothing is missing is the source's word that it has told everything
    service.clock.set(Instant::from_micros(NOON_US + 60_000_000));
    assert_eq!(send(&service, Method::POST, "", &notice("heartbeat", 5, &[], &[])).await, 204);
    assert_eq!(service.store.sources().await.unwrap()[0].last_us, NOON_US + 60_000_000);
}

#[tokio::test]
async fn what_other_servers_make_of_the_guide_is_understood_too() {
    let record = record(memory().await, noon()).await;
    put(&record, &care("named", "x")).await;
    let service = told(&record, "").await;
    let status = json!({"resourceType": "SubscriptionStatus", "type": "event-notification",
        "subscription": {"reference": "Subscription/s"}, "eventsSinceSubscriptionStart": 1,
        "notificationEvent": [{"eventNumber": 1, "focus": {"reference": "Procedure/named"}}]});
    let bundle =
        json!({"resourceType": "Bundle", "type": "history", "entry": [{"resource": status}]}).to_string();
    assert_eq!(send(&service, Method::POST, "", &bundle).await, 204);
    assert_eq!(ids(&service, "Procedure").await, ["named"]);
}

#[tokio::test]
async fn a_gap_or_a_bare_word_has_the_source_read_anew() {
    let record = record(memory().await, noon()).await;
    let more = "[source.poll]\nserver = \"record\"\nevery_seconds = 3600\ntypes = [\"Procedure\"]\n";
    let service = told(&record, more).await;
    polled(&service, |p| p.rounds == 1).await;
    put(&record, &care("missed", "x")).await;
    let full =
        json!({"resource": care("third", "x"), "request": {"method": "PUT", "url": "Procedure/third"}});
    let bundle = notice("event-notification", 3, &[(3, "Procedure/third")], &[full]);
    assert_eq!(send(&service, Method::POST, "", &bundle).await, 204);
    polled(&service, |p| p.rounds == 2).await;
    assert_eq!(ids(&service, "Procedure").await, ["missed", "third"]);
    put(&record, &care("later", "x")).await;
    assert_eq!(send(&service, Method::POST, "", "").await, 204);
    polled(&service, |p| p.rounds == 3).await;
    assert_eq!(ids(&service, "Procedure").await, ["later", "missed", "third"]);
}

#[tokio::test]
async fn a_source_with_a_secret_is_only_believed_with_it() {
    let record = record(memory().await, noon()).await;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("secret");
    std::fs::write(&file, "a secret of enough characters\n").unwrap();
    let service = told(&record, &format!("secret_file = \"{}\"\n", file.display())).await;
    let base = service.base();
    let address = format!("{}/feed/charting/notify", base.strip_suffix("/fhir").unwrap());
    let body = care("a", "x").to_string();
    let send = async |secret: Option<&str>| {
        let request = reqwest::Client::new().post(&address).header("content-type", "application/fhir+json");
        let request = secret.iter().fold(request, |request, secret| request.bearer_auth(secret));
        request.body(body.clone()).send().await.unwrap().status().as_u16()
    };
    assert_eq!((send(None).await, send(Some("another secret of that length")).await), (401, 401));
    assert_eq!(ids(&service, "Procedure").await, [""; 0]);
    assert_eq!(send(Some("a secret of enough characters")).await, 204);
    assert_eq!(ids(&service, "Procedure").await, ["a"]);
}

#[tokio::test]
async fn what_a_procedure_points_at_is_fetched_once_and_never_from_elsewhere() {
    let record = record(memory().await, noon()).await;
    put(&record, &json!({"resourceType": "Patient", "id": "p"})).await;
    put(&record, &json!({"resourceType": "Encounter", "id": "e", "status": "in-progress", "subject": {"reference": "Patient/p"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "partOf": {"reference": "Encounter/root"}, "location": [{"location": {"reference": "Location/bed"}}]})).await;
    put(&record, &json!({"resourceType": "Encounter", "id": "root", "status": "in-progress", "subject": {"reference": "Patient/p"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}})).await;
    put(&record, &json!({"resourceType": "Location", "id": "bed", "partOf": {"reference": "Location/unit"}}))
        .await;
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[[server]]\nname = \"record\"\nbase = \"{}\"\n[references]\nserver = \"record\"\n",
        record.base()
    );
    let clock = Clock::settable(noon());
    let service =
        terce::service::serve_on(memory().await, Config::parse(&text).unwrap(), clock).await.unwrap();
    let mut care = care("c", "x");
    care["encounter"] = json!({"reference": "Encounter/e"});
    care["usedReference"] =
        json!([{"reference": "Device/lacking"}, {"reference": "http://127.0.0.1:9/Device/foreign"}]);
    put(&service, &care).await;
    // all that was fetched has been gone over, too
    settled(&service, "Location", "bed").await;
    settled(&service, "Encounter", "root").await;
    assert_eq!(ids(&service, "Patient").await, ["p"]);
    assert_eq!(ids(&service, "Device").await, [""; 0]);
    let fetched = async || record.store.audits_after(i64::MIN, 10_000).await.unwrap().len();
    let asked = fetched().await;
    care["note"] = json!([{"text": "changed"}]);
    put(&service, &care).await;
    put(&service, &super::care("d", "another")).await;
    settled(&service, "Procedure", "d").await;
    assert_eq!(fetched().await, asked, "what is there or was not there is not asked for again");
}

/// Waits until a document is there and what it points at has been looked for.
async fn settled(service: &Running, kind: &str, id: &str) {
    loop {
        let mark = service.store.mark(&format!("needs.record.{kind}")).await.unwrap();
        let upto = mark.and_then(|mark| mark.parse::<i64>().ok()).unwrap_or(0);
        if service.store.document(kind, id).await.unwrap().is_some_and(|document| document.seq <= upto) {
            return;
        }
        tokio::task::yield_now().await;
    }
}
