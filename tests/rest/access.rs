//! What a scope allows: exactly that, whatever way it is asked.

use axum::body::{Body, to_bytes};
use axum::http::Request;
use serde_json::{Value, json};
use terce::access::keys::Keys;
use terce::access::registry::{Client, KeysFrom, Registry};
use terce::access::{Scopes, digest};
use terce::config::{Access, Config};
use terce::rest::types::KINDS;
use terce::store::{Batch, Grant, Store};
use tower::ServiceExt;

use super::{FHIR, NOON_US, Service, identified, with};

/// A service that is not open.
pub(super) async fn guarded() -> Service {
    let client = Client {
        id: "c".to_owned(),
        keys: KeysFrom::Held(Keys::default()),
        scopes: Scopes::read("system/*.cruds system/AuditEvent.cruds").unwrap(),
        sources: Vec::new(),
        certificate: None,
    };
    let mut config = Config::standard();
    config.access = Access::Registered(Box::new(Registry { clients: vec![client], ..Registry::default() }));
    Service::on(Store::open_sqlite(None).await.unwrap(), config).await
}

/// A token with these scopes, as if it had been given out.
pub(super) async fn token(service: &Service, scopes: &str) -> String {
    let token = uuid::Uuid::new_v4().to_string();
    let grant = Grant {
        client: "c".to_owned(),
        assertion: token.clone(),
        assertion_until_us: NOON_US,
        digest: digest(token.as_bytes()),
        scopes: scopes.to_owned(),
        until_us: NOON_US + 1,
        forget_before_us: 0,
    };
    service
        .store
        .commit(Batch { now_us: NOON_US, grant: Some(Box::new(grant)), ..Batch::default() })
        .await
        .unwrap();
    token
}

/// One way to ask for something of a type, and the letters of the rights that it takes.
struct Way {
    name: &'static str,
    takes: &'static str,
    send: fn(kind: &str) -> Sent,
}

/// A request.
struct Sent {
    method: &'static str,
    path: String,
    if_none_exist: bool,
    body: Option<Value>,
}

fn plain(method: &'static str, path: String) -> Sent {
    Sent { method, path, if_none_exist: false, body: None }
}

fn document(kind: &str) -> Value {
    with(json!({ "resourceType": kind, "id": "x" }), identified("1"))
}

fn writes(method: &'static str, path: String, kind: &str) -> Sent {
    Sent { body: Some(document(kind)), ..plain(method, path) }
}

fn bundle(sort: &str, request: Value, resource: Option<Value>) -> Sent {
    let mut entry = json!({});
    if !request.is_null() {
        entry["request"] = request;
    }
    if let Some(resource) = resource {
        entry["resource"] = resource;
    }
    let body = json!({ "resourceType": "Bundle", "type": sort, "entry": [entry] });
    Sent { body: Some(body), ..plain("POST", "/fhir".to_owned()) }
}

fn entry(sort: &str, method: &str, url: String, kind: &str) -> Sent {
    let writes = matches!(method, "POST" | "PUT");
    bundle(sort, json!({ "method": method, "url": url }), writes.then(|| document(kind)))
}

fn conditional(sort: &str, kind: &str) -> Sent {
    let request = json!({ "method": "POST", "url": kind, "ifNoneExist": "identifier=urn:charting|1" });
    bundle(sort, request, Some(document(kind)))
}

const MATCHING: &str = "?identifier=urn:charting|1";

