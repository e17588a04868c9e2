//! Times that are none, and times that are kept and not counted.

use serde_json::{Value, json};

use super::Answer::{Refused, Status};
use super::process::{Terce, care, hours};
use super::wire::Request;
use super::{Case, ask, ensure, story};
use crate::rest::{procedure, with, without};

pub(super) fn cases() -> Vec<Case> {
    [texts(), counted()].into_iter().flatten().collect()
}

fn texts() -> Vec<Case> {
    let digits = |n: usize| format!("2026-03-01T08:00:00.{}Z", "1".repeat(n));
    let performed = |time: &str| {
        Request::post("Procedure", with(procedure(), json!({ "performedDateTime": time })).to_string())
    };
    let mut cases = Vec::new();
    for none in [
        "2026-02-30",
        "2025-02-29",
        "2026-13-01",
        "2026-00-01",
        "2026-01-00",
        "1900-02-29",
        "0000",
        "0000-01-01",
        "2026-03-01T24:00:00Z",
        "2026-03-01T23:60:00Z",
        "2026-03-01T08:00:61Z",
        "2026-03-01T08:00:00+14:30",
        "2026-03-01T08:00:00+15:00",
        "2026-03-01T08:00:00+1400",
        "2026-03-01T08:00:00",
        "2026-03-01T08:00Z",
        "2026-03-01T08Z",
        "2026-03-01T",
        "2026-3-1",
        "26-03-01",
        "12026-03-01",
        "-2026",
        "2026-03-01t08:00:00Z",
        "2026-03-01T08:00:00z",
        "2026-03-01 08:00:00Z",
        "2026-W09-7",
        "2026-060",
        "20260301",
        "\u{662}\u{660}\u{662}\u{666}-03-01",
        " 2026",
        "2026 ",
        "2026-03-01T08:00:00,5Z",
        "2026-03-01T08:00:00.Z",
        "now",
        "1772366400",
        &digits(1_001),
    ] {
        let name: String = none.chars().take(40).collect();
        cases.push(ask(format!("the time {name:?}, which is none"), performed(none), Refused(400, "value")));
    }
    for some in [
        "0001",
        "9999",
        "2026",
        "2026-03",
        "2024-02-29",
        "2000-02-29",
        "2026-03-01T23:59:60Z",
        "2026-03-01T08:00:00+14:00",
        "2026-03-01T08:00:00-12:00",
        "2026-03-01T08:00:00-00:00",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-12:00",
        "2027-03-01T08:00:00Z",
        "1066-10-14T09:00:00Z",
        &digits(20),
    ] {
        let name: String = some.chars().take(40).collect();
        cases.push(ask(format!("the time {name:?}"), performed(some), Status(201)));
    }
    cases
}

/// The care that is charted, the patient it is charted of, and whether it is counted. What is not, must be doubted
/// where somebody may have meant it as care.
struct Charted {
    name: &'static str,
    care: fn(Value) -> Value,
    patient: fn() -> Value,
    expected: Expected,
}

#[derive(Clone, Copy, PartialEq)]
enum Expected {
    Counted,
    Doubted,
    /// It says itself that it is no care: nothing to doubt.
    PassedOver,
}

fn nothing() -> Value {
    json!({})
}

fn at(care: Value, time: &str) -> Value {
    with(care, json!({ "performedDateTime": time }))
}

fn instead(care: Value, performed: Value) -> Value {
    with(without(care, "performedDateTime"), performed)
}

const fn row(name: &'static str, care: fn(Value) -> Value, expected: Expected) -> Charted {
    Charted { name, care, patient: nothing, expected }
}

