//! What a nurse does with a Task: takes it, puts it on hold, rejects it, completes it by hand.

use serde_json::{Value, json};
use terce::care::ledger::Outcome;
use terce::care::totals::Totals;
use terce::replay::{Replay, Setup, replay};
use terce::stays::{What, Who};
use terce::store::Derived;

use super::ward::{Ward, at};
use super::{state, text};
use crate::measures::flat;

const EXCUSE: &str = "https://terce.example/fhir/CodeSystem/excuse";

pub fn refused() -> Value {
    json!({"coding": [{"system": EXCUSE, "code": "refused"}]})
}

/// The Task with what a nurse changes in it.
pub fn changed(task: &Value, members: Value) -> Value {
    let mut task = task.clone();
    for (name, value) in members.as_object().unwrap() {
        task[name] = value.clone();
    }
    task
}

/// A ward in which the cleaning of p has been due for half an hour, and the Task that asks for it.
pub async fn asked() -> (Ward, Value) {
    let ward = Ward::with_patient().await;
    ward.until("02:30").await;
    let task = ward.task().await.unwrap();
    (ward, task)
}

/// How many were met, missed and excused of `requirement`.
async fn counts(ward: &Ward, requirement: &str) -> (usize, usize, usize) {
    let ledgers = ward.service.stays.ledgers("p", ward.service.clock.now()).await.unwrap();
    let all: Vec<Outcome> = ledgers
        .iter()
        .flat_map(|l| &l.ledger.opportunities)
        .filter(|o| &*o.requirement == requirement)
        .map(|o| o.outcome)
        .collect();
    let count = |wanted| all.iter().filter(|o| **o == wanted).count();
    (count(Outcome::Met), count(Outcome::Missed), count(Outcome::Excused))
}

#[tokio::test]
async fn a_task_that_was_taken_shows_by_whom_and_is_completed_by_the_care_that_is_charted() {
    let (ward, task) = asked().await;
    let nurse = json!({"reference": "Practitioner/n1"});
    let taken = ward.put(changed(&task, json!({"status": "accepted", "owner": nurse}))).await;
    let begun = ward.put(changed(&taken, json!({"status": "in-progress"}))).await;
    assert_eq!(begun["lastModified"], "2026-03-10T02:30:00Z");
    ward.until("02:40").await;
    assert_eq!(text(&ward.task().await.unwrap(), "/status"), "in-progress");
    ward.care("c", "oral-cleansing", "02:38").await;
    ward.until("02:41").await;
    let done = &ward.tasks().await[0];
    assert_eq!((text(done, "/status"), text(done, "/owner/reference")), ("completed", "Practitioner/n1"));
    assert_eq!(text(done, "/output/0/valueReference/reference"), "Procedure/c/_history/1");
}

#[tokio::test]
async fn what_a_person_set_stays_though_the_service_came_to_say_the_same_meanwhile() {
    let (ward, task) = asked().await;
    ward.put(changed(&task, json!({"status": "in-progress"}))).await;
    let mut under_way = ward.procedure("c", "oral-cleansing", "in-progress", "02:31");
    under_way["performedPeriod"] = json!({"start": under_way["performedDateTime"]});
    under_way.as_object_mut().unwrap().remove("performedDateTime");
    ward.put(under_way.clone()).await;
    ward.until("02:35").await;
    under_way["status"] = "entered-in-error".into();
    ward.put(under_way).await;
    ward.until("02:36").await;
    let task = ward.task().await.unwrap();
    assert_eq!((text(&task, "/status"), state(&task)), ("in-progress", "due"));
    ward.put(changed(&task, json!({"status": "ready"}))).await;
    ward.until("02:37").await;
    assert_eq!(text(&ward.task().await.unwrap(), "/status"), "ready", "given back");
}

