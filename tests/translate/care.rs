//! Care from Procedures and Observations.

use serde_json::{Value, json};

use super::record::{ACTIVITY, EXCUSE, Record, SNOMED, check, device, observation, procedure, with};

/// What patient `p`'s record tells with `document` in it.
fn facts(document: Value) -> String {
    let mut record = Record::new();
    record.put(document);
    record.facts()
}

fn brushed(status: &str, more: Value) -> Value {
    procedure(status, ACTIVITY, "tooth-brushing", more)
}

fn row(status: &str, more: Value) -> Value {
    observation(status, ACTIVITY, "tooth-brushing", more)
}

const TEN: &str = "2026-03-03T10:00:00Z";

#[test]
fn the_status_of_a_procedure_decides_what_it_tells() {
    let cases = [
        ("preparation", ""),
        ("in-progress", "under way 03 10:00 [tooth-brushing]"),
        ("not-done", "doubt Procedure/x: not done, and its reason is none that counts; it has no effect"),
        ("on-hold", ""),
        ("stopped", ""),
        ("completed", "care 03 10:00 [tooth-brushing] recorded 09 00:00"),
        ("entered-in-error", ""),
        ("unknown", "doubt Procedure/x: whether it was done is not known; it tells nothing"),
    ];
    for (status, expected) in cases {
        check(status, &facts(brushed(status, json!({ "performedDateTime": TEN }))), expected);
    }
}

#[test]
fn a_status_without_a_value_tells_nothing() {
    let absent = json!({ "extension": [{
        "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"
    }] });
    let document = brushed("", json!({ "status": null, "_status": absent, "performedDateTime": TEN }));
    check("absent", &facts(document), "doubt Procedure/x: its status has no value; it tells nothing");
}

#[test]
fn each_type_of_performed_is_read_or_doubted() {
    let read = |more| facts(brushed("completed", more));
    let care = "care 03 10:00 [tooth-brushing] recorded 09 00:00";
    let doubt = |why: &str| format!("doubt Procedure/x: {why}");
    let cases = [
        (json!({ "performedDateTime": TEN }), care.to_owned()),
        (json!({ "performedPeriod": { "start": "2026-03-03T09:40:00Z", "end": TEN } }), care.to_owned()),
        (json!({ "performedPeriod": { "end": TEN } }), care.to_owned()),
        (
            json!({ "performedPeriod": { "start": TEN } }),
            format!("{care}\n{}", doubt("its period has no end; taken at its start")),
        ),
        (
            json!({ "performedString": "in the morning" }),
            doubt("its time is a text, an age or a range; it tells nothing"),
        ),
        (
            json!({ "performedAge": { "value": 60, "system": "http://unitsofmeasure.org", "code": "a" } }),
            doubt("its time is a text, an age or a range; it tells nothing"),
        ),
        (
            json!({ "performedRange": { "low": { "value": 60 } } }),
            doubt("its time is a text, an age or a range; it tells nothing"),
        ),
        (json!({}), doubt("it does not say when; it tells nothing")),
        (
            json!({ "performedPeriod": { "start": TEN, "end": "2026-03-03T09:00:00Z" } }),
            doubt("its period ends before it starts; it tells nothing"),
        ),
    ];
    for (more, expected) in cases {
        check(&more.to_string(), &read(more), &expected);
    }
}

#[test]
fn a_time_is_never_more_precise_than_it_was_charted() {
    let vague = "doubt Procedure/x: its time is known only to the year or the month; it tells nothing";
    let absurd = "doubt Procedure/x: its time is before 1900 or more than a year ahead; it tells nothing";
    let cases = [
        ("2026-03-03T10:00:00Z", "care 03 10:00 [tooth-brushing] recorded 09 00:00"),
        ("2026-03-03T11:00:00+01:00", "care 03 10:00 [tooth-brushing] recorded 09 00:00"),
        ("2026-03-03T10:00:00.25Z", "care 03 10:00:00.250 [tooth-brushing] recorded 09 00:00"),
        ("2026-03-03T10:00:60Z", "care 03 10:00:59.999 [tooth-brushing] recorded 09 00:00"),
        ("2026-03-03", "care day 03 [tooth-brushing] recorded 09 00:00"),
        ("2026-03", vague),
        ("2026", vague),
        ("1026-03-03T10:00:00Z", absurd),
        ("9999-12-31T23:59:59Z", absurd),
    ];
    for (time, expected) in cases {
        check(time, &facts(brushed("completed", json!({ "performedDateTime": time }))), expected);
    }
}

