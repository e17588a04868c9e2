//! Searching what was done, and what is recorded of searching.

use serde_json::json;

use super::super::{Service, procedure, with};
use super::{asked, deed_of, entities, entries};

#[tokio::test]
async fn a_query_is_recorded_as_it_was_asked_by_get_and_by_post() {
    let service = Service::new().await;
    service.get("/fhir/Task?patient=p1&x='%20OR%201").await;
    let event = &service.audited("?_count=1").await[0];
    assert_eq!(asked(event).unwrap(), "GET /fhir/Task?patient=p1&x='%20OR%201");
    let form = [("content-type", "application/x-www-form-urlencoded")];
    service.ask("POST", "/fhir/Task/_search?_count=3", &form, "patient=p%31").await;
    let event = &service.audited("?_count=1").await[0];
    assert_eq!(deed_of(event), ("search-type", "E", "0"));
    assert_eq!(asked(event).unwrap(), "POST /fhir/Task/_search?_count=3\n\npatient=p%31");
}

#[tokio::test]
async fn a_search_is_an_event_for_each_patient_of_whom_something_was_found() {
    let service = Service::new().await;
    for (id, patient) in [("a", "p1"), ("b", "p2"), ("c", "p1")] {
        let subject = json!({ "id": id, "subject": { "reference": format!("Patient/{patient}") } });
        service.put(&format!("/fhir/Procedure/{id}"), &with(procedure(), subject)).await;
    }
    service.get("/fhir/Procedure").await;
    let events = service.audited("?subtype=search-type").await;
    let about: Vec<_> = events.iter().map(|e| entities(e, "1")).collect();
    assert_eq!(about, [["Patient/p1"], ["Patient/p2"]]);
    for event in &events {
        assert_eq!((asked(event).as_deref(), entities(event, "4").len()), (Some("GET /fhir/Procedure"), 0));
        assert_eq!(
            event["meta"]["profile"][0],
            "https://profiles.ihe.net/ITI/BALP/StructureDefinition/IHE.BasicAudit.PatientQuery"
        );
        assert_eq!(
            service.get(&format!("/fhir/AuditEvent/{}", event["id"].as_str().unwrap())).await.json(),
            *event
        );
    }
    service.get("/fhir/Procedure/a/_history").await;
    assert_eq!(service.audited("?subtype=history-instance&patient=p1").await.len(), 1);
}

