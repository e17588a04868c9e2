//! What entries of a Bundle ask beside writing resources: parts of them changed, and all that can be read.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use terce::store::{Batch, OutcomeRow, Write};

use super::tasks::task;
use super::{FHIR, NOON_US, Reply, Service, identified, procedure, with};

const PATCH: (&str, &str) = ("content-type", "application/json-patch+json");

fn bundle(sort: &str, entries: Vec<Value>) -> Value {
    json!({ "resourceType": "Bundle", "type": sort, "entry": entries })
}

fn binary(patch: &Value) -> Value {
    json!({
        "resourceType": "Binary", "contentType": "application/json-patch+json",
        "data": STANDARD.encode(patch.to_string()),
    })
}

fn patch(url: &str, patch: &Value) -> Value {
    json!({ "resource": binary(patch), "request": { "method": "PATCH", "url": url } })
}

fn get(url: &str) -> Value {
    json!({ "request": { "method": "GET", "url": url } })
}

fn status(code: &str) -> Value {
    json!([{ "op": "replace", "path": "/status", "value": code }])
}

/// Status and code of each entry's answer.
fn verdicts(reply: &Value) -> Vec<(u16, String)> {
    let entries = reply["entry"].as_array().unwrap_or_else(|| panic!("{reply}"));
    let said = |e: &Value| {
        let response = &e["response"];
        let code = response["outcome"]["issue"][0]["code"].as_str().unwrap_or_default().to_owned();
        (response["status"].as_str().unwrap().parse().unwrap(), code)
    };
    entries.iter().map(said).collect()
}

async fn service() -> Service {
    let service = Service::new().await;
    let body = with(procedure(), with(identified("n1"), json!({ "id": "a" })));
    assert_eq!(service.put("/fhir/Procedure/a", &body).await.status, 201);
    service
}

#[tokio::test]
async fn an_entry_of_a_batch_can_patch() {
    let service = service().await;
    let by = "Procedure?identifier=urn:charting%7Cn1";
    let mut stale = patch("Procedure/a", &status("stopped"));
    stale["request"]["ifMatch"] = json!("W/\"7\"");
    let mut fhirpath = patch("Procedure/a", &json!([]));
    fhirpath["resource"] = json!({ "resourceType": "Parameters", "parameter": [{ "name": "operation" }] });
    let mut merge = patch("Procedure/a", &json!([]));
    merge["resource"]["contentType"] = json!("application/merge-patch+json");
    let mut garbled = patch("Procedure/a", &json!([]));
    garbled["resource"]["data"] = json!("a");
    let mut nothing = patch("Procedure/a", &json!([]));
    nothing.as_object_mut().unwrap().remove("resource");
    let entries = vec![
        patch("Procedure/a", &status("stopped")),
        patch(by, &status("not-done")),
        patch(by, &status("not-done")),
        patch("Procedure/none", &status("stopped")),
        patch("Procedure?identifier=none", &status("stopped")),
        patch("Procedure/a", &status("done")),
        stale,
        fhirpath,
        merge,
        garbled,
        nothing,
        patch("DetectedIssue/d", &status("final")),
    ];
    let reply = service.post("/fhir", &bundle("batch", entries)).await;
    fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
    let reply = reply.json();
    let said = |status, code: &str| (status, code.to_owned());
    assert_eq!(
        verdicts(&reply),
        [
            said(200, ""),
            said(200, ""),
            said(200, ""),
            said(404, "not-found"),
            said(404, "not-found"),
            said(400, "code-invalid"),
            said(412, "conflict"),
            said(422, "not-supported"),
            said(415, "not-supported"),
            said(400, "value"),
            said(400, "required"),
            said(405, "not-supported"),
        ],
        "{reply}"
    );
    let tag = |at: usize| reply["entry"][at]["response"]["etag"].as_str().unwrap();
    assert_eq!(
        [tag(0), tag(1), tag(2)],
        ["W/\"2\"", "W/\"3\"", "W/\"3\""],
        "what changes nothing is no version"
    );
    assert_eq!(service.get("/fhir/Procedure/a").await.json()["status"], "not-done");
}

