//! Who did what: every request leaves a row, served as AuditEvents.

mod bounds;
mod interactions;
mod searches;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use terce::store::{Audit, Batch, Store, Thing};
use terce::translate::audit::{by, deed};

use super::access::{guarded, token};
use super::{FHIR, NOON_US, Service, identified, procedure, with};

impl Service {
    /// AuditEvents, the newest first.
    async fn audited(&self, query: &str) -> Vec<Value> {
        entries(&self.get(&format!("/fhir/AuditEvent{query}")).await.json())
    }

    /// What is recorded, as the store has it, the oldest first.
    async fn recorded(&self) -> Vec<Audit> {
        let rows = self.store.audits_after(i64::MIN, 10_000).await.unwrap();
        rows.into_iter().map(|found| found.row.audit().unwrap()).collect()
    }

    async fn is_whole(&self) {
        assert_eq!(self.store.walk_audits(Vec::new(), 100).await.unwrap().1, []);
    }
}

fn entries(bundle: &Value) -> Vec<Value> {
    let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
    entries.into_iter().map(|e| e["resource"].clone()).collect()
}

/// Interaction, action and outcome.
fn deed_of(event: &Value) -> (&str, &str, &str) {
    let text = |path: &str| event.pointer(path).and_then(Value::as_str).unwrap_or_default();
    (text("/subtype/0/code"), text("/action"), text("/outcome"))
}

/// References of the entities with a role.
fn entities<'e>(event: &'e Value, role: &str) -> Vec<&'e str> {
    let all = event["entity"].as_array().map(Vec::as_slice).unwrap_or_default().iter();
    let of_role = all.filter(|e| e["role"]["code"] == role);
    of_role.map(|e| e["what"]["reference"].as_str().unwrap_or_default()).collect()
}

/// What was asked, as it was sent.
fn asked(event: &Value) -> Option<String> {
    let query = event["entity"].as_array()?.iter().find_map(|e| e["query"].as_str())?;
    Some(String::from_utf8(STANDARD.decode(query).unwrap()).unwrap())
}

fn roles(event: &Value) -> Vec<&str> {
    let agents = event["agent"].as_array().unwrap().iter();
    agents.map(|a| a["type"]["coding"][0]["code"].as_str().unwrap()).collect()
}

fn is_valid(event: &Value) {
    let parsed: fhir_models::AuditEvent = fhir_models::parse(event.to_string().as_bytes()).unwrap();
    assert_eq!(fhir_models::validate(&parsed, b""), [], "{event}");
}

