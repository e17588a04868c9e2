//! The worklist as a nurse and a quality lead see it, over HTTP from charting to Task and DetectedIssue.

mod emitted;
mod explained;
mod first;
mod held;
mod hooks;
mod mapped;
mod nurse;
mod seen;
mod simulation;
mod surveys;
pub mod ward;

use serde_json::{Value, json};
use terce::stays::Shared;
use terce::store::{Batch, Derived, Reconciled, StoreError};
use ward::Ward;

fn text<'a>(value: &'a Value, path: &str) -> &'a str {
    value.pointer(path).and_then(Value::as_str).unwrap_or_else(|| panic!("no {path} in {value}"))
}

fn state(task: &Value) -> &str {
    text(task, "/businessStatus/coding/0/code")
}

#[tokio::test]
async fn one_task_is_opened_when_care_is_due_and_updated_in_place() {
    let ward = Ward::with_patient().await;
    ward.until("01:59").await;
    assert_eq!(ward.task().await, None);
    ward.until("02:00").await;
    let task = ward.task().await.unwrap();
    assert_eq!((text(&task, "/status"), state(&task), text(&task, "/priority")), ("ready", "due", "routine"));
    assert_eq!(text(&task, "/owner/reference"), "CareTeam/north");
    assert_eq!(text(&task, "/location/reference"), "Location/north");
    assert_eq!(text(&task, "/restriction/period/end"), "2026-03-10T04:00:00+00:00");
    assert!(text(&task, "/note/0/text").contains("charting is not care"));
    ward.until("04:31").await;
    let later = ward.task().await.unwrap();
    assert_eq!(later["id"], task["id"]);
    assert_eq!((state(&later), text(&later, "/priority")), ("overdue", "urgent"));
    let issue = text(&later, "/reasonReference/reference").to_owned();
    let said = ward.get(&issue).await;
    assert_eq!((text(&said, "/status"), text(&said, "/severity")), ("preliminary", "low"));
    for (when, priority, severity) in [("08:31", "asap", "moderate"), ("12:31", "stat", "high")] {
        ward.until(when).await;
        assert_eq!(text(&ward.task().await.unwrap(), "/priority"), priority);
        assert_eq!(text(&ward.get(&issue).await, "/severity"), severity);
    }
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"], "one issue for one lapse");
}

#[tokio::test]
async fn what_the_service_writes_by_itself_is_recorded_as_its_own() {
    let ward = Ward::with_patient().await;
    ward.until("02:00").await;
    ward.until("04:31").await;
    let rows = ward.service.store.audits_after(i64::MIN, 1_000).await.unwrap();
    let rows: Vec<_> = rows.into_iter().map(|found| found.row.audit().unwrap()).collect();
    let own = rows.iter().filter(|row| row.by == terce::translate::audit::by::SERVICE);
    let things: Vec<_> = own.flat_map(|row| &row.things).collect();
    let written = |deed: &str, kind: &str| things.iter().any(|t| t.deed == deed && t.kind == kind);
    assert!(written("create", "Task") && written("update", "Task") && written("create", "DetectedIssue"));
    assert!(things.iter().all(|thing| thing.patient.is_some()));
    assert_eq!(ward.service.store.walk_audits(Vec::new(), 100).await.unwrap().1, []);
}

#[tokio::test]
async fn charting_closes_the_task_and_names_what_closed_it() {
    let ward = Ward::with_patient().await;
    ward.until("02:10").await;
    ward.care("c", "oral-cleansing", "02:05").await;
    ward.until("02:10").await;
    assert_eq!(ward.task().await, None);
    let task = &ward.tasks().await[0];
    assert_eq!(text(task, "/status"), "completed");
    assert_eq!(text(task, "/output/0/valueReference/reference"), "Procedure/c/_history/1");
    ward.until("04:05").await;
    let next = ward.task().await.unwrap();
    assert_ne!(next["id"], task["id"]);
}

#[tokio::test]
async fn care_charted_inside_the_allowance_raises_nothing() {
    let ward = Ward::with_patient().await;
    ward.until("04:20").await;
    ward.care("c", "oral-cleansing", "04:10").await;
    ward.until("06:00").await;
    assert!(ward.issues("clean").await.is_empty());
}

#[tokio::test]
async fn late_charting_cancels_the_issue_late_care_mitigates_it_and_a_retraction_brings_it_back() {
    let ward = Ward::with_patient().await;
    ward.until("05:00").await;
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"]);
    ward.care("late", "oral-cleansing", "03:50").await;
    ward.until("05:00").await;
    assert_eq!(ward.issues("clean").await, ["04:00 cancelled charted-late"]);
    let mut wrong = ward.procedure("late", "oral-cleansing", "entered-in-error", "03:50");
    wrong["note"] = json!([{"text": "another patient's"}]);
    ward.put(wrong).await;
    ward.until("05:05").await;
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"]);
    ward.care("after", "oral-cleansing", "05:10").await;
    ward.until("05:10").await;
    assert_eq!(ward.issues("clean").await, ["04:00 final care-given"]);
}

