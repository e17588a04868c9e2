//! ConceptMaps to codes.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use terce::translate::codes::{ACTIVITIES, Airway, Codes, EXCUSES, NOT_DONE};
use terce::translate::extract::{Unmapped, unmapped};
use terce::translate::outcomes::Term;
use terce::translate::protocol::protocol;
use terce::translate::shipped;

use super::record::{ACTIVITY, AIRWAY, EXCUSE, SNOMED, check, observation, procedure};

fn map(group: Value) -> (String, Vec<u8>) {
    let map = json!({ "resourceType": "ConceptMap", "id": "site", "status": "active", "group": [group] });
    ("site".to_owned(), serde_json::to_vec(&map).unwrap())
}

fn with_target(target: Value) -> (Codes, String) {
    let element = json!([{ "code": "A", "target": [target] }]);
    of(json!({ "source": "urn:s", "target": ACTIVITY, "element": element }))
}

fn of(group: Value) -> (Codes, String) {
    let (codes, refused) = Codes::of_site(&[map(group)], &[]);
    (codes, refused.iter().map(|(d, r)| format!("{d} {}: {}\n", r.path, r.why)).collect())
}

fn credits(codes: &Codes, system: &str, code: &str) -> String {
    match codes.code(system, code) {
        None => "unknown".into(),
        Some(meaning) => format!("{:?}", meaning.activities),
    }
}