#[tokio::test]
async fn each_request_is_an_event_with_who_what_whom_and_how_it_ended() {
    let service = Service::new().await;
    let a = || Some(with(procedure(), json!({ "id": "a" })));
    let changed = || Some(with(procedure(), json!({ "id": "a", "note": [{ "text": "x" }] })));
    let cases = [
        // what a PUT brings about is a creation
        ("PUT", "/fhir/Procedure/a", a(), ("create", "C", "0"), "Procedure/a/_history/1"),
        ("PUT", "/fhir/Procedure/a", changed(), ("update", "U", "0"), "Procedure/a/_history/2"),
        ("GET", "/fhir/Procedure/a", None, ("read", "R", "0"), "Procedure/a/_history/2"),
        ("HEAD", "/fhir/Procedure/a", None, ("read", "R", "0"), "Procedure/a/_history/2"),
        ("GET", "/fhir/Procedure/a/_history/1", None, ("vread", "R", "0"), "Procedure/a/_history/1"),
        ("GET", "/fhir/Procedure?patient=p1", None, ("search-type", "E", "0"), ""),
        ("DELETE", "/fhir/Procedure/a", None, ("delete", "D", "0"), "Procedure/a/_history/3"),
        ("GET", "/fhir/Procedure/a", None, ("read", "R", "4"), ""),
        ("GET", "/fhir/Procedure/none", None, ("read", "R", "4"), ""),
        (
            "POST",
            "/fhir/Procedure",
            Some(with(procedure(), identified("1"))),
            ("create", "C", "0"),
            "Procedure/",
        ),
        ("POST", "/fhir/Procedure", Some(json!({ "resourceType": "Procedure" })), ("create", "C", "4"), ""),
        ("PUT", "/fhir/Procedure/b", a(), ("update", "U", "4"), ""),
        ("GET", "/fhir/Nothing/a", None, ("read", "R", "4"), ""),
        ("GET", "/fhir/$data-quality", None, ("operation", "E", "0"), ""),
        ("GET", "/fhir/PlanDefinition/adult", None, ("read", "R", "0"), "PlanDefinition/adult"),
    ];
    for (number, (method, path, body, wanted, what)) in cases.into_iter().enumerate() {
        let body = body.map(|b| b.to_string()).unwrap_or_default();
        let id = format!("request-{number}");
        service.ask(method, path, &[FHIR, ("x-request-id", &id)], body).await;
        let events = service.audited("?_count=1").await;
        let event = &events[0];
        assert_eq!(deed_of(event), wanted, "{method} {path}: {event}");
        is_valid(event);
        let well = wanted.2 == "0";
        let (client, server) = match wanted.0 {
            "read" | "vread" => ("110152", "110153"),
            "delete" => ("110150", "custodian"),
            _ => ("110153", "110152"),
        };
        assert_eq!(roles(event), [client, server], "{event}");
        assert_eq!(event["agent"][0]["network"], json!({ "address": "127.0.0.1", "type": "2" }));
        assert_eq!(event["agent"][0]["who"], json!({ "display": "anybody: the service is open" }));
        assert_eq!(event["agent"][1]["network"]["address"], "http://ward.example/fhir");
        let requestor = |at: usize| &event["agent"][at]["requestor"];
        assert_eq!((requestor(0), requestor(1)), (&json!(true), &json!(false)));
        assert_eq!(event["recorded"], "2026-03-01T12:00:00Z");
        let said = event["entity"].as_array().unwrap().last().unwrap();
        assert_eq!(
            (&said["type"]["code"], &said["what"]["identifier"]["value"]),
            (&json!("XrequestId"), &json!(id))
        );
        if what.is_empty() {
            assert_eq!(entities(event, "4"), Vec::<&str>::new(), "{event}");
            assert_eq!(asked(event).unwrap(), format!("{method} {path}"));
        } else {
            assert!(entities(event, "4")[0].starts_with(what), "{event}");
            assert_eq!(asked(event), None, "what it was done with says it");
        }
        let about = well && !path.contains('$') && !path.contains("Plan");
        assert_eq!(entities(event, "1"), if about { vec!["Patient/p1"] } else { vec![] }, "{event}");
    }
    service.is_whole().await;
}

#[tokio::test]
async fn nothing_of_a_body_is_recorded() {
    let service = Service::new().await;
    let told = "Eleonore Abendroth-Quisling";
    let patient = json!({ "resourceType": "Patient", "id": "p1", "name": [{ "text": told }] });
    service.put("/fhir/Patient/p1", &patient).await;
    service.get("/fhir/Patient/p1").await;
    service.get("/fhir/Patient").await;
    service.post("/fhir/Patient/$validate", &patient).await;
    service.post("/fhir/Patient", &with(patient, json!({ "gender": told }))).await;
    let rows = service.store.audits_after(i64::MIN, 100).await.unwrap();
    assert_eq!(rows.len(), 5);
    for found in rows {
        assert!(!String::from_utf8_lossy(&found.row.body).contains("Eleonore"));
    }
}

