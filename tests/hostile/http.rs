//! HTTP that proxies could read otherwise, that is too much, or that nobody should send.

use serde_json::json;

use super::Answer::{Library, Refused, RefusedAndClosed, Status};
use super::process::Terce;
use super::wire::Request;
use super::{Case, ask, at, bytes, ensure, story};
use crate::rest::{procedure, with};

pub(super) fn cases() -> Vec<Case> {
    [framing(), heads(), addresses(), methods(), stories()].into_iter().flatten().collect()
}

/// A POST of a Procedure up to its framing, which `rest` brings.
fn post(rest: &str) -> String {
    format!("POST /fhir/Procedure HTTP/1.1\r\nHost: terce\r\nContent-Type: application/fhir+json\r\n{rest}")
}

fn get(rest: &str) -> String {
    format!("GET /healthz HTTP/1.1\r\nHost: terce\r\n{rest}")
}

fn framing() -> Vec<Case> {
    let body = procedure().to_string();
    let long_extension =
        format!("Transfer-Encoding: chunked\r\n\r\n5;{}\r\nhello\r\n0\r\n\r\n", "x".repeat(20 << 10));
    let mut cases: Vec<Case> = [
        ("a length and unknown chunks", "Content-Length: 5\r\nTransfer-Encoding: xchunked\r\n\r\n0\r\n\r\n"),
        ("unknown chunks", "Transfer-Encoding: xchunked\r\n\r\n0\r\n\r\n"),
        ("chunks and then something else", "Transfer-Encoding: chunked, identity\r\n\r\n0\r\n\r\n"),
        ("two lengths", "Content-Length: 3\r\nContent-Length: 4\r\n\r\n{}}"),
        ("a signed length", "Content-Length: +20\r\n\r\n{}"),
        ("a negative length", "Content-Length: -1\r\n\r\n{}"),
        ("a length of 2^64", "Content-Length: 18446744073709551616\r\n\r\n{}"),
        ("a length said twice in one line", "Content-Length: 20, 20\r\n\r\n{}"),
        ("two lengths in one line", "Content-Length: 3, 4\r\n\r\n{}}"),
        ("a length in hexadecimal", "Content-Length: 0x10\r\n\r\n{}"),
    ]
    .into_iter()
    .map(|(name, rest)| bytes(name, post(rest), Library(400)))
    .collect();
    cases.extend([
        bytes(
            "a chunk of overflowing size",
            post("Transfer-Encoding: chunked\r\n\r\nfffffffffffffffff\r\n"),
            RefusedAndClosed(400, "incomplete"),
        ),
        bytes(
            "a chunk whose size is no number",
            post("Transfer-Encoding: chunked\r\n\r\nzz\r\n"),
            RefusedAndClosed(400, "incomplete"),
        ),
        bytes(
            "a chunk with an extension of 20 KiB",
            post(&long_extension),
            RefusedAndClosed(400, "incomplete"),
        ),
        bytes(
            "a body in chunks",
            post(&format!("Transfer-Encoding: chunked\r\n\r\n{:x}\r\n{body}\r\n0\r\n\r\n", body.len())),
            Status(201),
        ),
        story("a body shorter than its length", |terce| {
            let mut wire = terce.wire();
            wire.send(post("Content-Length: 2000\r\n\r\n{\"resourceType\":").as_bytes());
            wire.finish();
            // the client is gone as far as anybody can tell: no answer is owed
            match wire.reply() {
                Ok(reply) => super::judge(&reply, Refused(400, "incomplete")),
                Err(_) => ensure(wire.is_closed(), || "still open".to_owned()),
            }
        }),
        story("a body with a length and in chunks ends where the chunks do", |terce| {
            // RFC 9112, 6.1: refused, or taken by its chunks alone; whoever reads it by its length would take the
            // second request for a part of the first
            let hidden = "GET /fhir/Patient/smuggled HTTP/1.1\r\nHost: terce\r\n\r\n";
            let mut wire = terce.wire();
            let chunks = format!(
                "Content-Length: {}\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
                5 + hidden.len()
            );
            wire.send(format!("{}{hidden}", post(&chunks)).as_bytes());
            let reply = wire.reply()?;
            ensure(reply.status == 400, || format!("{} {}", reply.status, reply.shown()))
        }),
        story("two requests in one piece are answered one after the other", |terce| {
            let mut wire = terce.wire();
            wire.send(format!("{}{}", get("\r\n"), get("\r\n")).as_bytes());
            for _ in 0..2 {
                ensure(wire.reply()?.status == 200, || "not answered".to_owned())?;
            }
            Ok(())
        }),
    ]);
    cases
}

