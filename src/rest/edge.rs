//! Where every request comes in and goes out.

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use axum::body::Body;
use axum::extract::State;
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, Request, Response, StatusCode};
use tower_http::catch_panic::ResponseForPanic;

use super::answer::Answer;
use super::ask::Ask;
use super::audit::{self, Act};
use super::body::{Budget, Held, Takes};
use super::refused::{Issue, Refused, outcome};
use super::server::Peer;
use super::types::{self, KINDS, Kind};
use super::{
    Metrics, Outcome, Rest, bundle, capability, limits, operations, probes, read, search, text, write,
};
use crate::store::Audit;

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
const CORRELATION_ID: HeaderName = HeaderName::from_static("x-correlation-id");

/// What every request needs.
pub(super) struct Edge {
    /// The parts of the service.
    pub(super) rest: Rest,
    /// What bodies may take.
    pub(super) budget: Budget,
    /// When this process began, in microseconds: the date of its CapabilityStatement.
    pub(super) since_us: i64,
    /// When it was last seen whether writing works.
    pub(super) probed: probes::Probed,
    /// Begins the ids of requests that bring none.
    run: String,
    requests: AtomicU64,
}

impl Edge {
    /// For one router.
    pub(super) fn new(rest: Rest) -> Self {
        let budget = Budget::new(rest.in_flight_bytes, rest.body_bytes, rest.body_time);
        let run = uuid::Uuid::new_v4().simple().to_string();
        let since_us = rest.clock.now().micros();
        Edge { rest, budget, since_us, probed: probes::Probed::default(), run, requests: AtomicU64::new(0) }
    }

    /// The id of a request: the client's if it is a plain one.
    fn request_id(&self, headers: &HeaderMap) -> HeaderValue {
        if let Some(sent) = headers.get(REQUEST_ID).filter(|v| is_plain(v)) {
            return sent.clone();
        }
        let number = self.requests.fetch_add(1, Ordering::Relaxed);
        let id = format!("{}-{number}", self.run);
        HeaderValue::try_from(id).unwrap_or(HeaderValue::from_static("-"))
    }

    /// Receives the body of a request.
    pub(super) async fn receive(&self, ask: &Ask<'_>, body: Body, takes: Takes) -> Result<Held, Refused> {
        self.budget.receive(ask.headers, body, takes).await
    }
}

/// Answers a request.
pub(super) async fn answer(State(edge): State<Arc<Edge>>, request: Request<Body>) -> Response<Body> {
    let (parts, body) = request.into_parts();
    let id = edge.request_id(&parts.headers);
    let (row, answered) = match parts.uri.path().strip_prefix("/fhir") {
        Some(below) if below.is_empty() || below.starts_with('/') => {
            fhir(&edge, &parts, &id, below, body).await
        }
        _ => (KINDS.len(), beside(&edge, &parts).await),
    };
    let answer = answered.unwrap_or_else(Answer::from);
    edge.rest.metrics.answered(row, answer.status);
    let mut response = answer.into_response(parts.method == Method::HEAD);
    let headers = response.headers_mut();
    headers.insert(REQUEST_ID, id);
    if let Some(sent) = parts.headers.get(CORRELATION_ID).filter(|v| is_plain(v)) {
        headers.insert(CORRELATION_ID, sent.clone());
    }
    guard(headers);
    response
}

/// What every answer says to browsers and caches.
fn guard(headers: &mut HeaderMap) {
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static("default-src 'none'; frame-ancestors 'none'"),
    );
}

fn is_plain(value: &HeaderValue) -> bool {
    let allowed = |b: &u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b'_');
    (1..=64).contains(&value.len()) && value.as_bytes().iter().all(allowed)
}

/// The address of `/fhir` as the client calls it.
fn base(edge: &Edge, parts: &Parts) -> String {
    if let Some(base) = &edge.rest.public_base {
        return base.to_string();
    }
    let host = parts.headers.get(header::HOST).and_then(|h| h.to_str().ok());
    let host = host.or_else(|| parts.uri.authority().map(|a| a.as_str()));
    let plain = |h: &&str| {
        h.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b':' | b'[' | b']'))
    };
    format!("http://{}/fhir", host.filter(plain).unwrap_or("localhost"))
}

/// What is asked below `/fhir`, and the row that it is counted in.
async fn fhir(edge: &Edge, parts: &Parts, id: &HeaderValue, below: &str, body: Body) -> (usize, Outcome) {
    let base = base(edge, parts);
    let act = Arc::new(act(parts, id));
    let ask = match Ask::new(parts, below, &base, &act, edge.rest.clock.now().micros()) {
        Ok(ask) => ask,
        Err(refused) => return (KINDS.len(), Err(refused)),
    };
    let row = ask.path.first().and_then(|name| types::kind(name)).map_or(KINDS.len(), Kind::index);
    let path: Vec<&str> = ask.path.iter().map(AsRef::as_ref).collect();
    let Some(deed) = audit::deed(&ask.method, &path) else { return (row, route(edge, &ask, body).await) };
    act.is(deed);
    let answered = route(edge, &ask, body).await;
    (row, edge.rest.record(&act, ask.now_us, answered).await)
}

/// A request as it will be recorded.
fn act(parts: &Parts, id: &HeaderValue) -> Act {
    let asked = parts.uri.path_and_query().map_or("", |asked| asked.as_str());
    let from = parts.extensions.get::<Peer>().map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |peer| peer.0);
    Act::new(Audit {
        who: "anonymous".to_owned(),
        from: from.to_string(),
        request: id.to_str().unwrap_or_default().to_owned(),
        asked: text::cut(asked, limits::AUDIT_ASKED_BYTES).to_owned(),
        ..Audit::default()
    })
}