#[tokio::test]
async fn each_entry_of_a_bundle_is_an_event_whatever_became_of_it() {
    let service = Service::new().await;
    let entry = |method: &str, url: &str, resource: Option<Value>| {
        let mut entry = json!({ "request": { "method": method, "url": url } });
        if let Some(resource) = resource {
            entry["resource"] = resource;
        }
        entry
    };
    service.put("/fhir/Procedure/old", &with(procedure(), json!({ "id": "old" }))).await;
    let made = |id: &str| Some(with(procedure(), json!({ "id": id })));
    let all = vec![
        entry("PUT", "Procedure/a", made("a")),
        entry("PUT", "Procedure/b", made("c")),
        entry("DELETE", "Procedure/old", None),
        entry("GET", "Procedure/a", None),
        entry("GET", "Procedure?patient=p1", None),
        entry("GET", "Procedure/none", None),
    ];
    for sort in ["batch", "transaction"] {
        let of_sort: Vec<Value> = if sort == "batch" {
            all.clone()
        } else {
            // without the entry that would fail it
            all.iter().filter(|e| e["request"]["url"] != "Procedure/b").cloned().collect()
        };
        let before = service.recorded().await.len();
        let sent = json!({ "resourceType": "Bundle", "type": sort, "entry": of_sort });
        assert_eq!(service.post("/fhir", &sent).await.status, 200);
        // what it wrote is one row of the chain, and the rest another
        assert_eq!(service.recorded().await.len(), before + 2);
        let events = service.audited("?type=rest&_count=30").await;
        let of_sort: Vec<&Value> = events.iter().filter(|e| e["subtype"][1]["code"] == sort).collect();
        let mut told: Vec<String> = of_sort
            .iter()
            .map(|e| {
                is_valid(e);
                let (deed, action, outcome) = deed_of(e);
                let what = entities(e, "4").first().copied().unwrap_or_default().to_owned();
                format!(
                    "{deed} {action}{outcome} {what} {} {}",
                    asked(e).unwrap_or_default(),
                    entities(e, "1").join("")
                )
            })
            .collect();
        told.sort();
        let mut wanted = if sort == "batch" {
            vec![
                "create C0 Procedure/a/_history/1  Patient/p1",
                "delete D0 Procedure/old/_history/2  Patient/p1",
                "read R0 Procedure/a/_history/1  Patient/p1",
                "read R4  GET Procedure/none ",
                "search-type E0  GET Procedure?patient=p1 Patient/p1",
                "update U4  PUT Procedure/b ",
            ]
        } else {
            vec![
                "delete D0 Procedure/old/_history/2  Patient/p1",
                "read R0 Procedure/a/_history/1  Patient/p1",
                "read R4  GET Procedure/none ",
                "search-type E0  GET Procedure?patient=p1 Patient/p1",
                "update U0 Procedure/a/_history/1  Patient/p1",
            ]
        };
        wanted.sort_unstable();
        assert_eq!(told, wanted, "{sort}");
    }
    service.is_whole().await;
}

#[tokio::test]
async fn a_transaction_that_fails_leaves_nothing_but_that_it_failed() {
    let service = Service::new().await;
    let put = |id: &str, body: Value| json!({ "request": { "method": "PUT", "url": format!("Procedure/{id}"), "ifMatch": "W/\"7\"" }, "resource": body });
    let sent = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [
        { "request": { "method": "PUT", "url": "Procedure/a" }, "resource": with(procedure(), json!({ "id": "a" })) },
        put("b", with(procedure(), json!({ "id": "b" }))),
    ] });
    assert_eq!(service.post("/fhir", &sent).await.status, 412);
    let rows = service.recorded().await;
    assert_eq!(rows.len(), 1);
    assert_eq!((&*rows[0].deed, rows[0].status, rows[0].things.len()), ("transaction", 412, 0));
    assert_eq!(service.get("/fhir/Procedure/a").await.status, 404);
}

#[tokio::test]
async fn nobody_writes_or_changes_an_event() {
    let service = Service::new().await;
    service.get("/fhir/Task").await;
    let event = service.get("/fhir/AuditEvent/1").await.json();
    for (method, path) in [
        ("POST", "/fhir/AuditEvent"),
        ("PUT", "/fhir/AuditEvent/1"),
        ("PATCH", "/fhir/AuditEvent/1"),
        ("DELETE", "/fhir/AuditEvent/1"),
        ("PUT", "/fhir/AuditEvent?_id=1"),
        ("DELETE", "/fhir/AuditEvent?_id=1"),
    ] {
        let reply = service.ask(method, path, &[FHIR], event.to_string()).await;
        assert_eq!(reply.verdict(), super::verdict(405, "not-supported"), "{method} {path}");
        assert!(reply.header("allow").starts_with("GET"), "{method} {path}");
    }
    for sort in ["batch", "transaction", "collection"] {
        let request = json!({ "method": "PUT", "url": "AuditEvent/1" });
        let mut entry = json!({ "resource": event });
        if sort != "collection" {
            entry["request"] = request;
        }
        let sent = json!({ "resourceType": "Bundle", "type": sort, "entry": [entry] });
        let reply = service.post("/fhir", &sent).await;
        let said = reply.json();
        let refused =
            said["entry"][0]["response"]["status"].as_str().map_or(reply.status.to_string(), str::to_owned);
        assert_eq!(refused, "405", "{sort}: {said}");
    }
    assert_eq!(service.get("/fhir/AuditEvent/1").await.json(), event);
    let subscription = json!({ "resourceType": "Subscription", "status": "requested", "reason": "x",
        "criteria": "AuditEvent?patient=p1",
        "channel": { "type": "rest-hook", "endpoint": "https://hooks.example/" } });
    assert!(service.post("/fhir/Subscription", &subscription).await.status >= 400);
    service.is_whole().await;
}