#[test]
fn codes_match_by_system_and_code_alone() {
    let coded = |codings: Value| {
        facts(with(
            brushed("completed", json!({ "performedDateTime": TEN })),
            json!({ "code": { "coding": codings, "text": "Teeth brushed" } }),
        ))
    };
    let uncoded = "doubt Procedure/x: it has no code with a system; text and display are never matched, so it tells \
                   nothing";
    check(
        "own",
        &coded(json!([{ "system": ACTIVITY, "code": "oral-cleansing" }])),
        "care 03 10:00 [oral-cleansing] recorded 09 00:00",
    );
    check(
        "mapped",
        &coded(json!([{ "system": SNOMED, "code": "717778001" }])),
        "care 03 10:00 [oral-cleansing] recorded 09 00:00",
    );
    check(
        "wrong display",
        &coded(json!([{ "system": SNOMED, "code": "717778001", "display": "Wheelchair" }])),
        "care 03 10:00 [oral-cleansing] recorded 09 00:00",
    );
    check(
        "any coding",
        &coded(json!([
            { "system": "urn:local", "code": "MC" }, { "system": SNOMED, "code": "717778001" },
            { "system": ACTIVITY, "code": "oral-moisturising" }
        ])),
        "care 03 10:00 [oral-cleansing, oral-moisturising] recorded 09 00:00",
    );
    check("unknown code", &coded(json!([{ "system": SNOMED, "code": "1", "display": "Teeth brushed" }])), "");
    check("known to mean nothing", &coded(json!([{ "system": SNOMED, "code": "385937007" }])), "");
    check("right code, other system", &coded(json!([{ "system": "urn:other", "code": "717778001" }])), "");
    check("no system", &coded(json!([{ "code": "tooth-brushing" }])), uncoded);
    check(
        "text only",
        &facts(with(
            brushed("completed", json!({ "performedDateTime": TEN })),
            json!({
        "code": { "text": "Intubation_and_mechanical_ventilation TV 6mL/kg, PEEP 5" } }),
        )),
        uncoded,
    );
}

#[test]
fn care_not_done_counts_with_a_reason_that_is_mapped() {
    let reason = |coding: Value| json!({ "performedDateTime": TEN, "statusReason": { "coding": [coding] } });
    let none = "doubt Procedure/x: not done, and its reason is none that counts; it has no effect";
    let cases = [
        (
            reason(json!({ "system": EXCUSE, "code": "airway-at-risk" })),
            "excuse 03 10:00 [tooth-brushing] airway-at-risk",
        ),
        (
            reason(json!({ "system": SNOMED, "code": "183932001" })),
            "excuse 03 10:00 [tooth-brushing] contraindicated",
        ),
        (
            reason(json!({ "system": SNOMED, "code": "183944003" })),
            "excuse 03 10:00 [tooth-brushing] refused",
        ),
        (reason(json!({ "system": SNOMED, "code": "416237000" })), none),
        (reason(json!({ "system": "urn:local", "code": "busy" })), none),
        (
            with(
                reason(json!({ "system": EXCUSE, "code": "refused" })),
                json!({ "performedDateTime": "2026-03-03" }),
            ),
            "excuse day 03 [tooth-brushing] refused",
        ),
        (
            with(
                reason(json!({ "system": EXCUSE, "code": "refused" })),
                json!({ "performedDateTime": null }),
            ),
            "excuse 09 00:00 [tooth-brushing] refused
             doubt Procedure/x: not done, without a time; taken at the time at which it was charted",
        ),
    ];
    for (more, expected) in cases {
        check(&more.to_string(), &facts(brushed("not-done", more)), expected);
    }
}

