//! What subscribers of R4's own kind are told.

use serde_json::json;

use terce::store::{Batch, Write};

use super::{Answer, Desk, Receiver, classic, loopback};

const JSON: Option<&str> = Some("application/fhir+json");

#[tokio::test]
async fn each_resource_that_fits_is_put_below_the_endpoint_as_it_is_served() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let mut subscription = classic("Task?status=ready", &format!("{}/hook/", receiver.url), JSON);
    subscription["channel"]["header"] = json!(["Authorization: Bearer secret", "X-Ward:north "]);
    desk.task("before", "ready", "said before anybody asked").await;
    desk.follow("s", subscription).await;
    desk.task("other", "draft", "does not fit").await;
    desk.task("t1", "ready", "brush").await;
    let got = receiver.get().await;
    assert_eq!(got.what(), ("PUT", "/hook/Task/t1"));
    assert_eq!(got.header("content-type"), "application/fhir+json");
    assert_eq!((got.header("authorization"), got.header("x-ward")), ("Bearer secret", "north"));
    let (_, served) = desk.ask("GET", "/fhir/Task/t1", None).await;
    assert_eq!(got.json(), served);
    desk.task("t1", "ready", "brush again").await;
    let got = receiver.get().await;
    assert_eq!(got.what(), ("PUT", "/hook/Task/t1"));
    assert_eq!(got.json()["meta"]["versionId"], "2");
    // R4 tells nobody of what no longer fits
    desk.task("t1", "completed", "done").await;
    desk.task("t2", "ready", "moisten").await;
    assert_eq!(receiver.get().await.what(), ("PUT", "/hook/Task/t2"));
}

#[tokio::test]
async fn without_a_payload_the_endpoint_is_called_with_nothing_once_for_all_that_has_changed() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task", &format!("{}/hook", receiver.url), None)).await;
    receiver.next(Answer::Status(503, None));
    desk.task("t0", "ready", "a").await;
    let got = receiver.get().await;
    assert_eq!(got.what(), ("POST", "/hook"));
    assert!(got.body.is_empty());
    assert_eq!((got.header("content-length"), got.header("content-type")), ("0", ""));
    desk.counts(|d| &d.failing, 1).await;
    for number in 0..100 {
        desk.task(&format!("t{number}"), "ready", "b").await;
    }
    desk.pass(10);
    assert_eq!(receiver.get().await.what(), ("POST", "/hook"));
    desk.counts(|d| &d.taken, 1).await;
    desk.task("t101", "ready", "c").await;
    receiver.get().await;
    assert!(receiver.is_quiet());
}

#[tokio::test]
async fn what_changed_again_while_it_waited_is_told_once_as_it_is_now() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task?", &format!("{}/hook", receiver.url), JSON)).await;
    receiver.next(Answer::Status(503, None));
    desk.task("t1", "ready", "first").await;
    assert_eq!(receiver.get().await.json()["description"], "first");
    desk.counts(|d| &d.failing, 1).await;
    desk.task("t1", "ready", "second").await;
    desk.task("t2", "ready", "another").await;
    desk.task("t1", "in-progress", "third").await;
    desk.pass(10);
    assert_eq!(receiver.get().await.json()["description"], "another");
    assert_eq!(receiver.get().await.json()["description"], "third");
    desk.task("t3", "ready", "last").await;
    assert_eq!(receiver.get().await.json()["description"], "last");
}

#[tokio::test]
async fn more_than_a_page_arrives_in_the_order_of_the_changes() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task", &format!("{}/hook", receiver.url), JSON)).await;
    for number in 0..100 {
        desk.task(&format!("t{number}"), "ready", "a").await;
    }
    for number in 0..100 {
        assert_eq!(receiver.get().await.path, format!("/hook/Task/t{number}"));
    }
}

