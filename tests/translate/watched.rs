//! What documents say to surveillance: codes through the shipped map, units exactly.

use chrono::NaiveDate;
use serde_json::{Value, json};
use terce::care::surveillance::charted::{Charting, Mode};
use terce::translate::Settings;
use terce::translate::codes::{Codes, Watch};
use terce::translate::document::Stored;
use terce::translate::extract::watch;

const LOINC: &str = "http://loinc.org";
const UCUM: &str = "http://unitsofmeasure.org";
const OWN: &str = "https://terce.example/fhir/CodeSystem/surveillance";
const RECEIVED: i64 = 1_785_600_000_000_000;

fn read(kind: &'static str, mut body: Value) -> (Charting, Vec<String>) {
    body["resourceType"] = json!(kind);
    body["id"] = json!("d");
    let body = serde_json::to_vec(&body).unwrap();
    let stored = Stored {
        kind,
        id: "d",
        version: 1,
        first_us: RECEIVED,
        received_us: RECEIVED,
        deleted: false,
        body: &body,
    };
    let (mut charting, mut doubts) = (Charting::default(), Vec::new());
    let settings = Settings::new(chrono_tz::Europe::Vienna);
    watch(&stored, &Codes::shipped(), &settings, &mut charting, &mut doubts);
    (charting, doubts.iter().map(|d| d.why.to_string()).collect())
}

fn coded(system: &str, code: &str) -> Value {
    json!({ "coding": [{ "system": system, "code": code }] })
}

fn row(system: &str, code: &str, more: Value) -> Value {
    let mut row = json!({
        "status": "final", "code": coded(system, code), "subject": { "reference": "Patient/p" },
        "effectiveDateTime": "2026-07-30T08:00:00+02:00"
    });
    row.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    row
}

/// `value` is written as it is sent: 0.60 is not 0.6.
fn quantity(value: &str, unit: &str) -> Value {
    let number: serde_json::Number = value.parse().unwrap();
    json!({ "valueQuantity": { "value": number, "system": UCUM, "code": unit } })
}

fn one(code: &str, value: &str, unit: &str) -> Result<i64, String> {
    let (charting, doubts) = read("Observation", row(OWN, code, quantity(value, unit)));
    let mut all = [charting.peep, charting.fio2, charting.temperature, charting.white_cells].concat();
    match (all.pop(), doubts.first()) {
        (Some(reading), None) => Ok(reading.value),
        (None, Some(why)) => Err(why.clone()),
        other => panic!("{code} {value} {unit}: {other:?}"),
    }
}

#[test]
fn units_are_converted_exactly() {
    for (code, value, unit, amount) in [
        ("peep", "8", "cm[H2O]", 800),
        ("peep", "7.5", "cm[H2O]", 750),
        ("peep", "8", "mbar", 816),
        ("peep", "0.8", "kPa", 816),
        ("peep", "5", "mm[Hg]", 680),
        ("fio2", "0.60", "1", 6_000),
        ("fio2", "60", "%", 6_000),
        ("fio2", "0.6", "%", 6_000),
        ("fio2", "60", "1", 6_000),
        ("fio2", "1", "1", 10_000),
        ("fio2", "100.0", "%", 10_000),
        ("fio2", "40.25", "%", 4_025),
        ("fio2", "4e-1", "1", 4_000),
        ("temperature", "38.0", "Cel", 38_000),
        ("temperature", "100.4", "[degF]", 38_000),
        ("temperature", "96.8", "[degF]", 36_000),
        ("temperature", "100.5", "[degF]", 38_056),
        ("temperature", "311.15", "K", 38_000),
        ("white-cells", "4.0", "10*3/uL", 4_000),
        ("white-cells", "12", "10*9/L", 12_000),
        ("white-cells", "4000", "/uL", 4_000),
        ("white-cells", "11999", "/mm3", 11_999),
        ("white-cells", "40", "10*2/uL", 4_000),
        ("white-cells", "0.4", "10*4/uL", 4_000),
    ] {
        assert_eq!(one(code, value, unit), Ok(amount), "{code} {value} {unit}");
    }
}