#[test]
fn a_device_tells_what_care_was_given_where_the_code_does_not() {
    let toothbrush = || device("tb", SNOMED, "20235003", json!({}));
    let used = |more| with(procedure("completed", SNOMED, "1", json!({ "performedDateTime": TEN })), more);
    let care = "care 03 10:00 [tooth-brushing] recorded 09 00:00";
    let told = |documents: Vec<Value>| {
        let mut record = Record::new();
        documents.into_iter().for_each(|d| {
            record.put(d);
        });
        record.told().lines().skip(1).collect::<Vec<_>>().join("\n")
    };
    let reference = json!({ "usedReference": [{ "reference": "Device/tb" }] });
    check(
        "usedReference",
        &told(vec![toothbrush(), used(reference.clone())]),
        &format!("{care}\nneeds Device/tb"),
    );
    let focal = json!({ "focalDevice": [{ "manipulated": { "reference": "Device/tb" } }] });
    check("focalDevice", &told(vec![toothbrush(), used(focal)]), &format!("{care}\nneeds Device/tb"));
    let code = json!({ "usedCode": [{ "coding": [{ "system": SNOMED, "code": "20235003" }] }] });
    check("usedCode", &told(vec![used(code)]), care);
    let inside = json!({
        "contained": [with(toothbrush(), json!({ "id": "in" }))], "usedReference": [{ "reference": "#in" }]
    });
    check("contained", &told(vec![used(inside)]), care);
    check(
        "not yet arrived",
        &told(vec![used(reference.clone())]),
        "
        doubt Procedure/x: the device that it used has not arrived; it is counted when it does
        needs Device/tb",
    );
    let pump = device("tb", SNOMED, "430033006", json!({}));
    check("another device", &told(vec![pump, used(reference.clone())]), "needs Device/tb");
    let own = procedure(
        "completed",
        ACTIVITY,
        "oral-cleansing",
        with(json!({ "performedDateTime": TEN }), reference),
    );
    check(
        "the code goes first",
        &told(vec![toothbrush(), own]),
        "care 03 10:00 [oral-cleansing] recorded 09 00:00",
    );
}

