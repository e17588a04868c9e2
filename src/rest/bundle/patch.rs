//! Patches inside a Bundle: a JSON Patch, in a Binary (R4, "FHIR Patch": the only resource that can carry one).

use axum::body::Bytes;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use fhir_models::json::scan;
use fhir_models::{IssueKind, ParseError};
use json_patch::Patch;
use serde::Deserialize;

use super::super::body::PATCH;
use super::super::json;
use super::super::patch;
use super::super::refused::Refused;
use super::super::types::Kind;
use super::Entry;

/// What is needed of a Binary.
#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Binary {
    content_type: Option<String>,
    data: Option<String>,
}

/// The patch of an entry; `name` gives what an address inside the Bundle stands for.
///
/// # Errors
/// There is none, it is another kind of patch, or it is none that can be applied to the type.
pub(super) fn of(
    entry: &Entry,
    body: &Bytes,
    kind: &Kind,
    name: impl FnMut(&str) -> Option<String>,
) -> Result<Patch, Refused> {
    let resource = entry.bytes(body)?;
    scan(resource)?;
    let wrong = |kind, at: &str, why: &str| Refused::Document(ParseError::new(kind, at, why));
    if fhir_models::resource_type(resource)? != "Binary" {
        let why = "expected a Binary with a JSON Patch; a FHIRPath Patch is not applied here";
        return Err(wrong(IssueKind::NotSupported, "resourceType", why));
    }
    let binary: Binary = serde_json::from_slice(resource)
        .map_err(|_| wrong(IssueKind::Structure, "Binary", "expected contentType and data as texts"))?;
    let media = binary.content_type.unwrap_or_default();
    if !media.split(';').next().unwrap_or_default().trim().eq_ignore_ascii_case(PATCH) {
        return Err(Refused::MediaType("application/json-patch+json in a Binary"));
    }
    let data = binary.data.ok_or_else(|| wrong(IssueKind::Required, "Binary.data", "expected the patch"))?;
    let said = STANDARD
        .decode(data.split_ascii_whitespace().collect::<String>())
        .map_err(|_| wrong(IssueKind::Value, "Binary.data", "expected base64"))?;
    let named = json::with_references(&said, name);
    patch::read_patch(kind, named.as_deref().unwrap_or(&said))
}