#[test]
fn what_cannot_be_an_amount_is_doubted() {
    for (code, value, unit) in [
        ("peep", "8", "L/min"),
        ("peep", "800", "cm[H2O]"),
        ("peep", "-1", "cm[H2O]"),
        ("fio2", "5", "L/min"),
        ("fio2", "5", "%"),
        ("fio2", "0.02", "1"),
        ("temperature", "38", "[degF]"),
        ("temperature", "98.6", "Cel"),
        ("white-cells", "4.0", "mg/dL"),
        ("white-cells", "1e300", "/uL"),
        ("white-cells", "0.000000000000000000000001", "10*3/uL"),
    ] {
        let why = one(code, value, unit).unwrap_err();
        assert!(why.ends_with("surveillance leaves it out"), "{code} {value} {unit}: {why}");
    }
}

#[test]
fn less_than_a_limit_is_less_than_it() {
    let with = |comparator: &str| {
        let mut body = row(OWN, "white-cells", quantity("4.0", "10*3/uL"));
        body["valueQuantity"]["comparator"] = json!(comparator);
        read("Observation", body).0.white_cells[0].value
    };
    assert_eq!((with("<"), with("<="), with(">")), (3_999, 4_000, 4_001));
}

#[test]
fn published_codes_are_known_and_rows_of_panels_are_read() {
    let (charting, doubts) = read("Observation", row(LOINC, "20077-4", quantity("5", "cm[H2O]")));
    assert_eq!((charting.peep.len(), doubts.len()), (1, 0));
    let mut panel = row("urn:site", "vent", json!({}));
    let mut oxygen = quantity("0.4", "1");
    oxygen["code"] = coded(LOINC, "19994-3");
    let mut peep = quantity("5", "cm[H2O]");
    peep["code"] = coded("http://snomed.info/sct", "250854009");
    panel["component"] = json!([oxygen, peep]);
    let (charting, doubts) = read("Observation", panel);
    assert_eq!((charting.fio2[0].value, charting.peep[0].value, doubts.len()), (4_000, 500, 0));
    assert_eq!(charting.peep[0].source.0.as_ref(), "Observation/d/_history/1");
}

#[test]
fn such_a_code_is_known_to_care_and_means_nothing_to_it() {
    let codes = Codes::shipped();
    assert!(codes.code(LOINC, "20077-4").unwrap().is_empty());
    assert!(codes.watched(LOINC, "20077-4").has(Watch::Peep));
    assert!(!codes.texts().any(|text| text == "20077-4"), "an export's rows of it are passed over");
    // one that means something to both
    let release = codes.code("http://snomed.info/sct", "243143008").unwrap();
    assert!(!release.airways.is_empty());
    assert!(codes.watched("http://snomed.info/sct", "243143008").has(Watch::PressureRelease));
}

#[test]
fn what_was_not_so_or_not_measured_is_passed_over() {
    let mut planned = row(OWN, "peep", quantity("5", "cm[H2O]"));
    planned["status"] = json!("preliminary");
    assert!(read("Observation", planned).0.is_empty());
    let absent = row(OWN, "peep", json!({ "dataAbsentReason": coded("urn:x", "unknown") }));
    assert_eq!(read("Observation", absent), (Charting::default(), vec![]));
    let mut vague = row(OWN, "peep", quantity("5", "cm[H2O]"));
    vague["effectiveDateTime"] = json!("2026-07-30");
    let (charting, doubts) = read("Observation", vague);
    assert!(charting.is_empty());
    assert_eq!(doubts, ["its time is known only to the day; surveillance leaves it out"]);
    let text = row(OWN, "peep", json!({ "valueString": "five" }));
    assert_eq!(read("Observation", text).1, ["its value is not a quantity; surveillance leaves it out"]);
}