fn heads() -> Vec<Case> {
    let long = |bytes: usize| get(&format!("X: {}\r\n\r\n", "y".repeat(bytes)));
    vec![
        bytes("a space before the colon", "GET /healthz HTTP/1.1\r\nHost : terce\r\n\r\n", Library(400)),
        bytes("a folded header line", get("X: a\r\n b\r\n\r\n"), Library(400)),
        bytes("the character zero in a header", get("X: a\0b\r\n\r\n"), Library(400)),
        bytes("a header line without a colon", get("nothing\r\n\r\n"), Library(400)),
        bytes("no HTTP at all", "\x16\x03\x01\x02\x00\x01\x00\x01\r\n\r\n", Library(400)),
        bytes("another version of HTTP", "GET /healthz HTTP/9.9\r\nHost: terce\r\n\r\n", Library(400)),
        // RFC 9112, 2.2 lets a recipient take a line feed alone as the end of a line; lengths must agree all the same
        bytes(
            "lines that end without a carriage return",
            "GET /healthz HTTP/1.1\nHost: terce\n\n",
            Status(200),
        ),
        bytes(
            "an offer to go on in HTTP/2",
            get("Connection: Upgrade, HTTP2-Settings\r\nUpgrade: h2c\r\nHTTP2-Settings: AAMAAABk\r\n\r\n"),
            Status(200),
        ),
        bytes("a head of 64 KiB", long(64 << 10), Library(431)),
        bytes("a head of 500 KB", long(500_000), Library(431)),
        bytes("200 header lines", get(&format!("{}\r\n", "X: y\r\n".repeat(200))), Library(431)),
        bytes("no Host", "GET /healthz HTTP/1.1\r\n\r\n", RefusedAndClosed(400, "value")),
        bytes(
            "two Hosts",
            "GET /healthz HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n",
            RefusedAndClosed(400, "value"),
        ),
        bytes(
            "the same Host twice",
            "GET /healthz HTTP/1.1\r\nHost: x\r\nHost: x\r\n\r\n",
            RefusedAndClosed(400, "value"),
        ),
        bytes(
            "an address elsewhere",
            "GET http://evil.example/healthz HTTP/1.1\r\nHost: terce\r\n\r\n",
            RefusedAndClosed(400, "value"),
        ),
        bytes(
            "an address here, written out",
            "GET http://terce/healthz HTTP/1.1\r\nHost: terce\r\n\r\n",
            Status(200),
        ),
    ]
}