#[tokio::test]
async fn rejecting_for_a_reason_that_counts_excuses_what_was_asked_for_and_nothing_else() {
    let (ward, task) = asked().await;
    let local = json!({"resourceType": "ConceptMap", "id": "local", "status": "active", "group": [{
        "source": "https://record.example/reasons", "target": EXCUSE,
        "element": [{"code": "NO", "target": [{"code": "refused", "equivalence": "equivalent"}]}]}]});
    ward.put(local).await;
    let reason = json!({"coding": [{"system": "https://record.example/reasons", "code": "NO"}], "text": "turned away"});
    let rejected = ward.put(changed(&task, json!({"status": "rejected", "statusReason": reason}))).await;
    ward.until("04:29").await;
    assert_eq!(ward.task().await, None, "the clock starts again with an excuse");
    assert_eq!((counts(&ward, "clean").await, counts(&ward, "brush").await), ((0, 0, 1), (0, 0, 0)));
    ward.until("04:31").await;
    let next = ward.task().await.unwrap();
    assert!(ward.issues("clean").await.is_empty());
    assert_ne!(next["id"], task["id"]);
    let kept = ward.get(&format!("Task/{}", text(&task, "/id"))).await;
    assert_eq!((text(&kept, "/status"), text(&kept, "/statusReason/text")), ("rejected", "turned away"));
    let explained = ward.get("Encounter/e/$explain?requirement=clean").await.to_string();
    let source = format!("Task/{}/_history/{}", text(&task, "/id"), text(&rejected, "/meta/versionId"));
    assert!(explained.contains(&source) && explained.contains("02:30"), "{explained}");
    ward.until("1:00:00").await;
    assert_eq!(counts(&ward, "brush").await.2, 0, "brushing was not asked for at half past two");
}

#[tokio::test]
async fn a_reason_that_counts_for_nothing_changes_no_tally_and_is_kept() {
    for reason in [json!({"text": "busy"}), Value::Null] {
        let (ward, task) = asked().await;
        let (with, _) = asked().await;
        let mut rejected = changed(&task, json!({"status": "rejected", "statusReason": reason}));
        if reason.is_null() {
            rejected.as_object_mut().unwrap().remove("statusReason");
        }
        ward.put(rejected).await;
        ward.until("02:59").await;
        assert_eq!(ward.task().await, None);
        ward.until("03:00").await;
        let again = ward.task().await.unwrap();
        assert_ne!(again["id"], task["id"], "asked for again after the charting allowance");
        let kept = ward.get(&format!("Task/{}", text(&task, "/id"))).await;
        assert_eq!(kept["statusReason"], reason);
        let doubts = ward.get("Encounter/e/$explain").await.to_string();
        assert!(doubts.contains("a Task was not done"), "{doubts}");
        ward.until("1:06:00").await;
        with.until("1:06:00").await;
        let day = |n: u32| chrono::NaiveDate::from_ymd_opt(2026, 3, n).unwrap();
        let now = ward.service.clock.now();
        let tally = |ward: &Ward| {
            let stays = ward.service.stays.clone();
            let period = (day(10), day(11));
            async move { stays.totals(What::CountsAndDelays, &Who::All, period, now).await.unwrap().totals }
        };
        assert_eq!(flat(&tally(&ward).await), flat(&tally(&with).await));
        assert!(!flat(&tally(&ward).await).is_empty());
    }
}

#[tokio::test]
async fn a_rejection_that_is_taken_back_excuses_nothing_and_opens_a_task_at_once() {
    let (ward, task) = asked().await;
    let rejected = ward.put(changed(&task, json!({"status": "rejected", "statusReason": refused()}))).await;
    ward.until("02:40").await;
    assert_eq!(counts(&ward, "clean").await, (0, 0, 1));
    ward.put(changed(&rejected, json!({"status": "entered-in-error"}))).await;
    ward.until("02:41").await;
    assert_eq!(counts(&ward, "clean").await, (0, 0, 0));
    let again = ward.task().await.unwrap();
    assert_ne!(again["id"], task["id"]);
    ward.until("04:31").await;
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"]);
}

#[tokio::test]
async fn a_reason_that_is_put_right_later_counts_from_the_rejection() {
    let (ward, task) = asked().await;
    let rejected = ward.put(changed(&task, json!({"status": "rejected"}))).await;
    ward.until("04:31").await;
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"]);
    ward.put(changed(&rejected, json!({"statusReason": refused()}))).await;
    ward.until("04:32").await;
    assert_eq!(counts(&ward, "clean").await, (0, 0, 1));
    assert_eq!(ward.issues("clean").await, ["04:00 cancelled record-corrected"]);
    ward.until("06:30").await;
    assert_eq!(ward.issues("clean").await, ["04:00 cancelled record-corrected"]);
    ward.until("07:00").await;
    let later = ward.issues("clean").await;
    assert_eq!(later, ["04:00 cancelled record-corrected", "06:30 preliminary -"], "four hours after 02:30");
}

