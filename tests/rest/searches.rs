//! Searching.

use serde_json::{Value, json};
use terce::care::time::Instant;
use terce::store::{Batch, OutcomeRow, Write};

use super::{NOON_US, Service, identified, ids, link, of_mode, procedure, verdict, with};

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
                json!({
                    "resourceType": "Task", "status": status, "intent": "order",
                    "for": { "reference": format!("Patient/{patient}") },
                    "encounter": { "reference": format!("Encounter/e{}", n % 2) },
                    "owner": { "reference": "CareTeam/north" },
                    "location": { "reference": "Location/icu" },
                    "identifier": [{ "system": "urn:t", "value": format!("v{n}") }],
                    "code": { "coding": [{
                        "system": "https://terce.example/fhir/CodeSystem/task", "code": "mouth-care-round",
                    }] },
                    "restriction": { "period": { "end": format!("2026-03-01T12:{:02}:00Z", 59 - n) } },
                    "priority": if n % 3 == 0 { "urgent" } else { "routine" },
                })
                .to_string()
                .into_bytes(),
            ),
            patient: Some(patient.clone()),
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
        ("owner:CareTeam=north&_id=t1", vec!["t1"]),
        ("owner:Practitioner=north", vec![]),
        ("patient=p0,p1&_id=t1,t2", vec!["t1", "t2"]),
        ("patient=http://other.example/Patient/p1", vec![]),
        ("subject:Group=p1", vec![]),
        ("patient:missing=true", vec![]),
        ("focus:missing=true&_id=t3", vec!["t3"]),
        ("status:not=completed", vec!["t0", "t1", "t2", "t3"]),
        ("status=http://hl7.org/fhir/task-status%7Crequested&_id=t1", vec!["t1"]),
        ("status=http://other.example%7Crequested", vec![]),
        ("due=lt2026-03-01T12:52:00Z", vec!["t8", "t9"]),
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
    for bad in [
        "_count=x",
        "_count=-1",
        "_cursor=%20",
        "_cursor=0",
        "_sort=none",
        "_sort=",
        "_total=x",
        "_summary=x",
    ] {
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
        "Task?focus.identifier=x",
        "Task?subject:Group.identifier=1",
        "Task?status:below=x",
        "Task?_has:Procedure:patient:code=x",
        "Location?patient=p1",
        "Task?beneficiary=p1",
        "Encounter?encounter=1",
    ] {
        assert_eq!(
            service.get(&format!("/fhir/{query}")).await.verdict(),
            verdict(400, "not-supported"),
            "{query}"
        );
    }
    for query in [
        "patient=Device/1",
        "subject:Group=Patient/p1",
        "patient:missing=maybe",
        "status=%7C",
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

#[tokio::test]
async fn several_keys_sort_and_pages_keep_the_order_while_tasks_change() {
    let service = service().await;
    let order = async |query: &str| {
        let (mut found, mut next) = (Vec::new(), Some(format!("/fhir/Task?{query}")));
        while let Some(page) = next {
            let bundle = service.get(&page).await.json();
            found.extend(ids(&bundle));
            next = link(&bundle, "next");
        }
        found
    };
    let by_due = ["t9", "t8", "t7", "t6", "t5", "t4", "t3", "t2", "t1", "t0"];
    assert_eq!(order("_sort=due&_count=3").await, by_due);
    assert_eq!(order("_sort=-due").await, by_due.into_iter().rev().collect::<Vec<_>>());
    let urgent_first = ["t9", "t6", "t3", "t0", "t8", "t7", "t5", "t4", "t2", "t1"];
    assert_eq!(order("_sort=-priority,due&_count=4").await, urgent_first);
    assert_eq!(order("_sort=focus,_id&_count=2").await, by_due.into_iter().rev().collect::<Vec<_>>());
    // the first page again, then everything is due at once
    let first = service.get("/fhir/Task?_sort=due&_count=4").await.json();
    for n in 0..10 {
        let mut task = service.get(&format!("/fhir/Task/t{n}")).await.json();
        task["restriction"]["period"]["end"] = json!("2026-03-01T11:00:00Z");
        let write = Write {
            kind: "Task".into(),
            id: Some(format!("t{n}")),
            body: Some(task.to_string().into_bytes()),
            patient: Some("p0".to_owned()),
            ..Write::default()
        };
        let batch = Batch { now_us: NOON_US + 60 * SECOND, writes: vec![write], ..Batch::default() };
        service.store.commit(batch).await.unwrap();
    }
    let (mut found, mut next) = (ids(&first), link(&first, "next"));
    while let Some(page) = next {
        let bundle = service.get(&page).await.json();
        assert!(of_mode(&bundle, "match").iter().all(|t| t["meta"]["versionId"] == "2"));
        found.extend(ids(&bundle));
        next = link(&bundle, "next");
    }
    assert_eq!(found, by_due);
}

#[tokio::test]
async fn what_comes_with_terce_is_found_until_the_site_replaces_it() {
    let service = Service::new().await;
    let url = "https://terce.example/fhir/PlanDefinition/adult";
    let found = service.get(&format!("/fhir/PlanDefinition?url={url}")).await.json();
    assert_eq!((ids(&found), &found["total"]), (vec!["adult".to_owned()], &json!(1)));
    let all = service.get("/fhir/PlanDefinition?_count=2").await.json();
    assert_eq!((ids(&all).len(), &all["total"]), (2, &json!(3)));
    assert_eq!(ids(&service.get(&link(&all, "next").unwrap()).await.json()).len(), 1);
    let mut own = service.get("/fhir/PlanDefinition/adult").await.json();
    own["title"] = json!("Ours");
    assert_eq!(service.put("/fhir/PlanDefinition/adult", &own).await.status, 201);
    let ours = service.get("/fhir/PlanDefinition?title=ours").await.json();
    assert_eq!(ids(&ours), ["adult"]);
    assert_eq!(service.get("/fhir/PlanDefinition").await.json()["total"], 3);
    let measures = terce::translate::measures::MEASURES.len();
    assert_eq!(service.get("/fhir/Measure?name:missing=false").await.json()["total"], measures);
}

#[tokio::test]
async fn quantities_are_found_by_number_and_unit_and_sorted_by_number() {
    let service = Service::new().await;
    let ucum = "http://unitsofmeasure.org";
    for (id, value, unit) in
        [("a", 5, "cm[H2O]"), ("b", 12, "cm[H2O]"), ("c", 8, "cm[H2O]"), ("d", 9, "mm[Hg]")]
    {
        let quantity = json!({ "value": value, "unit": unit, "system": ucum, "code": unit });
        let observation = json!({
            "resourceType": "Observation", "id": id, "status": "final",
            "code": { "coding": [{ "system": "urn:c", "code": if id == "d" { "other" } else { "peep" } }] },
            "subject": { "reference": "Patient/p1" }, "valueQuantity": quantity,
        });
        assert_eq!(service.put(&format!("/fhir/Observation/{id}"), &observation).await.status, 201);
    }
    let other = json!({
        "resourceType": "Observation", "id": "e", "status": "final", "code": { "coding": [{ "code": "mode" }] },
        "component": [{ "code": { "coding": [{ "code": "x" }] }, "valueQuantity": { "value": 10.5 } }],
    });
    assert_eq!(service.put("/fhir/Observation/e", &other).await.status, 201);
    for (query, wanted) in [
        ("value-quantity=8", vec!["c"]),
        ("value-quantity=gt5", vec!["b", "c", "d"]),
        ("value-quantity=gt5%7C%7Ccm[H2O]", vec!["b", "c"]),
        ("value-quantity=ge8%7Chttp://unitsofmeasure.org%7Ccm[H2O]&value-quantity=lt12", vec!["c"]),
        ("value-quantity=5,12", vec!["a", "b"]),
        ("value-quantity:missing=true", vec!["e"]),
        ("component-value-quantity=10.5", vec!["e"]),
        ("combo-value-quantity=gt8", vec!["b", "d", "e"]),
        ("code-value-quantity=urn:c%7Cpeep$gt5", vec!["b", "c"]),
        ("code-value-quantity=peep$5,other$9", vec!["a", "d"]),
        ("code-value-quantity=peep$9", vec![]),
        ("component-code-value-quantity=x$10.5", vec!["e"]),
        ("component-code-value-quantity=mode$10.5", vec![]),
        ("combo-code-value-quantity=x$10.5,peep$12", vec!["b", "e"]),
        ("_sort=value-quantity", vec!["a", "c", "d", "b", "e"]),
        ("_sort=-value-quantity&_count=10", vec!["b", "d", "c", "a", "e"]),
    ] {
        assert_eq!(ids(&service.get(&format!("/fhir/Observation?{query}")).await.json()), wanted, "{query}");
    }
    for query in [
        "value-quantity=much",
        "value-quantity=gt",
        "value-quantity=",
        "code-value-quantity=peep",
        "code-value-quantity=peep$",
        "code-value-quantity=peep$5$6",
    ] {
        let reply = service.get(&format!("/fhir/Observation?{query}")).await;
        assert_eq!(reply.verdict(), verdict(400, "value"), "{query}");
    }
    for query in ["value-quantity:exact=5", "code-value-quantity:missing=true", "_sort=code-value-quantity"] {
        let reply = service.get(&format!("/fhir/Observation?{query}")).await;
        assert_eq!(reply.verdict(), verdict(400, "not-supported"), "{query}");
    }
}

#[tokio::test]
async fn an_identifier_that_many_share_finds_all_of_them() {
    let service = Service::new().await;
    let entries: Vec<Value> = (0..1_100)
        .map(|n| {
            let status = if n == 1_099 { "stopped" } else { "completed" };
            let shared = with(
                procedure(),
                with(identified("shared"), json!({ "id": format!("a{n}"), "status": status })),
            );
            json!({ "resource": shared, "request": { "method": "PUT", "url": format!("Procedure/a{n}") } })
        })
        .collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
    assert_eq!(service.post("/fhir", &bundle).await.status, 200);
    let found = service.get("/fhir/Procedure?identifier=shared&_total=accurate&_count=1").await.json();
    assert_eq!(found["total"], 1_100);
    assert_eq!(ids(&service.get("/fhir/Procedure?identifier=shared&status=stopped").await.json()), ["a1099"]);
}