const WAYS: &[Way] = &[
    Way { name: "create", takes: "c", send: |k| writes("POST", format!("/fhir/{k}"), k) },
    Way {
        name: "conditional create",
        takes: "cs",
        send: |k| Sent { if_none_exist: true, ..writes("POST", format!("/fhir/{k}"), k) },
    },
    Way { name: "read", takes: "r", send: |k| plain("GET", format!("/fhir/{k}/x")) },
    Way { name: "head", takes: "r", send: |k| plain("HEAD", format!("/fhir/{k}/x")) },
    Way { name: "vread", takes: "r", send: |k| plain("GET", format!("/fhir/{k}/x/_history/1")) },
    Way { name: "part", takes: "r", send: |k| plain("GET", format!("/fhir/{k}/x?_elements=id")) },
    Way { name: "history", takes: "r", send: |k| plain("GET", format!("/fhir/{k}/x/_history")) },
    Way { name: "history of the type", takes: "s", send: |k| plain("GET", format!("/fhir/{k}/_history")) },
    Way { name: "update", takes: "u", send: |k| writes("PUT", format!("/fhir/{k}/x"), k) },
    Way { name: "patch", takes: "u", send: |k| writes("PATCH", format!("/fhir/{k}/x"), k) },
    Way {
        name: "conditional update",
        takes: "us",
        send: |k| writes("PUT", format!("/fhir/{k}{MATCHING}"), k),
    },
    Way {
        name: "conditional patch",
        takes: "us",
        send: |k| writes("PATCH", format!("/fhir/{k}{MATCHING}"), k),
    },
    Way { name: "delete", takes: "d", send: |k| plain("DELETE", format!("/fhir/{k}/x")) },
    Way {
        name: "conditional delete",
        takes: "ds",
        send: |k| plain("DELETE", format!("/fhir/{k}{MATCHING}")),
    },
    Way { name: "search", takes: "s", send: |k| plain("GET", format!("/fhir/{k}")) },
    Way { name: "head of a search", takes: "s", send: |k| plain("HEAD", format!("/fhir/{k}?_id=x")) },
    Way { name: "count", takes: "s", send: |k| plain("GET", format!("/fhir/{k}?_summary=count")) },
    Way { name: "search by post", takes: "s", send: |k| plain("POST", format!("/fhir/{k}/_search")) },
    Way {
        name: "unknown operation",
        takes: "cruds",
        send: |k| plain("POST", format!("/fhir/{k}/x/$expunge")),
    },
    Way { name: "batch create", takes: "c", send: |k| entry("batch", "POST", k.to_owned(), k) },
    Way { name: "batch conditional create", takes: "cs", send: |k| conditional("batch", k) },
    Way { name: "batch read", takes: "r", send: |k| entry("batch", "GET", format!("{k}/x"), k) },
    Way { name: "batch search", takes: "s", send: |k| entry("batch", "GET", k.to_owned(), k) },
    Way { name: "batch search by", takes: "s", send: |k| entry("batch", "GET", format!("{k}?_id=x"), k) },
    Way { name: "batch update", takes: "u", send: |k| entry("batch", "PUT", format!("{k}/x"), k) },
    Way {
        name: "batch conditional update",
        takes: "us",
        send: |k| entry("batch", "PUT", format!("{k}{MATCHING}"), k),
    },
    Way { name: "batch delete", takes: "d", send: |k| entry("batch", "DELETE", format!("{k}/x"), k) },
    Way {
        name: "batch conditional delete",
        takes: "ds",
        send: |k| entry("batch", "DELETE", format!("{k}{MATCHING}"), k),
    },
    Way { name: "batch patch", takes: "u", send: |k| entry("batch", "PATCH", format!("{k}/x"), k) },
    Way {
        name: "batch conditional patch",
        takes: "us",
        send: |k| entry("batch", "PATCH", format!("{k}{MATCHING}"), k),
    },
    Way { name: "batch head", takes: "r", send: |k| entry("batch", "HEAD", format!("{k}/x"), k) },
    Way { name: "batch vread", takes: "r", send: |k| entry("batch", "GET", format!("{k}/x/_history/1"), k) },
    Way { name: "batch history", takes: "r", send: |k| entry("batch", "GET", format!("{k}/x/_history"), k) },
    Way {
        name: "batch history of the type",
        takes: "s",
        send: |k| entry("batch", "GET", format!("{k}/_history"), k),
    },
    Way {
        name: "batch unknown operation",
        takes: "cruds",
        send: |k| entry("batch", "GET", format!("{k}/x/$expunge"), k),
    },
    Way { name: "transaction create", takes: "c", send: |k| entry("transaction", "POST", k.to_owned(), k) },
    Way { name: "transaction conditional create", takes: "cs", send: |k| conditional("transaction", k) },
    Way { name: "transaction read", takes: "r", send: |k| entry("transaction", "GET", format!("{k}/x"), k) },
    Way { name: "transaction search", takes: "s", send: |k| entry("transaction", "GET", k.to_owned(), k) },
    Way {
        name: "transaction update",
        takes: "u",
        send: |k| entry("transaction", "PUT", format!("{k}/x"), k),
    },
    Way {
        name: "transaction conditional update",
        takes: "us",
        send: |k| entry("transaction", "PUT", format!("{k}{MATCHING}"), k),
    },
    Way {
        name: "transaction patch",
        takes: "u",
        send: |k| entry("transaction", "PATCH", format!("{k}/x"), k),
    },
    Way {
        name: "transaction conditional patch",
        takes: "us",
        send: |k| entry("transaction", "PATCH", format!("{k}{MATCHING}"), k),
    },
    Way {
        name: "transaction history of the type",
        takes: "s",
        send: |k| entry("transaction", "GET", format!("{k}/_history"), k),
    },
    Way {
        name: "transaction vread",
        takes: "r",
        send: |k| entry("transaction", "GET", format!("{k}/x/_history/1"), k),
    },
    Way {
        name: "transaction delete",
        takes: "d",
        send: |k| entry("transaction", "DELETE", format!("{k}/x"), k),
    },
    Way {
        name: "transaction conditional delete",
        takes: "ds",
        send: |k| entry("transaction", "DELETE", format!("{k}{MATCHING}"), k),
    },
];

