//! Operations.

use serde_json::json;

use super::{FHIR, Service, procedure, verdict, with, without};

/// A ventilated patient whose mouth was cleaned once.
async fn service() -> Service {
    let service = Service::new().await;
    let code = |system: &str, code: &str| json!({ "coding": [{ "system": format!("https://terce.example/fhir/CodeSystem/{system}"), "code": code }] });
    service.put("/fhir/Patient/p1", &json!({ "resourceType": "Patient", "id": "p1" })).await;
    service
        .put(
            "/fhir/Encounter/e1",
            &json!({
                "resourceType": "Encounter", "id": "e1", "status": "in-progress", "class": { "code": "IMP" },
                "subject": { "reference": "Patient/p1" }, "period": { "start": "2026-03-01T00:00:00Z" },
            }),
        )
        .await;
    let ventilation = json!({
        "code": code("airway", "invasive-ventilation"), "status": "in-progress",
        "performedPeriod": { "start": "2026-03-01T01:00:00Z" },
    });
    service.post("/fhir/Procedure", &with(without(procedure(), "performedDateTime"), ventilation)).await;
    service.post("/fhir/Procedure", &procedure()).await;
    service
}

#[tokio::test]
async fn a_measure_is_evaluated_for_a_period_and_for_a_patient() {
    let service = service().await;
    let at = "/fhir/Measure/timeliness/$evaluate-measure";
    let summary = service.get(&format!("{at}?periodStart=2026-03-01&periodEnd=2026-03-01")).await;
    assert_eq!(summary.status, 200, "{}", summary.text());
    let report: fhir_models::MeasureReport = fhir_models::parse(&summary.body).unwrap();
    assert_eq!(fhir_models::validate(&report, &summary.body), []);
    assert_eq!(summary.json()["type"], "summary");
    let one = service
        .get(&format!("{at}?periodStart=2026-03&periodEnd=2026-03&reportType=subject&subject=Patient/p1"))
        .await;
    assert_eq!((one.status, one.json()["type"].clone()), (200, json!("individual")), "{}", one.text());
    let parameters = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "periodStart", "valueDate": "2026-03-01" }, { "name": "periodEnd", "valueDate": "2026-03-01" },
        { "name": "unit", "valueReference": { "reference": "Location/icu" } },
    ] });
    let posted = service.post(at, &parameters).await;
    assert_eq!(posted.status, 200, "{}", posted.text());
    for (query, expected) in [
        ("periodStart=2026-03-01", verdict(400, "required")),
        ("periodStart=2026-03-02&periodEnd=2026-03-01", verdict(400, "invariant")),
        ("periodStart=2026-02-30&periodEnd=2026-03-01", verdict(400, "value")),
        ("periodStart=0001&periodEnd=9999", verdict(400, "too-costly")),
        ("periodStart=2026&periodEnd=2026&reportType=list", verdict(400, "not-supported")),
        ("periodStart=2026&periodEnd=2026&reportType=subject", verdict(400, "invariant")),
        ("periodStart=2026&periodEnd=2026&subject=Group/1", verdict(404, "not-found")),
        ("periodStart=2026&periodEnd=2026&subject=Location/1", verdict(404, "not-found")),
        ("periodStart=2026&periodEnd=2026&subject=Organization/1", verdict(404, "not-found")),
        ("periodStart=2026&periodEnd=2026&subject=Practitioner/1", verdict(400, "not-supported")),
        ("periodStart=2026&periodEnd=2026&subject=Device/1", verdict(400, "value")),
        ("periodStart=2026-01-01T00:00:00Z&periodEnd=2026", verdict(400, "value")),
        ("periodStart=2026&periodEnd=2026&measure=Measure/timeliness", verdict(400, "invariant")),
        ("periodStart=2026&periodEnd=2026&subject=Patient/none", verdict(404, "not-found")),
        ("periodStart=2026&periodEnd=2026&practitioner=1", verdict(400, "not-supported")),
    ] {
        assert_eq!(service.get(&format!("{at}?{query}")).await.verdict(), expected, "{query}");
    }
    let unknown = service.get("/fhir/Measure/none/$evaluate-measure?periodStart=2026&periodEnd=2026").await;
    assert_eq!(unknown.verdict(), verdict(404, "not-found"));
    let empty =
        service.ask("POST", &format!("{at}?periodStart=2026-03-01&periodEnd=2026-03-01"), &[FHIR], "").await;
    assert_eq!(empty.status, 200, "{}", empty.text());
}

/// The patient of [`service`] in the unit north, which is part of a wing that the hospital manages.
pub(super) async fn placed() -> Service {
    let service = service().await;
    let location = |id: &str, more: serde_json::Value| {
        let mut location = json!({ "resourceType": "Location", "id": id });
        location.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        location
    };
    let wing = json!({ "managingOrganization": { "reference": "Organization/hospital" } });
    service.put("/fhir/Location/wing", &location("wing", wing)).await;
    let north = json!({ "partOf": { "reference": "Location/wing" } });
    service.put("/fhir/Location/north", &location("north", north)).await;
    service.put("/fhir/Location/south", &location("south", json!({}))).await;
    let encounter = json!({
        "resourceType": "Encounter", "id": "e1", "status": "in-progress", "class": { "code": "IMP" },
        "subject": { "reference": "Patient/p1" }, "period": { "start": "2026-03-01T00:00:00Z" },
        "location": [{ "location": { "reference": "Location/north" }, "period": { "start": "2026-03-01T00:00:00Z" } }],
    });
    service.put("/fhir/Encounter/e1", &encounter).await;
    hear(&service).await;
    service
}

