//! Ventilation, airway rows, extubation and time away.

use serde_json::{Value, json};

use super::record::{
    AIRWAY, Record, SNOMED, check, device, device_use, encounter, observation, procedure, with,
};

fn invasive(status: &str, more: Value) -> Value {
    procedure(status, AIRWAY, "invasive-ventilation", more)
}

fn facts(document: Value) -> String {
    let mut record = Record::new();
    record.put(document);
    record.facts()
}

const START: &str = "2026-03-03T10:00:00Z";
const END: &str = "2026-03-05T10:00:00Z";
const OVER: &str = "it is over and has no end; taken to have ended when that was charted";

#[test]
fn a_procedure_of_ventilation_is_a_span() {
    let both = || json!({ "performedPeriod": { "start": START, "end": END } });
    let open = || json!({ "performedPeriod": { "start": START } });
    let hold =
        "doubt Procedure/x: ventilation on hold; taken to go on until its end or an extubation is charted";
    let unknown = "doubt Procedure/x: whether it took place is not known; it tells nothing";
    let ended = format!("ventilated 03 10:00 to 09 00:00 Procedure\ndoubt Procedure/x: {OVER}");
    let cases = [
        ("completed", both(), "ventilated 03 10:00 to 05 10:00 Procedure".to_owned()),
        ("completed", open(), ended.clone()),
        ("stopped", open(), ended),
        ("in-progress", open(), "ventilated 03 10:00 to open Procedure".to_owned()),
        (
            "in-progress",
            json!({ "performedDateTime": START }),
            "ventilated 03 10:00 to open Procedure".to_owned(),
        ),
        ("on-hold", open(), format!("ventilated 03 10:00 to open Procedure\n{hold}")),
        ("unknown", open(), unknown.to_owned()),
        ("preparation", open(), String::new()),
        ("not-done", open(), String::new()),
        ("entered-in-error", both(), String::new()),
        (
            "completed",
            json!({ "performedPeriod": { "start": "2026-03-03", "end": "2026-03-05" } }),
            "ventilated day 03 to day 05 Procedure".to_owned(),
        ),
        (
            "completed",
            json!({ "performedPeriod": { "end": END } }),
            "doubt Procedure/x: ventilation without a start; it tells nothing".to_owned(),
        ),
        (
            "completed",
            json!({ "performedPeriod": { "start": "2026-03", "end": "2026-03-05" } }),
            "doubt Procedure/x: its time is known only to the year or the month; it tells nothing".to_owned(),
        ),
    ];
    for (status, more, expected) in cases {
        let name = format!("{status} {more}");
        check(&name, &facts(invasive(status, more)), &expected);
    }
}

#[test]
fn only_codes_that_say_artificial_airway_count() {
    let coded =
        |code: &str| facts(procedure("in-progress", SNOMED, code, json!({ "performedDateTime": START })));
    for code in ["1258985005", "243147009", "26763009"] {
        check(code, &coded(code), "ventilated 03 10:00 to open Procedure");
    }
    for code in ["40617009", "428311008", "447837008", "47545007", "112798008"] {
        check(code, &coded(code), "");
    }
    let billed = json!({ "performedPeriod": { "start": START, "end": END } });
    check(
        "billing",
        &facts(procedure("completed", "http://www.cms.gov/Medicare/Coding/ICD10", "5A1955Z", billed)),
        "",
    );
}

#[test]
fn reintubation_is_two_spans_and_an_extubation() {
    let mut record = Record::new();
    let vent = |id: &str, start: &str| {
        invasive("in-progress", json!({ "id": id, "performedPeriod": { "start": start } }))
    };
    record.put(vent("v1", START)).put(vent("v2", "2026-03-04T18:00:00Z"));
    record.put(procedure(
        "completed",
        SNOMED,
        "271280005",
        json!({ "id": "out", "performedDateTime": "2026-03-04T12:00:00Z" }),
    ));
    check(
        "reintubated",
        &record.facts(),
        "
        ventilated 03 10:00 to open Procedure
        ventilated 04 18:00 to open Procedure
        extubated 04 12:00",
    );
    record.put(procedure(
        "completed",
        SNOMED,
        "271280005",
        json!({ "id": "out", "performedDateTime": "2026-03-04" }),
    ));
    check(
        "on a day",
        &record.facts(),
        "
        ventilated 03 10:00 to open Procedure
        ventilated 04 18:00 to open Procedure
        doubt Procedure/out: an extubation known only to the day; it ends nothing",
    );
}

