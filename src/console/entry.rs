//! Who looks at the pages: everybody where the service is open, else who is signed in, and each sees what the scopes of
//! the person's roles allow.

use axum::extract::{FromRequestParts, Query, Request, State};
use axum::http::header::{HeaderMap, HeaderValue, LOCATION, SET_COOKIE};
use axum::http::request::Parts;
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::Console;
use super::page::Absent;
use crate::access::sign_in::SignedIn;
use crate::access::{Door, Holder, KEPT_BY_BROWSER, Rights, Shown, kept};

/// What the browser keeps while somebody signs in.
const SIGNING_IN: &str = "terce-signing-in";

/// Who looks at a page.
#[derive(Clone, Debug)]
pub(super) enum Viewer {
    /// The service is open.
    Anybody,
    /// Somebody who is signed in.
    Somebody(Holder),
}

impl Viewer {
    /// Refuses what the viewer may not see or do.
    pub(super) fn may(&self, kinds: &[&str], wanted: Rights) -> Result<(), Absent> {
        if kinds.iter().all(|kind| self.can(kind, wanted)) { Ok(()) } else { Err(Absent::Forbidden) }
    }

    /// Whether the viewer may do something with documents of a type.
    pub(super) fn can(&self, kind: &str, wanted: Rights) -> bool {
        match self {
            Viewer::Anybody => true,
            Viewer::Somebody(holder) => holder.scopes.of(kind).hold(wanted),
        }
    }

    /// Whether it is somebody who can sign out.
    pub(super) fn is_signed_in(&self) -> bool {
        matches!(self, Viewer::Somebody(_))
    }
}

impl<S: Sync> FromRequestParts<S> for Viewer {
    type Rejection = Absent;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Absent> {
        parts.extensions.get::<Viewer>().cloned().ok_or(Absent::Forbidden)
    }
}

/// Lets in who may look, and sends others to sign in. Says to whom what is shown.
pub(super) async fn entry(State(console): State<Console>, mut request: Request, next: Next) -> Response {
    let path = request.uri().path();
    if path.starts_with("/assets/") || path.starts_with("/sign-") {
        return next.run(request).await;
    }
    let viewer = match viewer(&console, &request) {
        Ok(viewer) => viewer,
        Err(response) => return *response,
    };
    let holder = match &viewer {
        Viewer::Anybody => None,
        Viewer::Somebody(holder) => Some(holder.clone()),
    };
    request.extensions_mut().insert(viewer);
    let mut response = next.run(request).await;
    let Patients(patients) = response.extensions_mut().remove().unwrap_or_default();
    response.extensions_mut().insert(Shown { holder, patients, signs_in: false });
    response
}

/// Who asks, or what is answered instead.
fn viewer(console: &Console, request: &Request) -> Result<Viewer, Box<Response>> {
    let Some(door) = &console.door else { return Ok(Viewer::Anybody) };
    let is_get = request.method() == Method::GET;
    let browser = kept(request.headers(), KEPT_BY_BROWSER);
    let holder = browser.and_then(|browser| door.signed_in(browser, console.clock.now().micros()));
    if let Some(holder) = holder {
        let ours = is_get || is_ours(console, request.headers());
        return if ours {
            Ok(Viewer::Somebody(holder))
        } else {
            Err(Box::new(Absent::Forbidden.into_response()))
        };
    }
    if !door.signs_in() {
        return Err(Box::new(Absent::NoSignIn.into_response()));
    }
    // what a script asks for cannot sign in
    let page = request.headers().get("sec-fetch-mode").is_none_or(|mode| mode == "navigate");
    if !is_get || !page {
        return Err(Box::new(StatusCode::UNAUTHORIZED.into_response()));
    }
    let to = request.uri().path_and_query().map_or("/", |to| to.as_str());
    let query: String = url::form_urlencoded::Serializer::new(String::new()).append_pair("to", to).finish();
    Err(Box::new(redirect(&format!("/sign-in?{query}"))))
}

/// The patients whose care is on a page, as an extension of its answer.
#[derive(Clone, Debug, Default)]
pub(super) struct Patients(pub(super) Vec<String>);

impl Patients {
    /// The answer, which says that they are on it.
    pub(super) fn on(self, mut response: Response) -> Response {
        response.extensions_mut().insert(self);
        response
    }
}

/// Whether a form was sent from a page of ours: browsers say from where, and other pages cannot make them lie.
pub(super) fn is_ours(console: &Console, headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    match (text("sec-fetch-site"), text("origin")) {
        (Some(site), _) => site == "same-origin",
        (None, Some(origin)) => {
            let base = console.config.public_base.as_deref().and_then(|base| base.strip_suffix("/fhir"));
            let here = text("host").map(|host| [format!("http://{host}"), format!("https://{host}")]);
            base == Some(origin) || here.is_some_and(|here| here.iter().any(|here| here == origin))
        }
        // no browser
        (None, None) => true,
    }
}

#[derive(Deserialize)]
pub(super) struct To {
    to: Option<String>,
}

