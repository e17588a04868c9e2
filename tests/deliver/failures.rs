//! Subscribers that fail, and a service that ends at the wrong moment.

use std::sync::atomic::Ordering;

use serde_json::json;

use super::{Answer, Desk, Receiver, classic, guided, loopback, only};

const JSON: Option<&str> = Some("application/fhir+json");

fn busy(retry_after: &str) -> Answer {
    Answer::Status(503, Some(("retry-after", retry_after.to_owned())))
}

/// Two notifications of a subscriber that is well: what would have come before the first has come.
async fn fence(desk: &Desk, receiver: &mut Receiver, round: usize) {
    for half in 0..2 {
        let id = format!("fence-{round}-{half}");
        desk.task(&id, "draft", "x").await;
        assert_eq!(receiver.get().await.path, format!("/well/Task/{id}"));
    }
}

#[tokio::test]
async fn a_subscriber_is_not_called_before_the_time_that_it_asked_for() {
    let mut receiver = Receiver::start().await;
    let mut well = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver, &well])).await;
    desk.follow("s", classic("Task?status=ready", &receiver.url, JSON)).await;
    desk.follow("w", classic("Task?status=draft", &format!("{}/well", well.url), JSON)).await;
    // seconds, a date, and what is brought down to an hour
    let date = Answer::Status(429, Some(("retry-after", "Sun, 01 Mar 2026 12:30:00 GMT".to_owned())));
    let asked = [(busy("600"), 600), (date, 1_200), (busy("99999999999999999999999"), 3_600)];
    asked.iter().for_each(|(answer, _)| receiver.next(answer.clone()));
    desk.task("t1", "ready", "a").await;
    for (round, (_, seconds)) in asked.iter().enumerate() {
        assert_eq!(receiver.get().await.path, "/Task/t1");
        desk.counts(|d| &d.tries, round as u64 + 1).await;
        desk.pass(seconds - 1);
        fence(&desk, &mut well, round).await;
        assert!(receiver.is_quiet());
        desk.pass(1);
    }
    assert_eq!(receiver.get().await.path, "/Task/t1");
    desk.counts(|d| &d.failing, 0).await;
}

#[tokio::test]
async fn what_a_subscriber_asks_for_is_not_heard_if_it_means_nothing() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task", &format!("{}/hook", receiver.url), JSON)).await;
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.taken, 1).await;
    for nonsense in ["1e99", "-5", "soon", "Sun, 01 Mar 2020 12:30:00 GMT"] {
        receiver.next(busy(nonsense));
        desk.task("t1", "ready", nonsense).await;
        receiver.get().await;
        desk.counts(|d| &d.failing, 1).await;
        // the first pause of ours
        desk.pass(1);
        receiver.get().await;
        desk.counts(|d| &d.failing, 0).await;
    }
}

#[tokio::test]
async fn after_a_day_it_is_in_error_and_goes_on_where_it_was_once_its_client_wants_it_again() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    let subscription = classic("Task", &format!("{}/hook", receiver.url), JSON);
    desk.follow("s", subscription.clone()).await;
    receiver.always(Answer::Status(500, None));
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.tries, 1).await;
    desk.pass(24 * 3_600 - 1);
    receiver.get().await;
    desk.counts(|d| &d.tries, 2).await;
    desk.pass(301);
    let said = desk.becomes("s", "error").await;
    assert_eq!(said["error"], "the subscriber answered 500");
    assert_eq!(said["reason"], subscription["reason"]);
    receiver.get().await;
    desk.counts(|d| &d.served, 0).await;
    desk.task("t2", "ready", "b").await;
    receiver.always(Answer::Status(204, None));
    let (status, answer) = desk.ask("PUT", "/fhir/Subscription/s", Some(&said)).await;
    assert_eq!((status, &answer["issue"][0]["expression"][0]), (422, &json!("Subscription.status")));
    desk.follow("s", subscription).await;
    assert_eq!(receiver.get().await.path, "/hook/Task/t1");
    assert_eq!(receiver.get().await.path, "/hook/Task/t2");
    assert!(desk.becomes("s", "active").await.get("error").is_none());
}

#[tokio::test]
async fn a_dead_subscriber_holds_up_no_other() {
    let mut dead = Receiver::start().await;
    let mut well = Receiver::start().await;
    let desk = Desk::new(loopback(&[&dead, &well])).await;
    dead.always(Answer::Never);
    desk.follow("dead", classic("Task", &dead.url, JSON)).await;
    desk.follow("well", classic("Task", &well.url, JSON)).await;
    for number in 0..40 {
        desk.task(&format!("t{number}"), "ready", "a").await;
        assert_eq!(well.get().await.path, format!("/Task/t{number}"));
    }
    dead.get().await;
    assert!(dead.is_quiet(), "one call at a time");
}

