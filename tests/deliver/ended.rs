//! Subscribers that are told no more: turned off, or not let in any longer.

use std::sync::Arc;

use serde_json::Value;
use tokio::sync::Notify;

use super::{Answer, Desk, PATIENCE, Receiver, classic, guided, loopback};

const JSON: Option<&str> = Some("application/fhir+json");
const MAY: &str = "system/Task.rs system/Subscription.cruds";

async fn position(desk: &Desk) -> Option<String> {
    desk.store.mark("subscription.s").await.unwrap().filter(|text| !text.is_empty())
}

/// Whom and what subscribers were told, as it is recorded.
async fn recorded(desk: &Desk) -> Vec<String> {
    let rows = desk.store.audits_after(i64::MIN, 1_000).await.unwrap();
    let rows = rows.into_iter().map(|found| found.row.audit().unwrap());
    let rows = rows.filter(|row| row.deed == terce::translate::audit::deed::EXPORT);
    rows.flat_map(|row| row.things).map(|thing| thing.id).collect()
}

/// The same, as soon as there is something.
async fn first_recorded(desk: &Desk) -> Vec<String> {
    let came = async {
        loop {
            let told = recorded(desk).await;
            if !told.is_empty() {
                return told;
            }
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, came).await.expect("nothing is recorded")
}

fn turned(subscription: &Value, status: &str) -> Value {
    let mut subscription = subscription.clone();
    subscription["status"] = status.into();
    subscription
}

#[tokio::test]
async fn what_is_turned_off_during_a_call_is_told_nothing_after_it_and_begins_anew() {
    for level in [None, Some("id-only")] {
        let mut receiver = Receiver::start().await;
        let desk = Desk::new(loopback(&[&receiver])).await;
        let hook = format!("{}/hook", receiver.url);
        let subscription = match level {
            None => classic("Task?status=ready", &hook, JSON),
            Some(level) => guided("Task?status=ready", &hook, level),
        };
        desk.follow("s", subscription.clone()).await;
        if level.is_some() {
            receiver.get().await;
        }
        let held = Arc::new(Notify::new());
        receiver.next(Answer::Held(held.clone()));
        desk.task("t1", "ready", "a").await;
        receiver.get().await;
        for id in ["t2", "t3"] {
            desk.task(id, "ready", "waits").await;
        }
        desk.subscribe("s", turned(&subscription, "off")).await;
        assert_eq!(position(&desk).await, None);
        held.notify_one();
        // that it was told is recorded, and no position comes back with it
        let told = first_recorded(&desk).await;
        assert_eq!((told, position(&desk).await), (vec!["t1".to_owned()], None));
        desk.task("t4", "ready", "nobody listens").await;
        desk.follow("s", turned(&subscription, "requested")).await;
        if level.is_some() {
            receiver.get().await;
        }
        desk.task("t5", "ready", "b").await;
        let got = receiver.get().await;
        let text = String::from_utf8(got.body.clone()).unwrap();
        assert!(
            got.path.ends_with("Task/t5") || (text.contains("Task/t5") && !text.contains("Task/t4")),
            "{text}"
        );
    }
}

#[tokio::test]
async fn a_page_that_is_under_way_stops_where_it_is_turned_off() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let subscription = classic("Task?status=ready", &format!("{}/hook", receiver.url), JSON);
    desk.follow("s", subscription.clone()).await;
    receiver.next(Answer::Status(503, None));
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.failing, 1).await;
    for id in ["t2", "t3"] {
        desk.task(id, "ready", "a").await;
    }
    // all three are one page now
    let held = Arc::new(Notify::new());
    receiver.next(Answer::Held(held.clone()));
    desk.pass(10);
    assert_eq!(receiver.get().await.path, "/hook/Task/t1");
    desk.subscribe("s", turned(&subscription, "off")).await;
    held.notify_one();
    desk.follow("other", classic("Task?status=draft", &format!("{}/other", receiver.url), JSON)).await;
    desk.task("d", "draft", "b").await;
    assert_eq!(receiver.get().await.path, "/other/Task/d");
    assert!(receiver.is_quiet());
}

