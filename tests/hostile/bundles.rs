//! Bundles that are too much, contradict themselves, or are wrong in part.

use serde_json::{Value, json};

use super::Answer::{Refused, Status};
use super::json::bundle;
use super::process::Terce;
use super::wire::{Reply, Request};
use super::{Case, ask, at, ensure, story};
use crate::rest::{identified, procedure, with};

pub(super) fn cases() -> Vec<Case> {
    [frames(), addresses(), stories()].into_iter().flatten().collect()
}

fn of(sort: &str, entries: Vec<Value>) -> Request {
    bundle(json!({ "resourceType": "Bundle", "type": sort, "entry": entries }).to_string())
}

fn entry(method: &str, url: &str, resource: Value) -> Value {
    json!({ "resource": resource, "request": { "method": method, "url": url } })
}

fn create() -> Value {
    entry("POST", "Procedure", procedure())
}

fn put(id: &str) -> Value {
    entry("PUT", &format!("Procedure/{id}"), with(procedure(), json!({ "id": id })))
}

fn frames() -> Vec<Case> {
    let full = |url: &str, entry: Value| with(entry, json!({ "fullUrl": url }));
    let uuid = "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001";
    let invariant = Refused(400, "invariant");
    let modifier = json!([{ "url": "urn:x", "valueBoolean": true }]);
    let mut cases = vec![
        ask("no Bundle", bundle(procedure().to_string()), Refused(400, "structure")),
        ask("a Bundle without a type", bundle(json!({ "resourceType": "Bundle" }).to_string()), Refused(400, "required")),
        ask("a Bundle of an unknown type", of("heap", vec![create()]), Refused(400, "code-invalid")),
        ask("a transaction without entries", bundle(json!({ "resourceType": "Bundle", "type": "transaction" }).to_string()), Status(200)),
        ask("5,001 entries", of("batch", (0..5_001).map(|_| json!({ "request": { "method": "GET", "url": "Task" } })).collect()), Refused(413, "too-costly")),
        ask("a hundred thousand entries", of("batch", vec![json!({ "request": { "method": "GET", "url": "Task" } }); 100_000]), Refused(413, "too-costly")),
        ask("a Bundle that is hardly anything but frame", bundle(format!(r#"{{"resourceType":"Bundle","type":"batch","link":[{{"relation":"x","url":"{}"}}]}}"#, "u".repeat(5 << 20))), Refused(400, "too-costly")),
        ask("one address twice", of("transaction", vec![full(uuid, create()), full(uuid, create())]), invariant),
        ask("one resource twice", of("transaction", vec![put("twice"), put("twice")]), invariant),
        ask("one resource replaced and deleted", of("transaction", vec![put("both"), json!({ "request": { "method": "DELETE", "url": "Procedure/both" } })]), invariant),
        ask("an entry that asks nothing", of("transaction", vec![json!({ "resource": procedure() })]), Refused(400, "required")),
        ask("an entry that writes nothing", of("transaction", vec![json!({ "request": { "method": "POST", "url": "Procedure" } })]), Refused(400, "required")),
        ask("a modifier in an entry", of("transaction", vec![with(create(), json!({ "modifierExtension": modifier }))]), Refused(422, "extension")),
        ask("a Bundle by rules that are not known", bundle(json!({ "resourceType": "Bundle", "type": "batch", "implicitRules": "urn:x", "entry": [create()] }).to_string()), Refused(422, "not-supported")),
        ask("a Bundle in a Bundle", of("transaction", vec![entry("POST", "Bundle", json!({ "resourceType": "Bundle", "type": "batch" }))]), Refused(404, "not-supported")),
    ];
    for sort in ["document", "message", "transaction-response", "batch-response", "history", "searchset"] {
        cases.push(ask(
            format!("a Bundle of type {sort}"),
            bundle(json!({ "resourceType": "Bundle", "type": sort }).to_string()),
            Refused(422, "not-supported"),
        ));
    }
    cases
}

fn addresses() -> Vec<Case> {
    let value = Refused(400, "value");
    let mut cases = Vec::new();
    for url in [
        "../admin",
        "/fhir/Procedure",
        "http://terce/fhir/Procedure",
        "http://evil.example/fhir/Procedure",
        "//evil.example/Procedure",
        "Procedure/../Patient",
        "Procedure/..",
        "Procedure/a/b",
        "Procedure/a?x=y",
        "Procedure/%2e%2e",
        "Procedure/a\r\nX: y",
        "?identifier=a|b",
        "$explain",
    ] {
        cases.push(ask(
            format!("an entry for {url:?}"),
            of("transaction", vec![entry("POST", url, procedure())]),
            value,
        ));
    }
    cases.push(ask(
        "an entry for a type that is not kept",
        of("transaction", vec![entry("POST", "Questionnaire", json!({ "resourceType": "Questionnaire" }))]),
        Refused(404, "not-supported"),
    ));
    cases.push(ask(
        "an entry with a method that is none",
        of("transaction", vec![entry("FROB", "Procedure", procedure())]),
        Refused(400, "code-invalid"),
    ));
    cases.push(ask(
        "an entry that creates what the service writes",
        of(
            "transaction",
            vec![entry(
                "POST",
                "DetectedIssue",
                json!({ "resourceType": "DetectedIssue", "status": "final" }),
            )],
        ),
        Refused(405, "not-supported"),
    ));
    cases
}

fn stories() -> Vec<Case> {
    vec![
        story("a transaction with one bad entry writes nothing", |terce| {
            let bad = entry("POST", "Procedure", with(procedure(), json!({ "status": "done" })));
            let reply = terce.refuse(&of("transaction", vec![put("unwritten"), bad]), 400, "code-invalid")?;
            let named = at(&reply.json(), "/issue/0/expression/0") == "Bundle.entry[1].resource.status";
            ensure(named, || reply.shown())?;
            terce.refuse(&Request::get("/fhir/Procedure/unwritten"), 404, "not-found").map(|_| ())
        }),
        story("a batch with bad entries writes the others", |terce| {
            let entries = vec![
                entry("POST", "Procedure", with(procedure(), json!({ "status": "done" }))),
                put("written"),
                entry("POST", "../admin", procedure()),
                json!({ "request": { "method": "GET", "url": "Procedure/nothing" } }),
                entry("PUT", "Procedure/other", with(procedure(), json!({ "id": "another" }))),
            ];
            let reply = terce.expect(&of("batch", entries), 200)?;
            let expected = [
                ("400", "code-invalid"),
                ("201", ""),
                ("400", "value"),
                ("404", "not-found"),
                ("400", "invariant"),
            ];
            answered(&reply, &expected)?;
            terce.expect(&Request::get("/fhir/Procedure/written"), 200).map(|_| ())
        }),
        story("a condition in the place of a reference must fit one", |terce| {
            let about = |value: &str| {
                let subject =
                    json!({ "subject": { "reference": format!("Patient?identifier=urn:charting|{value}") } });
                of("transaction", vec![entry("POST", "Procedure", with(procedure(), subject))])
            };
            terce.refuse(&about("nobody"), 412, "not-found")?;
            let patient = with(json!({ "resourceType": "Patient" }), identified("somebody")).to_string();
            terce.expect(&Request::post("Patient", patient.clone()), 201)?;
            terce.expect(&about("somebody"), 200)?;
            terce.expect(&Request::post("Patient", patient), 201)?;
            terce.refuse(&about("somebody"), 412, "multiple-matches").map(|_| ())
        }),
        story("references of a transaction in a circle are written out", circle),
        story("5,000 entries are taken", |terce| {
            let reply =
                terce.expect(&of("batch", (0..5_000).map(|n| put(&format!("many-{n}"))).collect()), 200)?;
            answered(&reply, &[("201", ""); 5_000])
        }),
    ]
}

/// Status and issue type of each entry.
fn answered(reply: &Reply, expected: &[(&str, &str)]) -> Result<(), String> {
    let reply = reply.json();
    let entries = reply["entry"].as_array().map(Vec::as_slice).unwrap_or_default();
    let found: Vec<(&str, &str)> = entries
        .iter()
        .map(|e| (at(e, "/response/status"), at(e, "/response/outcome/issue/0/code")))
        .collect();
    ensure(found == expected, || format!("{:?}", found.iter().take(8).collect::<Vec<_>>()))
}

fn circle(terce: &Terce) -> Result<(), String> {
    let uuid = |n: u32| format!("urn:uuid:0c2f1d1e-0000-4000-8000-00000000000{n}");
    let part = |own: u32, of: u32| {
        let encounter = json!({
            "resourceType": "Encounter", "status": "in-progress", "class": { "code": "IMP" },
            "subject": { "reference": "Patient/p1" }, "partOf": { "reference": uuid(of) },
        });
        with(entry("POST", "Encounter", encounter), json!({ "fullUrl": uuid(own) }))
    };
    let reply = terce.expect(&of("transaction", vec![part(1, 2), part(2, 1)]), 200)?;
    answered(&reply, &[("201", ""), ("201", "")])?;
    let first = at(&reply.json(), "/entry/0/response/location").replace("/_history/1", "");
    let kept = terce.expect(&Request::get(&format!("/fhir/{first}")), 200)?.json();
    ensure(at(&kept, "/partOf/reference").starts_with("Encounter/"), || kept.to_string())
}
