//! How a document is read and written at the place.

use reqwest::Method;
use reqwest::header::{ETAG, HeaderName, IF_MATCH, IF_NONE_MATCH, LOCATION};
use serde_json::Value;

use super::super::limits;
use super::Parts;
use crate::outward::{Answer, Failure, Page, Request};

/// A document as it was found there.
#[derive(Clone, Debug)]
pub(super) struct Found {
    /// Its logical id there.
    pub(super) id: String,
    /// Its version there, if it says one.
    pub(super) version: Option<String>,
    /// What it says.
    pub(super) document: Value,
}

/// Where and under which condition a document is written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Put {
    /// Under this id, if nothing is there.
    New(String),
    /// Under this id, if it is at this version; none: whatever is there, which has just been read.
    Over(String, Option<String>),
    /// Where the identifier (`system|value`) is, or as a new one.
    Identified(String),
    /// As a new one, unless the identifier is there.
    Unidentified(String),
}

/// What became of a request.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Trouble {
    /// The place does not answer, or not us; when it wants to be asked again, in microseconds.
    Away { why: String, pause_us: Option<i64> },
    /// It could not be done this time.
    Stuck(String),
    /// What is there is not what was meant.
    Conflict,
    /// Nothing is there, or it cannot be done in this way.
    Absent { status: u16 },
    /// The document is not taken.
    Refused { why: String },
}

impl From<Failure> for Trouble {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::NoToken(_) => {
                Trouble::Away { why: failure.to_string(), pause_us: Some(limits::DENIED_PAUSE_US) }
            }
            Failure::Unreached(_) => Trouble::Away { why: failure.to_string(), pause_us: None },
            Failure::NotAllowed(_) | Failure::TooLong(_) | Failure::Broken => {
                Trouble::Stuck(failure.to_string())
            }
        }
    }
}

impl Parts {
    /// Reads a document.
    pub(super) async fn read(&self, kind: &str, id: &str) -> Result<Option<Found>, Trouble> {
        match self.ask(Request::get(format!("{kind}/{id}"))).await {
            Ok(answer) => {
                let found = found(&answer.body, kind)?;
                if found.id != id {
                    return Err(Trouble::Stuck(
                        "another document was answered than was asked for".to_owned(),
                    ));
                }
                Ok(Some(Found { version: version(&answer).or(found.version), ..found }))
            }
            Err(Trouble::Absent { status: 404 | 410 }) => Ok(None),
            Err(trouble) => Err(trouble),
        }
    }

    /// Finds the one document that has an identifier.
    pub(super) async fn identified(&self, kind: &str, identifier: &str) -> Result<Option<Found>, Trouble> {
        let asked: String = url::form_urlencoded::byte_serialize(identifier.as_bytes()).collect();
        let answer = match self.ask(Request::get(format!("{kind}?identifier={asked}"))).await {
            Err(Trouble::Absent { .. }) => {
                // more likely its address is wrong than that it does neither
                let why = "the server neither takes our ids nor is searched by identifier";
                return Err(Trouble::Stuck(why.to_owned()));
            }
            answer => answer?,
        };
        let page = Page::read(&answer)
            .ok_or_else(|| Trouble::Stuck("the answer is no Bundle in FHIR's JSON".to_owned()))?;
        let mut all = Vec::new();
        for body in page.found() {
            let one = found(body.get().as_bytes(), kind)?;
            // a server that does not know the parameter may answer everything
            if has_identifier(&one.document, identifier) {
                all.push(one);
            }
        }
        match all.len() {
            0 | 1 => Ok(all.pop()),
            _ => Err(Trouble::Refused { why: "several documents there have its identifier".to_owned() }),
        }
    }

    /// Writes a document; returns its id and version there.
    pub(super) async fn write(
        &self,
        kind: &str,
        put: &Put,
        body: Vec<u8>,
    ) -> Result<(String, Option<String>), Trouble> {
        let prefer = HeaderName::from_static("prefer");
        let (request, expected) = match put {
            Put::New(id) => {
                let request = Request::send(Method::PUT, format!("{kind}/{id}"), body);
                (request.with(IF_NONE_MATCH, "*"), Some(id))
            }
            Put::Over(id, version) => {
                let request = Request::send(Method::PUT, format!("{kind}/{id}"), body);
                let etag = version.as_ref().map(|version| format!("W/\"{version}\""));
                (etag.iter().fold(request, |request, etag| request.with(IF_MATCH, etag)), Some(id))
            }
            Put::Identified(identifier) => {
                let asked: String = url::form_urlencoded::byte_serialize(identifier.as_bytes()).collect();
                (Request::send(Method::PUT, format!("{kind}?identifier={asked}"), body), None)
            }
            Put::Unidentified(identifier) => {
                let asked: String = url::form_urlencoded::byte_serialize(identifier.as_bytes()).collect();
                let request = Request::send(Method::POST, kind, body);
                (request.with(HeaderName::from_static("if-none-exist"), &format!("identifier={asked}")), None)
            }
        };
        // what is answered is wanted where the id is not known before
        let wanted = if expected.is_some() { "return=minimal" } else { "return=representation" };
        let answer = self.ask(request.with(prefer, wanted)).await?;
        let said = match answer.body.iter().all(u8::is_ascii_whitespace) {
            true => None,
            false => Some(
                found(&answer.body, kind)
                    .or_else(|trouble| if is_outcome(&answer.body) { Ok(nothing()) } else { Err(trouble) })?,
            ),
        };
        let said = said.filter(|said| !said.id.is_empty());
        let id = match (expected, &said) {
            (Some(id), Some(said)) if said.id != *id => {
                return Err(Trouble::Stuck("the answer is about another document".to_owned()));
            }
            (Some(id), _) => id.clone(),
            (None, Some(said)) => said.id.clone(),
            (None, None) => located(&answer, kind).ok_or_else(|| {
                Trouble::Stuck("the server does not say under which id it wrote".to_owned())
            })?,
        };
        Ok((id, version(&answer).or_else(|| said.and_then(|said| said.version))))
    }

