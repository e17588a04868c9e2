//! Gaps in care as documents, and what a measure is counted from.

use serde_json::{Value, json};
use terce::care::time::Instant;

use super::operations::{hear, placed};
use super::{Service, procedure, verdict, with};

const AT: &str = "/fhir/Measure/$care-gaps?periodStart=2026-03-01&periodEnd=2026-03-01";

fn at(text: &str) -> Instant {
    Instant::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

async fn told(service: &Service, query: &str) -> Value {
    let reply = service.get(&format!("{AT}&{query}")).await;
    assert_eq!(reply.status, 200, "{query}: {}", reply.text());
    fhir_models::parse::<fhir_models::Parameters>(&reply.body).unwrap();
    reply.json()
}

/// The documents, by what is in them.
fn bundles(answer: &Value) -> Vec<&Value> {
    let all = answer["parameter"].as_array().map(Vec::as_slice).unwrap_or_default();
    all.iter().inspect(|p| assert_eq!(p["name"], "return")).map(|p| &p["resource"]).collect()
}

fn entries<'a>(bundle: &'a Value, kind: &str) -> Vec<&'a Value> {
    let all = bundle["entry"].as_array().unwrap().iter().map(|e| &e["resource"]);
    all.filter(|r| r["resourceType"] == kind).collect()
}

/// Requirement and status of each gap.
fn statuses(bundle: &Value) -> Vec<(String, String)> {
    let of = |issue: &&Value| {
        let code = &issue["modifierExtension"][0]["valueCodeableConcept"]["coding"][0]["code"];
        (issue["code"]["text"].as_str().unwrap().to_owned(), code.as_str().unwrap().to_owned())
    };
    entries(bundle, "DetectedIssue").iter().map(of).collect()
}

/// Every `reference` of a value.
fn references(value: &Value, out: &mut Vec<String>) {
    match value {
        Value::Array(all) => all.iter().for_each(|v| references(v, out)),
        Value::Object(members) => {
            for (name, value) in members {
                match value {
                    Value::String(text) if name == "reference" => out.push(text.clone()),
                    other => references(other, out),
                }
            }
        }
        _ => {}
    }
}

/// At noon the mouth was last cleaned at 08:00: its deadline has come, and nothing was brushed yet.
#[tokio::test]
async fn gaps_are_told_as_a_document_that_is_whole_by_itself() {
    let service = placed().await;
    service.clock.set(at("2026-03-01T14:00:00Z"));
    hear(&service).await;
    let answer = told(&service, "subject=Patient/p1&status=open-gap&status=prospective-gap").await;
    let [bundle] = bundles(&answer)[..] else { panic!("{answer}") };
    assert_eq!((&bundle["type"], bundle["timestamp"].is_string()), (&json!("document"), true));
    assert!(bundle["identifier"]["value"].is_string());
    let first = &bundle["entry"][0]["resource"];
    assert_eq!(first["resourceType"], "Composition");
    assert_eq!(first["type"]["coding"][0]["code"], "96315-7");
    assert_eq!(first["subject"]["reference"], "http://ward.example/fhir/Patient/p1");
    let [report] = entries(bundle, "MeasureReport")[..] else { panic!("{bundle}") };
    assert_eq!(report["type"], "individual");
    let focus = first["section"][0]["focus"]["reference"].as_str().unwrap();
    assert_eq!(focus, format!("urn:uuid:{}", report["id"].as_str().unwrap()));
    let issues = entries(bundle, "DetectedIssue");
    assert_eq!(first["section"][0]["entry"].as_array().unwrap().len(), issues.len());
    for issue in &issues {
        assert_eq!(issue["code"]["coding"][0]["code"], "CAREGAP");
        assert_eq!(issue["evidence"][0]["detail"][0]["reference"], focus);
        let bytes = issue.to_string();
        assert!(serde_json::from_str::<Value>(&bytes).is_ok());
    }
    let clean = statuses(bundle).into_iter().find(|(title, _)| title == "Clean the mouth");
    assert_eq!(clean.unwrap().1, "open-gap");
    let said = issues.iter().find(|i| i["code"]["text"] == "Clean the mouth").unwrap();
    assert!(
        said["detail"].as_str().unwrap().contains("past its deadline since 2026-03-01T12:00:00"),
        "{said}"
    );
    assert!(said["implicated"][0]["reference"].as_str().unwrap().contains("/Procedure/"));
    // every full address is there once, and everything that is referred to is in it or at this server
    let addresses: Vec<&str> =
        bundle["entry"].as_array().unwrap().iter().map(|e| e["fullUrl"].as_str().unwrap()).collect();
    let mut once = addresses.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), addresses.len());
    let mut all = Vec::new();
    references(bundle, &mut all);
    for reference in &all {
        let path = reference.strip_prefix("http://ward.example");
        let there = addresses.contains(&reference.as_str())
            || matches!(path, Some(path) if service.get(path).await.status == 200);
        assert!(there, "{reference}");
    }
    // the same ids whenever it is asked
    let again = told(&service, "subject=Patient/p1&status=open-gap,prospective-gap").await;
    assert_eq!(bundles(&again)[0]["id"], bundle["id"]);
}

