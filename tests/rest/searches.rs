//! Searching.

use serde_json::{Value, json};
use terce::care::time::Instant;
use terce::store::{Batch, OutcomeRow, Write};

use super::{NOON_US, Service, identified, procedure, verdict, with};

const SECOND: i64 = 1_000_000;

/// Ten Tasks, a second apart.
async fn service() -> Service {
    let service = Service::new().await;
    for n in 0..10_i64 {
        let (patient, status) = (format!("p{}", n % 2), if n < 4 { "requested" } else { "completed" });
        let row = OutcomeRow {
            status: Some(status.to_owned()),
            owner: Some("CareTeam/north".to_owned()),
            location: Some("icu".to_owned()),
            code: Some("mouth-care-round".to_owned()),
            open: n < 4,
            ..OutcomeRow::default()
        };
        let write = Write {
            kind: "Task".into(),
            id: Some(format!("t{n}")),
            body: Some(
                json!({ "resourceType": "Task", "status": status, "intent": "order" })
                    .to_string()
                    .into_bytes(),
            ),
            patient: Some(patient),
            encounter: Some(format!("e{}", n % 2)),
            identifiers: vec![terce::store::Identifier {
                system: "urn:t".to_owned(),
                value: format!("v{n}"),
            }],
            outcome: Some(row),
            ..Write::default()
        };
        let batch = Batch { now_us: NOON_US + n * SECOND, writes: vec![write], ..Batch::default() };
        service.store.commit(batch).await.unwrap();
    }
    service
}

fn ids(bundle: &Value) -> Vec<String> {
    let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
    let matches = entries.iter().filter(|e| e["search"]["mode"] == "match");
    matches.map(|e| e["resource"]["id"].as_str().unwrap().to_owned()).collect()
}

fn link(bundle: &Value, relation: &str) -> Option<String> {
    let links = bundle["link"].as_array().unwrap();
    let link = links.iter().find(|l| l["relation"] == relation)?;
    Some(link["url"].as_str().unwrap().strip_prefix("http://ward.example").unwrap().to_owned())
}

#[tokio::test]
async fn criteria_narrow_one_another() {
    let service = service().await;
    for (query, expected) in [
        ("status=requested", vec!["t0", "t1", "t2", "t3"]),
        ("status=requested,completed&patient=p1", vec!["t1", "t3", "t5", "t7", "t9"]),
        ("status=requested&status=completed", vec![]),
        ("subject=Patient/p0&status=requested", vec!["t0", "t2"]),
        ("subject:Patient=p0&status=requested", vec!["t0", "t2"]),
        ("patient=http://ward.example/fhir/Patient/p0&status=requested", vec!["t0", "t2"]),
        ("patient=p0&patient=p1", vec![]),
        ("encounter=Encounter/e1&status=requested", vec!["t1", "t3"]),
        ("owner=north&status=requested", vec!["t0", "t1", "t2", "t3"]),
        ("owner=CareTeam/south", vec![]),
        ("location=Location/icu&_id=t1", vec!["t1"]),
        (
            "code=https://terce.example/fhir/CodeSystem/task%7Cmouth-care-round&_id=t2,t3,none",
            vec!["t2", "t3"],
        ),
        ("identifier=urn:t%7Cv4", vec!["t4"]),
        ("identifier=v4", vec!["t4"]),
        ("identifier=urn:t%7Cv4&_id=t5", vec![]),
        ("identifier=urn:t%7Cnone", vec![]),
        ("_lastUpdated=2026-03-01T12:00:03Z", vec!["t3"]),
        ("_lastUpdated=ne2026-03-01T12:00:03Z&status=requested", vec!["t0", "t1", "t2"]),
        ("_lastUpdated=gt2026-03-01T12:00:03Z&status=requested", vec![]),
        ("_lastUpdated=ge2026-03-01T12:00:03Z&status=requested", vec!["t3"]),
        ("_lastUpdated=lt2026-03-01T12:00:01Z", vec!["t0"]),
        ("_lastUpdated=le2026-03-01T12:00:01Z", vec!["t0", "t1"]),
        ("_lastUpdated=ge2026-03-01T13:00:01+01:00&_lastUpdated=lt2026-03-01T12:00:03", vec!["t1", "t2"]),
        ("_lastUpdated=2026-03-01T12:00&status=requested", vec!["t0", "t1", "t2", "t3"]),
        ("_lastUpdated=2026-03&status=requested&_sort=-_lastUpdated", vec!["t3", "t2", "t1", "t0"]),
        ("_lastUpdated=2025", vec![]),
        ("_lastUpdated=gt2026-03-01", vec![]),
    ] {
        let reply = service.get(&format!("/fhir/Task?{query}")).await;
        assert_eq!(reply.status, 200, "{query}: {}", reply.text());
        assert_eq!(ids(&reply.json()), expected, "{query}");
        assert_eq!(reply.json()["total"], expected.len(), "{query}");
        fhir_models::parse::<fhir_models::Bundle>(&reply.body).unwrap();
    }
}

