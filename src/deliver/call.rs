//! One call of a subscriber, and what its answer means. The answer is not trusted: only its status and when to come
//! again are looked at.

use std::error::Error;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};
use reqwest::{Client, Method, RequestBuilder, Response, StatusCode, Url};

use super::limits;
use crate::outward::{NotAllowed, retry_after};
use crate::translate::subscription::Hook;

/// What is sent.
pub(super) struct Call {
    pub(super) method: Method,
    pub(super) url: Url,
    /// FHIR's JSON; none: nothing.
    pub(super) body: Option<Vec<u8>>,
}

/// Why a call has not reached its end.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Failure {
    /// It may work later; when the subscriber says so, after how many microseconds.
    Later { why: String, after_us: Option<i64> },
    /// The subscriber takes nothing from us, or not here.
    Denied { why: String },
    /// The subscriber does not take this notification.
    Refused { why: String },
    /// Never again: the subscriber is gone, or may not be called.
    Never { why: String },
}

impl Failure {
    pub(super) fn why(&self) -> &str {
        match self {
            Failure::Later { why, .. }
            | Failure::Denied { why }
            | Failure::Refused { why }
            | Failure::Never { why } => why,
        }
    }
}

/// Calls a subscriber.
///
/// # Errors
/// It was not called, did not answer in time, or did not take it.
pub(super) async fn call(client: &Client, hook: &Hook, call: Call, now_us: i64) -> Result<(), Failure> {
    let time = Duration::from_secs(hook.timeout_s.into());
    let request = client.request(call.method, call.url).timeout(time).headers(headers(hook));
    let request: RequestBuilder = match call.body {
        Some(body) => {
            request.header(CONTENT_TYPE, HeaderValue::from_static("application/fhir+json")).body(body)
        }
        None => request.header(reqwest::header::CONTENT_LENGTH, HeaderValue::from_static("0")),
    };
    match request.send().await {
        Ok(response) => {
            let judged = judge(response.status(), response.headers(), now_us);
            drain(response).await;
            judged
        }
        Err(error) => Err(unreached(&error)),
    }
}

fn headers(hook: &Hook) -> HeaderMap {
    let pair = |(name, value): &(String, String)| {
        let mut value = HeaderValue::from_str(value).ok()?;
        value.set_sensitive(true);
        Some((HeaderName::from_bytes(name.as_bytes()).ok()?, value))
    };
    hook.headers.iter().filter_map(pair).collect()
}

/// What a status means.
fn judge(status: StatusCode, headers: &HeaderMap, now_us: i64) -> Result<(), Failure> {
    let why = format!("the subscriber answered {}", status.as_u16());
    match status.as_u16() {
        200..=299 => Ok(()),
        300..=399 => Err(Failure::Denied { why: format!("{why}, and a redirection is not followed") }),
        408 | 425 | 429 | 500..=599 => {
            Err(Failure::Later { why, after_us: retry_after(headers, now_us, limits::ASKED_PAUSE_US) })
        }
        400 | 409 | 411..=415 | 422 => Err(Failure::Refused { why }),
        410 => Err(Failure::Never { why }),
        _ => Err(Failure::Denied { why }),
    }
}

/// Reads the answer to its end if that is near, so that the connection can be used again.
async fn drain(mut response: Response) {
    let mut read = 0;
    while let Ok(Some(chunk)) = response.chunk().await {
        read += chunk.len();
        if read > limits::ANSWER_BYTES {
            return;
        }
    }
}

/// Why there is no answer, without the address: it may hold a secret.
fn unreached(error: &reqwest::Error) -> Failure {
    let mut cause: Option<&(dyn Error + 'static)> = error.source();
    while let Some(inner) = cause {
        if let Some(refused) = inner.downcast_ref::<NotAllowed>() {
            return Failure::Never { why: refused.to_string() };
        }
        cause = inner.source();
    }
    let why = if error.is_timeout() {
        "the subscriber did not answer in time"
    } else if error.is_connect() {
        "the subscriber could not be reached"
    } else {
        "the subscriber ended the connection before it answered"
    };
    Failure::Later { why: why.to_owned(), after_us: None }
}
