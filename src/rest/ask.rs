//! What a request asks for, beside its body: path, query, preferences, preconditions.

use std::borrow::Cow;
use std::sync::Arc;

use axum::http::header::{self, HeaderName};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method};

use super::access::Who;
use super::audit::Act;
use super::limits;
use super::refused::Refused;
use super::text;
use crate::store::Token;

/// One request.
pub(super) struct Ask<'a> {
    /// Its method; `HEAD` is `GET` here.
    pub(super) method: Method,
    /// Its path below `/fhir`, decoded, without empty ends.
    pub(super) path: Vec<Cow<'a, str>>,
    /// Its query, as sent.
    pub(super) query: &'a str,
    /// Its header.
    pub(super) headers: &'a HeaderMap,
    /// The address of this service as the client calls it, with `/fhir`.
    pub(super) base: &'a str,
    /// Who asks.
    pub(super) who: &'a Who,
    /// What is recorded of it.
    pub(super) act: &'a Arc<Act>,
    /// When it came, in microseconds.
    pub(super) now_us: i64,
}

/// Parameters that say how an answer is written.
const FORMATS: &[&str] = &["_format", "_pretty"];

/// A parameter's name and value.
pub(super) type Parameter<'a> = (Cow<'a, str>, Cow<'a, str>);

/// What the client wants back from a successful write.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Return {
    /// Nothing but the header.
    Minimal,
    /// The resource.
    Representation,
    /// An OperationOutcome.
    Outcome,
}

impl<'a> Ask<'a> {
    /// Reads the header and the path of a request below `/fhir`.
    ///
    /// # Errors
    /// A path that is no text.
    pub(super) fn new(
        parts: &'a Parts,
        below: &'a str,
        base: &'a str,
        who: &'a Who,
        act: &'a Arc<Act>,
        now_us: i64,
    ) -> Result<Self, Refused> {
        let mut path = Vec::with_capacity(4);
        for segment in below.split('/').filter(|s| !s.is_empty()) {
            let segment = text::decoded(segment, false);
            path.push(segment.ok_or_else(|| Refused::value("url", "the path is not percent-encoded UTF-8"))?);
        }
        let method = if parts.method == Method::HEAD { Method::GET } else { parts.method.clone() };
        let query = parts.uri.query().unwrap_or_default();
        Ok(Ask { method, path, query, headers: &parts.headers, base, who, act, now_us })
    }

    /// A header's text, if it is sent and is text.
    pub(super) fn header(&self, name: HeaderName) -> Option<&'a str> {
        self.headers.get(name).and_then(|v| v.to_str().ok())
    }

    /// What to return after a write, `unsaid` if the client does not say.
    pub(super) fn returning(&self, unsaid: Return) -> Return {
        match self.preference("return") {
            Some("minimal") => Return::Minimal,
            Some("representation") => Return::Representation,
            Some("OperationOutcome") => Return::Outcome,
            _ => unsaid,
        }
    }

    /// Whether a parameter that is not known is an error rather than left out with a warning.
    pub(super) fn strict(&self) -> bool {
        self.preference("handling") == Some("strict")
    }

    fn preference(&self, name: &str) -> Option<&'a str> {
        let values = self.headers.get_all("prefer").iter().filter_map(|v| v.to_str().ok());
        values.flat_map(|v| v.split([',', ';'])).find_map(|part| {
            let (key, value) = part.split_once('=')?;
            key.trim().eq_ignore_ascii_case(name).then(|| value.trim().trim_matches('"'))
        })
    }

    /// The version that the client read.
    ///
    /// # Errors
    /// A header that is no entity tag of this service.
    pub(super) fn if_match(&self) -> Result<Option<u64>, Refused> {
        let Some(value) = self.headers.get(header::IF_MATCH) else { return Ok(None) };
        if_match(value.to_str().unwrap_or_default()).map(Some)
    }

    /// The identifier of a conditional create. Some clients put it in the address: to leave it out there would make
    /// what they want once a second time.
    ///
    /// # Errors
    /// Criteria that are not one identifier, or not the same in both places.
    pub(super) fn if_none_exist(&self) -> Result<Option<Token>, Refused> {
        let header = self.headers.get("if-none-exist").map(|v| v.to_str().unwrap_or_default());
        let header = header.map(|value| criteria(value, "If-None-Exist")).transpose()?;
        let asked = parameters(self.query)?.into_iter().any(|(name, _)| !FORMATS.contains(&&*name));
        let address = asked.then(|| criteria(self.query, "url")).transpose()?;
        if header.is_some() && address.is_some() && header != address {
            return Err(Refused::not_supported("url", "expected the criterion of If-None-Exist"));
        }
        Ok(header.or(address))
    }

    /// Whether the client has what has this entity tag and was last changed at `updated_us` already.
    pub(super) fn has(&self, tag: &str, updated_us: i64) -> bool {
        has(self.headers, tag, updated_us)
    }

    /// Refuses a client that accepts nothing that is offered here; `beside` is the media type that is offered too, empty
    /// if none is.
    ///
    /// # Errors
    /// `NotAcceptable`.
    pub(super) fn acceptable(&self, beside: &str) -> Result<(), Refused> {
        let format = parameters(self.query)?.into_iter().find(|(name, _)| name == "_format");
        if let Some((_, format)) = format {
            return if is_offered(&format, beside) { Ok(()) } else { Err(Refused::NotAcceptable) };
        }
        let mut said = false;
        for value in self.headers.get_all(header::ACCEPT) {
            for range in value.to_str().unwrap_or_default().split(',').filter(|r| !r.trim().is_empty()) {
                said = true;
                if is_offered(range, beside) {
                    return Ok(());
                }
            }
        }
        if said { Err(Refused::NotAcceptable) } else { Ok(()) }
    }

    /// Whether the client would rather have this media type.
    pub(super) fn wants(&self, media: &str) -> bool {
        let format = parameters(self.query).unwrap_or_default().into_iter().find(|(n, _)| n == "_format");
        let wanted = format.map(|(_, f)| f);
        let wanted = wanted.as_deref().or_else(|| self.header(header::ACCEPT)).unwrap_or_default();
        wanted.trim_start().starts_with(media)
    }
}