/// The source has told everything up to now.
pub(super) async fn hear(service: &Service) {
    assert_eq!(service.ask("POST", "/feed/charting/heartbeat", &[], "").await.status, 204);
}

pub(super) fn met(report: &serde_json::Value) -> i64 {
    let populations = report["group"][0]["population"].as_array().unwrap();
    populations.iter().find(|p| p["id"] == "numerator").unwrap()["count"].as_i64().unwrap()
}

#[tokio::test]
async fn a_report_is_about_a_unit_a_wing_an_organization_or_a_group() {
    let service = placed().await;
    let ask = async |subject: &str| {
        let query = format!("periodStart=2026-03-01&periodEnd=2026-03-01&subject={subject}");
        let reply = service.get(&format!("/fhir/Measure/timeliness/$evaluate-measure?{query}")).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        reply.json()
    };
    for (subject, counted) in [("Location/north", 1), ("Location/wing", 1), ("Location/south", 0)] {
        let report = ask(subject).await;
        assert_eq!((met(&report), &report["subject"]["reference"]), (counted, &json!(subject)));
        assert_eq!(report["type"], "summary");
    }
    let report = ask("Organization/hospital").await;
    assert_eq!((met(&report), &report["reporter"]["reference"]), (1, &json!("Organization/hospital")));
    let group = |members: serde_json::Value, characteristics: serde_json::Value| {
        let mut group = json!({ "resourceType": "Group", "id": "g", "type": "person", "actual": true });
        if members.is_array() {
            group["member"] = members;
        }
        if characteristics.is_array() {
            group["characteristic"] = characteristics;
        }
        group
    };
    let member = |patient: &str| json!({ "entity": { "reference": format!("Patient/{patient}") } });
    service.put("/fhir/Group/g", &group(json!([member("p1"), member("nobody")]), json!(null))).await;
    let report = ask("Group/g").await;
    assert_eq!((met(&report), &report["subject"]["reference"]), (1, &json!("Group/g")));
    let of_unit = json!([{ "code": { "text": "unit" }, "exclude": false,
        "valueReference": { "reference": "Location/wing" } }]);
    service.put("/fhir/Group/g", &group(json!(null), of_unit)).await;
    assert_eq!(met(&ask("Group/g").await), 1);
    service.put("/fhir/Group/g", &group(json!(null), json!(null))).await;
    let query = "periodStart=2026-03-01&periodEnd=2026-03-01&subject=Group/g";
    let empty = service.get(&format!("/fhir/Measure/timeliness/$evaluate-measure?{query}")).await;
    assert_eq!(empty.status, 422, "{}", empty.text());
}

#[tokio::test]
async fn a_measure_is_named_by_its_address_too() {
    let service = service().await;
    let at = "/fhir/Measure/$evaluate-measure?periodStart=2026-03-01&periodEnd=2026-03-01";
    for measure in [
        "Measure/timeliness",
        "timeliness",
        "https://terce.example/fhir/Measure/timeliness",
        "https://terce.example/fhir/Measure/timeliness%7C0.1.0",
    ] {
        let reply = service.get(&format!("{at}&measure={measure}")).await;
        assert_eq!(reply.status, 200, "{measure}: {}", reply.text());
        assert_eq!(reply.json()["measure"], "https://terce.example/fhir/Measure/timeliness|0.1.0");
    }
    assert_eq!(service.get(at).await.verdict(), verdict(400, "required"));
    let other = service.get(&format!("{at}&measure=https://terce.example/fhir/Measure/timeliness%7C9")).await;
    assert_eq!(other.verdict(), verdict(400, "not-supported"));
    assert_eq!(service.get(&format!("{at}&measure=none")).await.verdict(), verdict(404, "not-found"));
}

#[tokio::test]
async fn a_stay_is_explained_as_parameters_and_as_text() {
    let service = service().await;
    let reply = service.get("/fhir/Encounter/e1/$explain").await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    fhir_models::parse::<fhir_models::Parameters>(&reply.body).unwrap();
    assert!(reply.text().contains("\"arithmetic\""), "{}", reply.text());
    let text = service
        .ask("GET", "/fhir/Encounter/e1/$explain?requirement=clean", &[("accept", "text/plain")], "")
        .await;
    assert_eq!((text.status, text.header("content-type")), (200, "text/plain; charset=utf-8"));
    assert!(text.text().contains("\nclean ") && !text.text().contains("\nbrush "), "{}", text.text());
    assert_eq!(service.get("/fhir/Encounter/none/$explain").await.verdict(), verdict(404, "not-found"));
    assert_eq!(service.get("/fhir/Encounter/e1/$other").await.verdict(), verdict(404, "not-found"));
    let parameters = json!({ "resourceType": "Parameters", "parameter": [{ "name": "requirement", "valueString": "clean" }] });
    let posted = service.post("/fhir/Encounter/e1/$explain", &parameters).await;
    assert_eq!(posted.json(), service.get("/fhir/Encounter/e1/$explain?requirement=clean").await.json());
    assert_eq!(service.put("/fhir/Encounter/e1/$explain", &json!({})).await.status, 405);
}
