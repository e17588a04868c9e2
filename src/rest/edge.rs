//! Where every request comes in and goes out.

use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use axum::body::Body;
use axum::extract::State;
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, Request, Response, StatusCode};
use tower_http::catch_panic::ResponseForPanic;

use super::access::Who;
use super::answer::Answer;
use super::ask::{self, Ask};
use super::audit::{self, Act};
use super::body::{Budget, Held, Takes};
use super::refused::{Issue, Refused, outcome};
use super::types::{self, KINDS, Kind};
use super::{
    Metrics, Outcome, Rest, access, bundle, capability, cds, history, letters, limits, notices, openapi,
    operations, patch, probes, read, search, token, write,
};
use crate::translate::audit::deed;

pub(super) const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
const CORRELATION_ID: HeaderName = HeaderName::from_static("x-correlation-id");

/// What every request needs.
pub(super) struct Edge {
    /// The parts of the service.
    pub(super) rest: Rest,
    /// What bodies may take.
    pub(super) budget: Budget,
    /// When this process began, in microseconds: the date of its CapabilityStatement.
    pub(super) since_us: i64,
    /// The interface, described for tools.
    description: openapi::Description,
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
        let description = openapi::Description::new(rest.public_base.as_deref());
        let (probed, requests) = (probes::Probed::default(), AtomicU64::new(0));
        Edge { rest, budget, since_us, description, probed, run, requests }
    }

    /// The id of a request: the client's if it is a plain one.
    fn request_id(&self, headers: &HeaderMap) -> HeaderValue {
        if let Some(sent) = sent_id(headers) {
            return sent;
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

/// Answers a request of a client.
pub(super) async fn answer(State(edge): State<Arc<Edge>>, request: Request<Body>) -> Response<Body> {
    let (parts, body) = request.into_parts();
    let id = edge.request_id(&parts.headers);
    let (row, answered) = match parts.uri.path().strip_prefix("/fhir") {
        Some(below) if below.is_empty() || below.starts_with('/') => {
            fhir(&edge, &parts, &id, below, body).await
        }
        _ => (KINDS.len(), beside(&edge, &parts, &id, body).await),
    };
    finished(&edge, &parts, id, row, answered)
}

/// Answers a request of whoever watches over the service.
pub(super) async fn answer_admin(State(edge): State<Arc<Edge>>, request: Request<Body>) -> Response<Body> {
    let (parts, _) = request.into_parts();
    let get = parts.method == Method::GET || parts.method == Method::HEAD;
    let answered = match parts.uri.path() {
        "/metrics" if get => probes::metrics(&edge.rest).await,
        "/metrics" => Err(Refused::Method("GET, HEAD")),
        _ => alive(&edge, &parts).await,
    };
    let id = edge.request_id(&parts.headers);
    finished(&edge, &parts, id, KINDS.len(), answered)
}

fn finished(edge: &Edge, parts: &Parts, id: HeaderValue, row: usize, answered: Outcome) -> Response<Body> {
    let answer = answered.unwrap_or_else(Answer::from).pretty_if(is_pretty(parts));
    edge.rest.metrics.answered(row, answer.status);
    let mut response = answer.into_response(parts.method == Method::HEAD);
    let headers = response.headers_mut();
    headers.insert(REQUEST_ID, id);
    if let Some(sent) = parts.headers.get(CORRELATION_ID).filter(|v| is_plain(v)) {
        headers.insert(CORRELATION_ID, sent.clone());
    }
    guard(headers);
    if access::peer(parts).secure {
        headers.insert(header::STRICT_TRANSPORT_SECURITY, HeaderValue::from_static(limits::HSTS));
    }
    response
}

/// The id that the client gave its request, if it is a plain one.
fn sent_id(headers: &HeaderMap) -> Option<HeaderValue> {
    headers.get(REQUEST_ID).filter(|value| is_plain(value)).cloned()
}

/// The id of a request for a page.
pub(super) fn page_id(headers: &HeaderMap) -> HeaderValue {
    if let Some(sent) = sent_id(headers) {
        return sent;
    }
    let id = uuid::Uuid::new_v4().simple().to_string();
    HeaderValue::try_from(id).unwrap_or(HeaderValue::from_static("-"))
}

/// Gives an answer that was made beside the router what every answer has.
pub(super) fn complete(headers: &mut HeaderMap) {
    let id = page_id(&HeaderMap::new());
    headers.insert(REQUEST_ID, id);
    guard(headers);
}

/// Whether the client wants to read the answer itself.
fn is_pretty(parts: &Parts) -> bool {
    let asked = ask::parameters(parts.uri.query().unwrap_or_default()).unwrap_or_default();
    asked.iter().any(|(name, value)| name == "_pretty" && value == "true")
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
pub(super) fn base(edge: &Edge, parts: &Parts) -> String {
    if let Some(base) = &edge.rest.public_base {
        return base.to_string();
    }
    let host = parts.headers.get(header::HOST).and_then(|h| h.to_str().ok());
    let host = host.or_else(|| parts.uri.authority().map(|a| a.as_str()));
    let plain = |h: &&str| {
        h.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b':' | b'[' | b']'))
    };
    let scheme = if access::peer(parts).secure { "https" } else { "http" };
    format!("{scheme}://{}/fhir", host.filter(plain).unwrap_or("localhost"))
}

/// What is asked below `/fhir`, and the row that it is counted in.
async fn fhir(edge: &Edge, parts: &Parts, id: &HeaderValue, below: &str, body: Body) -> (usize, Outcome) {
    let now_us = edge.rest.clock.now().micros();
    let act = act(edge, parts, id);
    let (row, answered) = inside(edge, parts, &act, now_us, below, body).await;
    (row, edge.rest.record(&act, now_us, answered).await)
}

/// Answers what the service asks of itself in the name of a source, as it would be answered from outside.
pub(super) async fn again(edge: &Edge, parts: &Parts, id: &HeaderValue, below: &str, body: Body) -> Outcome {
    fhir(edge, parts, id, below, body).await.1
}

/// A request as it will be recorded.
fn act(edge: &Edge, parts: &Parts, id: &HeaderValue) -> Arc<Act> {
    let asked = parts.uri.path_and_query().map_or("", |asked| asked.as_str());
    Arc::new(Act::new(access::origin(edge, parts), id, &parts.method, asked))
}

async fn inside(
    edge: &Edge,
    parts: &Parts,
    act: &Arc<Act>,
    now_us: i64,
    below: &str,
    body: Body,
) -> (usize, Outcome) {
    let base = base(edge, parts);
    let path: Vec<&str> = below.split('/').filter(|s| !s.is_empty()).collect();
    act.is(audit::interaction(&parts.method, &path));
    // what says how to get in is shown to whoever stands outside
    let who = match path.as_slice() {
        ["metadata"] | [".well-known", "smart-configuration"] => Who::Anybody,
        _ => match access::who(edge, parts).await {
            Ok(who) => who,
            Err(refused) => return (KINDS.len(), Err(refused)),
        },
    };
    act.of(&who);
    let ask = match Ask::new(parts, below, &base, &who, act, now_us) {
        Ok(ask) => ask,
        Err(refused) => return (KINDS.len(), Err(refused)),
    };
    let path: Vec<&str> = ask.path.iter().map(AsRef::as_ref).collect();
    act.is(audit::interaction(&ask.method, &path));
    let row = ask.path.first().and_then(|name| types::kind(name)).map_or(KINDS.len(), Kind::index);
    (row, route(edge, &ask, body).await)
}

/// Answers a read inside a Bundle. The type of what is returned is written out: requests hold Bundles, and they requests.
pub(super) fn within<'a>(
    edge: &'a Edge,
    ask: &'a Ask<'a>,
) -> Pin<Box<dyn Future<Output = Outcome> + Send + 'a>> {
    Box::pin(route(edge, ask, Body::empty()))
}

