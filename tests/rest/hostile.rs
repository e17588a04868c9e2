//! What makes no sense, and the answer that it gets. After each, an ordinary request works.

use serde_json::{Value, json};

use super::{FHIR, Service, procedure, verdict, with, without};

/// Sends each as a Procedure and compares the answer; an empty code means that it is stored.
async fn procedures(cases: Vec<(&str, Vec<u8>, u16, &str)>) {
    let service = Service::new().await;
    for (name, body, status, code) in cases {
        let reply = service.ask("POST", "/fhir/Procedure", &[FHIR], body).await;
        let expected = if code.is_empty() { (status, String::new()) } else { verdict(status, code) };
        assert_eq!(reply.verdict(), expected, "{name}: {}", reply.text());
        assert_eq!(service.post("/fhir/Procedure", &procedure()).await.status, 201, "after {name}");
    }
}

fn text(body: &str) -> Vec<u8> {
    body.as_bytes().to_vec()
}

/// A Procedure with the text `members` in it.
fn raw(members: &str) -> Vec<u8> {
    format!(r#"{{"resourceType":"Procedure","status":"completed","subject":{{"reference":"Patient/p1"}},{members}}}"#).into_bytes()
}

#[tokio::test]
async fn json_that_is_none_is_refused() {
    let mut latin = raw("\"x\":\"");
    latin.splice(latin.len() - 1.., *b"\xe9\"}");
    let mut overlong = raw("\"x\":\"");
    overlong.splice(overlong.len() - 1.., *b"\xc0\xaf\"}");
    let mut cesu = raw("\"x\":\"");
    cesu.splice(cesu.len() - 1.., *b"\xed\xa0\xbd\xed\xb8\x80\"}");
    let wide: Vec<u8> = procedure().to_string().encode_utf16().flat_map(u16::to_le_bytes).collect();
    let deep = raw(&format!("\"x\":{}1{}", "{\"x\":".repeat(70), "}".repeat(70)));
    let very_deep = raw(&format!("\"x\":{}", "[".repeat(1_000_000)));
    procedures(vec![
        ("nothing", text(""), 400, "structure"),
        ("null", text("null"), 400, "structure"),
        ("an array", text("[]"), 400, "structure"),
        ("a string", text("\"x\""), 400, "structure"),
        ("an array for an object", text(r#"["Procedure","completed"]"#), 400, "structure"),
        ("a name twice", raw(r#""status":"stopped""#), 400, "structure"),
        ("a name twice by an escape", raw(r#""\u0073tatus":"stopped""#), 400, "structure"),
        ("a name twice further in", raw(r#""code":{"text":"a","text":"b"}"#), 400, "structure"),
        ("names that only escapes tell apart", raw(r#""\u0061":1,"a":2"#), 400, "structure"),
        ("half a surrogate pair", raw(r#""x":"\ud800""#), 400, "structure"),
        ("a surrogate pair turned round", raw(r#""x":"\ude00\ud83d""#), 400, "structure"),
        ("a raw control character", raw("\"x\":\"\u{1}\""), 400, "structure"),
        ("the character zero", raw(r#""x":"\u0000""#), 400, "value"),
        ("another encoding", latin, 400, "structure"),
        ("overlong UTF-8", overlong, 400, "structure"),
        ("surrogates in UTF-8", cesu, 400, "structure"),
        ("a byte order mark", text(&format!("\u{feff}{}", procedure())), 400, "structure"),
        ("UTF-16", wide, 400, "structure"),
        ("too deep", deep, 400, "too-costly"),
        ("far too deep", very_deep, 400, "structure"),
        ("a number that nobody can hold", raw("\"x\":1e400"), 400, "value"),
        ("a number of 400 digits", raw(&format!("\"x\":{}", "9".repeat(400))), 400, "value"),
        ("not a number", raw("\"x\":NaN"), 400, "structure"),
        ("infinity", raw("\"x\":Infinity"), 400, "structure"),
        ("a leading zero", raw("\"x\":012"), 400, "structure"),
        ("a plus sign", raw("\"x\":+1"), 400, "structure"),
        ("hexadecimal", raw("\"x\":0x10"), 400, "structure"),
        ("a trailing comma", raw("\"x\":1,"), 400, "structure"),
        ("a comment", raw("\"x\":1/*y*/"), 400, "structure"),
        ("single quotes", raw("'x':1"), 400, "structure"),
        ("more after the end", text(&format!("{}x", procedure())), 400, "structure"),
        ("two documents", text(&format!("{0}{0}", procedure())), 400, "structure"),
    ])
    .await;
}

#[tokio::test]
async fn json_that_fhir_does_not_write_is_refused_and_what_is_only_odd_is_kept() {
    procedures(vec![
        ("null for an element", raw("\"note\":null"), 400, "structure"),
        ("an empty object", raw("\"note\":[{}]"), 400, "structure"),
        ("an empty array", raw("\"note\":[]"), 400, "structure"),
        ("an empty string", raw("\"note\":[{\"text\":\"\"}]"), 400, "structure"),
        (
            "a number for a code",
            text(r#"{"resourceType":"Procedure","status":5,"subject":{"reference":"Patient/p1"}}"#),
            400,
            "structure",
        ),
        ("an array for one", raw(r#""encounter":[{"reference":"Encounter/e1"}]"#), 400, "structure"),
        (
            "names that mean something to others",
            raw(r#""__proto__":{"x":1},"Status":"stopped","constructor":1"#),
            201,
            "",
        ),
        ("letters that turn round", raw("\"code\":{\"text\":\"\u{202e}\u{200b}\u{fffd}\"}"), 201, ""),
        (
            "a string of more than a mebibyte",
            raw(&format!("\"note\":[{{\"text\":\"{}\"}}]", "x".repeat(1 << 20 | 1))),
            400,
            "too-long",
        ),
        (
            "a thousand names",
            raw(&(0..1_000).map(|n| format!("\"x{n}\":1")).collect::<Vec<_>>().join(",")),
            201,
            "",
        ),
    ])
    .await;
}

#[tokio::test]
async fn decimals_keep_their_text() {
    let service = Service::new().await;
    let body = r#"{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/p1"},"valueQuantity":{"value":0.10},"component":[{"code":{"text":"y"},"valueQuantity":{"value":12345678901234567890.12345678901234567890}}]}"#;
    assert_eq!(service.ask("PUT", "/fhir/Observation/o", &[FHIR], body).await.status, 201);
    let read = service.get("/fhir/Observation/o").await.text();
    assert!(
        read.contains("\"value\":0.10}") && read.contains("12345678901234567890.12345678901234567890"),
        "{read}"
    );
}

fn body(members: Value) -> Vec<u8> {
    with(procedure(), members).to_string().into_bytes()
}

#[tokio::test]
async fn documents_that_are_no_r4_or_cannot_be_understood_are_refused() {
    let contained =
        |extra: Value| json!({ "contained": [with(json!({ "resourceType": "Device", "id": "d" }), extra)] });
    let used =
        json!({ "contained": [{ "resourceType": "Patient", "id": "c" }], "subject": { "reference": "#c" } });
    procedures(vec![
        ("another type than the address says", text(r#"{"resourceType":"Patient"}"#), 400, "structure"),
        ("no type", text(r#"{"status":"completed"}"#), 400, "required"),
        ("a type that is no name", text(r#"{"resourceType":5}"#), 400, "structure"),
        ("what the client says of its version", body(json!({ "meta": { "versionId": "9", "lastUpdated": "1990-01-01T00:00:00Z" } })), 201, ""),
        ("an unknown status", body(json!({ "status": "done" })), 400, "code-invalid"),
        ("a status that cannot be counted", body(json!({ "status": "preparation" })), 201, ""),
        ("care that was not done", body(json!({ "status": "not-done" })), 201, ""),
        ("no status", without(procedure(), "status").to_string().into_bytes(), 400, "required"),
        ("a status that is not known, and why", without(with(procedure(), json!({ "_status": { "extension": [{ "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown" }] } })), "status").to_string().into_bytes(), 201, ""),
        ("no subject", without(procedure(), "subject").to_string().into_bytes(), 400, "required"),
        ("no encounter", without(procedure(), "encounter").to_string().into_bytes(), 201, ""),
        ("a modifier", body(json!({ "modifierExtension": [{ "url": "urn:x", "valueBoolean": true }] })), 422, "extension"),
        ("a modifier further in", body(json!({ "performer": [{ "actor": { "reference": "Practitioner/1" }, "modifierExtension": [{ "url": "urn:x", "valueBoolean": true }] }] })), 422, "extension"),
        ("rules that are not known", body(json!({ "implicitRules": "urn:x" })), 422, "not-supported"),
        ("an extension that is not known", body(json!({ "extension": [{ "url": "urn:x", "valueBoolean": true }] })), 201, ""),
        ("a contained resource that nothing refers to", body(contained(json!({}))), 400, "invariant"),
        ("a contained resource in a contained one", body(contained(json!({ "contained": [{ "resourceType": "Device", "id": "e" }] }))), 400, "invariant"),
        ("a contained patient", body(used), 201, ""),
        ("a reference to another server", body(json!({ "subject": { "reference": "http://other.example/fhir/Patient/p1" } })), 201, ""),
        ("a reference into our own network", body(json!({ "subject": { "reference": "http://169.254.169.254/latest/meta-data" } })), 201, ""),
        ("a reference to a version that is not there", body(json!({ "encounter": { "reference": "Encounter/e1/_history/77" } })), 201, ""),
        ("a reference to a wrong type", body(json!({ "subject": { "reference": "Device/1" } })), 422, "business-rule"),
        ("a period that ends before it starts", without(with(procedure(), json!({ "performedPeriod": { "start": "2026-03-02", "end": "2026-03-01" } })), "performedDateTime").to_string().into_bytes(), 400, "invariant"),
        ("two times of performing", body(json!({ "performedString": "early" })), 400, "structure"),
        ("a time in words", without(with(procedure(), json!({ "performedString": "early" })), "performedDateTime").to_string().into_bytes(), 201, ""),
        ("a profile that is an address", body(json!({ "meta": { "profile": ["http://169.254.169.254/x"] } })), 201, ""),
    ])
    .await;
}

#[tokio::test]
async fn times_that_are_none_are_refused_and_odd_ones_are_kept() {
    let service = Service::new().await;
    let digits = |n: usize| format!("2026-03-01T08:00:00.{}Z", "1".repeat(n));
    let (many, too_many) = (digits(20), digits(1_001));
    for (time, status) in [
        ("2026-02-30", 400),
        ("2025-02-29", 400),
        ("2026-13-01", 400),
        ("1900-02-29", 400),
        ("0000", 400),
        ("0001", 201),
        ("9999", 201),
        ("2026-03-01T24:00:00Z", 400),
        ("2026-03-01T23:60:00Z", 400),
        ("2026-03-01T23:59:60Z", 201),
        ("2026-03-01T08:00:00+14:00", 201),
        ("2026-03-01T08:00:00-12:00", 201),
        ("2026-03-01T08:00:00+14:30", 400),
        ("2026-03-01T08:00:00+15:00", 400),
        ("2026-03-01T08:00:00-00:00", 201),
        ("2026-03-01T08:00:00", 400),
        ("2026-03-01T08:00Z", 400),
        (&many, 201),
        (&too_many, 400),
        ("2026", 201),
        ("2026-03", 201),
        ("2026-03-01t08:00:00Z", 400),
        ("2026-03-01T08:00:00z", 400),
        ("2026-03-01 08:00:00Z", 400),
        ("2026-W09-7", 400),
        ("٢٠٢٦-03-01", 400),
        ("2027-03-01T08:00:00Z", 201),
        ("1066-10-14T09:00:00Z", 201),
        (" 2026", 400),
    ] {
        let reply =
            service.post("/fhir/Procedure", &with(procedure(), json!({ "performedDateTime": time }))).await;
        assert_eq!(reply.status, status, "{time}: {}", reply.text());
        if status == 400 {
            assert_eq!(reply.verdict().1, "value", "{time}");
            assert_eq!(reply.json()["issue"][0]["expression"][0], "Procedure.performedDateTime", "{time}");
        }
        assert_eq!(service.post("/fhir/Procedure", &procedure()).await.status, 201, "after {time}");
    }
}

#[tokio::test]
async fn addresses_that_are_none_are_refused() {
    let service = Service::new().await;
    let long = "x".repeat(65);
    for id in [
        &long,
        "..",
        ".",
        "%2e%2e%2f",
        "%2e%2e%2fetc",
        "..%2f..%2fetc%2fpasswd",
        "%00",
        "a%0d%0ab",
        "a%20b",
        "%C3%A9",
        "a_b",
        "a;b",
        "a'b",
        "a%22b",
    ] {
        let at = format!("/fhir/Procedure/{id}");
        let named = with(procedure(), json!({ "id": "a" }));
        assert_eq!(service.get(&at).await.verdict(), verdict(404, "not-found"), "GET {id}");
        assert_eq!(service.put(&at, &named).await.verdict(), verdict(400, "value"), "PUT {id}");
        assert_eq!(service.delete(&at).await.verdict(), verdict(400, "value"), "DELETE {id}");
    }
    for broken in ["%ff", "%", "%zz", "%c0%af"] {
        assert_eq!(
            service.get(&format!("/fhir/Procedure/{broken}")).await.verdict(),
            verdict(400, "value"),
            "{broken}"
        );
    }
    for unknown in ["Basic", "Procedur", "procedure", "__proto__", "Account", "Bundle"] {
        let at = format!("/fhir/{unknown}");
        assert_eq!(service.get(&at).await.verdict(), verdict(404, "not-supported"), "{unknown}");
        assert_eq!(
            service.post(&at, &procedure()).await.verdict(),
            verdict(404, "not-supported"),
            "{unknown}"
        );
    }
    for nowhere in [
        "/fhir/Procedure/a/b",
        "/fhir/Procedure/a/_history/1/x",
        "/fhir/Procedure/a/$explain",
        "/fhir/Measure/a/$explain",
        "/etc/passwd",
        "/",
    ] {
        assert_eq!(service.get(nowhere).await.verdict(), verdict(404, "not-found"), "{nowhere}");
    }
}

#[tokio::test]
async fn what_cannot_be_linked_is_stored_and_shown_and_never_makes_a_patient() {
    let service = Service::new().await;
    let observation = json!({ "resourceType": "Observation", "status": "final", "code": { "text": "x" } });
    assert_eq!(service.post("/fhir/Observation", &observation).await.status, 201);
    let elsewhere = with(
        without(procedure(), "encounter"),
        json!({ "subject": { "reference": "http://other.example/fhir/Patient/p1" } }),
    );
    assert_eq!(service.post("/fhir/Procedure", &elsewhere).await.status, 201);
    let counts = service.store.counts().await.unwrap();
    assert_eq!((counts.unlinked, counts.subjects), (2, 0));
}

#[tokio::test]
async fn an_encounter_that_is_part_of_itself_is_refused() {
    let service = Service::new().await;
    let own = json!({ "resourceType": "Encounter", "id": "e", "status": "in-progress", "class": { "code": "IMP" }, "partOf": { "reference": "Encounter/e" } });
    assert_eq!(service.put("/fhir/Encounter/e", &own).await.verdict(), verdict(422, "business-rule"));
    for (id, above) in [("e1", "e2"), ("e2", "e1")] {
        let circle = with(
            own.clone(),
            json!({ "id": id, "partOf": { "reference": format!("Encounter/{above}") }, "subject": { "reference": "Patient/p1" } }),
        );
        assert_eq!(service.put(&format!("/fhir/Encounter/{id}"), &circle).await.status, 201);
    }
    assert!(service.get("/fhir/Encounter/e1/$explain").await.status < 500);
}

#[tokio::test]
async fn an_error_repeats_nothing_of_a_patient() {
    let service = Service::new().await;
    let name = "Zebedee Canary";
    for body in [
        json!({ "resourceType": "Patient", "name": [{ "text": name }], "birthDate": name }),
        json!({ "resourceType": "Patient", "name": name }),
        json!({ "resourceType": "Patient", "gender": name }),
        json!({ "resourceType": "Patient", "name": [{ "text": name, "given": [name, null] }] }),
        with(procedure(), json!({ "subject": { "display": name, "reference": "Device/1" } })),
    ] {
        let at = format!("/fhir/{}", body["resourceType"].as_str().unwrap());
        let reply = service.post(&at, &body).await;
        assert!(reply.status >= 400 && reply.status < 500, "{}", reply.text());
        assert!(!reply.text().contains("Canary"), "{}", reply.text());
    }
}

#[tokio::test]
async fn an_error_names_the_code_or_date_that_is_wrong_so_that_the_sender_can_mend_it() {
    let service = Service::new().await;
    for (member, wrong) in [("status", "finished"), ("performedDateTime", "2026-02-30T08:00:00Z")] {
        let reply = service.post("/fhir/Procedure", &with(procedure(), json!({ member: wrong }))).await;
        let issue = &reply.json()["issue"][0];
        assert!(issue["diagnostics"].as_str().unwrap().contains(wrong), "{issue}");
        assert_eq!(issue["expression"][0], format!("Procedure.{member}"));
    }
}
