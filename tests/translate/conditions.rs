//! Conditions of the patient that protocols ask for by name.

use serde_json::{Value, json};
use terce::translate::codes::Codes;

use super::record::{Record, check, encounter, observation, with};

fn told(document: Value) -> String {
    let set = json!({ "resourceType": "ValueSet", "id": "trach", "status": "active",
        "compose": { "include": [{ "system": "urn:s", "concept": [{ "code": "T" }] }] } });
    let mut record = Record::new();
    record.codes = Codes::of_site(&[], &[("trach".into(), serde_json::to_vec(&set).unwrap())]).0;
    record.put(document);
    record.facts()
}

fn condition(more: Value) -> String {
    let base = json!({ "resourceType": "Condition", "id": "c", "subject": { "reference": "Patient/p" },
        "code": { "coding": [{ "system": "urn:s", "code": "T" }] } });
    told(with(base, more))
}

#[test]
fn a_condition_holds_from_its_onset_to_its_abatement() {
    let code = |element: &str, code: &str| json!({ element: { "coding": [{ "code": code }] } });
    let onset = || json!({ "onsetDateTime": "2026-03-03T10:00:00Z" });
    let recorded =
        "doubt Condition/c: when it began is not known to the day; taken from when it was recorded";
    let cases = [
        (onset(), "condition trach 03 10:00 to open".to_owned()),
        (json!({ "onsetDateTime": "2026-03-03" }), "condition trach 02 23:00 to open".to_owned()),
        (
            with(onset(), json!({ "abatementDateTime": "2026-03-05T10:00:00Z" })),
            "condition trach 03 10:00 to 05 10:00".to_owned(),
        ),
        (with(onset(), code("verificationStatus", "refuted")), String::new()),
        (with(onset(), code("verificationStatus", "entered-in-error")), String::new()),
        (with(onset(), json!({ "code": { "text": "T" } })), String::new()),
    ];
    for (more, expected) in cases {
        check(&more.to_string(), &condition(more), &expected);
    }
    // What is doubtful about a condition waits with the patient: it may belong to several stays or to none
    let vague = json!({ "onsetDateTime": "2019", "recordedDate": "2026-03-02T10:00:00Z" });
    check(
        "vague",
        &condition(vague),
        &format!("condition trach 02 10:00 to open\n{}", recorded.replace("doubt", "waits")),
    );
    let over = "waits Condition/c: it is over and has no end; taken to have ended when that was charted";
    check(
        "over",
        &condition(with(onset(), code("clinicalStatus", "resolved"))),
        &format!("condition trach 03 10:00 to 09 00:00\n{over}"),
    );
}

#[test]
fn an_observation_with_a_period_is_a_condition_too() {
    let row = |more| told(observation("final", "urn:s", "T", more));
    let period =
        json!({ "effectivePeriod": { "start": "2026-03-03T10:00:00Z", "end": "2026-03-04T10:00:00Z" } });
    check("period", &row(period.clone()), "condition trach 03 10:00 to 04 10:00");
    check("denied", &row(with(period, json!({ "valueBoolean": false }))), "");
    check(
        "instant",
        &row(json!({ "effectiveDateTime": "2026-03-03T10:00:00Z" })),
        "doubt Observation/x: a condition that holds at an instant holds for no time; it needs a period",
    );
}

#[test]
fn an_encounter_that_cannot_be_read_is_seen_by_someone() {
    let mut record = Record::new();
    record.put(encounter("bad", json!({ "status": "gone" })));
    assert!(
        record.facts().starts_with("waits Encounter/bad: Encounter.status: \"gone\" is not a code"),
        "{}",
        record.facts()
    );
}
