//! The interface as an OpenAPI 3.1 description, printed from the table of types: for tools that know no FHIR.

mod beside;
mod components;
mod paths;

use axum::http::StatusCode;
use axum::http::header::ETAG;
use serde_json::{Map, Value, json};

use super::answer::Answer;
use super::types::KINDS;
use super::{Outcome, text};

/// Where it is found.
pub(super) const ADDRESS: &str = "openapi.json";

/// OpenAPI's media type for JSON.
const MEDIA: &str = "application/openapi+json; charset=utf-8";

/// The description, made once.
#[derive(Debug)]
pub(super) struct Description {
    text: String,
    tag: String,
}

impl Description {
    /// Of the service whose FHIR is at `public_base`, or at `/fhir` of wherever this is read from.
    pub(super) fn new(public_base: Option<&str>) -> Self {
        let text = description(public_base).to_string();
        let tag = text::etag(xxhash_rust::xxh3::xxh3_64(text.as_bytes()));
        Description { text, tag }
    }

    /// `GET /openapi.json`; `has` says whether the client has what an entity tag stands for.
    pub(super) fn answer(&self, has: impl Fn(&str) -> bool) -> Outcome {
        if has(&self.tag) {
            return Ok(Answer::empty(StatusCode::NOT_MODIFIED).with(ETAG, self.tag.clone()));
        }
        let answer = Answer { media: MEDIA, ..Answer::text(self.text.clone()) };
        Ok(answer.with(ETAG, self.tag.clone()))
    }
}

fn description(public_base: Option<&str>) -> Value {
    let (server, fhir) = match public_base.map(|base| (base, base.strip_suffix("/fhir"))) {
        None => ("/", "/fhir"),
        Some((_, Some(root))) => (root, "/fhir"),
        // what machines ask beside FHIR is not reached under this address
        Some((base, None)) => (base, ""),
    };
    let mut all = Map::new();
    paths::system(&mut all, fhir);
    for kind in KINDS {
        paths::of_kind(&mut all, fhir, kind);
    }
    if !fhir.is_empty() {
        beside::beside(&mut all);
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Terce",
            "version": env!("CARGO_PKG_VERSION"),
            "summary": "Mouth care of ventilated patients, counted: HL7 FHIR R4 (4.0.1)",
            "description": "Printed from the same table as the CapabilityStatement at /fhir/metadata, which says more of FHIR. \
                            Documents are described here by what they must say at least; R4 says the rest.",
            "license": { "name": "Apache-2.0", "identifier": "Apache-2.0" },
        },
        "servers": [{ "url": server }],
        "paths": all,
        "components": components::components(),
    })
}
