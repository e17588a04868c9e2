//! Reads inside a Bundle: each is answered as if it had been asked by itself.

use std::borrow::Cow;

use axum::http::header::{ETAG, IF_MODIFIED_SINCE, IF_NONE_MATCH, LAST_MODIFIED};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method};
use fhir_models::codes::HttpVerb;

use super::super::answer::FHIR_JSON;
use super::super::ask::Ask;
use super::super::edge::{self, Edge};
use super::super::refused::Refused;
use super::super::{access, audit, text, types};
use super::Request;
use super::reply::Fate;

/// What came of a read.
#[derive(Debug)]
pub(super) struct Found {
    /// Its status.
    pub(super) status: u16,
    /// The version that it is of.
    pub(super) etag: Option<String>,
    /// When that was written, in microseconds.
    pub(super) updated_us: Option<i64>,
    /// The resource or the Bundle; empty for `HEAD`, and if the client has it already.
    pub(super) body: Vec<u8>,
}

/// Answers a read.
///
/// # Errors
/// Those of what is asked for.
pub(super) async fn get(edge: &Edge, ask: &Ask<'_>, request: &Request) -> Result<Fate, Refused> {
    let headers = conditions(request)?;
    let inner = inner(ask, request, &headers)?;
    let (before, path) = (ask.act.many(), inner.path.iter().map(AsRef::as_ref).collect::<Vec<&str>>());
    let answered = answered(edge, &inner, request).await;
    match &answered {
        Ok(_) => {
            let asked = format!("{} {}", request.method, request.url);
            ask.act.of_entry(before, audit::interaction(&inner.method, &path), &asked);
        }
        Err(_) => ask.act.forget(before),
    }
    answered
}

async fn answered(edge: &Edge, inner: &Ask<'_>, request: &Request) -> Result<Fate, Refused> {
    let answer = edge::within(edge, inner).await?;
    if answer.media != FHIR_JSON && !answer.body.is_empty() {
        return Err(Refused::NotAcceptable);
    }
    let header = |name: HeaderName| answer.headers.iter().find(|(n, _)| *n == name).map(|(_, v)| v.clone());
    let (etag, updated) = (header(ETAG), header(LAST_MODIFIED));
    Ok(Fate::Found(Found {
        status: answer.status.as_u16(),
        etag,
        updated_us: updated.and_then(|date| text::us_of_http_date(&date)),
        body: if request.method == HttpVerb::Head { Vec::new() } else { answer.body },
    }))
}

/// Refuses a read that is not the client's to ask for. What else is wrong with it is said in its answer.
///
/// # Errors
/// `Forbidden`.
pub(super) fn check(ask: &Ask<'_>, request: &Request) -> Result<(), Refused> {
    let none = HeaderMap::new();
    let Ok(inner) = inner(ask, request, &none) else { return Ok(()) };
    let path: Vec<&str> = inner.path.iter().map(AsRef::as_ref).collect();
    match path.split_first().and_then(|(name, below)| Some((types::kind(name)?, below))) {
        Some((kind, below)) => access::check(&inner, kind, below),
        None => Ok(()),
    }
}

/// The header lines that stand for what an entry says of its version. What the client said of the Bundle is not said of
/// its entries.
fn conditions(request: &Request) -> Result<HeaderMap, Refused> {
    let mut headers = HeaderMap::new();
    if let Some(tag) = &request.if_none_match {
        let why = "expected an entity tag as this service gives it, such as W/\"3\"";
        let tag = HeaderValue::try_from(tag).map_err(|_| Refused::value("request.ifNoneMatch", why))?;
        headers.insert(IF_NONE_MATCH, tag);
    }
    if let Some(since_us) = request.if_modified_since_us
        && let Ok(date) = HeaderValue::try_from(text::http_date(since_us))
    {
        headers.insert(IF_MODIFIED_SINCE, date);
    }
    Ok(headers)
}

fn inner<'a>(ask: &'a Ask<'_>, request: &'a Request, headers: &'a HeaderMap) -> Result<Ask<'a>, Refused> {
    let wrong = || Refused::value("request.url", "expected an address relative to the base of this service");
    let (below, query) = request.url.split_once('?').unwrap_or((&request.url, ""));
    let path: Option<Vec<Cow<'_, str>>> =
        below.split('/').map(|s| text::decoded(s, false).filter(|s| !s.is_empty())).collect();
    let path = path.ok_or_else(wrong)?;
    let name = path.first().map(AsRef::as_ref).unwrap_or_default();
    let named =
        name.starts_with(|c: char| c.is_ascii_uppercase()) && name.bytes().all(|b| b.is_ascii_alphabetic());
    if !named && name != "metadata" && !name.starts_with('$') {
        return Err(wrong());
    }
    let Ask { base, who, act, now_us, .. } = *ask;
    Ok(Ask { method: Method::GET, path, query, headers, base, who, act, now_us })
}
