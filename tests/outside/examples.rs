//! HL7's own examples of R4 at the door.

use std::collections::BTreeMap;

use terce::care::time::Instant;
use terce::translate::codes::Codes;
use terce::translate::document::{Bases, Stored, read};
use terce::translate::extract::extract;

/// The types that are let in, and how many examples of each the published specification has.
const KINDS: [(&str, usize); 15] = [("Procedure", 0), ("Observation", 0), ("Device", 0), ("DeviceUseStatement", 0),
    ("Encounter", 0), ("Patient", 0), ("Location", 0), ("Condition", 0), ("MedicationAdministration", 0), ("PlanDefinition", 0),
    ("ConceptMap", 0), ("ValueSet", 0), ("CodeSystem", 0), ("Measure", 0), ("Task", 0)];

/// Name, path and kind of error of every example that is refused, and why that is right.
const REFUSED: [(&str, &str, &str); 0] = [];

fn examples(kind: &str) -> Vec<(String, Vec<u8>)> {
    let prefix = format!("{kind}-");
    let folder = super::folder("r4-examples");
    let names = std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.filter(|n| n.starts_with(&prefix) && n.ends_with(".json")).collect();
    names.sort();
    names.into_iter().map(|name| (name.clone(), std::fs::read(folder.join(name)).unwrap())).collect()
}

#[test]
fn every_published_example_is_let_in_or_refused_for_a_named_reason() {
    let mut refused = Vec::new();
    let mut counts = BTreeMap::new();
    for (kind, _) in KINDS {
        for (name, body) in examples(kind) {
            *counts.entry(kind).or_insert(0) += 1;
            if let Err(error) = read(kind, &body, &Bases::default()) {
                refused.push((name, error.path.clone(), format!("{:?}", error.kind), error.to_string()));
            }
        }
    }
    panic!("{counts:#?} {refused:#?} {REFUSED:?}");
}

#[test]
fn no_published_example_is_lost_in_silence() {
    let (codes, bases) = (Codes::shipped(), Bases::default());
    let received_us = Instant::from_micros(1_767_225_600_000_000).micros();
    for (kind, _) in KINDS {
        for (name, body) in examples(kind) {
            let id = name.trim_start_matches(kind).trim_matches('-').trim_end_matches(".json");
            let (version, first_us, deleted) = (1, received_us, false);
            let stored = Stored { kind, id, version, first_us, received_us, deleted, body: &body };
            let told = extract(&stored, &codes, &bases);
            eprintln!("{name}: {:?} {:?}", told.tells(), told.doubts());
        }
    }
}
