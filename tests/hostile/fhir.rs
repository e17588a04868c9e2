//! JSON that is no R4, R4 that cannot be understood, and what is only odd.

use serde_json::{Value, json};

use super::Answer::{self, Refused, RefusedAndClosed, Status};
use super::process::{Terce, care};
use super::wire::Request;
use super::{CANARY, Case, ask, at, ensure, story};
use crate::rest::{identified, procedure, with, without};

pub(super) fn cases() -> Vec<Case> {
    [documents(), references(), identity(), queries(), plans(), stories()].into_iter().flatten().collect()
}

fn sent(name: &str, body: Value, answer: Answer) -> Case {
    ask(name, Request::post("Procedure", body.to_string()), answer)
}

fn changed(name: &str, members: Value, answer: Answer) -> Case {
    sent(name, with(procedure(), members), answer)
}

fn documents() -> Vec<Case> {
    let modifier = json!([{ "url": "urn:x", "valueBoolean": true }]);
    let device =
        |more: Value| json!({ "contained": [with(json!({ "resourceType": "Device", "id": "d" }), more)] });
    let named = |id: &str| json!({ "resourceType": "Device", "id": id });
    let both = |a: Value, b: Value| json!({ "contained": [a, b], "usedReference": [{ "reference": "#a" }, { "reference": "#b" }] });
    let unknown = json!({ "_status": { "extension": [{ "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown" }] } });
    vec![
        sent(
            "another type than the address says",
            json!({ "resourceType": "Patient" }),
            Refused(400, "structure"),
        ),
        sent("no type", json!({ "status": "completed" }), Refused(400, "required")),
        sent("a type that is no name", json!({ "resourceType": 5 }), Refused(400, "structure")),
        changed("an unknown status", json!({ "status": "done" }), Refused(400, "code-invalid")),
        changed("a status in other letters", json!({ "status": "Completed" }), Refused(400, "code-invalid")),
        sent("no status", without(procedure(), "status"), Refused(400, "required")),
        sent(
            "a status that is not known, and why",
            without(with(procedure(), unknown), "status"),
            Status(201),
        ),
        sent("no subject", without(procedure(), "subject"), Refused(400, "required")),
        sent("no encounter", without(procedure(), "encounter"), Status(201)),
        changed("a modifier", json!({ "modifierExtension": modifier }), Refused(422, "extension")),
        changed(
            "a modifier further in",
            json!({ "performer": [{ "actor": { "reference": "Practitioner/1" }, "modifierExtension": modifier }] }),
            Refused(422, "extension"),
        ),
        changed(
            "a modifier in a contained resource",
            with(
                device(json!({ "modifierExtension": modifier })),
                json!({ "usedReference": [{ "reference": "#d" }] }),
            ),
            Refused(422, "extension"),
        ),
        changed(
            "rules that are not known",
            json!({ "implicitRules": "urn:x" }),
            Refused(422, "not-supported"),
        ),
        changed(
            "an extension that is not known",
            json!({ "extension": [{ "url": "urn:x", "valueBoolean": true }] }),
            Status(201),
        ),
        changed("a contained resource that nothing refers to", device(json!({})), Refused(400, "invariant")),
        changed(
            "a contained resource in a contained one",
            device(json!({ "contained": [named("e")] })),
            Refused(400, "invariant"),
        ),
        changed("two contained resources of one id", both(named("a"), named("a")), Refused(400, "invariant")),
        changed("two times of performing", json!({ "performedString": "early" }), Refused(400, "structure")),
        changed(
            "a period that ends before it starts",
            json!({ "performedDateTime": null, "performedPeriod": { "start": "2026-03-02", "end": "2026-03-01" } }),
            Refused(400, "structure"),
        ),
        sent(
            "a period that ends before it starts, alone",
            without(
                with(
                    procedure(),
                    json!({ "performedPeriod": { "start": "2026-03-02", "end": "2026-03-01" } }),
                ),
                "performedDateTime",
            ),
            Refused(400, "invariant"),
        ),
        ask(
            "a picture at an inner address, which is kept as a name",
            Request::post(
                "Patient",
                json!({ "resourceType": "Patient", "photo": [{ "url": "http://169.254.169.254/x" }] })
                    .to_string(),
            ),
            Status(201),
        ),
        changed(
            "a profile that is an address",
            json!({ "meta": { "profile": ["http://169.254.169.254/x"] } }),
            Status(201),
        ),
        ask(
            "an Observation without a status",
            Request::post(
                "Observation",
                json!({ "resourceType": "Observation", "code": { "text": "x" } }).to_string(),
            ),
            Refused(400, "required"),
        ),
        ask(
            "an Encounter without a class",
            Request::post(
                "Encounter",
                json!({ "resourceType": "Encounter", "status": "in-progress" }).to_string(),
            ),
            Refused(400, "required"),
        ),
    ]
}