/// What the ledger says of a requirement, hour by hour.
#[tokio::test]
async fn a_gap_opens_at_its_deadline_and_closes_with_the_care() {
    let service = placed().await;
    let clean = async |now: &str| -> String {
        service.clock.set(at(now));
        hear(&service).await;
        let all = "status=open-gap,closed-gap,prospective-gap,not-applicable";
        let answer = told(&service, &format!("subject=Patient/p1&{all}")).await;
        let found = statuses(bundles(&answer)[0]);
        assert_eq!(found.len(), 6, "one for each requirement: {found:?}");
        found.into_iter().find(|(title, _)| title == "Clean the mouth").unwrap().1
    };
    assert_eq!(clean("2026-03-01T11:59:00Z").await, "closed-gap", "cleaned at 08:00");
    assert_eq!(clean("2026-03-01T12:01:00Z").await, "open-gap");
    let late = with(procedure(), json!({ "id": "late", "performedDateTime": "2026-03-01T12:30:00Z" }));
    service.put("/fhir/Procedure/late", &late).await;
    assert_eq!(clean("2026-03-01T12:31:00Z").await, "closed-gap");
    // the day is over: its last chance was missed
    assert_eq!(clean("2026-03-02T12:00:00Z").await, "open-gap");
    let open = told(&service, "subject=Patient/p1").await;
    assert!(statuses(bundles(&open)[0]).iter().all(|(_, status)| status == "open-gap"));
    let none = service
        .get("/fhir/Measure/$care-gaps?periodStart=2026-02-01&periodEnd=2026-02-02&subject=Patient/p1")
        .await;
    assert_eq!(none.json(), json!({ "resourceType": "Parameters" }));
}

#[tokio::test]
async fn gaps_are_told_for_units_groups_and_one_measure() {
    let service = placed().await;
    service.clock.set(at("2026-03-01T14:00:00Z"));
    hear(&service).await;
    for (query, many) in [
        ("subject=Location/north", 1),
        ("subject=Location/south", 0),
        ("subject=Patient/p1&measureId=daily-brushing", 0),
        ("subject=Patient/p1&measureId=daily-brushing&status=prospective-gap", 1),
        ("subject=Patient/p1&measureUrl=https://terce.example/fhir/Measure/equipment-checks", 1),
    ] {
        let answer = told(&service, query).await;
        assert_eq!(bundles(&answer).len(), many, "{query}: {answer}");
    }
    let group = json!({ "resourceType": "Group", "id": "g", "type": "person", "actual": true,
        "member": [{ "entity": { "reference": "Patient/p1" } }] });
    service.put("/fhir/Group/g", &group).await;
    assert_eq!(bundles(&told(&service, "subject=Group/g").await).len(), 1);
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "periodStart", "valueDate": "2026-03-01" }, { "name": "periodEnd", "valueDate": "2026-03-01" },
        { "name": "subject", "valueString": "Patient/p1" }, { "name": "status", "valueCode": "open-gap" },
        { "name": "status", "valueCode": "closed-gap" }] });
    let posted = service.post("/fhir/Measure/timeliness/$care-gaps", &body).await;
    assert_eq!((posted.status, bundles(&posted.json()).len()), (200, 1), "{}", posted.text());
    for (query, refused) in [
        ("", verdict(400, "required")),
        ("subject=Patient/nobody", verdict(404, "not-found")),
        ("subject=Patient/p1&status=gap", verdict(400, "value")),
        ("subject=Patient/p1&measureId=complete-day", verdict(400, "not-supported")),
        ("subject=Patient/p1&measureId=none", verdict(404, "not-found")),
        ("subject=Patient/p1&practitioner=Practitioner/1", verdict(400, "not-supported")),
        ("subject=Patient/p1&organization=Organization/1", verdict(400, "invariant")),
        ("subject=Patient/p1&topic=oral", verdict(400, "not-supported")),
    ] {
        assert_eq!(service.get(&format!("{AT}&{query}")).await.verdict(), refused, "{query}");
    }
}