#[tokio::test]
async fn whatever_a_person_closes_credits_nothing_and_is_asked_for_again_after_the_charting_allowance() {
    for how in ["completed", "cancelled", "rejected", "failed"] {
        let (ward, mut task) = asked().await;
        if how == "failed" {
            task = ward.put(changed(&task, json!({"status": "in-progress"}))).await;
        }
        ward.put(changed(&task, json!({"status": how}))).await;
        ward.until("02:59").await;
        assert_eq!(ward.task().await, None, "{how}: charting may still come");
        ward.until("03:00").await;
        let again = ward.task().await.unwrap_or_else(|| panic!("{how}: nothing is asked for"));
        assert_ne!(again["id"], task["id"]);
        ward.until("04:31").await;
        assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"], "{how}");
        assert_eq!(counts(&ward, "clean").await, (0, 1, 0), "{how}");
    }
}

#[tokio::test]
async fn care_that_is_charted_after_a_task_was_completed_by_hand_opens_no_other() {
    let (ward, task) = asked().await;
    ward.put(changed(&task, json!({"status": "completed"}))).await;
    ward.until("02:50").await;
    ward.care("c", "oral-cleansing", "02:28").await;
    ward.until("04:27").await;
    assert_eq!(ward.tasks().await.len(), 1);
    assert_eq!(counts(&ward, "clean").await, (1, 0, 0));
}

#[tokio::test]
async fn a_task_on_hold_for_a_reason_does_not_become_more_urgent_until_the_hold_ends_or_two_hours_have_passed()
 {
    let hold = |task: &Value, members: Value| changed(&changed(task, json!({"status": "on-hold"})), members);
    let reason = json!({"statusReason": {"text": "turned to prone"}});
    let priority = async |ward: &Ward| text(&ward.task().await.unwrap(), "/priority").to_owned();

    let ward = Ward::with_patient().await;
    ward.until("03:50").await;
    ward.put(hold(&ward.task().await.unwrap(), reason.clone())).await;
    ward.until("04:31").await;
    let task = ward.task().await.unwrap();
    assert_eq!((text(&task, "/status"), state(&task)), ("on-hold", "overdue"), "it says how it stands");
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"], "a hold hides no lapse");
    assert_eq!(priority(&ward).await, "routine");
    ward.until("05:49").await;
    assert_eq!(priority(&ward).await, "routine");
    ward.until("05:50").await;
    assert_eq!(priority(&ward).await, "urgent", "a hold that nobody ends does not keep neglect quiet");
    let task = ward.task().await.unwrap();
    assert_eq!((text(&task, "/status"), text(&task, "/statusReason/text")), ("on-hold", "turned to prone"));

    let ward = Ward::with_patient().await;
    ward.until("03:50").await;
    let held = ward.put(hold(&ward.task().await.unwrap(), reason)).await;
    ward.until("04:31").await;
    assert_eq!(priority(&ward).await, "routine");
    let mut resumed = changed(&held, json!({"status": "ready"}));
    resumed.as_object_mut().unwrap().remove("statusReason");
    ward.put(resumed).await;
    ward.until("04:32").await;
    assert_eq!(priority(&ward).await, "urgent", "it was resumed");

    let ward = Ward::with_patient().await;
    ward.until("03:50").await;
    ward.put(hold(&ward.task().await.unwrap(), json!({}))).await;
    ward.until("04:31").await;
    assert_eq!(priority(&ward).await, "urgent", "without a reason it holds back nothing");
}

#[tokio::test]
async fn a_second_run_after_rejections_changes_nothing() {
    let (ward, task) = asked().await;
    ward.put(changed(&task, json!({"status": "rejected", "statusReason": refused()}))).await;
    ward.until("05:00").await;
    let second = ward.task().await.unwrap();
    ward.put(changed(&second, json!({"status": "on-hold", "statusReason": {"text": "bronchoscopy"}}))).await;
    ward.until("07:30").await;
    let before = (ward.tasks().await, ward.get("DetectedIssue?patient=p").await["entry"].clone());
    for derived in [Derived::Keep, Derived::Clear] {
        ward.service.store.redo(derived).await.unwrap();
        ward.until("07:30").await;
        assert_eq!((ward.tasks().await, ward.get("DetectedIssue?patient=p").await["entry"].clone()), before);
    }
    assert_eq!(counts(&ward, "clean").await, (0, 1, 1));
}

