//! What a person may say on a Task.

use serde_json::{Value, json};
use terce::store::{Batch, OutcomeRow, Write};

use super::{FHIR, NOON_US, Service, verdict, with};

pub(super) fn task() -> Value {
    json!({
        "resourceType": "Task",
        "status": "requested",
        "intent": "order",
        "description": "ours",
        "for": { "reference": "Patient/p1" },
        "encounter": { "reference": "Encounter/e1" },
        "identifier": [{ "system": "https://terce.example/fhir/sid/task", "value": "e1|1" }],
    })
}

pub(super) async fn service() -> Service {
    let service = Service::new().await;
    let write = Write {
        kind: "Task".into(),
        id: Some("t1".to_owned()),
        body: Some(task().to_string().into_bytes()),
        patient: Some("p1".to_owned()),
        encounter: Some("e1".to_owned()),
        outcome: Some(OutcomeRow {
            status: Some("requested".to_owned()),
            open: true,
            ..OutcomeRow::default()
        }),
        ..Write::default()
    };
    service.store.commit(Batch { now_us: NOON_US, writes: vec![write], ..Batch::default() }).await.unwrap();
    service
}

#[tokio::test]
async fn a_person_takes_a_task_and_everything_else_stays_ours() {
    let service = service().await;
    let taken = with(
        task(),
        json!({
            "id": "t1", "status": "in-progress", "description": "theirs", "owner": { "reference": "Practitioner/n1" },
            "note": [{ "text": "on my way" }],
        }),
    );
    let reply = service.put("/fhir/Task/t1", &taken).await;
    assert_eq!((reply.status, reply.header("etag")), (200, "W/\"2\""), "{}", reply.text());
    assert_eq!(reply.json()["description"], "ours");
    let read = service.get("/fhir/Task/t1").await.json();
    assert_eq!(
        (&read["status"], &read["owner"]["reference"]),
        (&json!("in-progress"), &json!("Practitioner/n1"))
    );
    let found = service.get("/fhir/Task?status=in-progress&owner=Practitioner/n1").await.json();
    assert_eq!(found["total"], 1, "{found}");
    assert_eq!(service.get("/fhir/Task?status=requested").await.json()["total"], 0);
    let subject = service.store.subject("p1").await.unwrap().unwrap();
    assert!(subject.dirty_seq > subject.done_seq, "the patient is looked at again");
}

#[tokio::test]
async fn a_stale_version_an_unknown_task_and_a_task_that_is_over_are_refused() {
    let service = service().await;
    let taken = with(task(), json!({ "id": "t1", "status": "completed" }));
    let stale =
        service.ask("PUT", "/fhir/Task/t1", &[FHIR, ("if-match", "W/\"3\"")], taken.to_string()).await;
    assert_eq!(stale.verdict(), verdict(412, "conflict"));
    let unknown = service.put("/fhir/Task/t2", &with(task(), json!({ "id": "t2" }))).await;
    assert_eq!(unknown.verdict(), verdict(404, "not-found"));
    assert_eq!(service.put("/fhir/Task/t1", &taken).await.status, 200);
    let again = service.put("/fhir/Task/t1", &with(task(), json!({ "id": "t1" }))).await;
    assert_eq!(again.verdict(), verdict(422, "business-rule"));
}

#[tokio::test]
async fn a_task_is_taken_within_a_bundle_too() {
    for sort in ["batch", "transaction"] {
        let service = service().await;
        let taken = with(task(), json!({ "id": "t1", "status": "accepted" }));
        let request = json!({ "method": "PUT", "url": "Task/t1", "ifMatch": "W/\"1\"" });
        let bundle = json!({ "resourceType": "Bundle", "type": sort, "entry": [{ "resource": taken, "request": request }] });
        let reply = service.post("/fhir", &bundle).await;
        assert_eq!(reply.json()["entry"][0]["response"]["status"], "200", "{}", reply.text());
        assert_eq!(service.get("/fhir/Task/t1").await.json()["status"], "accepted");
    }
}

#[tokio::test]
async fn a_transaction_that_changes_a_task_is_put_into_what_the_service_writes_meanwhile() {
    for _ in 0..30 {
        let service = service().await;
        let taken = with(task(), json!({ "id": "t1", "status": "accepted" }));
        let request = json!({ "method": "PUT", "url": "Task/t1" });
        let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [{ "resource": taken, "request": request }] });
        let writes = async {
            for said in ["one", "two", "three"] {
                let write = Write {
                    kind: "Task".into(),
                    id: Some("t1".to_owned()),
                    body: Some(with(task(), json!({ "description": said })).to_string().into_bytes()),
                    patient: Some("p1".to_owned()),
                    ..Write::default()
                };
                service
                    .store
                    .commit(Batch { now_us: NOON_US, writes: vec![write], ..Batch::default() })
                    .await
                    .unwrap();
            }
        };
        let (reply, ()) = tokio::join!(service.post("/fhir", &bundle), writes);
        assert_eq!(reply.status, 200, "{}", reply.text());
    }
}
