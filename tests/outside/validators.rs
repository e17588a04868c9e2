//! Validators that are not ours, on what is shipped and on reports. `tests/outside/validate/run target/emitted` asks them
//! about everything else that the service emits.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use chrono::NaiveDate;
use fhir_models::Resource;
use fhir_models::codes::SubscriptionStatus;
use serde_json::{Value, json};
use terce::care::tally::Tally;
use terce::care::totals::Totals;
use terce::translate::measures::{
    Beside, MEASURES, Other, Scope, Series, Step, Whom, evaluate, evaluate_beside, measure,
};
use terce::translate::subscription::notice::{self, Standing};
use terce::translate::subscription::{Event, Level, Pending, hook, with_status};

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// An empty folder of this test's own.
fn fresh(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("validate").join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).unwrap();
    }
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Whether the validators found nothing, and what they said.
fn judged(places: &[&Path]) -> (bool, String) {
    let mut command = Command::new(here("tests/outside/validate/run"));
    let output = command.args(places).env("TERCE_OUTSIDE", super::root()).output().unwrap();
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    (output.status.success(), String::from_utf8(output.stdout).unwrap())
}

#[test]
fn what_is_shipped_and_every_report_is_valid_to_validators_that_are_not_ours() {
    let folder = fresh("reports");
    let (tally, rules, now) = super::stays::tally();
    let day = |month, day| NaiveDate::from_ymd_opt(2024, month, day).unwrap();
    let scopes = [
        Scope::default(),
        Scope {
            whom: Whom::Location("loc-ward-4E".into()),
            unit: Some("loc-ward-4E".into()),
            heard_until: Some(now),
            known_at: Some(now),
            waiting: 3,
            unsurveyed: 2,
        },
        Scope {
            unit: Some("loc-ward-4E".into()),
            whom: Whom::Patient("pt-f32537a6acb8".into()),
            ..Scope::default()
        },
        Scope { unit: Some(String::new()), ..Scope::default() },
        Scope { whom: Whom::Organization("hospital".into()), ..Scope::default() },
        Scope { whom: Whom::Group("g".into()), ..Scope::default() },
    ];
    let mut written = 0;
    for id in MEASURES {
        std::fs::write(folder.join(format!("Measure-{id}.json")), measure(id, &rules).unwrap().write())
            .unwrap();
        for (number, scope) in scopes.iter().enumerate() {
            for (counted, tally) in [("stays", &tally), ("nothing", &Tally::default())] {
                let (from, to) = (day(6, 1), day(6, 30));
                let unit = scope.unit.as_deref().map(|unit| [Arc::from(unit)]);
                let unit = unit.as_ref().map(<[Arc<str>; 1]>::as_slice);
                let totals = Totals::of(tally, from, to, unit);
                let report = evaluate(id, &totals, &rules, (from, to), scope, now).unwrap();
                let name = format!("MeasureReport-{id}-{number}-{counted}.json");
                std::fs::write(folder.join(name), report.write()).unwrap();
                written += 1;
            }
        }
    }
    assert_eq!(written, 12 * MEASURES.len());
    for id in MEASURES {
        let (from, to) = (day(6, 1), day(6, 30));
        let beside = Beside {
            other: Some(Other {
                period: (day(5, 1), day(6, 10)),
                totals: Totals::of(&tally, day(5, 1), day(6, 10), None),
            }),
            series: Some(Series {
                step: Step::Week,
                points: (Step::Week.pieces((from, to), 9).into_iter())
                    .map(|(from, to)| ((from, to), Totals::of(&tally, from, to, None)))
                    .collect(),
            }),
            smallest: 5,
        };
        let totals = Totals::of(&tally, from, to, None);
        let scope = Scope::default();
        let report = evaluate_beside(id, &totals, &rules, (from, to), &scope, &beside, now).unwrap();
        std::fs::write(folder.join(format!("MeasureReport-{id}-beside.json")), report.write()).unwrap();
    }
    let (sound, said) = judged(&[&here("src/translate/shipped"), &folder]);
    assert!(sound, "{said}");
}

#[test]
fn what_subscribers_are_told_is_valid_to_validators_that_are_not_ours() {
    let folder = fresh("notices");
    let task = json!({ "resourceType": "Task", "id": "t1", "meta": { "versionId": "2", "lastUpdated": "2026-03-01T12:00:00.000001Z" },
        "status": "ready", "intent": "order" });
    let event = |id: &str, version| Event {
        kind: "Task".into(),
        id: id.into(),
        version,
        seq: 7,
        at_us: 1_772_366_400_000_001,
    };
    let pending = Pending { first: 8, events: vec![event("t1", 2), event("t2", 1)] };
    let guide = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
    let asked = json!({
        "resourceType": "Subscription", "id": "s", "meta": { "profile": [format!("{guide}/backport-subscription")] },
        "status": "requested", "reason": "x", "criteria": "https://terce.example/fhir/SubscriptionTopic/tasks",
        "_criteria": { "extension": [
            { "url": format!("{guide}/backport-filter-criteria"), "valueString": "Task?status=ready" }] },
        "channel": { "type": "rest-hook", "endpoint": "https://hooks.example/", "payload": "application/fhir+json",
            "_payload": { "extension": [{ "url": format!("{guide}/backport-payload-content"), "valueCode": "id-only" }] } },
    });
    let active = with_status(asked.to_string().as_bytes(), SubscriptionStatus::Active, None).unwrap();
    let error = with_status(&active, SubscriptionStatus::Error, Some("the subscriber answered 500")).unwrap();
    let hook = hook(&error).unwrap();
    let standing = Standing::of(&hook, "https://ward.example/fhir", "s", 9, 1_772_366_400_000_000);
    let full = vec![Some(task.to_string().into_bytes()), None];
    let told = [
        ("handshake", notice::handshake(&standing)),
        ("heartbeat", notice::heartbeat(&standing)),
        ("status", notice::status(&Standing { error: Some("it failed"), ..standing })),
        ("empty", notice::events(&standing, Level::Empty, &pending, Vec::new())),
        ("id-only", notice::events(&standing, Level::IdOnly, &pending, Vec::new())),
        ("full-resource", notice::events(&standing, Level::FullResource, &pending, full.clone())),
        ("asked-empty", notice::asked(&standing, Level::Empty, &pending, Vec::new())),
        ("asked-full", notice::asked(&standing, Level::FullResource, &pending, full.clone())),
        ("subscription", active),
        ("subscription-in-error", error),
    ];
    for (name, body) in told {
        std::fs::write(folder.join(format!("{name}.json")), body).unwrap();
    }
    let (sound, said) = judged(&[&folder]);
    assert!(sound, "{said}");
}