    /// Deletes a document.
    pub(super) async fn remove(&self, kind: &str, id: &str) -> Result<(), Trouble> {
        let request = Request { method: Method::DELETE, ..Request::get(format!("{kind}/{id}")) };
        match self.ask(request).await {
            Ok(_) | Err(Trouble::Absent { status: 404 | 410 }) => Ok(()),
            Err(trouble) => Err(trouble),
        }
    }

    /// Asks, and says what a status that is no success means.
    pub(super) async fn ask(&self, request: Request) -> Result<Answer, Trouble> {
        let now_us = self.clock.now().micros();
        let request =
            Request { longest: request.longest.max(crate::outward::limits::ANSWER_BYTES), ..request };
        let answer = self.server.ask(request, now_us).await?;
        let status = answer.status.as_u16();
        let why = format!("the server answered {status}");
        Err(match status {
            200..=299 => return Ok(answer),
            401 | 403 => Trouble::Away {
                why: format!("{why}: we may not"),
                pause_us: Some(limits::DENIED_PAUSE_US.max(answer.pause_us(now_us).unwrap_or(0))),
            },
            300..=399 => Trouble::Away {
                why: format!("{why}, and a redirection is not followed"),
                pause_us: Some(limits::DENIED_PAUSE_US),
            },
            408 | 425 | 429 | 503 => Trouble::Away { why, pause_us: answer.pause_us(now_us) },
            409 | 412 => Trouble::Conflict,
            404 | 405 | 410 | 501 => Trouble::Absent { status },
            500..=599 => Trouble::Stuck(why),
            _ => Trouble::Refused { why },
        })
    }
}

/// What a body says.
fn found(body: &[u8], kind: &str) -> Result<Found, Trouble> {
    let stuck = |why: &str| Trouble::Stuck(why.to_owned());
    fhir_models::json::scan(body).map_err(|_| stuck("the answer is no resource in FHIR's JSON"))?;
    let document: Value =
        serde_json::from_slice(body).map_err(|_| stuck("the answer is no resource in FHIR's JSON"))?;
    let text = |at: &str| document.pointer(at).and_then(Value::as_str);
    if text("/resourceType") != Some(kind) {
        return Err(stuck("the answer is a resource of another type"));
    }
    let id = text("/id").filter(|id| fhir_models::primitive::is_id(id));
    let id = id.ok_or_else(|| stuck("the answer has no id"))?.to_owned();
    let version = text("/meta/versionId").map(str::to_owned);
    Ok(Found { id, version, document })
}

fn nothing() -> Found {
    Found { id: String::new(), version: None, document: Value::Null }
}

fn is_outcome(body: &[u8]) -> bool {
    serde_json::from_slice::<Value>(body)
        .is_ok_and(|b| b.get("resourceType").is_some_and(|t| t == "OperationOutcome"))
}

/// The version that an answer names: `W/"3"`.
fn version(answer: &Answer) -> Option<String> {
    let text = answer.headers.get(ETAG)?.to_str().ok()?.trim();
    let bare = text.strip_prefix("W/").unwrap_or(text);
    let version = bare.strip_prefix('"')?.strip_suffix('"')?;
    (!version.is_empty() && !version.contains('"')).then(|| version.to_owned())
}

/// The id in the address of what was written.
fn located(answer: &Answer, kind: &str) -> Option<String> {
    let text = answer.headers.get(LOCATION)?.to_str().ok()?;
    let mut parts = text.split('/').skip_while(|part| *part != kind).skip(1);
    parts.next().filter(|id| fhir_models::primitive::is_id(id)).map(str::to_owned)
}

fn has_identifier(document: &Value, identifier: &str) -> bool {
    let all = document.get("identifier").and_then(Value::as_array);
    all.into_iter().flatten().any(|one| self::identifier(one).as_deref() == Some(identifier))
}

/// An identifier as it is searched by.
pub(super) fn identifier(one: &Value) -> Option<String> {
    let text = |name: &str| one.get(name).and_then(Value::as_str);
    Some(format!("{}|{}", text("system")?, text("value")?))
}