/// Asks as the holder of `scopes`; whether it was forbidden.
async fn forbidden(service: &Service, scopes: &str, sent: Sent) -> bool {
    let token = token(service, scopes).await;
    is_forbidden(service, &token, sent).await
}

async fn is_forbidden(service: &Service, token: &str, sent: Sent) -> bool {
    let mut request = Request::builder().method(sent.method).uri(&sent.path).header(FHIR.0, FHIR.1);
    request = request.header("authorization", format!("Bearer {token}"));
    if sent.if_none_exist {
        request = request.header("if-none-exist", "identifier=urn:charting|1");
    }
    let body = sent.body.map_or(Body::empty(), |b| Body::from(b.to_string()));
    let response = service.router.clone().oneshot(request.body(body).unwrap()).await.unwrap();
    let status = response.status().as_u16();
    let bytes = to_bytes(response.into_body(), usize::MAX).await.unwrap();
    let body: Value = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
    let mut outcome = (status, &body);
    if body["type"] == "batch-response" {
        let response = &body["entry"][0]["response"];
        outcome = (response["status"].as_str().unwrap().parse().unwrap(), &response["outcome"]);
    }
    assert!(outcome.0 < 500, "{} {}: {body}", sent.method, sent.path);
    if outcome.0 == 403 && sent.method != "HEAD" {
        assert_eq!(outcome.1["issue"][0]["code"], "forbidden");
    }
    outcome.0 == 403
}

#[tokio::test]
async fn a_token_with_one_scope_can_do_exactly_that() {
    let service = guarded().await;
    for granted in KINDS {
        for right in ["c", "r", "u", "d", "s"] {
            let scopes = format!("system/{}.{right}", granted.name);
            let token = token(&service, &scopes).await;
            for asked in KINDS {
                for way in WAYS {
                    let allowed = granted.name == asked.name && way.takes == right;
                    let forbidden = is_forbidden(&service, &token, (way.send)(asked.name)).await;
                    assert_eq!(forbidden, !allowed, "{scopes}: {} of {}", way.name, asked.name);
                }
            }
        }
    }
}