#[tokio::test]
async fn what_a_measure_is_counted_from_is_told_by_type_with_the_codes_of_the_site() {
    let service = placed().await;
    let map = json!({ "resourceType": "ConceptMap", "id": "local", "status": "active", "group": [{
        "source": "https://record.example/codes", "target": "https://terce.example/fhir/CodeSystem/activity",
        "element": [{ "code": "BRUSH1", "target": [{ "code": "tooth-brushing", "equivalence": "equivalent" }] },
                    { "code": "CUFF", "target": [{ "code": "cuff-pressure-check", "equivalence": "equivalent" }] }] }] });
    assert_eq!(service.put("/fhir/ConceptMap/local", &map).await.status, 201);
    let library = async |id: &str, query: &str| -> Value {
        let reply = service.get(&format!("/fhir/Measure/{id}/$data-requirements{query}")).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        reply.json()
    };
    let brushing = library("daily-brushing", "?periodStart=2026-03&periodEnd=2026-03").await;
    assert_eq!(brushing["resourceType"], "Library");
    assert_eq!(brushing["type"]["coding"][0]["code"], "module-definition");
    let requirements = brushing["dataRequirement"].as_array().unwrap();
    let of_care = requirements
        .iter()
        .find(|r| r["type"] == "Procedure" && r["codeFilter"][0]["valueSet"] == "#care")
        .unwrap();
    assert_eq!(of_care["codeFilter"][0]["path"], "code");
    let set = |library: &Value, id: &str| -> String {
        let all = library["contained"].as_array().unwrap();
        all.iter().find(|v| v["id"] == id).map(ToString::to_string).unwrap_or_default()
    };
    assert!(set(&brushing, "care").contains("BRUSH1") && !set(&brushing, "care").contains("CUFF"));
    let encounter = requirements.iter().find(|r| r["type"] == "Encounter").unwrap();
    assert_eq!(
        encounter["dateFilter"][0]["valuePeriod"],
        json!({ "start": "2026-03-01", "end": "2026-03-31" })
    );
    let timeliness = library("timeliness", "").await;
    assert!(set(&timeliness, "care").contains("CUFF") && set(&timeliness, "excuses").contains("refused"));
    // what is contained is referred to, and the other way round
    for library in [&brushing, &timeliness] {
        let sets: Vec<String> = (library["dataRequirement"].as_array().unwrap().iter())
            .filter_map(|r| r["codeFilter"][0]["valueSet"].as_str().map(|v| v[1..].to_owned()))
            .collect();
        let contained: Vec<&str> =
            library["contained"].as_array().unwrap().iter().map(|v| v["id"].as_str().unwrap()).collect();
        assert!(contained.iter().all(|id| sets.iter().any(|s| s == id)), "{sets:?} {contained:?}");
        assert!(sets.iter().all(|s| contained.contains(&s.as_str())), "{sets:?} {contained:?}");
    }
    let events = library("ventilator-associated-conditions", "").await;
    assert!(
        set(&events, "surveillance").contains("20077-4")
            && set(&events, "antimicrobials").contains("antimicrobial")
    );
    assert!(!events.to_string().contains("#care"));
    assert_eq!(service.get("/fhir/Measure/none/$data-requirements").await.status, 404);
    let half = service.get("/fhir/Measure/timeliness/$data-requirements?periodStart=2026").await;
    assert_eq!(half.verdict(), verdict(400, "required"));
    // care on a care that is read for what follows it
    let after = library("moistening-after-cleaning", "").await;
    assert!(set(&after, "care").contains("oral-cleansing"));
}
