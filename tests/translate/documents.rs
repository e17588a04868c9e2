//! What is let in at the door, and with which answer the rest is refused.

use serde_json::{Value, json};
use terce::translate::document::{Bases, read, references};
use terce::translate::shipped;

use super::record::{ACTIVITY, check, device, device_use, encounter, observation, procedure, with};

fn door(kind: &str, body: &Value) -> String {
    match read(kind, &serde_json::to_vec(body).unwrap(), &Bases::default()) {
        Ok(read) => {
            let warnings: Vec<String> =
                read.warnings.iter().map(|w| format!(" warning {}", w.path)).collect();
            format!(
                "patient {:?} encounter {:?}{}",
                read.links.patient,
                read.links.encounter,
                warnings.concat()
            )
        }
        Err(error) => format!("{} {}", error.kind.as_code(), error.path),
    }
}

fn done(more: Value) -> Value {
    procedure(
        "completed",
        ACTIVITY,
        "tooth-brushing",
        with(json!({ "performedDateTime": "2026-03-03T10:00:00Z" }), more),
    )
}

#[test]
fn what_is_not_r4_is_refused_with_its_place() {
    let cases = [
        (done(json!({ "status": "done" })), "code-invalid Procedure.status"),
        (done(json!({ "status": null })), "required Procedure.status"),
        (done(json!({ "subject": null })), "required Procedure.subject"),
        (done(json!({ "performedDateTime": "2026-03-03T10:00" })), "value Procedure.performedDateTime"),
        (done(json!({ "performedDateTime": "2026-02-30" })), "value Procedure.performedDateTime"),
        (done(json!({ "performedString": "then" })), "structure Procedure.performed[x]"),
        (done(json!({ "subject": { "reference": "Device/1" } })), "business-rule Procedure.subject"),
        (
            done(
                json!({ "performedDateTime": null, "performedPeriod": { "start": "2026-03-03", "end": "2026-03-01" } }),
            ),
            "invariant Procedure.performedPeriod",
        ),
        (
            done(json!({ "contained": [{ "resourceType": "Patient", "id": "q" }] })),
            "invariant Procedure.contained[0]",
        ),
        (
            done(json!({ "modifierExtension": [{ "url": "urn:x", "valueBoolean": true }] })),
            "extension Procedure",
        ),
        (
            done(json!({ "performer": [{ "actor": { "display": "n" },
                "modifierExtension": [{ "url": "urn:x", "valueBoolean": true }] }] })),
            "extension Procedure",
        ),
        (done(json!({ "implicitRules": "urn:rules" })), "not-supported Procedure.implicitRules"),
        (
            encounter("e", json!({ "partOf": { "reference": "Encounter/e" } })),
            "business-rule Encounter.partOf",
        ),
        (json!({ "resourceType": "Claim", "id": "c" }), "not-supported resourceType"),
    ];
    for (body, expected) in cases {
        check(&body.to_string(), &door(body["resourceType"].as_str().unwrap(), &body), expected);
    }
}

#[test]
fn a_document_of_another_type_than_the_address_is_refused() {
    assert!(door("Observation", &done(json!({}))).starts_with("structure resourceType"));
}

#[test]
fn a_status_without_a_value_is_let_in_with_a_warning() {
    let absent = json!({ "extension": [{ "url": "urn:why", "valueCode": "unknown" }] });
    check(
        "absent",
        &door("Procedure", &done(json!({ "status": null, "_status": absent }))),
        r#"patient Some("p") encounter Some("e") warning Procedure.status"#,
    );
}

#[test]
fn each_type_has_its_links() {
    let about = json!({ "reference": "Patient/p" });
    let inside = json!({ "reference": "Encounter/e" });
    let cases = [
        (done(json!({})), Some("p"), Some("e")),
        (observation("final", ACTIVITY, "tooth-brushing", json!({})), Some("p"), Some("e")),
        (device_use("active", json!({})), Some("p"), None),
        (device("d", "urn:s", "D", json!({})), None, None),
        (device("d", "urn:s", "D", json!({ "patient": about })), Some("p"), None),
        (encounter("e", json!({})), Some("p"), None),
        (json!({ "resourceType": "Patient", "id": "p" }), Some("p"), None),
        (json!({ "resourceType": "Location", "id": "l" }), None, None),
        (
            json!({ "resourceType": "Condition", "id": "c", "subject": about, "encounter": inside }),
            Some("p"),
            Some("e"),
        ),
        (
            json!({ "resourceType": "MedicationAdministration", "id": "m", "status": "completed", "subject": about,
                "context": inside, "medicationReference": { "reference": "Medication/m" },
                "effectiveDateTime": "2026-03-03" }),
            Some("p"),
            Some("e"),
        ),
        (
            json!({ "resourceType": "Task", "id": "t", "status": "ready", "intent": "order", "for": about, "encounter": inside }),
            Some("p"),
            Some("e"),
        ),
        (
            done(json!({ "subject": { "reference": "https://other.example/fhir/Patient/p" } })),
            None,
            Some("e"),
        ),
        (
            done(
                json!({ "subject": { "identifier": { "value": "7" } }, "encounter": { "reference": "Encounter/e/_history/2" } }),
            ),
            None,
            Some("e"),
        ),
        (
            done(
                json!({ "contained": [{ "resourceType": "Patient", "id": "q" }], "subject": { "reference": "#q" } }),
            ),
            None,
            Some("e"),
        ),
    ];
    for (body, patient, encounter) in cases {
        let kind = body["resourceType"].as_str().unwrap();
        let links = references(kind, &serde_json::to_vec(&body).unwrap(), &Bases::default()).unwrap();
        assert_eq!((links.patient.as_deref(), links.encounter.as_deref()), (patient, encounter), "{body}");
    }
}

#[test]
fn business_identifiers_have_a_value_and_perhaps_a_system() {
    let body = done(
        json!({ "identifier": [{ "system": "urn:s", "value": "1" }, { "value": "2" }, { "system": "urn:s" }] }),
    );
    let read = read("Procedure", &serde_json::to_vec(&body).unwrap(), &Bases::default()).unwrap();
    let named = |system: &str, value: &str| (system.to_owned(), value.to_owned());
    assert_eq!(read.identifiers, [named("urn:s", "1"), named("", "2")]);
}

#[test]
fn the_shipped_definitions_are_let_in() {
    let written = |kind: &str| terce::rest::types::kind(kind).unwrap().fed();
    for definition in shipped::ALL.iter().filter(|d| written(d.kind)) {
        let read = read(definition.kind, definition.body, &Bases::default());
        assert!(read.is_ok(), "{}/{}: {read:?}", definition.kind, definition.id);
    }
}