fn references() -> Vec<Case> {
    let subject = |reference: &str| json!({ "subject": { "reference": reference } });
    let mut cases = vec![
        changed(
            "a reference to a version that is not there",
            json!({ "encounter": { "reference": "Encounter/e1/_history/77" } }),
            Status(201),
        ),
        changed("a reference to a wrong type", subject("Device/1"), Refused(422, "business-rule")),
        changed(
            "an encounter of a wrong type",
            json!({ "encounter": { "reference": "Patient/p1" } }),
            Refused(422, "business-rule"),
        ),
    ];
    for elsewhere in [
        "http://other.example/fhir/Patient/p1",
        "http://169.254.169.254/latest/meta-data",
        "http://[::1]:22/Patient/p1",
        "http://0x7f.1/Patient/p1",
        "file:///etc/passwd",
        "javascript:alert(1)",
        "gopher://127.0.0.1:25/_x",
        "urn:uuid:0c2f1d1e-0000-4000-8000-000000000001",
        "../Patient/p1",
        "Patient/p1?x=y",
        "/etc/passwd",
    ] {
        cases.push(changed(
            &format!("a reference to {elsewhere}, which is kept as a name"),
            subject(elsewhere),
            Status(201),
        ));
    }
    cases
}

fn identity() -> Vec<Case> {
    let a = with(procedure(), json!({ "id": "a" }));
    let put = |at: &str, body: &Value| Request::put(at, body.to_string());
    let create = || Request::post("Procedure", procedure().to_string());
    let mut cases = vec![
        ask("replacing under another id", put("Procedure/b", &a), Refused(400, "invariant")),
        ask("replacing without an id", put("Procedure/b", &procedure()), Refused(400, "required")),
        ask(
            "replacing with an id that is none",
            put("Procedure/b", &with(procedure(), json!({ "id": "../b" }))),
            Refused(400, "invariant"),
        ),
        ask(
            "creating by a condition that fits everything",
            create().header("If-None-Exist", ""),
            Refused(400, "not-supported"),
        ),
        ask(
            "creating by a condition that is not known",
            create().header("If-None-Exist", "colour=red"),
            Refused(400, "not-supported"),
        ),
        ask(
            "creating by two conditions",
            create().header("If-None-Exist", "identifier=a|b&identifier=c|d"),
            Refused(400, "not-supported"),
        ),
        ask(
            "creating by no identifier",
            create().header("If-None-Exist", "identifier=a|"),
            Refused(400, "value"),
        ),
        ask(
            "creating by a condition in the address that is not known",
            Request::post("Procedure?colour=red", procedure().to_string()),
            Refused(400, "not-supported"),
        ),
        ask("deleting everything", Request::new("DELETE", "/fhir/Procedure"), Refused(400, "not-supported")),
        ask(
            "replacing whatever there is",
            Request::put("Procedure", procedure().to_string()),
            Refused(400, "not-supported"),
        ),
    ];
    for tag in
        ["x", "W/", "W/\"\"", "\"0\"", "W/\"1\", W/\"2\"", "*", "W/\"99999999999999999999\"", "W/\"-1\""]
    {
        let request = put("Procedure/a", &a).header("If-Match", tag);
        cases.push(ask(format!("If-Match: {tag}"), request, Refused(400, "value")));
    }
    cases
}

