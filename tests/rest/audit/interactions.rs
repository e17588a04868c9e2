//! What each interaction leaves, however it is asked.

use serde_json::{Value, json};
use terce::store::{Audit, Thing};

use super::super::operations::{hear, placed};
use super::super::{FHIR, Service, identified, procedure, with};

const PATCH: (&str, &str) = ("content-type", "application/json-patch+json");

fn told(thing: &Thing) -> String {
    let what = if thing.kind.is_empty() { String::new() } else { format!("{}/{}", thing.kind, thing.id) };
    let version = if thing.version == 0 { String::new() } else { format!("/{}", thing.version) };
    let status = if thing.status == 0 { String::new() } else { format!(" {}", thing.status) };
    format!(
        "{} {what}{version} of {}: {}{status}",
        thing.deed,
        thing.patient.as_deref().unwrap_or("nobody"),
        thing.asked
    )
}

fn things(row: &Audit) -> Vec<String> {
    row.things.iter().map(told).collect()
}

/// Two procedures of two patients.
async fn service() -> Service {
    let service = Service::new().await;
    let patient = with(json!({ "resourceType": "Patient", "id": "p1" }), identified("n9"));
    service.put("/fhir/Patient/p1", &patient).await;
    for (id, patient) in [("a", "p1"), ("b", "p2")] {
        let own = json!({ "id": id, "subject": { "reference": format!("Patient/{patient}") } });
        let body = with(procedure(), with(identified(id), own));
        assert_eq!(service.put(&format!("/fhir/Procedure/{id}"), &body).await.status, 201);
    }
    service
}

/// Asks, and gives the status and what that has left.
async fn left(
    service: &Service,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: Value,
) -> (u16, Vec<Audit>) {
    let before = service.recorded().await.len();
    let body = if body.is_null() { String::new() } else { body.to_string() };
    let reply = service.ask(method, path, headers, body).await;
    (reply.status, service.recorded().await.split_off(before))
}

/// Method, address and headers; status, deed and things.
type Case = (
    &'static str,
    &'static str,
    &'static [(&'static str, &'static str)],
    u16,
    &'static str,
    &'static [&'static str],
);

#[tokio::test]
async fn what_is_read_or_found_is_recorded_with_whom_it_tells_of() {
    let service = service().await;
    const READ: &[&str] = &["read Procedure/a/1 of p1: "];
    const P1: &[&str] = &["search-type  of p1: "];
    const BOTH: &[&str] = &["search-type  of p1: ", "search-type  of p2: "];
    let cases: &[Case] = &[
        (
            "GET",
            "Procedure/_history",
            &[],
            200,
            "history-type",
            &["history-type Procedure/b/1 of p2: ", "history-type Procedure/a/1 of p1: "],
        ),
        (
            "GET",
            "Procedure/_history?_count=1",
            &[],
            200,
            "history-type",
            &["history-type Procedure/b/1 of p2: "],
        ),
        ("GET", "Procedure/_history?_since=2030-01-01T00:00:00Z", &[], 200, "history-type", &[]),
        (
            "GET",
            "Procedure/a/_history",
            &[],
            200,
            "history-instance",
            &["history-instance Procedure/a/1 of p1: "],
        ),
        ("GET", "Procedure/a", &[("if-none-match", "W/\"1\"")], 304, "read", READ),
        ("HEAD", "Procedure/a", &[], 200, "read", READ),
        ("GET", "Procedure/a?_summary=true", &[], 200, "read", READ),
        ("GET", "Procedure/a?_summary=nothing", &[], 400, "read", &[]),
        ("HEAD", "Procedure?patient=p1", &[], 200, "search-type", P1),
        ("GET", "Procedure?_summary=count&patient=p1", &[], 200, "search-type", P1),
        ("GET", "Procedure?_summary=count", &[], 200, "search-type", &[]),
        ("GET", "Patient?_id=p1&_revinclude=Procedure:patient", &[], 200, "search-type", P1),
        ("GET", "Procedure?identifier=a&_include=Procedure:patient", &[], 200, "search-type", P1),
        ("GET", "Procedure?patient.identifier=n9", &[], 200, "search-type", P1),
        ("GET", "Procedure?subject=p2,Patient/p1&_sort=-date", &[], 200, "search-type", BOTH),
        // that there is nothing tells something, too
        ("GET", "Patient?_has:Procedure:patient:identifier=a", &[], 200, "search-type", P1),
        (
            "GET",
            "Location?_has:Encounter:location:patient=p7",
            &[],
            200,
            "search-type",
            &["search-type  of p7: "],
        ),
        ("GET", "Task?patient._id=p7", &[], 200, "search-type", &["search-type  of p7: "]),
        ("GET", "AuditEvent?patient=p1&_count=1", &[], 200, "search-type", P1),
        // a list of events that was as many again would soon list nothing else
        ("GET", "AuditEvent", &[], 200, "search-type", &[]),
        ("GET", "AuditEvent/_history", &[], 200, "history-type", &[]),
        (
            "GET",
            "AuditEvent/1/_history",
            &[],
            200,
            "history-instance",
            &["history-instance AuditEvent/1 of p1: "],
        ),
        ("GET", "AuditEvent?_id=2&_include=AuditEvent:entity", &[], 200, "search-type", P1),
    ];
    for (method, path, headers, status, deed, wanted) in cases {
        let (answered, rows) = left(&service, method, &format!("/fhir/{path}"), headers, Value::Null).await;
        assert_eq!(answered, *status, "{path}");
        let [row] = &rows[..] else { panic!("{path}: {rows:?}") };
        assert_eq!((&*row.deed, row.status, things(row)), (*deed, *status, owned(wanted)), "{path}");
        let is_told = row.things.is_empty() || *deed == "search-type";
        let asked = if is_told { format!("{method} /fhir/{path}") } else { String::new() };
        assert_eq!(row.asked, asked, "{path}");
    }
    service.is_whole().await;
}