#[tokio::test]
async fn whoever_turns_it_off_and_on_again_begins_anew() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let mut subscription = classic("Task", &format!("{}/hook", receiver.url), JSON);
    desk.follow("s", subscription.clone()).await;
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.taken, 1).await;
    subscription["status"] = "off".into();
    desk.subscribe("s", subscription.clone()).await;
    desk.counts(|d| &d.served, 0).await;
    desk.task("t2", "ready", "nobody listens").await;
    subscription["status"] = "requested".into();
    desk.follow("s", subscription).await;
    desk.task("t3", "ready", "b").await;
    assert_eq!(receiver.get().await.path, "/hook/Task/t3");
}

#[tokio::test]
async fn it_ends_when_it_said_that_it_would() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let mut subscription = classic("Task", &format!("{}/hook", receiver.url), JSON);
    subscription["end"] = "2026-03-01T13:00:00Z".into();
    desk.follow("s", subscription).await;
    desk.pass(3_599);
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.taken, 1).await;
    desk.pass(1);
    desk.becomes("s", "off").await;
    desk.task("t2", "ready", "b").await;
    desk.follow("t", classic("Task", &format!("{}/other", receiver.url), JSON)).await;
    desk.task("t3", "ready", "c").await;
    assert_eq!(receiver.get().await.path, "/other/Task/t3");
}

#[tokio::test]
async fn the_reconcilers_tasks_reach_a_subscriber_of_a_running_service() {
    let mut receiver = Receiver::start().await;
    let config = format!(
        "[subscriptions]\nallow = [\"{}/\"]\ninner = [\"127.0.0.1\"]\n[site]\nprotocol = \"minimal\"\n\
         [[unit]]\nlocation = \"north\"\n",
        receiver.url
    );
    let ward = crate::worklist::ward::Ward::open(&config).await;
    let mut subscription = classic("Task?status=ready", &receiver.url, JSON);
    subscription["id"] = "s".into();
    ward.put(subscription).await;
    ward.admit().await;
    ward.until("02:00").await;
    let got = receiver.get().await;
    assert_eq!(got.method, "PUT");
    let task: fhir_models::Task = fhir_models::parse(&got.body).unwrap();
    assert_eq!(task.r#for.unwrap().reference.unwrap(), "Patient/p");
    ward.service.shutdown().await.unwrap();
}

#[tokio::test]
async fn criteria_are_those_of_a_search() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let criteria = "Task?status:not=draft,completed&subject=Patient/p1&intent=order&priority:missing=true";
    desk.follow("s", classic(criteria, &format!("{}/hook", receiver.url), JSON)).await;
    let other = "Task?status=ready&patient=p2";
    desk.follow("other", classic(other, &format!("{}/other", receiver.url), JSON)).await;
    for (id, status) in [("t1", "draft"), ("t2", "ready"), ("t3", "completed"), ("t4", "in-progress")] {
        desk.task(id, status, "a").await;
    }
    assert_eq!(receiver.get().await.path, "/hook/Task/t2");
    assert_eq!(receiver.get().await.path, "/hook/Task/t4");
    assert!(receiver.is_quiet());
}

#[tokio::test]
async fn what_does_not_fit_is_passed_over_however_much_there_is() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task?status=ready", &format!("{}/hook", receiver.url), JSON)).await;
    let draft = |id: String| Write {
        kind: "Task".into(),
        id: Some(id),
        body: Some(br#"{"resourceType":"Task","status":"draft","intent":"order"}"#.to_vec()),
        ..Write::default()
    };
    let now_us = desk.clock.now().micros();
    for part in 0..5 {
        let writes = (0..1_000).map(|n| draft(format!("d{part}-{n}"))).collect();
        desk.store.commit(Batch { now_us, writes, ..Batch::default() }).await.unwrap();
    }
    desk.task("t1", "ready", "a").await;
    assert_eq!(receiver.get().await.path, "/hook/Task/t1");
    desk.counts(|d| &d.taken, 1).await;
    assert!(receiver.is_quiet());
}

