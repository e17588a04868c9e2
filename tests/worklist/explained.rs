//! The way back from a Task and a DetectedIssue to the arithmetic and the documents that they rest on.

use serde_json::Value;

use super::ward::Ward;
use super::{state, text};

/// What each item of an explanation is, with its requirement and its sources.
fn items(answer: &Value) -> Vec<String> {
    let all = answer["parameter"].as_array().unwrap_or_else(|| panic!("{answer}")).iter();
    let item = |parameter: &Value| {
        let parts = parameter["part"].as_array().unwrap();
        let of = |name: &'static str| parts.iter().filter(move |p| p["name"] == *name);
        let word = |name: &'static str| of(name).next().map(|p| text(p, "/valueCode")).unwrap_or_default();
        let sources: Vec<&str> = of("source").map(|p| text(p, "/valueReference/reference")).collect();
        format!("{} {} {}", word("requirement"), word("what"), sources.join(" ")).trim_end().to_owned()
    };
    all.filter(|p| p["name"] == "item").map(item).collect()
}

async fn of(ward: &Ward, resource: &Value) -> Vec<String> {
    let reference = format!("{}/{}", text(resource, "/resourceType"), text(resource, "/id"));
    let answer = ward.get(&format!("{reference}/$explain")).await;
    assert_eq!(text(&answer, "/parameter/0/valueReference/reference"), reference, "{answer}");
    items(&answer)
}

async fn issue(ward: &Ward) -> Value {
    ward.all("DetectedIssue?patient=p").await.remove(0)
}

#[tokio::test]
async fn a_task_is_explained_by_what_it_asks_for_while_it_is_open_and_by_what_closed_it_afterwards() {
    let ward = Ward::with_patient().await;
    ward.until("02:30").await;
    assert_eq!(of(&ward, &ward.task().await.unwrap()).await, ["clean due"]);
    ward.until("04:31").await;
    let task = ward.task().await.unwrap();
    assert_eq!(state(&task), "overdue");
    assert_eq!(of(&ward, &task).await, ["clean announced", "clean lapse"]);
    ward.care("c", "oral-cleansing", "04:40").await;
    ward.until("04:41").await;
    let done = ward.tasks().await.remove(0);
    assert_eq!(
        of(&ward, &done).await,
        ["clean met Procedure/c/_history/1", "clean lapse Procedure/c/_history/1"]
    );
}

#[tokio::test]
async fn a_rejected_task_is_explained_by_what_it_excuses() {
    let ward = Ward::with_patient().await;
    ward.until("02:30").await;
    let mut task = ward.task().await.unwrap();
    task["status"] = "rejected".into();
    task["statusReason"] = serde_json::json!({"coding": [
        {"system": "https://terce.example/fhir/CodeSystem/excuse", "code": "airway-at-risk"}]});
    let rejected = ward.put(task).await;
    ward.until("03:30").await;
    let version = text(&rejected, "/meta/versionId");
    assert_eq!(
        of(&ward, &rejected).await,
        [format!("clean excused Task/{}/_history/{version}", text(&rejected, "/id"))]
    );
}

#[tokio::test]
async fn an_issue_is_explained_by_its_lapse_and_a_withdrawn_one_by_what_became_of_its_deadline() {
    let ward = Ward::with_patient().await;
    ward.until("08:31").await;
    assert_eq!(of(&ward, &issue(&ward).await).await, ["clean missed", "clean missed", "clean lapse"]);
    ward.care("late", "oral-cleansing", "03:50").await;
    ward.care("later", "oral-cleansing", "07:40").await;
    ward.until("08:32").await;
    let withdrawn = issue(&ward).await;
    assert_eq!(text(&withdrawn, "/status"), "cancelled");
    assert_eq!(of(&ward, &withdrawn).await, ["clean met Procedure/late/_history/1"]);
    let brushing =
        ward.get(&format!("DetectedIssue/{}/$explain?requirement=brush", text(&withdrawn, "/id"))).await;
    assert!(items(&brushing).is_empty());
}

#[tokio::test]
async fn an_issue_about_a_feed_has_no_ledger_behind_it() {
    let watched = "[site]\nprotocol = \"minimal\"\n[[source]]\nname = \"record\"\nheartbeat_seconds = 60\n";
    let ward = Ward::open(watched).await;
    ward.admit().await;
    ward.post("/feed/record/heartbeat").await;
    ward.until("00:01").await;
    ward.until("01:00").await;
    let silent = ward.all("DetectedIssue?code=feed-silent").await.remove(0);
    let answer = ward.get(&format!("DetectedIssue/{}/$explain", text(&silent, "/id"))).await;
    assert_eq!(text(&answer, "/issue/0/code"), "not-supported", "{answer}");
}
