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

/// Number and focus of each event.
fn numbered(bundle: &Value) -> Vec<(String, String)> {
    let text = |parts: &Value, name: &str| {
        let part = parts.as_array().unwrap().iter().find(|p| p["name"] == name);
        let value = part.map(|_| said(parts, name).clone()).unwrap_or_default();
        value.as_str().or_else(|| value["reference"].as_str()).unwrap_or_default().to_owned()
    };
    let parameters = bundle["entry"][0]["resource"]["parameter"].as_array().unwrap();
    let events = parameters.iter().filter(|p| p["name"] == "notification-event");
    events.map(|e| (text(&e["part"], "event-number"), text(&e["part"], "focus"))).collect()
}

#[tokio::test]
async fn what_was_numbered_is_told_again_to_whoever_asks() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let subscription = guided("Task", &format!("{}/hook", receiver.url), "id-only");
    desk.follow("s", subscription.clone()).await;
    receiver.get().await;
    for id in ["t1", "t2", "t3"] {
        desk.task(id, "ready", id).await;
        receiver.get().await;
    }
    desk.task("t2", "completed", "again").await;
    receiver.get().await;
    let ask = async |query: &str| {
        let (status, bundle) = desk.ask("GET", &format!("/fhir/Subscription/s/$events{query}"), None).await;
        assert_eq!(status, 200, "{query}: {bundle}");
        bundle
    };
    let all = ask("").await;
    assert_eq!(said(&all["entry"][0]["resource"]["parameter"], "type"), "query-event");
    let event = |number: &str, id: &str| (number.to_owned(), format!("http://ward.example/fhir/Task/{id}"));
    let wanted = [event("1", "t1"), event("2", "t2"), event("3", "t3"), event("4", "t2")];
    assert_eq!((numbered(&all), all["type"].as_str()), (wanted.to_vec(), Some("history")));
    assert_eq!(numbered(&ask("?eventsSinceNumber=2&eventsUntilNumber=3").await), wanted[1..3]);
    assert_eq!(numbered(&ask("?eventsSinceNumber=5").await), []);
    let full = ask("?eventsSinceNumber=2&content=full-resource").await;
    let notes: Vec<&str> =
        (1..=3).map(|n| full["entry"][n]["resource"]["description"].as_str().unwrap()).collect();
    assert_eq!(notes, ["t2", "t3", "again"], "each as it was when it was told of");
    assert_eq!(ask("?content=empty").await["entry"].as_array().unwrap().len(), 1);
    for wrong in ["?eventsSinceNumber=x", "?content=all", "?since=1"] {
        let (status, _) = desk.ask("GET", &format!("/fhir/Subscription/s/$events{wrong}"), None).await;
        assert_eq!(status, 400, "{wrong}");
    }
    // who turns it off begins anew, and so do the numbers
    let mut off = subscription.clone();
    off["status"] = "off".into();
    desk.subscribe("s", off).await;
    assert_eq!(numbered(&ask("").await), []);
    desk.follow("s", subscription).await;
    receiver.get().await;
    desk.task("t9", "ready", "x").await;
    receiver.get().await;
    assert_eq!(numbered(&ask("").await), [event("1", "t9")]);
    let (_, events) = desk.ask("GET", "/fhir/AuditEvent?subtype=operation&entity=Task/t9", None).await;
    assert_eq!(events["entry"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn of_many_events_the_last_are_kept() {
    use terce::translate::subscription::EVENTS_KEPT;
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", guided("Task", &format!("{}/hook", receiver.url), "empty")).await;
    receiver.get().await;
    let many = EVENTS_KEPT + 40;
    for number in 0..many {
        desk.task(&format!("t{number}"), "ready", "x").await;
    }
    let mut told = 0;
    while told < many {
        let got = receiver.get().await.json();
        let count = said(&got["entry"][0]["resource"]["parameter"], "events-since-subscription-start");
        told = count.as_str().unwrap().parse().unwrap();
    }
    let (_, all) = desk.ask("GET", "/fhir/Subscription/s/$events?eventsSinceNumber=1", None).await;
    let numbers: Vec<u64> = numbered(&all).iter().map(|(number, _)| number.parse().unwrap()).collect();
    assert_eq!(numbers, (many - EVENTS_KEPT + 1..=many).collect::<Vec<_>>());
}