#[tokio::test]
async fn an_export_with_its_tasks_is_replayed_to_the_same_numbers() {
    let (ward, task) = asked().await;
    ward.put(changed(&task, json!({"status": "rejected", "statusReason": refused()}))).await;
    ward.until("05:00").await;
    ward.care("c", "oral-cleansing", "04:50").await;
    ward.until("07:00").await;
    let second = ward.task().await.unwrap();
    ward.put(changed(&second, json!({"status": "rejected", "statusReason": {"text": "busy"}}))).await;
    ward.until("13:00").await;
    let third = ward.task().await.unwrap();
    let wrong = ward.put(changed(&third, json!({"status": "rejected", "statusReason": refused()}))).await;
    ward.until("13:05").await;
    ward.put(changed(&wrong, json!({"status": "entered-in-error"}))).await;
    ward.until("20:00").await;
    let mut lines = Vec::new();
    for kind in ["Patient", "Encounter", "Procedure", "Task"] {
        for resource in ward.all(&format!("{kind}?_count=1000")).await {
            lines.push(format!("{resource}\n"));
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("all.ndjson");
    std::fs::write(&input, lines.concat()).unwrap();
    let now = ward.service.clock.now();
    let config = "[site]\nprotocol = \"minimal\"\naway = [\"theatre\"]\n[[unit]]\nlocation = \"ward\"\nprotocol = \"none\"\n";
    let asked = Replay {
        inputs: vec![input],
        out: folder.path().join("out"),
        setup: Setup { config: Some(config.to_owned()), ..Setup::default() },
        until: Some(now),
        now,
        threads: 1,
        memory: 64 << 20,
        opportunities: true,
        strict: true,
        thorough: false,
    };
    let summary = replay(&asked, &|_| {}).unwrap();
    let (from, to) = (at("00:00").date_naive(), at("1:00:00").date_naive());
    let live = ward.service.stays.totals(What::CountsAndDelays, &Who::All, (from, to), now).await.unwrap();
    assert_eq!(flat(&Totals::of(&summary.tally, from, to, None)), flat(&live.totals));
    assert_eq!(
        summary.tally.cells.values().map(|c| c.excused).sum::<u32>(),
        1,
        "the first rejection, and no other"
    );
}

#[tokio::test]
async fn a_status_that_may_not_follow_is_refused_with_those_that_may_however_it_is_sent() {
    let (ward, task) = asked().await;
    let failed = changed(&task, json!({"status": "failed"}));
    let address = format!("Task/{}", text(&task, "/id"));
    let entry = json!({"resource": failed, "request": {"method": "PUT", "url": address}});
    let bundle = |sort: &str| json!({"resourceType": "Bundle", "type": sort, "entry": [entry]});
    let put = ward.send("PUT", &address, &failed).await;
    let transaction = ward.send("POST", "", &bundle("transaction")).await;
    let (status, batch) = ward.send("POST", "", &bundle("batch")).await;
    assert_eq!((status, text(&batch, "/entry/0/response/status")), (200, "422"));
    for (status, outcome) in [put, transaction, (422, batch["entry"][0]["response"]["outcome"].clone())] {
        assert_eq!((status, text(&outcome, "/issue/0/code")), (422, "business-rule"), "{outcome}");
        let said = text(&outcome, "/issue/0/diagnostics");
        assert!(said.contains("a Task that is ready can be made received, accepted, in-progress"), "{said}");
        assert!(text(&outcome, "/issue/0/expression/0").ends_with(".status"), "{outcome}");
    }
    assert_eq!(text(&ward.task().await.unwrap(), "/status"), "ready");
}

#[tokio::test]
async fn what_a_rejection_would_come_to_is_said_before_it_is_made() {
    let (ward, task) = asked().await;
    let address = format!("Task/{}/$validate", text(&task, "/id"));
    for (reason, severity, word) in [
        (refused(), "information", "refused, what the Task asks for: clean"),
        (json!({"text": "busy"}), "warning", "its reason is none that counts"),
    ] {
        let rejected = changed(&task, json!({"status": "rejected", "statusReason": reason}));
        let (status, said) = ward.send("POST", &address, &rejected).await;
        let issues = said["issue"].as_array().unwrap();
        let found = |i: &&Value| text(i, "/diagnostics").contains(word);
        let issue = issues.iter().find(found).unwrap_or_else(|| panic!("{said}"));
        assert_eq!((status, text(issue, "/severity")), (200, severity));
    }
    assert_eq!(text(&ward.task().await.unwrap(), "/status"), "ready", "nothing was written");
}

#[tokio::test]
async fn the_same_word_of_a_person_twice_is_one_change() {
    let (ward, task) = asked().await;
    let done = changed(&task, json!({"status": "completed"}));
    let first = ward.put(done.clone()).await;
    ward.until("02:40").await;
    let second = ward.put(done).await;
    assert_eq!(first["meta"], second["meta"], "a reply may be lost and the request sent again");
}