#[tokio::test]
async fn two_rights_are_needed_where_a_write_looks_first() {
    let service = guarded().await;
    for way in WAYS {
        let send = || (way.send)("Procedure");
        let scope = |rights: &str| format!("system/Procedure.{rights}");
        assert!(!forbidden(&service, &scope(way.takes), send()).await, "{}", way.name);
        assert!(!forbidden(&service, &format!("system/*.{}", way.takes), send()).await, "{}", way.name);
        assert!(!forbidden(&service, "system/*.*", send()).await, "{}", way.name);
        let others: String = "cruds".chars().filter(|c| !way.takes.starts_with(*c)).collect();
        let others = if others.is_empty() { "system/Patient.cruds".to_owned() } else { scope(&others) };
        assert!(forbidden(&service, &others, send()).await, "{}: {others}", way.name);
    }
}

#[tokio::test]
async fn an_entry_of_a_collection_is_an_update_if_it_says_its_id_and_else_a_creation() {
    let service = guarded().await;
    for (resource, takes) in
        [(super::procedure(), 'c'), (with(super::procedure(), json!({ "id": "x" })), 'u')]
    {
        for right in "cruds".chars() {
            let sent = bundle("collection", Value::Null, Some(resource.clone()));
            let refused = forbidden(&service, &format!("system/Procedure.{right}"), sent).await;
            assert_eq!(refused, right != takes, "{right} for {takes}");
        }
    }
}

#[tokio::test]
async fn an_operation_takes_the_right_to_read_all_that_it_tells_of() {
    let service = guarded().await;
    let mut asked = std::collections::BTreeSet::new();
    for (path, reads) in [
        ("Encounter/e1/$explain", "Encounter Procedure Observation"),
        ("Task/t1/$explain", "Task Encounter Procedure Observation"),
        ("DetectedIssue/d1/$explain", "DetectedIssue Encounter Procedure Observation"),
        ("Measure/timeliness/$evaluate-measure", "Measure MeasureReport"),
        (
            "Measure/timeliness/$evaluate-measure?periodStart=2026&periodEnd=2026&comparedWith=2026-03-01",
            "Measure MeasureReport Patient Encounter Procedure Observation",
        ),
        ("Measure/$care-gaps", "Measure MeasureReport DetectedIssue Patient Encounter Procedure Observation"),
        ("Measure/timeliness/$data-requirements", "Measure ConceptMap ValueSet PlanDefinition"),
        ("PlanDefinition/adult/$try", "PlanDefinition"),
        ("PlanDefinition/$try", "PlanDefinition"),
        ("ConceptMap/$try", "ConceptMap Encounter Procedure Observation"),
        ("ConceptMap/local/$try", "ConceptMap Encounter Procedure Observation"),
        ("ConceptMap/default/$translate", "ConceptMap"),
        ("ConceptMap/$translate", "ConceptMap"),
        ("Procedure/p/$validate", "Procedure Patient Encounter"),
        ("Location/$validate", "Location Patient Encounter"),
        ("Subscription/s/$status", "Subscription"),
        ("Subscription/s/$events", "Subscription"),
        (
            "Encounter/e1/$ventilator-events",
            "Encounter Procedure Observation MedicationAdministration Patient",
        ),
    ] {
        let name = path.rsplit_once('$').unwrap().1;
        asked.insert(name.split('?').next().unwrap());
        let scopes: Vec<String> = reads.split(' ').map(|kind| format!("system/{kind}.r")).collect();
        for method in ["GET", "POST"] {
            let send = || plain(method, format!("/fhir/{path}"));
            assert!(!forbidden(&service, &scopes.join(" "), send()).await, "{path}");
            for missing in &scopes {
                let others: Vec<&str> = scopes.iter().filter(|s| *s != missing).map(String::as_str).collect();
                let others = format!("{} {}", others.join(" "), missing.replace(".r", ".cuds"));
                assert!(forbidden(&service, &others, send()).await, "{path} without {missing}");
            }
        }
    }
    let all: std::collections::BTreeSet<&str> =
        KINDS.iter().flat_map(|k| k.operations).map(|o| o.name()).collect();
    assert_eq!(asked, all);
}