#[tokio::test]
async fn what_tells_of_nobody_leaves_no_row() {
    let service = Service::new().await;
    for path in ["/fhir/metadata", "/healthz", "/readyz", "/openapi.json", "/nothing"] {
        service.get(path).await;
    }
    service.ask("POST", "/feed/charting/heartbeat", &[], "").await;
    assert_eq!(service.recorded().await, []);
}

#[tokio::test]
async fn the_agent_is_who_holds_the_token_and_only_named_scopes_open_the_audit() {
    let service = guarded().await;
    let ask = async |token: &str, path: &str| {
        let bearer = format!("Bearer {token}");
        service.ask("GET", path, &[("authorization", &bearer)], "").await
    };
    let reader = token(&service, "system/*.cruds").await;
    assert_eq!(ask(&reader, "/fhir/Task").await.status, 200);
    assert_eq!(ask(&reader, "/fhir/AuditEvent").await.status, 403);
    assert_eq!(ask("nobody's", "/fhir/Task").await.status, 401);
    assert_eq!(service.get("/fhir/Patient/p7").await.status, 401);
    let searcher = token(&service, "system/AuditEvent.s").await;
    assert_eq!(ask(&searcher, "/fhir/AuditEvent/1").await.status, 403);
    let auditor = token(&service, "system/AuditEvent.rs").await;
    assert_eq!(ask(&auditor, "/fhir/AuditEvent/1").await.status, 200);
    assert_eq!(ask(&auditor, "/fhir/Task").await.status, 403);
    let events = entries(&ask(&searcher, "/fhir/AuditEvent").await.json());
    let told: Vec<String> = events
        .iter()
        .map(|e| {
            is_valid(e);
            let who = &e["agent"][0]["who"];
            let name = who["identifier"]["value"].as_str().or_else(|| who["display"].as_str()).unwrap();
            format!(
                "{name}: {} {}",
                asked(e).unwrap_or_else(|| entities(e, "4")[0].to_owned()),
                e["outcome"].as_str().unwrap()
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            "c: GET /fhir/Task 4",
            "c: AuditEvent/1 0",
            "c: GET /fhir/AuditEvent/1 4",
            "somebody who has not proven who it is: GET /fhir/Patient/p7 4",
            "somebody who has not proven who it is: GET /fhir/Task 4",
            "c: GET /fhir/AuditEvent 4",
            "c: GET /fhir/Task 0",
        ]
    );
    assert_eq!(
        entries(&ask(&searcher, "/fhir/AuditEvent?agent:identifier=c&outcome=0").await.json()).len(),
        3
    );
    assert_eq!(
        entries(&ask(&searcher, "/fhir/AuditEvent?agent:identifier=c&outcome=4").await.json()).len(),
        3
    );
}

/// AuditEvents of every sort that there is.
pub(crate) async fn of_every_sort() -> Vec<Value> {
    let service = Service::new().await;
    let made = with(procedure(), json!({ "id": "a" }));
    service.put("/fhir/Procedure/a", &made).await;
    service.put("/fhir/Procedure/a", &with(made.clone(), json!({ "language": "en" }))).await;
    for path in
        ["Procedure/a", "Procedure/a/_history", "Procedure/a/_history/1", "Procedure", "Task", "Nothing"]
    {
        service.get(&format!("/fhir/{path}")).await;
    }
    service
        .get("/fhir/Measure/timeliness/$evaluate-measure?periodStart=2026-01-01&periodEnd=2026-01-31")
        .await;
    let entries = json!([
        { "request": { "method": "PUT", "url": "Procedure/a" }, "resource": made },
        { "request": { "method": "GET", "url": "Procedure/none" } },
        { "request": { "method": "GET", "url": "Procedure?patient=p1" } },
    ]);
    for sort in ["batch", "transaction"] {
        service.post("/fhir", &json!({ "resourceType": "Bundle", "type": sort, "entry": entries })).await;
    }
    service.delete("/fhir/Procedure/a").await;
    let row = |deed: &'static str, by: &'static str| Audit {
        deed: deed.into(),
        by: by.into(),
        status: 200,
        ..Audit::default()
    };
    let task = Thing {
        kind: "Task".into(),
        id: "t".into(),
        version: 1,
        patient: Some("p1".into()),
        ..Thing::default()
    };
    let told = Audit {
        who: "Subscription/s".into(),
        from: "https://hooks.example/".into(),
        ..row(deed::EXPORT, by::SERVICE)
    };
    let client =
        |status| Audit { who: "c".into(), from: "::1".into(), status, ..row(deed::LOGIN, by::CLIENT) };
    let audits = vec![
        Audit { things: vec![task.clone()], ..told.clone() },
        told,
        Audit { things: vec![Thing { deed: "create".into(), ..task }], ..row("update", by::SERVICE) },
        client(200),
        Audit { by: by::UNKNOWN.into(), ..client(401) },
        Audit {
            by: by::UNKNOWN.into(),
            status: 401,
            asked: "GET /fhir/Task".into(),
            ..row("search-type", by::UNKNOWN)
        },
        Audit { issuer: "https://login.example".into(), status: 500, ..client(500) },
        Audit { more: 40, status: 403, ..row(deed::UNLISTED, by::SERVICE) },
    ];
    service.store.commit(Batch { now_us: NOON_US, audits, ..Batch::default() }).await.unwrap();
    service.store.retire_audits(NOON_US + 1, 1, NOON_US, row(deed::RETIRE, by::SERVICE)).await.unwrap();
    let all = service.get("/fhir/AuditEvent?_count=1000").await.json();
    let history = service.get("/fhir/AuditEvent/2/_history").await.json();
    let mut out = self::entries(&all);
    out.extend([all, history]);
    out
}

#[tokio::test]
async fn events_of_every_sort_are_valid_and_say_what_they_are() {
    let all = of_every_sort().await;
    let events: Vec<&Value> = all.iter().filter(|e| e["resourceType"] == "AuditEvent").collect();
    let mut types: Vec<&str> = events.iter().map(|e| e["type"]["code"].as_str().unwrap()).collect();
    types.sort_unstable();
    types.dedup();
    assert_eq!(types, ["110106", "110110", "110113", "110114", "destroy", "rest"]);
    events.into_iter().for_each(is_valid);
}

#[tokio::test]
async fn the_command_says_which_row_was_changed_and_ends_with_1() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let run = |arguments: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_terce"));
        let output = command.arg("audit").args(arguments).arg("--data").arg(folder.path()).output().unwrap();
        let text = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        (output.status.code().unwrap(), text)
    };
    assert_eq!(run(&["verify"]).0, 2);
    let store = Store::open_sqlite(Some(&path)).await.unwrap();
    for number in 0..4 {
        let audits = vec![Audit { deed: "read".into(), status: 200, ..Audit::default() }];
        store.commit(Batch { now_us: number, audits, ..Batch::default() }).await.unwrap();
    }
    store.close().await.unwrap();
    let (code, said) = run(&["verify"]);
    assert!(code == 0 && said.contains("4 rows, each as it was written"), "{said}");
    let (code, head) = run(&["head"]);
    let head = head.lines().last().unwrap().to_owned();
    assert!(code == 0 && head.starts_with("4:"), "{head}");
    let tamper = |sql: &str| rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    tamper("UPDATE audit SET at_us = 9 WHERE number = 2; DELETE FROM audit WHERE number = 4");
    let (code, said) = run(&["verify"]);
    assert_eq!(code, 1);
    assert!(said.contains("row 2 was changed or moved") && said.contains("row 4 was removed"), "{said}");
    tamper("DELETE FROM audit; DELETE FROM audit_end");
    assert_eq!(run(&["verify"]).0, 0);
    let (code, said) = run(&["verify", "--head", &head]);
    assert!(code == 1 && said.contains("rows 1 to 4 were cut off at the end"), "{said}");
}
