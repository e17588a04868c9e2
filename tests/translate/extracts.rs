//! What is kept of a document.

use serde_json::json;
use terce::translate::dossier::Dossier;
use terce::translate::extract::{Extract, Tells};

use super::record::{ACTIVITY, Record, procedure};

#[test]
fn an_extract_of_care_is_small() {
    assert!(size_of::<Extract>() <= 120, "{}", size_of::<Extract>());
}

#[test]
fn an_older_version_changes_nothing() {
    let mut record = Record::empty();
    record.put(procedure(
        "completed",
        ACTIVITY,
        "tooth-brushing",
        json!({ "performedDateTime": "2026-03-03T10:00:00Z" }),
    ));
    let first = record.extracts().remove(0);
    record.delete("Procedure", "x");
    let deleted = record.extracts().remove(0);
    let mut dossier = Dossier::new("p");
    dossier.put(deleted);
    dossier.put(first.clone());
    assert_eq!(dossier.get("Procedure", "x").unwrap().tells, Tells::Nothing);
    dossier.forget("Procedure", "x");
    assert!(dossier.is_empty());
    dossier.put(first);
    assert_eq!(dossier.len(), 1);
}

#[test]
fn names_come_from_the_source() {
    let mut record = Record::empty();
    record.put(procedure("completed", ACTIVITY, "tooth-brushing", json!({})));
    let extract = record.extracts().remove(0);
    assert_eq!((extract.name(), extract.kind(), extract.id()), ("Procedure/x", "Procedure", "x"));
}