#[tokio::test]
async fn a_condition_in_the_place_of_a_reference_is_a_search_for_what_it_names() {
    let service = guarded().await;
    let resource =
        with(super::procedure(), json!({ "subject": { "reference": format!("Patient{MATCHING}") } }));
    let sent =
        || bundle("transaction", json!({ "method": "POST", "url": "Procedure" }), Some(resource.clone()));
    assert!(forbidden(&service, "system/Procedure.c system/Patient.cru", sent()).await);
    assert!(!forbidden(&service, "system/Procedure.c system/Patient.s", sent()).await);
}

#[tokio::test]
async fn what_a_search_looks_at_beside_takes_a_right_of_its_own() {
    let service = guarded().await;
    for (path, needs, others) in [
        ("Task?patient.identifier=urn:charting|1", "Patient.s", "Patient.crud"),
        ("Task?encounter.identifier=urn:charting|1&patient=p", "Encounter.s", "Encounter.crud"),
        (
            "Task?patient._has:Procedure:patient:code=x&patient.gender=male",
            "Patient.s system/Procedure.s",
            "Patient.s",
        ),
        ("Task?encounter.location.name=x", "Encounter.s system/Location.s", "Location.s"),
        ("Task?encounter.location.name=x", "Encounter.s system/Location.s", "Encounter.s"),
        ("Task?_include=Task:patient", "Patient.r", "Patient.cuds"),
        ("Task?_include=Task:focus:Encounter", "Encounter.r", "Encounter.cuds"),
        ("Task?_include=Task:owner:Device", "Device.r", "Device.cuds"),
        ("Task?_revinclude=DetectedIssue:implicated", "DetectedIssue.s", "DetectedIssue.crud"),
        ("Task?_revinclude=Procedure:patient", "Procedure.s", "Procedure.crud"),
    ] {
        let kind = if path.contains("_revinclude=D") {
            "Procedure"
        } else if path.contains("_revinclude=P") {
            "Patient"
        } else {
            "Task"
        };
        let path = path.replacen("Task?", &format!("{kind}?"), 1);
        let allowed = format!("system/{kind}.s system/{needs}");
        let sent = [
            |path: &str| plain("GET", format!("/fhir/{path}")),
            |path: &str| entry("batch", "GET", path.to_owned(), "Task"),
        ];
        for sent in sent {
            assert!(!forbidden(&service, &allowed, sent(&path)).await, "{path}");
            let refused = format!("system/{kind}.s system/{others}");
            assert!(forbidden(&service, &refused, sent(&path)).await, "{path} without {needs}");
        }
    }
}

#[tokio::test]
async fn what_may_not_be_read_is_left_out_where_a_reference_can_lead_to_several_types() {
    let service = guarded().await;
    let all = token(&service, "system/*.cruds").await;
    let authorized = [FHIR, ("authorization", &format!("Bearer {all}"))];
    let member = |kind: &str| json!({ "entity": { "reference": format!("{kind}/x") } });
    let group = json!({ "type": "person", "actual": true, "member": [member("Patient"), member("Device")] });
    for (kind, body) in [("Patient", json!({})), ("Device", json!({})), ("Group", group)] {
        let body = with(json!({ "resourceType": kind, "id": "x" }), body).to_string();
        assert_eq!(service.ask("PUT", &format!("/fhir/{kind}/x"), &authorized, body).await.status, 201);
    }
    for (reads, included) in
        [("Patient", vec!["Patient"]), ("Device", vec!["Device"]), ("*", vec!["Patient", "Device"])]
    {
        let token = token(&service, &format!("system/Group.s system/{reads}.r")).await;
        let authorized = [("authorization", format!("Bearer {token}"))];
        let header = [(authorized[0].0, authorized[0].1.as_str())];
        let found = service.ask("GET", "/fhir/Group?_include=Group:member", &header, "").await.json();
        let entries = found["entry"].as_array().unwrap();
        let came = entries.iter().filter(|e| e["search"]["mode"] == "include");
        let came: Vec<&str> = came.map(|e| e["resource"]["resourceType"].as_str().unwrap()).collect();
        assert_eq!(came, included, "{reads}");
    }
    let sent = plain("GET", "/fhir/Group?_include=Group:member".to_owned());
    assert!(forbidden(&service, "system/Group.s", sent).await, "none of them may be read");
}

