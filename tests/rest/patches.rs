//! JSON Patch.

use serde_json::{Value, json};
use terce::store::{Batch, OutcomeRow, Write};

use super::{FHIR, NOON_US, Reply, Service, identified, procedure, verdict, with};

const PATCH: (&str, &str) = ("content-type", "application/json-patch+json");

async fn patch(service: &Service, at: &str, patch: &Value) -> Reply {
    service.ask("PATCH", &format!("/fhir/{at}"), &[PATCH], patch.to_string()).await
}

async fn service() -> Service {
    let service = Service::new().await;
    let body = with(
        procedure(),
        with(identified("n1"), json!({ "id": "a", "note": [{ "text": "n5" }, { "text": "s" }] })),
    );
    assert_eq!(service.put("/fhir/Procedure/a", &body).await.status, 201);
    service
}

#[tokio::test]
async fn each_operation_does_what_rfc_6902_says() {
    let service = service().await;
    let reply = patch(
        &service,
        "Procedure/a",
        &json!([
            { "op": "test", "path": "/status", "value": "completed" },
            { "op": "test", "path": "/id", "value": "a" },
            { "op": "replace", "path": "/status", "value": "stopped" },
            { "op": "add", "path": "/note/-", "value": { "text": "new" } },
            { "op": "add", "path": "/note/0", "value": { "text": "first" } },
            { "op": "copy", "from": "/note/0", "path": "/note/-" },
            { "op": "move", "from": "/note/1", "path": "/note/-" },
            { "op": "remove", "path": "/encounter" },
        ]),
    )
    .await;
    assert_eq!((reply.status, reply.header("etag")), (200, "W/\"2\""), "{}", reply.text());
    let read = service.get("/fhir/Procedure/a").await.json();
    assert_eq!((&read["status"], &read["encounter"]), (&json!("stopped"), &Value::Null));
    let notes: Vec<&str> =
        read["note"].as_array().unwrap().iter().map(|n| n["text"].as_str().unwrap()).collect();
    assert_eq!(notes, ["first", "s", "new", "first", "n5"]);
    let same =
        patch(&service, "Procedure/a", &json!([{ "op": "replace", "path": "/status", "value": "stopped" }]))
            .await;
    assert_eq!((same.status, same.header("etag")), (200, "W/\"2\""), "what changes nothing makes no version");
    let subject = service.store.subject("p1").await.unwrap().unwrap();
    assert!(subject.dirty_seq > subject.done_seq, "the patient is looked at again");
}

#[tokio::test]
async fn numbers_keep_their_text() {
    let service = Service::new().await;
    let odd = r#"{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"valueQuantity":{"value":0.10,"unit":"n"}}"#;
    service.ask("PUT", "/fhir/Observation/o", &[FHIR], odd).await;
    let change = r#"[{"op":"add","path":"/referenceRange","value":[{"low":{"value":1.50},"high":{"value":12345678901234567.890}}]},
        {"op":"test","path":"/valueQuantity/value","value":0.10}]"#;
    let reply = service.ask("PATCH", "/fhir/Observation/o", &[PATCH], change).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let read = service.get("/fhir/Observation/o").await.text();
    for number in ["\"value\":0.10", "\"value\":1.50", "\"value\":12345678901234567.890", "\"unit\":\"n\""] {
        assert!(read.contains(number), "{read}");
    }
}

#[tokio::test]
async fn a_patch_that_does_not_apply_changes_nothing_and_says_why() {
    let service = service().await;
    for (change, answer) in [
        (json!([{ "op": "test", "path": "/status", "value": "stopped" }]), verdict(422, "processing")),
        (json!([{ "op": "replace", "path": "/outcome", "value": {} }]), verdict(422, "processing")),
        (json!([{ "op": "remove", "path": "/note/7" }]), verdict(422, "processing")),
        (json!([{ "op": "replace", "path": "/status", "value": "done" }]), verdict(400, "code-invalid")),
        (json!([{ "op": "remove", "path": "/subject" }]), verdict(400, "required")),
        (json!([{ "op": "replace", "path": "/id", "value": "b" }]), verdict(400, "invariant")),
        (json!([{ "op": "replace", "path": "", "value": [] }]), verdict(422, "processing")),
        (json!([{ "op": "replace", "path": "/status", "value": null }]), verdict(400, "structure")),
        (json!([{ "op": "swap", "path": "/status" }]), verdict(400, "structure")),
        (json!([{ "op": "remove", "path": "status" }]), verdict(400, "structure")),
        (json!({ "op": "remove", "path": "/note" }), verdict(400, "structure")),
        (json!(vec![json!({ "op": "remove", "path": "/note" }); 1_001]), verdict(400, "too-costly")),
    ] {
        let reply = patch(&service, "Procedure/a", &change).await;
        assert_eq!(reply.verdict(), answer, "{change}");
        assert!(reply.json()["issue"][0]["expression"].is_array(), "{}", reply.text());
    }
    assert_eq!(service.get("/fhir/Procedure/a").await.header("etag"), "W/\"1\"");
    for (at, answer) in
        [("Procedure/none", 404), ("Procedure?identifier=none", 404), ("DetectedIssue/x", 405)]
    {
        assert_eq!(patch(&service, at, &json!([])).await.status, answer, "{at}");
    }
    for media in ["application/fhir+json", "application/json", "application/xml-patch+xml"] {
        let reply = service.ask("PATCH", "/fhir/Procedure/a", &[("content-type", media)], "[]").await;
        assert_eq!(reply.verdict(), verdict(415, "not-supported"), "{media}");
    }
    service.delete("/fhir/Procedure/a").await;
    assert_eq!(patch(&service, "Procedure/a", &json!([])).await.status, 410);
}