fn addresses() -> Vec<Case> {
    let mut cases = vec![
        bytes(
            "an address of 70 KB",
            format!("GET /{} HTTP/1.1\r\nHost: terce\r\n\r\n", "x".repeat(70_000)),
            Library(431),
        ),
        bytes(
            "a space in an address",
            "GET /fhir/Procedure/a b HTTP/1.1\r\nHost: terce\r\n\r\n",
            Library(400),
        ),
        bytes(
            "the character zero in an address",
            "GET /fhir/Procedure/\0 HTTP/1.1\r\nHost: terce\r\n\r\n",
            Library(400),
        ),
        bytes("no address", "GET  HTTP/1.1\r\nHost: terce\r\n\r\n", Library(400)),
        bytes(
            "a proxy's address",
            "CONNECT terce:1 HTTP/1.1\r\nHost: terce:1\r\n\r\n",
            Refused(404, "not-found"),
        ),
        ask("the server itself", Request::new("OPTIONS", "*"), Refused(404, "not-found")),
    ];
    let long = "x".repeat(65);
    for id in [
        &long,
        "..",
        ".",
        "%2e%2e%2f",
        "%2e%2e%2fetc",
        "..%2f..%2fetc%2fpasswd",
        "%00",
        "a%0d%0ab",
        "a%20b",
        "%C3%A9",
        "a_b",
        "a;b",
        "a'b",
        "a%22b",
        "a%1b%5b31m",
        "%E2%80%A8",
    ] {
        let at = format!("/fhir/Procedure/{id}");
        let named = with(procedure(), json!({ "id": "a" })).to_string();
        cases.push(ask(format!("reading the id {id}"), Request::get(&at), Refused(404, "not-found")));
        cases.push(ask(
            format!("replacing the id {id}"),
            Request::new("PUT", &at).with_body(named),
            Refused(400, "value"),
        ));
        cases.push(ask(format!("deleting the id {id}"), Request::new("DELETE", &at), Refused(400, "value")));
    }
    for broken in ["%ff", "%", "%zz", "%c0%af"] {
        cases.push(ask(
            format!("an address with {broken}"),
            Request::get(&format!("/fhir/Procedure/{broken}")),
            Refused(400, "value"),
        ));
    }
    for unknown in ["Basic", "Procedur", "procedure", "__proto__", "Questionnaire", "Procedure%00"] {
        let at = format!("/fhir/{unknown}");
        cases.push(ask(
            format!("searching the type {unknown}"),
            Request::get(&at),
            Refused(404, "not-supported"),
        ));
        let create = Request::new("POST", &at).with_body(procedure().to_string());
        cases.push(ask(format!("creating the type {unknown}"), create, Refused(404, "not-supported")));
    }
    for nowhere in [
        "/fhir/Procedure/a/b",
        "/fhir/Procedure/a/_history/1/x",
        "/fhir/Procedure/a/$explain",
        "/fhir/Measure/a/$explain",
        "/etc/passwd",
        "/fhirx",
        "/.git/config",
        "/debug/pprof",
        "/fhir/Procedure/a/_history/0",
        "/fhir/Procedure/a/_history/-1",
        "/fhir/Procedure/a/_history/99999999999999999999",
    ] {
        cases.push(ask(format!("nothing at {nowhere}"), Request::get(nowhere), Refused(404, "not-found")));
    }
    cases
}

fn methods() -> Vec<Case> {
    let mut cases = Vec::new();
    for method in ["TRACE", "OPTIONS", "FROB", "LINK", "PROPFIND"] {
        cases.push(ask(
            format!("{method} of a type"),
            Request::new(method, "/fhir/Procedure"),
            Refused(405, "not-supported"),
        ));
        cases.push(ask(
            format!("{method} of a resource"),
            Request::new(method, "/fhir/Procedure/a"),
            Refused(405, "not-supported"),
        ));
        cases.push(ask(
            format!("{method} of what machines ask"),
            Request::new(method, "/healthz"),
            Refused(405, "not-supported"),
        ));
    }
    for at in ["/fhir/metadata", "/healthz", "/readyz", "/openapi.json"] {
        let post = Request::new("POST", at).with_body("{}");
        cases.push(ask(format!("POST to {at}"), post, Refused(405, "not-supported")));
    }
    let kind = "/fhir/DetectedIssue/a";
    for (what, request) in [
        ("creating what the service writes", Request::post("DetectedIssue", "{}")),
        ("replacing what the service writes", Request::put("MeasureReport/a", "{}")),
        ("deleting what the service writes", Request::new("DELETE", kind)),
        ("deleting a Task", Request::new("DELETE", "/fhir/Task/a")),
        ("telling who did what", Request::post("AuditEvent", "{}")),
        ("telling anew who did what", Request::put("AuditEvent/1", "{}")),
        ("forgetting who did what", Request::new("DELETE", "/fhir/AuditEvent/1")),
        ("forgetting all of what was done", Request::new("DELETE", "/fhir/AuditEvent?_id=1")),
        ("mending what was done", Request::new("PATCH", "/fhir/AuditEvent/1").with_body("[]")),
        ("POST to a resource", Request::post("Procedure/a", procedure().to_string())),
    ] {
        cases.push(ask(what, request, Refused(405, "not-supported")));
    }
    cases
}

