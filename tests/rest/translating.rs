//! `$translate` and `$try`: what the maps and the plans come to.

use serde_json::{Value, json};

use super::{Service, verdict};

const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";
const AT: &str = "/fhir/ConceptMap/$translate";

fn result(answer: &Value) -> bool {
    answer["parameter"][0]["valueBoolean"].as_bool().unwrap()
}

/// Equivalence and code of each match.
fn matches(answer: &Value) -> Vec<(String, String)> {
    let all = answer["parameter"].as_array().unwrap().iter().filter(|p| p["name"] == "match");
    let part = |p: &Value, name: &str, member: &str| {
        let part =
            p["part"].as_array().unwrap().iter().find(|p| p["name"] == name).cloned().unwrap_or_default();
        part.pointer(member).and_then(Value::as_str).unwrap_or_default().to_owned()
    };
    all.map(|p| (part(p, "equivalence", "/valueCode"), part(p, "concept", "/valueCoding/code"))).collect()
}

fn pair(equivalence: &str, code: &str) -> (String, String) {
    (equivalence.to_owned(), code.to_owned())
}

#[tokio::test]
async fn a_code_is_translated_as_counting_reads_it() {
    let service = Service::new().await;
    let reply = service.get(&format!("{AT}?system=http://snomed.info/sct&code=717778001")).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let typed: fhir_models::Parameters = fhir_models::parse(&reply.body).unwrap();
    assert_eq!(fhir_models::validate(&typed, &reply.body), []);
    let answer = reply.json();
    assert_eq!((result(&answer), matches(&answer)), (true, vec![pair("inexact", "oral-cleansing")]));
    assert!(reply.text().contains("https://terce.example/fhir/ConceptMap/default"), "{}", reply.text());
    let concept = json!({ "resourceType": "Parameters", "parameter": [{ "name": "codeableConcept", "valueCodeableConcept": {
        "coding": [{ "system": "urn:local", "code": "X" }, { "system": "http://snomed.info/sct", "code": "717778001" }] } }] });
    assert_eq!(service.post(AT, &concept).await.json(), answer);
    let of_map =
        service.get("/fhir/ConceptMap/default/$translate?system=http://snomed.info/sct&code=717778001").await;
    assert_eq!(of_map.json(), answer);
    let itself = service.get(&format!("{AT}?system={ACTIVITY}&code=tooth-brushing")).await.json();
    assert_eq!((result(&itself), matches(&itself)), (true, vec![pair("equal", "tooth-brushing")]));
    let elsewhere =
        service.get(&format!("{AT}?system=http://snomed.info/sct&code=717778001&targetsystem=urn:x")).await;
    assert!(!result(&elsewhere.json()));
    for code in ["ORALBRUSH", "717778001"] {
        let unknown = service.get(&format!("{AT}?system=urn:local&code={code}")).await.json();
        assert!(!result(&unknown) && matches(&unknown).is_empty());
        assert_eq!(
            unknown["parameter"][1]["valueString"],
            "no map in force translates this code, so it is not counted"
        );
    }
}

#[tokio::test]
async fn the_map_of_the_site_stands_before_the_shipped_one_and_is_read_backwards_too() {
    let service = Service::new().await;
    let map = json!({ "resourceType": "ConceptMap", "id": "local", "url": "https://record.example/map", "status": "active",
        "group": [
            { "source": "http://snomed.info/sct", "target": ACTIVITY,
              "element": [{ "code": "717778001", "target": [{ "equivalence": "unmatched" }] }] },
            { "source": "urn:local", "target": ACTIVITY, "element": [
                { "code": "B", "target": [{ "code": "tooth-brushing", "equivalence": "wider" }] },
                { "code": "C", "target": [{ "code": "tooth-brushing", "equivalence": "narrower" }] } ] },
        ] });
    assert_eq!(service.put("/fhir/ConceptMap/local", &map).await.status, 201);
    let gone = service.get(&format!("{AT}?system=http://snomed.info/sct&code=717778001")).await.json();
    assert_eq!((result(&gone), matches(&gone)), (false, vec![pair("unmatched", "")]));
    for (code, equivalence, counts) in
        [("B", "wider", "1 of 1"), ("C", "narrower", "none that counting reads")]
    {
        let found = service
            .get(&format!("{AT}?system=urn:local&code={code}&url=https://record.example/map"))
            .await
            .json();
        assert_eq!((result(&found), matches(&found)), (true, vec![pair(equivalence, "tooth-brushing")]));
        assert!(found["parameter"][1]["valueString"].as_str().unwrap().contains(counts), "{found}");
    }
    let back = service
        .get(&format!("{AT}?system={ACTIVITY}&code=tooth-brushing&reverse=true&targetsystem=urn:local"))
        .await;
    assert_eq!(matches(&back.json()), [pair("narrower", "B"), pair("wider", "C")], "{}", back.text());
    let all = service.get(&format!("{AT}?system={ACTIVITY}&code=oral-cleansing&reverse=true")).await.json();
    assert_eq!(matches(&all), [pair("equal", "oral-cleansing")], "the site has taken the other away");
}

