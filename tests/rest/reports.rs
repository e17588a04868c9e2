//! Reports of lists, tables, and of the record as it was known.

use serde_json::{Value, json};

use super::operations::{hear, met, placed};
use super::{Service, procedure, verdict, with};

const PERIOD: &str = "periodStart=2026-03-01&periodEnd=2026-03-01";

async fn report(service: &Service, query: &str) -> Value {
    let reply = service.get(&format!("/fhir/Measure/timeliness/$evaluate-measure?{PERIOD}&{query}")).await;
    assert_eq!(reply.status, 200, "{query}: {}", reply.text());
    reply.json()
}

fn population<'a>(report: &'a Value, id: &str) -> &'a Value {
    report["group"][0]["population"].as_array().unwrap().iter().find(|p| p["id"] == id).unwrap()
}

/// All `#` references of a resource lead to what it contains.
fn contained<'a>(report: &'a Value, reference: &Value) -> &'a Value {
    let id = reference["reference"].as_str().unwrap().strip_prefix('#').unwrap();
    report["contained"].as_array().unwrap().iter().find(|r| r["id"] == id).unwrap()
}

#[tokio::test]
async fn a_subject_list_leads_from_each_population_to_the_report_of_each_patient() {
    let service = placed().await;
    let listed = report(&service, "reportType=subject-list&subject=Location/north").await;
    assert_eq!(listed["type"], "subject-list");
    let numerator = population(&listed, "numerator");
    assert_eq!(numerator["count"], 1);
    let list = contained(&listed, &numerator["subjectResults"]);
    assert_eq!((&list["resourceType"], &list["mode"]), (&json!("List"), &json!("snapshot")));
    let item = &list["entry"][0]["item"];
    assert_eq!(item["type"], "MeasureReport");
    let own = contained(&listed, item);
    assert_eq!((&own["type"], &own["subject"]["reference"]), (&json!("individual"), &json!("Patient/p1")));
    assert_eq!(met(own), 1);
    // nobody was excused, so nobody is listed there
    assert!(population(&listed, "denominator-exception").get("subjectResults").is_none());
    let none = report(&service, "reportType=subject-list&subject=Location/south").await;
    assert!(none.get("contained").is_none());
    let bytes = service
        .get(&format!("/fhir/Measure/timeliness/$evaluate-measure?{PERIOD}&reportType=subject-list"))
        .await
        .body;
    let parsed: fhir_models::MeasureReport = fhir_models::parse(&bytes).unwrap();
    assert_eq!(fhir_models::validate(&parsed, &bytes), []);
}

#[tokio::test]
async fn a_report_of_one_patient_names_the_documents_it_rests_on() {
    let service = placed().await;
    let whole = report(&service, "subject=Patient/p1").await;
    let named = |report: &Value| -> Vec<String> {
        let all = report["evaluatedResource"].as_array().cloned().unwrap_or_default();
        all.iter().map(|r| r["reference"].as_str().unwrap().to_owned()).collect()
    };
    let of_type = |names: &[String], kind: &str| names.iter().filter(|n| n.starts_with(kind)).count();
    let names = named(&whole);
    // the ventilation and the care; the encounter
    assert_eq!((of_type(&names, "Procedure/"), of_type(&names, "Encounter/")), (2, 1), "{names:?}");
    assert!(names.iter().all(|n| n.contains("/_history/")), "{names:?}");
    let since = report(&service, "subject=Patient/p1&lastReceivedOn=2100-01-01").await;
    assert_eq!((named(&since).len(), met(&since)), (0, 1));
    let at = format!("/fhir/Measure/timeliness/$evaluate-measure?{PERIOD}&lastReceivedOn=2026-01-01");
    assert_eq!(service.get(&at).await.verdict(), verdict(400, "invariant"));
}

#[tokio::test]
async fn a_report_is_a_table_too_with_the_same_numbers() {
    let service = placed().await;
    let at = format!("/fhir/Measure/timeliness/$evaluate-measure?{PERIOD}");
    let table = service.ask("GET", &at, &[("accept", "text/csv")], "").await;
    assert_eq!(
        (table.status, table.header("content-type")),
        (200, "text/csv; charset=utf-8; header=present")
    );
    let mut read = csv::Reader::from_reader(table.body.as_slice());
    let header = read.headers().unwrap().clone();
    let rows: Vec<csv::StringRecord> = read.records().map(Result::unwrap).collect();
    let field = |row: &csv::StringRecord, name: &str| {
        row.get(header.iter().position(|h| h == name).unwrap()).unwrap().to_owned()
    };
    let whole =
        rows.iter().find(|r| field(r, "group") == "clean" && field(r, "stratifier").is_empty()).unwrap();
    let told = report(&service, "").await;
    for name in ["denominator", "numerator"] {
        assert_eq!(field(whole, &name.replace('-', "_")), population(&told, name)["count"].to_string());
    }
    let score: f64 = field(whole, "score").parse().unwrap();
    assert_eq!(told["group"][0]["measureScore"]["value"].as_f64(), Some(score));
    assert_eq!(
        field(whole, "late_charted"),
        population(&told, "numerator")["extension"][0]["valueUnsignedInt"].to_string()
    );
    let units = rows.iter().filter(|r| field(r, "group") == "clean" && field(r, "stratifier") == "unit");
    assert_eq!(units.map(|r| field(r, "stratum")).collect::<Vec<_>>(), ["north"]);
    assert_eq!(service.ask("GET", &at, &[("accept", "text/plain")], "").await.status, 406);
}