#[test]
fn rows_of_a_flowsheet_tell_care() {
    let at = || json!({ "effectiveDateTime": TEN });
    let care = "care 03 10:00 [tooth-brushing] recorded 09 00:00";
    for (status, expected) in [
        ("registered", ""),
        ("preliminary", ""),
        ("final", care),
        ("amended", care),
        ("corrected", care),
        ("cancelled", ""),
        ("entered-in-error", ""),
        ("unknown", ""),
    ] {
        check(status, &facts(row(status, at())), expected);
    }
    let undone = "doubt Observation/x: not done, or its value is missing, without a reason that counts; it has no effect";
    let value = |system: &str, code: &str| {
        with(at(), json!({ "valueCodeableConcept": { "coding": [{ "system": system, "code": code }] } }))
    };
    let cases = [
        (json!({ "effectiveInstant": TEN }), care.to_owned()),
        (json!({ "effectivePeriod": { "start": "2026-03-03T09:50:00Z", "end": TEN } }), care.to_owned()),
        (json!({ "effectiveDateTime": "2026-03-03" }), care.replace("03 10:00", "day 03")),
        (json!({}), "doubt Observation/x: it does not say when; it tells nothing".to_owned()),
        (with(at(), json!({ "issued": "2026-03-03T10:20:00Z" })), care.replace("09 00:00", "03 10:20")),
        (with(at(), json!({ "valueBoolean": true })), care.to_owned()),
        (with(at(), json!({ "valueString": "not done" })), care.to_owned()),
        (with(at(), json!({ "valueBoolean": false })), undone.to_owned()),
        (value(EXCUSE, "not-done"), undone.to_owned()),
        (value(EXCUSE, "refused"), "excuse 03 10:00 [tooth-brushing] refused".to_owned()),
        (value("urn:local", "done by family"), care.to_owned()),
        (
            with(
                at(),
                json!({ "dataAbsentReason": { "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "not-performed" }] } }),
            ),
            undone.to_owned(),
        ),
    ];
    for (more, expected) in cases {
        check(&more.to_string(), &facts(row("final", more)), &expected);
    }
    let panel = json!({ "code": { "coding": [{ "system": "urn:local", "code": "panel" }] }, "effectiveDateTime": TEN,
        "component": [
            { "code": { "coding": [{ "system": ACTIVITY, "code": "oral-cleansing" }] }, "valueBoolean": true },
            { "code": { "coding": [{ "system": ACTIVITY, "code": "oral-moisturising" }] },
              "valueCodeableConcept": { "coding": [{ "system": EXCUSE, "code": "refused" }] } },
        ] });
    check(
        "components",
        &facts(with(row("final", json!({})), panel)),
        "
        care 03 10:00 [oral-cleansing] recorded 09 00:00
        excuse 03 10:00 [oral-moisturising] refused",
    );
}

#[test]
fn recorded_is_what_the_first_version_said() {
    let done = |more| brushed("completed", with(json!({ "performedDateTime": TEN }), more));
    let updated = |at: &str| json!({ "meta": { "lastUpdated": at } });
    let recorded = |record: &Record| record.facts().rsplit(' ').take(2).collect::<Vec<_>>().join(" ");
    let mut record = Record::new();
    record.at("2026-03-03T12:00:00Z").put(done(updated("2026-03-03T10:05:00Z")));
    assert_eq!(recorded(&record), "10:05 03", "as it says itself");
    record.at("2026-03-04T12:00:00Z").put(done(updated("2026-03-04T09:00:00Z")));
    assert_eq!(recorded(&record), "12:00 03", "a correction: when the first version was received");
    let mut record = Record::new();
    record.at("2026-03-03T12:00:00Z").put(done(updated("2026-03-03T13:00:00Z")));
    assert_eq!(recorded(&record), "12:00 03", "not after it was received");
    let mut record = Record::new();
    record.at("2026-03-03T08:00:00Z").put(brushed("preparation", json!({})));
    record.at("2026-03-03T14:00:00Z").put(done(json!({})));
    assert_eq!(recorded(&record), "14:00 03", "a version before the care cannot have told of it");
}

#[test]
fn what_was_entered_in_error_or_deleted_is_withdrawn() {
    let mut record = Record::new();
    record.put(brushed("completed", json!({ "performedDateTime": TEN })));
    assert!(record.facts().starts_with("care"));
    record.put(brushed("entered-in-error", json!({ "performedDateTime": TEN })));
    check("entered in error", &record.facts(), "");
    record.put(brushed("completed", json!({ "performedDateTime": TEN })));
    assert!(record.facts().starts_with("care"));
    record.delete("Procedure", "x");
    check("deleted", &record.facts(), "");
}

#[test]
fn what_may_change_the_meaning_tells_nothing() {
    let done = |more| facts(brushed("completed", with(json!({ "performedDateTime": TEN }), more)));
    let modifier = json!({ "modifierExtension": [{ "url": "urn:not", "valueBoolean": true }] });
    let why = "doubt Procedure/x: it has a modifierExtension, which is not understood; it tells nothing";
    check("modifierExtension", &done(modifier.clone()), &why.replace("doubt", "waits"));
    let inside =
        json!({ "performer": [with(modifier, json!({ "actor": { "reference": "Practitioner/n" } }))] });
    check("in a backbone element", &done(inside), &why.replace("doubt", "waits"));
    check(
        "implicitRules",
        &done(json!({ "implicitRules": "urn:rules" })),
        "waits Procedure/x: it has implicitRules, which are not understood; it tells nothing",
    );
}
