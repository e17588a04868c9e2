//! Pages are recorded as searches are: who looked at whose care.

use axum::extract::{Request, State};
use axum::http::StatusCode;
use axum::http::header::HeaderValue;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::super::access::peer;
use super::super::{Rest, edge, limits, text};
use crate::access::Shown;
use crate::store::{Audit, Thing};
use crate::translate::audit::{by, deed};

/// Records what a page shows before it is sent; what cannot be recorded is not shown.
pub async fn record_page(State(rest): State<Rest>, request: Request, next: Next) -> Response {
    let (parts, body) = request.into_parts();
    let id = edge::page_id(&parts.headers);
    let forwarded = parts.headers.get("x-forwarded-for").and_then(|value| value.to_str().ok());
    let peer = peer(&parts);
    let from =
        rest.door.as_ref().map_or(peer.address, |door| door.origin(&peer, forwarded.unwrap_or_default()));
    // what stands behind the path of a sign-in is a secret
    let asked = match parts.uri.query().filter(|_| !parts.uri.path().starts_with("/sign-")) {
        Some(query) => format!("{} {}?{query}", parts.method, parts.uri.path()),
        None => format!("{} {}", parts.method, parts.uri.path()),
    };
    let mut response = next.run(Request::from_parts(parts, body)).await;
    response.headers_mut().insert(edge::REQUEST_ID, id.clone());
    let Some(shown) = response.extensions_mut().remove::<Shown>() else { return response };
    let holder = shown.holder.as_ref();
    let known = if shown.signs_in { by::UNKNOWN } else { by::ANYBODY };
    let patient = |patient: String| Thing { patient: Some(patient), ..Thing::default() };
    let row = Audit {
        deed: if shown.signs_in { deed::LOGIN } else { "search-type" }.into(),
        status: response.status().as_u16(),
        by: holder.map_or(known, |_| by::CLIENT).into(),
        who: holder.map(|holder| holder.client.clone()).unwrap_or_default(),
        issuer: holder.map(|holder| holder.issuer.clone()).unwrap_or_default(),
        from: from.to_canonical().to_string(),
        request: id.to_str().unwrap_or_default().to_owned(),
        asked: text::cut(&asked, limits::AUDIT_ASKED_BYTES).to_owned(),
        things: shown.patients.into_iter().map(patient).collect(),
        ..Audit::default()
    };
    match rest.auditor.record(rest.clock.now().micros(), row).await {
        Ok(()) => response,
        Err(error) => {
            tracing::error!(%error, "a page is not shown because that could not be recorded");
            let mut refused = StatusCode::SERVICE_UNAVAILABLE.into_response();
            refused.headers_mut().insert("retry-after", HeaderValue::from_static("1"));
            refused.headers_mut().insert(edge::REQUEST_ID, id);
            refused
        }
    }
}
