//! What holds for every record.

use proptest::prelude::*;
use serde_json::{Value, json};
use terce::translate::codes::Codes;
use terce::translate::document::{Bases, Stored, read};
use terce::translate::dossier::Dossier;
use terce::translate::extract::{extract, extract_versions};
use terce::translate::protocol::protocol;
use terce::translate::shipped;

use super::record::{
    ACTIVITY, AIRWAY, EXCUSE, Record, SNOMED, device, device_use, encounter, observation, procedure, with,
};

/// A record with one document of every kind.
fn everything() -> Vec<Value> {
    let care =
        json!({ "performedPeriod": { "start": "2026-03-03T09:00:00Z", "end": "2026-03-03T09:05:00Z" } });
    let refused = json!({ "performedDateTime": "2026-03-04", "statusReason": { "coding": [{ "system": EXCUSE, "code": "refused" }] } });
    vec![
        json!({ "resourceType": "Patient", "id": "p", "birthDate": "1960-05-04", "deceasedDateTime": "2026-03-08T00:00:00Z" }),
        encounter(
            "e",
            json!({ "period": { "start": "2026-03-02" },
            "location": [{ "location": { "reference": "Location/b" }, "status": "active" }] }),
        ),
        encounter("f", json!({ "partOf": { "reference": "Encounter/e" }, "status": "finished" })),
        procedure("completed", ACTIVITY, "tooth-brushing", care.clone()),
        procedure("not-done", ACTIVITY, "oral-cleansing", with(refused, json!({ "id": "n" }))),
        procedure(
            "in-progress",
            AIRWAY,
            "invasive-ventilation",
            json!({ "id": "v", "performedDateTime": "2026-03-02T10:00:00Z" }),
        ),
        procedure(
            "completed",
            SNOMED,
            "1",
            with(
                care,
                json!({ "id": "w", "usedReference": [{ "reference": "Device/d" }], "encounter": null }),
            ),
        ),
        observation(
            "final",
            AIRWAY,
            "extubation",
            json!({ "id": "o", "effectiveDateTime": "2026-03-05T10:00:00Z", "issued": "2026-03-05T11:00:00Z" }),
        ),
        device(
            "d",
            SNOMED,
            "20235003",
            json!({ "status": "active", "patient": { "reference": "Patient/p" } }),
        ),
        device_use("active", json!({ "timingPeriod": { "start": "2026-03-03" } })),
        json!({ "resourceType": "Location", "id": "b", "partOf": { "reference": "Location/w" } }),
        json!({ "resourceType": "Condition", "id": "c", "subject": { "reference": "Patient/p" }, "onsetDateTime": "2026-03" }),
        rejected(),
    ]
}

/// A Task that a person rejected.
fn rejected() -> Value {
    let mut task = super::tasks::task(&[("clean", "due"), ("brush", "waiting")]);
    task["id"] = "t".into();
    let set = json!({ "url": "https://terce.example/fhir/StructureDefinition/status-set-by-hand", "valueInstant": "2026-03-04T05:30:00Z" });
    task["extension"].as_array_mut().unwrap().push(set);
    let reason = json!({ "coding": [{ "system": EXCUSE, "code": "airway-at-risk" }] });
    with(task, json!({ "status": "rejected", "statusReason": reason }))
}

fn stored<'a>(kind: &'a str, version: u64, body: &'a [u8]) -> Stored<'a> {
    Stored {
        kind,
        id: "x",
        version,
        first_us: 1_772_000_000_000_000,
        received_us: 1_773_000_000_000_000,
        deleted: false,
        body,
    }
}

/// Bytes replaced, taken away, or put in the place of others.
fn mutated(mut body: Vec<u8>, changes: &[(prop::sample::Index, u8, u8)]) -> Vec<u8> {
    for (at, how, byte) in changes {
        if body.is_empty() {
            break;
        }
        let at = at.index(body.len());
        match how % 4 {
            0 => body[at] = *byte,
            1 => {
                body.remove(at);
            }
            2 => body.insert(at, *byte),
            _ => body.truncate(at.max(body.len() / 2)),
        }
    }
    body
}