#[test]
fn an_end_that_was_not_charted_does_not_move_with_later_versions() {
    let mut record = Record::new();
    let open =
        |status: &str, note: &str| invasive(status, json!({ "performedDateTime": START, "language": note }));
    record.at("2026-03-03T10:05:00Z").put(open("in-progress", "de"));
    record.at("2026-03-04T10:00:00Z").put(open("completed", "de"));
    record.at("2026-03-08T10:00:00Z").put(open("completed", "en"));
    assert!(record.facts().starts_with("ventilated 03 10:00 to 04 10:00"), "{}", record.facts());
}

#[test]
fn the_use_of_a_ventilator_or_a_tube_is_a_span() {
    let told = |status: &str, more: Value| {
        let mut record = Record::new();
        record.put(device("d", SNOMED, "26412008", json!({}))).put(device_use(status, more));
        record.facts()
    };
    let period = |start: &str, end: Option<&str>| match end {
        Some(end) => json!({ "timingPeriod": { "start": start, "end": end } }),
        None => json!({ "timingPeriod": { "start": start } }),
    };
    let hold = "doubt DeviceUseStatement/u: its use is on hold; taken to go on until its end or an extubation is charted";
    let cases = [
        ("active", period(START, None), "ventilated 03 10:00 to open DeviceUse".to_owned()),
        ("completed", period(START, Some(END)), "ventilated 03 10:00 to 05 10:00 DeviceUse".to_owned()),
        (
            "completed",
            period(START, None),
            format!("ventilated 03 10:00 to 09 00:00 DeviceUse\ndoubt DeviceUseStatement/u: {OVER}"),
        ),
        ("stopped", period(START, Some(END)), "ventilated 03 10:00 to 05 10:00 DeviceUse".to_owned()),
        ("on-hold", period(START, None), format!("ventilated 03 10:00 to open DeviceUse\n{hold}")),
        ("intended", period(START, None), String::new()),
        ("entered-in-error", period(START, None), String::new()),
        (
            "completed",
            period("2026-03-03", Some("2026-03-05")),
            "ventilated day 03 to day 05 DeviceUse".to_owned(),
        ),
        ("active", json!({ "timingDateTime": START }), "ventilated 03 10:00 to open DeviceUse".to_owned()),
        (
            "active",
            json!({ "recordedOn": START }),
            "ventilated 03 10:00 to open DeviceUse
             doubt DeviceUseStatement/u: its use has no start; taken from when it was recorded"
                .to_owned(),
        ),
        (
            "active",
            json!({}),
            "doubt DeviceUseStatement/u: its use has no start; it tells nothing".to_owned(),
        ),
        (
            "active",
            json!({ "timingTiming": { "repeat": { "count": 1 } } }),
            "doubt DeviceUseStatement/u: its time is a schedule; it tells nothing".to_owned(),
        ),
    ];
    for (status, more, expected) in cases {
        let name = format!("{status} {more}");
        let waits = expected.starts_with("doubt");
        let expected = if waits { expected.replacen("doubt", "waits", 1) } else { expected };
        check(&name, &told(status, more), &expected);
    }
}

#[test]
fn a_device_that_is_no_airway_is_no_ventilation() {
    let mut record = Record::new();
    record.put(device_use("completed", json!({ "timingPeriod": { "start": "2026-03-03" } })));
    check(
        "not yet arrived",
        &record.told(),
        "
        stay e 02 08:00 on
        waits DeviceUseStatement/u: the device that was used has not arrived; it is counted when it does
        needs Device/d",
    );
    record.put(device("d", SNOMED, "52124006", json!({})));
    check("a catheter", &record.facts(), "");
    record.put(device("d", SNOMED, "706172005", json!({ "patient": { "reference": "Patient/p" } })));
    assert!(record.facts().starts_with("ventilated day 03 to 09 00:00 DeviceUse"), "{}", record.facts());
    let inside = json!({ "contained": [device("in", SNOMED, "129121000", json!({}))],
        "device": { "reference": "#in" }, "timingPeriod": { "start": START } });
    record.put(device_use("active", inside));
    check("contained", &record.facts(), "ventilated 03 10:00 to open DeviceUse");
}

#[test]
fn the_status_of_a_device_tells_by_its_versions() {
    let mut record = Record::new();
    let ventilator = |status: &str, patient: &str| {
        device("d", SNOMED, "706172005", json!({ "status": status, "patient": { "reference": patient } }))
    };
    record.at("2026-03-03T10:00:00Z").put(ventilator("active", "Patient/p"));
    check("active", &record.facts(), "ventilated 03 10:00 to open DeviceStatus");
    record.at("2026-03-03T20:00:00Z").put(ventilator("active", "Patient/p"));
    record.at("2026-03-04T10:00:00Z").put(ventilator("inactive", "Patient/p"));
    check("inactive", &record.facts(), "ventilated 03 10:00 to 04 10:00 DeviceStatus");
    record.at("2026-03-05T10:00:00Z").put(ventilator("active", "Patient/q"));
    record.at("2026-03-06T10:00:00Z").put(ventilator("active", "Patient/p"));
    check(
        "lent to another",
        &record.facts(),
        "
        ventilated 03 10:00 to 04 10:00 DeviceStatus
        ventilated 06 10:00 to open DeviceStatus",
    );
    record.put(ventilator("entered-in-error", "Patient/p"));
    check("entered in error", &record.facts(), "");
}

