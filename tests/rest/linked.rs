//! Searches for what something else is like: what a reference leads to, and what refers.

use serde_json::{Value, json};

use super::{Service, identified, ids, link, procedure, verdict, with, without};

/// Two patients, their stays in two units, and what was charted of them.
async fn service() -> Service {
    let service = Service::new().await;
    let put = async |kind: &str, id: &str, body: Value| {
        let body = with(json!({ "resourceType": kind, "id": id }), body);
        let reply = service.put(&format!("/fhir/{kind}/{id}"), &body).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
    };
    for (n, name, gender, unit) in [(1, "Nimue", "female", "North"), (2, "Gareth", "male", "South")] {
        let of = |kind: &str| json!({ "reference": format!("{kind}{n}") });
        put("Location", &format!("u{n}"), json!({ "name": unit })).await;
        let patient = json!({ "name": [{ "family": name }], "gender": gender });
        put("Patient", &format!("p{n}"), with(patient, identified(&format!("mrn{n}")))).await;
        let encounter = json!({
            "status": "in-progress", "class": { "code": "IMP" }, "subject": of("Patient/p"),
            "location": [{ "location": of("Location/u") }],
        });
        put("Encounter", &format!("e{n}"), with(encounter, identified(&format!("visit{n}")))).await;
        let charted = json!({
            "status": "completed", "code": { "coding": [{ "system": "urn:c", "code": format!("c{n}") }] },
            "subject": of("Patient/p"), "encounter": of("Encounter/e"),
        });
        put("Procedure", &format!("a{n}"), charted).await;
        let unplaced = without(procedure(), "encounter");
        put("Procedure", &format!("b{n}"), with(unplaced, json!({ "subject": of("Patient/p") }))).await;
    }
    service
}

#[tokio::test]
async fn a_chain_compares_what_a_reference_leads_to() {
    let service = service().await;
    for (query, wanted) in [
        ("patient.identifier=urn:charting%7Cmrn1", vec!["a1", "b1"]),
        ("subject.identifier=mrn1", vec!["a1", "b1"]),
        ("subject:Patient.identifier=mrn0,mrn1", vec!["a1", "b1"]),
        ("encounter.identifier=urn:charting%7Cvisit1", vec!["a1"]),
        ("patient.identifier=mrn1&encounter.identifier=visit1", vec!["a1"]),
        ("patient.name=gareth", vec!["a2", "b2"]),
        ("patient.gender=female&encounter.location=u1", vec!["a1"]),
        ("patient.gender:not=female", vec!["a2", "b2"]),
        ("patient.birthdate:missing=true", vec!["a1", "b1", "a2", "b2"]),
        ("encounter.location.name=sou", vec!["a2"]),
        ("encounter.patient.identifier=mrn2", vec!["a2"]),
        ("encounter:Encounter.patient:Patient.identifier=mrn2&code=c2", vec!["a2"]),
        ("patient.identifier=urn:other%7Cmrn1", vec![]),
        ("encounter.identifier=mrn1", vec![]),
        ("encounter.location.name=east", vec![]),
        ("patient._id=p2", vec!["a2", "b2"]),
    ] {
        let found = service.get(&format!("/fhir/Procedure?{query}")).await.json();
        assert_eq!(ids(&found), wanted, "{query}");
        let parameters = query.split('&').map(|p| p.split('=').next().unwrap().replace(':', "%3A"));
        for parameter in parameters {
            let said = link(&found, "self").unwrap();
            assert!(said.contains(&parameter) || said.contains(&parameter.replace("%3A", ":")), "{said}");
        }
    }
}

#[tokio::test]
async fn what_refers_is_compared_too() {
    let service = service().await;
    for (query, wanted) in [
        ("Patient?_has:Procedure:patient:code=c1", vec!["p1"]),
        ("Patient?_has:Procedure:patient:code=c1,c2", vec!["p1", "p2"]),
        ("Patient?_has:Procedure:subject:code=urn:c%7Cc2&gender=male", vec!["p2"]),
        ("Patient?_has:Procedure:patient:code=c1&_has:Encounter:patient:location=u1", vec!["p1"]),
        ("Patient?_has:Procedure:patient:code=c1&_has:Encounter:patient:location=u2", vec![]),
        ("Patient?_has:Encounter:patient:location.name=north", vec!["p1"]),
        ("Patient?_has:Encounter:patient:_has:Procedure:encounter:code=c2", vec!["p2"]),
        ("Location?_has:Encounter:location:patient.name=nimue", vec!["u1"]),
        ("Encounter?_has:Procedure:encounter:status=completed", vec!["e1", "e2"]),
        ("Encounter?_has:Procedure:encounter:code=none", vec![]),
        ("Procedure?patient._has:Encounter:patient:location=u2", vec!["a2", "b2"]),
    ] {
        let found = service.get(&format!("/fhir/{query}")).await.json();
        assert_eq!(ids(&found), wanted, "{query}");
    }
}

