//! One document at a time.

use serde_json::json;

use super::{FHIR, Service, identified, procedure, verdict, with};

#[tokio::test]
async fn a_create_ignores_the_clients_id_and_says_where_the_document_is() {
    let service = Service::new().await;
    let meta = json!({ "id": "mine", "meta": { "versionId": "7", "lastUpdated": "1999-01-01T00:00:00Z", "source": "urn:x" } });
    let reply = service.post("/fhir/Procedure", &with(procedure(), meta)).await;
    assert_eq!(reply.status, 201);
    let id = reply.id();
    assert_ne!(id, "mine");
    assert_eq!(reply.header("location"), format!("http://ward.example/fhir/Procedure/{id}/_history/1"));
    assert_eq!(reply.header("etag"), "W/\"1\"");
    assert_eq!(reply.header("last-modified"), "Sun, 01 Mar 2026 12:00:00 GMT");
    assert_eq!(reply.json()["meta"]["versionId"], "1");
    assert_eq!(reply.json()["meta"]["source"], "urn:x");
    assert_eq!(service.get("/fhir/Procedure/mine").await.verdict(), verdict(404, "not-found"));
}

#[tokio::test]
async fn a_read_gives_back_the_bytes_that_were_sent_but_for_id_and_meta() {
    let service = Service::new().await;
    let odd = r#"{ "resourceType" : "Observation","id":"o1", "status":"final", "code":{"text":"x"},
        "valueQuantity":{"value":0.10,  "unit":"\u00b5l"}, "subject":{"reference":"Patient/p1"} , "effectiveDateTime":"2026" }"#;
    assert_eq!(service.ask("PUT", "/fhir/Observation/o1", &[FHIR], odd).await.status, 201);
    let read = service.get("/fhir/Observation/o1").await.text();
    let kept = odd.split_once("\"id\":\"o1\", ").unwrap().1.trim_end_matches(" }");
    assert!(read.contains(kept), "{read}");
}

#[tokio::test]
async fn an_update_needs_the_id_of_its_address_and_makes_versions() {
    let service = Service::new().await;
    let at = "/fhir/Procedure/a";
    assert_eq!(service.put(at, &procedure()).await.verdict(), verdict(400, "required"));
    assert_eq!(
        service.put(at, &with(procedure(), json!({"id": "b"}))).await.verdict(),
        verdict(400, "invariant")
    );
    let mine = with(procedure(), json!({"id": "a"}));
    assert_eq!(service.put(at, &mine).await.status, 201);
    let same = service.put(at, &mine).await;
    assert_eq!((same.status, same.header("etag")), (200, "W/\"1\""));
    let other = with(mine.clone(), json!({"status": "stopped"}));
    let second = service.put(at, &other).await;
    assert_eq!((second.status, second.header("etag")), (200, "W/\"2\""));
    assert_eq!(service.get("/fhir/Procedure/a/_history/1").await.json()["status"], "completed");
    assert_eq!(service.get("/fhir/Procedure/a/_history/2").await.json()["status"], "stopped");
    for missing in ["3", "0", "01", "x", "-1"] {
        assert_eq!(service.get(&format!("{at}/_history/{missing}")).await.status, 404);
    }
    let history = service.get("/fhir/Procedure/a/_history?_count=1").await.json();
    assert_eq!(history["entry"][0]["resource"]["meta"]["versionId"], "2");
    let next = history["link"][1]["url"].as_str().unwrap().replace("http://ward.example", "");
    assert_eq!(service.get(&next).await.json()["entry"][0]["resource"]["meta"]["versionId"], "1");
}

#[tokio::test]
async fn if_match_guards_an_update() {
    let service = Service::new().await;
    let at = "/fhir/Procedure/a";
    let mine = with(procedure(), json!({"id": "a"}));
    let guarded =
        async |tag: &str, body: String| service.ask("PUT", at, &[FHIR, ("if-match", tag)], body).await;
    assert_eq!(guarded("W/\"1\"", mine.to_string()).await.verdict(), verdict(412, "conflict"));
    assert_eq!(service.put(at, &mine).await.status, 201);
    for malformed in ["1", "W/1", "\"\"", "*", "W/\"x\"", "W/\"1\", W/\"2\"", "\"01\""] {
        assert_eq!(
            guarded(malformed, mine.to_string()).await.verdict(),
            verdict(400, "value"),
            "{malformed}"
        );
    }
    let other = with(mine.clone(), json!({"status": "stopped"})).to_string();
    assert_eq!(guarded("W/\"1\"", other.clone()).await.status, 200);
    assert_eq!(guarded("W/\"1\"", mine.to_string()).await.verdict(), verdict(412, "conflict"));
    assert_eq!(guarded("\"2\"", mine.to_string()).await.status, 200);
}

