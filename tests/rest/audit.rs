//! Who did what: every request leaves a row, served as AuditEvent.

use serde_json::{Value, json};

use super::{Service, identified, procedure, with};

impl Service {
    /// All AuditEvents, the newest first.
    async fn audit_events(&self, query: &str) -> Vec<Value> {
        let bundle = self.get(&format!("/fhir/AuditEvent{query}")).await.json();
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        entries.into_iter().map(|e| e["resource"].clone()).collect()
    }
}

fn deed(event: &Value) -> (&str, &str, &str) {
    let text = |path: &str| event.pointer(path).and_then(Value::as_str).unwrap_or_default();
    (text("/subtype/0/code"), text("/action"), text("/outcome"))
}

/// References of the entities with a role.
fn entities(event: &Value, role: &str) -> Vec<String> {
    let all = event["entity"].as_array().unwrap().iter();
    let of_role = all.filter(|e| e["role"]["code"] == role);
    of_role.map(|e| e["what"]["reference"].as_str().unwrap_or_default().to_owned()).collect()
}

#[tokio::test]
async fn each_request_is_one_event_with_who_what_and_whom() {
    let service = Service::new().await;
    let cases = [
        ("PUT", "/fhir/Procedure/a", Some(with(procedure(), json!({ "id": "a" }))), ("update", "U", "0")),
        ("GET", "/fhir/Procedure/a", None, ("read", "R", "0")),
        ("GET", "/fhir/Procedure/a/_history/1", None, ("vread", "R", "0")),
        ("GET", "/fhir/Procedure/a/_history", None, ("history-instance", "R", "0")),
        ("GET", "/fhir/Procedure?patient=p1", None, ("search-type", "E", "0")),
        ("DELETE", "/fhir/Procedure/a", None, ("delete", "D", "0")),
        ("GET", "/fhir/Procedure/a", None, ("read", "R", "4")),
        ("POST", "/fhir/Procedure", Some(with(procedure(), identified("1"))), ("create", "C", "0")),
        ("POST", "/fhir/Procedure", Some(json!({ "resourceType": "Procedure" })), ("create", "C", "4")),
    ];
    for (number, (method, path, body, wanted)) in cases.into_iter().enumerate() {
        let body = body.map(|b| b.to_string()).unwrap_or_default();
        let id = format!("request-{number}");
        service.ask(method, path, &[super::FHIR, ("x-request-id", &id)], body).await;
        let events = service.audit_events("?_count=1").await;
        let event = &events[0];
        assert_eq!(deed(event), wanted, "{method} {path}: {event}");
        let parsed: fhir_models::AuditEvent = fhir_models::parse(event.to_string().as_bytes()).unwrap();
        assert_eq!(fhir_models::validate(&parsed, b""), []);
        let roles: Vec<&str> = event["agent"]
            .as_array()
            .unwrap()
            .iter()
            .map(|a| a["type"]["coding"][0]["code"].as_str().unwrap())
            .collect();
        let reads = matches!(wanted.0, "read" | "vread" | "history-instance");
        assert_eq!(roles, if reads { ["110152", "110153"] } else { ["110153", "110152"] }, "{event}");
        assert_eq!(event["agent"][0]["network"]["address"], "127.0.0.1");
        assert_eq!(
            (&event["agent"][0]["requestor"], &event["agent"][1]["requestor"]),
            (&json!(true), &json!(false))
        );
        let said = event["entity"].as_array().unwrap().last().unwrap();
        assert_eq!(
            (&said["type"]["code"], &said["what"]["identifier"]["value"]),
            (&json!("XrequestId"), &json!(id))
        );
        if wanted.2 == "0" && wanted.0 != "delete" {
            assert_eq!(entities(event, "1"), ["Patient/p1"], "{event}");
        }
        // the row of asking for rows comes after it, and is one, too
        assert_eq!(deed(&service.audit_events("?_count=1").await[0]).0, "search-type");
    }
}

#[tokio::test]
async fn a_query_is_recorded_as_it_was_asked() {
    use base64::Engine;
    let service = Service::new().await;
    service.get("/fhir/Task?patient=p1&x='%20OR%201").await;
    let event = &service.audit_events("?_count=1").await[0];
    let query = event["entity"].as_array().unwrap().iter().find_map(|e| e["query"].as_str()).unwrap();
    let asked = base64::engine::general_purpose::STANDARD.decode(query).unwrap();
    assert_eq!(asked, b"/fhir/Task?patient=p1&x='%20OR%201");
}

#[tokio::test]
async fn events_are_found_by_patient_and_date_page_by_page() {
    let service = Service::new().await;
    for id in ["a", "b", "c"] {
        service.put(&format!("/fhir/Procedure/{id}"), &with(procedure(), json!({ "id": id }))).await;
    }
    assert_eq!(service.audit_events("?patient=p1").await.len(), 3);
    assert_eq!(service.audit_events("?entity=Patient/p1&date=2026-03-01").await.len(), 3);
    assert_eq!(service.audit_events("?patient=Patient/p1&date=lt2026-03-01").await.len(), 0);
    assert_eq!(service.audit_events("?patient=p2").await.len(), 0);
    let first = service.get("/fhir/AuditEvent?patient=p1&_count=2").await.json();
    let next =
        first["link"][1]["url"].as_str().unwrap().strip_prefix("http://ward.example").unwrap().to_owned();
    let second = service.get(&next).await.json();
    assert_eq!(second["entry"][0]["resource"]["id"], "1");
    assert!(second["link"].as_array().unwrap().len() == 1);
    for (refused, status) in [
        ("?agent=x", 400),
        ("?date=ne2026", 400),
        ("?patient=a,b", 400),
        ("/none", 404),
        ("/0", 404),
        ("/99999", 404),
        ("/1/_history", 404),
    ] {
        assert_eq!(service.get(&format!("/fhir/AuditEvent{refused}")).await.status, status, "{refused}");
    }
    assert_eq!(service.get("/fhir/AuditEvent/1").await.json()["id"], "1");
    for method in ["POST", "PUT", "DELETE"] {
        assert_eq!(service.ask(method, "/fhir/AuditEvent/1", &[super::FHIR], "{}").await.status, 405);
    }
}

#[tokio::test]
async fn what_is_no_document_leaves_no_row() {
    let service = Service::new().await;
    for path in ["/fhir/metadata", "/healthz", "/metrics", "/readyz"] {
        service.get(path).await;
    }
    assert_eq!(service.audit_events("").await, Vec::<Value>::new());
}
