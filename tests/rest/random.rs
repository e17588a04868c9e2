//! Whatever is sent, the service refuses it or takes it: it never fails.

use proptest::prelude::*;

use super::{FHIR, Service, procedure};

/// A document with some of its bytes changed, cut or doubled.
fn mutated(text: String) -> impl Strategy<Value = Vec<u8>> {
    let bytes = text.into_bytes();
    let length = bytes.len();
    let change = (0..length, any::<u8>(), 0..4_u8);
    prop::collection::vec(change, 1..6).prop_map(move |changes| {
        let mut out = bytes.clone();
        for (at, byte, how) in changes {
            let at = at.min(out.len().saturating_sub(1));
            match how {
                0 => out[at] = byte,
                1 => out.insert(at, b"{}[]\",:\\0e-"[usize::from(byte) % 11]),
                2 => {
                    out.remove(at);
                }
                _ => {
                    let piece: Vec<u8> = out[at..(at + 40).min(out.len())].to_vec();
                    out.splice(at..at, piece);
                }
            }
            if out.is_empty() {
                out.push(b'{');
            }
        }
        out
    })
}

fn bundle(sort: &str) -> String {
    let entry = |n: u32| {
        format!(
            r#"{{"fullUrl":"urn:uuid:0c2f1d1e-0000-4000-8000-00000000000{n}","resource":{},"request":{{"method":"POST","url":"Procedure","ifNoneExist":"identifier=a|{n}"}}}}"#,
            procedure()
        )
    };
    format!(r#"{{"resourceType":"Bundle","type":"{sort}","entry":[{},{}]}}"#, entry(1), entry(2))
}

fn plan() -> String {
    let shipped = terce::translate::shipped::document("PlanDefinition", "minimal").unwrap();
    String::from_utf8(shipped.body.to_vec()).unwrap()
}

fn parameters(name: &str, resource: &str) -> String {
    format!(r#"{{"resourceType":"Parameters","parameter":[{{"name":"{name}","resource":{resource}}}]}}"#)
}

const CODED: &str = r#"{"resourceType":"Parameters","parameter":[{"name":"coding","valueCoding":{"system":"http://snomed.info/sct","code":"717778001"}},{"name":"reverse","valueBoolean":true}]}"#;
const PERIOD: &str = r#"{"resourceType":"Parameters","parameter":[{"name":"periodStart","valueDate":"2026-01-01"},{"name":"periodEnd","valueDate":"2026-01-31"},{"name":"unit","valueReference":{"reference":"Location/icu"}}]}"#;

#[test]
fn mutated_documents_and_addresses_never_make_the_service_fail() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let service = runtime.block_on(Service::new());
    let document = prop_oneof![
        mutated(procedure().to_string()).prop_map(|b| ("POST", "/fhir/Procedure".to_owned(), b)),
        mutated(procedure().to_string()).prop_map(|b| ("POST", "/fhir/Procedure/$validate".to_owned(), b)),
        mutated(parameters("resource", &procedure().to_string())).prop_map(|b| (
            "POST",
            "/fhir/Procedure/$validate".to_owned(),
            b
        )),
        mutated(plan()).prop_map(|b| ("POST", "/fhir/PlanDefinition/$try".to_owned(), b)),
        mutated(plan()).prop_map(|b| ("PUT", "/fhir/PlanDefinition/minimal".to_owned(), b)),
        mutated(parameters("plan", &plan())).prop_map(|b| (
            "POST",
            "/fhir/PlanDefinition/$try".to_owned(),
            b
        )),
        mutated(CODED.to_owned()).prop_map(|b| ("POST", "/fhir/ConceptMap/$translate".to_owned(), b)),
        mutated(PERIOD.to_owned()).prop_map(|b| (
            "POST",
            "/fhir/Measure/timeliness/$evaluate-measure".to_owned(),
            b
        )),
        "[a-zA-Z0-9%./?=&,|:_$+-]{0,40}".prop_map(|q| (
            "POST",
            format!("/fhir/Procedure?{q}"),
            procedure().to_string().into_bytes()
        )),
        mutated(bundle("batch")).prop_map(|b| ("POST", "/fhir".to_owned(), b)),
        mutated(bundle("transaction")).prop_map(|b| ("POST", "/fhir".to_owned(), b)),
        mutated(bundle("collection")).prop_map(|b| ("POST", "/fhir".to_owned(), b)),
        prop::collection::vec(any::<u8>(), 0..300).prop_map(|b| ("POST", "/fhir".to_owned(), b)),
        "[a-zA-Z0-9%./?=&,|:_$+-]{0,60}".prop_map(|p| ("GET", format!("/fhir/{p}"), Vec::new())),
        "[a-zA-Z0-9%.,|:_+-]{0,40}".prop_map(|p| (
            "GET",
            format!("/fhir/Task?_lastUpdated={p}&status={p}"),
            Vec::new()
        )),
        "(eq|ne|gt|lt|ge|le|)[0-9]{4}(-[0-9]{2}){0,2}(T[0-9:.]{0,12}(Z|[+-][0-9:]{0,6}|))?".prop_map(|p| (
            "GET",
            format!("/fhir/Task?_lastUpdated={p}"),
            Vec::new()
        )),
    ];
    let mut runner =
        proptest::test_runner::TestRunner::new(ProptestConfig { cases: 3_000, ..ProptestConfig::default() });
    runner
        .run(&document, |(method, path, body)| {
            if path.parse::<axum::http::Uri>().is_err() {
                return Ok(());
            }
            let reply = runtime.block_on(service.ask(method, &path, &[FHIR], body));
            prop_assert!(reply.status < 500, "{} {}: {}", method, path, reply.text());
            if reply.status == 200 && method == "POST" {
                for entry in reply.json()["entry"].as_array().into_iter().flatten() {
                    let status = entry["response"]["status"].as_str().unwrap_or("500");
                    prop_assert!(status < "500", "{}", reply.text());
                }
            }
            Ok(())
        })
        .unwrap();
    assert_eq!(runtime.block_on(service.post("/fhir/Procedure", &procedure())).status, 201);
}