#[tokio::test]
async fn events_are_found_by_what_r4_has_for_it_page_by_page() {
    let service = Service::new().await;
    for id in ["a", "b", "c"] {
        service.put(&format!("/fhir/Procedure/{id}"), &with(procedure(), json!({ "id": id }))).await;
    }
    service.delete("/fhir/Procedure/b").await;
    let interaction = "http://hl7.org/fhir/restful-interaction";
    for (query, wanted) in [
        ("?patient=p1", 4),
        ("?patient=Patient/p1", 4),
        ("?patient:Patient=p1,other", 4),
        ("?patient=p2", 0),
        ("?entity=Patient/p1", 4),
        ("?entity=Procedure/b", 2),
        ("?entity=Procedure/b/_history/1", 1),
        ("?entity=Procedure/none,Procedure/c", 1),
        ("?action=D", 1),
        ("?action=C,D&entity=Procedure/b", 2),
        ("?outcome=0&action=C", 3),
        ("?outcome=4&action=C", 0),
        ("?type=rest&subtype=delete", 1),
        (&format!("?subtype={interaction}|delete"), 1),
        ("?subtype=other|delete", 0),
        ("?address=127.&action=D", 1),
        ("?address=10.&action=D", 0),
        ("?date=2026-03-01&patient=p1", 4),
        ("?date=ge2026-03-01T12:00:00Z&date=lt2026-03-02&patient=p1", 4),
        ("?date=lt2026-03-01&patient=p1", 0),
        ("?_lastUpdated=gt2026-03-01&patient=p1", 0),
        ("?_id=1", 1),
        ("?_id=1,2", 2),
        ("?_id=999", 0),
        ("?_id=x", 0),
        ("?_sort=-date&patient=p1", 4),
        ("?_sort=action&patient=p1", 4),
        ("?date=ne2026&patient=p1", 0),
        ("?entity:missing=false&action=D", 1),
        ("?entity:Procedure=b&action=C,D", 2),
        ("?entity-role=4&patient=p1", 4),
        ("?source:identifier=urn:ietf:rfc:3986%7C&action=D", 1),
        ("?agent:identifier=nobody&patient=p1", 0),
        ("?_profile=https://profiles.ihe.net/ITI/BALP/StructureDefinition/IHE.BasicAudit.PatientDelete", 1),
        // what is not known is left out, as of every type
        ("?agent-name=x&patient=p1", 4),
    ] {
        let found = service.audited(query).await;
        // what was asked here before is found as well
        let acts = found.iter().filter(|e| e["resourceType"] == "AuditEvent" && e["action"] != "E");
        let found = acts.count();
        assert_eq!(found, wanted, "{query}");
    }
    let mut seen = Vec::new();
    let mut next = "/fhir/AuditEvent?patient=p1&_count=3".to_owned();
    loop {
        let page = service.get(&next).await.json();
        seen.extend(entries(&page).iter().map(|e| e["id"].as_str().unwrap().to_owned()));
        let link = page["link"].as_array().unwrap().iter().find(|l| l["relation"] == "next");
        let Some(link) = link else { break };
        next = link["url"].as_str().unwrap().strip_prefix("http://ward.example").unwrap().to_owned();
    }
    // what was asked meanwhile about the patient is newer than the first page
    assert_eq!(seen.iter().rev().take(4).collect::<Vec<_>>(), ["1", "2", "3", "4"]);
    // of one request that was about two patients both are listed, in their order
    let place = |id: &str| {
        let (row, thing) = id.split_once('-').unwrap_or((id, "0"));
        (std::cmp::Reverse(row.parse::<u64>().unwrap()), thing.parse::<u64>().unwrap())
    };
    let sorted = seen.windows(2).all(|two| place(&two[0]) < place(&two[1]));
    assert!(sorted, "{seen:?}");
    for (refused, status) in [
        ("?subject=Patient/p1", 400),
        ("?date=yesterday", 400),
        ("?patient=a%20b", 400),
        ("?_count=x", 400),
        ("?_cursor=x", 400),
        ("?_sort=agent-name", 400),
        ("?entity:near=x", 400),
        ("/none", 404),
        ("/0", 404),
        ("/1-1", 404),
        ("/99999", 404),
        ("/1/_history/2", 404),
    ] {
        assert_eq!(service.get(&format!("/fhir/AuditEvent{refused}")).await.status, status, "{refused}");
    }
    let strict = [("prefer", "handling=strict")];
    assert_eq!(service.ask("GET", "/fhir/AuditEvent?agent-name=x", &strict, "").await.status, 400);
    let one = service.get("/fhir/AuditEvent/1").await;
    assert_eq!((one.id().as_str(), one.header("etag")), ("1", "W/\"1\""));
    assert_eq!(service.get("/fhir/AuditEvent/1/_history/1").await.json(), one.json());
    let history = service.get("/fhir/AuditEvent/1/_history").await.json();
    assert_eq!((entries(&history), &history["type"]), (vec![one.json()], &json!("history")));
}

#[tokio::test]
async fn one_page_goes_on_inside_what_one_request_did() {
    let service = Service::new().await;
    let entry = |n: usize| {
        json!({ "request": { "method": "PUT", "url": format!("Procedure/x{n}") },
            "resource": with(procedure(), json!({ "id": format!("x{n}") })) })
    };
    let sent =
        json!({ "resourceType": "Bundle", "type": "batch", "entry": (0..7).map(entry).collect::<Vec<_>>() });
    service.post("/fhir", &sent).await;
    let forward = ["1-1", "1-2", "1-3", "1-4", "1-5", "1-6", "1-7"];
    let mut back = forward;
    back.reverse();
    for (query, pages, wanted) in [
        ("AuditEvent?subtype=create&_count=3", 3, forward),
        ("AuditEvent?subtype=create&_sort=date&_count=3", 3, back),
        ("AuditEvent?subtype=create&_sort=-entity&_count=4", 2, back),
        ("AuditEvent?_id=1-7,1-6,1-5,1-4,1-3,1-2,1-1,1-8,1,99999&_count=2", 4, forward),
        ("AuditEvent/_history?_at=2026-03-01&_count=6", 0, forward),
    ] {
        let (seen, walked) = walked(&service, query).await;
        if pages > 0 {
            assert_eq!((&seen[..], walked), (&wanted.map(str::to_owned)[..], pages), "{query}");
        } else {
            // what was asked here before is newer
            assert_eq!(seen[seen.len() - 7..], wanted, "{query}");
        }
    }
    // and those who come from the patients
    let found = service.get("/fhir/Patient?_has:AuditEvent:patient:action=C").await.json();
    assert_eq!(entries(&found), Vec::<serde_json::Value>::new(), "p1 is not kept here");
    service.put("/fhir/Patient/p1", &json!({ "resourceType": "Patient", "id": "p1" })).await;
    let found = service.get("/fhir/Patient?_has:AuditEvent:patient:action=C").await.json();
    assert_eq!(entries(&found)[0]["id"], "p1");
    let found = service.get("/fhir/Patient?_id=p1&_revinclude=AuditEvent:patient").await.json();
    let events: Vec<_> = entries(&found).into_iter().filter(|e| e["resourceType"] == "AuditEvent").collect();
    assert!(events.len() >= 8 && events.iter().all(|e| entities(e, "1") == ["Patient/p1"]), "{events:?}");
}

