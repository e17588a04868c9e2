//! Whoever sends something that makes no sense, over a socket to a Terce that runs as it does in a hospital: what it is
//! answered, and that the next request is answered as if nothing had been.
//!
//! Each case is a row: a name, what is sent, and what must come back. All of them go to one process, one after the
//! other; at the end its log, its numbers and its memory are looked at. Prints how many passed.

mod afterwards;
mod bundles;
mod encodings;
mod fhir;
mod http;
mod injection;
mod json;
mod pages;
mod process;
mod slow;
mod time;
mod told;
mod wire;

use std::io::Write;

use process::Terce;
use serde_json::Value;
use wire::{Reply, Request, Wire};

/// A name that must be in no answer to an error, no log and no number. Patients of these cases have it.
const CANARY: &str = "Zebedee-Canary";

/// What is done with Terce, or why it went wrong.
type Told = Box<dyn Fn(&Terce) -> Result<(), String>>;

/// One row.
struct Case {
    name: String,
    sort: Sort,
}

enum Sort {
    /// Bytes as they are, and the answer to them.
    Bytes(Vec<u8>, Answer),
    /// More than one request, or more than an answer.
    Story(Told),
}

/// What must come back.
#[derive(Clone, Copy)]
enum Answer {
    /// This status, from our own code.
    Status(u16),
    /// This status and issue type, from our own code, in an OperationOutcome.
    Refused(u16, &'static str),
    /// The same, and the connection is closed.
    RefusedAndClosed(u16, &'static str),
    /// This status from the HTTP library, which has found no request in the bytes: without a body, and closed.
    Library(u16),
}

fn bytes(name: impl Into<String>, bytes: impl Into<Vec<u8>>, answer: Answer) -> Case {
    Case { name: name.into(), sort: Sort::Bytes(bytes.into(), answer) }
}

fn ask(name: impl Into<String>, request: Request, answer: Answer) -> Case {
    bytes(name, request.bytes(), answer)
}

fn story(name: impl Into<String>, told: impl Fn(&Terce) -> Result<(), String> + 'static) -> Case {
    Case { name: name.into(), sort: Sort::Story(Box::new(told)) }
}

/// An error with its reason, unless `holds`.
fn ensure(holds: bool, why: impl FnOnce() -> String) -> Result<(), String> {
    if holds { Ok(()) } else { Err(why()) }
}

impl Case {
    fn run(&self, terce: &Terce) -> Result<(), String> {
        match &self.sort {
            Sort::Story(told) => told(terce),
            Sort::Bytes(bytes, answer) => {
                let mut wire = terce.wire();
                wire.send(bytes);
                let reply = wire.reply()?;
                judge(&reply, *answer)?;
                afterwards(&reply, *answer, wire)
            }
        }
    }
}

fn judge(reply: &Reply, answer: Answer) -> Result<(), String> {
    let shown = || format!("{} {}", reply.status, reply.shown());
    match answer {
        Answer::Library(status) => ensure(reply.status == status && reply.body.is_empty(), || {
            format!("expected {status} without a body, not {}", shown())
        }),
        Answer::Status(status) => {
            proper(reply)?;
            ensure(reply.status == status, || format!("expected {status}, not {}", shown()))
        }
        Answer::Refused(status, code) | Answer::RefusedAndClosed(status, code) => {
            proper(reply)?;
            let said = reply.code();
            ensure(reply.status == status && said == code, || {
                format!("expected {status} {code}, not {}", shown())
            })
        }
    }
}

/// What every answer of our own code must have.
fn proper(reply: &Reply) -> Result<(), String> {
    ensure(reply.status < 500 || reply.status == 503, || format!("{} is a failure", reply.status))?;
    ensure(reply.header("x-request-id").is_some(), || "no X-Request-Id".to_owned())?;
    ensure(reply.header("x-content-type-options") == Some("nosniff"), || "no nosniff".to_owned())?;
    if reply.status < 400 {
        return Ok(());
    }
    let fhir = reply.header("content-type") == Some("application/fhir+json; charset=utf-8");
    ensure(fhir, || format!("of type {:?}", reply.header("content-type")))?;
    ensure(reply.body.len() < 4096, || format!("an error answer of {} bytes", reply.body.len()))?;
    ensure(!reply.text().contains(CANARY), || format!("repeats a patient's name: {}", reply.shown()))?;
    fhir_models::parse::<fhir_models::OperationOutcome>(&reply.body)
        .map(|_| ())
        .map_err(|error| format!("no OperationOutcome: {error}: {}", reply.shown()))
}

/// A connection goes on, or is closed, as the answer says.
fn afterwards(reply: &Reply, answer: Answer, mut wire: Wire) -> Result<(), String> {
    let must_close = matches!(answer, Answer::Library(_) | Answer::RefusedAndClosed(..));
    let says_close = reply.header("connection").is_some_and(|c| c.eq_ignore_ascii_case("close"));
    if must_close || says_close {
        ensure(!must_close || says_close, || "the answer does not say that it closes".to_owned())?;
        return ensure(wire.is_closed(), || "the connection is still open".to_owned());
    }
    wire.send(&Request::get("/healthz").bytes());
    let next = wire.reply().map_err(|why| format!("the next request on the connection: {why}"))?;
    ensure(next.status == 200, || format!("the next request on the connection: {}", next.status))
}

fn cases() -> Vec<Case> {
    [
        http::cases(),
        encodings::cases(),
        json::cases(),
        fhir::cases(),
        bundles::cases(),
        told::cases(),
        pages::cases(),
        time::cases(),
        injection::cases(),
        slow::cases(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

#[test]
fn what_makes_no_sense_gets_the_answer_that_it_should() {
    let terce = Terce::start();
    let cases = cases();
    let (mut failed, mut library) = (Vec::new(), 0);
    for case in &cases {
        library += usize::from(matches!(case.sort, Sort::Bytes(_, Answer::Library(_))));
        if let Err(why) = case.run(&terce) {
            failed.push(format!("{}: {why}", case.name));
        }
    }
    let count = cases.len() + afterwards::CHECKS.len();
    for (name, check) in afterwards::CHECKS {
        if let Err(why) = check(&terce) {
            failed.push(format!("{name}: {why}"));
        }
    }
    let passed = count - failed.len();
    let mut said: String = failed.iter().map(|f| format!("failed: {f}\n")).collect();
    said.push_str(&format!(
        "hostile input: {passed} passed, {} failed ({library} of them answered by the HTTP library itself, without an OperationOutcome)\n",
        failed.len()
    ));
    // past the capture of the test runner: this is to be seen when all is well, too
    std::io::stdout().write_all(said.as_bytes()).unwrap();
    assert!(failed.is_empty(), "{} failed, as said above", failed.len());
}

/// The value of `json` at `path`, as text.
fn at<'a>(json: &'a Value, path: &str) -> &'a str {
    json.pointer(path).and_then(Value::as_str).unwrap_or_default()
}