#[test]
fn rows_tell_the_airway_by_their_value() {
    let mut record = Record::new();
    let map = json!({ "resourceType": "ConceptMap", "id": "site", "status": "active", "group": [{
        "source": "urn:local", "target": AIRWAY, "element": [
            { "code": "tube", "target": [{ "code": "invasive-ventilation-row", "equivalence": "equivalent" }] },
            { "code": "mask", "target": [{ "code": "other-airway-row", "equivalence": "equivalent" }] },
            { "code": "out", "target": [{ "code": "extubation", "equivalence": "equivalent" }] },
            { "code": "ventilated", "target": [{ "code": "invasive-ventilation-row", "equivalence": "equivalent" }] },
        ] }] });
    let maps = [("site".to_owned(), serde_json::to_vec(&map).unwrap())];
    let (codes, refused) = terce::translate::codes::Codes::of_site(&maps, &[]);
    assert_eq!(refused, []);
    record.codes = codes;
    let mut row = |id: &str, code: &str, more: Value| {
        record.put(observation(
            "final",
            "urn:local",
            code,
            with(json!({ "id": id, "effectiveDateTime": START }), more),
        ));
    };
    let value = |code: &str| json!({ "valueCodeableConcept": { "coding": [{ "system": "urn:local", "code": code }] } });
    row("a", "oxygen device", value("tube"));
    row("b", "oxygen device", value("mask"));
    row("c", "ventilated", json!({}));
    row("d", "ventilated", json!({ "valueBoolean": false }));
    row("e", "oxygen device", value("something"));
    row("f", "oxygen device", with(value("tube"), json!({ "effectiveDateTime": "2026-03-03" })));
    row("g", "airway event", value("out"));
    row("h", "ventilated", json!({ "dataAbsentReason": { "text": "unknown" } }));
    check(
        "rows",
        &record.facts(),
        "
        row 03 10:00 invasive
        row 03 10:00 other
        row 03 10:00 invasive
        row 03 10:00 other
        extubated 03 10:00
        doubt Observation/f: a row of the airway known only to the day; it tells nothing",
    );
}

#[test]
fn time_away_needs_a_period() {
    let away = |status: &str, more: Value| facts(procedure(status, AIRWAY, "away", more));
    let period = json!({ "performedPeriod": { "start": START, "end": "2026-03-03T12:00:00Z" } });
    check("completed", &away("completed", period.clone()), "away 03 10:00 to 03 12:00");
    check(
        "in progress",
        &away("in-progress", json!({ "performedPeriod": { "start": START } })),
        "away 03 10:00 to open",
    );
    check("not done", &away("not-done", period), "");
    check(
        "an instant",
        &away("completed", json!({ "performedDateTime": START })),
        "doubt Procedure/x: time away without a period; it tells nothing",
    );
    check(
        "days",
        &away("completed", json!({ "performedPeriod": { "start": "2026-03-03", "end": "2026-03-03" } })),
        "doubt Procedure/x: time away known only to the day; it tells nothing",
    );
    let row = json!({ "effectivePeriod": { "start": START, "end": "2026-03-03T12:00:00Z" } });
    check("a row", &facts(observation("final", AIRWAY, "away", row)), "away 03 10:00 to 03 12:00");
}

#[test]
fn a_long_span_without_an_encounter_goes_where_it_began() {
    let mut record = Record::new();
    record.put(encounter(
        "e",
        json!({
        "status": "finished", "period": { "start": "2026-03-02T08:00:00Z", "end": "2026-03-04T08:00:00Z" } }),
    ));
    record.put(encounter("f", json!({ "period": { "start": "2026-03-06T08:00:00Z" } })));
    record.put(device("d", SNOMED, "706172005", json!({})));
    record.put(device_use("active", json!({ "timingPeriod": { "start": START } })));
    check(
        "began in the first",
        &record.told(),
        "
        stay e 02 08:00 to 04 08:00 Discharged
        ventilated 03 10:00 to open DeviceUse
        stay f 06 08:00 on
        needs Device/d",
    );
}
