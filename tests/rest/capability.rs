//! The CapabilityStatement, and whether it is true.

use serde_json::{Value, json};
use terce::rest::types::{KINDS, Origin};

use super::{FHIR, Service, link, procedure, with};

/// The smallest document of each type that clients write.
fn smallest(kind: &str) -> Value {
    let subject = json!({ "reference": "Patient/p1" });
    let own = match kind {
        "Procedure" => return procedure(),
        "Observation" => json!({ "status": "final", "code": { "text": "x" }, "subject": subject }),
        "Encounter" => json!({ "status": "in-progress", "class": { "code": "IMP" }, "subject": subject }),
        "MedicationAdministration" => json!({
            "status": "completed", "subject": subject, "medicationCodeableConcept": { "text": "x" },
            "effectiveDateTime": "2026-01-01",
        }),
        "Condition" => json!({ "subject": subject }),
        "DeviceUseStatement" => {
            json!({ "status": "active", "subject": subject, "device": { "reference": "Device/d1" } })
        }
        "PlanDefinition" => {
            let adult =
                terce::translate::shipped::ALL.iter().find(|s| s.kind == kind && s.id == "minimal").unwrap();
            return super::without(serde_json::from_slice(adult.body).unwrap(), "id");
        }
        "ConceptMap" | "ValueSet" | "Measure" => json!({ "status": "active" }),
        "Group" => json!({ "type": "person", "actual": true }),
        "Subscription" => json!({
            "status": "off", "reason": "x", "criteria": "Task",
            "channel": { "type": "rest-hook", "endpoint": "https://hooks.example/" },
        }),
        "CodeSystem" => json!({ "status": "active", "content": "not-present" }),
        _ => json!({ "language": "en" }),
    };
    with(json!({ "resourceType": kind }), own)
}

#[tokio::test]
async fn the_statement_is_valid_and_its_tag_follows_its_content() {
    let service = Service::new().await;
    let reply = service.get("/fhir/metadata").await;
    assert_eq!(reply.status, 200);
    let statement: fhir_models::CapabilityStatement = fhir_models::parse(&reply.body).unwrap();
    assert_eq!(fhir_models::validate(&statement, &reply.body), []);
    let json = reply.json();
    assert_eq!((&json["kind"], &json["fhirVersion"]), (&json!("instance"), &json!("4.0.1")));
    assert_eq!(json["implementation"]["url"], "http://ward.example/fhir");
    for resource in json["rest"][0]["resource"].as_array().unwrap() {
        let mut names: Vec<&str> =
            resource["searchParam"].as_array().unwrap().iter().map(|p| p["name"].as_str().unwrap()).collect();
        let all = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), all, "a search parameter is listed once");
    }
    let tag = reply.header("etag").to_owned();
    assert_eq!(service.ask("GET", "/fhir/metadata", &[("if-none-match", &tag)], "").await.status, 304);
    service.clock.set(terce::care::time::Instant::from_micros(super::NOON_US + 1));
    assert_eq!(service.get("/fhir/metadata").await.header("etag"), tag);
}