fn queries() -> Vec<Case> {
    let get = |query: &str| Request::get(&format!("/fhir/Procedure?{query}"));
    let strict = |query: &str| get(query).header("Prefer", "handling=strict");
    let costly = Refused(400, "too-costly");
    let mut cases = vec![
        // more than a head may have: the library's affair
        ask(
            "a parameter of 100 KB",
            get(&format!("identifier={}", "x".repeat(100_000))),
            Answer::Library(431),
        ),
        ask("a parameter of 10 KB", get(&format!("identifier={}", "x".repeat(10_000))), costly),
        ask("a thousand parameters", get(&"_id=a&".repeat(1_000)), costly),
        ask("a thousand alternatives", get(&format!("_id={}", vec!["a"; 1_000].join(","))), costly),
        ask("a page of a thousand million", get("_count=1000000000"), Status(200)),
        ask("a page of less than nothing", get("_count=-1"), Refused(400, "value")),
        ask("a page of some", get("_count=some"), Refused(400, "value")),
        ask(
            "includes that go round and round",
            get("_include:iterate=Procedure:part-of&_revinclude:iterate=Procedure:part-of"),
            Refused(400, "not-supported"),
        ),
        ask(
            "a chain that never ends",
            get(&format!("{}status=x", "encounter.part-of.".repeat(50))),
            Refused(400, "not-supported"),
        ),
        ask("a link that was never given", get("_cursor=%00"), Refused(400, "value")),
        ask("a link that was made up", get("_cursor=zzzzzzzzzzzzzzzzzzzzzzzz"), Refused(400, "value")),
        ask("what is not searched for, strictly", strict("colour=red"), Refused(400, "not-supported")),
        ask("what is not searched for", get("colour=red"), Status(200)),
        ask(
            "a subject by a name that is not known",
            get("patient.nickname=x"),
            Refused(400, "not-supported"),
        ),
        ask("a subject by another name", get("individual=Patient/p1"), Refused(400, "not-supported")),
        ask("no value", get("_id="), Refused(400, "value")),
        ask("the character zero", get("_id=%00"), Refused(400, "value")),
        ask("what is no UTF-8", get("_id=%ff"), Refused(400, "value")),
        ask("a date that is none", get("_lastUpdated=2026-02-30"), Refused(400, "value")),
        ask("a date in words", get("_lastUpdated=yesterday"), Refused(400, "value")),
        ask("a date at the end of time", get("_lastUpdated=lt9999-12-31T23:59:59.999999999Z"), Status(200)),
        ask(
            "history of a kind that is none",
            Request::get("/fhir/Procedure/a/_history?_count=x"),
            Refused(400, "value"),
        ),
    ];
    for (name, at, code) in [
        ("a code without its system", "ConceptMap/$translate?code=a", "required"),
        (
            "a parameter that no operation has",
            "ConceptMap/$translate?code=a&system=b&colour=c",
            "not-supported",
        ),
        ("looking at an id that is none", "Procedure/..%2f/$validate", "value"),
    ] {
        cases.push(ask(name, Request::get(&format!("/fhir/{at}")), Refused(400, code)));
    }
    let form = Request::new("POST", "/fhir/Procedure/_search")
        .header("Content-Type", "application/x-www-form-urlencoded");
    cases.push(ask("a form of 100 KB", form.with_plain_body(format!("_id={}", "x".repeat(100_000))), costly));
    cases
}