#[tokio::test]
async fn a_refusal_excuses_and_ends_the_lapse() {
    let ward = Ward::with_patient().await;
    ward.until("04:40").await;
    ward.put(ward.procedure("x", "oral-cleansing", "not-done", "04:35")).await;
    ward.until("04:40").await;
    assert_eq!(ward.issues("clean").await, ["04:00 final excused"]);
    assert_eq!(ward.task().await, None);
}

#[tokio::test]
async fn extubation_withdraws_the_task() {
    let ward = Ward::with_patient().await;
    ward.until("03:00").await;
    ward.put(ward.ventilation(Some("02:50"))).await;
    ward.until("03:00").await;
    let task = &ward.tasks().await[0];
    assert_eq!(
        (text(task, "/status"), text(task, "/statusReason/coding/0/code")),
        ("cancelled", "extubated")
    );
}

#[tokio::test]
async fn discharge_death_and_another_unit_withdraw_the_task() {
    for (change, code) in [("discharged", "discharged"), ("died", "died"), ("moved", "out-of-scope")] {
        let ward = Ward::with_patient().await;
        ward.until("03:00").await;
        match change {
            "discharged" => {
                let over = json!({"status": "finished", "period": {"start": "2026-03-10T00:00:00Z", "end": "2026-03-10T02:58:00Z"}});
                ward.encounter(over, &[("north", "00:00", None)]).await;
            }
            "died" => {
                ward.put(
                    json!({"resourceType": "Patient", "id": "p", "deceasedDateTime": "2026-03-10T02:58:00Z"}),
                )
                .await;
            }
            _ => {
                let places = [("north", "00:00", Some("02:58")), ("ward", "02:58", None)];
                ward.encounter(json!({"status": "in-progress"}), &places).await;
            }
        }
        ward.until("03:01").await;
        let task = &ward.tasks().await[0];
        assert_eq!(
            (text(task, "/status"), text(task, "/statusReason/coding/0/code")),
            ("cancelled", code),
            "{change}"
        );
    }
}

#[tokio::test]
async fn away_puts_the_task_on_hold_and_the_return_gives_time() {
    let ward = Ward::with_patient().await;
    ward.until("03:00").await;
    let away = [("north", "00:00", Some("03:00")), ("theatre", "03:00", None)];
    ward.encounter(json!({"status": "in-progress"}), &away).await;
    ward.until("03:10").await;
    assert_eq!(text(&ward.task().await.unwrap(), "/status"), "on-hold");
    ward.until("06:30").await;
    assert!(ward.issues("clean").await.is_empty());
    let back =
        [("north", "00:00", Some("03:00")), ("theatre", "03:00", Some("06:30")), ("north", "06:30", None)];
    ward.encounter(json!({"status": "in-progress"}), &back).await;
    ward.until("06:31").await;
    let task = ward.task().await.unwrap();
    assert_eq!(
        (text(&task, "/status"), text(&task, "/restriction/period/end")),
        ("ready", "2026-03-10T07:30:00+00:00")
    );
}

#[tokio::test]
async fn care_under_way_shows_on_the_task_and_credits_nothing() {
    let ward = Ward::with_patient().await;
    ward.until("02:30").await;
    let mut under_way = ward.procedure("c", "oral-cleansing", "in-progress", "02:30");
    under_way["performedPeriod"] = json!({"start": under_way["performedDateTime"]});
    under_way.as_object_mut().unwrap().remove("performedDateTime");
    ward.put(under_way).await;
    ward.until("02:31").await;
    let task = ward.task().await.unwrap();
    assert_eq!((text(&task, "/status"), state(&task)), ("in-progress", "under-way"));
    ward.care("c", "oral-cleansing", "02:40").await;
    ward.until("02:41").await;
    assert_eq!(text(&ward.tasks().await[0], "/status"), "completed");
}

#[tokio::test]
async fn what_a_nurse_set_stays() {
    let ward = Ward::with_patient().await;
    ward.until("02:30").await;
    let mut task = ward.task().await.unwrap();
    task["status"] = "accepted".into();
    task["owner"] = json!({"reference": "Practitioner/n1"});
    task["note"].as_array_mut().unwrap().push(json!({"text": "after the dressing"}));
    task["priority"] = "routine".into();
    ward.put(task).await;
    ward.until("05:00").await;
    let task = ward.task().await.unwrap();
    assert_eq!((text(&task, "/status"), text(&task, "/owner/reference")), ("accepted", "Practitioner/n1"));
    assert_eq!((state(&task), text(&task, "/priority")), ("overdue", "urgent"), "what is ours moves on");
    let notes: Vec<&str> =
        task["note"].as_array().unwrap().iter().filter_map(|n| n["text"].as_str()).collect();
    assert_eq!(notes.iter().filter(|n| **n == "after the dressing").count(), 1);
}