/// `GET /sign-in?to=page`.
pub(super) async fn sign_in(
    State(console): State<Console>,
    Query(asked): Query<To>,
) -> Result<Response, Absent> {
    let door = console.door.as_ref().ok_or(Absent::NotFound)?;
    let begun = door.begin(asked.to.as_deref().unwrap_or("/"), console.clock.now().micros()).await;
    let begun = begun.map_err(|error| not_signed_in(&error))?;
    let mut response = redirect(&begun.address);
    keep(
        &console,
        &mut response,
        SIGNING_IN,
        &begun.browser,
        Some(crate::access::limits::SIGN_IN_TIME.as_secs()),
    );
    Ok(response)
}

/// What the provider sends back.
#[derive(Deserialize)]
pub(super) struct Back {
    state: Option<String>,
    code: Option<String>,
    error: Option<String>,
}

/// `GET /sign-in/back`.
pub(super) async fn back(
    State(console): State<Console>,
    Query(told): Query<Back>,
    headers: HeaderMap,
) -> Result<Response, Absent> {
    let door = console.door.as_ref().ok_or(Absent::NotFound)?;
    let signed_in = signed_in(&console, door, &told, &headers).await;
    let holder =
        signed_in.as_ref().ok().and_then(|done| door.signed_in(&done.browser, console.clock.now().micros()));
    let mut response = match &signed_in {
        Ok(done) => redirect(&done.to),
        Err(_) => Absent::NotSignedIn.into_response(),
    };
    keep(&console, &mut response, SIGNING_IN, "", Some(0));
    if let Ok(done) = &signed_in {
        keep(&console, &mut response, KEPT_BY_BROWSER, &done.browser, None);
    }
    response.extensions_mut().insert(Shown { holder, signs_in: true, patients: Vec::new() });
    Ok(response)
}

/// Finishes a sign-in with what the provider sends back.
async fn signed_in(
    console: &Console,
    door: &Door,
    told: &Back,
    headers: &HeaderMap,
) -> Result<SignedIn, Absent> {
    if let Some(error) = &told.error {
        // one of the codes of RFC 6749, 4.1.2.1; nothing else is put into the log
        let known = error.len() < 64 && error.bytes().all(|b| b.is_ascii_lowercase() || b == b'_');
        tracing::warn!(error = if known { error } else { "unknown" }, "the provider signed nobody in");
        return Err(Absent::NotSignedIn);
    }
    let (Some(state), Some(code)) = (told.state.as_deref(), told.code.as_deref()) else {
        return Err(Absent::NotSignedIn);
    };
    let browser = kept(headers, SIGNING_IN).unwrap_or_default();
    let done = door.finish((state, code), browser, console.clock.now().micros()).await;
    done.map_err(|error| not_signed_in(&error))
}

/// `POST /sign-out`.
pub(super) async fn sign_out(State(console): State<Console>, headers: HeaderMap) -> Result<Response, Absent> {
    let door = console.door.as_ref().ok_or(Absent::NotFound)?;
    if !is_ours(&console, &headers) {
        return Err(Absent::Forbidden);
    }
    if let Some(browser) = kept(&headers, KEPT_BY_BROWSER) {
        door.sign_out(browser);
    }
    let mut response = Absent::SignedOut.into_response();
    keep(&console, &mut response, KEPT_BY_BROWSER, "", Some(0));
    Ok(response)
}

fn not_signed_in(error: &crate::access::sign_in::NotSignedIn) -> Absent {
    tracing::warn!(%error, "somebody was not signed in");
    Absent::NotSignedIn
}

/// Lets the browser keep something that scripts do not see and other sites do not make it send.
fn keep(console: &Console, response: &mut Response, name: &str, value: &str, seconds: Option<u64>) {
    let secure = console.config.tls.is_some() || console.config.tls_elsewhere;
    let mut cookie = format!("{name}={value}; Path=/; HttpOnly; SameSite=Lax");
    if secure {
        cookie.push_str("; Secure");
    }
    if let Some(seconds) = seconds {
        cookie.push_str(&format!("; Max-Age={seconds}"));
    }
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        response.headers_mut().append(SET_COOKIE, cookie);
    }
}

fn redirect(to: &str) -> Response {
    let mut response = StatusCode::SEE_OTHER.into_response();
    if let Ok(to) = HeaderValue::from_str(to) {
        response.headers_mut().insert(LOCATION, to);
    }
    response
}

#[cfg(test)]
mod tests {
    use axum::http::header::COOKIE;

    use super::{HeaderMap, HeaderValue, kept};

    #[test]
    fn a_cookie_is_found_among_others_and_twice_is_none() {
        let headers = |text: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert(COOKIE, HeaderValue::from_static(text));
            headers
        };
        assert_eq!(kept(&headers("a=1; terce=x; b=2"), "terce"), Some("x"));
        assert_eq!(kept(&headers("xterce=1; terce2=3"), "terce"), None);
        assert_eq!(kept(&headers("terce=1; terce=2"), "terce"), None, "which of them is ours nobody knows");
    }
}
