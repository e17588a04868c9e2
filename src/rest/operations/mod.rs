//! Operations: a file for each.

mod as_of;
mod asked;
mod care_gaps;
mod data_quality;
mod data_requirements;
mod evaluate_measure;
mod events;
mod explain;
mod given;
mod translate_code;
mod trial;
mod validate;
mod ventilator_events;
mod whom;

use axum::body::Body;
use axum::http::Method;
use fhir_models::Parameters;
use serde_json::Value as Json;

pub use explain::{explanation_json, explanation_text};

use super::ask::{self, Ask};
use super::body::Takes;
use super::edge::Edge;
use super::refused::Refused;
use super::types::{Kind, Operation};
use super::{Outcome, subscriptions};
use crate::access::Rights;

/// The media type that an operation offers beside FHIR's JSON, by the last part of the path; empty if none.
pub(super) fn beside_json(last: Option<&str>) -> &'static str {
    match last {
        Some("$explain" | "$ventilator-events") => "text/plain",
        Some("$evaluate-measure" | "$data-quality") => "text/csv",
        Some(_) | None => "",
    }
}

/// The types whose documents and codes `$data-quality` tells of.
const QUALITY_TELLS_OF: [&str; 6] =
    ["Procedure", "Observation", "Device", "DeviceUseStatement", "Encounter", "Patient"];

/// Answers `/fhir/$operation`.
pub(super) async fn on_all(edge: &Edge, ask: &Ask<'_>, operation: &str) -> Outcome {
    match operation {
        "$data-quality" => {
            QUALITY_TELLS_OF.iter().try_for_each(|kind| ask.who.may(kind, Rights::READ))?;
            data_quality::data_quality(&edge.rest, ask).await
        }
        _ => Err(Refused::NotFound),
    }
}

/// Answers `/fhir/Type/$operation`.
pub(super) async fn on_type(
    edge: &Edge,
    ask: &Ask<'_>,
    kind: &'static Kind,
    operation: &str,
    body: Body,
) -> Outcome {
    match named(kind, operation)? {
        Operation::Translate => translate_code::translate(edge, ask, None, body).await,
        Operation::Try if kind.name == "ConceptMap" => trial::try_map(edge, ask, None, body).await,
        Operation::Try => trial::try_plan(edge, ask, None, body).await,
        Operation::Validate => validate::validate(edge, ask, kind, None, body).await,
        Operation::EvaluateMeasure => evaluate_measure::evaluate(edge, ask, None, body).await,
        Operation::CareGaps => care_gaps::care_gaps(edge, ask, None, body).await,
        Operation::Explain
        | Operation::Status
        | Operation::Events
        | Operation::VentilatorEvents
        | Operation::DataRequirements => Err(Refused::NotFound),
    }
}

/// Answers `/fhir/Type/id/$operation`.
pub(super) async fn on_one(
    edge: &Edge,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    operation: &str,
    body: Body,
) -> Outcome {
    match named(kind, operation)? {
        Operation::EvaluateMeasure => evaluate_measure::evaluate(edge, ask, Some(id), body).await,
        Operation::CareGaps => care_gaps::care_gaps(edge, ask, Some(id), body).await,
        Operation::DataRequirements => data_requirements::data_requirements(edge, ask, id, body).await,
        Operation::Explain => explain::explain(edge, ask, kind, id, body).await,
        Operation::Translate => translate_code::translate(edge, ask, Some(id), body).await,
        Operation::Try if kind.name == "ConceptMap" => trial::try_map(edge, ask, Some(id), body).await,
        Operation::Try => trial::try_plan(edge, ask, Some(id), body).await,
        Operation::Validate => validate::validate(edge, ask, kind, Some(id), body).await,
        Operation::Status => subscriptions::status(&edge.rest, ask, id).await,
        Operation::Events => events::events(edge, ask, id, body).await,
        Operation::VentilatorEvents => ventilator_events::ventilator_events(edge, ask, id, body).await,
    }
}

/// The operation of that name, with its `$`, that a type has.
fn named(kind: &Kind, operation: &str) -> Result<Operation, Refused> {
    let name = operation.strip_prefix('$');
    kind.operations.iter().copied().find(|o| name == Some(o.name())).ok_or(Refused::NotFound)
}

/// Name and value of each parameter, in the query and in a body of Parameters.
///
/// # Errors
/// Another method; a query or a body that cannot be read.
async fn parameters(edge: &Edge, ask: &Ask<'_>, body: Body) -> Result<Vec<(String, String)>, Refused> {
    let mut given = Vec::new();
    for (name, value) in ask::parameters(ask.query)? {
        if name != "_format" && name != "_pretty" {
            given.push((name.into_owned(), value.into_owned()));
        }
    }
    match ask.method {
        Method::GET => {}
        Method::POST => {
            let held = edge.receive(ask, body, Takes::MaybeJson).await?;
            if !held.bytes.is_empty() {
                given.extend(body_parameters(&held.bytes)?);
            }
        }
        _ => return Err(Refused::Method("GET, HEAD, POST")),
    }
    Ok(given)
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
        let text = |v: &Json| match v {
            Json::String(text) => Some(text.clone()),
            Json::Number(number) => Some(number.to_string()),
            Json::Null | Json::Bool(_) | Json::Array(_) | Json::Object(_) => {
                v.get("reference")?.as_str().map(str::to_owned)
            }
        };
        let value = values.filter_map(text).next();
        let value =
            value.ok_or_else(|| Refused::value(name, "expected a date, a text, a number or a reference"))?;
        Ok((name.to_owned(), value))
    });
    named.collect()
}