/// What is recorded of what subscribers took: whom it was told, where, and what of whom.
async fn told(desk: &Desk) -> Vec<(String, String, Vec<String>)> {
    let rows = desk.store.audits_after(i64::MIN, 1_000).await.unwrap();
    let rows = rows.into_iter().map(|found| found.row.audit().unwrap());
    let told = rows.filter(|row| row.deed == terce::translate::audit::deed::EXPORT).map(|row| {
        let thing = |t: &terce::store::Thing| {
            format!("{}/{}/{} of {}", t.kind, t.id, t.version, t.patient.as_deref().unwrap_or("nobody"))
        };
        (row.who.clone(), row.from.clone(), row.things.iter().map(thing).collect())
    });
    told.collect()
}

#[tokio::test]
async fn what_a_subscriber_took_is_recorded_with_its_position_and_nothing_before() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let hook = format!("{}/hook", receiver.url);
    desk.follow("r", classic("Task", &hook, JSON)).await;
    receiver.next(Answer::Status(503, None));
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.failing, 1).await;
    assert_eq!(told(&desk).await, []);
    desk.pass(10);
    receiver.get().await;
    desk.counts(|d| &d.failing, 0).await;
    let row = |things: &[&str]| {
        (
            "Subscription/r".to_owned(),
            hook.clone(),
            things.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>(),
        )
    };
    assert_eq!(told(&desk).await, [row(&["Task/t1/1 of p1"])]);
    // of two, the second is not taken: what was, is recorded
    receiver.next(Answer::Status(200, None));
    receiver.next(Answer::Status(503, None));
    let both = ["t2", "t3"].map(|id| desk.task(id, "ready", "b"));
    for one in both {
        one.await;
    }
    receiver.get().await;
    receiver.get().await;
    desk.counts(|d| &d.failing, 1).await;
    let all: Vec<String> = told(&desk).await.into_iter().flat_map(|(_, _, things)| things).collect();
    assert_eq!(all, ["Task/t1/1 of p1", "Task/t2/1 of p1"]);
    let (_, events) = desk.ask("GET", "/fhir/AuditEvent?type=110106&patient=p1", None).await;
    let event = &events["entry"][0]["resource"];
    assert_eq!(event["subtype"][0]["code"], "disclose");
    assert_eq!(event["agent"][0]["who"], event["source"]["observer"]);
    assert_eq!(event["agent"][1]["network"]["address"], *hook);
}

#[tokio::test]
async fn notifications_are_recorded_by_what_they_say() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    for (id, level) in [("e", "empty"), ("i", "id-only"), ("f", "full-resource")] {
        let hook = format!("{}/{id}", receiver.url);
        desk.follow(id, super::guided("Task", &hook, level)).await;
        receiver.get().await;
    }
    desk.subscribe("c", classic("Task", &format!("{}/c", receiver.url), None)).await;
    desk.becomes("c", "active").await;
    let before = desk.deliveries.taken.load(std::sync::atomic::Ordering::Relaxed);
    desk.task("t1", "ready", "a").await;
    for _ in 0..4 {
        receiver.get().await;
    }
    desk.counts(|d| &d.taken, before + 4).await;
    desk.task("t1", "ready", "b").await;
    for _ in 0..4 {
        receiver.get().await;
    }
    desk.counts(|d| &d.taken, before + 8).await;
    // the first are stored before the second are told
    let mut all = told(&desk).await;
    all.retain(|(_, _, things)| !things.iter().any(|t| t.contains("/2 ")));
    let of = |id: &str| {
        all.iter().filter(|(who, ..)| *who == format!("Subscription/{id}")).cloned().collect::<Vec<_>>()
    };
    for (id, things) in
        [("e", vec![]), ("c", vec![]), ("i", vec!["Task/t1/1 of p1"]), ("f", vec!["Task/t1/1 of p1"])]
    {
        assert_eq!(of(id)[0].2, things, "{id}");
    }
}