/// The ids on all pages, and how many pages there were.
async fn walked(service: &Service, query: &str) -> (Vec<String>, usize) {
    let (mut next, mut seen) = (format!("/fhir/{query}"), Vec::new());
    for pages in 1.. {
        let page = service.get(&next).await.json();
        seen.extend(entries(&page).iter().map(|e| e["id"].as_str().unwrap().to_owned()));
        match page["link"].as_array().unwrap().iter().find(|l| l["relation"] == "next") {
            Some(link) => {
                next = link["url"].as_str().unwrap().strip_prefix("http://ward.example").unwrap().to_owned();
            }
            None => return (seen, pages),
        }
    }
    unreachable!("pages end")
}

#[tokio::test]
async fn who_reads_the_audit_is_in_it() {
    let service = Service::new().await;
    service.get("/fhir/AuditEvent?patient=p1").await;
    service.get("/fhir/AuditEvent/1").await;
    let form = [("content-type", "application/x-www-form-urlencoded")];
    assert_eq!(service.ask("POST", "/fhir/AuditEvent/_search", &form, "patient=p1").await.status, 200);
    let events = service.audited("").await;
    let told: Vec<_> = events.iter().map(|e| (deed_of(e).0, entities(e, "4"), entities(e, "1"))).collect();
    let about = || vec!["Patient/p1"];
    assert_eq!(
        told,
        [
            ("search-type", vec![], about()),
            ("read", vec!["AuditEvent/1"], about()),
            ("search-type", vec![], about()),
        ]
    );
}

#[tokio::test]
async fn what_names_only_a_stay_is_about_its_patient() {
    let service = Service::new().await;
    let encounter = json!({ "resourceType": "Encounter", "id": "e1", "status": "in-progress",
        "class": { "code": "IMP" }, "subject": { "reference": "Patient/p1" } });
    service.put("/fhir/Encounter/e1", &encounter).await;
    let observation = json!({ "resourceType": "Observation", "id": "o", "status": "final",
        "code": { "text": "x" }, "encounter": { "reference": "Encounter/e1" } });
    service.put("/fhir/Observation/o", &observation).await;
    service.get("/fhir/Observation/o").await;
    service.get("/fhir/Observation").await;
    service.get("/fhir/Observation/o/_history").await;
    service.get("/fhir/Observation/_history").await;
    let same = [("content-type", "application/json-patch+json")];
    let test = json!([{ "op": "test", "path": "/status", "value": "final" }]).to_string();
    assert_eq!(service.ask("PATCH", "/fhir/Observation/o", &same, test).await.status, 200);
    let get = |url: &str| json!({ "request": { "method": "GET", "url": url } });
    let entry = [get("Observation/o"), get("Observation?status=final")];
    service.post("/fhir", &json!({ "resourceType": "Bundle", "type": "batch", "entry": entry })).await;
    let events = service.audited("?_count=8").await;
    assert_eq!(
        events.iter().map(|e| deed_of(e).0).collect::<Vec<_>>(),
        [
            "read",
            "search-type",
            "update",
            "history-type",
            "history-instance",
            "search-type",
            "read",
            "create"
        ]
    );
    assert!(events.iter().all(|e| entities(e, "1") == ["Patient/p1"]), "{events:?}");
}
