//! Everything that is given out, put before validators that are not ours.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::Command;

use serde_json::{Value, json};
use terce::rest::types::{KINDS, Origin};
use terce::translate::measures::MEASURES;
use terce::translate::shipped;

use super::nurse::{asked, changed, refused};
use super::text;
use super::ward::Ward;
use crate::deliver::{Receiver, guided};

/// The statuses that a Task can have here, and by which steps a person brings it there.
const BY_HAND: [(&str, &[&str]); 10] = [
    ("ready", &[]),
    ("received", &["received"]),
    ("accepted", &["accepted"]),
    ("in-progress", &["in-progress"]),
    ("on-hold", &["on-hold"]),
    ("rejected", &["rejected"]),
    ("completed", &["completed"]),
    ("failed", &["in-progress", "failed"]),
    ("cancelled", &["cancelled"]),
    ("entered-in-error", &["rejected", "entered-in-error"]),
];

/// A Task in each status, as a person left it and as the service did.
async fn tasks() -> Vec<Value> {
    let mut out = Vec::new();
    for (status, steps) in BY_HAND {
        let (ward, mut task) = asked().await;
        for step in steps {
            let more = json!({"status": step, "statusReason": refused(), "owner": {"reference": "Practitioner/n1"},
                "note": [{"text": "said at the bedside", "time": "2026-03-10T02:30:00Z"}]});
            task = ward.put(changed(&task, more)).await;
        }
        ward.until("04:31").await;
        let task = ward.get(&format!("Task/{}", text(&task, "/id"))).await;
        assert_eq!(text(&task, "/status"), status);
        out.push(task);
    }
    let (ward, _) = asked().await;
    let away = [("north", "00:00", Some("02:35")), ("theatre", "02:35", None)];
    ward.encounter(json!({"status": "in-progress"}), &away).await;
    ward.until("02:36").await;
    out.extend(ward.tasks().await);
    ward.put(ward.ventilation(Some("02:40"))).await;
    ward.until("02:41").await;
    out.extend(ward.tasks().await);
    out
}