const ROWS: &[Charted] = &[
    row("care an hour ago", |c| c, Expected::Counted),
    row(
        "care in the last second of a leap minute",
        |c| at(c, &hours(-1).replace("Z", "+00:00")),
        Expected::Counted,
    ),
    row("care with an offset", |c| at(c, &hours(-3).replace("Z", "-00:00")), Expected::Counted),
    row(
        "a period that is not ended",
        |c| instead(c, json!({ "performedPeriod": { "start": hours(-1) } })),
        Expected::Counted,
    ),
    row(
        "a period that began before the stay",
        |c| instead(c, json!({ "performedPeriod": { "start": hours(-720), "end": hours(-1) } })),
        Expected::Counted,
    ),
    row("care known to the year", |c| at(c, &hours(0)[..4]), Expected::Doubted),
    row("care known to the month", |c| at(c, &hours(0)[..7]), Expected::Doubted),
    row("care in the year 1", |c| at(c, "0001"), Expected::Doubted),
    row("care in the year 9999", |c| at(c, "9999-12-31T23:59:59Z"), Expected::Doubted),
    row("care tomorrow", |c| at(c, &hours(24)), Expected::Doubted),
    row("care before the stay", |c| at(c, &hours(-48)), Expected::Doubted),
    row("care at the time of a king", |c| at(c, "1066-10-14T09:00:00Z"), Expected::Doubted),
    row("a time in words", |c| instead(c, json!({ "performedString": "early" })), Expected::Doubted),
    row(
        "an age",
        |c| {
            instead(
                c,
                json!({ "performedAge": { "value": 60, "system": "http://unitsofmeasure.org", "code": "a" } }),
            )
        },
        Expected::Doubted,
    ),
    row(
        "a range of ages",
        |c| instead(c, json!({ "performedRange": { "low": { "value": 1 }, "high": { "value": 2 } } })),
        Expected::Doubted,
    ),
    row("no time", |c| without(c, "performedDateTime"), Expected::Doubted),
    row(
        "a status that is not known, and why",
        |c| {
            with(
                without(c, "status"),
                json!({ "_status": { "extension": [{ "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown" }] } }),
            )
        },
        Expected::Doubted,
    ),
    row(
        "care that was charted in error",
        |c| with(c, json!({ "status": "entered-in-error" })),
        Expected::PassedOver,
    ),
    row("care that was not done", |c| with(c, json!({ "status": "not-done" })), Expected::PassedOver),
    row("care in preparation", |c| with(c, json!({ "status": "preparation" })), Expected::PassedOver),
    row("care that was stopped", |c| with(c, json!({ "status": "stopped" })), Expected::PassedOver),
    Charted {
        name: "care after death",
        care: |c| at(c, &hours(-1)),
        patient: || json!({ "deceasedDateTime": hours(-3) }),
        expected: Expected::Doubted,
    },
    Charted {
        name: "care before birth",
        care: |c| at(c, &hours(-1)),
        patient: || json!({ "birthDate": &hours(48)[..10] }),
        expected: Expected::Doubted,
    },
];

fn counted() -> Vec<Case> {
    let mut cases: Vec<Case> = ROWS
        .iter()
        .enumerate()
        .map(|(n, row)| story(row.name, move |terce| charted(terce, n, row)))
        .collect();
    cases.push(story("care after the stay is not counted, and doubted", |terce| {
        terce.admit("left", json!({}))?;
        let encounter = json!({
            "resourceType": "Encounter", "id": "left", "status": "finished", "class": { "code": "IMP" },
            "subject": { "reference": "Patient/left" }, "period": { "start": hours(-10), "end": hours(-5) },
        });
        terce.expect(&Request::put("Encounter/left", encounter.to_string()), 200)?;
        let made = terce.expect(&Request::post("Procedure", care("left").to_string()), 201)?;
        let (counted, doubts) = terce.counted("left", &format!("Procedure/{}", made.id()))?;
        ensure(!counted && !doubts.is_empty(), || format!("counted: {counted}; doubts: {doubts:?}"))
    }));
    cases.push(story(
        "a patient of another server is nobody here, and care of theirs is not counted",
        |terce| {
            terce.admit("elsewhere", json!({}))?;
            let subject =
                json!({ "subject": { "reference": "http://other.example/fhir/Patient/elsewhere" } });
            let made = terce.expect(
                &Request::post(
                    "Procedure",
                    without(with(care("elsewhere"), subject), "encounter").to_string(),
                ),
                201,
            )?;
            let (counted, _) = terce.counted("elsewhere", &format!("Procedure/{}", made.id()))?;
            ensure(!counted, || "counted".to_owned())
        },
    ));
    cases
}

fn charted(terce: &Terce, n: usize, row: &Charted) -> Result<(), String> {
    let id = format!("charted-{n}");
    terce.admit(&id, (row.patient)())?;
    let body = (row.care)(care(&id));
    let made = terce.expect(&Request::post("Procedure", body.to_string()), 201)?;
    let (counted, doubts) = terce.counted(&id, &format!("Procedure/{}", made.id()))?;
    ensure(counted == (row.expected == Expected::Counted), || {
        format!("counted: {counted}; doubts: {doubts:?}")
    })?;
    ensure(row.expected != Expected::Doubted || !doubts.is_empty(), || {
        "neither counted nor doubted".to_owned()
    })
}
