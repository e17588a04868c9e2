//! The interface, asked for somebody who looks at a page: with their rights, and recorded as theirs.

use axum::body::Body;
use axum::http::header::{HOST, HeaderMap};
use axum::http::request::Builder;
use tower::ServiceExt as _;

use super::entry::Viewer;
use super::{Console, limits};
use crate::access::Known;

/// Asks as the viewer would; `headers` are those of the page's own request. An error says why not.
pub(super) async fn as_viewer(
    console: &Console,
    viewer: &Viewer,
    headers: &HeaderMap,
    mut request: Builder,
    body: Body,
) -> Result<(), String> {
    if let Some(host) = headers.get(HOST) {
        request = request.header(HOST, host);
    }
    if let Viewer::Somebody(holder) = viewer {
        request = request.extension(Known(holder.clone()));
    }
    let request = request.body(body).map_err(|error| error.to_string())?;
    let Ok(response) = console.fhir.clone().oneshot(request).await;
    let status = response.status();
    if status.is_success() {
        return Ok(());
    }
    let body = axum::body::to_bytes(response.into_body(), limits::OUTCOME_BYTES).await.unwrap_or_default();
    let outcome: serde_json::Value = serde_json::from_slice(&body).unwrap_or_default();
    let said = outcome.pointer("/issue/0/diagnostics").and_then(|text| text.as_str());
    Err(said.map_or_else(|| status.to_string(), str::to_owned))
}
