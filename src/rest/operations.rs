//! Operations: a report of a measure, and why a stay is counted as it is.

use axum::body::Body;
use axum::http::{Method, StatusCode};
use chrono::{NaiveDate, TimeDelta};
use fhir_models::primitive::is_id;
use fhir_models::{Parameters, Resource};
use serde_json::{Value as Json, json};

use super::answer::Answer;
use super::ask::{self, Ask};
use super::body::Takes;
use super::edge::Edge;
use super::refused::Refused;
use super::search::calendar;
use super::{Outcome, Rest, limits};
use crate::care::explain::{Explained, explain as explained};
use crate::care::ledger::Feed;
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::stays::StayLedger;
use crate::translate::measures::{self, MEASURES, Scope};

/// What `$evaluate-measure` is asked.
#[derive(Default)]
struct Evaluate {
    start: Option<NaiveDate>,
    end: Option<NaiveDate>,
    patient: Option<String>,
    about_one: Option<bool>,
    unit: Option<String>,
}

/// `GET` or `POST /fhir/Measure/id/$evaluate-measure`.
pub(super) async fn evaluate(edge: &Edge, ask: &Ask<'_>, id: &str, body: Body) -> Outcome {
    let rest = &edge.rest;
    let mut asked = Evaluate::default();
    for (name, value) in ask::parameters(ask.query)? {
        if name != "_format" && name != "_pretty" {
            asked.parameter(&name, &value, rest)?;
        }
    }
    match ask.method {
        Method::GET => {}
        Method::POST => {
            let held = edge.receive(ask, body, Takes::MaybeJson).await?;
            if !held.bytes.is_empty() {
                for (name, value) in body_parameters(&held.bytes)? {
                    asked.parameter(&name, &value, rest)?;
                }
            }
        }
        _ => return Err(Refused::Method("GET, HEAD, POST")),
    }
    if !MEASURES.contains(&id) {
        return Err(Refused::NotFound);
    }
    report(rest, ask, id, asked).await
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

impl Evaluate {
    fn parameter(&mut self, name: &str, value: &str, rest: &Rest) -> Result<(), Refused> {
        let day = |last: bool| {
            let date = value.split('T').next().unwrap_or_default();
            let days = calendar(date).map(|(from, to)| if last { to } else { from });
            days.ok_or_else(|| Refused::value(name, "expected a date, such as 2026-01-31"))
        };
        match name {
            // the end is inclusive, to the end of what it implies
            "periodStart" => self.start = Some(day(false)?),
            "periodEnd" => self.end = Some(day(true)?),
            "subject" => {
                let id = value.strip_prefix("Patient/").filter(|id| is_id(id)).map(str::to_owned);
                let id = id.or_else(|| {
                    let reference = Some(value.to_owned());
                    let reference = fhir_models::datatypes::Reference { reference, ..Default::default() };
                    rest.own_bases.id(&reference, "Patient").map(str::to_owned)
                });
                self.patient = Some(id.ok_or_else(|| Refused::value(name, "expected Patient/id"))?);
            }
            "reportType" => match value {
                "summary" | "population" => self.about_one = Some(false),
                "subject" | "individual" => self.about_one = Some(true),
                _ => return Err(Refused::not_supported(name, "expected summary or subject")),
            },
            "unit" => {
                let id = value.strip_prefix("Location/").unwrap_or(value);
                self.unit = Some(id.to_owned()).filter(|id| is_id(id));
                if self.unit.is_none() {
                    return Err(Refused::value(name, "expected Location/id"));
                }
            }
            _ => return Err(Refused::not_supported(name, "not a parameter of this operation here")),
        }
        Ok(())
    }
}

async fn report(rest: &Rest, ask: &Ask<'_>, id: &str, asked: Evaluate) -> Outcome {
    let missing = |name: &str| {
        Refused::Document(fhir_models::ParseError::new(
            fhir_models::IssueKind::Required,
            name,
            "expected a date, such as 2026-01-31",
        ))
    };
    let from = asked.start.ok_or_else(|| missing("periodStart"))?;
    let to = asked.end.ok_or_else(|| missing("periodEnd"))?;
    let contradiction =
        |at: &str, why: &str| Refused::Contradiction { at: at.to_owned(), why: why.to_owned() };
    if to < from {
        return Err(contradiction("periodEnd", "expected a day that is not before periodStart"));
    }
    if to.signed_duration_since(from) > TimeDelta::days(limits::REPORT_DAYS) {
        return Err(Refused::too_costly("periodEnd", format!("at most {} days", limits::REPORT_DAYS)));
    }
    match (asked.about_one, &asked.patient) {
        (Some(true), None) => return Err(contradiction("subject", "a report about a subject says which")),
        (Some(false), Some(_)) => {
            return Err(contradiction("reportType", "a summary is about nobody in particular"));
        }
        _ => {}
    }
    let now = Instant::from_micros(ask.now_us);
    let tally = match &asked.patient {
        None => rest.stays.tally(from, to, now).await?,
        Some(patient) => {
            if rest.store.document("Patient", patient).await?.is_none()
                && rest.store.subject(patient).await?.is_none()
            {
                return Err(Refused::NotFound);
            }
            let mut tally = Tally::default();
            rest.stays.ledgers(patient, now).await?.iter().for_each(|stay| tally.add(&stay.ledger));
            tally
        }
    };
    let heard_until = match rest.stays.feed(now) {
        feed if feed == Feed::unwatched() => None,
        Feed::Live { watermark } | Feed::Silent { watermark } => Some(watermark),
    };
    let scope = Scope { unit: asked.unit, patient: asked.patient, heard_until };
    let site = rest.stays.site();
    let report =
        measures::evaluate(id, &tally, &site.rules, (from, to), &scope, now).ok_or(Refused::NotFound)?;
    Ok(Answer::json(StatusCode::OK, report.write()))
}

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
        at.map(|at| json!({ "name": name, "valueInstant": super::text::instant(at.micros()) }))
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