#[tokio::test]
async fn who_may_not_read_is_not_shown_what_was_written() {
    let service = guarded().await;
    for (scopes, shown) in [("system/Procedure.c", false), ("system/Procedure.cr", true)] {
        let token = token(&service, scopes).await;
        let authorized = [FHIR, ("authorization", &format!("Bearer {token}"))];
        let body = super::procedure().to_string();
        let one = service.ask("POST", "/fhir/Procedure", &authorized, body).await;
        assert_eq!((one.status, one.body.is_empty()), (201, !shown), "{scopes}");
        for sort in ["batch", "transaction"] {
            let mut body = entry(sort, "POST", "Procedure".to_owned(), "Procedure").body.unwrap();
            body["entry"][0]["resource"] = super::procedure();
            let wanting = [authorized[0], authorized[1], ("prefer", "return=representation")];
            let many = service.ask("POST", "/fhir", &wanting, body.to_string()).await.json();
            assert_eq!(many["entry"][0]["response"]["status"], "201", "{many}");
            assert_eq!(many["entry"][0]["resource"].is_object(), shown, "{sort} {scopes}");
        }
    }
}

#[test]
fn scopes_are_read_in_both_spellings_and_only_in_order() {
    for (text, means) in [
        ("system/Procedure.cruds", "system/Procedure.cruds"),
        ("system/Procedure.rs", "system/Procedure.rs"),
        ("system/Procedure.read", "system/Procedure.rs"),
        ("system/Procedure.write", "system/Procedure.cud"),
        ("system/Procedure.*", "system/Procedure.cruds"),
        ("system/*.r", "system/*.r"),
        ("system/Procedure.c  system/Procedure.s", "system/Procedure.cs"),
        ("system/*.read system/Task.u", "system/*.rs system/Task.u"),
        ("", ""),
    ] {
        assert_eq!(Scopes::read(text).unwrap().to_string(), means, "{text}");
    }
    for text in [
        "system/Procedure.dus",
        "system/Procedure.sr",
        "system/Procedure.rr",
        "system/Procedure.",
        "system/Procedure",
        "system/Procedure.rs?category=x",
        "system/Procedure.rs?",
        "system/procedure.rs",
        "system/Proc*.rs",
        "system/.rs",
        "patient/Procedure.rs",
        "user/*.rs",
        "openid",
        "system/Procedure.READ",
        "system/Procedure.rs\tsystem/Task.rs",
    ] {
        assert!(Scopes::read(text).is_err(), "{text}");
        assert!(Scopes::understood(text).is_empty(), "{text}");
    }
}

#[test]
fn what_is_granted_is_what_is_asked_for_and_registered() {
    for (asked, registered, granted) in [
        ("system/*.cruds", "system/Procedure.rs", "system/Procedure.rs"),
        ("system/Procedure.cruds", "system/*.rs", "system/Procedure.rs"),
        ("system/*.rs system/Task.u", "system/*.r system/Task.us", "system/*.r system/Task.rus"),
        ("system/Procedure.c", "system/Procedure.rs", ""),
        ("system/Patient.rs", "system/Procedure.rs", ""),
    ] {
        let (asked, registered) = (Scopes::read(asked).unwrap(), Scopes::read(registered).unwrap());
        let both = asked.within(&registered);
        assert_eq!(both.is_empty(), granted.is_empty());
        if !both.is_empty() {
            assert_eq!(both.to_string(), granted);
        }
        assert_eq!(registered.within(&asked), both);
    }
}