/// At 09:00 nothing was charted after 08:00; at 14:00 care of 10:00 is charted, what was charted for 08:00 is moved, and
/// a second care is charted and withdrawn.
#[tokio::test]
async fn two_reports_of_one_period_are_told_apart_difference_by_difference() {
    let service = placed().await;
    let at =
        |text: &str| terce::care::time::Instant::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap());
    service.clock.set(at("2026-03-02T09:00:00Z"));
    hear(&service).await;
    let before = report(&service, "").await;
    service.clock.set(at("2026-03-02T14:00:00Z"));
    hear(&service).await;
    let late = with(procedure(), json!({ "id": "late", "performedDateTime": "2026-03-01T11:00:00Z" }));
    service.put("/fhir/Procedure/late", &late).await;
    let now = report(&service, "").await;
    assert_ne!(population(&before, "numerator"), population(&now, "numerator"));
    let then = report(&service, "asOf=2026-03-02T09:00:00Z").await;
    assert_eq!(then["group"], before["group"], "as it was known");
    assert!(
        then["extension"]
            .as_array()
            .unwrap()
            .iter()
            .any(|e| { e["url"].as_str().unwrap().ends_with("/known-at") })
    );
    let query = "comparedWith=2026-03-02T09:00:00Z";
    let compared = report(&service, query).await;
    assert_eq!(compared["resourceType"], "Parameters");
    let bytes = compared.to_string();
    fhir_models::parse::<fhir_models::Parameters>(bytes.as_bytes()).unwrap();
    let part = |parts: &Value, name: &str| -> Value {
        let found = parts["part"].as_array().unwrap().iter().find(|p| p["name"] == name).cloned();
        let found = found.unwrap_or_default();
        found
            .as_object()
            .into_iter()
            .flatten()
            .find(|(k, _)| k.starts_with("value"))
            .map(|(_, v)| v.clone())
            .unwrap_or_default()
    };
    let differences: Vec<Value> = compared["parameter"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|p| p["name"] == "difference")
        .cloned()
        .collect();
    assert!(!differences.is_empty());
    for difference in &differences {
        assert_eq!(part(difference, "why"), "charted-late", "{difference}");
        let by = difference["part"].as_array().unwrap().iter().find(|p| p["name"] == "by").unwrap();
        assert_eq!(part(by, "document")["reference"], "Procedure/late");
    }
    // what was added less what was removed is the difference of the two reports
    for (group, requirement) in ["clean", "brush", "moisten"].into_iter().enumerate() {
        for (what, population_id) in [("met", "numerator"), ("excused", "denominator-exception")] {
            let net: i64 = differences
                .iter()
                .filter(|d| part(d, "requirement") == requirement)
                .filter(|d| part(d, "what").as_str().unwrap().starts_with(what))
                .map(|d| if part(d, "change") == "added" { 1 } else { -1 })
                .sum();
            let count = |report: &Value| {
                let all = report["group"][group]["population"].as_array().unwrap();
                all.iter().find(|p| p["id"] == population_id).unwrap()["count"].as_i64().unwrap()
            };
            assert_eq!(net, count(&now) - count(&before), "{requirement}");
        }
    }
    let path = format!("/fhir/Measure/timeliness/$evaluate-measure?{PERIOD}&{query}");
    let table = service.ask("GET", &path, &[("accept", "text/csv")], "").await;
    assert_eq!(table.text().lines().count(), differences.len() + 1, "{}", table.text());
}

