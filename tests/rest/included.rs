//! `_include` and `_revinclude`.

use serde_json::{Value, json};
use terce::store::{Batch, OutcomeRow, Write};

use super::{NOON_US, Service, ids, of_mode, procedure, verdict, with};

/// A patient with a stay, two procedures, a task and an issue; and another patient.
async fn service() -> Service {
    let service = Service::new().await;
    let patient = |id: &str| json!({ "resourceType": "Patient", "id": id });
    let encounter = json!({
        "resourceType": "Encounter", "id": "e1", "status": "in-progress", "class": { "code": "IMP" },
        "subject": { "reference": "Patient/p1" },
        "location": [{ "location": { "reference": "Location/icu" } }],
    });
    for body in [patient("p1"), patient("p2"), encounter, json!({ "resourceType": "Location", "id": "icu" })]
    {
        let at = format!("/fhir/{}/{}", body["resourceType"].as_str().unwrap(), body["id"].as_str().unwrap());
        assert_eq!(service.put(&at, &body).await.status, 201, "{at}");
    }
    for id in ["a", "b"] {
        service.put(&format!("/fhir/Procedure/{id}"), &with(procedure(), json!({ "id": id }))).await;
    }
    let said = |kind: &'static str, id: &str, body: Value| Write {
        kind: kind.into(),
        id: Some(id.to_owned()),
        body: Some(body.to_string().into_bytes()),
        patient: Some("p1".to_owned()),
        encounter: Some("e1".to_owned()),
        outcome: Some(OutcomeRow { location: Some("icu".to_owned()), ..OutcomeRow::default() }),
        ..Write::default()
    };
    let task = json!({
        "resourceType": "Task", "status": "ready", "intent": "order", "for": { "reference": "Patient/p1" },
        "encounter": { "reference": "Encounter/e1" }, "focus": { "reference": "DetectedIssue/i1" },
        "location": { "reference": "Location/icu" },
    });
    let issue = json!({
        "resourceType": "DetectedIssue", "status": "preliminary", "patient": { "reference": "Patient/p1" },
        "implicated": [{ "reference": "Encounter/e1" }, { "reference": "http://ward.example/fhir/Procedure/a" }],
    });
    let writes = vec![said("Task", "t1", task), said("DetectedIssue", "i1", issue)];
    service.store.commit(Batch { now_us: NOON_US, writes, ..Batch::default() }).await.unwrap();
    service
}

fn included(bundle: &Value) -> Vec<String> {
    let name = |r: &Value| format!("{}/{}", r["resourceType"].as_str().unwrap(), r["id"].as_str().unwrap());
    let mut names: Vec<String> = of_mode(bundle, "include").iter().map(name).collect();
    names.sort();
    names
}

#[tokio::test]
async fn what_a_page_refers_to_and_what_refers_to_it_is_sent_along_once() {
    let service = service().await;
    for (query, found, more) in [
        ("Task?_include=Task:patient", vec!["t1"], vec!["Patient/p1"]),
        (
            "Task?_include=Task:patient&_include=Task:encounter&_include=Task:focus&_include=Task:location",
            vec!["t1"],
            vec!["DetectedIssue/i1", "Encounter/e1", "Location/icu", "Patient/p1"],
        ),
        ("Procedure?_include=Procedure:subject:Patient", vec!["a", "b"], vec!["Patient/p1"]),
        ("DetectedIssue?_include=DetectedIssue:implicated", vec!["i1"], vec!["Encounter/e1", "Procedure/a"]),
        ("DetectedIssue?_include=DetectedIssue:implicated:Procedure", vec!["i1"], vec!["Procedure/a"]),
        ("Patient?_revinclude=Task:patient", vec!["p1", "p2"], vec!["Task/t1"]),
        (
            "Patient?_id=p1&_revinclude=Procedure:patient&_revinclude=Procedure:subject&_revinclude=DetectedIssue:patient",
            vec!["p1"],
            vec!["DetectedIssue/i1", "Procedure/a", "Procedure/b"],
        ),
        ("Patient?_id=p2&_revinclude=Procedure:patient", vec!["p2"], vec![]),
        (
            "Encounter?_revinclude=Procedure:encounter&_include=Encounter:location",
            vec!["e1"],
            vec!["Location/icu", "Procedure/a", "Procedure/b"],
        ),
        ("DetectedIssue?_revinclude=Task:focus", vec!["i1"], vec!["Task/t1"]),
        ("Procedure?_revinclude=DetectedIssue:implicated", vec!["a", "b"], vec!["DetectedIssue/i1"]),
        ("Location?_revinclude=Task:location", vec!["icu"], vec!["Task/t1"]),
        ("Procedure?_id=none&_include=Procedure:patient", vec![], vec![]),
    ] {
        let reply = service.get(&format!("/fhir/{query}")).await;
        assert_eq!(reply.status, 200, "{query}: {}", reply.text());
        let bundle = reply.json();
        assert_eq!(ids(&bundle), found, "{query}");
        assert_eq!(included(&bundle), more, "{query}");
        assert_eq!(bundle["total"], found.len(), "what is included does not count: {query}");
        fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
    }
    service.delete("/fhir/Patient/p1").await;
    let gone = service.get("/fhir/Task?_include=Task:patient").await.json();
    assert_eq!(included(&gone), [""; 0]);
}

