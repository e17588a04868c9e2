//! What is said of a code to whoever asks is what counting reads.

use serde_json::{Value, json};
use terce::translate::codes::{ACTIVITY, Codes, EXCUSE, Maps, Which};
use terce::translate::shipped;

/// Every (system, code) that a map lists.
fn listed(map: &Value) -> Vec<(String, String)> {
    let mut out = Vec::new();
    for group in map["group"].as_array().unwrap() {
        for element in group["element"].as_array().unwrap() {
            let text = |value: &Value| value.as_str().unwrap().to_owned();
            out.push((text(&group["source"]), text(&element["code"])));
        }
    }
    out
}

#[test]
fn the_matches_that_are_said_to_count_are_those_that_counting_reads() {
    let site = json!({ "resourceType": "ConceptMap", "status": "active", "group": [
        { "source": "http://snomed.info/sct", "target": ACTIVITY, "element": [
            { "code": "717778001", "target": [{ "equivalence": "unmatched" }] },
            { "code": "385937007", "target": [{ "code": "tooth-brushing", "equivalence": "narrower" }] },
            { "code": "1", "target": [{ "code": "no-such-code", "equivalence": "equal" }] },
            { "code": "2", "target": [{ "code": "tooth-brushing", "equivalence": "inexact" }] },
            { "code": "3", "target": [{ "code": "tooth-brushing", "equivalence": "relatedto" }, { "code": "oral-cleansing", "equivalence": "equal" }] },
        ] },
        { "source": "urn:same", "target": ACTIVITY, "unmapped": { "mode": "provided" }, "element": [
            { "code": "oral-cleansing", "target": [{ "code": "tooth-brushing", "equivalence": "equal" }] } ] },
        { "source": "urn:why", "target": EXCUSE, "element": [
            { "code": "R", "target": [{ "code": "refused", "equivalence": "equal" }] },
            { "code": "N", "target": [{ "code": "not-done", "equivalence": "equal" }] } ] },
    ] });
    let default = shipped::document("ConceptMap", "default").unwrap();
    let mut asked = listed(&serde_json::from_slice(default.body).unwrap());
    asked.extend(listed(&site));
    asked.extend(
        [("urn:same", "tooth-brushing"), (ACTIVITY, "tooth-brushing"), ("urn:none", "x")]
            .map(|(s, c)| (s.to_owned(), c.to_owned())),
    );
    let mut counted = 0;
    for maps in [Vec::new(), vec![("local".to_owned(), site.to_string().into_bytes())]] {
        let codes = Codes::of_site(&maps, &[]).0;
        let maps = Maps::read(&maps);
        for (system, code) in &asked {
            let found = maps.of(system, code, Which::default(), &codes);
            let mut said: Vec<(&str, &str)> = found
                .iter()
                .filter(|f| f.counts)
                .map(|f| (f.system.as_str(), f.code.as_deref().unwrap()))
                .collect();
            said.dedup();
            assert_eq!(said, codes.read_as(system, code), "{system} {code}");
            counted += said.len();
            for (target, own) in said {
                let back = maps.to(target, own, Which::default(), &codes);
                let there = |f: &terce::translate::codes::Found| {
                    f.system == *system && f.code.as_deref() == Some(code)
                };
                assert!(back.iter().any(|f| there(f) && f.counts), "{system} {code} is not found backwards");
            }
        }
    }
    assert!(counted > 50, "{counted}");
}