#[tokio::test]
async fn what_was_turned_off_begins_anew_though_the_process_ended_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let mut receiver = Receiver::start().await;
    let desk = Desk::on_file(&path, loopback(&[&receiver])).await;
    let subscription = classic("Task?status=ready", &format!("{}/hook", receiver.url), JSON);
    desk.follow("s", subscription.clone()).await;
    receiver.next(Answer::Never);
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.subscribe("s", turned(&subscription, "off")).await;
    desk.kill().await;
    let desk = Desk::on_file(&path, loopback(&[&receiver])).await;
    desk.task("t2", "ready", "nobody listens").await;
    desk.follow("s", turned(&subscription, "requested")).await;
    desk.task("t3", "ready", "b").await;
    assert_eq!(receiver.get().await.path, "/hook/Task/t3");
}

#[tokio::test]
async fn what_is_written_anew_during_a_call_goes_on_from_there() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let mut subscription = classic("Task?status=ready", &format!("{}/hook", receiver.url), JSON);
    desk.follow("s", subscription.clone()).await;
    let held = Arc::new(Notify::new());
    receiver.next(Answer::Held(held.clone()));
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.task("t2", "ready", "b").await;
    subscription["reason"] = "another".into();
    desk.subscribe("s", subscription).await;
    held.notify_one();
    // neither the first again, nor without the second
    assert_eq!(receiver.get().await.path, "/hook/Task/t2");
    desk.counts(|d| &d.taken, 2).await;
    assert!(receiver.is_quiet());
    desk.becomes("s", "active").await;
}

/// A service whose client "c" follows Tasks and has been told of t1; then others are registered.
async fn struck(clients: &[(&str, &str)], reason: &str) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let mut receiver = Receiver::start().await;
    let desk = Desk::guarded(&path, loopback(&[&receiver]), &[("c", MAY)]).await;
    let subscription = classic("Task?status=ready", &format!("{}/hook", receiver.url), JSON);
    desk.follow("s", subscription.clone()).await;
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    assert_eq!(first_recorded(&desk).await, ["t1"], "it is stored with the position");
    desk.kill().await;
    let desk = Desk::guarded(&path, loopback(&[&receiver]), clients).await;
    desk.task("t2", "ready", "b").await;
    let said = desk.becomes("s", "error").await;
    assert!(said["error"].as_str().unwrap().contains(reason), "{said}");
    assert!(receiver.is_quiet());
    desk.kill().await;
    // registered again, it goes on where it was
    let desk = Desk::guarded(&path, loopback(&[&receiver]), &[("c", MAY)]).await;
    desk.follow("s", turned(&subscription, "requested")).await;
    assert_eq!(receiver.get().await.path, "/hook/Task/t2");
}

#[tokio::test]
async fn a_client_that_was_struck_is_told_no_more_and_the_subscription_says_why() {
    let clients = [("other", "system/Subscription.cruds system/Task.rs")];
    struck(&clients, "the client that wrote it is not registered any more").await;
}

#[tokio::test]
async fn a_client_whose_scopes_became_fewer_is_told_no_more_and_the_subscription_says_why() {
    let reader = ("reader", "system/Subscription.cruds");
    struck(&[reader, ("c", "system/Task.s")], "may not read Task any more").await;
    struck(&[reader, ("c", "system/Procedure.rs")], "may not read Task any more").await;
}

#[tokio::test]
async fn what_was_asked_for_while_the_service_was_open_is_asked_for_again_by_somebody() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let mut receiver = Receiver::start().await;
    let desk = Desk::on_file(&path, loopback(&[&receiver])).await;
    let subscription = classic("Task?status=ready", &format!("{}/hook", receiver.url), JSON);
    // the first by an id of the service's
    let (status, made) = desk.ask("POST", "/fhir/Subscription", Some(&subscription)).await;
    assert_eq!(status, 201);
    desk.becomes(made["id"].as_str().unwrap(), "active").await;
    desk.kill().await;
    let desk = Desk::guarded(&path, loopback(&[&receiver]), &[("c", MAY)]).await;
    let said = desk.becomes(made["id"].as_str().unwrap(), "error").await;
    assert!(said["error"].as_str().unwrap().contains("nobody who is registered has written it"), "{said}");
    let (status, mine) = desk.ask("POST", "/fhir/Subscription", Some(&subscription)).await;
    assert_eq!(status, 201);
    desk.becomes(mine["id"].as_str().unwrap(), "active").await;
    desk.task("t1", "ready", "a").await;
    assert_eq!(receiver.get().await.path, "/hook/Task/t1");
}
