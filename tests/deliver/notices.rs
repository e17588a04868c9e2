//! What subscribers by the backport guide are told: numbered Bundles, after a handshake.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Answer, Desk, Got, Receiver, guided, loopback};

const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";

/// The value of a parameter, whatever its type.
fn said<'a>(parts: &'a Value, name: &str) -> &'a Value {
    let part = parts.as_array().unwrap().iter().find(|p| p["name"] == name);
    let part = part.unwrap_or_else(|| panic!("no {name} in {parts}"));
    let value = part.as_object().unwrap().iter().find(|(n, _)| n.starts_with("value"));
    value.map_or(&Value::Null, |(_, value)| value)
}

fn events(bundle: &Value) -> Vec<Value> {
    let parameters = bundle["entry"][0]["resource"]["parameter"].as_array().unwrap().clone();
    parameters.into_iter().filter(|p| p["name"] == "notification-event").map(|p| p["part"].clone()).collect()
}

/// What every notification has, and its status parameters.
fn standing(got: &Got) -> (Value, Value) {
    assert_eq!(got.method, "POST");
    assert_eq!(got.header("content-type"), "application/fhir+json");
    let bundle: fhir_models::Bundle = fhir_models::parse(&got.body).unwrap();
    assert_eq!(fhir_models::validate(&bundle, &got.body), []);
    let json = got.json();
    assert_eq!(json["type"], "history");
    assert_eq!(json["meta"]["profile"][0], format!("{GUIDE}/backport-subscription-notification-r4"));
    for entry in json["entry"].as_array().unwrap() {
        // bdl-3 and bdl-4: a history says of each entry what was asked and what came of it
        assert!(entry["request"]["url"].is_string() && entry["response"]["status"].is_string(), "{entry}");
        assert!(entry["fullUrl"].is_string(), "{entry}");
    }
    let first = &json["entry"][0]["resource"];
    assert_eq!(first["resourceType"], "Parameters");
    assert_eq!(first["meta"]["profile"][0], format!("{GUIDE}/backport-subscription-status-r4"));
    let parameters = first["parameter"].clone();
    assert_eq!(
        said(&parameters, "subscription"),
        &json!({ "reference": "http://ward.example/fhir/Subscription/s" })
    );
    (json, parameters)
}

/// Keeps what was sent for the validators that are not ours.
fn emit(name: &str, resource: &Value) {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/emitted/notices");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(format!("{name}.json")), resource.to_string()).unwrap();
}

#[tokio::test]
async fn it_is_active_only_after_its_subscriber_has_answered_the_handshake() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    receiver.next(Answer::Status(500, None));
    desk.subscribe("s", guided("Task?status=ready", &format!("{}/hook", receiver.url), "id-only")).await;
    let (_, parameters) = standing(&receiver.get().await);
    assert_eq!(
        (said(&parameters, "type"), said(&parameters, "status")),
        (&json!("handshake"), &json!("requested"))
    );
    assert_eq!(said(&parameters, "events-since-subscription-start"), "0");
    desk.counts(|d| &d.failing, 1).await;
    desk.becomes("s", "requested").await;
    desk.task("t1", "ready", "since it was asked for").await;
    desk.pass(5);
    let (handshake, _) = standing(&receiver.get().await);
    emit("handshake", &handshake);
    assert!(events(&handshake).is_empty());
    let (bundle, parameters) = standing(&receiver.get().await);
    assert_eq!(
        (said(&parameters, "type"), said(&parameters, "status")),
        (&json!("event-notification"), &json!("active"))
    );
    assert_eq!(events(&bundle).len(), 1);
    let active = desk.becomes("s", "active").await;
    emit("subscription", &active);
}

#[tokio::test]
async fn a_subscriber_that_never_answers_the_handshake_is_in_error() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    receiver.always(Answer::Status(500, None));
    desk.subscribe("s", guided("Task", &receiver.url, "empty")).await;
    receiver.get().await;
    desk.counts(|d| &d.failing, 1).await;
    desk.pass(600);
    desk.becomes("s", "error").await;
}

