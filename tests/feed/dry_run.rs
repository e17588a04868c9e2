//! `terce check --against`: what would become of a record, told before anything is wired.

use std::process::Output;

use serde_json::{Value, json};
use tokio::process::Command;

use super::{care, memory, noon, put, record};

const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";

/// A patient who is ventilated since nine, with care that is charted by a code of the site's own.
fn documents() -> Vec<Value> {
    let subject = json!({"reference": "Patient/p"});
    let encounter = json!({"reference": "Encounter/e"});
    let mut local = care("local", "x");
    local["code"] =
        json!({"coding": [{"system": "urn:rows", "code": "ORAL1", "display": "Oral care, swab"}]});
    local["encounter"] = encounter.clone();
    vec![
        json!({"resourceType": "Patient", "id": "p"}),
        json!({"resourceType": "Encounter", "id": "e", "status": "in-progress", "subject": subject,
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "period": {"start": "2026-03-01T06:00:00Z"}, "location": [{"location": {"reference": "Location/north"}}]}),
        json!({"resourceType": "Procedure", "id": "v", "status": "in-progress", "subject": subject, "encounter": encounter,
            "code": {"coding": [{"system": AIRWAY, "code": "invasive-ventilation"}]},
            "performedPeriod": {"start": "2026-03-01T06:00:00Z"}}),
        local,
    ]
}

async fn check(arguments: &[&str]) -> (Output, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_terce"));
    command.arg("check").args(["--log", "error", "--at", "2026-03-01T12:00:00Z"]).args(arguments);
    command.args(["--data", "/nonexistent/terce"]);
    let output = command.output().await.unwrap();
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    (output, text)
}

#[tokio::test]
async fn files_are_read_and_nothing_is_stored_and_the_map_that_comes_of_it_can_be_filled_in() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a.ndjson");
    let mut bad = care("bad", "x");
    bad["status"] = "asleep".into();
    let lines: Vec<String> = documents().iter().chain([&bad]).map(Value::to_string).collect();
    std::fs::write(&file, lines.join("\n") + "\nno json\n").unwrap();
    let skeleton = folder.path().join("map.json");
    let (output, text) =
        check(&["--against", folder.path().to_str().unwrap(), "--skeleton", skeleton.to_str().unwrap()])
            .await;
    assert!(output.status.success(), "{text}");
    for said in [
        "2 Procedure, 1 Encounter, 1 Patient",
        "refused     2",
        "not a code of http://hl7.org/fhir/event-status",
        "not mapped: 1 x urn:rows|ORAL1 Oral care, swab, such as Procedure/local; may mean oral-cleansing",
        "stays       1, of which 1 are not over",
        "tasks       1 would be open",
        "Clean the mouth: overdue since 10:00",
        "Nothing of this was stored or sent.",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    assert!(file.exists(), "files stay where they are");
    // as it is it means nothing; filled in, the care counts
    let service = record(memory().await, noon()).await;
    let mut map: Value = serde_json::from_slice(&std::fs::read(&skeleton).unwrap()).unwrap();
    put(&service, &map).await;
    let target = &mut map["group"][0]["element"][0]["target"][0];
    *target = json!({"code": "oral-cleansing", "equivalence": "equivalent"});
    put(&service, &map).await;
    for document in documents() {
        put(&service, &document).await;
    }
    service.settle().await.unwrap();
    let ledgers = service.stays.ledgers("p", noon()).await.unwrap();
    assert!(format!("{:?}", ledgers[0].facts).contains("Procedure/local"), "{:?}", ledgers[0].facts);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_is_read_by_its_address_or_its_name() {
    let service = record(memory().await, noon()).await;
    for document in documents() {
        put(&service, &document).await;
    }
    let (output, text) = check(&["--against", &service.base()]).await;
    assert!(output.status.success() && text.contains("tasks       1 would be open"), "{text}");
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().join("terce.toml");
    std::fs::write(&config, format!("[[server]]\nname = \"record\"\nbase = \"{}\"\n", service.base()))
        .unwrap();
    let (output, text) = check(&["--config", config.to_str().unwrap(), "--against", "record"]).await;
    assert!(output.status.success() && text.contains("tasks       1 would be open"), "{text}");
    let (output, text) = check(&["--against", "nowhere"]).await;
    assert!(!output.status.success() && text.contains("no such folder or file"), "{text}");
    let (output, text) = check(&["--against", "http://127.0.0.1:9/fhir"]).await;
    assert!(!output.status.success() && text.contains("could not be reached"), "{text}");
}