/// What is answered to all that can be asked, and what a subscriber is told.
async fn answers() -> Vec<Value> {
    let mut receiver = Receiver::start().await;
    let ward = Ward::open(&format!(
        "[site]\nprotocol = \"minimal\"\naway = [\"theatre\"]\n[[unit]]\nlocation = \"north\"\n\
         [subscriptions]\nallow = [\"{}/\"]\ninner = [\"127.0.0.1\"]\n",
        receiver.url
    ))
    .await;
    let mut out = Vec::new();
    for (id, status, level) in [("s", "requested", "full-resource"), ("off", "off", "id-only")] {
        let mut subscription = guided("Task", &format!("{}/{id}", receiver.url), level);
        subscription["id"] = id.into();
        subscription["status"] = status.into();
        out.push(ward.put(subscription).await);
    }
    // the handshake
    out.push(receiver.get().await.json());
    ward.admit().await;
    ward.put(json!({"resourceType": "Location", "id": "north"})).await;
    ward.put(json!({"resourceType": "ValueSet", "id": "v", "status": "active"})).await;
    ward.care("c1", "oral-cleansing", "01:00").await;
    ward.until("05:40").await;
    ward.care("late", "oral-cleansing", "04:50").await;
    ward.until("09:20").await;
    ward.put(ward.procedure("x", "oral-cleansing", "not-done", "09:19")).await;
    ward.until("14:00").await;
    // a notification with a Task in it
    out.push(receiver.get().await.json());
    for id in MEASURES {
        out.push(ward.get(&format!("Measure/{id}")).await);
    }
    for definition in shipped::ALL {
        out.push(ward.get(&format!("{}/{}", definition.kind, definition.id)).await);
    }
    let task = ward.tasks().await.remove(0);
    let (task, issue) = (text(&task, "/id").to_owned(), ward.all("DetectedIssue").await.remove(0));
    let period = "periodStart=2026-03-10&periodEnd=2026-03-10";
    let translate = "ConceptMap/$translate?system=http://snomed.info/sct&code";
    let brush = "https://terce.example/fhir/CodeSystem/activity&code=tooth-brushing&reverse=true";
    let all = "status=open-gap,closed-gap,prospective-gap,not-applicable";
    let gaps = format!("Measure/$care-gaps?{period}&subject=Patient/p&{all}");
    let paths = [
        "metadata".to_owned(),
        "AuditEvent?_count=1000".to_owned(),
        "AuditEvent?outcome=4".to_owned(),
        "AuditEvent/1".to_owned(),
        "AuditEvent/1/_history".to_owned(),
        "DetectedIssue?patient=p".to_owned(),
        format!("DetectedIssue/{}", text(&issue, "/id")),
        format!("DetectedIssue/{}/_history", text(&issue, "/id")),
        "MeasureReport".to_owned(),
        "Subscription/s".to_owned(),
        "Subscription".to_owned(),
        "Subscription/s/$status".to_owned(),
        "Subscription/s/$events".to_owned(),
        "Subscription/s/$events?content=empty".to_owned(),
        "Subscription/off/$events".to_owned(),
        "Patient/p".to_owned(),
        "ValueSet/v".to_owned(),
        "Task?unknown=x".to_owned(),
        "Task?subject.name=x".to_owned(),
        "Task?_count=1&status=completed,ready".to_owned(),
        "Task?_summary=count".to_owned(),
        "Task?_include=Task:patient&_summary=true".to_owned(),
        "DetectedIssue/_history?_count=3".to_owned(),
        "Patient/p/_history".to_owned(),
        format!("Task/{task}/_history"),
        format!("Task/{task}/_history/1"),
        format!("Task/{task}/$explain"),
        format!("DetectedIssue/{}/$explain", text(&issue, "/id")),
        "Encounter/e/$explain".to_owned(),
        "Encounter/e/$ventilator-events".to_owned(),
        format!("Measure/timeliness/$evaluate-measure?{period}"),
        format!("Measure/complete-day/$evaluate-measure?{period}&reportType=subject&subject=Patient/p"),
        format!(
            "Measure/timeliness/$evaluate-measure?{period}&reportType=subject-list&subject=Location/north"
        ),
        format!("Measure/charting-delay/$evaluate-measure?{period}&asOf=2026-03-10T05:00:00Z"),
        format!("Measure/timeliness/$evaluate-measure?{period}&comparedWith=2026-03-10T05:40:00Z"),
        format!("Measure/hours-covered/$evaluate-measure?{period}&comparedWith=2026-03-10T05:40:00Z"),
        format!(
            "Measure/timeliness/$evaluate-measure?{period}&chart=day&otherStart=2026-03-01&otherEnd=2026-03-09"
        ),
        format!("Measure/timeliness/$evaluate-measure?{period}&suppressBelow=5"),
        format!(
            "Measure/infection-related-conditions/$evaluate-measure?{period}&comparedWith=2026-03-10T05:40:00Z"
        ),
        format!("Measure/timeliness/$data-requirements?{period}"),
        "Measure/ventilator-associated-conditions/$data-requirements".to_owned(),
        "Measure/patient-days/$data-requirements".to_owned(),
        gaps.clone(),
        "$data-quality".to_owned(),
        format!("{translate}=717778001"),
        format!("{translate}=none"),
        format!("ConceptMap/$translate?system={brush}"),
        "PlanDefinition/adult/$try".to_owned(),
        "PlanDefinition/adult-fixed-times/$try".to_owned(),
        "Encounter/e/$validate".to_owned(),
        "Procedure/c1/$validate?mode=delete".to_owned(),
        "Procedure/unknown".to_owned(),
        "Unknown".to_owned(),
    ];
    for path in &paths {
        out.push(ward.get(path).await);
    }
    for operation in KINDS.iter().flat_map(|kind| kind.operations) {
        let asked = format!("/${}", operation.name());
        assert!(paths.iter().any(|path| path.contains(&asked)), "nobody asks {asked}");
    }
    let document = ward.get(&gaps).await["parameter"][0]["resource"].clone();
    out.extend(document["entry"].as_array().unwrap().iter().map(|entry| entry["resource"].clone()));
    out.push(document);
    out.extend(kept(&ward).await);
    let bad =
        json!({"resourceType": "PlanDefinition", "status": "active", "action": [{"id": "a"}, {"id": "a"}]});
    let vague = changed(
        &ward.procedure("y", "tooth-brushing", "completed", "13:00"),
        json!({"performedDateTime": "2026-03-10"}),
    );
    let entry = |id: &str, status: &str| {
        json!({"fullUrl": format!("urn:uuid:{id}"), "resource": ward.procedure(id, "tooth-brushing", status, "13:30"),
            "request": {"method": "PUT", "url": format!("Procedure/{id}")}})
    };
    let get = json!({"request": {"method": "GET", "url": "Task?status=ready"}});
    let bundle =
        |sort: &str, entry: Vec<Value>| json!({"resourceType": "Bundle", "type": sort, "entry": entry});
    let sound = || vec![entry("11111111-1111-4111-8111-111111111111", "completed"), get.clone()];
    let wrong = || vec![entry("22222222-2222-4222-8222-222222222222", "done"), get.clone()];
    for (path, body) in [
        ("PlanDefinition/$try", bad.clone()),
        ("PlanDefinition/$validate", bad),
        ("Procedure/$validate", vague),
        ("", bundle("transaction", sound())),
        ("", bundle("transaction", wrong())),
        ("", bundle("batch", [sound(), wrong()].concat())),
    ] {
        out.push(ward.send("POST", path, &body).await.1);
    }
    out
}