/// A value of the document replaced by another value of some document.
fn grafted(document: &Value, at: prop::sample::Index, other: &Value, from: prop::sample::Index) -> Value {
    fn paths(value: &Value, here: String, out: &mut Vec<String>) {
        match value {
            Value::Object(members) => {
                members.iter().for_each(|(name, v)| paths(v, format!("{here}/{name}"), out));
            }
            Value::Array(items) => {
                items.iter().enumerate().for_each(|(i, v)| paths(v, format!("{here}/{i}"), out))
            }
            _ => {}
        }
        out.push(here);
    }
    let (mut here, mut there) = (Vec::new(), Vec::new());
    paths(document, String::new(), &mut here);
    paths(other, String::new(), &mut there);
    let mut result = document.clone();
    *result.pointer_mut(at.get::<String>(&here).as_str()).unwrap() =
        other.pointer(from.get::<String>(&there)).unwrap().clone();
    result
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_document_panics(
        which in any::<prop::sample::Index>(),
        other in any::<prop::sample::Index>(),
        at in any::<prop::sample::Index>(),
        from in any::<prop::sample::Index>(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), any::<u8>()), 0..4),
    ) {
        let (all, codes, bases) = (everything(), Codes::shipped(), Bases::default());
        let document = which.get(&all);
        let kind = document["resourceType"].as_str().unwrap();
        let whole = serde_json::to_vec(document).unwrap();
        let graft = serde_json::to_vec(&grafted(document, at, other.get(&all), from)).unwrap();
        for body in [mutated(whole.clone(), &changes), mutated(graft.clone(), &changes), graft] {
            let _ = read(kind, &body, &bases);
            let versions = [stored(kind, 1, &whole), stored(kind, 2, &body)];
            let mut dossier = Dossier::new("p");
            dossier.put(extract(&versions[1], &codes, &bases));
            dossier.put(extract_versions(&versions, &codes, &bases).unwrap());
            let _ = dossier.stays(&|_, _| None, &terce::translate::Settings::new(chrono_tz::UTC));
        }
    }

    #[test]
    fn no_definition_panics(
        which in any::<prop::sample::Index>(),
        at in any::<prop::sample::Index>(),
        from in any::<prop::sample::Index>(),
    ) {
        let plans: Vec<Value> = shipped::ALL
            .iter()
            .filter(|s| ["PlanDefinition", "ConceptMap"].contains(&s.kind))
            .map(|s| serde_json::from_slice(s.body).unwrap())
            .collect();
        let document = which.get(&plans);
        let body = serde_json::to_vec(&grafted(document, at, document, from)).unwrap();
        let _ = protocol("x", &body, &Codes::shipped());
        let _ = Codes::of_site(&[("x".into(), body.clone())], &[("x".into(), body)]);
    }

    #[test]
    fn order_does_not_matter(order in Just(everything()).prop_shuffle(), twice in any::<prop::sample::Index>()) {
        let mut sorted = Record::empty();
        everything().into_iter().for_each(|d| { sorted.put(d); });
        let expected = sorted.assembled();
        let mut dossier = Dossier::new("p");
        let extracts = sorted.extracts();
        let shared = |kind: &str, id: &str| extracts.iter().find(|e| e.kind() == kind && e.id() == id).cloned();
        let again = twice.get(&order).clone();
        for document in order.iter().chain([&again]) {
            let (kind, id) = (document["resourceType"].as_str().unwrap(), document["id"].as_str().unwrap());
            if kind != "Location" {
                dossier.put(shared(kind, id).unwrap());
            }
        }
        prop_assert_eq!(dossier.stays(&shared, &sorted.settings), expected);
    }
}

#[test]
fn the_record_of_everything_tells_everything() {
    let mut record = Record::empty();
    everything().into_iter().for_each(|d| {
        record.put(d);
    });
    let told = record.told();
    for word in [
        "ventilated",
        "extubated",
        "unit b",
        "care 03 09:05",
        "excuse day 04",
        "rejected 04 05:30 [\"clean\"]",
        "Died",
    ] {
        assert!(told.contains(word), "{word}\n{told}");
    }
}
