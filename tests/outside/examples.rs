//! HL7's own examples of R4 at the door.

use serde_json::Value;
use terce::care::time::Instant;
use terce::translate::codes::Codes;
use terce::translate::document::{Bases, Stored, read};
use terce::translate::extract::extract;

use super::foreign::{codings, mapped};

/// The types that are let in, and how many examples of each the published specification has.
const KINDS: [(&str, usize); 15] = [
    ("Procedure", 16),
    ("Observation", 64),
    ("Device", 2),
    ("DeviceUseStatement", 1),
    ("Encounter", 10),
    ("Patient", 22),
    ("Location", 6),
    ("Condition", 12),
    ("MedicationAdministration", 14),
    ("PlanDefinition", 18),
    ("ConceptMap", 80),
    ("ValueSet", 1316),
    ("CodeSystem", 1062),
    ("Measure", 7),
    ("Task", 12),
];

/// Every example that is refused: where, as what, and why that is right.
const REFUSED: [(&str, &str, &str); 5] = [
    // an Encounter as performer
    ("Observation-clinical-gender.json", "Observation.performer[0]", "business-rule"),
    // a Procedure as reason
    ("DeviceUseStatement-example.json", "DeviceUseStatement.reasonReference[0]", "business-rule"),
    // is part of itself
    ("Encounter-f203.json", "Encounter.partOf", "business-rule"),
    // narratives longer than R4 lets a string be
    ("ValueSet-c80-doc-typecodes.json", "ValueSet.text.div", "too-long"),
    ("CodeSystem-dicom-dcim.json", "CodeSystem.text.div", "too-long"),
];

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
    for (kind, count) in KINDS {
        let examples = examples(kind);
        assert_eq!(examples.len(), count, "{kind}: other examples than those that were looked at");
        for (name, body) in examples {
            if let Err(error) = read(kind, &body, &Bases::default()) {
                refused.push((name, error.path.clone(), error.kind.as_code().to_owned()));
            }
        }
    }
    let expected = REFUSED.map(|(name, path, kind)| (name.to_owned(), path.to_owned(), kind.to_owned()));
    assert_eq!(refused, expected);
}

/// What an example of care or of the airway tells is nothing only if no map knows its codes, or if someone is told.
#[test]
fn no_published_example_is_lost_in_silence() {
    let (codes, bases, mapped) = (Codes::shipped(), Bases::default(), mapped());
    let received_us = Instant::from_micros(1_767_225_600_000_000).micros();
    let mut doubted = Vec::new();
    for (name, body) in ["Procedure", "Observation"].into_iter().flat_map(examples) {
        let (kind, rest) = name.split_once('-').unwrap();
        let id = rest.strip_suffix(".json").unwrap();
        let (version, first_us, deleted) = (1, received_us, false);
        let stored = Stored { kind, id, version, first_us, received_us, deleted, body: &body };
        let told = extract(&stored, &codes, &bases);
        let json: Value = serde_json::from_slice(&body).unwrap();
        if !told.doubts().is_empty() {
            doubted.push(name.clone());
        } else if told.tells().is_empty() && json["status"] != "entered-in-error" {
            let known = codings(&json).into_iter().find(|coding| mapped.contains(coding));
            assert_eq!(known, None, "{name} is lost");
        }
    }
    // A text without a code
    assert_eq!(doubted, ["Procedure-appendectomy-narrative.json"]);
}
