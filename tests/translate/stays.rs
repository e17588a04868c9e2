//! Stays: their roots, their ends, and where the patient was.

use serde_json::{Value, json};
use terce::translate::dossier::places_at;

use super::record::{Record, check, encounter, with};

const PHYSICAL: &str = "http://terminology.hl7.org/CodeSystem/location-physical-type";

fn place(id: &str, kind: &str, part_of: Option<&str>) -> Value {
    let base = json!({ "resourceType": "Location", "id": id, "name": id,
        "physicalType": { "coding": [{ "system": PHYSICAL, "code": kind }] } });
    match part_of {
        Some(above) => with(base, json!({ "partOf": { "reference": format!("Location/{above}") } })),
        None => base,
    }
}

fn at(location: &str, more: Value) -> Value {
    with(json!({ "location": { "reference": format!("Location/{location}") } }), more)
}

fn part(id: &str, of: &str) -> Value {
    encounter(id, json!({ "partOf": { "reference": format!("Encounter/{of}") } }))
}

#[test]
fn a_stay_is_the_encounter_at_the_top() {
    let mut record = Record::new();
    record.put(part("icu", "e")).put(part("bed", "icu"));
    check("two levels", &record.told(), "stay e+bed+icu 02 08:00 on");
    let mut record = Record::empty();
    record.put(part("a", "gone"));
    check("the top has not arrived", &record.told(), "
        stay a open on
        doubt Encounter/a: the encounter that it is part of has not arrived; taken as a stay of its own until then
        needs Encounter/gone");
    let mut record = Record::empty();
    record.put(part("a", "c")).put(part("b", "a")).put(part("c", "b"));
    let circle = |id: &str| {
        format!("doubt Encounter/{id}: encounters are part of each other in a circle; taken as one stay\n")
    };
    check(
        "a circle",
        &record.told(),
        &format!("stay a+b+c open on\n{}{}{}", circle("a"), circle("b"), circle("c")),
    );
}

#[test]
fn the_status_and_the_period_say_how_a_stay_ended() {
    let told = |more: Value| {
        let mut record = Record::empty();
        record.at("2026-03-06T12:00:00Z").put(encounter("e", more));
        record.told()
    };
    let start = "2026-03-02T08:00:00Z";
    let over =
        "doubt Encounter/e: the stay is over and has no end; taken to have ended when that was charted";
    let cases = [
        (json!({ "period": { "start": start } }), "stay e 02 08:00 on".to_owned()),
        (
            json!({ "period": { "start": start, "end": "2026-03-04T08:00:00Z" } }),
            "stay e 02 08:00 to 04 08:00 Discharged".to_owned(),
        ),
        (
            json!({ "status": "finished", "period": { "start": start } }),
            format!("stay e 02 08:00 to 06 12:00 Discharged\n{over}"),
        ),
        (
            json!({ "status": "cancelled", "period": { "start": start } }),
            format!("stay e 02 08:00 to 06 12:00 Cancelled\n{over}"),
        ),
        (json!({ "status": "onleave" }), "stay e open on".to_owned()),
        (json!({ "status": "entered-in-error" }), String::new()),
        (json!({ "status": "planned" }), String::new()),
        (
            json!({ "period": { "start": "2026-03-02", "end": "2026-03-04" } }),
            "stay e 01 23:00 to 04 23:00 Discharged
             doubt Encounter/e: the period of the stay is known only to the day; taken as whole days"
                .to_owned(),
        ),
    ];
    for (more, expected) in cases {
        check(&more.to_string(), &told(more), &expected);
    }
}

#[test]
fn an_end_that_was_not_charted_is_when_it_was_first_told() {
    let mut record = Record::empty();
    let finished = |note: &str| encounter("e", json!({ "status": "finished", "language": note }));
    record.at("2026-03-03T08:00:00Z").put(encounter("e", json!({})));
    record.at("2026-03-05T08:00:00Z").put(finished("de"));
    record.at("2026-03-08T08:00:00Z").put(finished("en"));
    assert!(record.told().starts_with("stay e open to 05 08:00 Discharged"), "{}", record.told());
}

#[test]
fn death_ends_the_open_stay() {
    let told = |patient: Value| {
        let mut record = Record::new();
        record.at("2026-03-06T12:00:00Z");
        record.put(with(json!({ "resourceType": "Patient", "id": "p" }), patient));
        record.told()
    };
    check(
        "at an instant",
        &told(json!({ "deceasedDateTime": "2026-03-05T03:00:00Z" })),
        "stay e 02 08:00 to 05 03:00 Died",
    );
    check("on a day", &told(json!({ "deceasedDateTime": "2026-03-05" })), "stay e 02 08:00 to 05 23:00 Died");
    check(
        "not said when",
        &told(json!({ "deceasedBoolean": true })),
        "
        stay e 02 08:00 to 06 12:00 Died
        doubt Patient/p: died, without a time; taken at the time at which that was told",
    );
    check("alive", &told(json!({ "deceasedBoolean": false })), "stay e 02 08:00 on");
    check(
        "long before",
        &told(json!({ "deceasedDateTime": "2026-02-01T00:00:00Z" })),
        "
        stay e 02 08:00 on
        doubt Patient/p: died before the stay began; the stay is not ended by it",
    );
}

#[test]
fn a_bed_is_in_its_ward() {
    let mut record = Record::new();
    record.put(place("icu", "wa", Some("house"))).put(place("room", "ro", Some("icu"))).put(place(
        "b7",
        "bd",
        Some("room"),
    ));
    let rows = json!([at("b7", json!({ "status": "active" })), at("icu", json!({ "status": "active" }))]);
    record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" }, "location": rows })));
    check(
        "bed and ward at once, without periods",
        &record.told(),
        "
        stay e 02 08:00 on
        unit icu 02 08:00 to open
        needs Location/b7
        needs Location/house
        needs Location/icu
        needs Location/room",
    );
    let mut record = Record::new();
    record.put(place("icu", "wa", None));
    let rows = json!([
        at("b7", json!({})),
        at(
            "icu",
            json!({ "period": {
        "start": "2026-03-02T12:00:00Z", "end": "2026-03-04T12:00:00Z" } })
        )
    ]);
    record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" }, "location": rows })));
    check(
        "a bed of an unknown ward stands back",
        &record.facts(),
        "
        unit b7 02 08:00 to 02 12:00
        unit icu 02 12:00 to 04 12:00
        unit b7 04 12:00 to open",
    );
}

#[test]
fn transfers_are_spans_of_units() {
    let mut record = Record::new();
    record.put(place("icu", "wa", None)).put(place("ward", "wa", None));
    let rows = json!([
        at(
            "icu",
            json!({ "status": "completed", "period": { "start": "2026-03-02T08:00:00Z", "end": "2026-03-04T12:00:00Z" } })
        ),
        at("ward", json!({ "status": "active", "period": { "start": "2026-03-04T12:00:00Z" } })),
        at("icu", json!({ "status": "planned", "period": { "start": "2026-03-20T12:00:00Z" } })),
        at("icu", json!({ "status": "reserved" })),
    ]);
    record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" }, "location": rows })));
    check("transfer", &record.facts(), "unit icu 02 08:00 to 04 12:00\nunit ward 04 12:00 to open");
    let rows =
        json!([at("icu", json!({ "status": "completed" })), at("ward", json!({ "status": "active" }))]);
    record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" }, "location": rows })));
    check(
        "left and staying, without periods",
        &record.facts(),
        "
        unit ward 02 08:00 to open
        doubt Encounter/e: a location that was left has no period; when the patient was there is not known",
    );
}

#[test]
fn the_locations_of_a_part_last_as_long_as_the_part() {
    let mut record = Record::new();
    record.put(place("icu", "wa", None));
    record.put(with(
        part("icu1", "e"),
        json!({ "status": "finished", "location": [at("icu", json!({}))],
        "period": { "start": "2026-03-03T00:00:00Z", "end": "2026-03-05T00:00:00Z" } }),
    ));
    check("part", &record.facts(), "unit icu 03 00:00 to 05 00:00");
    record.put(with(part("icu1", "e"), json!({ "status": "cancelled", "location": [at("icu", json!({}))] })));
    check("cancelled part", &record.facts(), "");
}

#[test]
fn away_and_units_are_what_the_site_says() {
    let mut record = Record::new();
    record.put(place("theatre", "area", Some("house"))).put(place("or3", "ro", Some("theatre")));
    record.put(place("icu", "wa", Some("cluster"))).put(place("cluster", "area", None));
    let rows = json!([
        at("icu", json!({})),
        at("or3", json!({ "period": { "start": "2026-03-03T09:00:00Z", "end": "2026-03-03T12:00:00Z" } })),
    ]);
    record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" }, "location": rows })));
    record.settings.away.insert("theatre".into());
    check(
        "away by what is above",
        &record.facts(),
        "
        unit icu 02 08:00 to open
        away 03 09:00 to 03 12:00",
    );
    record.settings.units.insert("cluster".into());
    check(
        "a configured unit goes before the ward",
        &record.facts(),
        "
        unit cluster 02 08:00 to open
        away 03 09:00 to 03 12:00",
    );
}

#[test]
fn where_the_patient_is_now_is_told_as_charted() {
    let mut record = Record::new();
    record.put(place("icu", "wa", None)).put(place("b1", "bd", Some("icu"))).put(place(
        "b2",
        "bd",
        Some("icu"),
    ));
    let span = |start: &str, end: Option<&str>| {
        let period = json!({ "start": format!("2026-03-{start}:00:00Z") });
        let period =
            end.map_or(period.clone(), |end| with(period, json!({ "end": format!("2026-03-{end}:00:00Z") })));
        json!({ "period": period })
    };
    let rows = json!([
        at("icu", json!({})),
        at("b1", span("02T08", Some("04T12"))),
        at("b2", span("04T12", None)),
        at("b1", with(span("06T12", None), json!({ "status": "planned" }))),
    ]);
    record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" }, "location": rows })));
    // a part of the stay tells a place of its own
    let inner = json!([at("b3", span("05T00", Some("05T06")))]);
    record.put(with(
        part("f", "e"),
        json!({ "period": { "start": "2026-03-05T00:00:00Z" }, "location": inner }),
    ));
    let told = |record: &mut Record, when: &str| {
        let now = format!("2026-03-{when}:00:00Z").parse::<chrono::DateTime<chrono::Utc>>().unwrap().into();
        places_at(&record.assembled().stays[0].places, now).join(" ")
    };
    let cases = [
        ("02T07", ""),
        ("02T08", "b1 icu"),
        ("04T12", "b2 icu"),
        ("05T03", "b3 b2 icu"),
        ("07T00", "b2 icu"),
    ];
    for (when, places) in cases {
        assert_eq!(told(&mut record, when), places, "{when}");
    }
    let over = json!({ "status": "finished", "period": { "start": "2026-03-02T08:00:00Z", "end": "2026-03-06T00:00:00Z" },
        "location": rows });
    record.put(encounter("e", over));
    assert_eq!(told(&mut record, "07T00"), "", "when the stay is over the patient is in no bed of it");
}