#[tokio::test]
async fn an_include_that_is_not_listed_is_refused() {
    let service = service().await;
    for query in [
        "Task?_include=*",
        "Task?_include=Task:*",
        "Task?_include=Task",
        "Task?_include=Task:status",
        "Task?_include=Task:nothing",
        "Task?_include=Task:patient:Group",
        "Task?_include=Task:patient:Patient:x",
        "Task?_include=Procedure:patient",
        "Task?_include=Task:owner:Practitioner",
        "Task?_include:iterate=Task:patient",
        "Patient?_revinclude:iterate=Task:patient",
        "Patient?_revinclude=Task:owner",
        "Patient?_revinclude=Task:encounter",
        "Procedure?_revinclude=Task:patient",
    ] {
        let reply = service.get(&format!("/fhir/{query}")).await;
        assert_eq!(reply.verdict(), verdict(400, "not-supported"), "{query}");
    }
}

#[tokio::test]
async fn definitions_are_sent_along_by_their_address_whoever_wrote_them() {
    let service = Service::new().await;
    let report = |id: &str, measure: &str| Write {
        kind: "MeasureReport".into(),
        id: Some(id.to_owned()),
        body: Some(
            json!({
                "resourceType": "MeasureReport", "status": "complete", "type": "summary", "measure": measure,
                "period": { "start": "2026-01-01", "end": "2026-01-31" },
            })
            .to_string()
            .into_bytes(),
        ),
        ..Write::default()
    };
    let task = Write {
        kind: "Task".into(),
        id: Some("t1".to_owned()),
        body: Some(
            with(super::tasks::task(), json!({ "basedOn": [{ "reference": "PlanDefinition/adult" }] }))
                .to_string()
                .into_bytes(),
        ),
        ..Write::default()
    };
    let shipped = service.get("/fhir/Measure/timeliness").await.json()["url"].as_str().unwrap().to_owned();
    let writes = vec![
        report("a", &shipped),
        report("b", "urn:hospital:ours|2"),
        report("c", "urn:hospital:nobodys"),
        task,
    ];
    service.store.commit(Batch { now_us: NOON_US, writes, ..Batch::default() }).await.unwrap();
    let ours = json!({ "resourceType": "Measure", "id": "ours", "status": "active", "url": "urn:hospital:ours", "name": "Ours" });
    assert_eq!(service.put("/fhir/Measure/ours", &ours).await.status, 201);
    for (query, more) in [
        ("MeasureReport?_include=MeasureReport:measure", vec!["Measure/ours", "Measure/timeliness"]),
        ("MeasureReport?_id=c&_include=MeasureReport:measure:Measure", vec![]),
        ("Task?_include=Task:based-on", vec!["PlanDefinition/adult"]),
    ] {
        let found = service.get(&format!("/fhir/{query}")).await.json();
        assert_eq!(included(&found), more, "{query}");
    }
    assert_eq!(ids(&service.get("/fhir/MeasureReport?measure.name=ours").await.json()), ["b"]);
    assert_eq!(ids(&service.get(&format!("/fhir/MeasureReport?measure={shipped}")).await.json()), ["a"]);
}
