//! The populations of two thousand stays, counted by a measure engine that is not ours from the same documents, in the
//! language of measures. What that program says of the rules stands in `engine/populations.cql`: `every`, `per-day` and
//! `after`, days on which all was done, and the daily counts; of the rest of the rules the oracle of `care` is the judge.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};
use terce::care::time::{Instant, Length};

use crate::replay::{asked, file, run};

const STAYS: u64 = 2_000;
const BASE: &str = "https://terce.example/fhir/CodeSystem";

/// Counts by what is counted, unit, day, shift and requirement.
type Cells = BTreeMap<String, Vec<u64>>;

struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % below
    }
}

fn coded(system: &str, code: &str) -> Value {
    json!({ "coding": [{ "system": format!("{BASE}/{system}"), "code": code }] })
}

/// A stay of half a day to two days, around the night on which clocks go forward: two units, ventilation that ends in one
/// of three ways, and care of all kinds, given, refused or charted in error, no two at one instant.
fn stay(n: u64) -> Vec<Value> {
    let mut dice = Dice(n.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let begins: chrono::DateTime<chrono::Utc> = "2026-03-06T12:00:00Z".parse().unwrap();
    let begins = Instant::from(begins) + Length::minutes((n * 37 % 2_500).cast_signed());
    let at = |minutes: u64| (begins + Length::minutes(minutes.cast_signed())).to_string();
    let meta = |minutes: u64| json!({ "versionId": "1", "lastUpdated": at(minutes) });
    let (subject, encounter) =
        (json!({ "reference": format!("Patient/p{n}") }), json!({ "reference": format!("Encounter/e{n}") }));
    let length = 720 + dice.roll(2_200);
    let moved = 60 + dice.roll(length - 120);
    let place = |unit: &str, from: u64, to: u64| {
        let period = json!({ "start": at(from), "end": at(to) });
        json!({ "location": { "reference": format!("Location/{unit}") }, "period": period })
    };
    let mut out = vec![
        json!({ "resourceType": "Patient", "id": format!("p{n}") }),
        json!({ "resourceType": "Encounter", "id": format!("e{n}"), "status": "finished", "subject": subject,
            "class": { "code": "IMP" }, "meta": meta(length), "period": { "start": at(0), "end": at(length) },
            "location": [place("north", 0, moved), place("south", moved, length)] }),
    ];
    let procedure = |id: String, code: Value, status: &str, performed: (&str, Value), told: u64| {
        let mut made = json!({ "resourceType": "Procedure", "id": id, "status": status, "code": code,
            "subject": subject, "encounter": encounter, "meta": meta(told) });
        made[performed.0] = performed.1;
        made
    };
    let from = dice.roll(180);
    let end = from + 240 + dice.roll(length);
    let airway = |code: &str| coded("airway", code);
    match dice.roll(3) {
        // to the end of the stay, or to the end that was charted
        0 => out.push(procedure(
            format!("v{n}"),
            airway("invasive-ventilation"),
            "in-progress",
            ("performedPeriod", json!({ "start": at(from) })),
            from,
        )),
        1 => {
            let period = json!({ "start": at(from), "end": at(end.min(length)) });
            out.push(procedure(
                format!("v{n}"),
                airway("invasive-ventilation"),
                "completed",
                ("performedPeriod", period),
                end.min(length),
            ));
        }
        _ => {
            let removed = end.min(length - 1);
            out.push(procedure(
                format!("v{n}"),
                airway("invasive-ventilation"),
                "in-progress",
                ("performedPeriod", json!({ "start": at(from) })),
                from,
            ));
            out.push(procedure(
                format!("x{n}"),
                airway("extubation"),
                "completed",
                ("performedDateTime", json!(at(removed))),
                removed,
            ));
        }
    }
    let kinds = [
        "oral-cleansing",
        "tooth-brushing",
        "oral-moisturising",
        "oropharyngeal-suction-assessment",
        "cuff-pressure-check",
    ];
    let mut minute = dice.roll(60);
    let mut number = 0;
    while minute < length {
        let set = dice.roll(25) == 0;
        let kind = if set { "suction-set-change" } else { kinds[usize::try_from(dice.roll(5)).unwrap()] };
        let (id, code, told) = (
            format!("c{n}-{number}"),
            coded("activity", kind),
            minute + [0, 5, 45, 400][usize::try_from(dice.roll(4)).unwrap()],
        );
        let performed = ("performedDateTime", json!(at(minute)));
        match dice.roll(12) {
            0 => {
                let mut refused = procedure(id, code, "not-done", performed, told);
                refused["statusReason"] = coded("excuse", "refused");
                out.push(refused);
            }
            1 => out.push(procedure(id, code, "entered-in-error", performed, told)),
            2 | 3 => out.push(json!({ "resourceType": "Observation", "id": id, "status": "final", "code": code,
                "subject": subject, "encounter": encounter, "meta": meta(told), "effectiveDateTime": at(minute), "issued": at(told) })),
            _ => out.push(procedure(id, code, "completed", performed, told)),
        }
        number += 1;
        // care that moistens often follows within minutes
        minute += if dice.roll(3) == 0 { 1 + dice.roll(25) } else { 20 + dice.roll(160) };
    }
    out
}

/// The cells of a table of the replay.
fn table(path: &Path, what: &str, key: &[&str], counts: &[&str], cells: &mut Cells) {
    let mut read = csv::Reader::from_path(path).unwrap();
    let header = read.headers().unwrap().clone();
    let field = |row: &csv::StringRecord, name: &str| match name {
        "" => String::new(),
        name => row.get(header.iter().position(|h| h == name).unwrap()).unwrap().to_owned(),
    };
    for row in read.records() {
        let row = row.unwrap();
        let numbers: Vec<u64> = counts.iter().map(|name| field(&row, name).parse().unwrap()).collect();
        // hours without a chance are no cell of these
        if numbers.iter().any(|n| *n > 0) {
            let key: Vec<String> = key.iter().map(|name| field(&row, name)).collect();
            cells.insert(format!("{what},{}", key.join(",")), numbers);
        }
    }
}

#[test]
fn the_populations_of_two_thousand_stays_are_what_a_measure_engine_counts() {
    let folder = tempfile::tempdir().unwrap();
    let lines: Vec<String> = (0..STAYS).flat_map(stay).map(|document| format!("{document}\n")).collect();
    let (input, out) = (file(folder.path(), "all.ndjson", &lines), folder.path().join("out"));
    run(&asked(std::slice::from_ref(&input), &out));
    let mut ours = Cells::new();
    let key = ["unit", "date", "shift", "requirement"];
    table(&out.join("tallies.csv"), "chance", &key, &["met", "missed", "excused"], &mut ours);
    table(
        &out.join("patient_days.csv"),
        "day",
        &["unit", "date", "", "requirement"],
        &["complete", "of"],
        &mut ours,
    );
    table(
        &out.join("census.csv"),
        "census",
        &["unit", "date", "", ""],
        &["patients", "ventilated"],
        &mut ours,
    );

    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/engine");
    let (modules, told) =
        (super::folder("measure-engine").join("node_modules"), folder.path().join("engine.csv"));
    let mut command = Command::new("node");
    command.arg(here.join("run.mjs")).arg(modules).arg(here.join("populations.cql")).arg(&input);
    let output = command.arg("America/New_York").arg(&told).output().unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    assert_eq!(String::from_utf8_lossy(&output.stdout), format!("{STAYS} patients\n"), "{errors}");
    let mut theirs = Cells::new();
    for line in std::fs::read_to_string(&told).unwrap().lines() {
        let parts: Vec<&str> = line.split(',').collect();
        let counts = parts[5..].iter().map(|n| n.parse().unwrap()).collect();
        theirs.insert(parts[..5].join(","), counts);
    }
    let mut keys: Vec<&String> = ours.keys().chain(theirs.keys()).collect();
    keys.sort();
    keys.dedup();
    let differ: Vec<String> = (keys.iter().filter(|key| ours.get(**key) != theirs.get(**key)))
        .map(|key| format!("{key}: {:?}, the engine {:?}", ours.get(*key), theirs.get(*key)))
        .collect();
    assert!(
        differ.is_empty(),
        "{} of {} cells differ: {:#?}",
        differ.len(),
        keys.len(),
        &differ[..differ.len().min(20)]
    );
    let chances = |place: usize| -> u64 {
        ours.iter().filter(|(key, _)| key.starts_with("chance")).map(|(_, counts)| counts[place]).sum()
    };
    // met, missed and excused, of each requirement
    assert!(
        chances(0) > 15_000 && chances(1) > 15_000 && chances(2) > 2_000,
        "{} {} {}",
        chances(0),
        chances(1),
        chances(2)
    );
    for requirement in ["clean", "brush", "moisten", "suction-assessment", "suction-set", "cuff-pressure"] {
        assert!(
            ours.keys().any(|key| key.starts_with("chance") && key.ends_with(requirement)),
            "{requirement}"
        );
    }
}