#[tokio::test]
async fn completing_by_hand_invents_no_care() {
    let ward = Ward::with_patient().await;
    ward.until("02:30").await;
    let mut task = ward.task().await.unwrap();
    task["status"] = "completed".into();
    ward.put(task.clone()).await;
    ward.until("02:59").await;
    assert_eq!(ward.task().await, None, "charting may still come");
    ward.until("03:00").await;
    let again = ward.task().await.unwrap();
    assert_ne!(again["id"], task["id"]);
    ward.until("04:31").await;
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"]);
}

#[tokio::test]
async fn a_second_run_changes_nothing() {
    let ward = Ward::with_patient().await;
    ward.care("c1", "oral-cleansing", "01:00").await;
    ward.care("c2", "tooth-brushing", "10:00").await;
    ward.until("16:00").await;
    let before = (ward.tasks().await, ward.get("DetectedIssue?patient=p").await["entry"].clone());
    for derived in [Derived::Keep, Derived::Clear] {
        ward.service.store.redo(derived).await.unwrap();
        ward.until("16:00").await;
        assert_eq!((ward.tasks().await, ward.get("DetectedIssue?patient=p").await["entry"].clone()), before);
    }
}

#[tokio::test]
async fn a_silent_feed_makes_no_alarm_and_its_return_tells_the_true_times() {
    let watched = "[site]\nprotocol = \"minimal\"\n[[source]]\nname = \"record\"\nheartbeat_seconds = 60\n";
    let ward = Ward::open(watched).await;
    ward.admit().await;
    for minute in 0..=210 {
        ward.until(&format!("{:02}:{:02}", minute / 60, minute % 60)).await;
        ward.post("/feed/record/heartbeat").await;
    }
    ward.until("03:30").await;
    assert_eq!(state(&ward.task().await.unwrap()), "due");
    for when in ["03:36", "04:31", "08:31"] {
        ward.until(when).await;
        assert!(ward.issues("clean").await.is_empty(), "nothing is said to be missed while nobody tells");
    }
    assert_eq!(state(&ward.task().await.unwrap()), "unverified");
    let silent = ward.get("DetectedIssue?code=feed-silent").await;
    assert_eq!(text(&silent, "/entry/0/resource/status"), "preliminary");
    ward.care("c", "oral-cleansing", "08:10").await;
    ward.post("/feed/record/heartbeat").await;
    ward.until("08:31").await;
    assert_eq!(ward.issues("clean").await, ["04:00 final care-given"]);
    assert_eq!(ward.task().await, None);
    let silent = ward.get("DetectedIssue?code=feed-silent").await;
    assert_eq!(text(&silent, "/entry/0/resource/status"), "final");
}

#[tokio::test]
async fn what_reaches_us_of_earlier_during_a_silence_announces_nothing_before_the_feed_speaks() {
    let watched = "[site]\nprotocol = \"minimal\"\n[[source]]\nname = \"record\"\nheartbeat_seconds = 60\n";
    let ward = Ward::open(watched).await;
    ward.admit().await;
    ward.until("03:55").await;
    ward.care("c", "oral-cleansing", "03:50").await;
    for minute in 236..=300 {
        ward.until(&format!("{:02}:{:02}", minute / 60, minute % 60)).await;
        ward.post("/feed/record/heartbeat").await;
    }
    ward.until("06:00").await;
    assert!(ward.issues("clean").await.is_empty());
    // the first of a backlog: without it 04:00 was missed, long before the silence; what makes it good may be the next
    ward.put(ward.procedure("c", "oral-cleansing", "entered-in-error", "03:50")).await;
    ward.until("06:01").await;
    assert!(ward.issues("clean").await.is_empty(), "the feed is silent");
    assert_eq!(ward.task().await, None, "nor is anything asked for that was not");
    ward.post("/feed/record/heartbeat").await;
    ward.until("06:02").await;
    assert_eq!(ward.issues("clean").await, ["04:00 preliminary -"]);
}

