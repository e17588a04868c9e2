//! Stays as a feed tells them: one line of JSON a document.

#![allow(dead_code, reason = "each benchmark needs some of it")]

use chrono::{DateTime, SecondsFormat, Utc};

const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";
/// Codes of care.
pub const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";

/// An instant as documents tell it.
pub fn shown(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// The patient `p-{name}`, ventilated in the unit north from an instant in the encounter `e-{name}`.
pub fn admitted(name: &str, from: DateTime<Utc>) -> [String; 3] {
    let from = shown(from);
    [
        format!(r#"{{"resourceType":"Patient","id":"p-{name}"}}"#),
        format!(
            r#"{{"resourceType":"Encounter","id":"e-{name}","status":"in-progress","subject":{{"reference":"Patient/p-{name}"}},"class":{{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"}},"period":{{"start":"{from}"}},"location":[{{"location":{{"reference":"Location/north"}}}}]}}"#
        ),
        format!(
            r#"{{"resourceType":"Procedure","id":"v-{name}","status":"in-progress","subject":{{"reference":"Patient/p-{name}"}},"encounter":{{"reference":"Encounter/e-{name}"}},"performedPeriod":{{"start":"{from}"}},"code":{{"coding":[{{"system":"{AIRWAY}","code":"invasive-ventilation"}}]}}}}"#
        ),
    ]
}

/// Care of that patient; `meta` is written as it is.
pub fn care(name: &str, n: usize, code: &str, at: DateTime<Utc>, meta: &str) -> String {
    let at = shown(at);
    format!(
        r#"{{"resourceType":"Procedure","id":"c-{name}-{n}",{meta}"status":"completed","subject":{{"reference":"Patient/p-{name}"}},"encounter":{{"reference":"Encounter/e-{name}"}},"performedDateTime":"{at}","code":{{"coding":[{{"system":"{ACTIVITY}","code":"{code}"}}]}}}}"#
    )
}

/// A transaction that puts documents, each under its own id.
pub fn transaction(documents: &[String]) -> String {
    let entry = |document: &String| {
        let read: serde_json::Value = serde_json::from_str(document).unwrap();
        let (kind, id) = (read["resourceType"].as_str().unwrap(), read["id"].as_str().unwrap());
        format!(r#"{{"resource":{document},"request":{{"method":"PUT","url":"{kind}/{id}"}}}}"#)
    };
    let entries: Vec<String> = documents.iter().map(entry).collect();
    format!(r#"{{"resourceType":"Bundle","type":"transaction","entry":[{}]}}"#, entries.join(","))
}