/// Reports that were made when the day was over, and again after late charting.
async fn kept(ward: &Ward) -> Vec<Value> {
    let wanted = "listen = \"127.0.0.1:0\"\n[reports]\nschedule = [\"day\"]\n";
    let service = &ward.service;
    let reporter = terce::reports::Reporter::new(
        service.store.clone(),
        service.stays.clone(),
        service.clock.clone(),
        terce::config::Config::parse(wanted).unwrap().reports,
        std::sync::Arc::default(),
    );
    ward.until("1:01:00").await;
    reporter.turn(service.clock.now()).await.unwrap();
    ward.care("later", "oral-cleansing", "13:00").await;
    ward.until("1:03:00").await;
    assert!(reporter.turn(service.clock.now()).await.unwrap() > 0);
    let mut out = ward.all("MeasureReport?_count=1000").await;
    assert!(out.iter().any(|report| report.to_string().contains("StructureDefinition/replaces")));
    out.push(ward.get(&format!("MeasureReport/{}/_history", text(&out[0], "/id"))).await);
    out
}

/// The names of the project's own extensions.
fn own_extensions(value: &Value, out: &mut BTreeSet<String>) {
    match value {
        Value::Object(members) => {
            let url = members.get("url").and_then(Value::as_str).unwrap_or_default();
            if let Some(name) = url.strip_prefix("https://terce.example/fhir/StructureDefinition/")
                && value["resourceType"].is_null()
            {
                out.insert(name.to_owned());
            }
            members.values().for_each(|member| own_extensions(member, out));
        }
        Value::Array(items) => items.iter().for_each(|item| own_extensions(item, out)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

fn judged(folders: &[PathBuf]) {
    let validate = Command::new("tests/outside/validate/run").args(folders).output().unwrap();
    let said =
        String::from_utf8_lossy(&validate.stdout).into_owned() + &String::from_utf8_lossy(&validate.stderr);
    assert!(validate.status.success(), "{said}");
}

#[tokio::test]
async fn foreign_validators_find_no_fault_in_any_answer_or_any_status_of_a_task() {
    let all = [tasks().await, answers().await].concat();
    let types: BTreeSet<&str> = all.iter().map(|r| text(r, "/resourceType")).collect();
    let given_out = [
        "AuditEvent",
        "Bundle",
        "CapabilityStatement",
        "CodeSystem",
        "Composition",
        "ConceptMap",
        "DetectedIssue",
        "Library",
        "Measure",
        "MeasureReport",
        "OperationDefinition",
        "OperationOutcome",
        "Parameters",
        "Patient",
        "PlanDefinition",
        "SearchParameter",
        "StructureDefinition",
        "Subscription",
        "Task",
        "ValueSet",
    ];
    // what the service writes or brings with it
    let own = KINDS.iter().filter(|kind| kind.origin != Origin::Feed).map(|kind| kind.name);
    let own = own.chain(shipped::ALL.iter().map(|definition| definition.kind));
    assert!(own.into_iter().all(|kind| given_out.contains(&kind)));
    assert_eq!(types.into_iter().collect::<Vec<_>>(), given_out);
    let bundles: BTreeSet<&str> =
        all.iter().filter(|r| r["resourceType"] == "Bundle").map(|r| text(r, "/type")).collect();
    assert_eq!(
        bundles.into_iter().collect::<Vec<_>>(),
        ["batch-response", "document", "history", "searchset", "transaction-response"]
    );
    let mut extensions = BTreeSet::new();
    all.iter().for_each(|resource| own_extensions(resource, &mut extensions));
    assert!(extensions.contains("said-status") && extensions.contains("basis"), "{extensions:?}");
    for name in extensions {
        assert!(shipped::document("StructureDefinition", &name).is_some(), "nothing defines {name}");
    }
    let lines: String = all.iter().map(|r| format!("{r}\n")).collect();
    judged(&[Ward::write("answers", &lines)]);
}

#[tokio::test]
async fn foreign_validators_find_no_fault_in_what_is_said() {
    let ward = Ward::with_patient().await;
    ward.care("c1", "oral-cleansing", "01:00").await;
    ward.until("05:40").await;
    ward.care("late", "oral-cleansing", "04:50").await;
    ward.until("09:20").await;
    ward.put(ward.procedure("x", "oral-cleansing", "not-done", "09:19")).await;
    ward.until("20:00").await;
    let first = ward.emit("minimal").await;
    let fixed = Ward::open("[site]\nprotocol = \"adult-fixed-times\"\n").await;
    fixed.admit().await;
    fixed.care("b", "tooth-brushing", "08:10").await;
    fixed.until("1:07:00").await;
    judged(&[first, fixed.emit("fixed").await]);
}
