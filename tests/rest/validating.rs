//! `$validate`: what a write would meet, and nothing is written.

use serde_json::{Value, json};

use super::{Service, procedure, verdict, with, without};

/// Severity, code and expression of each issue.
fn issues(outcome: &Value) -> Vec<(String, String, String)> {
    let text = |issue: &Value, path: &str| {
        issue.pointer(path).and_then(Value::as_str).unwrap_or_default().to_owned()
    };
    let all = outcome["issue"].as_array().unwrap().iter();
    all.map(|i| (text(i, "/severity"), text(i, "/code"), text(i, "/expression/0"))).collect()
}

async fn admitted() -> Service {
    let service = Service::new().await;
    service.put("/fhir/Patient/p1", &json!({ "resourceType": "Patient", "id": "p1" })).await;
    let encounter = json!({
        "resourceType": "Encounter", "id": "e1", "status": "in-progress", "class": { "code": "IMP" },
        "subject": { "reference": "Patient/p1" }, "period": { "start": "2026-03-01T00:00:00Z" },
    });
    service.put("/fhir/Encounter/e1", &encounter).await;
    service
}

#[tokio::test]
async fn a_document_that_would_be_counted_is_said_to_be_well_and_is_not_written() {
    let service = admitted().await;
    let inside = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "resource", "resource": procedure() }, { "name": "mode", "valueCode": "create" },
        { "name": "profile", "valueUri": "http://hl7.org/fhir/StructureDefinition/Procedure" },
    ] });
    for body in [procedure(), inside] {
        let reply = service.post("/fhir/Procedure/$validate", &body).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        let outcome: fhir_models::OperationOutcome = fhir_models::parse(&reply.body).unwrap();
        assert_eq!(fhir_models::validate(&outcome, &reply.body), []);
        assert!(
            issues(&reply.json()).iter().all(|(severity, ..)| severity == "information"),
            "{}",
            reply.text()
        );
        assert!(
            reply.text().contains("all well") && reply.text().contains("oral-cleansing"),
            "{}",
            reply.text()
        );
    }
    assert_eq!(service.get("/fhir/Procedure").await.json()["total"], 0);
}

#[tokio::test]
async fn what_a_write_would_refuse_is_said_in_the_same_words() {
    let service = admitted().await;
    let extended = json!([{ "url": "http://x.example/y", "valueBoolean": true }]);
    let bad = [
        without(procedure(), "status"),
        without(procedure(), "subject"),
        with(procedure(), json!({ "status": "done" })),
        with(procedure(), json!({ "performedDateTime": "2026-02-30" })),
        with(procedure(), json!({ "performedDateTime": "2026-03-01T08:00" })),
        with(
            procedure(),
            json!({ "performedPeriod": { "start": "2026-03-02T08:00:00Z", "end": "2026-03-01T08:00:00Z" } }),
        ),
        with(procedure(), json!({ "modifierExtension": extended })),
        with(procedure(), json!({ "subject": { "reference": "Device/1" } })),
        with(procedure(), json!({ "resourceType": "Observation" })),
        json!({ "resourceType": "Procedure", "status": [] }),
    ];
    for document in bad {
        let written = service.post("/fhir/Procedure", &document).await;
        assert!(matches!(written.status, 400 | 422), "{}", written.text());
        let looked_at = service.post("/fhir/Procedure/$validate", &document).await;
        assert_eq!((looked_at.status, looked_at.json()), (200, written.json()));
    }
    let plan = json!({ "resourceType": "PlanDefinition", "status": "active", "action": [{ "id": "a" }] });
    let written = service.post("/fhir/PlanDefinition", &plan).await;
    assert_eq!(written.verdict(), verdict(422, "business-rule"));
    assert_eq!(service.post("/fhir/PlanDefinition/$validate", &plan).await.json(), written.json());
}

