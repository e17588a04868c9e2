//! Histories of a document and of a type, and reading under a condition.

use serde_json::{Value, json};
use terce::care::time::Instant;

use super::{NOON_US, Service, link, procedure, verdict, with};

const SECOND: i64 = 1_000_000;

/// Each version as `id/version method status`.
fn told(bundle: &Value) -> Vec<String> {
    let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
    let told = |e: &Value| {
        let at = e["request"]["url"].as_str().unwrap().strip_prefix("Procedure/").unwrap().to_owned();
        let tag = e["response"]["etag"].as_str().unwrap();
        assert_eq!(e["fullUrl"], format!("http://ward.example/fhir/Procedure/{at}"));
        assert!(e["response"]["lastModified"].is_string());
        let resource = &e["resource"];
        assert_eq!(resource.is_null(), e["request"]["method"] == "DELETE");
        format!(
            "{at}{tag} {} {}",
            e["request"]["method"].as_str().unwrap(),
            e["response"]["status"].as_str().unwrap()
        )
        .replace("W/\"", "/")
        .replace('"', "")
    };
    entries.iter().map(told).collect()
}

/// At noon a and b, then a second apart: a again, a deleted, a back.
async fn service() -> Service {
    let service = Service::new().await;
    let put = async |id: &str, status: &str| {
        let body = with(procedure(), json!({ "id": id, "status": status }));
        service.put(&format!("/fhir/Procedure/{id}"), &body).await.status
    };
    assert_eq!((put("a", "completed").await, put("b", "completed").await), (201, 201));
    service.clock.set(Instant::from_micros(NOON_US + SECOND));
    assert_eq!(put("a", "stopped").await, 200);
    service.clock.set(Instant::from_micros(NOON_US + 2 * SECOND));
    assert_eq!(service.delete("/fhir/Procedure/a").await.status, 204);
    service.clock.set(Instant::from_micros(NOON_US + 3 * SECOND));
    assert_eq!(put("a", "completed").await, 201);
    service
}

#[tokio::test]
async fn a_history_tells_what_was_done_newest_first() {
    let service = service().await;
    let all =
        ["a/4 PUT 201", "a/3 DELETE 204", "a/2 PUT 200", "b/1 PUT 201", "a/1 PUT 201"].map(str::to_owned);
    let one: Vec<String> = [0, 1, 2, 4].map(|n: usize| all[n].clone()).into();
    let history = async |query: &str| {
        let reply = service.get(&format!("/fhir/Procedure{query}")).await;
        assert_eq!(reply.status, 200, "{query}: {}", reply.text());
        fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
        told(&reply.json())
    };
    assert_eq!(history("/_history").await, all);
    assert_eq!(history("/a/_history").await, one);
    assert_eq!(history("/_history?_since=2026-03-01T12:00:02Z").await, all[..2]);
    assert_eq!(history("/_history?_since=2026-03-01T13:00:03%2B01:00").await, all[..1]);
    assert_eq!(history("/a/_history?_since=2026-03-01T12:00:04Z").await, [""; 0]);
    assert_eq!(history("/_history?_at=2026-03-01T12:00:01Z").await, all[2..4]);
    assert_eq!(history("/_history?_at=2026-03-01").await, all);
    assert_eq!(history("/a/_history?_at=2026-02").await, [""; 0]);
    for (query, code) in [
        ("_since=2026-03-01", "value"),
        ("_since=2026-03-01T12:00:00", "value"),
        ("_since=2026-03-01T12:00:00Z&_since=2026-03-01T12:00:00Z", "value"),
        ("_at=soon", "value"),
        ("_count=0", "value"),
        ("_count=1&_count=1", "value"),
        ("_cursor=x", "value"),
        ("status=completed", "not-supported"),
    ] {
        assert_eq!(
            service.get(&format!("/fhir/Procedure/_history?{query}")).await.verdict(),
            verdict(400, code),
            "{query}"
        );
    }
    assert_eq!(service.get("/fhir/Procedure/none/_history").await.verdict(), verdict(404, "not-found"));
    assert_eq!(service.get("/fhir/Location/_history").await.json()["entry"], Value::Null);
}

#[tokio::test]
async fn a_history_is_read_in_pages_whatever_is_written_meanwhile() {
    let service = service().await;
    let (mut found, mut next) = (Vec::new(), Some("/fhir/Procedure/_history?_count=2".to_owned()));
    while let Some(page) = next {
        let bundle = service.get(&page).await.json();
        found.extend(told(&bundle));
        next = link(&bundle, "next");
        service.post("/fhir/Procedure", &procedure()).await;
    }
    assert_eq!(found, ["a/4 PUT 201", "a/3 DELETE 204", "a/2 PUT 200", "b/1 PUT 201", "a/1 PUT 201"]);
}

#[tokio::test]
async fn what_the_client_has_already_is_not_sent_again() {
    let service = service().await;
    let read = async |name: &'static str, value: &str| {
        let reply = service.ask("GET", "/fhir/Procedure/a", &[(name, value)], "").await;
        assert_eq!(reply.header("etag"), "W/\"4\"");
        assert_eq!(reply.header("last-modified"), "Sun, 01 Mar 2026 12:00:03 GMT");
        assert_eq!(reply.body.is_empty(), reply.status == 304);
        reply.status
    };
    assert_eq!(read("if-none-match", "W/\"4\"").await, 304);
    assert_eq!(read("if-none-match", "\"1\", \"4\"").await, 304);
    assert_eq!(read("if-none-match", "*").await, 304);
    assert_eq!(read("if-none-match", "W/\"3\"").await, 200);
    assert_eq!(read("if-modified-since", "Sun, 01 Mar 2026 12:00:03 GMT").await, 304);
    assert_eq!(read("if-modified-since", "Sun, 01 Mar 2026 12:00:02 GMT").await, 200);
    assert_eq!(read("if-modified-since", "yesterday").await, 200);
    let both = [("if-none-match", "W/\"3\""), ("if-modified-since", "Sun, 01 Mar 2026 12:00:03 GMT")];
    assert_eq!(service.ask("GET", "/fhir/Procedure/a", &both, "").await.status, 200);
    let old = service.ask("GET", "/fhir/Procedure/a/_history/1", &[("if-none-match", "W/\"1\"")], "").await;
    assert_eq!(old.status, 304);
}
