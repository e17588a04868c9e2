//! Who did what, and whoever wants to be told of something: asked for in ways that mean nothing, or harm.

use serde_json::{Value, json};

use super::Answer::{Refused, Status};
use super::wire::Request;
use super::{Case, ask};
use crate::rest::with;

pub(super) fn cases() -> Vec<Case> {
    [audit(), subscribers()].into_iter().flatten().collect()
}

/// Who did what, asked for in ways that mean nothing.
fn audit() -> Vec<Case> {
    let get = |rest: &str| Request::get(&format!("/fhir/AuditEvent{rest}"));
    let mut cases = Vec::new();
    for id in ["/0", "/-1", "/1-0", "/1-", "/-", "/1-1-1", "/99999999999999999999", "/1/_history/2"] {
        cases.push(ask(format!("an act that nobody did: {id}"), get(id), Refused(404, "not-found")));
    }
    for (query, code) in [
        ("date=2026-02-30", "value"),
        ("date=yesterday", "value"),
        ("patient=a'%20OR%201=1", "value"),
        ("patient=", "value"),
        ("_cursor=%00", "value"),
        ("_cursor=-1", "value"),
        ("_cursor=1-99999999999", "value"),
        ("_count=-1", "value"),
        ("entity=';--", "value"),
        ("agent=%25", "value"),
        ("_sort=colour", "not-supported"),
        ("agent:near=x", "not-supported"),
        ("colour=red", "not-supported"),
    ] {
        let strict = get(&format!("?{query}")).header("Prefer", "handling=strict");
        cases.push(ask(format!("acts by {query}"), strict, Refused(400, code)));
    }
    for query in ["address=%27", "_id=%27", "type=a|b|c", "agent:missing=true", "_count=0", "_cursor=1.1"] {
        cases.push(ask(
            format!("acts by {query}, which finds nothing"),
            get(&format!("?{query}")),
            Status(200),
        ));
    }
    cases
}

/// Whoever wants to be told, where nobody may be called.
fn subscribers() -> Vec<Case> {
    let wants = |channel: Value| {
        let channel = with(json!({ "type": "rest-hook", "endpoint": "https://hooks.example/" }), channel);
        let body = json!({ "resourceType": "Subscription", "status": "requested", "reason": "x",
            "criteria": "Task", "channel": channel });
        Request::post("Subscription", body.to_string())
    };
    let mut cases = Vec::new();
    for endpoint in [
        "http://169.254.169.254/latest/meta-data",
        "http://127.0.0.1:22/",
        "http://[::1]/",
        "http://0x7f.1/",
        "http://2130706433/",
        "https://hooks.example@evil.example/",
        "file:///etc/passwd",
        "gopher://127.0.0.1:25/_x",
        "javascript:alert(1)",
        "https://hooks.example/",
    ] {
        let request = wants(json!({ "endpoint": endpoint }));
        cases.push(ask(format!("calls to {endpoint}"), request, Refused(422, "security")));
    }
    let rule = Refused(422, "business-rule");
    cases.extend([
        ask(
            "calls with a header line in a header line",
            wants(json!({ "header": ["X-A: b\r\nX-C: d"] })),
            rule,
        ),
        ask("calls as somebody else", wants(json!({ "header": ["Host: evil.example"] })), rule),
        ask("calls by mail", wants(json!({ "type": "email", "endpoint": "mailto:a@b.example" })), rule),
    ]);
    for number in ["-1", "x", "1e9", "99999999999999999999"] {
        let path = format!("/fhir/Subscription/none/$events?eventsSinceNumber={number}");
        cases.push(ask(format!("events since {number}"), Request::get(&path), Refused(400, "value")));
    }
    cases
}