#[tokio::test]
async fn what_would_be_kept_and_not_counted_is_warned_of() {
    let service = admitted().await;
    let own = |code: &str| json!({ "coding": [{ "system": "https://terce.example/fhir/CodeSystem/activity", "code": code }] });
    for (document, severity, at, word) in [
        (
            with(procedure(), json!({ "performedDateTime": "2026-03-01" })),
            "warning",
            "Procedure",
            "only its day",
        ),
        (
            with(procedure(), json!({ "performedDateTime": "2026-03" })),
            "warning",
            "Procedure",
            "year or the month",
        ),
        (
            with(procedure(), json!({ "performedDateTime": "2026-03-02T08:00:00Z" })),
            "warning",
            "Procedure",
            "future",
        ),
        (with(procedure(), json!({ "status": "unknown" })), "warning", "Procedure", "not known"),
        (with(procedure(), json!({ "status": "not-done" })), "warning", "Procedure", "reason"),
        (without(procedure(), "encounter"), "information", "Procedure.encounter", "no encounter"),
        (
            with(procedure(), json!({ "encounter": { "reference": "Encounter/none" } })),
            "warning",
            "Procedure.encounter",
            "not arrived",
        ),
        (
            with(procedure(), json!({ "code": own("oral-cleaning") })),
            "information",
            "Procedure.code.coding[0]",
            "no map",
        ),
        (
            with(procedure(), json!({ "code": { "text": "mouth care" } })),
            "warning",
            "Procedure",
            "text and display",
        ),
    ] {
        let reply = service.post("/fhir/Procedure/$validate", &document).await;
        let found = reply.json()["issue"].as_array().unwrap().iter().any(|i| {
            i["severity"] == severity
                && i["expression"][0] == at
                && i["diagnostics"].as_str().unwrap().contains(word)
        });
        assert!(reply.status == 200 && found, "{word}: {}", reply.text());
        assert_eq!(service.post("/fhir/Procedure", &document).await.status, 201, "{word}: it is let in");
    }
    let map = json!({ "resourceType": "ConceptMap", "status": "active", "group": [{
        "source": "https://record.example", "target": "https://terce.example/fhir/CodeSystem/activity",
        "element": [{ "code": "A", "target": [{ "code": "mouth-care", "equivalence": "equal" }] }] }] });
    let reply = service.post("/fhir/ConceptMap/$validate", &map).await.json();
    assert_eq!(issues(&reply)[0].2, "ConceptMap.group[0].element[0].target[0].code", "{reply}");
}

#[tokio::test]
async fn a_stored_one_a_deletion_and_a_task_can_be_looked_at() {
    let service = admitted().await;
    let stored = service.get("/fhir/Patient/p1/$validate").await;
    assert_eq!(
        (stored.status, issues(&stored.json())[0].0.as_str()),
        (200, "information"),
        "{}",
        stored.text()
    );
    for (path, said) in [("p1", "all well"), ("none", "changes nothing")] {
        let reply = service.get(&format!("/fhir/Patient/{path}/$validate?mode=delete")).await;
        assert!(reply.status == 200 && reply.text().contains(said), "{}", reply.text());
    }
    let other = json!({ "resourceType": "Patient", "id": "p2" });
    let reply = service.post("/fhir/Patient/p1/$validate", &other).await.json();
    assert_eq!(issues(&reply), [("error".to_owned(), "invariant".to_owned(), "Patient.id".to_owned())]);
    let service = super::tasks::service().await;
    let task = super::tasks::task();
    for (status, severity) in [("accepted", "information"), ("failed", "error")] {
        let sent = with(task.clone(), json!({ "id": "t1", "status": status }));
        let reply = service.post("/fhir/Task/t1/$validate", &sent).await;
        assert_eq!((reply.status, issues(&reply.json())[0].0.as_str()), (200, severity), "{}", reply.text());
    }
    assert_eq!(service.get("/fhir/Task/t1").await.json()["status"], "requested", "nothing was written");
}

#[tokio::test]
async fn what_cannot_be_looked_at_is_refused() {
    let service = admitted().await;
    let wrapped = |name: &str, value: &str| {
        json!({ "resourceType": "Parameters", "parameter": [
            { "name": "resource", "resource": procedure() }, { "name": name, "valueString": value } ] })
    };
    for (body, expected) in [
        (wrapped("profile", "http://other.example/profile"), verdict(400, "not-supported")),
        (wrapped("mode", "destroy"), verdict(400, "value")),
        (wrapped("colour", "red"), verdict(400, "not-supported")),
        (json!({ "resourceType": "Parameters" }), verdict(400, "required")),
        (json!([]), verdict(400, "structure")),
    ] {
        assert_eq!(service.post("/fhir/Procedure/$validate", &body).await.verdict(), expected, "{body}");
    }
    assert_eq!(service.get("/fhir/Procedure/none/$validate").await.verdict(), verdict(404, "not-found"));
    assert_eq!(service.get("/fhir/DetectedIssue/$validate").await.verdict(), verdict(404, "not-found"));
    assert_eq!(
        service.put("/fhir/Procedure/$validate", &procedure()).await.verdict(),
        verdict(405, "not-supported")
    );
}