#[tokio::test]
async fn everything_that_the_statement_promises_is_kept() {
    let service = Service::new().await;
    let statement = service.get("/fhir/metadata").await.json();
    let resources = statement["rest"][0]["resource"].as_array().unwrap().clone();
    assert_eq!(resources.len(), KINDS.len());
    for resource in &resources {
        let kind = resource["type"].as_str().unwrap();
        let at = format!("/fhir/{kind}");
        let promised: Vec<&str> =
            resource["interaction"].as_array().unwrap().iter().map(|i| i["code"].as_str().unwrap()).collect();
        let mut id = "none".to_owned();
        if promised.contains(&"create") {
            let reply = service.post(&at, &smallest(kind)).await;
            assert_eq!(reply.status, 201, "create {kind}: {}", reply.text());
            id = reply.id();
        }
        let one = format!("{at}/{id}");
        let known = if id == "none" { 404 } else { 200 };
        for interaction in promised.iter().filter(|i| !["create", "delete"].contains(*i)) {
            let reply = match *interaction {
                "read" => service.get(&one).await,
                "vread" => service.get(&format!("{one}/_history/1")).await,
                "history-instance" => service.get(&format!("{one}/_history")).await,
                "history-type" => {
                    assert_eq!(service.get(&format!("{at}/_history")).await.status, 200);
                    continue;
                }
                "patch" => {
                    let patch = json!([{ "op": "test", "path": "/resourceType", "value": kind }]).to_string();
                    let of = [("content-type", "application/json-patch+json")];
                    service.ask("PATCH", &one, &of, patch).await
                }
                "update" if known == 404 => continue,
                "update" => {
                    service.put(&one, &with(smallest(kind), json!({ "id": id, "language": "fr" }))).await
                }
                "search-type" => {
                    searched(&service, resource, &at).await;
                    continue;
                }
                other => panic!("{other} is promised and not tried here"),
            };
            assert_eq!(reply.status, known, "{interaction} {kind}: {}", reply.text());
        }
        for operation in resource["operation"].as_array().cloned().unwrap_or_default() {
            let name = operation["name"].as_str().unwrap();
            let (of, status) = match name {
                // a report says for which period, a translation of what
                "evaluate-measure" | "care-gaps" => ("timeliness", 400),
                "data-requirements" => ("timeliness", 200),
                "translate" => ("default", 400),
                // whether a map may be changed is tried with the changed one, which is sent
                "try" if kind == "ConceptMap" => ("default", 400),
                _ => (id.as_str(), known),
            };
            let posted = service.ask("POST", &format!("{at}/{of}/${name}"), &[super::FHIR], "").await;
            let reply = service.get(&format!("{at}/{of}/${name}")).await;
            assert_eq!((reply.status, posted.status), (status, status), "{kind} {name}: {}", reply.text());
            let definition = operation["definition"].as_str().unwrap();
            if let Some(own) = definition.strip_prefix("https://terce.example") {
                let defined = service.get(own).await.json();
                let on: Vec<&str> =
                    defined["resource"].as_array().unwrap().iter().map(|r| r.as_str().unwrap()).collect();
                assert!(defined["code"] == name && on.contains(&kind), "{definition}: {defined}");
            }
        }
        if promised.contains(&"delete") {
            assert_eq!(service.delete(&one).await.status, 204, "delete {kind}");
        }
    }
    for kind in KINDS {
        let written = kind.origin == Origin::Feed;
        let reply = service.post(&format!("/fhir/{}", kind.name), &smallest(kind.name)).await;
        assert_eq!(reply.status, if written { 201 } else { 405 }, "{}: {}", kind.name, reply.text());
    }
}

