//! The interface as OpenAPI, and whether it is true.

use serde_json::Value;
use terce::rest::types::KINDS;

use super::{FHIR, Service};

async fn description(service: &Service) -> Value {
    let reply = service.get("/openapi.json").await;
    assert_eq!(
        (reply.status, reply.header("content-type")),
        (200, "application/openapi+json; charset=utf-8")
    );
    reply.json()
}

#[tokio::test]
async fn the_description_has_every_type_and_a_tag() {
    let service = Service::new().await;
    let described = description(&service).await;
    assert_eq!(described["servers"][0]["url"], "http://ward.example");
    for kind in KINDS {
        let all = &described["paths"][format!("/fhir/{}", kind.name)];
        assert!(all["get"].is_object(), "{}", kind.name);
        assert_eq!(all["post"].is_object(), kind.fed(), "{}", kind.name);
    }
    let tag = service.get("/openapi.json").await.header("etag").to_owned();
    assert_eq!(service.ask("GET", "/openapi.json", &[("if-none-match", &tag)], "").await.status, 304);
    assert_eq!(service.ask("POST", "/openapi.json", &[FHIR], "{}").await.status, 405);
}

#[tokio::test]
async fn whatever_the_description_refers_to_is_in_it() {
    let service = Service::new().await;
    let described = description(&service).await;
    let mut left = vec![&described];
    let mut references = 0;
    while let Some(value) = left.pop() {
        if let Some(place) = value["$ref"].as_str() {
            assert!(described.pointer(place.trim_start_matches('#')).is_some(), "{place}");
            references += 1;
        }
        left.extend(value.as_array().into_iter().flatten());
        left.extend(value.as_object().into_iter().flat_map(|o| o.values()));
    }
    assert!(references > 500, "{references}");
}

#[tokio::test]
async fn every_method_of_every_path_is_answered_and_every_example_is_taken() {
    let service = Service::new().await;
    let described = description(&service).await;
    let mut examples = 0;
    for (path, methods) in described["paths"].as_object().unwrap() {
        let at = path
            .replace("{id}", "x")
            .replace("{version}", "1")
            .replace("{source}", "charting")
            .replace("{number}", "1");
        for (method, operation) in methods.as_object().unwrap() {
            let media = operation["requestBody"]["content"].as_object().and_then(|c| c.iter().next());
            let example = media.map(|(_, m)| &m["example"]).filter(|e| e.is_object());
            let query = if ["put", "patch", "delete"].contains(&method.as_str()) && !path.contains('{') {
                "?identifier=urn:x|1"
            } else {
                ""
            };
            let body = example.map(Value::to_string).unwrap_or_default();
            let headers: Vec<(&str, &str)> =
                media.iter().map(|(name, _)| ("content-type", name.as_str())).collect();
            let reply = service.ask(&method.to_uppercase(), &format!("{at}{query}"), &headers, body).await;
            let documented = !operation["responses"][reply.status.to_string()].is_null();
            assert!(documented, "{method} {at}: {} is not described: {}", reply.status, reply.text());
            assert_ne!(reply.status, 405, "{method} {at}");
            let offered = reply.status < 400 || reply.verdict().1 != "not-supported";
            assert!(offered, "{method} {at}: {}", reply.text());
            // there is nothing yet that could be patched, and no source that notifies
            if example.is_some() && !path.contains('$') && !path.contains("/notify") && method != "patch" {
                assert!(reply.status == 200 || reply.status == 201, "{method} {at}: {}", reply.text());
                examples += 1;
            }
        }
    }
    assert!(examples > KINDS.iter().filter(|k| k.fed()).count(), "{examples}");
}