#[tokio::test]
async fn ids_are_told_with_their_numbers_and_no_content() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let topic = "https://terce.example/fhir/SubscriptionTopic/tasks";
    let mut subscription = guided(topic, &receiver.url, "id-only");
    subscription["_criteria"] = json!({ "extension": [
        { "url": format!("{GUIDE}/backport-filter-criteria"), "valueString": "Task?status=ready" },
        { "url": format!("{GUIDE}/backport-filter-criteria"), "valueString": "Task?patient=Patient/p1" },
    ]});
    subscription["channel"]["extension"] =
        json!([{ "url": format!("{GUIDE}/backport-max-count"), "valuePositiveInt": 2 }]);
    desk.follow("s", subscription).await;
    receiver.get().await;
    receiver.next(Answer::Status(503, None));
    desk.task("t1", "ready", "a").await;
    standing(&receiver.get().await);
    desk.counts(|d| &d.failing, 1).await;
    for id in ["t2", "t3", "t4"] {
        desk.task(id, "ready", "secret content").await;
    }
    desk.pass(5);
    // the failed attempt comes again as it was, under its number
    let mut told = Vec::new();
    while told.len() < 4 {
        let got = receiver.get().await;
        let (bundle, parameters) = standing(&got);
        assert_eq!(said(&parameters, "topic"), topic);
        assert!(!String::from_utf8_lossy(&got.body).contains("secret content"));
        let events = events(&bundle);
        assert!(events.len() <= 2 && bundle["entry"].as_array().unwrap().len() == events.len() + 1);
        for (event, entry) in events.iter().zip(&bundle["entry"].as_array().unwrap()[1..]) {
            let focus = &said(event, "focus")["reference"];
            assert_eq!(focus, &entry["fullUrl"]);
            assert!(entry["resource"].is_null());
            told.push((said(event, "event-number").clone(), focus.clone()));
        }
        emit("id-only", &bundle);
        let last = &told.last().unwrap().0;
        assert_eq!(said(&parameters, "events-since-subscription-start"), last);
    }
    let wanted: Vec<_> = (1..=4)
        .map(|n| (json!(n.to_string()), json!(format!("http://ward.example/fhir/Task/t{n}"))))
        .collect();
    assert_eq!(told, wanted);
}

#[tokio::test]
async fn an_empty_notification_names_nothing_and_a_full_one_has_the_resource() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", guided("Task", &receiver.url, "empty")).await;
    receiver.get().await;
    desk.task("t1", "ready", "a").await;
    let (bundle, parameters) = standing(&receiver.get().await);
    emit("empty", &bundle);
    assert_eq!(bundle["entry"].as_array().unwrap().len(), 1);
    let [event] = &events(&bundle)[..] else { panic!("{bundle}") };
    assert_eq!(said(event, "event-number"), "1");
    assert!(event.as_array().unwrap().iter().all(|p| p["name"] != "focus"));
    assert!(parameters.as_array().unwrap().iter().all(|p| p["name"] != "topic"));
    desk.counts(|d| &d.taken, 2).await;
    let mut full = guided("Task", &receiver.url, "full-resource");
    full["status"] = "requested".into();
    desk.subscribe("s", full).await;
    receiver.get().await;
    desk.becomes("s", "active").await;
    desk.task("t2", "ready", "b").await;
    let (bundle, parameters) = standing(&receiver.get().await);
    emit("full-resource", &bundle);
    let (_, served) = desk.ask("GET", "/fhir/Task/t2", None).await;
    assert_eq!(bundle["entry"][1]["resource"], served);
    assert_eq!(said(&parameters, "events-since-subscription-start"), "2");
}

#[tokio::test]
async fn a_heartbeat_comes_when_there_is_nothing_to_tell() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let mut subscription = guided("Task", &receiver.url, "empty");
    subscription["channel"]["extension"] =
        json!([{ "url": format!("{GUIDE}/backport-heartbeat-period"), "valueUnsignedInt": 60 }]);
    desk.follow("s", subscription).await;
    receiver.get().await;
    desk.task("t1", "ready", "a").await;
    let (_, parameters) = standing(&receiver.get().await);
    assert_eq!(said(&parameters, "type"), "event-notification");
    desk.pass(60);
    let (bundle, parameters) = standing(&receiver.get().await);
    emit("heartbeat", &bundle);
    assert_eq!(said(&parameters, "type"), "heartbeat");
    assert_eq!(said(&parameters, "events-since-subscription-start"), "1");
    assert!(events(&bundle).is_empty());
}

#[tokio::test]
async fn where_it_stands_can_be_asked() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", guided("Task", &receiver.url, "id-only")).await;
    receiver.get().await;
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.taken, 2).await;
    for method in ["GET", "POST"] {
        let (status, answer) = desk.ask(method, "/fhir/Subscription/s/$status", None).await;
        assert_eq!((status, &answer["type"]), (200, &json!("searchset")));
        emit("status", &answer);
        let parameters = &answer["entry"][0]["resource"]["parameter"];
        assert_eq!(said(parameters, "type"), "query-status");
        assert_eq!(said(parameters, "status"), "active");
        assert_eq!(said(parameters, "events-since-subscription-start"), "1");
    }
    assert_eq!(desk.ask("GET", "/fhir/Subscription/none/$status", None).await.0, 404);
    assert_eq!(desk.ask("PUT", "/fhir/Subscription/s/$status", None).await.0, 405);
    assert_eq!(desk.ask("DELETE", "/fhir/Subscription/s", None).await.0, 204);
    assert_eq!(desk.ask("GET", "/fhir/Subscription/s/$status", None).await.0, 410);
}