#[tokio::test]
async fn a_patch_can_name_a_version_or_an_identifier() {
    let service = service().await;
    let change = json!([{ "op": "replace", "path": "/status", "value": "stopped" }]).to_string();
    let at = async |tag: &str| {
        service.ask("PATCH", "/fhir/Procedure/a", &[PATCH, ("if-match", tag)], change.clone()).await
    };
    assert_eq!(at("W/\"2\"").await.verdict(), verdict(412, "conflict"));
    assert_eq!(at("2").await.verdict(), verdict(400, "value"));
    assert_eq!(at("W/\"1\"").await.status, 200);
    let by = |value: &str| format!("Procedure?identifier=urn:charting%7C{value}");
    let back = json!([{ "op": "replace", "path": "/status", "value": "completed" }]);
    let reply = patch(&service, &by("n1"), &back).await;
    assert_eq!((reply.status, reply.header("etag")), (200, "W/\"3\""), "{}", reply.text());
    service.post("/fhir/Procedure", &with(procedure(), identified("n1"))).await;
    assert_eq!(patch(&service, &by("n1"), &back).await.verdict(), verdict(412, "multiple-matches"));
    assert_eq!(
        patch(&service, "Procedure?status=completed", &back).await.verdict(),
        verdict(400, "not-supported")
    );
}

#[tokio::test]
async fn patches_that_come_together_all_take_effect() {
    let service = service().await;
    let one = |n: usize| {
        let change = json!([{ "op": "add", "path": "/note/-", "value": { "text": format!("m{n}") } }]);
        let service = &service;
        async move { patch(service, "Procedure/a", &change).await.status }
    };
    let (a, b, c) = tokio::join!(one(1), one(2), one(3));
    assert_eq!((a, b, c), (200, 200, 200));
    let read = service.get("/fhir/Procedure/a").await.json();
    assert_eq!((read["note"].as_array().unwrap().len(), &read["meta"]["versionId"]), (5, &json!("4")));
}

#[tokio::test]
async fn of_a_task_only_what_is_a_persons_to_say_is_patched() {
    let service = Service::new().await;
    let task = json!({
        "resourceType": "Task", "status": "requested", "intent": "order", "description": "ours",
        "for": { "reference": "Patient/p1" },
    });
    let write = Write {
        kind: "Task".into(),
        id: Some("t1".to_owned()),
        body: Some(task.to_string().into_bytes()),
        patient: Some("p1".to_owned()),
        outcome: Some(OutcomeRow {
            status: Some("requested".to_owned()),
            open: true,
            ..OutcomeRow::default()
        }),
        ..Write::default()
    };
    service.store.commit(Batch { now_us: NOON_US, writes: vec![write], ..Batch::default() }).await.unwrap();
    let take = json!([
        { "op": "test", "path": "/description", "value": "ours" },
        { "op": "replace", "path": "/status", "value": "in-progress" },
        { "op": "add", "path": "/owner", "value": { "reference": "Practitioner/n1" } },
    ]);
    let reply = patch(&service, "Task/t1", &take).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let read = service.get("/fhir/Task?owner=n1&status=in-progress").await.json();
    assert_eq!(read["total"], 1);
    for path in ["/description", "/for", "/intent", "/restriction", "/id", ""] {
        let change = json!([{ "op": "add", "path": path, "value": "x" }]);
        let reply = patch(&service, "Task/t1", &change).await;
        assert_eq!(reply.verdict(), verdict(422, "business-rule"), "{path}");
    }
    let moved = json!([{ "op": "move", "from": "/description", "path": "/note" }]);
    assert_eq!(patch(&service, "Task/t1", &moved).await.verdict(), verdict(422, "business-rule"));
}