/// Definitions that would make everybody's care be counted wrongly, or without end.
fn plans() -> Vec<Case> {
    let shipped = terce::translate::shipped::document("PlanDefinition", "minimal").unwrap();
    let minimal: Value = serde_json::from_slice(shipped.body).unwrap();
    let timed = |repeat: Value| {
        let mut plan = with(minimal.clone(), json!({ "id": "hostile" }));
        plan["action"][0]["timingTiming"] = json!({ "repeat": repeat });
        Request::put("PlanDefinition/hostile", plan.to_string())
    };
    let rule = Refused(422, "business-rule");
    let mut cases = vec![
        ask("care every nothing", timed(json!({ "frequency": 1, "period": 0, "periodUnit": "h" })), rule),
        ask(
            "care every thousand million hours",
            timed(json!({ "frequency": 1, "period": 1e9, "periodUnit": "h" })),
            rule,
        ),
        ask(
            "care a thousand million times a day",
            timed(json!({ "frequency": 1_000_000_000, "period": 1, "periodUnit": "d" })),
            rule,
        ),
        ask(
            "care no times a day",
            timed(json!({ "frequency": 0, "period": 1, "periodUnit": "d" })),
            Refused(400, "value"),
        ),
        ask("care less than never", timed(json!({ "frequency": 1, "period": -4, "periodUnit": "h" })), rule),
        ask(
            "a unit that is none",
            timed(json!({ "frequency": 1, "period": 4, "periodUnit": "hours" })),
            Refused(400, "code-invalid"),
        ),
        ask(
            "a limit before the target",
            timed(json!({ "frequency": 1, "period": 4, "periodMax": 2, "periodUnit": "h" })),
            rule,
        ),
        ask(
            "what would change the cadence and is not read",
            timed(json!({ "frequency": 1, "period": 4, "periodUnit": "h", "dayOfWeek": ["mon"] })),
            rule,
        ),
    ];
    let mut dangling = with(minimal, json!({ "id": "hostile" }));
    dangling["action"][0]["relatedAction"] = json!([{ "actionId": "nobody", "relationship": "after-end", "offsetDuration": { "value": 1, "unit": "h", "system": "http://unitsofmeasure.org", "code": "h" } }]);
    cases.push(ask(
        "an action after one that is not there",
        Request::put("PlanDefinition/hostile", dangling.to_string()),
        rule,
    ));
    cases
}

