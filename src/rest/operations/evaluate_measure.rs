//! `$evaluate-measure`: a report of a measure.

use axum::body::Body;
use axum::http::{Method, StatusCode};
use chrono::{NaiveDate, TimeDelta};
use fhir_models::Resource;
use fhir_models::primitive::is_id;

use super::body_parameters;
use crate::care::ledger::Feed;
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::rest::answer::Answer;
use crate::rest::ask::{self, Ask};
use crate::rest::body::Takes;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::search::calendar;
use crate::rest::{Outcome, Rest, limits};
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