/// Tries each search parameter, modifier and include that is promised, and that others are refused.
async fn searched(service: &Service, resource: &Value, at: &str) {
    let form = [("content-type", "application/x-www-form-urlencoded")];
    assert_eq!(service.get(at).await.status, 200);
    assert_eq!(service.ask("POST", &format!("{at}/_search"), &form, "").await.status, 200);
    let strict = [("prefer", "handling=strict")];
    let status = async |query: String| {
        let reply = service.ask("GET", &format!("{at}?{query}"), &strict, "").await;
        let own = if reply.status == 200 { link(&reply.json(), "self").unwrap() } else { String::new() };
        (reply.status, own)
    };
    for parameter in resource["searchParam"].as_array().unwrap() {
        let (name, sort) = (parameter["name"].as_str().unwrap(), parameter["type"].as_str().unwrap());
        let value = match sort {
            "date" => "ge2026-01-01",
            "quantity" => "gt8",
            "composite" if name.ends_with("quantity") => "x1$8",
            "composite" if name.ends_with("date") => "x1$2026",
            "composite" => "x1$x1",
            _ => "x1",
        };
        let (found, own) = status(format!("{name}={value}")).await;
        assert!(
            found == 200 && own.replace("%24", "$").contains(&format!("{name}={value}")),
            "{own} does not list {name}"
        );
        let sortable = if sort == "composite" { 400 } else { 200 };
        assert_eq!(status(format!("_sort=-{name}")).await.0, sortable, "{at} sorted by {name}");
        let said = parameter["documentation"].as_str().unwrap();
        let modifiers = said.split_once("Modifiers: ").unwrap().1.split('.').next().unwrap();
        let known =
            ["missing", "not", "text", "contains", "exact", "identifier", "below", "above", "in", "Patient"];
        for modifier in known {
            let promised = modifiers.split(", ").any(|m| m == modifier)
                || (modifier == "Patient" && said.contains("name of a type"));
            let value = if modifier == "missing" { "false" } else { "x1" };
            let (found, own) = status(format!("{name}:{modifier}={value}")).await;
            assert_eq!(found, if promised { 200 } else { 400 }, "{at}?{name}:{modifier}");
            assert!(!promised || own.contains(&format!("{name}:{modifier}=")), "{own}");
        }
        let leads = said.split_once("Chains lead on to ").map_or("", |(_, to)| to.split('.').next().unwrap());
        let kind = at.rsplit('/').next().unwrap();
        for target in KINDS.iter().map(|k| k.name) {
            let promised = leads.split(", ").any(|to| to == target);
            let wanted = if promised { 200 } else { 400 };
            assert_eq!(status(format!("{name}:{target}._id=x")).await.0, wanted, "{at}?{name}:{target}");
            let has = format!("/fhir/{target}?_has:{kind}:{name}:_id=x");
            assert_eq!(service.get(&has).await.status, wanted, "{has}");
        }
    }
    assert_eq!(status("nothing=x1".to_owned()).await.0, 400);
    included(service, resource, at).await;
}

async fn included(service: &Service, resource: &Value, at: &str) {
    let listed = |what: &str| -> Vec<String> {
        let names = resource[what].as_array().cloned().unwrap_or_default();
        names.iter().map(|n| n.as_str().unwrap().to_owned()).collect()
    };
    let (includes, reverse) = (listed("searchInclude"), listed("searchRevInclude"));
    for from in KINDS {
        for parameter in from.all_parameters() {
            let name = format!("{}:{}", from.name, parameter.name);
            for (how, promised) in [("_include", &includes), ("_revinclude", &reverse)] {
                let reply = service.get(&format!("{at}?{how}={name}")).await;
                let wanted = if promised.contains(&name) { 200 } else { 400 };
                assert_eq!(reply.status, wanted, "{at}?{how}={name}");
            }
        }
    }
}

#[tokio::test]
async fn an_interaction_that_is_not_promised_is_refused() {
    let service = Service::new().await;
    let statement = service.get("/fhir/metadata").await.json();
    let patch = ("content-type", "application/json-patch+json");
    for resource in statement["rest"][0]["resource"].as_array().unwrap() {
        let kind = resource["type"].as_str().unwrap();
        let promised =
            |code: &str| resource["interaction"].as_array().unwrap().iter().any(|i| i["code"] == code);
        for (method, code, at, header) in [
            ("POST", "create", format!("/fhir/{kind}"), FHIR),
            ("PUT", "update", format!("/fhir/{kind}/x"), FHIR),
            ("PATCH", "patch", format!("/fhir/{kind}/x"), patch),
            ("DELETE", "delete", format!("/fhir/{kind}/x"), FHIR),
        ] {
            let reply = service.ask(method, &at, &[header], "{}").await;
            assert_eq!(reply.status != 405, promised(code), "{method} {at}: {}", reply.status);
            if reply.status == 405 {
                assert!(!reply.header("allow").contains(method), "{}", reply.header("allow"));
            }
        }
    }
    for at in ["/fhir/_history", "/fhir/Nothing", "/fhir/Nothing/1"] {
        assert_eq!(service.get(at).await.status, 404, "{at}");
    }
}
