//! `_summary`, `_elements` and `_pretty`.

use serde_json::{Value, json};

use super::{Service, of_mode, procedure, verdict, with};

async fn service() -> Service {
    let service = Service::new().await;
    let body = with(
        procedure(),
        json!({
            "id": "a",
            "meta": { "tag": [{ "system": "urn:t", "code": "kept" }] },
            "text": { "status": "generated", "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>" },
            "_status": { "id": "s1" },
            "performer": [{ "actor": { "display": "n" }, "onBehalfOf": { "display": "o" } }],
            "note": [{ "text": "y" }],
            "complication": [{ "text": "z" }],
        }),
    );
    assert_eq!(service.put("/fhir/Procedure/a", &body).await.status, 201);
    service
}

fn names(resource: &Value) -> Vec<&str> {
    resource.as_object().unwrap().keys().map(String::as_str).collect()
}

fn is_tagged(resource: &Value) -> bool {
    let tags = resource["meta"]["tag"].as_array().cloned().unwrap_or_default();
    assert_eq!(tags[0]["code"], "kept");
    tags.iter().any(|t| {
        t["code"] == "SUBSETTED" && t["system"] == "http://terminology.hl7.org/CodeSystem/v3-ObservationValue"
    })
}

#[tokio::test]
async fn a_part_of_a_resource_has_what_was_asked_and_what_is_mandatory_and_says_so() {
    let service = service().await;
    let always = ["_status", "id", "meta", "resourceType", "status", "subject"];
    let and = |more: &[&'static str]| {
        let mut all: Vec<&str> = always.iter().chain(more).copied().collect();
        all.sort_unstable();
        all
    };
    for (query, want) in [
        ("_elements=code", and(&["code"])),
        ("_elements=Procedure.code,Task.note,performed", and(&["code", "performedDateTime"])),
        ("_elements=nothing", and(&[])),
        ("_summary=text", and(&["text"])),
        ("_summary=true", and(&["code", "encounter", "performedDateTime", "performer"])),
        (
            "_summary=data",
            and(&["code", "complication", "encounter", "note", "performedDateTime", "performer"]),
        ),
    ] {
        let read = service.get(&format!("/fhir/Procedure/a?{query}")).await.json();
        assert_eq!(names(&read), want, "{query}");
        assert!(is_tagged(&read), "{query}");
        let old = service.get(&format!("/fhir/Procedure/a/_history/1?{query}")).await.json();
        assert_eq!(old, read);
        let found = service.get(&format!("/fhir/Procedure?_id=a&{query}")).await.json();
        assert_eq!(of_mode(&found, "match"), [read], "{query}");
    }
    let summary = service.get("/fhir/Procedure/a?_summary=true").await.json();
    assert_eq!(summary["performer"], json!([{ "actor": { "display": "n" } }]));
    let whole = service.get("/fhir/Procedure/a?_summary=false").await.json();
    assert!(!is_tagged(&whole) && whole["note"][0]["text"] == "y");
    for (query, code) in [
        ("_summary=some", "value"),
        ("_elements=a%20b", "value"),
        ("_elements=", "value"),
        ("_summary=true&_elements=code", "invariant"),
        ("_summary=text&_include=Procedure:patient", "invariant"),
    ] {
        let reply = service.get(&format!("/fhir/Procedure?{query}")).await;
        assert_eq!(reply.verdict(), verdict(400, code), "{query}");
    }
}

#[tokio::test]
async fn what_is_kept_keeps_its_bytes() {
    let service = Service::new().await;
    let odd = r#"{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"valueQuantity":{"value":0.10},"note":[{"text":"\u00b5"}]}"#;
    service.ask("PUT", "/fhir/Observation/o", &[super::FHIR], odd).await;
    let read = service.get("/fhir/Observation/o?_elements=value").await.text();
    assert!(read.contains(r#""valueQuantity":{"value":0.10}"#) && !read.contains("note"), "{read}");
}

#[tokio::test]
async fn an_answer_is_laid_out_for_people_if_they_ask() {
    let service = service().await;
    let plain = service.get("/fhir/Procedure/a").await;
    let pretty = service.get("/fhir/Procedure/a?_pretty=true").await;
    assert_eq!(pretty.json(), plain.json());
    assert!(
        pretty.text().starts_with("{\n  \"resourceType\": \"Procedure\",\n  \"id\": \"a\""),
        "{}",
        pretty.text()
    );
    let refused = service.get("/fhir/Procedure/none?_pretty=true").await;
    assert!(refused.text().contains("\n      \"severity\": \"error\""), "{}", refused.text());
    let found = service.get("/fhir/Procedure?_pretty=true&_id=none").await.text();
    assert!(found.contains("\n  \"total\": 0,"), "{found}");
}
