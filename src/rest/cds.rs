//! CDS Hooks 2.0: a card for the patient in view (`patient-view`), where the record can show one.
//!
//! Callers prove who they are with a signed token of their own ("Trusting CDS Clients"); a service that is open takes all.
//! What is shown is the Task that stands, as everybody else sees it. Nothing is fetched from the caller: the `prefetch`,
//! `fhirServer` and `fhirAuthorization` of a request are not looked at.

use std::sync::Arc;

use axum::body::Body;
use axum::http::request::Parts;
use axum::http::{Method, StatusCode};
use serde::Deserialize;
use serde_json::{Value, json};

use super::access::{self, Who};
use super::answer::Answer;
use super::audit::Act;
use super::body::Takes;
use super::edge::{self, Edge};
use super::refused::{Refused, Unknown};
use super::{Outcome, limits};
use crate::access::{Denied, Holder, Scopes};
use crate::store::{Among, Query, StayQuery};
use crate::translate::card::card;

/// The id of the service.
const SERVICE: &str = "mouth-care";
const JSON: &str = "application/json";

/// What a request says, as far as it is looked at.
#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Called {
    hook: String,
    hook_instance: String,
    context: Context,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Context {
    patient_id: String,
}

/// Answers what is asked below `/cds-services`.
pub(super) async fn answer(edge: &Edge, parts: &Parts, act: &Arc<Act>, path: &[&str], body: Body) -> Outcome {
    match (path, &parts.method) {
        ([], &Method::GET | &Method::HEAD) => Ok(discovery()),
        ([], _) => Err(Refused::Method("GET, HEAD")),
        ([SERVICE], &Method::POST) => {
            act.is("read");
            let answered = called(edge, parts, act, body).await;
            edge.rest.record(act, edge.rest.clock.now().micros(), answered).await
        }
        ([SERVICE], _) => Err(Refused::Method("POST")),
        _ => Err(Refused::NotFound),
    }
}

fn discovery() -> Answer {
    let service = json!({
        "id": SERVICE,
        "hook": "patient-view",
        "title": "Mouth care of ventilated patients",
        "description": "What of the mouth care that the patient in view should get is due or overdue, by what was charted. \
                        No card where nothing is due. Not an alarm.",
    });
    json_of(&json!({ "services": [service] }))
}

fn json_of(value: &Value) -> Answer {
    Answer { media: JSON, ..Answer::json(StatusCode::OK, value.to_string()) }
}

async fn called(edge: &Edge, parts: &Parts, act: &Act, body: Body) -> Outcome {
    let who = caller(edge, parts).await?;
    act.of(&who);
    let held = edge.budget.receive(&parts.headers, body, Takes::Json).await?;
    fhir_models::json::scan(&held.bytes)?;
    let called: Called = serde_json::from_slice(&held.bytes).map_err(|_| {
        Refused::value("context", "expected hook, hookInstance, and a context with a patientId")
    })?;
    if called.hook != "patient-view" {
        return Err(Refused::value("hook", "expected patient-view"));
    }
    if called.hook_instance.is_empty() || called.hook_instance.len() > limits::HOOK_INSTANCE_BYTES {
        return Err(Refused::value("hookInstance", "expected a UUID"));
    }
    let patient = &called.context.patient_id;
    let cards = cards(edge, parts, act, patient.strip_prefix("Patient/").unwrap_or(patient)).await?;
    Ok(json_of(&json!({ "cards": cards })))
}

/// One card for each stay of the patient that has something due; there is hardly ever a second one.
async fn cards(edge: &Edge, parts: &Parts, act: &Act, patient: &str) -> Result<Vec<Value>, Refused> {
    if !fhir_models::primitive::is_id(patient) {
        return Err(Refused::value("context.patientId", "expected the id of a patient"));
    }
    let (rest, now) = (&edge.rest, edge.rest.clock.now());
    let (kind, among) = ("Task".into(), Among::Patients(vec![patient.to_owned()]));
    let query = Query { kind, among, limit: limits::PAGE_ROWS_MAX, ..Query::default() };
    let documents = rest.store.search(query).await?.documents.into_iter().map(|row| row.document);
    let base = edge::base(edge, parts);
    let pages = base.strip_suffix("/fhir").unwrap_or(&base);
    let query =
        StayQuery { patient: Some(patient.to_owned()), limit: limits::PAGE_ROWS_MAX, ..StayQuery::default() };
    let stays = rest.store.stays(query).await?;
    let mut cards = Vec::new();
    let mut shown = Vec::new();
    for document in documents {
        let task = document.body.as_deref().and_then(|body| serde_json::from_slice::<Value>(body).ok());
        let Some(task) = task else { continue };
        let stay = document.encounter.as_deref().unwrap_or_default();
        let links = [
            ("How this is counted", format!("{pages}/stay/{stay}")),
            ("The same in FHIR", format!("{base}/Task/{}/$explain", document.id)),
        ];
        let unit = stays.iter().find(|row| row.stay == stay);
        let feed = rest.stays.feed_of(unit.and_then(|row| row.unit.as_deref()), now);
        if let Some(card) = card(&document.id, &task, feed, now, &links) {
            cards.push(card);
            shown.push(document);
        }
    }
    rest.shows(act, "read", &shown).await?;
    Ok(cards)
}

/// Who calls: whose token it is, for this very address.
async fn caller(edge: &Edge, parts: &Parts) -> Result<Who, Refused> {
    let Some(door) = &edge.rest.door else { return Ok(Who::Anybody) };
    let token = access::bearer(parts)?;
    let base = edge::base(edge, parts);
    let address = format!("{}/cds-services/{SERVICE}", base.strip_suffix("/fhir").unwrap_or(&base));
    match door.caller(token, &address, edge.rest.clock.now().micros()).await {
        Ok(client) => {
            let scopes = Scopes::read("system/Task.rs").unwrap_or_default();
            Ok(Who::Holder(Holder { client, issuer: String::new(), scopes, sources: Vec::new() }))
        }
        Err(Denied::Store(error)) => Err(error.into()),
        Err(denied) => {
            tracing::warn!(why = %denied, "a caller of a hook was not let in");
            Err(Refused::Unknown(Unknown::Invalid))
        }
    }
}
