//! `$explain`: why a stay is counted as it is, and what a Task or a DetectedIssue rests on.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::primitive::is_id;
use serde_json::{Value as Json, json};

use super::given::Given;
use crate::care::explain::{Explained, explain as explained};
use crate::care::time::Instant;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::types::Kind;
use crate::rest::{Outcome, text as lines};
use crate::stays::StayLedger;
use crate::translate::outcomes::{self, SaidDocument};

/// `GET` or `POST /fhir/Encounter/id/$explain`; of a Task or a DetectedIssue the items that it rests on.
pub(super) async fn explain(edge: &Edge, ask: &Ask<'_>, kind: &Kind, id: &str, body: Body) -> Outcome {
    let rest = &edge.rest;
    let given = Given::read(edge, ask, body).await?;
    given.no_resource()?;
    let mut requirement = None;
    for parameter in &given.parameters {
        match parameter.name.as_str() {
            "requirement" => requirement = Some(parameter.text()?),
            _ => return parameter.unknown(),
        }
    }
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    let document = rest.store.document(kind.name, id).await?.ok_or(Refused::NotFound)?;
    let body = document.body.ok_or(Refused::Gone)?;
    let of_stay = kind.name == "Encounter";
    let stay =
        if of_stay { Some(id.to_owned()) } else { outcomes::row(kind.name, &body).and_then(|r| r.encounter) };
    let (Some(stay), Some(patient)) = (stay, document.patient) else {
        if of_stay {
            return Err(Refused::NotFound);
        }
        let why = "it is about a feed and not about a stay: there is no ledger behind it".to_owned();
        return Err(Refused::Unprocessable { at: kind.name.to_owned(), why });
    };
    ask.act.tells_of([patient.as_str()].into_iter());
    let ledgers = rest.stays.ledgers(&patient, Instant::from_micros(ask.now_us)).await?;
    let stay = ledgers.iter().find(|l| l.stay == stay).ok_or_else(|| {
        let why = "the encounter is part of another stay; ask for the one that it is part of".to_owned();
        Refused::Unprocessable { at: "Encounter.partOf".to_owned(), why }
    })?;
    let site = rest.stays.site();
    let mut items = explained(&stay.ledger, &site.rules);
    if !of_stay {
        let (kind, id, version) = (document.kind, document.id, document.version);
        let updated = Instant::from_micros(document.received_us);
        let said = SaidDocument { kind, id, version, updated, body: body.into() };
        items = outcomes::rests_on(&said, &stay.stay, items);
    }
    items.retain(|e: &Explained| requirement.is_none_or(|r| r == &*e.requirement));
    if ask.wants("text/plain") {
        return Ok(Answer::text(explanation_text(stay, &items)));
    }
    let mut answer = explanation_json(stay, &items);
    if let Some(parameters) = answer.get_mut("parameter").and_then(Json::as_array_mut).filter(|_| !of_stay) {
        let reference = format!("{}/{id}", kind.name);
        parameters.insert(0, json!({ "name": "about", "valueReference": { "reference": reference } }));
    }
    Ok(Answer::json(StatusCode::OK, answer.to_string()))
}

/// An explanation as FHIR Parameters: one `item` for each, and the doubts of the stay.
pub fn explanation_json(stay: &StayLedger, items: &[Explained]) -> Json {
    let instant = |name: &str, at: Option<Instant>| {
        at.map(|at| json!({ "name": name, "valueInstant": lines::instant(at.micros()) }))
    };
    let text = |name: &str, text: &str| json!({ "name": name, "valueString": text });
    let mut parameters = vec![
        json!({ "name": "stay", "valueReference": { "reference": format!("Encounter/{}", stay.stay) } }),
        json!({ "name": "patient", "valueReference": { "reference": format!("Patient/{}", stay.patient) } }),
    ];
    parameters.extend(instant("at", Some(stay.ledger.now)));
    for item in items {
        let mut parts = vec![
            json!({ "name": "requirement", "valueCode": &*item.requirement }),
            json!({ "name": "what", "valueCode": item.what }),
        ];
        parts.extend(instant("at", item.at));
        parts.extend(instant("from", item.span.map(|s| s.from)));
        parts.extend(instant("to", item.span.map(|s| s.to).filter(|to| *to < Instant::LATEST)));
        parts.extend(instant("deadline", item.deadline));
        parts.extend(item.arithmetic.iter().map(|a| text("arithmetic", a)));
        let source = |s: &crate::care::facts::Source| json!({ "name": "source", "valueReference": { "reference": &*s.0 } });
        parts.extend(item.sources.iter().map(source));
        parameters.push(json!({ "name": "item", "part": parts }));
    }
    for doubt in &stay.doubts {
        let source = json!({ "name": "source", "valueReference": { "reference": &*doubt.source.0 } });
        let parts = [text("why", &doubt.why), source];
        parameters.push(json!({ "name": "doubt", "part": parts }));
    }
    json!({ "resourceType": "Parameters", "parameter": parameters })
}

/// An explanation as people read it.
pub fn explanation_text(stay: &StayLedger, items: &[Explained]) -> String {
    let mut lines = vec![format!("Encounter/{} at {}", stay.stay, stay.ledger.now)];
    for item in items {
        lines.push(format!("\n{} {}", item.requirement, item.what));
        lines.extend(item.arithmetic.iter().map(|a| format!("  {a}")));
        lines.extend(item.sources.iter().map(|s| format!("  source: {s}")));
    }
    lines.push(String::new());
    lines.join("\n")
}
