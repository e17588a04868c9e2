//! Bodies that are too long, of another type, or packed so that they are not what they seem.

use std::io::Write;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::Answer::{Refused, Status};
use super::wire::Request;
use super::{Case, ask, ensure, story};
use crate::rest::procedure;

pub(super) fn cases() -> Vec<Case> {
    [types(), accepts(), packed(), long()].into_iter().flatten().collect()
}

fn create() -> Request {
    Request::new("POST", "/fhir/Procedure").with_plain_body(procedure().to_string())
}

fn types() -> Vec<Case> {
    let mut cases = vec![ask("a body without a type", create(), Refused(415, "not-supported"))];
    for wrong in [
        "text/plain",
        "multipart/form-data; boundary=x",
        "application/x-www-form-urlencoded",
        "application/fhir+xml",
        "application/xml",
        "text/html",
        "application/json-patch+json",
        "application/fhir+ndjson",
        "application/fhir+json; charset=utf-16",
        "application/fhir+json; charset=iso-8859-1",
        "application/fhir+json; fhirVersion=5.0",
        "application/fhir+json; fhirVersion=3.0",
        "",
    ] {
        let request = create().header("Content-Type", wrong);
        cases.push(ask(format!("a body of type \"{wrong}\""), request, Refused(415, "not-supported")));
    }
    for right in
        ["application/fhir+json", "application/json", "application/fhir+json;charset=UTF-8; fhirVersion=4.0"]
    {
        cases.push(ask(
            format!("a body of type \"{right}\""),
            create().header("Content-Type", right),
            Status(201),
        ));
    }
    let form = |media: &str| {
        Request::new("POST", "/fhir/Procedure/_search")
            .header("Content-Type", media)
            .with_plain_body("_count=1")
    };
    cases.push(ask("a search as JSON", form("application/fhir+json"), Refused(415, "not-supported")));
    cases.push(ask("a search as a form", form("application/x-www-form-urlencoded"), Status(200)));
    cases
}

fn accepts() -> Vec<Case> {
    let mut cases = Vec::new();
    for none in [
        "application/fhir+xml",
        "text/html",
        "application/fhir+json; fhirVersion=5.0",
        "application/json;q=0",
        "application/fhir+turtle",
    ] {
        let request = Request::get("/fhir/Procedure").header("Accept", none);
        cases.push(ask(format!("only {none} is accepted"), request, Refused(406, "not-supported")));
    }
    for some in [
        "application/fhir+xml, application/fhir+json;q=0.1",
        "*/*",
        "application/*",
        "application/fhir+json; fhirVersion=4.0",
    ] {
        let request = Request::get("/fhir/Procedure").header("Accept", some);
        cases.push(ask(format!("{some} is accepted"), request, Status(200)));
    }
    cases.push(ask(
        "XML by _format",
        Request::get("/fhir/Procedure?_format=xml"),
        Refused(406, "not-supported"),
    ));
    let both = Request::get("/fhir/Procedure?_format=json").header("Accept", "application/fhir+xml");
    cases.push(ask("JSON by _format and XML by Accept", both, Status(200)));
    cases
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn encoded(how: &str, body: Vec<u8>) -> Request {
    Request::post("Procedure", body).header("Content-Encoding", how)
}

fn packed() -> Vec<Case> {
    let whole = gzip(procedure().to_string().as_bytes());
    let (mut cut, mut spoilt) = (whole.clone(), whole.clone());
    cut.truncate(whole.len() - 12);
    let sum = spoilt.len() - 6;
    spoilt[sum] ^= 0xff;
    let bomb = gzip(&vec![b' '; 200 << 20]);
    assert!(bomb.len() < 1 << 20);
    let twice = gzip(&whole);
    let mut cases = vec![
        ask("gzip", encoded("gzip", whole.clone()), Status(201)),
        ask("gzip that is cut short", encoded("gzip", cut), Refused(400, "structure")),
        ask("gzip whose sum is wrong", encoded("gzip", spoilt), Refused(400, "structure")),
        ask(
            "what is no gzip",
            encoded("gzip", procedure().to_string().into_bytes()),
            Refused(400, "structure"),
        ),
        ask("200 MiB of spaces in gzip", encoded("gzip", bomb), Refused(413, "too-long")),
        ask("gzip in gzip", encoded("gzip, gzip", twice.clone()), Refused(415, "not-supported")),
        ask("gzip in gzip, said once", encoded("gzip", twice), Refused(400, "structure")),
        ask(
            "gzip said twice",
            encoded("gzip", whole.clone()).header("Content-Encoding", "gzip"),
            Refused(415, "not-supported"),
        ),
        ask(
            "gzip that nobody speaks of",
            Request::post("Procedure", whole.clone()),
            Refused(400, "structure"),
        ),
    ];
    for other in ["br", "zstd", "deflate", "compress", "x"] {
        cases.push(ask(
            format!("a body in {other}"),
            encoded(other, whole.clone()),
            Refused(415, "not-supported"),
        ));
    }
    cases
}

fn long() -> Vec<Case> {
    vec![
        story("a gigabyte is refused before it is sent", |terce| {
            let mut wire = terce.wire();
            wire.send(b"POST /fhir/Procedure HTTP/1.1\r\nHost: terce\r\nContent-Type: application/fhir+json\r\nExpect: 100-continue\r\nContent-Length: 1073741824\r\n\r\n");
            let answers = String::from_utf8_lossy(&wire.rest()?).into_owned();
            ensure(answers.starts_with("HTTP/1.1 413") && answers.contains("too-long"), || answers)
        }),
        story("a gigabyte in chunks is refused when it has become too long", |terce| {
            let mut wire = terce.wire();
            wire.send(b"POST /fhir/Procedure HTTP/1.1\r\nHost: terce\r\nContent-Type: application/fhir+json\r\nTransfer-Encoding: chunked\r\n\r\n");
            let chunk = format!("10000\r\n{}\r\n", " ".repeat(0x10000));
            // somewhat more than is taken; the rest of the gigabyte need not be sent to be refused
            for _ in 0..270 {
                wire.send(chunk.as_bytes());
            }
            let reply = wire.reply()?;
            super::judge(&reply, Refused(413, "too-long"))
        }),
        ask("16 MiB of spaces", Request::post("Procedure", vec![b' '; 16 << 20]), Refused(400, "structure")),
        ask(
            "one byte more",
            Request::post("Procedure", vec![b' '; (16 << 20) + 1]),
            Refused(413, "too-long"),
        ),
    ]
}