/// The codes of a shipped CodeSystem, each with a name and a meaning.
fn listed(id: &str) -> Vec<String> {
    let found = shipped::document("CodeSystem", id).unwrap_or_else(|| panic!("{id} is not shipped"));
    let body: Value = serde_json::from_slice(found.body).unwrap();
    let concepts = body["concept"].as_array().unwrap();
    assert_eq!(body["count"], json!(concepts.len()), "{id}");
    let told = |c: &Value, what: &str| !c[what].as_str().unwrap_or_default().is_empty();
    assert!(concepts.iter().all(|c| told(c, "display") && told(c, "definition")), "{id}");
    concepts.iter().map(|c| c["code"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn the_own_codes_are_those_of_the_shipped_code_systems() {
    assert_eq!(listed("activity"), ACTIVITIES);
    assert_eq!(listed("airway"), Airway::ALL.map(Airway::as_str));
    assert_eq!(listed("excuse"), EXCUSES.into_iter().chain([NOT_DONE]).collect::<Vec<_>>());
}

#[test]
fn what_outcomes_are_said_with_is_defined_in_the_shipped_code_systems() {
    let mut said: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for term in Term::ALL {
        said.entry(term.system()).or_default().push(term.code().to_owned());
    }
    for (system, codes) in said {
        assert_eq!(listed(system), codes, "{system}");
    }
    let plans = shipped::ALL.iter().filter(|s| s.kind == "PlanDefinition");
    let asked = |s: &shipped::Shipped| protocol(s.id, s.body, &Codes::shipped()).unwrap().requirements;
    let mut asked: Vec<String> = plans.flat_map(asked).map(|r| r.id.to_string()).collect();
    let mut defined = listed("requirement");
    asked.sort();
    asked.dedup();
    defined.sort();
    assert_eq!(defined, asked);
}

#[test]
fn equivalence_decides_whether_a_target_counts() {
    let cases = [
        ("equal", true),
        ("equivalent", true),
        ("wider", true),
        ("subsumes", true),
        ("specializes", true),
        ("relatedto", true),
        ("narrower", false),
        ("unmatched", false),
        ("disjoint", false),
    ];
    for (equivalence, counts) in cases {
        let target = json!({ "code": "tooth-brushing", "equivalence": equivalence, "comment": "why" });
        let (codes, refused) = with_target(target);
        check(equivalence, &refused, "");
        check(equivalence, &credits(&codes, "urn:s", "A"), if counts { "[tooth-brushing]" } else { "[]" });
    }
    let (codes, refused) =
        with_target(json!({ "code": "tooth-brushing", "equivalence": "inexact", "comment": "why" }));
    check("inexact", &(credits(&codes, "urn:s", "A") + &refused), "[tooth-brushing]");
    let (codes, refused) = with_target(json!({ "code": "tooth-brushing", "equivalence": "inexact" }));
    check("inexact, silent", &(credits(&codes, "urn:s", "A") + "\n" + &refused), "
        []
        ConceptMap/site ConceptMap.group[0].element[0].target[0]: `inexact` needs a comment that says what is lost (R4, cmd-1)");
}

#[test]
fn what_cannot_be_honoured_is_refused_by_itself() {
    let target = |more: Value| {
        with_target(super::record::with(json!({ "code": "tooth-brushing", "equivalence": "equal" }), more)).1
    };
    check(
        "unknown target",
        &target(json!({ "code": "teeth" })),
        &format!(
            "
        ConceptMap/site ConceptMap.group[0].element[0].target[0].code: not a code of {ACTIVITY}"
        ),
    );
    check("dependsOn", &target(json!({ "dependsOn": [{ "property": "urn:p", "value": "v" }] })), "
        ConceptMap/site ConceptMap.group[0].element[0].target[0]: a target that depends on other elements cannot be honoured");
    let element = json!([{ "code": "5A1955Z", "target": [{ "code": "invasive-ventilation", "equivalence": "equal" }] }]);
    let group =
        json!({ "source": "http://www.cms.gov/Medicare/Coding/ICD10", "target": AIRWAY, "element": element });
    check("billing", &of(group.clone()).1, "
        ConceptMap/site ConceptMap.group[0].element[0].target[0]: codes of billing never give a start or an end of ventilation");
    let group = super::record::with(group, json!({ "source": null }));
    check(
        "no source",
        &of(group).1,
        "
        ConceptMap/site ConceptMap.group[0]: without a source system its codes can never match",
    );
    check(
        "another's target",
        &of(json!({ "source": "urn:s", "target": "urn:t", "element": [{ "code": "A" }] })).1,
        "",
    );
}

#[test]
fn unmapped_codes_count_only_as_they_are() {
    let group = |unmapped: Value| {
        json!({ "source": "urn:s", "target": ACTIVITY, "unmapped": unmapped, "element": [
            { "code": "tooth-brushing", "target": [{ "equivalence": "unmatched" }] }] })
    };
    let (codes, refused) = of(group(json!({ "mode": "provided" })));
    check("provided", &refused, "");
    check("provided, own text", &credits(&codes, "urn:s", "oral-cleansing"), "[oral-cleansing]");
    check("provided, but listed", &credits(&codes, "urn:s", "tooth-brushing"), "[]");
    check("provided, another text", &credits(&codes, "urn:s", "MC"), "unknown");
    check("fixed", &of(group(json!({ "mode": "fixed", "code": "oral-cleansing" }))).1, "
        ConceptMap/site ConceptMap.group[0].unmapped: a code that nobody has looked at must not count; list the codes that do");
    check(
        "other map",
        &of(group(json!({ "mode": "other-map", "url": "urn:gone" }))).1,
        "
        ConceptMap/site ConceptMap.group[0].unmapped: the other map is not here; store it as well",
    );
}

#[test]
fn a_site_can_take_a_shipped_mapping_away_or_add_to_it() {
    let element = json!([
        { "code": "717778001", "target": [{ "equivalence": "unmatched" }] },
        { "code": "385937007", "target": [{ "code": "oral-cleansing", "equivalence": "equivalent" },
                                          { "code": "oral-moisturising", "equivalence": "equivalent" }] },
    ]);
    let (codes, _) = of(json!({ "source": SNOMED, "target": ACTIVITY, "element": element }));
    check("taken away", &credits(&codes, SNOMED, "717778001"), "[]");
    check("added", &credits(&codes, SNOMED, "385937007"), "[oral-cleansing, oral-moisturising]");
    check("the rest stands", &credits(&codes, SNOMED, "20235003"), "[tooth-brushing]");
}

#[test]
fn the_shipped_map_says_where_each_code_was_seen() {
    let body: Value =
        serde_json::from_slice(shipped::document("ConceptMap", "default").unwrap().body).unwrap();
    for element in body["group"].as_array().unwrap().iter().flat_map(|g| g["element"].as_array().unwrap()) {
        let seen = &element["extension"][0];
        assert_eq!(seen["url"], "https://terce.example/fhir/StructureDefinition/code-verified", "{element}");
        let status = seen["extension"][0]["valueCode"].as_str().unwrap();
        assert!(["published", "unverified"].contains(&status), "{element}");
        assert!(!seen["extension"][1]["valueString"].as_str().unwrap().is_empty(), "{element}");
        for target in element["target"].as_array().unwrap() {
            let needs = ["inexact", "narrower"].contains(&target["equivalence"].as_str().unwrap());
            assert!(!needs || target["comment"].is_string(), "cmd-1: {element}");
        }
    }
    assert_eq!(
        Codes::of_site(
            &[("default".into(), shipped::document("ConceptMap", "default").unwrap().body.to_vec())],
            &[]
        )
        .1,
        []
    );
}

#[test]
fn codes_that_no_map_knows_can_be_listed() {
    let codes = Codes::shipped();
    let list = |body: Value| {
        unmapped(body["resourceType"].as_str().unwrap(), &serde_json::to_vec(&body).unwrap(), &codes)
    };
    let found = |at: &str, system: &str, code: &str| {
        let [at, system, code] = [at, system, code].map(str::to_owned);
        Unmapped { at, system, code }
    };
    let done = procedure(
        "not-done",
        "urn:s",
        "MC",
        json!({ "statusReason": { "coding": [{ "code": "busy" }, { "system": EXCUSE, "code": "refused" }] } }),
    );
    assert_eq!(
        list(done),
        [
            found("Procedure.code.coding[0]", "urn:s", "MC"),
            found("Procedure.statusReason.coding[0]", "", "busy")
        ]
    );
    let row = observation(
        "final",
        SNOMED,
        "110298001",
        json!({ "valueCodeableConcept": { "coding": [{ "system": "urn:s", "code": "yes" }] } }),
    );
    assert_eq!(list(row), [found("Observation.value.coding[0]", "urn:s", "yes")]);
}

#[test]
fn every_value_set_of_the_site_is_a_condition_by_its_id() {
    let set = |body: Value| vec![("tracheostomy".to_owned(), serde_json::to_vec(&body).unwrap())];
    let include = json!([{ "system": "urn:s", "concept": [{ "code": "T" }] }, { "system": "urn:s", "filter": [
        { "property": "concept", "op": "is-a", "value": "T" }] }]);
    let body = json!({ "resourceType": "ValueSet", "id": "tracheostomy", "status": "active", "compose": { "include": include } });
    let (codes, refused) = Codes::of_site(&[], &set(body));
    assert!(codes.condition("tracheostomy").is_some());
    assert!(codes.condition("other").is_none());
    assert_eq!(codes.code("urn:s", "T").unwrap().conditions.len(), 1);
    let refused: Vec<String> = refused.iter().map(|(d, r)| format!("{d} {}", r.path)).collect();
    assert_eq!(refused, ["ValueSet/tracheostomy ValueSet.compose.include[1]"]);
}
