//! `$try`: a protocol or a map is read and not taken up: what of it would be refused, or what it comes to.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::primitive::is_id;
use serde_json::{Value as Json, json};

use super::given::Given;
use crate::access::Rights;
use crate::care::explain::asks;
use crate::care::protocol::{Protocol, Requirement};
use crate::care::time::Instant;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::read;
use crate::rest::refused::Refused;
use crate::rest::{Outcome, limits};
use crate::stays::{Changed, Stands};
use crate::store::StoreError;
use crate::translate::codes::Differs;
use crate::translate::{Refusal, protocol};

/// Open stays that are looked at: each is read from its documents twice.
const STAYS: usize = 500;

/// Codes, and stays, that are told.
const TOLD: usize = 1_000;

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

/// `POST /fhir/ConceptMap/$try` with a map, `POST /fhir/ConceptMap/id/$try` with one in place of the one of that id.
pub(super) async fn try_map(edge: &Edge, ask: &Ask<'_>, id: Option<&str>, body: Body) -> Outcome {
    // it tells how patients' care stands
    ["Encounter", "Procedure", "Observation"].iter().try_for_each(|kind| ask.who.may(kind, Rights::READ))?;
    let rest = &edge.rest;
    let mut given = Given::read(edge, ask, body).await?;
    let sent = given.take_resource("map");
    if let Some(parameter) = given.parameters.first() {
        return parameter.unknown();
    }
    let map = sent.ok_or_else(|| {
        let why = "expected the ConceptMap that is to be tried, sent by POST";
        Refused::Document(fhir_models::ParseError::new(fhir_models::IssueKind::Required, "map", why))
    })?;
    let read: fhir_models::ConceptMap = fhir_models::parse(&map)?;
    let id = id.map(str::to_owned).or(read.id).unwrap_or_else(|| "new".to_owned());
    if !is_id(&id) {
        return Err(Refused::value("id", "expected an id"));
    }
    let in_the_way = |error: anyhow::Error| match error.downcast::<StoreError>() {
        Ok(error) => Refused::from(error),
        Err(error) => Refused::value("map", error.to_string()),
    };
    let (tried, refusals) = rest.stays.with_map(&id, &map).await.map_err(in_the_way)?;
    let parameters = if refusals.is_empty() {
        let now = Instant::from_micros(ask.now_us);
        let codes = rest.stays.site().codes.differences(&tried.site().codes);
        let found = rest.stays.difference(&tried, STAYS, now).await?;
        ask.act.tells_of(found.changed.iter().map(|changed| changed.patient.as_str()));
        let more = found.more || codes.len() > TOLD;
        let mut out = vec![json!({ "name": "result", "valueBoolean": true })];
        out.extend(codes.iter().take(TOLD).map(code));
        out.extend(found.changed.iter().map(stay));
        out.push(json!({ "name": "staysLookedAt", "valueUnsignedInt": found.stays }));
        out.push(json!({ "name": "more", "valueBoolean": more }));
        out
    } else {
        refused(&refusals)
    };
    let answer = json!({ "resourceType": "Parameters", "parameter": parameters });
    Ok(Answer::json(StatusCode::OK, answer.to_string()))
}

/// A code that would mean something else.
fn code(differs: &Differs) -> Json {
    let coding = |name: &str, system: &str, code: &str| json!({ "name": name, "valueCoding": { "system": system, "code": code } });
    let mut parts = vec![coding("code", &differs.system, &differs.code)];
    parts.extend(differs.before.iter().map(|(system, code)| coding("before", system, code)));
    parts.extend(differs.after.iter().map(|(system, code)| coding("after", system, code)));
    json!({ "name": "code", "part": parts })
}

/// A stay that would stand otherwise.
fn stay(changed: &Changed) -> Json {
    let stands = |name: &str, stands: &Stands| {
        let mut parts = vec![json!({ "name": "counted", "valueBoolean": stands.counted })];
        parts.extend(stands.asked.iter().map(|requirement| text("asked", requirement)));
        parts.push(json!({ "name": "met", "valueUnsignedInt": stands.met }));
        parts.push(json!({ "name": "missed", "valueUnsignedInt": stands.missed }));
        json!({ "name": name, "part": parts })
    };
    let encounter = json!({ "reference": format!("Encounter/{}", changed.stay) });
    let parts = [
        json!({ "name": "encounter", "valueReference": encounter }),
        stands("before", &changed.before),
        stands("after", &changed.after),
    ];
    json!({ "name": "stay", "part": parts })
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
