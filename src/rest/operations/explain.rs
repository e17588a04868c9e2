//! `$explain`: why a stay is counted as it is.

use axum::http::{Method, StatusCode};
use fhir_models::primitive::is_id;
use serde_json::{Value as Json, json};

use crate::care::explain::{Explained, explain as explained};
use crate::care::time::Instant;
use crate::rest::answer::Answer;
use crate::rest::ask::{self, Ask};
use crate::rest::refused::Refused;
use crate::rest::{Outcome, Rest, text as lines};
use crate::stays::StayLedger;

/// `GET /fhir/Encounter/id/$explain`.
pub(super) async fn explain(rest: &Rest, ask: &Ask<'_>, id: &str) -> Outcome {
    if ask.method != Method::GET {
        return Err(Refused::Method("GET, HEAD"));
    }
    let mut requirement = None;
    for (name, value) in ask::parameters(ask.query)? {
        match name.as_ref() {
            "requirement" => requirement = Some(value.into_owned()),
            "_format" | "_pretty" => {}
            other => return Err(Refused::not_supported(other, "$explain takes requirement")),
        }
    }
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    let encounter = rest.store.document("Encounter", id).await?.ok_or(Refused::NotFound)?;
    if encounter.body.is_none() {
        return Err(Refused::Gone);
    }
    let patient = encounter.patient.ok_or(Refused::NotFound)?;
    let ledgers = rest.stays.ledgers(&patient, Instant::from_micros(ask.now_us)).await?;
    let stay = ledgers.iter().find(|l| l.stay == id).ok_or_else(|| {
        let why = "the encounter is part of another stay; ask for the one that it is part of".to_owned();
        Refused::Unprocessable { at: "Encounter.partOf".to_owned(), why }
    })?;
    let site = rest.stays.site();
    let wanted = |e: &Explained| requirement.as_deref().is_none_or(|r| r == &*e.requirement);
    let items: Vec<Explained> = explained(&stay.ledger, &site.rules).into_iter().filter(wanted).collect();
    if ask.wants_text() {
        return Ok(Answer::text(explanation_text(stay, &items)));
    }
    Ok(Answer::json(StatusCode::OK, explanation_json(stay, &items).to_string()))
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
