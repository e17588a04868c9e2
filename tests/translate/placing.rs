//! Which stay a document belongs to.

use serde_json::{Value, json};

use super::record::{ACTIVITY, Record, check, encounter, procedure, with};

fn brushed(at: &str, more: Value) -> Value {
    procedure("completed", ACTIVITY, "tooth-brushing", with(json!({ "performedDateTime": at }), more))
}

fn loose(at: &str) -> Value {
    brushed(at, json!({ "encounter": null }))
}

#[test]
fn what_names_no_encounter_goes_to_the_only_stay_that_covers_it() {
    let mut record = Record::new();
    record.put(loose("2026-03-03T10:00:00Z"));
    check("one stay", &record.facts(), "care 03 10:00 [tooth-brushing] recorded 09 00:00");
    record.put(loose("2026-03-01T10:00:00Z"));
    check(
        "none covers it",
        &record.facts(),
        "waits Procedure/x: it names no encounter and no stay of the patient covers its time; it waits for one",
    );
    record.put(encounter(
        "e0",
        json!({
        "status": "finished", "period": { "start": "2026-03-01T00:00:00Z", "end": "2026-03-01T20:00:00Z" } }),
    ));
    check(
        "placed when its stay arrives",
        &record.told(),
        "
        stay e 02 08:00 on
        stay e0 01 00:00 to 01 20:00 Discharged
        care 01 10:00 [tooth-brushing] recorded 09 00:00",
    );
    record.put(encounter("e1", json!({ "period": { "start": "2026-03-01T08:00:00Z" } })));
    check(
        "several cover it",
        &record.facts(),
        "waits Procedure/x: it names no encounter and several stays of the patient cover its time; it waits",
    );
}

#[test]
fn an_outpatient_visit_does_not_contend_with_an_admission() {
    let mut record = Record::new();
    record.put(encounter(
        "v",
        json!({ "class": { "code": "AMB" }, "period": { "start": "2026-03-03T09:00:00Z" } }),
    ));
    record.put(loose("2026-03-03T10:00:00Z"));
    check(
        "visit",
        &record.told(),
        "
        stay e 02 08:00 on
        care 03 10:00 [tooth-brushing] recorded 09 00:00
        stay v 03 09:00 on",
    );
}

#[test]
fn what_names_an_encounter_waits_for_it() {
    let mut record = Record::new();
    record.put(brushed("2026-03-03T10:00:00Z", json!({ "encounter": { "reference": "Encounter/late" } })));
    check(
        "missing",
        &record.told(),
        "
        stay e 02 08:00 on
        waits Procedure/x: its encounter has not arrived; it is counted when it does
        needs Encounter/late",
    );
    record.put(encounter("late", json!({ "partOf": { "reference": "Encounter/e" } })));
    check(
        "arrived",
        &record.told(),
        "
        stay e+late 02 08:00 on
        care 03 10:00 [tooth-brushing] recorded 09 00:00",
    );
}

#[test]
fn an_encounter_that_is_none_of_the_patients_takes_nothing() {
    let into = |body: Value| {
        let mut record = Record::new();
        record.put(body);
        record.put(brushed("2026-03-03T10:00:00Z", json!({ "encounter": { "reference": "Encounter/o" } })));
        record.facts()
    };
    check(
        "another's",
        &into(encounter("o", json!({ "subject": { "reference": "Patient/q" } }))),
        "waits Procedure/x: its encounter is another patient's; it is not counted",
    );
    check(
        "in error",
        &into(encounter("o", json!({ "status": "entered-in-error" }))),
        "waits Procedure/x: its encounter was entered in error; it is not counted",
    );
    check(
        "planned",
        &into(encounter("o", json!({ "status": "planned" }))),
        "waits Procedure/x: its encounter is only planned; it is counted when the patient has come",
    );
    check(
        "without a subject",
        &into(encounter("o", json!({ "subject": null }))),
        "care 03 10:00 [tooth-brushing] recorded 09 00:00",
    );
}

#[test]
fn an_absolute_reference_counts_only_below_an_own_base() {
    let mut record = Record::new();
    let absolute = json!({ "encounter": { "reference": "https://ehr.example/fhir/Encounter/e/_history/3" } });
    record.put(brushed("2026-03-03T10:00:00Z", absolute));
    check(
        "elsewhere",
        &record.facts(),
        "waits Procedure/x: its encounter is not a document of this server; it is not counted",
    );
    record.settings.own_bases = terce::translate::document::Bases::new(["https://ehr.example/fhir/"]);
    check("own base", &record.facts(), "care 03 10:00 [tooth-brushing] recorded 09 00:00");
    record.put(brushed("2026-03-03T10:00:00Z", json!({ "encounter": { "identifier": { "value": "7" } } })));
    check("only an identifier", &record.facts(), "care 03 10:00 [tooth-brushing] recorded 09 00:00");
}

#[test]
fn care_outside_the_stay_or_the_life_is_no_fact() {
    let mut record = Record::new();
    record.put(encounter(
        "e",
        json!({
        "status": "finished", "period": { "start": "2026-03-02T08:00:00Z", "end": "2026-03-05T08:00:00Z" } }),
    ));
    let mut read = |at: &str| {
        record.put(brushed(at, json!({})));
        record.facts()
    };
    check(
        "before",
        &read("2026-03-02T07:00:00Z"),
        "doubt Procedure/x: it was before the stay began; it tells nothing",
    );
    check(
        "after",
        &read("2026-03-05T09:00:00Z"),
        "doubt Procedure/x: it was after the stay ended; it tells nothing",
    );
    check("at the end", &read("2026-03-05T08:00:00Z"), "care 05 08:00 [tooth-brushing] recorded 09 00:00");
    check("the day on which it began", &read("2026-03-02"), "care day 02 [tooth-brushing] recorded 09 00:00");
    check(
        "the day before",
        &read("2026-03-01"),
        "doubt Procedure/x: it was before the stay began; it tells nothing",
    );
    let mut record = Record::new();
    record.put(json!({ "resourceType": "Patient", "id": "p", "birthDate": "2026-03-04" }));
    record.put(brushed("2026-03-03T10:00:00Z", json!({})));
    check(
        "before birth",
        &record.facts(),
        "doubt Procedure/x: it was before the patient was born; it tells nothing",
    );
    let died = json!({ "resourceType": "Patient", "id": "p", "deceasedDateTime": "2026-03-03T09:00:00Z" });
    record.put(died);
    check("after death", &record.facts(), "doubt Procedure/x: it was after the stay ended; it tells nothing");
}
