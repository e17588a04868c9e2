//! Many documents at once.

use serde_json::{Value, json};

use super::{FHIR, Service, identified, procedure, verdict, with};

fn bundle(sort: &str, entries: Vec<Value>) -> Value {
    json!({ "resourceType": "Bundle", "type": sort, "entry": entries })
}

fn post(resource: Value) -> Value {
    let kind = resource["resourceType"].clone();
    json!({ "resource": resource, "request": { "method": "POST", "url": kind } })
}

fn put(resource: Value) -> Value {
    let url = format!("{}/{}", resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
    json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
}

fn statuses(reply: &Value) -> Vec<String> {
    let entries = reply["entry"].as_array().cloned().unwrap_or_default();
    entries.iter().map(|e| e["response"]["status"].as_str().unwrap_or_default().to_owned()).collect()
}

fn named(id: &str) -> Value {
    with(procedure(), json!({ "id": id }))
}

#[tokio::test]
async fn each_entry_of_a_batch_stands_for_itself() {
    let service = Service::new().await;
    let reply = service
        .post(
            "/fhir",
            &bundle(
                "batch",
                vec![
                    post(procedure()),
                    put(named("a")),
                    post(with(procedure(), json!({ "status": "done" }))),
                    post(json!({ "resourceType": "Basic", "code": { "text": "x" } })),
                    json!({ "request": { "method": "GET", "url": "Procedure/none" } }),
                    json!({ "request": { "method": "DELETE", "url": "Procedure/none" } }),
                    json!({ "request": { "method": "POST", "url": "Procedure" } }),
                    json!({ "resource": procedure() }),
                    post(with(procedure(), json!({ "note": [] }))),
                    json!({ "request": { "method": "GET", "url": "Procedure?patient=p1" } }),
                ],
            ),
        )
        .await;
    assert_eq!(reply.status, 200);
    let answer = reply.json();
    assert_eq!(answer["type"], "batch-response");
    assert_eq!(
        statuses(&answer),
        ["201", "201", "400", "404", "404", "204", "400", "400", "400", "200"],
        "{answer}"
    );
    assert_eq!(answer["entry"][1]["response"]["location"], "Procedure/a/_history/1");
    assert_eq!(answer["entry"][1]["response"]["etag"], "W/\"1\"");
    let outcome = &answer["entry"][2]["response"]["outcome"]["issue"][0];
    assert_eq!(
        (&outcome["code"], &outcome["expression"][0]),
        (&json!("code-invalid"), &json!("Bundle.entry[2].resource.status"))
    );
    assert_eq!(answer["entry"][9]["resource"]["entry"].as_array().unwrap().len(), 2);
    fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
}

#[tokio::test]
async fn a_collection_is_read_like_a_file_of_resources() {
    let service = Service::new().await;
    let entries = vec![
        json!({ "resource": named("a") }),
        json!({ "resource": procedure() }),
        json!({ "resource": named("..") }),
    ];
    let reply = service.post("/fhir", &bundle("collection", entries.clone())).await.json();
    assert_eq!(
        (reply["type"].clone(), statuses(&reply)),
        (json!("batch-response"), vec!["201".into(), "201".into(), "400".to_owned()])
    );
    let again = service.post("/fhir", &bundle("collection", entries)).await.json();
    assert_eq!(statuses(&again), ["200", "201", "400"]);
    assert_eq!(again["entry"][0]["response"]["etag"], "W/\"1\"", "the same content makes no new version");
}

#[tokio::test]
async fn a_large_batch_is_answered_in_the_order_of_its_entries() {
    let service = Service::new().await;
    let entries = (0..1_000).map(|n| {
        if n % 100 == 7 { post(json!({"resourceType": "Procedure"})) } else { put(named(&format!("p{n}"))) }
    });
    let reply = service.post("/fhir", &bundle("batch", entries.collect())).await.json();
    for (n, entry) in reply["entry"].as_array().unwrap().iter().enumerate() {
        if n % 100 == 7 {
            let at = entry["response"]["outcome"]["issue"][0]["expression"][0].as_str().unwrap();
            assert!(at.starts_with(&format!("Bundle.entry[{n}].resource")), "{at}");
        } else {
            assert_eq!(entry["response"]["location"], format!("Procedure/p{n}/_history/1"));
        }
    }
}

#[tokio::test]
async fn conditions_in_a_batch_fail_alone() {
    let service = Service::new().await;
    service.put("/fhir/Procedure/a", &named("a")).await;
    let guarded = |tag: &str, status: &str| {
        let mut entry = put(with(named("a"), json!({ "status": status })));
        entry["request"]["ifMatch"] = json!(tag);
        entry
    };
    let mut once = post(with(procedure(), identified("n1")));
    once["request"]["ifNoneExist"] = json!("identifier=urn:charting|n1");
    let entries = vec![
        guarded("W/\"9\"", "stopped"),
        guarded("W/\"1\"", "on-hold"),
        put(named("b")),
        once.clone(),
        once,
        guarded("x", "stopped"),
    ];
    let reply = service.post("/fhir", &bundle("batch", entries)).await.json();
    let found = statuses(&reply);
    assert_eq!(
        (&found[0], &found[1], &found[2], &found[5]),
        (&"412".to_owned(), &"200".to_owned(), &"201".to_owned(), &"400".to_owned()),
        "{reply}"
    );
    let mut both = [found[3].clone(), found[4].clone()];
    both.sort();
    assert_eq!(both, ["200", "201"], "created once");
    assert_eq!(service.get("/fhir/Procedure/a").await.json()["status"], "on-hold");
}

#[tokio::test]
async fn prefer_brings_the_resources_back_with_a_bundle() {
    let service = Service::new().await;
    let headers = [FHIR, ("prefer", "return=representation")];
    for sort in ["batch", "transaction"] {
        let reply = service
            .ask("POST", "/fhir", &headers, bundle(sort, vec![post(procedure())]).to_string())
            .await
            .json();
        assert_eq!(reply["entry"][0]["resource"]["meta"]["versionId"], "1", "{reply}");
    }
}

#[tokio::test]
async fn a_transaction_writes_all_in_its_own_order_and_answers_in_that_of_the_bundle() {
    let service = Service::new().await;
    service.put("/fhir/Procedure/old", &named("old")).await;
    let encounter = json!({ "resourceType": "Encounter", "status": "in-progress", "class": { "code": "IMP" }, "subject": { "reference": "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001" } });
    let patient = json!({ "resourceType": "Patient", "identifier": [{ "system": "urn:mrn", "value": "1" }] });
    let about = with(
        procedure(),
        json!({ "subject": { "reference": "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001" }, "encounter": { "reference": "urn:uuid:0c2f1d1e-0000-4000-8000-000000000002" } }),
    );
    let full = |mut entry: Value, number: u32| {
        entry["fullUrl"] = json!(format!("urn:uuid:0c2f1d1e-0000-4000-8000-00000000000{number}"));
        entry
    };
    let reply = service
        .post(
            "/fhir",
            &bundle(
                "transaction",
                vec![
                    json!({ "request": { "method": "GET", "url": "Procedure/old" } }),
                    put(with(about, json!({ "id": "new" }))),
                    full(post(encounter), 2),
                    json!({ "request": { "method": "DELETE", "url": "Procedure/old" } }),
                    full(post(patient), 1),
                ],
            ),
        )
        .await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let answer = reply.json();
    assert_eq!(answer["type"], "transaction-response");
    assert_eq!(statuses(&answer), ["410", "201", "201", "204", "201"], "{answer}");
    let patient = answer["entry"][4]["response"]["location"]
        .as_str()
        .unwrap()
        .trim_end_matches("/_history/1")
        .to_owned();
    let encounter = answer["entry"][2]["response"]["location"]
        .as_str()
        .unwrap()
        .trim_end_matches("/_history/1")
        .to_owned();
    let new = service.get("/fhir/Procedure/new").await.json();
    assert_eq!(
        (&new["subject"]["reference"], &new["encounter"]["reference"]),
        (&json!(patient), &json!(encounter))
    );
    let id = patient.strip_prefix("Patient/").unwrap();
    assert_eq!(service.get(&format!("/fhir/Procedure?patient={id}")).await.json()["total"], 1);
}

#[tokio::test]
async fn one_bad_entry_of_a_transaction_keeps_out_all_and_is_named() {
    let service = Service::new().await;
    for (bad, expected, at) in [
        (
            post(with(procedure(), json!({ "status": "done" }))),
            verdict(400, "code-invalid"),
            "Bundle.entry[1].resource.status",
        ),
        (
            post(json!({ "resourceType": "Basic", "code": { "text": "x" } })),
            verdict(404, "not-supported"),
            "Bundle.entry[1]",
        ),
        (
            json!({ "request": { "method": "PUT", "url": "../admin" } }),
            verdict(400, "value"),
            "Bundle.entry[1].request.url",
        ),
        (
            json!({ "request": { "method": "PUT", "url": "http://other.example/Procedure/1" } }),
            verdict(400, "value"),
            "Bundle.entry[1].request.url",
        ),
        (
            json!({ "request": { "method": "PUT", "url": "Procedure/1?x=y" } }),
            verdict(400, "value"),
            "Bundle.entry[1].request.url",
        ),
        (
            json!({ "request": { "method": "PUT", "url": "/Procedure/1" } }),
            verdict(400, "value"),
            "Bundle.entry[1].request.url",
        ),
        (
            post(with(procedure(), json!({ "subject": { "reference": "Patient?identifier=urn:mrn|none" } }))),
            verdict(412, "not-found"),
            "Bundle.entry[1]",
        ),
        (
            post(with(
                procedure(),
                json!({ "modifierExtension": [{ "url": "urn:x", "valueBoolean": true }] }),
            )),
            verdict(422, "extension"),
            "Bundle.entry[1].resource",
        ),
        (
            json!({ "request": { "method": "PUT", "url": "Procedure/good" }, "resource": named("good") }),
            verdict(400, "invariant"),
            "Bundle.entry[1].request",
        ),
    ] {
        let reply = service.post("/fhir", &bundle("transaction", vec![put(named("good")), bad])).await;
        assert_eq!(reply.verdict(), expected, "{}", reply.text());
        let said = reply.json()["issue"][0]["expression"][0].as_str().unwrap().to_owned();
        assert!(said.starts_with(at), "{said} is not in {at}");
        assert_eq!(service.get("/fhir/Procedure/good").await.status, 404);
    }
    let twice = |mut entry: Value| {
        entry["fullUrl"] = json!("urn:uuid:0c2f1d1e-0000-4000-8000-000000000001");
        entry
    };
    let reply = service
        .post("/fhir", &bundle("transaction", vec![twice(post(procedure())), twice(post(procedure()))]))
        .await;
    assert_eq!(reply.verdict(), verdict(400, "invariant"));
    let mut stale = put(named("b"));
    stale["request"]["ifMatch"] = json!("W/\"4\"");
    let reply = service.post("/fhir", &bundle("transaction", vec![put(named("good")), stale])).await;
    assert_eq!(reply.verdict(), verdict(412, "conflict"));
    assert_eq!(reply.json()["issue"][0]["expression"][0], "Bundle.entry[1]");
}

#[tokio::test]
async fn conditions_of_a_transaction_are_resolved_before_anything_is_written() {
    let service = Service::new().await;
    let patient = |mrn: &str| json!({ "resourceType": "Patient", "identifier": [{ "system": "urn:mrn", "value": mrn }] });
    let there = service.post("/fhir/Patient", &patient("1")).await.id();
    let mut known = post(patient("1"));
    known["request"]["ifNoneExist"] = json!("Patient?identifier=urn:mrn|1");
    known["fullUrl"] = json!("urn:uuid:0c2f1d1e-0000-4000-8000-000000000001");
    let by_name = with(
        named("a"),
        json!({ "subject": { "reference": "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001" } }),
    );
    let by_condition =
        with(named("b"), json!({ "subject": { "reference": "Patient?identifier=urn:mrn|1" } }));
    let reply =
        service.post("/fhir", &bundle("transaction", vec![known, put(by_name), put(by_condition)])).await;
    assert_eq!(statuses(&reply.json()), ["200", "201", "201"], "{}", reply.text());
    for id in ["a", "b"] {
        let read = service.get(&format!("/fhir/Procedure/{id}")).await.json();
        assert_eq!(read["subject"]["reference"], format!("Patient/{there}"));
    }
    service.post("/fhir/Patient", &patient("1")).await;
    let ambiguous = with(named("c"), json!({ "subject": { "reference": "Patient?identifier=urn:mrn|1" } }));
    let reply = service.post("/fhir", &bundle("transaction", vec![put(ambiguous)])).await;
    assert_eq!(reply.verdict(), verdict(412, "multiple-matches"));
}

#[tokio::test]
async fn a_rewritten_reference_leaves_every_other_byte() {
    let service = Service::new().await;
    let text = r#"{"resourceType":"Bundle","type":"transaction","entry":[
      {"fullUrl":"urn:uuid:0c2f1d1e-0000-4000-8000-000000000001","resource":{"resourceType":"Patient"},"request":{"method":"POST","url":"Patient"}},
      {"resource":{"resourceType":"Observation","id":"o", "status" : "final","code":{"text":"urn:uuid:0c2f1d1e-0000-4000-8000-000000000001"},"valueQuantity":{"value":1.50},
        "subject":{"reference" : "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001"  },"effectiveDateTime":"2026-01-01"},"request":{"method":"PUT","url":"Observation/o"}}]}"#;
    let reply = service.ask("POST", "/fhir", &[FHIR], text).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let read = service.get("/fhir/Observation/o").await.text();
    assert!(read.contains(r#""status" : "final","code":{"text":"urn:uuid:0c2f1d1e-0000-4000-8000-000000000001"},"valueQuantity":{"value":1.50},"#), "{read}");
    assert!(read.contains(r#""subject":{"reference" : "Patient/"#), "{read}");
}

#[tokio::test]
async fn bundles_that_are_none_are_refused_as_a_whole() {
    let service = Service::new().await;
    let good = r#"{"resourceType":"Procedure","status":"completed","subject":{"reference":"Patient/p1"}}"#;
    let entry = format!(r#"{{"resource":{good},"request":{{"method":"POST","url":"Procedure"}}}}"#);
    for (text, expected) in [
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{entry}"#), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{entry},]}}"#), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{entry}]}}x"#), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{entry}],"entry":[{entry}]}}"#), verdict(400, "structure")),
        (r#"{"resourceType":"Bundle","type":"batch","entry":[]}"#.to_owned(), verdict(400, "structure")),
        (r#"{"resourceType":"Bundle","type":"batch","entry":[5]}"#.to_owned(), verdict(400, "structure")),
        (r#"{"resourceType":"Bundle","type":"batch","entry":[{"resource":null,"request":{"method":"POST","url":"Procedure"}}]}"#.to_owned(), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{{"resource":{good},"resource":{good},"request":{{"method":"POST","url":"Procedure"}}}}]}}"#), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{{"resource":{good},"r\u0065source":{good},"request":{{"method":"POST","url":"Procedure"}}}}]}}"#), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{{"resource":{good},"request":["POST","Procedure"]}}]}}"#), verdict(400, "structure")),
        (format!(r#"{{"resourceType":"Bundle","type":"heap","entry":[{entry}]}}"#), verdict(400, "code-invalid")),
        (format!(r#"{{"resourceType":"Bundle","entry":[{entry}]}}"#), verdict(400, "required")),
        (format!(r#"{{"resourceType":"Bundle","type":"searchset","entry":[{entry}]}}"#), verdict(422, "not-supported")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","implicitRules":"urn:x","entry":[{entry}]}}"#), verdict(422, "not-supported")),
        (format!(r#"{{"resourceType":"Bundle","type":"batch","modifierExtension":[{{"url":"urn:x","valueBoolean":true}}],"entry":[{entry}]}}"#), verdict(422, "extension")),
        (good.to_owned(), verdict(400, "structure")),
    ] {
        let reply = service.ask("POST", "/fhir", &[FHIR], text.clone()).await;
        assert_eq!(reply.verdict(), expected, "{text}: {}", reply.text());
    }
    assert_eq!(service.store.counts().await.unwrap().documents.len(), 0, "nothing was stored");
    let many =
        format!(r#"{{"resourceType":"Bundle","type":"batch","entry":[{}]}}"#, vec!["{}"; 100_000].join(","));
    assert_eq!(service.ask("POST", "/fhir", &[FHIR], many).await.verdict(), verdict(413, "too-costly"));
    let empty = service.ask("POST", "/fhir", &[FHIR], r#"{"resourceType":"Bundle","type":"batch"}"#).await;
    assert_eq!((empty.status, empty.json()["type"].clone()), (200, json!("batch-response")));
}

#[tokio::test]
async fn what_is_wrong_within_one_resource_keeps_out_no_other() {
    let service = Service::new().await;
    for wrong in [
        r#"{"resourceType":"Procedure","status":"completed","status":"stopped","subject":{"reference":"Patient/p1"}}"#,
        r#"{"resourceType":"Procedure","status":"completed","note":null,"subject":{"reference":"Patient/p1"}}"#,
        r#"{"resourceType":"Procedure","status":"\ud800","subject":{"reference":"Patient/p1"}}"#,
        r#"{"resourceType":"Procedure","status":01,"subject":{"reference":"Patient/p1"}}"#,
        r#"{}"#,
    ] {
        let text = format!(
            r#"{{"resourceType":"Bundle","type":"batch","entry":[{{"resource":{wrong},"request":{{"method":"POST","url":"Procedure"}}}},{{"resource":{},"request":{{"method":"POST","url":"Procedure"}}}}]}}"#,
            procedure()
        );
        let reply = service.ask("POST", "/fhir", &[FHIR], text).await;
        assert_eq!(statuses(&reply.json()), ["400", "201"], "{wrong}: {}", reply.text());
    }
}
