//! Tokens for registered systems: `POST /auth/token`, and where clients find out about it
//! (SMART App Launch 2.2, "Backend Services").

use std::net::IpAddr;

use axum::body::Body;
use axum::http::StatusCode;
use axum::http::request::Parts;
use serde_json::json;

use super::access::{self, peer};
use super::answer::Answer;
use super::audit::Act;
use super::body::Takes;
use super::edge::Edge;
use super::refused::Refused;
use super::types::KINDS;
use super::{Outcome, limits};
use crate::access::{Denied, Door};

/// What an assertion is, as the request must say (RFC 7523, 2.2).
const JWT_BEARER: &str = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
const JSON: &str = "application/json";

/// `POST /auth/token`.
pub(super) async fn grant(edge: &Edge, door: &Door, parts: &Parts, act: &Act, body: Body) -> Outcome {
    let held = edge.budget.receive(&parts.headers, body, Takes::Form).await?;
    let form =
        std::str::from_utf8(&held.bytes).map_err(|_| Refused::value("url", "the form is not UTF-8"))?;
    let Some(form) = Form::read(form) else {
        return Ok(error(
            "invalid_request",
            "each parameter at most once, percent-encoded, and of a sensible length",
        ));
    };
    if form.grant_type.as_deref() != Some("client_credentials") {
        return Ok(error("unsupported_grant_type", "expected grant_type=client_credentials"));
    }
    let (Some(assertion), Some(JWT_BEARER)) = (&form.assertion, form.assertion_type.as_deref()) else {
        return Ok(error(
            "invalid_request",
            "expected client_assertion_type for JWT bearer, and client_assertion",
        ));
    };
    act.claims(&Door::claimed(assertion).or_else(|| form.client_id.clone()).unwrap_or_default());
    let (peer, from) = (peer(parts), access::origin(edge, parts));
    let now_us = edge.rest.clock.now().micros();
    let scope = form.scope.as_deref().unwrap_or_default();
    let asked = (form.client_id.as_deref(), scope);
    match door.grant(assertion, asked, (&peer, from), act.granted(), now_us).await {
        Ok(granted) => {
            act.has_written();
            let body = json!({
                "access_token": granted.token,
                "token_type": "bearer",
                "expires_in": crate::access::limits::TOKEN_S,
                "scope": granted.scopes.to_string(),
            });
            Ok(Answer { media: JSON, ..Answer::json(StatusCode::OK, body.to_string()) })
        }
        Err(denied) => refused(denied, from),
    }
}

fn refused(denied: Denied, from: IpAddr) -> Outcome {
    match denied {
        Denied::TooMany => Err(Refused::TooManyFailures),
        Denied::Store(error) => Err(error.into()),
        Denied::NotUnderstood => {
            Ok(error("invalid_scope", "expected scopes such as system/Procedure.cruds, without parameters"))
        }
        Denied::NoScope => Ok(error("invalid_scope", "none of the scopes is registered for the client")),
        Denied::Wrong(_) | Denied::Unknown | Denied::Certificate => {
            // why is in the log; who asks is told nothing that helps to guess
            tracing::warn!(why = %denied, %from, "no token was given out");
            let answer = error("invalid_client", "the client could not be authenticated");
            Ok(Answer { status: StatusCode::UNAUTHORIZED, ..answer })
        }
    }
}

/// An error as OAuth has it (RFC 6749, 5.2).
fn error(code: &str, description: &str) -> Answer {
    let body = json!({ "error": code, "error_description": description });
    Answer { media: JSON, ..Answer::json(StatusCode::BAD_REQUEST, body.to_string()) }
}

#[derive(Default)]
struct Form {
    grant_type: Option<String>,
    assertion_type: Option<String>,
    assertion: Option<String>,
    client_id: Option<String>,
    scope: Option<String>,
}

impl Form {
    fn read(text: &str) -> Option<Form> {
        if text.len() > limits::TOKEN_REQUEST_BYTES {
            return None;
        }
        let mut form = Form::default();
        for pair in text.split('&').filter(|p| !p.is_empty()) {
            let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
            let (name, value) = (super::text::decoded(name, true)?, super::text::decoded(value, true)?);
            let place = match name.as_ref() {
                "grant_type" => &mut form.grant_type,
                "client_assertion_type" => &mut form.assertion_type,
                "client_assertion" => &mut form.assertion,
                "client_id" => &mut form.client_id,
                "scope" => &mut form.scope,
                // unknown parameters are ignored (RFC 6749, 3.2)
                _ => continue,
            };
            if place.replace(value.into_owned()).is_some() {
                return None;
            }
        }
        Some(form)
    }
}

/// `GET /.well-known/smart-configuration`.
pub(super) fn configuration(door: &Door) -> Outcome {
    let registry = door.registry();
    let scopes: Vec<String> = std::iter::once("*")
        .chain(KINDS.iter().map(|k| k.name))
        .map(|k| format!("system/{k}.cruds"))
        .collect();
    let body = json!({
        "token_endpoint": registry.token_address,
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
        "grant_types_supported": ["client_credentials"],
        "scopes_supported": scopes,
        "capabilities": ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
        // required of every configuration, whatever flows there are
        "code_challenge_methods_supported": ["S256"],
    });
    Ok(Answer { media: JSON, ..Answer::json(StatusCode::OK, body.to_string()) })
}