fn stories() -> Vec<Case> {
    vec![
        story("HTTP/2 without asking is not spoken", |terce| {
            let mut wire = terce.wire();
            wire.send(b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n");
            let answer = wire.rest()?;
            ensure(answer.is_empty(), || String::from_utf8_lossy(&answer).into_owned())
        }),
        story("another method in a header is not the method", |terce| {
            let body = with(procedure(), json!({ "id": "overridden" })).to_string();
            terce.expect(&Request::put("Procedure/overridden", body), 201)?;
            for name in ["X-HTTP-Method-Override", "X-HTTP-Method", "X-Method-Override"] {
                terce.expect(&Request::get("/fhir/Procedure/overridden").header(name, "DELETE"), 200)?;
            }
            terce.expect(&Request::get("/fhir/Procedure/overridden"), 200).map(|_| ())
        }),
        story("what a stranger says of the address is not believed", |terce| {
            let request = Request::get("/fhir/Procedure?_count=1")
                .header("X-Forwarded-Host", "evil.example")
                .header("X-Forwarded-Proto", "https")
                .header("X-Forwarded-For", "10.0.0.1")
                .header("Forwarded", "host=evil.example;proto=https")
                .header("X-Original-URL", "/metrics")
                .header("X-Rewrite-URL", "/metrics");
            let reply = terce.expect(&request, 200)?;
            ensure(at(&reply.json(), "/link/0/url").starts_with("http://terce/fhir/Procedure"), || {
                reply.shown()
            })
        }),
        story("a Host that is no name is not repeated", |terce| {
            let mut wire = terce.wire();
            wire.send(b"GET /fhir/Procedure?_count=1 HTTP/1.1\r\nHost: x\"><script>\r\n\r\n");
            let reply = wire.reply()?;
            ensure(!reply.text().contains("script"), || reply.shown())
        }),
        story("pages of other origins are given no leave to ask", |terce| {
            let request = Request::new("OPTIONS", "/fhir/Task")
                .header("Origin", "https://evil.example")
                .header("Access-Control-Request-Method", "PUT");
            let preflight = terce.refuse(&request, 405, "not-supported")?;
            let asked =
                terce.expect(&Request::get("/fhir/Task").header("Origin", "https://evil.example"), 200)?;
            let granted = |r: &super::Reply| r.header("access-control-allow-origin").is_some();
            ensure(!granted(&preflight) && !granted(&asked), || "leave is given".to_owned())
        }),
        story("a request id that is none is not repeated", |terce| {
            for id in ["a b", "<script>", &"x".repeat(65)] {
                let reply = terce.expect(&Request::get("/healthz").header("X-Request-Id", id), 200)?;
                ensure(reply.header("x-request-id") != Some(id), || format!("{id} is repeated"))?;
            }
            let reply = terce.expect(&Request::get("/healthz").header("X-Request-Id", "ours.1"), 200)?;
            ensure(reply.header("x-request-id") == Some("ours.1"), || "a plain id is not repeated".to_owned())
        }),
        story("HEAD is GET without the body", head),
        story("600 connections that say nothing do not keep out who asks", |terce| {
            let _silent: Vec<_> = (0..600).map(|_| terce.wire()).collect();
            let _begun: Vec<_> = (0..600)
                .map(|_| {
                    let mut wire = terce.wire();
                    wire.send(b"GET /fhir/meta");
                    wire
                })
                .collect();
            (0..20).try_for_each(|_| terce.expect(&Request::get("/fhir/metadata"), 200).map(|_| ()))
        }),
    ]
}

fn head(terce: &Terce) -> Result<(), String> {
    for (at, status) in [("/fhir/metadata", 200), ("/fhir/Procedure/none", 404)] {
        let mut wire = terce.wire();
        wire.send(format!("HEAD {at} HTTP/1.1\r\nHost: terce\r\nConnection: close\r\n\r\n").as_bytes());
        let all = String::from_utf8_lossy(&wire.rest()?).into_owned();
        ensure(all.starts_with(&format!("HTTP/1.1 {status}")) && all.ends_with("\r\n\r\n"), || all)?;
    }
    Ok(())
}
