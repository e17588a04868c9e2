//! The body of a request: its type, its length, how long it may take, and what all bodies together may hold.

use std::convert::Infallible;
use std::future::poll_fn;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes, HttpBody};
use axum::http::header::{CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{HeaderMap, Request, Response};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tower::{ServiceExt, service_fn};
use tower_http::decompression::{DecompressionBody, RequestDecompression};

use super::refused::Refused;
use super::{ask, limits};

/// The media type of a JSON Patch.
pub(super) const PATCH: &str = "application/json-patch+json";

/// What all bodies that are held at once may take.
#[derive(Clone, Debug)]
pub(super) struct Budget {
    bytes: Arc<Semaphore>,
    longest: usize,
    time: Duration,
}

/// A body, and its share of the budget until it is dropped.
#[derive(Debug)]
pub(super) struct Held {
    /// The body, inflated.
    pub(super) bytes: Bytes,
    _share: Option<OwnedSemaphorePermit>,
}

/// Which bodies an address takes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Takes {
    /// A resource as JSON.
    Json,
    /// The parameters of a search.
    Form,
    /// None, or a resource as JSON.
    MaybeJson,
    /// A JSON Patch.
    Patch,
}

impl Budget {
    /// A budget of so many bytes for all, and of so many and so much time for one.
    pub(super) fn new(all: usize, longest: usize, time: Duration) -> Self {
        Budget { bytes: Arc::new(Semaphore::new(all.min(Semaphore::MAX_PERMITS))), longest, time }
    }

    /// Receives a body.
    ///
    /// # Errors
    /// A type that is not taken, a body that is too long, slow, cut short or not gzip, or a budget that is spent.
    pub(super) async fn receive(
        &self,
        headers: &HeaderMap,
        body: Body,
        takes: Takes,
    ) -> Result<Held, Refused> {
        let length = content_length(headers);
        if takes == Takes::MaybeJson && HttpBody::size_hint(&body).exact() == Some(0) {
            return Ok(Held { bytes: Bytes::new(), _share: None });
        }
        check_type(headers, takes)?;
        if length.is_some_and(|l| l > self.longest as u64) {
            return Err(Refused::BodyTooLong);
        }
        let gzip = gzip(headers)?;
        let body = if gzip { inflated(headers, body).await? } else { body };
        let length = if gzip { None } else { length };
        let received = tokio::time::timeout(self.time, self.collect(body, length)).await;
        match received {
            Err(_) => Err(Refused::Slow),
            Ok(Err(Refused::Incomplete)) if gzip => Err(Refused::NotGzip),
            Ok(received) => received,
        }
    }

    async fn collect(&self, mut body: Body, length: Option<u64>) -> Result<Held, Refused> {
        let mut share = None;
        // what a client says it will send takes nothing from others before it comes
        let mut held = 0;
        let announced = length.and_then(|l| usize::try_from(l).ok()).unwrap_or_default();
        let mut first = Bytes::new();
        let mut rest: Vec<u8> = Vec::new();
        while let Some(frame) = poll_fn(|cx| Pin::new(&mut body).poll_frame(cx)).await {
            let Ok(data) = frame.map_err(|_| Refused::Incomplete)?.into_data() else { continue };
            let so_far = first.len().max(rest.len()) + data.len();
            if so_far > self.longest {
                return Err(Refused::BodyTooLong);
            }
            self.take(&mut share, &mut held, so_far)?;
            if first.is_empty() {
                first = data;
                continue;
            }
            if rest.is_empty() {
                rest.reserve(announced.min(limits::SET_ASIDE_BYTES).max(so_far));
                rest.extend_from_slice(&first);
            }
            rest.extend_from_slice(&data);
        }
        let bytes = if rest.is_empty() { first } else { Bytes::from(rest) };
        Ok(Held { bytes, _share: share })
    }

    /// Brings the share up to `wanted` bytes.
    fn take(
        &self,
        share: &mut Option<OwnedSemaphorePermit>,
        held: &mut usize,
        wanted: usize,
    ) -> Result<(), Refused> {
        let Some(more) = wanted.checked_sub(*held).filter(|m| *m > 0) else { return Ok(()) };
        let more_permits = u32::try_from(more).map_err(|_| Refused::BodyTooLong)?;
        let permits =
            self.bytes.clone().try_acquire_many_owned(more_permits).map_err(|_| Refused::Throttled)?;
        match share {
            Some(share) => share.merge(permits),
            None => *share = Some(permits),
        }
        *held += more;
        Ok(())
    }
}

fn content_length(headers: &HeaderMap) -> Option<u64> {
    headers.get(CONTENT_LENGTH)?.to_str().ok()?.parse().ok()
}

fn check_type(headers: &HeaderMap, takes: Takes) -> Result<(), Refused> {
    let wanted = match takes {
        Takes::Json | Takes::MaybeJson => "application/fhir+json in UTF-8, of FHIR 4.0",
        Takes::Form => "application/x-www-form-urlencoded in UTF-8",
        Takes::Patch => "application/json-patch+json in UTF-8",
    };
    let refused = || Refused::MediaType(wanted);
    let value = headers.get(CONTENT_TYPE).and_then(|v| v.to_str().ok()).ok_or_else(refused)?;
    let mut pieces = value.split(';').map(str::trim);
    let name = pieces.next().unwrap_or_default().to_ascii_lowercase();
    let right = match takes {
        Takes::Json | Takes::MaybeJson => {
            matches!(name.as_str(), "application/fhir+json" | "application/json" | "text/json")
        }
        Takes::Form => name == "application/x-www-form-urlencoded",
        Takes::Patch => name == PATCH,
    };
    let parameters_fit = pieces.all(|parameter| {
        let (key, value) = parameter.split_once('=').unwrap_or((parameter, ""));
        let value = value.trim().trim_matches('"').to_ascii_lowercase();
        match key.trim().to_ascii_lowercase().as_str() {
            "charset" => value == "utf-8" || value == "utf8",
            "fhirversion" => ask::is_r4(&value),
            _ => true,
        }
    });
    if right && parameters_fit { Ok(()) } else { Err(refused()) }
}

/// Whether the body is gzip; no other encoding is read, nor two of them.
fn gzip(headers: &HeaderMap) -> Result<bool, Refused> {
    let mut values = headers.get_all(CONTENT_ENCODING).iter();
    match (values.next().map(|v| v.as_bytes()), values.next()) {
        (None | Some(b"identity"), None) => Ok(false),
        (Some(b"gzip"), None) => Ok(true),
        _ => Err(Refused::MediaType("sent as it is, or with Content-Encoding: gzip")),
    }
}

async fn inflated(headers: &HeaderMap, body: Body) -> Result<Body, Refused> {
    let back = service_fn(|request: Request<DecompressionBody<Body>>| async move {
        Ok::<_, Infallible>(Response::new(Body::new(request.into_body())))
    });
    let mut request = Request::new(body);
    if let Some(encoding) = headers.get(CONTENT_ENCODING) {
        request.headers_mut().insert(CONTENT_ENCODING, encoding.clone());
    }
    let answer = RequestDecompression::new(back).oneshot(request).await;
    answer.map(|a| Body::new(a.into_body())).map_err(|_| Refused::NotGzip)
}