fn stories() -> Vec<Case> {
    vec![
        story("what a client says of id and version of a new document is not believed", |terce| {
            let meta =
                json!({ "id": "mine", "meta": { "versionId": "9", "lastUpdated": "1990-01-01T00:00:00Z" } });
            let made =
                terce.expect(&Request::post("Procedure", with(procedure(), meta).to_string()), 201)?.json();
            let ours = at(&made, "/meta/versionId") == "1"
                && !at(&made, "/meta/lastUpdated").starts_with("1990")
                && at(&made, "/id") != "mine";
            ensure(ours, || made.to_string())
        }),
        story("a version that was overtaken is not replaced", |terce| {
            let put = |text: &str| {
                Request::put(
                    "Location/versioned",
                    json!({ "resourceType": "Location", "id": "versioned", "name": text }).to_string(),
                )
            };
            terce.expect(&put("a"), 201)?;
            terce.expect(&put("b").header("If-Match", "W/\"1\""), 200)?;
            terce.refuse(&put("c").header("If-Match", "W/\"1\""), 412, "conflict")?;
            terce
                .refuse(
                    &Request::new("DELETE", "/fhir/Location/versioned").header("If-Match", "W/\"1\""),
                    412,
                    "conflict",
                )
                .map(|_| ())
        }),
        story("a condition that fits several is refused", |terce| {
            let twin = with(procedure(), identified("twin")).to_string();
            for _ in 0..2 {
                terce.expect(&Request::post("Procedure", twin.clone()), 201)?;
            }
            let one = "identifier=urn:charting|twin";
            terce.refuse(
                &Request::post("Procedure", twin.clone()).header("If-None-Exist", one),
                412,
                "multiple-matches",
            )?;
            terce.refuse(&Request::put(&format!("Procedure?{one}"), twin), 412, "multiple-matches")?;
            terce
                .refuse(&Request::new("DELETE", &format!("/fhir/Procedure?{one}")), 412, "multiple-matches")
                .map(|_| ())
        }),
        story("what was deleted is gone, and what never was is not there", |terce| {
            let device = json!({ "resourceType": "Device", "id": "gone" });
            terce.expect(&Request::put("Device/gone", device.to_string()), 201)?;
            terce.expect(&Request::new("DELETE", "/fhir/Device/gone"), 204)?;
            terce.refuse(&Request::get("/fhir/Device/gone"), 410, "deleted")?;
            terce.refuse(&Request::get("/fhir/Device/never"), 404, "not-found").map(|_| ())
        }),
        story("stays that are part of one another are told from one another", circles),
        story("a Patient linked in a circle is one patient", |terce| {
            let linked = |other: &str| json!({ "link": [{ "other": { "reference": format!("Patient/{other}") }, "type": "seealso" }] });
            terce.admit("circle-a", linked("circle-b"))?;
            terce.admit("circle-b", linked("circle-a"))?;
            terce.expect(&Request::get("/fhir/Encounter/circle-a/$explain"), 200).map(|_| ())
        }),
        story("contained resources that refer to one another are kept", |terce| {
            let contained = json!({
                "contained": [
                    { "resourceType": "Device", "id": "a", "parent": { "reference": "#b" } },
                    { "resourceType": "Device", "id": "b", "parent": { "reference": "#a" } },
                ],
                "usedReference": [{ "reference": "#a" }],
            });
            terce.admit("contained", json!({}))?;
            terce.expect(&Request::post("Procedure", with(care("contained"), contained).to_string()), 201)?;
            terce.expect(&Request::get("/fhir/Encounter/contained/$explain"), 200).map(|_| ())
        }),
        story("what cannot be linked is stored, shown, and makes no patient", |terce| {
            let unlinked = |terce: &Terce| -> Result<u64, String> {
                let numbers = terce.numbers()?;
                let line = numbers
                    .lines()
                    .find(|l| l.starts_with("terce_documents_unlinked "))
                    .ok_or("terce_documents_unlinked is not told")?;
                line.rsplit(' ').next().and_then(|n| n.parse().ok()).ok_or_else(|| line.to_owned())
            };
            let before = unlinked(terce)?;
            let inside = json!({ "contained": [{ "resourceType": "Patient", "id": "c", "name": [{ "text": CANARY }] }], "subject": { "reference": "#c" } });
            for subject in
                [inside, json!({ "subject": { "reference": "http://other.example/fhir/Patient/elsewhere" } })]
            {
                let body = without(with(procedure(), subject), "encounter");
                terce.expect(&Request::post("Procedure", body.to_string()), 201)?;
            }
            terce.refuse(&Request::get("/fhir/Patient/c"), 404, "not-found")?;
            terce.refuse(&Request::get("/fhir/Patient/elsewhere"), 404, "not-found")?;
            let after = unlinked(terce)?;
            ensure(after == before + 2, || format!("{before} before, {after} after"))
        }),
        story("a connection whose request cannot be told is closed", |terce| {
            let mut wire = terce.wire();
            wire.send(b"GET /healthz HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\nGET /healthz HTTP/1.1\r\nHost: a\r\n\r\n");
            let reply = wire.reply()?;
            super::judge(&reply, RefusedAndClosed(400, "value"))?;
            ensure(wire.is_closed(), || "what follows is answered".to_owned())
        }),
    ]
}

fn circles(terce: &Terce) -> Result<(), String> {
    let part = |id: &str, of: &str| {
        let body = json!({
            "resourceType": "Encounter", "id": id, "status": "in-progress", "class": { "code": "IMP" },
            "subject": { "reference": "Patient/circle" }, "partOf": { "reference": format!("Encounter/{of}") },
        });
        Request::put(&format!("Encounter/{id}"), body.to_string())
    };
    terce.refuse(&part("ring", "ring"), 422, "business-rule")?;
    let ring: Vec<String> = (0..40).map(|n| format!("ring-{n}")).collect();
    for (n, id) in ring.iter().enumerate() {
        terce.expect(&part(id, &ring[(n + 1) % ring.len()]), 201)?;
    }
    let told = terce.ask(&Request::get("/fhir/Encounter/ring-0/$explain"))?;
    ensure(told.status < 500, || told.shown())
}
