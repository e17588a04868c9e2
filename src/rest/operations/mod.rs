//! Operations: a file for each.

mod evaluate_measure;
mod explain;

use axum::body::Body;
use fhir_models::Parameters;
use serde_json::Value as Json;

pub use explain::{explanation_json, explanation_text};

use super::Outcome;
use super::ask::Ask;
use super::edge::Edge;
use super::refused::Refused;
use super::types::{Kind, Operation};

/// Answers `/fhir/Type/id/$operation`.
pub(super) async fn on_one(
    edge: &Edge,
    ask: &Ask<'_>,
    kind: &Kind,
    id: &str,
    operation: &str,
    body: Body,
) -> Outcome {
    let found = kind.operations.iter().find(|o| operation.strip_prefix('$') == Some(o.name()));
    match found.ok_or(Refused::NotFound)? {
        Operation::EvaluateMeasure => evaluate_measure::evaluate(edge, ask, id, body).await,
        Operation::Explain => explain::explain(&edge.rest, ask, id).await,
    }
}

/// Name and value of each parameter in a Parameters resource.
fn body_parameters(body: &[u8]) -> Result<Vec<(String, String)>, Refused> {
    let _: Parameters = fhir_models::parse(body)?;
    let read: Json =
        serde_json::from_slice(body).map_err(|_| Refused::value("Parameters", "expected JSON"))?;
    let parameters = read.get("parameter").and_then(Json::as_array).map(Vec::as_slice).unwrap_or_default();
    let named = parameters.iter().map(|parameter| {
        let name = parameter.get("name").and_then(Json::as_str).unwrap_or_default();
        let members = parameter.as_object().into_iter().flatten();
        let values = members.filter(|(key, _)| key.starts_with("value")).map(|(_, value)| value);
        let value = values.filter_map(|v| v.as_str().or_else(|| v.get("reference")?.as_str())).next();
        let value = value.ok_or_else(|| Refused::value(name, "expected a date, a text or a reference"))?;
        Ok((name.to_owned(), value.to_owned()))
    });
    named.collect()
}