/// Whether a client with these header lines has what has this entity tag and was last changed at `updated_us` already.
/// The tag decides where both are asked, as it is the more exact.
pub(super) fn has(headers: &HeaderMap, tag: &str, updated_us: i64) -> bool {
    let bare = |t: &str| t.trim().trim_start_matches("W/").to_owned();
    let sent = |name: HeaderName| headers.get(name).and_then(|v| v.to_str().ok());
    if let Some(sent) = sent(header::IF_NONE_MATCH) {
        return sent.trim() == "*" || sent.split(',').any(|t| bare(t) == bare(tag));
    }
    let since = sent(header::IF_MODIFIED_SINCE).and_then(text::us_of_http_date);
    // a date of HTTP has whole seconds
    since.is_some_and(|since| updated_us.div_euclid(1_000_000) <= since.div_euclid(1_000_000))
}

/// The version in an `If-Match`.
///
/// # Errors
/// No entity tag of this service.
pub(super) fn if_match(value: &str) -> Result<u64, Refused> {
    text::version_of_etag(value).ok_or_else(|| {
        Refused::value("If-Match", "expected an entity tag as this service gives it, such as W/\"3\"")
    })
}

/// The identifier in the criteria of a conditional interaction: `identifier=system|value`, or the same after `Type?`.
///
/// # Errors
/// Anything but one identifier.
pub(super) fn criteria(value: &str, at: &str) -> Result<Token, Refused> {
    let query = value.rsplit_once('?').map_or(value, |(_, query)| query);
    let mut found = parameters(query)?.into_iter().filter(|(name, _)| !FORMATS.contains(&&**name));
    match (found.next(), found.next()) {
        (Some((name, value)), None) if name == "identifier" => token(&value, at),
        _ => Err(Refused::not_supported(at, "expected one criterion, identifier=system|value")),
    }
}

/// `system|value`, `|value` (no system) or `value` (any system).
///
/// # Errors
/// No value.
pub(super) fn token(text: &str, at: &str) -> Result<Token, Refused> {
    let (system, value) = match text.split_once('|') {
        Some((system, value)) => (Some(system.to_owned()), value),
        None => (None, text),
    };
    if value.is_empty() {
        return Err(Refused::value(at, "expected an identifier as system|value"));
    }
    Ok(Token { system, value: value.to_owned() })
}

/// The parameters of a query, decoded, in their order.
///
/// # Errors
/// One that is not percent-encoded UTF-8, or too many, or too long.
pub(super) fn parameters(query: &str) -> Result<Vec<Parameter<'_>>, Refused> {
    let mut out = Vec::new();
    for pair in query.split('&').filter(|p| !p.is_empty()) {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        let decoded = text::decoded(name, true).zip(text::decoded(value, true));
        let (name, value) =
            decoded.ok_or_else(|| Refused::value("url", "the query is not percent-encoded UTF-8"))?;
        if value.contains('\0') {
            return Err(Refused::value("url", "the character U+0000 is in no parameter"));
        }
        if value.len() > limits::QUERY_VALUE_BYTES || out.len() >= limits::QUERY_PARAMETERS {
            let (most, long) = (limits::QUERY_PARAMETERS, limits::QUERY_VALUE_BYTES);
            let why =
                format!("a query has at most {most} parameters, each with a value of at most {long} bytes");
            return Err(Refused::too_costly("url", why));
        }
        out.push((name, value));
    }
    Ok(out)
}

/// Whether a media range or a `_format` takes JSON, or what is offered beside it.
fn is_offered(range: &str, beside: &str) -> bool {
    let mut pieces = range.split(';').map(str::trim);
    let name = pieces.next().unwrap_or_default();
    for parameter in pieces {
        let (key, value) = parameter.split_once('=').unwrap_or((parameter, ""));
        let value = value.trim().trim_matches('"');
        match key.trim().to_ascii_lowercase().as_str() {
            "fhirversion" if !is_r4(value) => return false,
            "q" if value.parse::<f32>().is_ok_and(|q| q <= 0.0) => return false,
            _ => {}
        }
    }
    // a plus in a query that was meant as one has become a space
    match name.to_ascii_lowercase().as_str() {
        "application/fhir+json"
        | "application/fhir json"
        | "application/json"
        | "application/*"
        | "*/*"
        | "json"
        | "text/json" => true,
        "text/*" => !beside.is_empty(),
        other => !beside.is_empty() && other == beside,
    }
}

/// Whether a `fhirVersion` parameter means the version that is spoken here.
pub(super) fn is_r4(version: &str) -> bool {
    version == "4.0" || version.starts_with("4.0.")
}