async fn route(edge: &Edge, ask: &Ask<'_>, body: Body) -> Outcome {
    let explains = ask.path.get(2).is_some_and(|p| p == "$explain");
    ask.acceptable(explains)?;
    let path: Vec<&str> = ask.path.iter().map(AsRef::as_ref).collect();
    match path.as_slice() {
        [] => match ask.method {
            Method::POST => bundle::post(edge, ask, edge.receive(ask, body, Takes::Json).await?).await,
            _ => Err(Refused::Method("POST")),
        },
        ["metadata"] => match ask.method {
            Method::GET => capability::answer(edge, ask),
            _ => Err(Refused::Method("GET, HEAD")),
        },
        ["AuditEvent", rest @ ..] => audit::serve(&edge.rest, ask, rest).await,
        [name, rest @ ..] => {
            let kind = types::kind(name).ok_or(Refused::UnknownType)?;
            of_kind(edge, ask, kind, rest, body).await
        }
    }
}

async fn of_kind(edge: &Edge, ask: &Ask<'_>, kind: &'static Kind, path: &[&str], body: Body) -> Outcome {
    match path {
        [] => match ask.method {
            Method::GET => search::search(&edge.rest, ask, kind, ask.query).await,
            Method::POST if kind.fed() => {
                write::create(&edge.rest, ask, kind, edge.receive(ask, body, Takes::Json).await?).await
            }
            Method::PUT if kind.fed() => {
                write::conditional_update(&edge.rest, ask, kind, edge.receive(ask, body, Takes::Json).await?)
                    .await
            }
            Method::DELETE if kind.fed() => write::conditional_delete(&edge.rest, ask, kind).await,
            _ if kind.fed() => Err(Refused::Method("GET, HEAD, POST, PUT, DELETE")),
            _ => Err(Refused::Method("GET, HEAD")),
        },
        ["_search"] => match ask.method {
            Method::POST => {
                let held = edge.receive(ask, body, Takes::Form).await?;
                let form = std::str::from_utf8(&held.bytes)
                    .map_err(|_| Refused::value("url", "the parameters are not UTF-8"))?;
                let both =
                    [ask.query, form].into_iter().filter(|q| !q.is_empty()).collect::<Vec<_>>().join("&");
                search::search(&edge.rest, ask, kind, &both).await
            }
            _ => Err(Refused::Method("POST")),
        },
        [operation] if operation.starts_with('$') => {
            operations::on_type(edge, ask, kind, operation, body).await
        }
        [id] => match ask.method {
            Method::GET => read::read(&edge.rest, ask, kind, id).await,
            Method::PUT if kind.replaceable() => {
                write::check_id(id)?;
                write::update(&edge.rest, ask, kind, id, edge.receive(ask, body, Takes::Json).await?).await
            }
            Method::DELETE if kind.fed() => write::delete(&edge.rest, ask, kind, id).await,
            _ if kind.fed() => Err(Refused::Method("GET, HEAD, PUT, DELETE")),
            _ if kind.replaceable() => Err(Refused::Method("GET, HEAD, PUT")),
            _ => Err(Refused::Method("GET, HEAD")),
        },
        [id, "_history"] => match ask.method {
            Method::GET => read::history(&edge.rest, ask, kind, id).await,
            _ => Err(Refused::Method("GET, HEAD")),
        },
        [id, "_history", version] => match ask.method {
            Method::GET => read::version(&edge.rest, ask, kind, id, version).await,
            _ => Err(Refused::Method("GET, HEAD")),
        },
        [id, operation] => operations::on_one(edge, ask, kind, id, operation, body).await,
        _ => Err(Refused::NotFound),
    }
}

/// What is asked beside FHIR.
async fn beside(edge: &Edge, parts: &Parts) -> Outcome {
    let path: Vec<&str> = parts.uri.path().split('/').skip(1).collect();
    let get = parts.method == Method::GET || parts.method == Method::HEAD;
    match path.as_slice() {
        ["healthz"] if get => Ok(Answer::text("ok\n".to_owned())),
        ["readyz"] if get => probes::ready(edge).await,
        ["metrics"] if get => probes::metrics(&edge.rest).await,
        ["healthz" | "readyz" | "metrics"] => Err(Refused::Method("GET, HEAD")),
        ["feed", source, "heartbeat"] => match parts.method {
            Method::POST => probes::heartbeat(edge, source).await,
            _ => Err(Refused::Method("POST")),
        },
        _ => Err(Refused::NotFound),
    }
}

/// What is answered where the code has panicked, which no request should be able to bring about.
#[derive(Clone)]
pub(super) struct Panicked(pub(super) Arc<Metrics>);

impl ResponseForPanic for Panicked {
    type ResponseBody = Body;

    fn response_for_panic(&mut self, panic: Box<dyn std::any::Any + Send>) -> Response<Body> {
        self.0.panicked();
        let said = panic.downcast_ref::<&str>().map(|s| (*s).to_owned());
        // a panic's text may quote a document: only texts that were fixed when this was compiled are logged
        tracing::error!(said = said.unwrap_or_default(), "a request was given up because the code panicked");
        let (status, code) = Refused::Failed.status_and_code();
        let issue =
            Issue { severity: "error", code, expression: None, diagnostics: Refused::Failed.to_string() };
        self.0.answered(KINDS.len(), StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = Answer::json(status, outcome(&[issue])).into_response(false);
        let id = uuid::Uuid::new_v4().simple().to_string();
        if let Ok(id) = HeaderValue::try_from(id) {
            response.headers_mut().insert(REQUEST_ID, id);
        }
        guard(response.headers_mut());
        response
    }
}