fn owned(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|text| (*text).to_owned()).collect()
}

#[tokio::test]
async fn a_patch_is_recorded_with_the_version_it_made_or_left() {
    let service = service().await;
    let patch = |to: &str| json!([{ "op": "replace", "path": "/status", "value": to }]);
    for (path, to, status, wanted) in [
        ("Procedure/a", "stopped", 200, &["update Procedure/a/2 of p1: "][..]),
        ("Procedure/a", "stopped", 200, &["update Procedure/a/2 of p1: "]),
        ("Procedure?identifier=a", "completed", 200, &["update Procedure/a/3 of p1: "]),
        ("Procedure/none", "completed", 404, &[]),
        ("Procedure/a", "nonsense", 400, &[]),
    ] {
        let (answered, rows) = left(&service, "PATCH", &format!("/fhir/{path}"), &[PATCH], patch(to)).await;
        assert_eq!(answered, status, "{path} {to}");
        let [row] = &rows[..] else { panic!("{path}: {rows:?}") };
        assert_eq!((&*row.deed, row.status, things(row)), ("patch", status, owned(wanted)), "{path} {to}");
    }
    service.is_whole().await;
}

fn entries(sort: &str, asked: &[(&str, &str)]) -> Value {
    let entry = |(method, url): &(&str, &str)| json!({ "request": { "method": method, "url": url } });
    json!({ "resourceType": "Bundle", "type": sort, "entry": asked.iter().map(entry).collect::<Vec<_>>() })
}

#[tokio::test]
async fn each_entry_that_reads_is_recorded_as_if_it_were_asked_by_itself() {
    let service = service().await;
    let asked = [
        ("GET", "Procedure/a"),
        ("HEAD", "Procedure/a"),
        ("GET", "Procedure/a/_history/1"),
        ("GET", "Procedure/a/_history"),
        ("GET", "Procedure/_history?_count=1"),
        ("GET", "Procedure?patient=p1,p3"),
        ("GET", "Procedure?identifier=none"),
        ("GET", "metadata"),
        ("GET", "$data-quality"),
        ("GET", "Procedure/none"),
        ("GET", "AuditEvent/1"),
    ];
    for sort in ["batch", "transaction"] {
        let (answered, rows) = left(&service, "POST", "/fhir", &[FHIR], entries(sort, &asked)).await;
        assert_eq!(answered, 200);
        let [row] = &rows[..] else { panic!("{sort}: {rows:?}") };
        assert_eq!(row.deed, sort);
        assert_eq!(
            things(row),
            [
                "read Procedure/a/1 of p1: ",
                "read Procedure/a/1 of p1: ",
                "vread Procedure/a/1 of p1: ",
                "history-instance Procedure/a/1 of p1: ",
                "history-type Procedure/b/1 of p2: ",
                "search-type  of p1: GET Procedure?patient=p1,p3",
                "search-type  of p3: GET Procedure?patient=p1,p3",
                "search-type  of nobody: GET Procedure?identifier=none",
                "operation  of nobody: GET $data-quality",
                "read AuditEvent/1 of p1: ",
                "read  of nobody: GET Procedure/none 404",
            ],
            "{sort}"
        );
    }
    service.is_whole().await;
}

#[tokio::test]
async fn operations_of_measures_are_recorded_with_the_patients_they_name() {
    let service = placed().await;
    let at = "2026-03-01T14:00:00Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap();
    service.clock.set(terce::care::time::Instant::from(at));
    hear(&service).await;
    let period = "periodStart=2026-03-01&periodEnd=2026-03-01";
    let cases: [(String, &[&str]); 6] = [
        (format!("Measure/$care-gaps?{period}&subject=Patient/p1"), &["p1"]),
        // of whom it is asked is told, if only that there is nothing
        (format!("Measure/$care-gaps?{period}&subject=Patient/p1&status=not-applicable"), &["p1"]),
        (format!("Measure/$care-gaps?{period}&subject=Location/north"), &["p1"]),
        (format!("Measure/$care-gaps?{period}&subject=Location/south"), &[]),
        ("Measure/timeliness/$data-requirements".to_owned(), &[]),
        (format!("Measure/timeliness/$evaluate-measure?{period}&chart=day"), &[]),
    ];
    for (path, wanted) in &cases {
        let (answered, rows) = left(&service, "GET", &format!("/fhir/{path}"), &[], Value::Null).await;
        assert_eq!(answered, 200, "{path}");
        let [row] = &rows[..] else { panic!("{path}: {rows:?}") };
        let about: Vec<&str> = row.things.iter().filter_map(|t| t.patient.as_deref()).collect();
        assert_eq!((&*row.deed, &*about), ("operation", *wanted), "{path}");
        assert_eq!(row.asked, format!("GET /fhir/{path}"));
        let (answered, rows) =
            left(&service, "POST", "/fhir", &[FHIR], entries("batch", &[("GET", path)])).await;
        assert_eq!(answered, 200, "{path}");
        let whom = wanted.first().copied().unwrap_or("nobody");
        assert_eq!(things(&rows[0]), [format!("operation  of {whom}: GET {path}")]);
    }
    service.is_whole().await;
}