#[tokio::test]
async fn what_was_deleted_is_gone_and_can_come_back() {
    let service = Service::new().await;
    let at = "/fhir/Procedure/a";
    assert_eq!(service.delete(at).await.status, 204);
    assert_eq!(service.get(at).await.status, 404);
    let mine = with(procedure(), json!({"id": "a"}));
    service.put(at, &mine).await;
    let deleted = service.delete(at).await;
    assert_eq!((deleted.status, deleted.header("etag")), (204, "W/\"2\""));
    assert_eq!(service.get(at).await.verdict(), verdict(410, "deleted"));
    assert_eq!(service.get(&format!("{at}/_history/2")).await.verdict(), verdict(410, "deleted"));
    assert_eq!(service.get(&format!("{at}/_history/1")).await.status, 200);
    let again = service.put(at, &mine).await;
    assert_eq!((again.status, again.header("etag")), (201, "W/\"3\""));
}

#[tokio::test]
async fn prefer_says_what_comes_back() {
    let service = Service::new().await;
    let prefer = async |what: &str| {
        service.ask("POST", "/fhir/Procedure", &[FHIR, ("prefer", what)], procedure().to_string()).await
    };
    let minimal = prefer("return=minimal").await;
    assert_eq!((minimal.status, minimal.body.len(), minimal.header("content-type")), (201, 0, ""));
    assert_eq!(prefer("return=OperationOutcome").await.json()["resourceType"], "OperationOutcome");
    assert_eq!(prefer("return=representation").await.json()["resourceType"], "Procedure");
}

#[tokio::test]
async fn a_conditional_create_creates_once_however_many_send_it_at_once() {
    let service = Service::new().await;
    let create = async || {
        let condition = ("if-none-exist", "identifier=urn:charting|n1");
        let body = with(procedure(), identified("n1")).to_string();
        service.ask("POST", "/fhir/Procedure", &[FHIR, condition], body).await
    };
    let replies =
        futures(vec![create(), create(), create(), create(), create(), create(), create(), create()]).await;
    let created = replies.iter().filter(|r| r.status == 201).count();
    assert_eq!(created, 1);
    let ids: std::collections::BTreeSet<String> = replies.iter().map(super::Reply::id).collect();
    assert_eq!(ids.len(), 1, "all were told of the same document");
    service.post("/fhir/Procedure", &with(procedure(), identified("n1"))).await;
    assert_eq!(create().await.verdict(), verdict(412, "multiple-matches"));
    for criteria in ["status=completed", "identifier=", "identifier=a|b&identifier=c|d", "x"] {
        let sent = [FHIR, ("if-none-exist", criteria)];
        let reply = service.ask("POST", "/fhir/Procedure", &sent, procedure().to_string()).await;
        assert_eq!(reply.status, 400, "{criteria}");
    }
}