#[tokio::test]
async fn the_fixed_times_protocol_says_which_session_is_next_and_its_steps() {
    let ward = Ward::open("[site]\nprotocol = \"adult-fixed-times\"\n").await;
    ward.admit().await;
    ward.until("07:00").await;
    let task = ward.task().await.unwrap();
    assert!(text(&task, "/description").contains("Next session: "), "{task}");
    let code = |i: &Value| i["type"]["coding"][0]["code"].as_str().unwrap_or_default().to_owned();
    let steps: Vec<&Value> = task["input"].as_array().unwrap().iter().filter(|i| code(i) == "step").collect();
    assert!(steps.len() >= 5, "{steps:?}");
    assert_eq!(text(steps[0], "/type/text"), "step 1");
}

#[tokio::test]
async fn reports_explanations_and_issues_tell_the_same() {
    let ward = Ward::with_patient().await;
    ward.care("c1", "oral-cleansing", "01:00").await;
    ward.care("c2", "oral-cleansing", "10:00").await;
    ward.until("12:00").await;
    let report =
        ward.get("Measure/timeliness/$evaluate-measure?periodStart=2026-03-10&periodEnd=2026-03-10").await;
    let group =
        report["group"].as_array().unwrap().iter().find(|g| g.to_string().contains("\"clean\"")).unwrap();
    let count = |code: &str| {
        let populations = group["population"].as_array().unwrap().iter();
        let wanted = |p: &&Value| p["code"]["coding"][0]["code"] == code;
        populations.clone().find(wanted).and_then(|p| p["count"].as_u64()).unwrap()
    };
    assert_eq!(
        (count("numerator"), count("denominator")),
        (2, 4),
        "met at 01:00 and 10:00, missed at 05:00 and 09:00"
    );
    assert_eq!(ward.issues("clean").await, ["05:00 final care-given"]);
    let explained = ward.get("Encounter/e/$explain").await.to_string();
    assert!(explained.contains("Procedure/c1/_history/1") && explained.contains("2026-03-10T05:00:00"));
}

#[tokio::test]
async fn a_bed_that_moves_during_a_pass_makes_what_is_read_of_it_later_stale() {
    let ward = Ward::with_patient().await;
    let bed = |unit: &str| json!({"resourceType": "Location", "id": "bed", "partOf": {"reference": format!("Location/{unit}")}});
    ward.put(bed("ward")).await;
    ward.encounter(json!({"status": "in-progress"}), &[("bed", "00:00", None)]).await;
    ward.until("01:00").await;
    let stays = &ward.service.stays;
    let commit = async |shared: &mut Shared| {
        let reading = stays.read("p", shared).await.unwrap();
        let reconciled = Reconciled {
            patient: "p".to_owned(),
            generation: reading.generation,
            depends: Some(reading.assembled.depends.into_iter().collect()),
            depends_seq: reading.shared_seq,
            ..Reconciled::default()
        };
        ward.service.store.commit(Batch { reconciled: vec![reconciled], ..Batch::default() }).await
    };
    let mut pass = Shared::default();
    stays.read("p", &mut pass).await.unwrap();
    ward.put(bed("north")).await;
    let stale = StoreError::StaleGeneration { patient: "p".to_owned() };
    assert_eq!(commit(&mut pass).await, Err(stale), "it was read before it moved, the patient after");
    assert!(commit(&mut Shared::default()).await.is_ok(), "in the next pass both are read anew");
}

#[tokio::test]
async fn the_definitions_behind_a_number_can_be_read() {
    let ward = Ward::with_patient().await;
    for path in ["Measure/timeliness", "PlanDefinition/adult", "ConceptMap/default", "CodeSystem/activity"] {
        let definition = ward.get(path).await;
        assert_eq!(definition["id"], path.split('/').next_back().unwrap(), "{path}");
        assert!(text(&definition, "/url").ends_with(path));
    }
}

#[tokio::test]
async fn every_own_code_in_what_is_said_can_be_read_where_its_system_says() {
    let ward = Ward::with_patient().await;
    ward.until("04:40").await;
    ward.care("late", "oral-cleansing", "03:50").await;
    ward.until("09:20").await;
    ward.put(ward.procedure("x", "oral-cleansing", "not-done", "09:19")).await;
    ward.until("20:00").await;
    ward.put(ward.ventilation(Some("20:00"))).await;
    ward.until("20:01").await;
    let codes = ward.own_codes().await;
    let systems: Vec<&str> = codes.iter().map(|(system, _)| system.as_str()).collect();
    for system in
        ["issue", "mitigation", "requirement", "task", "task-parameter", "task-reason", "task-state"]
    {
        assert!(systems.contains(&system), "{system} is not in {codes:?}");
    }
    for (system, code) in &codes {
        let defined = ward.get(&format!("CodeSystem/{system}")).await;
        let concepts = defined["concept"].as_array().unwrap_or_else(|| panic!("no CodeSystem/{system}"));
        assert!(concepts.iter().any(|c| c["code"] == **code), "{code} of {system}");
    }
}