#[tokio::test]
async fn pages_hold_all_once_though_more_is_written_meanwhile() {
    let service = service().await;
    let mut found = Vec::new();
    let mut next = Some("/fhir/Task?_count=3&_total=accurate".to_owned());
    while let Some(page) = next {
        let bundle = service.get(&page).await.json();
        assert_eq!(bundle["total"], 10);
        found.extend(ids(&bundle));
        next = link(&bundle, "next");
    }
    assert_eq!(found, ["t0", "t1", "t2", "t3", "t4", "t5", "t6", "t7", "t8", "t9"]);
    let first = service.get("/fhir/Task?_count=1000000000").await.json();
    assert_eq!(link(&first, "self").unwrap(), "/fhir/Task?_count=1000");
    for bad in
        ["_count=x", "_count=-1", "_cursor=%20", "_cursor=0", "_sort=status", "_total=x", "_summary=true"]
    {
        assert_eq!(service.get(&format!("/fhir/Task?{bad}")).await.status, 400, "{bad}");
    }
}

#[tokio::test]
async fn a_count_counts_without_sending() {
    let service = service().await;
    for query in ["_summary=count", "_count=0"] {
        let reply = service.get(&format!("/fhir/Task?status=completed&{query}")).await.json();
        assert_eq!((&reply["total"], &reply["entry"]), (&json!(6), &Value::Null));
    }
    let excepted = service.get("/fhir/Task?_summary=count&_lastUpdated=ne2026-03-01T12:00:03Z").await.json();
    assert_eq!(excepted["total"], 9);
}

#[tokio::test]
async fn what_is_not_known_is_said_and_never_widens_a_search_for_one_patient() {
    let service = service().await;
    let strict = |query: &'static str| service.ask("GET", query, &[("prefer", "handling=strict")], "");
    assert_eq!(strict("/fhir/Task?statsu=requested").await.verdict(), verdict(400, "not-supported"));
    let lenient = service.get("/fhir/Task?statsu=requested&_id=t1").await.json();
    assert_eq!(ids(&lenient), ["t1"]);
    assert_eq!(link(&lenient, "self").unwrap(), "/fhir/Task?_id=t1");
    let told =
        lenient["entry"].as_array().unwrap().iter().find(|e| e["search"]["mode"] == "outcome").unwrap();
    assert_eq!(told["resource"]["issue"][0]["expression"][0], "statsu");
    for query in [
        "Task?patient.identifier=1",
        "Task?patient:missing=true",
        "Task?subject:Group=1",
        "Location?patient=p1",
        "Task?beneficiary=p1",
        "Encounter?encounter=1",
        "Task?status:not=requested",
    ] {
        assert_eq!(
            service.get(&format!("/fhir/{query}")).await.verdict(),
            verdict(400, "not-supported"),
            "{query}"
        );
    }
    for query in [
        "patient=Device/1",
        "patient=http://other.example/Patient/p1",
        "patient=",
        "patient=%00",
        "_id=a,,b",
        "_lastUpdated=yesterday",
        "_lastUpdated=2026-02-30",
        "_lastUpdated=gt2026-03-01T25:00:00Z",
    ] {
        assert_eq!(
            service.get(&format!("/fhir/Task?{query}")).await.verdict(),
            verdict(400, "value"),
            "{query}"
        );
    }
    assert_eq!(service.get("/fhir/Task?patient=p0,p1").await.verdict(), verdict(400, "not-supported"));
}

#[tokio::test]
async fn a_search_that_asks_too_much_is_refused() {
    let service = service().await;
    let long = format!("_id={}", "x".repeat(100_000));
    let many = vec!["status=requested"; 1_000].join("&");
    let alternatives = format!("_id={}", vec!["a"; 1_000].join(","));
    let form = [("content-type", "application/x-www-form-urlencoded")];
    for query in [long, many, alternatives] {
        let reply = service.ask("POST", "/fhir/Task/_search", &form, query).await;
        assert_eq!(reply.verdict(), verdict(400, "too-costly"));
    }
}

#[tokio::test]
async fn a_search_by_post_and_by_head_is_the_same_search() {
    let service = service().await;
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let reply = service.ask("POST", "/fhir/Task/_search?patient=p1", &form, "status=requested").await;
    assert_eq!(ids(&reply.json()), ["t1", "t3"]);
    let head = service.ask("HEAD", "/fhir/Task?patient=p1", &[], "").await;
    assert_eq!((head.status, head.body.len()), (200, 0));
}

#[tokio::test]
async fn what_the_feed_wrote_is_found_by_patient_encounter_identifier_and_time() {
    let service = Service::new().await;
    let id = service.post("/fhir/Procedure", &with(procedure(), identified("n1"))).await.id();
    service.clock.set(Instant::from_micros(NOON_US + SECOND));
    service.post("/fhir/Procedure", &with(procedure(), json!({ "subject": { "reference": "Patient/p2" }, "encounter": { "reference": "Encounter/e2" } }))).await;
    for query in
        ["patient=p1", "encounter=e1", "identifier=urn:charting%7Cn1", "_lastUpdated=lt2026-03-01T12:00:01Z"]
    {
        assert_eq!(
            ids(&service.get(&format!("/fhir/Procedure?{query}")).await.json()),
            std::slice::from_ref(&id),
            "{query}"
        );
    }
    service.delete(&format!("/fhir/Procedure/{id}")).await;
    assert_eq!(service.get("/fhir/Procedure?patient=p1").await.json()["total"], 0);
}