async fn route(edge: &Edge, ask: &Ask<'_>, body: Body) -> Outcome {
    ask.acceptable(operations::beside_json(ask.path.last().map(AsRef::as_ref)))?;
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
        [operation] if operation.starts_with('$') => operations::on_all(edge, ask, operation).await,
        [".well-known", "smart-configuration"] => configuration(edge, &ask.method),
        [name, rest @ ..] => {
            let kind = types::kind(name).ok_or(Refused::UnknownType)?;
            of_kind(edge, ask, kind, rest, body).await
        }
    }
}

async fn of_kind(edge: &Edge, ask: &Ask<'_>, kind: &'static Kind, path: &[&str], body: Body) -> Outcome {
    access::check(ask, kind, path)?;
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
            Method::PATCH if kind.fed() => {
                patch::conditional(&edge.rest, ask, kind, edge.receive(ask, body, Takes::Patch).await?).await
            }
            Method::DELETE if kind.fed() => write::conditional_delete(&edge.rest, ask, kind).await,
            _ if kind.fed() => Err(Refused::Method("GET, HEAD, POST, PUT, PATCH, DELETE")),
            _ => Err(Refused::Method("GET, HEAD")),
        },
        ["_search"] => match ask.method {
            Method::POST => {
                let held = edge.receive(ask, body, Takes::Form).await?;
                let form = std::str::from_utf8(&held.bytes)
                    .map_err(|_| Refused::value("url", "the parameters are not UTF-8"))?;
                ask.act.asks(form);
                let both =
                    [ask.query, form].into_iter().filter(|q| !q.is_empty()).collect::<Vec<_>>().join("&");
                search::search(&edge.rest, ask, kind, &both).await
            }
            _ => Err(Refused::Method("POST")),
        },
        [operation] if operation.starts_with('$') => {
            operations::on_type(edge, ask, kind, operation, body).await
        }
        ["_history"] => match ask.method {
            Method::GET => history::history(&edge.rest, ask, kind, None).await,
            _ => Err(Refused::Method("GET, HEAD")),
        },
        [id] => match ask.method {
            Method::GET => read::read(&edge.rest, ask, kind, id).await,
            Method::PUT if kind.replaceable() => {
                write::check_id(id)?;
                write::update(&edge.rest, ask, kind, id, edge.receive(ask, body, Takes::Json).await?).await
            }
            Method::PATCH if kind.replaceable() => {
                patch::patch(&edge.rest, ask, kind, id, edge.receive(ask, body, Takes::Patch).await?).await
            }
            Method::DELETE if kind.fed() => write::delete(&edge.rest, ask, kind, id).await,
            _ if kind.fed() => Err(Refused::Method("GET, HEAD, PUT, PATCH, DELETE")),
            _ if kind.replaceable() => Err(Refused::Method("GET, HEAD, PUT, PATCH")),
            _ => Err(Refused::Method("GET, HEAD")),
        },
        [id, "_history"] => match ask.method {
            Method::GET => history::history(&edge.rest, ask, kind, Some(id)).await,
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
async fn beside(edge: &Edge, parts: &Parts, id: &HeaderValue, body: Body) -> Outcome {
    let path: Vec<&str> = parts.uri.path().split('/').skip(1).collect();
    match path.as_slice() {
        [openapi::ADDRESS] if parts.method == Method::GET || parts.method == Method::HEAD => {
            edge.description.answer(|tag| ask::has(&parts.headers, tag, edge.since_us))
        }
        [openapi::ADDRESS] => Err(Refused::Method("GET, HEAD")),
        ["feed", source, "heartbeat"] => match parts.method {
            Method::POST => {
                access::who(edge, parts).await?.may_speak_for(source)?;
                probes::heartbeat(edge, source).await
            }
            _ => Err(Refused::Method("POST")),
        },
        ["cds-services", path @ ..] => cds::answer(edge, parts, &act(edge, parts, id), path, body).await,
        ["feed", source, "notify", ..] => match parts.method {
            Method::POST | Method::PUT => {
                let act = act(edge, parts, id);
                let answered = notices::take(edge, parts, &act, source, body).await;
                edge.rest.record(&act, edge.rest.clock.now().micros(), answered).await
            }
            _ => Err(Refused::Method("POST, PUT")),
        },
        ["feed", "letters", path @ ..] => {
            let act = act(edge, parts, id);
            let answered = letters::answer(edge, parts, id, &act, path).await;
            edge.rest.record(&act, edge.rest.clock.now().micros(), answered).await
        }
        [".well-known", "smart-configuration"] => configuration(edge, &parts.method),
        ["auth", "token"] => match (&edge.rest.door, &parts.method) {
            (Some(door), &Method::POST) if door.gives() => {
                let act = act(edge, parts, id);
                act.is(deed::LOGIN);
                let answered = token::grant(edge, door, parts, &act, body).await;
                edge.rest.record(&act, edge.rest.clock.now().micros(), answered).await
            }
            (Some(door), _) if door.gives() => Err(Refused::Method("POST")),
            _ => Err(Refused::NotFound),
        },
        _ => alive(edge, parts).await,
    }
}

fn configuration(edge: &Edge, method: &Method) -> Outcome {
    match &edge.rest.door {
        Some(door) if door.gives() => match *method {
            Method::GET | Method::HEAD => token::configuration(door),
            _ => Err(Refused::Method("GET, HEAD")),
        },
        _ => Err(Refused::NotFound),
    }
}

/// Whether the service is alive and ready: asked of either listener.
async fn alive(edge: &Edge, parts: &Parts) -> Outcome {
    let get = parts.method == Method::GET || parts.method == Method::HEAD;
    match parts.uri.path() {
        "/healthz" if get => Ok(Answer::text("ok\n".to_owned())),
        "/readyz" if get => probes::ready(edge).await,
        "/healthz" | "/readyz" => Err(Refused::Method("GET, HEAD")),
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
        complete(response.headers_mut());
        response
    }
}