#[tokio::test]
async fn a_transaction_patches_together_with_all_else_whatever_the_order() {
    let name = "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001";
    let encounter = json!({
        "resourceType": "Encounter", "status": "in-progress", "class": { "code": "IMP" },
        "subject": { "reference": "Patient/p1" },
    });
    let mut post = json!({ "resource": encounter, "request": { "method": "POST", "url": "Encounter" } });
    post["fullUrl"] = json!(name);
    let change = json!([
        { "op": "add", "path": "/encounter", "value": { "reference": name } },
        { "op": "replace", "path": "/status", "value": "stopped" },
    ]);
    let entries = [patch("Procedure/a", &change), post, get("Procedure/a")];
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0]] {
        let service = service().await;
        let entries = order.map(|n: usize| entries[n].clone()).to_vec();
        let reply = service.post("/fhir", &bundle("transaction", entries)).await.json();
        let answer = |n: usize| &reply["entry"][order.iter().position(|o| *o == n).unwrap()];
        assert_eq!(answer(0)["response"]["etag"], "W/\"2\"", "{reply}");
        assert_eq!(answer(1)["response"]["status"], "201");
        let read = &answer(2)["resource"];
        let id = answer(1)["response"]["location"].as_str().unwrap().split('/').nth(1).unwrap().to_owned();
        assert_eq!(read["encounter"]["reference"], format!("Encounter/{id}"), "reads come last");
        assert_eq!(read["status"], "stopped");
    }
}

#[tokio::test]
async fn a_patch_that_does_not_apply_takes_its_transaction_with_it() {
    let service = service().await;
    let other = with(procedure(), json!({ "id": "b" }));
    let put = json!({ "resource": other, "request": { "method": "PUT", "url": "Procedure/b" } });
    let mut stale = patch("Procedure/a", &status("stopped"));
    stale["request"]["ifMatch"] = json!("W/\"7\"");
    for (entry, answer) in [
        (patch("Procedure/a", &json!([{ "op": "remove", "path": "/outcome" }])), 422),
        (patch("Procedure/a", &status("done")), 400),
        (patch("Procedure/none", &status("stopped")), 404),
        (patch("Procedure?identifier=none", &status("stopped")), 404),
        (stale, 412),
    ] {
        let reply = service.post("/fhir", &bundle("transaction", vec![put.clone(), entry.clone()])).await;
        assert_eq!(reply.status, answer, "{entry}: {}", reply.text());
        let at = reply.json()["issue"][0]["expression"][0].as_str().unwrap().to_owned();
        assert!(at.starts_with("Bundle.entry[1]"), "{at}");
        assert_eq!(service.get("/fhir/Procedure/b").await.status, 404);
    }
    let twice =
        vec![patch("Procedure/a", &status("stopped")), patch("Procedure?identifier=n1", &status("stopped"))];
    assert_eq!(service.post("/fhir", &bundle("transaction", twice)).await.status, 400, "one resource twice");
    let same = vec![put, patch("Procedure/a", &status("completed"))];
    let reply = service.post("/fhir", &bundle("transaction", same)).await.json();
    assert_eq!(reply["entry"][1]["response"]["etag"], "W/\"1\"", "{reply}");
    assert_eq!(service.get("/fhir/Procedure/b").await.status, 200);
}

#[tokio::test]
async fn an_entry_can_ask_for_whatever_can_be_read() {
    let service = service().await;
    for sort in ["batch", "transaction"] {
        let urls = [
            "Procedure/a",
            "Procedure/a?_elements=status",
            "Procedure/a/_history/1",
            "Procedure/a/_history",
            "Procedure/_history?_count=1",
            "Procedure?patient=p1&_sort=-date&_include=Procedure:patient",
            "Procedure?_summary=count",
            "Measure/timeliness",
            "ConceptMap/$translate?system=http://snomed.info/sct&code=717778001",
            "metadata",
        ];
        let entries: Vec<Value> = urls.iter().map(|url| get(url)).collect();
        let reply = service.post("/fhir", &bundle(sort, entries)).await;
        fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
        let reply = reply.json();
        for (url, entry) in urls.iter().zip(reply["entry"].as_array().unwrap()) {
            assert_eq!(entry["response"]["status"], "200", "{url}: {entry}");
            let alone = service.get(&format!("/fhir/{url}")).await;
            assert_eq!(entry["resource"], alone.json(), "{url}");
            assert_eq!(entry["response"]["etag"].as_str().unwrap_or_default(), alone.header("etag"), "{url}");
        }
    }
}