#[test]
fn a_row_of_the_mode_says_which_or_an_ordinary_one() {
    let mode = |value: Value| read("Observation", row(OWN, "ventilator-mode", value)).0.modes[0].mode;
    let valued = |system: &str, code: &str| json!({ "valueCodeableConcept": coded(system, code) });
    assert_eq!(mode(valued(OWN, "pressure-release")), Mode::PressureRelease);
    assert_eq!(mode(valued("http://snomed.info/sct", "243155002")), Mode::Excluded);
    assert_eq!(mode(valued("urn:site", "SIMV")), Mode::Conventional);
    assert_eq!(mode(json!({ "valueString": "SIMV" })), Mode::Conventional);
    let support = |truth: bool| {
        let body = row(OWN, "extracorporeal-support", json!({ "valueBoolean": truth }));
        read("Observation", body).0.modes[0].mode
    };
    assert_eq!((support(true), support(false)), (Mode::Excluded, Mode::Conventional));
}

#[test]
fn a_procedure_tells_a_mode_by_its_period() {
    let body = |period: Value| {
        json!({ "status": "in-progress", "code": coded("http://snomed.info/sct", "243143008"),
                "subject": { "reference": "Patient/p" }, "performedPeriod": period })
    };
    let (charting, doubts) = read("Procedure", body(json!({ "start": "2026-07-30T08:00:00Z" })));
    assert_eq!((charting.supports[0].mode, charting.supports[0].to), (Mode::PressureRelease, None));
    assert!(doubts.is_empty());
    let (charting, doubts) = read("Procedure", body(json!({ "start": "2026-07-30" })));
    assert!(charting.is_empty() && doubts.len() == 1);
}

fn given(medication: Value, effective: Value) -> Value {
    let mut body = json!({ "status": "completed", "subject": { "reference": "Patient/p" } });
    for part in [medication, effective] {
        body.as_object_mut().unwrap().extend(part.as_object().unwrap().clone());
    }
    body
}

#[test]
fn antimicrobials_are_told_by_the_map_or_by_atc_and_counted_by_local_day() {
    let day = |d| NaiveDate::from_ymd_opt(2026, 7, d).unwrap();
    let at = |text: &str| json!({ "effectiveDateTime": text });
    let atc = |code: &str| json!({ "medicationCodeableConcept": coded("http://www.whocc.no/atc", code) });
    // 00:30 in Vienna
    let (charting, _) = read("MedicationAdministration", given(atc("J01DD04"), at("2026-07-29T22:30:00Z")));
    assert_eq!(
        (charting.given[0].day, &*charting.given[0].agent),
        (day(30), "http://www.whocc.no/atc|J01DD04")
    );
    let (charting, _) = read("MedicationAdministration", given(atc("N02BE01"), at("2026-07-29T22:30:00Z")));
    assert!(charting.is_empty());
    let period =
        json!({ "effectivePeriod": { "start": "2026-07-28T10:00:00Z", "end": "2026-07-30T10:00:00Z" } });
    let own = json!({ "medicationCodeableConcept": coded(OWN, "antimicrobial") });
    let (charting, _) = read("MedicationAdministration", given(own, period));
    assert_eq!(charting.given.iter().map(|g| g.day).collect::<Vec<_>>(), [28, 29, 30].map(day));
    let inside = json!({
        "contained": [{ "resourceType": "Medication", "id": "m", "code": coded("http://www.whocc.no/atc", "J01XA01") }],
        "medicationReference": { "reference": "#m" }
    });
    let (charting, _) = read("MedicationAdministration", given(inside, at("2026-07-30T10:00:00Z")));
    assert_eq!(charting.given.len(), 1);
    let mut held = given(atc("J01DD04"), at("2026-07-30T10:00:00Z"));
    held["status"] = json!("not-done");
    assert!(read("MedicationAdministration", held).0.is_empty());
}

#[test]
fn an_administration_of_months_is_an_order_and_doubted() {
    let period =
        json!({ "effectivePeriod": { "start": "2026-03-01T10:00:00Z", "end": "2026-07-30T10:00:00Z" } });
    let medication = json!({ "medicationCodeableConcept": coded("http://www.whocc.no/atc", "J01DD04") });
    let (charting, doubts) = read("MedicationAdministration", given(medication, period));
    assert!(charting.is_empty() && doubts.len() == 1, "{doubts:?}");
}
