//! `$try`: a protocol is read and not taken up: what of it would be refused, or what it comes to.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::primitive::is_id;
use serde_json::{Value as Json, json};

use super::given::Given;
use crate::care::explain::asks;
use crate::care::protocol::{Protocol, Requirement};
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::read;
use crate::rest::refused::Refused;
use crate::rest::{Outcome, limits};
use crate::translate::{Refusal, protocol};

/// `POST /fhir/PlanDefinition/$try` with the plan, `GET` or `POST /fhir/PlanDefinition/id/$try` of one that is here.
pub(super) async fn try_plan(edge: &Edge, ask: &Ask<'_>, id: Option<&str>, body: Body) -> Outcome {
    let rest = &edge.rest;
    let mut given = Given::read(edge, ask, body).await?;
    let sent = given.take_resource("plan");
    if let Some(parameter) = given.parameters.first() {
        return match parameter.name.as_str() {
            "from" | "to" | "unit" => {
                let why = "only the plan is read here; what days come to under it, `terce compare` says";
                Err(Refused::not_supported(&parameter.name, why))
            }
            _ => parameter.unknown(),
        };
    }
    let plan = match (sent, id) {
        (Some(plan), _) => plan,
        (None, Some(id)) if is_id(id) => match rest.store.document("PlanDefinition", id).await? {
            Some(stored) => stored.body.ok_or(Refused::Gone)?,
            None => read::definition(rest, "PlanDefinition", id).ok_or(Refused::NotFound)?,
        },
        (None, Some(_)) => return Err(Refused::NotFound),
        (None, None) => {
            let (required, why) =
                (fhir_models::IssueKind::Required, "expected the PlanDefinition that is to be tried");
            return Err(Refused::Document(fhir_models::ParseError::new(required, "plan", why)));
        }
    };
    let read = protocol::protocol(id.unwrap_or("new"), &plan, &rest.stays.site().codes);
    let parameters = match read {
        Ok(protocol) => accepted(&protocol),
        Err(refusals) => refused(&refusals),
    };
    let answer = json!({ "resourceType": "Parameters", "parameter": parameters });
    Ok(Answer::json(StatusCode::OK, answer.to_string()))
}

fn text(name: &str, text: &str) -> Json {
    json!({ "name": name, "valueString": text })
}

fn refused(refusals: &[Refusal]) -> Vec<Json> {
    let mut out = vec![json!({ "name": "result", "valueBoolean": false })];
    out.extend(refusals.iter().take(limits::VALIDATE_ISSUES).map(|refusal| {
        let parts = [text("expression", &refusal.path), text("why", &refusal.why)];
        json!({ "name": "refusal", "part": parts })
    }));
    out
}

fn accepted(protocol: &Protocol) -> Vec<Json> {
    let mut out = vec![json!({ "name": "result", "valueBoolean": true })];
    // a Parameters has no empty texts
    out.extend(Some(&protocol.title).filter(|t| !t.is_empty()).map(|t| text("title", t)));
    out.extend(Some(&protocol.version).filter(|v| !v.is_empty()).map(|v| text("version", v)));
    out.extend(
        protocol
            .requirements
            .iter()
            .map(|requirement| json!({ "name": "requirement", "part": in_words(requirement) })),
    );
    out
}

fn in_words(requirement: &Requirement) -> Vec<Json> {
    let mut parts = vec![text("id", &requirement.id), text("asks", &asks(requirement))];
    let system = crate::translate::codes::ACTIVITY;
    parts.extend(requirement.activities.iter().map(
        |activity| json!({ "name": "creditedBy", "valueCoding": { "system": system, "code": &*activity.0 } }),
    ));
    parts.extend(requirement.condition.iter().map(|c| text("whileHolds", &c.0)));
    parts.extend(requirement.steps.iter().map(|step| text("step", step)));
    parts
}