#[tokio::test]
async fn an_entry_is_told_what_it_has_already_and_head_brings_no_resource() {
    let service = service().await;
    let with = |name: &str, value: &str| {
        let mut entry = get("Procedure/a");
        entry["request"][name] = json!(value);
        entry
    };
    let mut head = get("Procedure/a");
    head["request"]["method"] = json!("HEAD");
    let entries = vec![
        with("ifNoneMatch", "W/\"1\""),
        with("ifNoneMatch", "W/\"2\""),
        with("ifModifiedSince", "2026-03-01T12:00:00Z"),
        with("ifModifiedSince", "2026-03-01T11:59:59+00:00"),
        head,
    ];
    let header = [FHIR, ("if-none-match", "W/\"1\"")];
    let body = bundle("batch", [entries, vec![get("Procedure/a")]].concat());
    let reply = service.ask("POST", "/fhir", &header, body.to_string()).await;
    fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
    let reply = reply.json();
    let statuses: Vec<u16> = verdicts(&reply).into_iter().map(|(status, _)| status).collect();
    assert_eq!(
        statuses,
        [304, 200, 304, 200, 200, 200],
        "what is said of the Bundle is not said of its entries"
    );
    for (at, shown) in [false, true, false, true, false, true].into_iter().enumerate() {
        assert_eq!(reply["entry"][at]["resource"].is_object(), shown, "{at}");
        assert_eq!(reply["entry"][at]["response"]["etag"], "W/\"1\"");
        assert_eq!(reply["entry"][at]["response"]["lastModified"], "2026-03-01T12:00:00Z");
    }
}

#[tokio::test]
async fn what_is_no_address_of_this_service_is_refused_in_its_entry() {
    let service = service().await;
    for (url, answer) in [
        ("http://other.example/fhir/Procedure/a", 400),
        ("/Procedure/a", 400),
        ("Procedure//a", 400),
        ("Procedure/", 400),
        ("procedure", 400),
        ("%ff", 400),
        ("Questionnaire/a", 404),
        ("Procedure/a/b/c/d", 404),
        ("Procedure/a/$everything", 404),
        ("$nothing", 404),
        ("Procedure?_sort=colour", 400),
        ("Encounter/e/$explain?_format=text/plain", 404),
    ] {
        let reply = service.post("/fhir", &bundle("batch", vec![get(url)])).await;
        assert_eq!(verdicts(&reply.json())[0].0, answer, "{url}: {}", reply.text());
    }
}

const STATUSES: [&str; 12] = [
    "draft",
    "requested",
    "received",
    "accepted",
    "rejected",
    "ready",
    "cancelled",
    "in-progress",
    "on-hold",
    "failed",
    "completed",
    "entered-in-error",
];

#[tokio::test]
async fn a_patch_makes_of_a_task_what_a_replacement_makes_of_it() {
    let service = Service::new().await;
    let mut writes = Vec::new();
    let id = |way: &str, from: &str, to: &str| format!("{way}.{from}.{to}");
    for way in ["put", "patch", "batch", "transaction"] {
        for from in STATUSES {
            for to in STATUSES {
                writes.push(Write {
                    kind: "Task".into(),
                    id: Some(id(way, from, to)),
                    body: Some(with(task(), json!({ "status": from })).to_string().into_bytes()),
                    patient: Some("p1".to_owned()),
                    outcome: Some(OutcomeRow { status: Some(from.to_owned()), ..OutcomeRow::default() }),
                    ..Write::default()
                });
            }
        }
    }
    service.store.commit(Batch { now_us: NOON_US, writes, ..Batch::default() }).await.unwrap();
    let (mut made, mut refused) = (0, 0);
    for from in STATUSES {
        for to in STATUSES {
            let at = |way| format!("Task/{}", id(way, from, to));
            let code =
                |reply: &Reply| (reply.status, reply.json()["issue"][0]["code"].as_str().map(str::to_owned));
            let sent = with(task(), json!({ "id": id("put", from, to), "status": to }));
            let put = code(&service.put(&format!("/fhir/{}", at("put")), &sent).await);
            let plain = service
                .ask("PATCH", &format!("/fhir/{}", at("patch")), &[PATCH], status(to).to_string())
                .await;
            assert_eq!(code(&plain), put, "{from} to {to}");
            let entry = |way| bundle(way, vec![patch(&at(way), &status(to))]);
            let many = service.post("/fhir", &entry("batch")).await.json();
            assert_eq!(verdicts(&many)[0].0, put.0, "{from} to {to}: {many}");
            let all = service.post("/fhir", &entry("transaction")).await;
            assert_eq!(all.status, put.0, "{from} to {to}: {}", all.text());
            let mut read = Vec::new();
            for way in ["put", "patch", "batch", "transaction"] {
                read.push(service.get(&format!("/fhir/{}", at(way))).await.json()["status"].clone());
            }
            assert!(read.iter().all(|r| *r == read[0]), "{from} to {to}: {read:?}");
            *(if put.0 == 200 { &mut made } else { &mut refused }) += 1;
        }
    }
    assert!(made > 20 && refused > 20, "{made} made, {refused} refused");
}