/// Runs all at once.
async fn futures<F: Future>(futures: Vec<F>) -> Vec<F::Output> {
    let mut running: Vec<_> = futures.into_iter().map(Box::pin).collect();
    let mut done: Vec<Option<F::Output>> = running.iter().map(|_| None).collect();
    std::future::poll_fn(|cx| {
        for (future, done) in running.iter_mut().zip(done.iter_mut()).filter(|(_, d)| d.is_none()) {
            if let std::task::Poll::Ready(output) = future.as_mut().poll(cx) {
                *done = Some(output);
            }
        }
        if done.iter().all(Option::is_some) { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
    })
    .await;
    done.into_iter().flatten().collect()
}

#[tokio::test]
async fn a_conditional_update_finds_the_document_by_its_identifier() {
    let service = Service::new().await;
    let at = "/fhir/Procedure?identifier=urn:charting%7Cn1";
    let first = service.put(at, &with(procedure(), identified("n1"))).await;
    assert_eq!(first.status, 201);
    let stopped = with(with(procedure(), identified("n1")), json!({"status": "stopped"}));
    let second = service.put(at, &stopped).await;
    assert_eq!((second.status, second.id()), (200, first.id()));
    assert_eq!(service.put(at, &with(stopped, json!({"id": "other"}))).await.status, 400);
    assert_eq!(service.delete(at).await.status, 204);
    assert_eq!(service.get(&format!("/fhir/Procedure/{}", first.id())).await.status, 410);
    assert_eq!(service.delete(at).await.status, 204);
}

#[tokio::test]
async fn a_reader_that_has_the_version_is_not_sent_it_again() {
    let service = Service::new().await;
    service.put("/fhir/Procedure/a", &with(procedure(), json!({"id": "a"}))).await;
    let again = service.ask("GET", "/fhir/Procedure/a", &[("if-none-match", "W/\"1\"")], "").await;
    assert_eq!((again.status, again.body.len()), (304, 0));
    let head = service.ask("HEAD", "/fhir/Procedure/a", &[], "").await;
    assert_eq!((head.status, head.body.len(), head.header("etag")), (200, 0, "W/\"1\""));
    assert_ne!(head.header("content-length"), "0");
}

#[tokio::test]
async fn methods_types_and_formats_that_are_not_offered_are_refused() {
    let service = Service::new().await;
    for (method, path, allow) in [
        ("TRACE", "/fhir/Procedure", "GET, HEAD, POST, PUT, PATCH, DELETE"),
        ("POST", "/fhir/Procedure/a", "GET, HEAD, PUT, PATCH, DELETE"),
        ("DELETE", "/fhir/Task/a", "GET, HEAD, PUT, PATCH"),
        ("POST", "/fhir/DetectedIssue", "GET, HEAD"),
        ("PUT", "/fhir/MeasureReport/a", "GET, HEAD"),
        ("GET", "/fhir", "POST"),
        ("BREW", "/fhir/metadata", "GET, HEAD"),
        ("POST", "/healthz", "GET, HEAD"),
    ] {
        let reply = service.ask(method, path, &[FHIR], "").await;
        assert_eq!(reply.verdict(), verdict(405, "not-supported"), "{method} {path}");
        assert_eq!(reply.header("allow"), allow, "{method} {path}");
    }
    let body = procedure().to_string();
    for sent in [
        "",
        "text/plain",
        "multipart/form-data",
        "application/fhir+xml",
        "application/xml",
        "application/fhir+json; charset=utf-16",
        "application/fhir+json;charset=latin1",
        "application/json; fhirVersion=5.0",
    ] {
        let headers = if sent.is_empty() { vec![] } else { vec![("content-type", sent)] };
        let reply = service.ask("POST", "/fhir/Procedure", &headers, body.clone()).await;
        assert_eq!(reply.verdict(), verdict(415, "not-supported"), "{sent}");
    }
    for taken in
        ["application/json", "application/fhir+json; charset=UTF-8; fhirVersion=4.0", "Application/FHIR+JSON"]
    {
        assert_eq!(
            service.ask("POST", "/fhir/Procedure", &[("content-type", taken)], body.clone()).await.status,
            201
        );
    }
    for (accept, status) in [
        ("application/fhir+xml", 406),
        ("text/html", 406),
        ("application/fhir+json; fhirVersion=5.0", 406),
        ("application/json;q=0", 406),
        ("text/html, */*;q=0.1", 200),
        ("application/fhir+json; fhirVersion=4.0", 200),
        ("application/xml, application/json", 200),
    ] {
        assert_eq!(
            service.ask("GET", "/fhir/metadata", &[("accept", accept)], "").await.status,
            status,
            "{accept}"
        );
    }
    assert_eq!(service.get("/fhir/metadata?_format=xml").await.verdict(), verdict(406, "not-supported"));
    let json = service.ask("GET", "/fhir/metadata?_format=json", &[("accept", "application/xml")], "").await;
    assert_eq!(json.status, 200);
    for sent in ["br", "zstd", "deflate", "gzip, gzip"] {
        let reply =
            service.ask("POST", "/fhir/Procedure", &[FHIR, ("content-encoding", sent)], body.clone()).await;
        assert_eq!(reply.status, 415, "{sent}");
    }
    let twice = [FHIR, ("content-encoding", "gzip"), ("content-encoding", "gzip")];
    assert_eq!(service.ask("POST", "/fhir/Procedure", &twice, body.clone()).await.status, 415);
    let not = service.ask("POST", "/fhir/Procedure", &[FHIR, ("content-encoding", "gzip")], body).await;
    assert_eq!(not.verdict(), verdict(400, "structure"));
}

#[tokio::test]
async fn an_override_of_the_method_and_forwarded_addresses_are_not_believed() {
    let service = Service::new().await;
    let headers = [
        FHIR,
        ("x-http-method-override", "DELETE"),
        ("x-forwarded-host", "evil.example"),
        ("origin", "https://evil.example"),
    ];
    let reply = service.ask("POST", "/fhir/Procedure", &headers, procedure().to_string()).await;
    assert_eq!(reply.status, 201);
    assert!(reply.header("location").starts_with("http://ward.example/fhir/"));
    assert_eq!(reply.header("access-control-allow-origin"), "");
}

#[tokio::test]
async fn request_ids_are_given_and_plain_ones_are_kept() {
    let service = Service::new().await;
    let id = async |sent: &str| {
        service.ask("GET", "/healthz", &[("x-request-id", sent), ("x-correlation-id", sent)], "").await
    };
    assert_eq!(id("abc-1").await.header("x-request-id"), "abc-1");
    assert_eq!(id("abc-1").await.header("x-correlation-id"), "abc-1");
    assert_ne!(id("a b<script>").await.header("x-request-id"), "a b<script>");
    assert_eq!(id("a b").await.header("x-correlation-id"), "");
    assert_ne!(
        service.get("/healthz").await.header("x-request-id"),
        service.get("/healthz").await.header("x-request-id")
    );
}

#[tokio::test]
async fn bodies_are_bounded_one_by_one_and_together() {
    let small = Service::with(|rest| rest.with_limits(2_000, 1_500)).await;
    let long = with(procedure(), json!({"note": [{"text": "x".repeat(2_000)}]})).to_string();
    assert_eq!(small.ask("POST", "/fhir/Procedure", &[FHIR], long).await.verdict(), verdict(413, "too-long"));
    let much = with(procedure(), json!({"note": [{"text": "x".repeat(1_300)}]})).to_string();
    let throttled = small.ask("POST", "/fhir/Procedure", &[FHIR], much).await;
    assert_eq!(throttled.verdict(), verdict(429, "throttled"));
    assert_ne!(throttled.header("retry-after"), "");
    assert_eq!(small.post("/fhir/Procedure", &procedure()).await.status, 201);
    let said = [FHIR, ("content-length", "1000000000")];
    assert_eq!(small.ask("POST", "/fhir/Procedure", &said, "{}").await.verdict(), verdict(413, "too-long"));
}

#[tokio::test]
async fn a_plan_that_cannot_be_honoured_is_refused_with_all_that_is_wrong() {
    let service = Service::new().await;
    let plan = |timing: serde_json::Value| {
        json!({
            "resourceType": "PlanDefinition", "id": "ours", "status": "active",
            "action": [
                { "id": "one", "title": "One", "code": [{ "coding": [{ "system": "https://terce.example/fhir/CodeSystem/activity", "code": "oral-cleansing" }] }], "timingTiming": timing },
                { "id": "two", "title": "Two", "timingTiming": timing },
            ]
        })
    };
    let reply = service
        .put(
            "/fhir/PlanDefinition/ours",
            &plan(json!({ "repeat": { "frequency": 1, "period": 0, "periodUnit": "h" } })),
        )
        .await;
    assert_eq!(reply.verdict(), verdict(422, "business-rule"), "{}", reply.text());
    let issues = reply.json()["issue"].as_array().unwrap().len();
    assert!(issues >= 2, "{}", reply.text());
    assert!(reply.text().contains("PlanDefinition.action[0]"), "{}", reply.text());
    assert_eq!(service.get("/fhir/PlanDefinition/ours").await.status, 404);
}

#[tokio::test]
async fn shipped_definitions_can_be_written_back() {
    let service = Service::new().await;
    let written = |kind: &str| terce::rest::types::kind(kind).unwrap().fed();
    for shipped in terce::translate::shipped::ALL.iter().filter(|s| written(s.kind)) {
        let at = format!("/fhir/{}/{}", shipped.kind, shipped.id);
        let reply = service.ask("PUT", &at, &[FHIR], shipped.body).await;
        assert_eq!(reply.status, 201, "{at}: {}", reply.text());
    }
}
