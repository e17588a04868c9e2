//! What goes back.

use axum::body::Body;
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{Response, StatusCode};

use super::json;
use super::limits;
use super::refused::{Refused, Unknown};

/// FHIR's JSON.
pub(super) const FHIR_JSON: &str = "application/fhir+json; charset=utf-8";
/// A table.
pub(super) const CSV: &str = "text/csv; charset=utf-8; header=present";
/// Plain text.
pub(super) const TEXT: &str = "text/plain; charset=utf-8";

/// An answer before it is sent.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Answer {
    /// Its status.
    pub(super) status: StatusCode,
    /// Its type; it has none without a body.
    pub(super) media: &'static str,
    /// Further header lines.
    pub(super) headers: Vec<(HeaderName, String)>,
    /// Its body.
    pub(super) body: Vec<u8>,
}

impl Answer {
    /// FHIR's JSON.
    pub(super) fn json(status: StatusCode, body: impl Into<Vec<u8>>) -> Self {
        Answer { status, media: FHIR_JSON, headers: Vec::new(), body: body.into() }
    }

    /// Plain text.
    pub(super) fn text(body: String) -> Self {
        Answer { status: StatusCode::OK, media: TEXT, headers: Vec::new(), body: body.into_bytes() }
    }

    /// No body.
    pub(super) fn empty(status: StatusCode) -> Self {
        Answer { status, media: "", headers: Vec::new(), body: Vec::new() }
    }

    /// With one more header line.
    pub(super) fn with(mut self, name: HeaderName, value: String) -> Self {
        self.headers.push((name, value));
        self
    }

    /// With a line for each value, if `pretty` and if it is FHIR's JSON.
    pub(super) fn pretty_if(mut self, pretty: bool) -> Self {
        if pretty && self.media == FHIR_JSON && !self.body.is_empty() {
            self.body = json::pretty(&self.body).unwrap_or(self.body);
        }
        self
    }

    /// As it is sent; without its body for `HEAD`.
    pub(super) fn into_response(self, head: bool) -> Response<Body> {
        let length = self.body.len();
        let mut response = Response::new(if head { Body::empty() } else { Body::from(self.body) });
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        if length > 0 {
            headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(self.media));
            if head {
                headers.insert(header::CONTENT_LENGTH, HeaderValue::from(length));
            }
        }
        for (name, value) in self.headers {
            if let Ok(value) = HeaderValue::try_from(value) {
                headers.append(name, value);
            }
        }
        response
    }
}

impl From<Refused> for Answer {
    fn from(refused: Refused) -> Self {
        let (status, _) = refused.status_and_code();
        let answer = Answer::json(status, refused.outcome());
        if let Refused::Method(allowed) = refused {
            return answer.with(header::ALLOW, allowed.to_owned());
        }
        if let Refused::Unknown(unknown) = refused {
            // a request without a token is told no more than how (RFC 6750, 3.1)
            let error = if unknown == Unknown::NoToken { "" } else { ", error=\"invalid_token\"" };
            return answer.with(header::WWW_AUTHENTICATE, format!("Bearer realm=\"terce\"{error}"));
        }
        if matches!(refused, Refused::Forbidden { .. }) {
            let challenge = "Bearer realm=\"terce\", error=\"insufficient_scope\"";
            return answer.with(header::WWW_AUTHENTICATE, challenge.to_owned());
        }
        if refused == Refused::TooManyFailures {
            let span = crate::access::limits::FAILURES_SPAN.as_secs();
            return answer.with(header::RETRY_AFTER, span.to_string());
        }
        if matches!(refused, Refused::Throttled | Refused::NoSpace | Refused::Unavailable) {
            return answer.with(header::RETRY_AFTER, limits::RETRY_AFTER_S.to_owned());
        }
        if matches!(refused, Refused::BodyTooLong | Refused::Slow | Refused::Incomplete) {
            // where the next request would begin is not known
            return answer.with(header::CONNECTION, "close".to_owned());
        }
        answer
    }
}