#[tokio::test]
async fn what_is_told_of_who_did_what_is_valid_to_validators_that_are_not_ours() {
    let folder = fresh("audit");
    let all = crate::rest::audit::of_every_sort().await;
    for (number, resource) in all.iter().enumerate() {
        std::fs::write(folder.join(format!("{number}.json")), resource.to_string()).unwrap();
    }
    let (sound, said) = judged(&[&folder]);
    assert!(sound, "{said}");
}

/// Resources with one fault each, and a part of what must be said of it.
fn planted() -> [(&'static str, Value, &'static str); 17] {
    let report = |more: Value| {
        let mut report = json!({ "resourceType": "MeasureReport", "status": "complete", "type": "summary",
            "measure": "https://terce.example/fhir/Measure/x", "period": { "start": "2026-03-01" } });
        report.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        report
    };
    [
        ("no-such-element", report(json!({ "score": 1 })), "unknown element"),
        ("no-such-month", report(json!({ "date": "2026-13-01" })), "MeasureReport.date"),
        ("no-such-status", report(json!({ "status": "done" })), "measure-report-status"),
        ("empty-list", report(json!({ "group": [] })), "empty array"),
        ("backwards", report(json!({ "period": { "start": "2026-03-02", "end": "2026-03-01" } })), "per-1"),
        (
            "data-with-groups",
            report(
                json!({ "type": "data-collection", "group": [{ "id": "a", "measureScore": { "value": 1 } }] }),
            ),
            "mrp-1",
        ),
        (
            "code-without-system",
            report(json!({ "group": [{ "measureScore": { "value": 1, "code": "h" } }] })),
            "qty-3",
        ),
        (
            "better",
            report(json!({ "improvementNotation": { "coding": [{ "code": "up" }] } })),
            "measure-improvement-notation",
        ),
        (
            "task",
            json!({ "resourceType": "Task", "status": "ready", "intent": "order",
            "authoredOn": "2026-03-02T00:00:00Z", "lastModified": "2026-03-01T00:00:00Z" }),
            "inv-1",
        ),
        ("issue", json!({ "resourceType": "DetectedIssue", "status": "mitigated" }), "observation-status"),
        (
            "bundle",
            json!({ "resourceType": "Bundle", "type": "searchset",
            "entry": [{ "request": { "method": "GET", "url": "Task" } }] }),
            "bdl-3",
        ),
        (
            "in-a-bundle",
            json!({ "resourceType": "Bundle", "type": "searchset", "entry": [{ "resource":
            { "resourceType": "Task", "status": "overdue", "intent": "order" } }] }),
            "task-status",
        ),
        (
            "no-such-code",
            json!({ "resourceType": "PlanDefinition", "status": "active", "type": { "coding": [
                { "system": "http://terminology.hl7.org/CodeSystem/plan-definition-type", "code": "protocol" }] } }),
            "is no code of",
        ),
        (
            "outcome",
            json!({ "resourceType": "OperationOutcome", "issue": [{ "severity": "error" }] }),
            "issue",
        ),
        (
            "subscription",
            json!({ "resourceType": "Subscription", "status": "waiting", "reason": "x", "criteria": "Task",
                "channel": { "type": "rest-hook" } }),
            "subscription-status",
        ),
        (
            "history",
            json!({ "resourceType": "Bundle", "type": "history",
                "entry": [{ "fullUrl": "urn:uuid:7c0b5f0e-3d3a-5a6e-9d11-6f1d2c548a01",
                    "resource": { "resourceType": "Parameters" } }] }),
            "bdl-3",
        ),
        (
            "capability",
            json!({ "resourceType": "CapabilityStatement", "status": "active", "date": "2026-03-01",
            "kind": "instance", "fhirVersion": "4.0.1", "format": ["json"] }),
            "cpb-14",
        ),
    ]
}

/// The validators are worth asking: someone names each fault.
#[test]
fn the_validators_find_what_is_planted() {
    let (folder, planted) = (fresh("planted"), planted());
    for (name, resource, _) in &planted {
        std::fs::write(folder.join(format!("{name}.json")), resource.to_string()).unwrap();
    }
    let (sound, said) = judged(&[&folder]);
    assert!(!sound);
    for (name, _, fault) in &planted {
        let named =
            said.lines().any(|line| line.contains(&format!("/{name}.json: ")) && line.contains(fault));
        assert!(named, "{name}: nobody names {fault}\n{said}");
    }
}