#[tokio::test]
async fn a_translation_that_cannot_be_made_is_refused() {
    let service = Service::new().await;
    for (query, expected) in [
        ("code=1", verdict(400, "required")),
        ("system=urn:x", verdict(400, "required")),
        ("", verdict(400, "required")),
        ("system=urn:x&code=1&url=urn:none", verdict(404, "not-found")),
        ("system=urn:x&code=1&reverse=perhaps", verdict(400, "value")),
        ("system=urn:x&code=1&coding=1", verdict(400, "value")),
        ("system=urn:x&code=1&dependency=x", verdict(400, "not-supported")),
    ] {
        assert_eq!(service.get(&format!("{AT}?{query}")).await.verdict(), expected, "{query}");
    }
    let unknown = service.get("/fhir/ConceptMap/none/$translate?system=urn:x&code=1").await;
    assert_eq!(unknown.verdict(), verdict(404, "not-found"));
    assert_eq!(service.get("/fhir/ConceptMap/$explain").await.verdict(), verdict(404, "not-found"));
}

#[tokio::test]
async fn a_plan_is_tried_before_it_is_taken_up() {
    let service = Service::new().await;
    let shipped = service.get("/fhir/PlanDefinition/minimal/$try").await;
    assert_eq!(shipped.status, 200, "{}", shipped.text());
    let typed: fhir_models::Parameters = fhir_models::parse(&shipped.body).unwrap();
    assert_eq!(fhir_models::validate(&typed, &shipped.body), []);
    assert!(result(&shipped.json()));
    assert!(shipped.text().contains("at least 2 time(s) each local day"), "{}", shipped.text());
    let mut plan = service.get("/fhir/PlanDefinition/minimal").await.json();
    assert_eq!(service.post("/fhir/PlanDefinition/$try", &plan).await.json(), shipped.json());
    plan["action"][0]["timingTiming"]["repeat"]["when"] = json!(["MORN"]);
    let wrapped =
        json!({ "resourceType": "Parameters", "parameter": [{ "name": "plan", "resource": plan }] });
    for body in [&plan, &wrapped] {
        let bad = service.post("/fhir/PlanDefinition/$try", body).await;
        assert!(bad.status == 200 && !result(&bad.json()), "{}", bad.text());
        assert!(bad.text().contains("PlanDefinition.action[0].timingTiming.repeat.when"), "{}", bad.text());
    }
    assert_eq!(service.store.count("PlanDefinition").await.unwrap(), 0, "nothing was written");
    let days = service.get("/fhir/PlanDefinition/minimal/$try?from=2026-01-01").await;
    assert_eq!(days.verdict(), verdict(400, "not-supported"));
    assert_eq!(service.get("/fhir/PlanDefinition/none/$try").await.verdict(), verdict(404, "not-found"));
    assert_eq!(service.get("/fhir/PlanDefinition/$try").await.verdict(), verdict(400, "required"));
    let empty = service.post("/fhir/PlanDefinition/$try", &json!({ "resourceType": "Patient" })).await;
    assert!(!result(&empty.json()), "{}", empty.text());
}

#[tokio::test]
async fn a_map_that_cannot_be_tried_is_refused() {
    let service = Service::new().await;
    let map = |code: &str| {
        json!({ "resourceType": "ConceptMap", "status": "active", "group": [{ "source": "urn:local", "target": ACTIVITY,
            "element": [{ "code": "SWAB", "target": [{ "code": code, "equivalence": "equivalent" }] }] }] })
    };
    let refused = service.post("/fhir/ConceptMap/$try", &map("no-such-activity")).await;
    assert!(refused.status == 200 && !result(&refused.json()), "{}", refused.text());
    assert!(refused.text().contains("ConceptMap.group[0].element[0].target[0]"), "{}", refused.text());
    assert_eq!(service.get("/fhir/ConceptMap/$try").await.verdict(), verdict(400, "required"));
    for path in ["ConceptMap/a_b/$try", "ConceptMap/$try?from=2026-01-01"] {
        assert_eq!(service.post(&format!("/fhir/{path}"), &map("oral-cleansing")).await.status, 400);
    }
}