/// A code that nobody mapped, the same care in two documents, a clock ahead, a document that nothing can be made of.
#[tokio::test]
async fn what_is_wrong_with_the_data_is_told_with_counts_examples_and_a_proposal() {
    let service = placed().await;
    let coded = |id: &str, code: Value, more: Value| {
        with(with(procedure(), json!({ "id": id, "code": { "coding": [code] } })), more)
    };
    let local =
        json!({ "system": "https://record.example/codes", "code": "OC-17", "display": "=Oral care w/ swab" });
    for id in ["u1", "u2"] {
        service.put(&format!("/fhir/Procedure/{id}"), &coded(id, local.clone(), json!({}))).await;
    }
    let known = procedure()["code"]["coding"][0].clone();
    let ahead = json!({ "performedDateTime": "2026-03-01T13:00:00Z", "meta": { "source": "urn:west" } });
    service.put("/fhir/Procedure/a", &coded("a", known.clone(), ahead)).await;
    let unusable = coded("x", known, json!({ "performedDateTime": "2026" }));
    service.put("/fhir/Procedure/x", &unusable).await;
    let reply = service.get("/fhir/$data-quality").await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    fhir_models::parse::<fhir_models::Parameters>(&reply.body).unwrap();
    let table = service.ask("GET", "/fhir/$data-quality", &[("accept", "text/csv")], "").await;
    let mut read = csv::Reader::from_reader(table.body.as_slice());
    let rows: Vec<Vec<String>> =
        read.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
    let of = |fault: &str| rows.iter().find(|r| r[0] == fault).unwrap_or_else(|| panic!("{fault}: {rows:?}"));
    let unmapped = of("unmapped-code");
    assert_eq!(unmapped[1..3], ["https://record.example/codes|OC-17", "2"]);
    assert_eq!((unmapped[3].as_str(), unmapped[4].as_str()), ("'=Oral care w/ swab", "oral-cleansing"));
    assert!(unmapped[5].contains("Procedure/u1"));
    assert_eq!(of("duplicate")[2], "1");
    assert_eq!(of("clock-ahead")[1..4], ["urn:west", "1", "up to 3600 s ahead"]);
    assert_eq!(service.get("/fhir/$data-quality?x=1").await.verdict(), verdict(400, "not-supported"));
    assert_eq!(service.get("/fhir/$other").await.status, 404);
}

#[tokio::test]
async fn a_report_is_followed_over_time_and_compared_and_its_table_has_the_same_rows() {
    let service = placed().await;
    let at = "/fhir/Measure/timeliness/$evaluate-measure?periodStart=2026-02-16&periodEnd=2026-03-08&chart=week\
              &otherStart=2026-02-01&otherEnd=2026-02-15";
    let reply = service.get(at).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let group = &reply.json()["group"][0];
    let chart = group["extension"]
        .as_array()
        .unwrap()
        .iter()
        .find(|e| e["url"].as_str().unwrap().ends_with("/chart"));
    let parts = chart.unwrap()["extension"].as_array().unwrap();
    let starts: Vec<&Value> = (parts.iter().filter(|p| p["url"] == "point"))
        .map(|p| &p["extension"][0]["valuePeriod"]["start"])
        .collect();
    assert_eq!(starts, ["2026-02-16", "2026-02-23", "2026-03-02"]);
    // the points come to the whole
    let numerators: i64 = (parts.iter().filter(|p| p["url"] == "point"))
        .map(|p| p["extension"][1]["valueUnsignedInt"].as_i64().unwrap())
        .sum();
    assert_eq!(numerators, met(&reply.json()));
    let table = service.ask("GET", at, &[("accept", "text/csv")], "").await;
    assert_eq!(table.text().lines().filter(|l| l.contains("chart-week") && l.contains("clean")).count(), 4);
    let hidden = service.get(&format!("{at}&suppressBelow=10")).await.json();
    assert!(hidden["group"][0]["population"][0].get("count").is_none(), "{hidden}");
    for (query, code) in [
        ("chart=year", "value"),
        ("chart=day&otherStart=2026-01-01", "required"),
        ("otherStart=2026-01-02&otherEnd=2026-01-01", "invariant"),
        ("chart=week&asOf=2026-03-01", "invariant"),
        ("suppressBelow=5&reportType=subject-list", "invariant"),
        ("suppressBelow=5&otherStart=2026-03-01&otherEnd=2026-03-02", "invariant"),
        ("suppressBelow=5&subject=Patient/p1", "invariant"),
        ("chart=week&subject=Patient/p1", "invariant"),
        ("suppressBelow=few", "value"),
    ] {
        let path = format!("/fhir/Measure/timeliness/$evaluate-measure?{PERIOD}&{query}");
        assert_eq!(service.get(&path).await.verdict(), verdict(400, code), "{query}");
    }
    let days = "/fhir/Measure/ventilator-days/$evaluate-measure?periodStart=2026-03-01&periodEnd=2026-03-09&chart=day";
    assert_eq!(service.get(days).await.verdict(), verdict(400, "not-supported"));
    let many =
        "/fhir/Measure/timeliness/$evaluate-measure?periodStart=2025-01-01&periodEnd=2025-12-31&chart=day";
    assert_eq!(service.get(many).await.verdict().1, "too-costly");
    let body = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "periodStart", "valueDate": "2026-03-01" }, { "name": "periodEnd", "valueDate": "2026-03-01" },
        { "name": "suppressBelow", "valuePositiveInt": 3 }] });
    let posted = service.post("/fhir/Measure/timeliness/$evaluate-measure", &body).await;
    assert_eq!(posted.status, 200, "{}", posted.text());
    assert!(posted.json()["group"][0]["population"][0].get("count").is_none());
}
