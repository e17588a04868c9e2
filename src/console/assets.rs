//! Style and script, compiled in.

use axum::extract::Path;
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};

const ALL: &[(&str, &str, &str)] = &[
    ("terce.css", "text/css; charset=utf-8", include_str!("assets/terce.css")),
    ("fresh.js", "text/javascript; charset=utf-8", include_str!("assets/fresh.js")),
    ("mark.svg", "image/svg+xml", include_str!("assets/mark.svg")),
];

/// `GET /assets/{name}`.
pub(super) async fn asset(Path(name): Path<String>) -> Response {
    match ALL.iter().find(|(known, _, _)| *known == name) {
        Some((_, media, text)) => ([(CONTENT_TYPE, *media)], *text).into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}
