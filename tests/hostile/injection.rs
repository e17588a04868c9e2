//! Text that means something to a browser, a database, a log or a terminal.

use serde_json::json;

use super::process::care;
use super::wire::Request;
use super::{CANARY, Case, ensure, story};
use crate::rest::{procedure, with};

/// What means something to somebody.
const CHARMS: &[&str] = &[
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "{{7*7}}${7*7}",
    "javascript:alert(1)",
    "' OR '1'='1",
    "'; DROP TABLE documents; --",
    "%' OR 1=1 --",
    "=cmd|' /C calc'!A0",
    "\u{1b}[31mred\u{1b}[0m",
    "a\r\nX-Injected: yes",
    "\u{2028}\u{202e}",
    "\"},{\"level\":\"ERROR\",\"forged\":true}",
    "../../etc/passwd",
    "$(touch /tmp/x)`id`",
];

pub(super) fn cases() -> Vec<Case> {
    vec![
        story("texts that mean something to others come back as they were, as FHIR and nothing else", texts),
        story("texts that mean something to a database find nothing", searches),
        story("a header line with them changes nothing", |terce| {
            for charm in CHARMS.iter().filter(|c| !c.contains(['\r', '\u{1b}']) && c.is_ascii()) {
                let request =
                    Request::get("/fhir/Task").header("X-Correlation-Id", charm).header("User-Agent", charm);
                let reply = terce.expect(&request, 200)?;
                ensure(reply.header("x-correlation-id").is_none(), || format!("{charm} comes back"))?;
            }
            Ok(())
        }),
        story("no cell of a table begins as a formula does", |terce| {
            for charm in ["=cmd|' /C calc'!A0", "+1+1", "-1+1", "@SUM(1)", "\t=1", "\r=1"] {
                let code = json!({ "code": { "coding": [{ "system": "urn:charms", "code": charm, "display": charm }] } });
                terce.ask(&Request::post("Procedure", with(procedure(), code).to_string()))?;
            }
            let table = terce.expect(&Request::get("/fhir/$data-quality?_format=text/csv"), 200)?.text();
            ensure(table.contains("cmd|"), || "the table does not tell of it".to_owned())?;
            let mut cells = table.split(['\n', ',']).map(|cell| cell.trim_start_matches('"'));
            let formula = cells.find(|c| c.starts_with(['=', '+', '@', '\t']) || c.starts_with("-1+"));
            ensure(formula.is_none(), || format!("{formula:?}"))
        }),
        story("what is wrong in a document is told without what it says of a patient", canaries),
    ]
}

fn texts(terce: &super::Terce) -> Result<(), String> {
    for (n, charm) in CHARMS.iter().enumerate() {
        let id = format!("charm-{n}");
        let patient = json!({
            "resourceType": "Patient", "id": id, "name": [{ "text": format!("{CANARY} {charm}") }],
            "text": { "status": "generated", "div": format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{}</div>", charm.replace('&', "&amp;").replace('<', "&lt;")) },
            "identifier": [{ "system": "urn:charms", "value": charm }],
        });
        terce.expect(&Request::put(&format!("Patient/{id}"), patient.to_string()), 201)?;
        let reply = terce.expect(&Request::get(&format!("/fhir/Patient/{id}")), 200)?;
        ensure(reply.json()["name"] == patient["name"], || reply.shown())?;
        for (name, value) in [
            ("content-type", "application/fhir+json; charset=utf-8"),
            ("x-content-type-options", "nosniff"),
            ("content-security-policy", "default-src 'none'; frame-ancestors 'none'"),
            ("cache-control", "no-store"),
        ] {
            ensure(reply.header(name) == Some(value), || format!("{name}: {:?}", reply.header(name)))?;
        }
        ensure(reply.header("x-injected").is_none(), || "a header line was injected".to_owned())?;
        let found = terce
            .expect(&Request::get(&format!("/fhir/Patient?identifier=urn:charms|{}", encoded(charm))), 200)?;
        let one = found.json()["entry"].as_array().map_or(0, Vec::len) == 1;
        ensure(one, || format!("{charm} is not found by itself: {}", found.shown()))?;
    }
    Ok(())
}

/// Percent-encoded; what a search would take as a comma or a bar gets its backslash.
fn encoded(text: &str) -> String {
    let escaped: String =
        text.chars().flat_map(|c| if ",\\|$".contains(c) { vec!['\\', c] } else { vec![c] }).collect();
    escaped.bytes().map(|b| format!("%{b:02X}")).collect()
}

fn searches(terce: &super::Terce) -> Result<(), String> {
    terce.expect(&Request::post("Procedure", procedure().to_string()), 201)?;
    let others = ["%", "_", "%25", "a' UNION SELECT body FROM documents --", "*", "\\", "x OR rowid"];
    for charm in CHARMS.iter().chain(&others) {
        for parameter in ["identifier=", "identifier=urn:charms-of-nobody|", "_id="] {
            let query = format!("{parameter}{}", encoded(charm));
            let reply = terce.ask(&Request::get(&format!("/fhir/Procedure?{query}")))?;
            let found = reply.json()["entry"].as_array().map_or(0, Vec::len);
            ensure(reply.status < 500 && found == 0, || {
                format!("{query}: {} {}", reply.status, reply.shown())
            })?;
        }
    }
    Ok(())
}

fn canaries(terce: &super::Terce) -> Result<(), String> {
    let subject = json!({ "subject": { "display": CANARY, "reference": "Device/1" } });
    for (kind, body) in [
        ("Patient", json!({ "resourceType": "Patient", "name": [{ "text": CANARY }], "birthDate": CANARY })),
        ("Patient", json!({ "resourceType": "Patient", "name": CANARY })),
        ("Patient", json!({ "resourceType": "Patient", "gender": CANARY })),
        ("Patient", json!({ "resourceType": "Patient", "active": CANARY })),
        (
            "Patient",
            json!({ "resourceType": "Patient", "name": [{ "text": CANARY, "given": [CANARY, null] }] }),
        ),
        ("Patient", json!({ "resourceType": CANARY })),
        ("Procedure", with(procedure(), subject)),
        ("Procedure", with(procedure(), json!({ "status": CANARY }))),
        ("Procedure", with(procedure(), json!({ "performedDateTime": CANARY }))),
        ("Procedure", with(procedure(), json!({ "encounter": CANARY }))),
        (
            "Observation",
            json!({ "resourceType": "Observation", "status": "final", "code": { "text": "x" }, "valueQuantity": { "value": CANARY } }),
        ),
    ] {
        let reply = terce.ask(&Request::post(kind, body.to_string()))?;
        ensure((400..500).contains(&reply.status), || format!("{body}: {}", reply.shown()))?;
    }
    for request in [
        Request::get(&format!("/fhir/Patient/{CANARY}_")),
        Request::get(&format!("/fhir/Patient?identifier={CANARY}")),
        Request::get(&format!("/fhir/Patient?name={CANARY}")),
        Request::get(&format!("/fhir/Patient?_lastUpdated={CANARY}")).header("Prefer", "handling=strict"),
        Request::get("/fhir/Task").header("X-Correlation-Id", CANARY).header("User-Agent", CANARY),
        Request::put(
            &format!("Patient?identifier={CANARY}&x=y"),
            json!({ "resourceType": "Patient" }).to_string(),
        ),
        Request::post("Procedure", with(care("p1"), json!({ "note": [{ "text": CANARY }] })).to_string()),
    ] {
        terce.ask(&request)?;
    }
    Ok(())
}
