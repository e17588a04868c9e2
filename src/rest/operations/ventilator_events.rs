//! `$ventilator-events`: what surveillance finds in a stay, for the infection-prevention team to confirm.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::primitive::is_id;
use serde_json::json;

use super::given::Given;
use crate::care::time::Instant;
use crate::rest::Outcome;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::translate::events;

/// `GET` or `POST /fhir/Encounter/id/$ventilator-events`.
pub(super) async fn ventilator_events(edge: &Edge, ask: &Ask<'_>, id: &str, body: Body) -> Outcome {
    let given = Given::read(edge, ask, body).await?;
    given.no_resource()?;
    if let Some(parameter) = given.parameters.first() {
        return parameter.unknown();
    }
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    let rest = &edge.rest;
    let document = rest.store.document("Encounter", id).await?.ok_or(Refused::NotFound)?;
    let (Some(_), Some(patient)) = (document.body, document.patient) else { return Err(Refused::Gone) };
    ask.act.tells_of([patient.as_str()].into_iter());
    let surveys = rest.stays.surveys(&patient, Instant::from_micros(ask.now_us)).await?;
    let found = surveys.iter().find(|s| s.stay.stay == id).ok_or_else(|| {
        let why = "the encounter is part of another stay; ask for the one that it is part of".to_owned();
        Refused::Unprocessable { at: "Encounter.partOf".to_owned(), why }
    })?;
    let ledger = &found.stay.ledger;
    if ask.wants("text/plain") {
        return Ok(Answer::text(format!(
            "Encounter/{id} at {}\n{}",
            ledger.now,
            events::text(&found.survey, ledger)
        )));
    }
    let mut parameters = vec![
        json!({ "name": "stay", "valueReference": { "reference": format!("Encounter/{id}") } }),
        json!({ "name": "patient", "valueReference": { "reference": format!("Patient/{patient}") } }),
    ];
    parameters.extend(events::parameters(&found.survey, ledger));
    for doubt in &found.doubts {
        let parts = [
            json!({ "name": "why", "valueString": &*doubt.why }),
            json!({ "name": "source", "valueReference": { "reference": &*doubt.source.0 } }),
        ];
        parameters.push(json!({ "name": "doubt", "part": parts }));
    }
    let answer = json!({ "resourceType": "Parameters", "parameter": parameters });
    Ok(Answer::json(StatusCode::OK, answer.to_string()))
}