#[tokio::test]
async fn what_leads_nowhere_or_too_far_is_refused_whatever_was_preferred() {
    let service = service().await;
    for query in [
        "Procedure?patient.colour=red",
        "Procedure?colour.name=red",
        "Procedure?status.name=red",
        "Procedure?patient:Device.identifier=1",
        "Procedure?subject:Group.identifier=1",
        "Procedure?performer.identifier=1",
        "Procedure?patient.=1",
        "Procedure?.name=1",
        "Procedure?based-on.identifier=1",
        "Procedure?encounter.part-of.part-of.part-of.identifier=1",
        "Patient?_has=1",
        "Patient?_has:Procedure=1",
        "Patient?_has:Procedure:patient=1",
        "Patient?_has:Procedure:patient:colour=red",
        "Patient?_has:Procedure:encounter:code=1",
        "Patient?_has:Questionnaire:patient:code=1",
        "Patient?_has:Procedure:status:code=1",
    ] {
        for prefer in ["handling=lenient", "handling=strict"] {
            let reply = service.ask("GET", &format!("/fhir/{query}"), &[("prefer", prefer)], "").await;
            assert_eq!(reply.verdict(), verdict(400, "not-supported"), "{query}");
        }
    }
    for query in
        ["Procedure?patient.birthdate=x", "Procedure?patient.name=", "Patient?_has:Procedure:patient:date=x"]
    {
        assert_eq!(service.get(&format!("/fhir/{query}")).await.verdict(), verdict(400, "value"), "{query}");
    }
}

#[tokio::test]
async fn a_chain_that_fits_too_many_is_refused_and_so_are_too_many_chains() {
    let service = Service::new().await;
    let two = "encounter.location.name=x";
    for (query, status) in [
        ([two; 3].join("&"), 200),
        ([two, two, two, "patient.name=x"].join("&"), 400),
        (["_include=Procedure:patient"; 16].join("&"), 200),
        (["_include=Procedure:patient"; 17].join("&"), 400),
    ] {
        let reply = service.get(&format!("/fhir/Procedure?{query}")).await;
        assert_eq!(reply.status, status, "{query}");
        assert!(status == 200 || reply.verdict() == verdict(400, "too-costly"), "{query}");
    }
    let entries: Vec<Value> = (0..1_001)
        .map(|n| {
            let patient = json!({ "resourceType": "Patient", "id": format!("p{n}"), "gender": "female" });
            json!({ "resource": patient, "request": { "method": "PUT", "url": format!("Patient/p{n}") } })
        })
        .collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "batch", "entry": entries });
    assert_eq!(service.post("/fhir", &bundle).await.status, 200);
    let reply = service.get("/fhir/Procedure?patient.gender=female").await;
    assert_eq!(reply.verdict(), verdict(400, "too-costly"));
    assert_eq!(service.delete("/fhir/Patient/p0").await.status, 204);
    assert_eq!(service.get("/fhir/Procedure?patient.gender=female").await.json()["total"], 0);
}

#[tokio::test]
async fn what_comes_with_terce_is_led_to_as_well() {
    let service = Service::new().await;
    let map = json!({ "resourceType": "ConceptMap", "id": "m", "status": "draft", "sourceCanonical": "ValueSet/v" });
    assert_eq!(service.put("/fhir/ConceptMap/m", &map).await.status, 201);
    let set = json!({ "resourceType": "ValueSet", "id": "v", "status": "draft", "name": "Reasons" });
    assert_eq!(service.put("/fhir/ValueSet/v", &set).await.status, 201);
    assert_eq!(ids(&service.get("/fhir/ConceptMap?source.name=reasons").await.json()), ["m"]);
    let based = json!([{ "reference": "PlanDefinition/adult" }]);
    let task = with(super::tasks::task(), json!({ "basedOn": based }));
    let write = terce::store::Write {
        kind: "Task".into(),
        id: Some("t1".to_owned()),
        body: Some(task.to_string().into_bytes()),
        ..terce::store::Write::default()
    };
    let batch = terce::store::Batch { writes: vec![write], ..terce::store::Batch::default() };
    service.store.commit(batch).await.unwrap();
    let url = "https://terce.example/fhir/PlanDefinition/adult";
    assert_eq!(ids(&service.get(&format!("/fhir/Task?based-on.url={url}")).await.json()), ["t1"]);
    assert_eq!(ids(&service.get("/fhir/Task?based-on.url=urn:other").await.json()), [""; 0]);
}