#[tokio::test]
async fn what_a_subscriber_refuses_again_and_again_is_passed_over() {
    let mut receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task", &receiver.url, JSON)).await;
    for _ in 0..5 {
        receiver.next(Answer::Status(422, None));
    }
    desk.task("t1", "ready", "poison").await;
    desk.task("t2", "ready", "b").await;
    for tries in 1..=5 {
        assert_eq!(receiver.get().await.path, "/Task/t1");
        if tries < 5 {
            desk.counts(|d| &d.tries, tries).await;
            desk.pass(16);
        }
    }
    assert_eq!(receiver.get().await.path, "/Task/t2");
    assert_eq!(desk.deliveries.passed_over.load(Ordering::Relaxed), 1);
}

#[tokio::test]
async fn a_subscriber_that_is_gone_is_in_error_at_once() {
    let receiver = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver])).await;
    desk.follow("s", classic("Task", &receiver.url, JSON)).await;
    receiver.always(Answer::Status(410, None));
    desk.task("t1", "ready", "a").await;
    assert_eq!(desk.becomes("s", "error").await["error"], "the subscriber answered 410");
}

#[tokio::test]
async fn nobody_follows_a_redirection() {
    let mut receiver = Receiver::start().await;
    let mut elsewhere = Receiver::start().await;
    let desk = Desk::new(loopback(&[&receiver, &elsewhere])).await;
    desk.follow("s", classic("Task", &receiver.url, JSON)).await;
    for status in [301, 302, 307, 308] {
        receiver.next(Answer::Status(status, Some(("location", format!("{}/x", elsewhere.url)))));
    }
    desk.task("t1", "ready", "a").await;
    for round in 1..=4 {
        receiver.get().await;
        desk.counts(|d| &d.tries, round).await;
        desk.pass(60);
    }
    receiver.get().await;
    assert!(elsewhere.is_quiet());
}

#[tokio::test]
async fn a_name_that_leads_to_the_inner_network_is_not_called() {
    let mut receiver = Receiver::start().await;
    let port = receiver.url.rsplit(':').next().unwrap().to_owned();
    let url = format!("http://localhost:{port}/");
    let desk = Desk::new(only(&url, &[])).await;
    desk.follow("s", classic("Task", &url, JSON)).await;
    desk.task("t1", "ready", "a").await;
    let said = desk.becomes("s", "error").await;
    assert_eq!(said["error"], "the name leads to an inner network that is not configured");
    assert!(receiver.is_quiet());
}

#[tokio::test]
async fn what_was_sent_and_not_noted_when_the_process_ended_is_sent_again_under_its_number() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("terce.db");
    let mut receiver = Receiver::start().await;
    let desk = Desk::on_file(&file, loopback(&[&receiver])).await;
    desk.follow("plain", classic("Task", &format!("{}/plain", receiver.url), JSON)).await;
    desk.task("t1", "ready", "a").await;
    receiver.get().await;
    desk.counts(|d| &d.taken, 1).await;
    desk.follow("guided", guided("Task", &format!("{}/guided", receiver.url), "id-only")).await;
    receiver.get().await;
    receiver.always(Answer::Never);
    desk.task("t2", "ready", "b").await;
    desk.task("t3", "ready", "c").await;
    let sent = [receiver.get().await, receiver.get().await];
    desk.kill().await;
    receiver.always(Answer::Status(200, None));
    let desk = Desk::on_file(&file, loopback(&[&receiver])).await;
    desk.task("t2", "ready", "changed once more").await;
    let mut again = Vec::new();
    while again.iter().filter(|g: &&super::Got| g.path == "/plain/Task/t2").count() == 0 {
        again.push(receiver.get().await);
    }
    // what it began with comes again, and nothing that was taken before
    assert!(again.iter().all(|g| g.path != "/plain/Task/t1"));
    let first = sent.iter().find(|g| g.path == "/guided").unwrap().json();
    while again.iter().all(|g| g.path != "/guided") {
        again.push(receiver.get().await);
    }
    let second = again.iter().find(|g| g.path == "/guided").unwrap().json();
    let parts = |bundle: &serde_json::Value| {
        let parameters = bundle["entry"][0]["resource"]["parameter"].as_array().unwrap().clone();
        parameters.into_iter().filter(|p| p["name"] == "notification-event").collect::<Vec<_>>()
    };
    assert!(!parts(&first).is_empty());
    assert_eq!(parts(&first), parts(&second));
}
